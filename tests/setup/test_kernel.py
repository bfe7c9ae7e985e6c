"""The program behind a notebook or page, as our own kernel specification starts it."""

from __future__ import annotations

import pytest
from jupyter_client.manager import start_new_kernel

from tests.project import PROJECT


@pytest.fixture
def client(monkeypatch, tmp_path):
    """A client of a running kernel, in a folder where a file is called like a library."""
    monkeypatch.setenv("JUPYTER_PATH", str(PROJECT / "labkit" / "setup" / "jupyter"))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    beside = tmp_path / "notebooks"
    beside.mkdir()
    (beside / "code.py").write_text("raise RuntimeError('this is not the library')")
    manager, client = start_new_kernel(kernel_name="python3", cwd=str(beside))
    yield client
    client.stop_channels()
    manager.shutdown_kernel(now=True)


def test_a_kernel_reads_its_socket_itself_and_what_lies_beside_it_hides_no_library(client):
    """A thread between the two may lose the message that comes while the kernel is made."""
    info = client.kernel_info(reply=True, timeout=60)["content"]
    assert info["implementation"] == "ipython"
    assert "kernel subshells" not in info.get("supported_features", [])

    answer = client.execute(
        "import threading",
        user_expressions={"all": "threading.enumerate()"},
        reply=True,
        timeout=60,
    )
    threads = answer["content"]["user_expressions"]["all"]["data"]["text/plain"]
    assert "Control" in threads
    assert "Shell channel" not in threads
