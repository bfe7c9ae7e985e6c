"""Lab books and copies that lie on this machine: found, made, and taken up again as a new book."""

from __future__ import annotations

import re
import sqlite3
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from labkit.book.demo import data_folder
from labkit.book.files.folders import import_folder
from labkit.book.lab_book import LabBook
from labkit.book.store.opening import copy_sqlite, is_marked, read_url
from labkit.boundary import checked
from labkit.errors import BookError

BACKUPS: Final = "backups"
"""Folder of the copies, in the data folder or beside a book that lies elsewhere."""

_BOOKS: Final = (".db", ".sqlite", ".sqlite3")
_TABLES: Final = "lab_book.csv"
"""The table by which an export of a whole book is known."""

_COPY: Final = re.compile(r"-before-version-\d+$|^demo-until-\d|-\d{8}-\d{6}$")
"""How the names of copies end or begin that labkit makes by itself."""

_MOST_BYTES: Final = 4_000_000_000
"""Of an export once it is unpacked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBook:
    """A lab book, or a copy of one, that lies on this machine."""

    path: Path
    """Where."""

    changed_at: datetime
    """When it was written last, in local time."""

    is_copy: bool
    """Whether it is a backup, which stays as it is: it is taken up as a new book."""

    @property
    def name(self) -> str:
        """What people call it: its place in the data folder, else its whole path."""
        folder = data_folder().resolve()
        inside = self.path.is_relative_to(folder)
        return self.path.relative_to(folder).as_posix() if inside else str(self.path)


def found_books(near: Path | None = None) -> tuple[FoundBook, ...]:
    """Lab books and copies in the data folder and in the folders in it, the newest first.

    Parameters
    ----------
    near : Path, optional
        A lab book that is or was elsewhere: what lies beside it, and its copies, are found too.

    Returns
    -------
    tuple of FoundBook
        Books before copies.
    """
    folders = [data_folder().resolve()]
    if near is not None and not near.is_relative_to(folders[0]):
        folders += [near.parent, near.parent / BACKUPS]
    found = {}
    for path in (path for folder in folders for path in _files(folder, deep=folder == folders[0])):
        is_tables = path.suffix == ".zip"
        try:
            if not (_holds_tables(path) if is_tables else is_marked(path)):
                continue
            changed = datetime.fromtimestamp(path.stat().st_mtime).astimezone()
        except OSError:
            continue
        is_copy = is_tables or path.parent.name == BACKUPS or bool(_COPY.search(path.stem))
        found[path] = FoundBook(path=path, changed_at=changed, is_copy=is_copy)
    return tuple(sorted(found.values(), key=lambda one: (one.is_copy, -one.changed_at.timestamp())))


@checked(BookError)
def make_backup(book: LabBook) -> Path:
    """Copy a lab book while others write to it: a file of the day's name among the backups.

    Parameters
    ----------
    book : LabBook
        An SQLite file is copied whole; of a book on a server every table goes into one file, as
        ``export_folder`` writes it.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    BookError
        If the lab book cannot be read, or the copy cannot be written.
    """
    url = read_url(book.url)
    is_file = url.get_backend_name() == "sqlite"
    stem = Path(str(url.database)).stem
    folder = data_folder().resolve() / BACKUPS
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{folder} cannot be made: {error.strerror}; allow writing in its folder."
        raise BookError(msg) from error
    copy = folder / f"{stem}-{_stamp()}{'.db' if is_file else '.zip'}"
    if is_file:
        return book.back_up(copy)
    draft = copy.with_suffix(".part")
    try:
        draft.write_bytes(zip_tables(book))
        draft.replace(copy)
    except OSError as error:
        draft.unlink(missing_ok=True)
        msg = f"the backup {copy} could not be written: {error.strerror}; check the disk."
        raise BookError(msg) from error
    return copy


@checked(BookError)
def zip_tables(book: LabBook, *, client: str | None = None) -> bytes:
    """Every table of a lab book as CSV, in one file.

    Parameters
    ----------
    book : LabBook
        Which one.
    client : str, optional
        Only what belongs to this client.

    Returns
    -------
    bytes
        A zip file, from which :func:`open_copy` makes a lab book again.

    Raises
    ------
    BookError
        If the client is unknown, or the lab book cannot be read.
    """
    with tempfile.TemporaryDirectory() as scratch:
        folder = book.export_folder(Path(scratch) / "tables", client=client)
        packed = Path(scratch) / "tables.zip"
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for table in sorted(folder.iterdir()):
                archive.write(table, table.name)
        return packed.read_bytes()


@checked(BookError)
def open_copy(copy: Path) -> Path:
    """Make a new lab book in the data folder from a copy, which stays as it is.

    Parameters
    ----------
    copy : Path
        A lab book, or a zip file of its tables.

    Returns
    -------
    Path
        The new lab book, looked through and whole.

    Raises
    ------
    BookError
        If the copy is damaged or no lab book, or the new one cannot be written.
    ImportFileError
        If its tables do not fit.
    """
    folder = data_folder().resolve()
    stem = _COPY.sub("", copy.stem) or "lab-book"
    new = folder / f"{stem}-from-copy-{_stamp()[4:]}.db"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if copy.suffix == ".zip":
            _unpack(copy, new)
        else:
            copy_sqlite(copy, new)
        LabBook(new, must_exist=True).close()
    except (OSError, sqlite3.Error, zipfile.BadZipFile) as error:
        _remove(new)
        msg = f"{copy} cannot be taken up as a lab book ({error}); choose another copy."
        raise BookError(msg) from error
    except BaseException:
        _remove(new)
        raise
    return new


def _unpack(packed: Path, new: Path) -> None:
    with tempfile.TemporaryDirectory() as scratch, zipfile.ZipFile(packed) as archive:
        tables = [one for one in archive.infolist() if one.filename.endswith(".csv")]
        if sum(one.file_size for one in tables) > _MOST_BYTES:
            msg = f"{packed} holds more than a lab book can; choose another copy."
            raise BookError(msg)
        for table in tables:
            # Its name alone: a path in it would lead out of the folder.
            name = Path(table.filename.replace("\\", "/")).name
            (Path(scratch) / name).write_bytes(archive.read(table))
        import_folder(scratch, new)


def _files(folder: Path, *, deep: bool) -> Iterator[Path]:
    """What may be a lab book or a copy; nothing from a folder that cannot be read."""
    try:
        inside = sorted(folder.iterdir())
    except OSError:
        return
    for path in inside:
        if path.name.startswith("."):
            continue
        if path.suffix in _BOOKS or (path.suffix == ".zip" and folder.name == BACKUPS):
            yield path
        elif deep and path.is_dir():
            yield from _files(path, deep=False)


def _holds_tables(path: Path) -> bool:
    try:
        with zipfile.ZipFile(path) as archive:
            return _TABLES in archive.namelist()
    except zipfile.BadZipFile:
        return False


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        Path(f"{path}{ending}").unlink(missing_ok=True)


def _stamp() -> str:
    return f"{datetime.now().astimezone():%Y%m%d-%H%M%S}"
