"""The commands: ``open`` the workbook, serve a ``tasting`` to phones, ``test`` the project."""

from __future__ import annotations

import argparse
import io
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from types import FrameType
from typing import NoReturn

from labkit.errors import LabkitError
from labkit.setup.environment import ensure_environment
from labkit.setup.layout import RUN_LOCK, TEST_LOCK, Layout, this_project
from labkit.setup.opening import DEFAULT_PORT, check_port, check_writable, serve_workbook

TASTING_PORT = 8866
ABOUT = "Find, with a blind panel and few cups, the brew water that shows a coffee best."
ABOUT_OPEN = (
    "Open the workbook in JupyterLab. The first time this makes the project's own environment in "
    ".venv, which takes a few minutes; after that it takes seconds."
)
WHAT_NEXT = """\
labkit: all is set up, in
  {venv}
labkit: nothing was started; open the workbook, whenever you like, without a network, with
  python3 -m labkit open
labkit: in this folder, which may be moved and renamed
  {root}"""
"""Said by ``open --set-up-only``."""

ABOUT_TASTING = (
    "Serve a score sheet to each taster's phone over the local network, in the lab book that the "
    "workbook uses. Shows each taster's personal link, as a QR code and as a short code to type."
)
ABOUT_TEST = (
    "Run every test and every notebook with pytest, on all cores. The first time this adds what "
    "the tests need to the project's environment. Arguments go on to pytest: 'test tests/water', "
    "'test -k salt', 'test -n 0' for one process."
)


def main(arguments: Sequence[str]) -> int:
    """Run a command.

    Parameters
    ----------
    arguments : sequence of str
        What follows ``python3 -m labkit``.

    Returns
    -------
    code : int
        0 if all went well, 1 for a trouble told in one sentence, else pytest's own.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a folder may have letters it lacks
    parser = _parser()
    options, rest = parser.parse_known_args(arguments)
    signal.signal(signal.SIGTERM, _as_if_ctrl_c)
    layout = this_project()
    foreign = _leave_foreign_packages()
    inside = _is_own_python(layout) and not foreign
    try:
        if options.command == "test":
            return _test(layout, arguments)
        if rest:
            parser.error(f"{options.command} does not know {' '.join(rest)}")
        if options.command == "tasting":
            return _tasting(layout, arguments, options, inside=inside)
        return _open(layout, arguments, options, inside=inside)
    except LabkitError as error:
        print(f"labkit: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nlabkit: interrupted; start again whenever you like", file=sys.stderr)
        return 130


def pytest_command(layout: Layout[Path], arguments: Sequence[str]) -> list[str]:
    """Call of pytest, given what follows ``test``: on all cores, one file in one process.

    The project's conftest.py says how many processes, and starts them with the slow files, which
    pytest-xdist would reorder. Later arguments win: ``test -n 0`` stays in one process.
    """
    spread = ["-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder"]
    return [str(layout.python), "-m", "pytest", *spread, *arguments]


def again_inside(layout: Layout[Path], arguments: Sequence[str]) -> list[str]:
    """The same command, run by the environment's own Python."""
    return [str(layout.python), "-m", "labkit", *arguments]


def _is_own_python(layout: Layout[Path]) -> bool:
    return Path(sys.prefix).resolve() == layout.venv.resolve()


def _leave_foreign_packages() -> bool:
    """Keep what PYTHONPATH and PYTHONHOME name from pip and the environment; whether it was named.

    pip would count those packages as installed, and a kernel would import them first.
    """
    named = [os.environ.pop(name, "") for name in ("PYTHONPATH", "PYTHONHOME")]
    return any(named)


def _open(
    layout: Layout[Path], arguments: Sequence[str], options: argparse.Namespace, *, inside: bool
) -> int:
    if options.set_up_only:
        ensure_environment(layout, [RUN_LOCK], out=sys.stdout)
        print(WHAT_NEXT.format(venv=layout.venv, root=layout.root))
        return 0
    check_port(options.port)
    ensure_environment(layout, [RUN_LOCK], out=sys.stdout)
    if not inside:
        return become(again_inside(layout, arguments), folder=layout.root)
    check_writable(layout)
    from labkit.book import ensure_demo_book  # needs the environment

    ensure_demo_book()
    return serve_workbook(layout, port=options.port, browser=options.browser, out=sys.stdout)


def _tasting(
    layout: Layout[Path], arguments: Sequence[str], options: argparse.Namespace, *, inside: bool
) -> int:
    ensure_environment(layout, [RUN_LOCK], out=sys.stdout)
    if not inside:
        return become(again_inside(layout, arguments), folder=layout.root)
    from labkit.book import open_book  # these need the environment
    from labkit.widgets import serve

    with open_book() as book:
        url = book.url
    return serve(
        url,
        session=options.session,
        port=options.port,
        address=options.address,
        certificate=options.certificate,
        key=options.key,
        renew_links=options.renew_links,
        browser=options.browser,
        out=sys.stdout,
    )


def _test(layout: Layout[Path], arguments: Sequence[str]) -> int:
    ensure_environment(layout, [RUN_LOCK, TEST_LOCK], out=sys.stdout)
    return become(pytest_command(layout, arguments[1:]), folder=layout.root)


def become(command: Sequence[str], *, folder: Path) -> int:
    """Go on as another program."""
    sys.stdout.flush()
    if os.name != "nt":
        os.chdir(folder)
        os.execv(command[0], list(command))
    # On Windows exec would start a second process and let go of the terminal.
    return subprocess.run(command, cwd=folder, check=False).returncode


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python3 -m labkit", description=ABOUT, allow_abbrev=False
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="open | tasting | test")
    opening = commands.add_parser(
        "open", help="open the workbook", description=ABOUT_OPEN, allow_abbrev=False
    )
    opening.add_argument(
        "--no-browser",
        dest="browser",
        action="store_false",
        help="print the workbook's address and open no browser",
    )
    opening.add_argument(
        "--set-up-only",
        action="store_true",
        help="set up what 'open' and 'tasting' need, say where it is, and start nothing",
    )
    opening.add_argument(
        "--port",
        type=_port,
        default=DEFAULT_PORT,
        help=f"port on this machine, {DEFAULT_PORT} if not given",
    )
    tasting = commands.add_parser(
        "tasting",
        help="serve score sheets to the tasters' phones",
        description=ABOUT_TASTING,
        allow_abbrev=False,
    )
    tasting.add_argument(
        "--session", help="which session; the newest one with an open flight if not given"
    )
    tasting.add_argument(
        "--port",
        type=_port,
        default=TASTING_PORT,
        help=f"port on this machine, {TASTING_PORT} if not given",
    )
    tasting.add_argument(
        "--address",
        help="this machine's name or address as phones reach it; found out if not given",
    )
    for name, what in (("certificate", "certificate"), ("key", "key of that certificate")):
        variable = f"LABKIT_{name.upper()}"
        tasting.add_argument(
            f"--{name}",
            type=Path,
            default=os.environ.get(variable) or None,
            metavar="FILE",
            help=f"{what} (PEM), for https; {variable} names it as well",
        )
    tasting.add_argument(
        "--new-links",
        dest="renew_links",
        action="store_true",
        help="give everybody a new link; old ones stop working",
    )
    tasting.add_argument(
        "--no-browser",
        dest="browser",
        action="store_false",
        help="do not open the page of QR codes",
    )
    commands.add_parser(
        "test",
        help="run all tests",
        usage="python3 -m labkit test [-h] [what pytest takes ...]",
        description=ABOUT_TEST,
        allow_abbrev=False,
    )
    return parser


def _port(text: str) -> int:
    """Read --port."""
    if not text.isdecimal() or not 1024 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"must be a number from 1024 to 65535, got {text}")
    return int(text)


def _as_if_ctrl_c(signum: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt
