"""Starts JupyterLab and the page on the workbook: on this machine only, behind a token, quiet."""

from __future__ import annotations

import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
import webbrowser
from collections.abc import Mapping
from pathlib import Path, PurePath
from typing import TextIO

from labkit.errors import SetUpError
from labkit.setup.layout import Layout
from labkit.setup.working_copy import renew_copies

DEFAULT_PORT = 8888
PATIENCE_S = 300.0
"""How long JupyterLab, and then the page's kernel, may take to answer: seconds as a rule, minutes
on a busy slow machine."""

PAGE = "0-today.ipynb"
"""The notebook that is shown as a page, without its code, and the only one."""

_QUIET_CONFIG = Path(__file__).parent / "jupyter"
"""Holds, under labconfig, what turns the announcements box off and keeps what widgets send in one
thread (no form expects two), and the template of the page under voila/templates."""


_PAGE_EXTENSIONS = (
    "anywidget",
    "@jupyter-widgets/jupyterlab-manager",
    "@voila-dashboards/widgets-manager8",
)
"""Of JupyterLab's extensions, what the page loads."""


def check_port(port: int) -> None:
    """Raise SetUpError if another program listens on the port."""
    if not _is_free(port):
        free = next((p for p in range(port + 1, min(port + 200, 65536)) if _is_free(p)), None)
        other = f"for example 'open --port {free}'" if free else "with --port"
        raise SetUpError(
            f"port {port} is in use, perhaps by a workbook that is open already: use that one, "
            f"stop it, or choose another port, {other}",
            field="port",
        )


def check_writable(layout: Layout[Path]) -> None:
    """Raise SetUpError if the project may only be read: copies and logs are written into it."""
    for folder in (layout.root, layout.venv):
        if not os.access(folder, os.W_OK):
            raise SetUpError(
                f"{folder} cannot be written, where your copies of the notebooks and the "
                "workbook's logs go: make it writable, or copy the project to a folder of your "
                "own, and start again there"
            )


def jupyter_command(
    python: PurePath, workbook: PurePath, *, port: int, notebook: str | None = None
) -> list[str]:
    """Call of JupyterLab that serves the workbook and nothing else.

    Parameters
    ----------
    python : path
        The environment's interpreter.
    workbook : path
        Folder of the notebooks.
    port : int
        Port on this machine.
    notebook : str, optional
        The one to show first.
    """
    # Voila's own extension would list and run every notebook, and serve pictures beside them. That
    # of language servers asks npm and R, before anything answers, for what nobody uses here.
    extensions = {
        "voila.server_extension": False,
        "jupyter_lsp": False,
        "labkit.setup.page_server": True,
    }
    return [
        str(python),
        "-m",
        "labkit.setup.lab_server",
        "--no-browser",
        "--allow-root",  # in a container there may be nobody else
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.port={port}",
        "--ServerApp.port_retries=0",
        "--ServerApp.base_url=/",  # whatever the machine's own configuration says
        f"--ServerApp.root_dir={workbook}",
        f"--ServerApp.jpserver_extensions={extensions}",
        "--ServerApp.answer_yes=True",
        f"--LabApp.default_url={page(notebook)}",
        "--LabApp.news_url=",
        "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
        "--LabApp.extension_manager=readonly",
        "--VoilaConfiguration.template=today",
        "--VoilaConfiguration.allow_template_override=NO",
        "--VoilaConfiguration.allow_theme_override=NO",
        "--VoilaConfiguration.file_allowlist=[]",
        "--VoilaConfiguration.show_tracebacks=False",
        f"--VoilaConfiguration.extension_allowlist={list(_PAGE_EXTENSIONS)!r}",
        f"--VoilaExecutor.startup_timeout={PATIENCE_S:.0f}",
    ]


def jupyter_environment(
    base: Mapping[str, str], *, token: str, project: PurePath, home: PurePath
) -> dict[str, str]:
    """Environment for that call: what the user's own Python and Jupyter are set to stays outside.

    Parameters
    ----------
    base : mapping
        The environment of the terminal.
    token : str
        Lets one in; it goes in here, since anyone can list a command line.
    project : path
        What the kernels import labkit from.
    home : path
        Where Jupyter and IPython keep settings, kernels and the like of their own.
    """
    foreign = ("JUPYTER", "IPYTHON", "PYTHONPATH", "PYTHONHOME", "PYTHONSTARTUP")
    return {
        **{name: value for name, value in base.items() if not name.startswith(foreign)},
        "PYTHONPATH": str(project),
        "JUPYTER_TOKEN": token,
        "JUPYTER_CONFIG_PATH": str(_QUIET_CONFIG),
        "JUPYTER_PATH": str(_QUIET_CONFIG),
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "JUPYTER_PREFER_ENV_PATH": "1",
        "IPYTHONDIR": str(home / "ipython"),
    }


def page(notebook: str | None) -> str:
    """Path of the page that shows the notebook, or JupyterLab with none open."""
    return f"/lab/tree/{notebook}" if notebook else "/lab"


def page_address() -> str:
    """Path of the page "Today"."""
    return f"/voila/render/{PAGE}"


def first_notebook(workbook: Path) -> str | None:
    """Name of the notebook that the work starts with."""
    return min((path.name for path in workbook.glob("*.ipynb")), default=None)


def serve_workbook(layout: Layout[Path], *, port: int, browser: bool, out: TextIO) -> int:
    """Run JupyterLab until it is stopped.

    Returns
    -------
    code : int
        0 when it was stopped on purpose.

    Raises
    ------
    SetUpError
        If the port is taken, JupyterLab does not come up, or it ends by itself.
    """
    check_port(port)
    started = time.monotonic()
    renew_copies(layout.workbook, layout.copies, out=out)
    token = secrets.token_urlsafe(24)
    notebook = first_notebook(layout.workbook)
    print("labkit: starting JupyterLab (the first time takes longer)", file=out, flush=True)
    with layout.jupyter_log.open("w", encoding="utf-8") as log:
        server = subprocess.Popen(
            jupyter_command(layout.python, layout.copies, port=port, notebook=notebook),
            env=jupyter_environment(
                os.environ, token=token, project=layout.root, home=layout.jupyter_home
            ),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
        try:
            _wait_until_it_answers(server, port, token, log=layout.jupyter_log)
            server_url = f"http://127.0.0.1:{port}"
            url = f"{server_url}{page_address()}?token={token}"
            print(
                f"labkit: the workbook is open (after {time.monotonic() - started:.1f} s) at\n"
                f"  {url}\n"
                f"labkit: the same as notebooks, for work in code: {server_url}/lab?token={token}\n"
                "labkit: keep this window open; Ctrl-C in it stops the workbook, and what you kept "
                "is in the lab book\n"
                "labkit: should something fail, read\n"
                f"  {layout.jupyter_log}",
                file=out,
                flush=True,
            )
            if browser and _has_a_screen():
                webbrowser.open(url)
            report_end(server.wait(), layout, out=out)
            return 0
        except KeyboardInterrupt:
            print("\nlabkit: stopping the workbook", file=out, flush=True)
            return 0
        finally:
            _end(server)


def _is_free(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name != "nt":  # there, the option would let two programs share the port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def _wait_until_it_answers(
    server: subprocess.Popen[bytes], port: int, token: str, *, log: Path
) -> None:
    """Return once JupyterLab answers on its port."""
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/api/status", headers={"Authorization": f"token {token}"}
    )
    # A proxy from the environment must not stand between this machine and itself.
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        if server.poll() is not None:
            raise SetUpError(
                f"JupyterLab stopped at once: read why in {log}, fix that and start again"
            )
        try:
            with direct.open(request, timeout=5):
                return
        except OSError:
            time.sleep(0.1)
    raise SetUpError(
        f"JupyterLab did not answer on port {port} within {PATIENCE_S:.0f} s: read {log}, free "
        "the machine of other work and start again"
    )


def report_end(code: int, layout: Layout[Path], *, out: TextIO) -> None:
    """Say that the workbook was shut down from its page, or raise since it ended by itself."""
    if code:
        how = f"signal {-code}" if code < 0 else f"exit code {code}"
        raise SetUpError(
            f"the workbook ended by itself ({how}): what you kept is in the lab book; type the "
            f"command again, and if it ends again read why in {layout.jupyter_log}"
        )
    print("labkit: the workbook was shut down from its page", file=out, flush=True)


def _has_a_screen() -> bool:
    """Whether a browser can open; on a bare terminal a text browser would take it over."""
    if sys.platform in ("win32", "darwin") or os.environ.get("BROWSER"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def _end(server: subprocess.Popen[bytes]) -> None:
    if server.poll() is None:
        server.terminate()
        try:
            server.wait(timeout=15)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
