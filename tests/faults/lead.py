"""The lead at work: a kernel of a real JupyterLab that writes into the lab book in code."""

from __future__ import annotations

import os
import secrets
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from queue import Empty
from typing import Any

from jupyter_client.blocking.client import BlockingKernelClient

from labkit.setup.opening import jupyter_command, jupyter_environment
from tests.conftest import WorkbookServer
from tests.project import PROJECT, copy_data, copy_workbook, free_port

STEPPING = Path(__file__).parent / "stepping"

BEGIN = """
import os
from labkit.book import LabBook
from labkit.errors import LabkitError
book = LabBook({url!r}, must_exist=True)
print("pid", os.getpid(), flush=True)
"""

WRITE = """
for mine, value in {scores!r}:
    try:
        book.scores.record_score(
            {session!r}, 1, {taster!r}, "acidity", value, position=1, source="paper", entry_id=mine
        )
    except LabkitError as error:
        print("refused", mine, str(error).replace(chr(10), " "), flush=True)
    else:
        print("kept", mine, flush=True)
"""


class Lead:
    """JupyterLab, a kernel in it, and what the kernel said of each score typed from paper."""

    def __init__(self, folder: Path, url: str, session: str, taster: str) -> None:
        self.url, self.session, self.taster = url, session, taster
        self.folder = folder
        self._asked: set[str] = set()
        self._half = ""
        self.given: list[tuple[str, int]] = []
        self.kept: set[str] = set()
        self.refused: dict[str, str] = {}
        self.wrong: list[str] = []
        folder.mkdir()
        self._workbook, self._data = copy_workbook(folder), copy_data(folder)
        self._token = secrets.token_urlsafe(24)
        self._client: BlockingKernelClient | None = None
        self.pid = 0
        self.process: subprocess.Popen[bytes]
        self.open()

    def open(self) -> None:
        """Start JupyterLab and a kernel in it."""
        port = free_port()  # while JupyterLab was down, somebody else may have taken the last one
        command = jupyter_command(Path(sys.executable), self._workbook, port=port)
        self._home = self.folder / "jupyter"
        environment = jupyter_environment(
            {**os.environ, "LABKIT_DATA": str(self._data)},
            token=self._token,
            project=PROJECT,
            home=self._home,
        )
        # The clock that steps is the whole laptop's.
        environment["PYTHONPATH"] = os.pathsep.join((str(STEPPING), str(PROJECT)))
        with (self.folder / "jupyter.log").open("ab") as log:
            self.process = subprocess.Popen(
                command, env=environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._server = WorkbookServer(
            url=f"http://127.0.0.1:{port}", token=self._token, workbook=self._workbook
        )
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline:
            with suppress(OSError):
                self._server.call("GET", "/api/status")
                break
            time.sleep(0.2)
        self.begin()

    def begin(self) -> None:
        """Start a kernel and open the lab book in it."""
        kernel = self._server.call("POST", "/api/kernels")["id"]
        file = self._home / "data" / "runtime" / f"kernel-{kernel}.json"
        self._client = BlockingKernelClient(connection_file=str(file))
        self._client.load_connection_file()
        self._client.start_channels()
        self._wait_for_answer()
        self._client.execute(BEGIN.format(url=self.url), store_history=False)
        while not self.pid:
            self.listen(0.2)

    def _wait_for_answer(self) -> None:
        """Ask until the kernel answers; on a busy machine that takes its time."""
        assert self._client is not None
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline:
            self._client.kernel_info()
            with suppress(Empty):
                self._client.get_shell_msg(timeout=5)
                return
        raise TimeoutError("the lead's kernel does not answer")

    def write(self, count: int = 10) -> None:
        """Type some scores from paper; nobody waits for it."""
        assert self._client is not None
        scores = [(secrets.token_hex(16), (len(self.given) + n) % 16) for n in range(count)]
        self.given += scores
        told = {"scores": scores, "session": self.session, "taster": self.taster}
        self._asked.add(self._client.execute(WRITE.format(**told), store_history=False))

    def settle(self) -> None:
        """Wait until the kernel has done what it was asked, unless it was killed over it."""
        deadline = time.monotonic() + 180
        while self._asked and time.monotonic() < deadline:
            self.listen(1)

    def listen(self, patience_s: float) -> None:
        """Take what the kernel says, until it says nothing for so long."""
        assert self._client is not None
        with suppress(Empty):
            while True:
                message: dict[str, Any] = self._client.get_iopub_msg(timeout=patience_s)
                content = message["content"]
                if message["msg_type"] == "stream":
                    # A line may come in parts.
                    *lines, self._half = (self._half + content["text"]).split("\n")
                    for line in lines:
                        self._hear(*line.split(" ", 2))
                elif message["msg_type"] == "error":
                    self.wrong.append(f"{content['ename']}: {content['evalue']}")
                elif content.get("execution_state") == "idle":
                    self._asked.discard(message["parent_header"].get("msg_id"))

    def _hear(self, what: str = "", which: str = "", more: str = "") -> None:
        if what == "pid":
            self.pid = int(which)
        elif what == "kept":
            self.kept.add(which)
        elif what == "refused":
            self.refused[which] = more

    def kill_kernel(self) -> None:
        """Kill the kernel the hard way."""
        os.kill(self.pid, signal.SIGKILL)
        self._let_go()

    def kill_all(self) -> None:
        """Kill JupyterLab the hard way, and its kernel."""
        self.process.kill()
        self.process.wait()
        with suppress(ProcessLookupError):
            os.kill(self.pid, signal.SIGKILL)
        self._let_go()

    def _let_go(self) -> None:
        self.listen(0.3)  # what it had said before
        assert self._client is not None
        self._client.stop_channels()
        self._client, self.pid = None, 0
        self._asked.clear()
        self._half = ""

    def end(self) -> None:
        """Stop everything."""
        if self._client is not None:
            self._client.stop_channels()
        self.process.terminate()
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(timeout=30)
