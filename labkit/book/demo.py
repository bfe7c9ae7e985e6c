"""The demo lab book, built from the CSV files that are kept beside it in version control."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Final

from labkit.book.files.folders import import_folder
from labkit.book.lab_book import LabBook
from labkit.book.store.columns import now_utc
from labkit.book.store.opening import read_url
from labkit.errors import BookError, ImportFileError

MADE_FROM: Final = "made_from_sha256"
"""The fact in the demo book that says which CSV files it was built from."""


def data_folder() -> Path:
    """The folder of the user's data: ``LABKIT_DATA``, or ``data`` beside the package."""
    given = os.environ.get("LABKIT_DATA")
    return Path(given) if given else Path(__file__).resolve().parents[2] / "data"


def ensure_demo_book(data: str | os.PathLike[str] | None = None) -> str:
    """Build ``demo.db`` from ``demo/*.csv`` if it is missing or the files have changed.

    A demo book that someone has scored in is set aside under the day's name, never dropped.

    Parameters
    ----------
    data : path, optional
        The folder that holds ``demo/`` and will hold ``demo.db``; the user's if not given.

    Returns
    -------
    str
        The URL of the demo book.

    Raises
    ------
    ImportFileError
        If the CSV files are missing or do not fit.
    BookError
        If the book cannot be written.
    """
    folder = (data_folder() if data is None else Path(data)).expanduser().resolve()
    source, path = folder / "demo", folder / "demo.db"
    files = sorted(source.glob("*.csv"))
    if not files:
        msg = f"the demo's CSV files must be in {source}, but there are none; fetch them again."
        raise ImportFileError(msg)
    digest = _digest(files)
    if path.exists():
        if _made_from(path) == digest:
            return read_url(path).render_as_string()
        _set_aside(path)
    try:
        import_folder(source, path, further_facts={MADE_FROM: digest})
    except BookError:
        # Another process may have built it meanwhile.
        if not path.exists():
            raise
    return read_url(path).render_as_string()


def _digest(files: list[Path]) -> str:
    """Stand for names and contents, however the lines end on this system."""
    digest = hashlib.sha256()
    for file in files:
        content = file.read_bytes().replace(b"\r\n", b"\n")
        digest.update(f"{file.name} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def _made_from(path: Path) -> str | None:
    """Read what a demo book was built from; None if it cannot be read, whatever the reason."""
    try:
        with LabBook(path) as book:
            return book.facts().get(MADE_FROM)
    except BookError:
        return None


def _set_aside(path: Path) -> None:
    aside = path.with_name(f"demo-until-{now_utc():%Y%m%d-%H%M%S-%f}.db")
    try:
        for ending in ("", "-wal", "-shm"):
            part = Path(f"{path}{ending}")
            if part.exists():
                part.rename(f"{aside}{ending}")
    except OSError as error:
        # On Windows a file that is open elsewhere is refused as one that is not allowed.
        if isinstance(error, PermissionError) and os.name != "nt":
            msg = f"{path} cannot be renewed: you may not write in {path.parent}; make it yours."
        else:
            msg = f"{path} is in use and cannot be renewed; close the notebooks that use it."
        raise BookError(msg) from error
