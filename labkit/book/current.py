"""Which lab book the workbook uses: the demo, until the user has chosen their own."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import Final

from labkit.book.absent import AbsentBook
from labkit.book.demo import data_folder, ensure_demo_book
from labkit.book.lab_book import LabBook
from labkit.book.store.opening import read_url
from labkit.boundary import checked
from labkit.errors import BookAwayError, BookError, LabkitError

__all__ = ["choose_book", "chosen_url", "data_folder", "find_book", "open_book"]

CHOICE_FILE: Final = "lab_book.txt"
"""One line in the data folder: where the book chosen lies in it, so that a project that is moved
finds its book, or the URL of one elsewhere. It may hold a password, so git ignores it."""

_LOG = logging.getLogger(__name__)


def chosen_url() -> str | None:
    """The URL of the lab book chosen, or None while the demo is used."""
    file = data_folder() / CHOICE_FILE
    try:
        url = file.read_text(encoding="utf-8").strip()
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{file} cannot be read ({error}); delete it to use the demo, or choose_book again."
        raise BookError(msg) from error
    if url and "://" not in url:
        return str(data_folder().resolve() / url)
    return url or None


@checked(BookError)
def open_book(url: str | os.PathLike[str] | None = None) -> LabBook:
    """Open a lab book: the one given, else the one chosen, else the demo.

    Parameters
    ----------
    url : str or path, optional
        Path of an SQLite file, or an SQLAlchemy URL.

    Raises
    ------
    BookError
        If it cannot be opened; one that was chosen and has gone is not made anew, and is a
        BookAwayError.
    """
    if url is not None:
        return LabBook(url)
    chosen = chosen_url()
    if chosen is None:
        return LabBook(ensure_demo_book())
    read = read_url(chosen)
    if read.get_backend_name() == "sqlite" and not _is_there(Path(str(read.database))):
        msg = (
            f"the lab book {read.database} was chosen but is not there; put it back, or choose "
            "another."
        )
        raise BookAwayError(msg)
    return LabBook(chosen)


def find_book() -> LabBook | AbsentBook:
    """The lab book that the workbook uses, or what says why it cannot be opened.

    For notebooks: with it every form says one calm line, and the choice of another book stays in
    sight. In a script use :func:`open_book`, which raises.
    """
    try:
        return open_book()
    except LabkitError as error:
        return AbsentBook(str(error), is_away=isinstance(error, BookAwayError))
    except OSError as error:  # the data folder itself
        return AbsentBook(f"{error.filename} cannot be used: {error.strerror}.")
    except Exception as error:  # whatever is wrong with it, another can be chosen
        _LOG.exception("the lab book cannot be opened")
        cause = (str(error).strip().splitlines() or [type(error).__name__])[0]
        return AbsentBook(f"the lab book cannot be opened ({cause}); choose another.")


def choose_book(url: str | os.PathLike[str] | None) -> LabBook:
    """Use this lab book from now on (None: the demo again), made if it does not exist; opens it.

    Parameters
    ----------
    url : str or path, optional
        Path of an SQLite file, or an SQLAlchemy URL; None for the demo.

    Raises
    ------
    BookError
        If it cannot be opened; the choice then stays as it was.
    """
    folder = data_folder()
    file = folder / CHOICE_FILE
    if url is None:
        try:
            file.unlink(missing_ok=True)
        except OSError as error:
            msg = f"{file} cannot be deleted: {error.strerror}; allow writing in its folder."
            raise BookError(msg) from error
        return open_book()
    book = LabBook(url)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        draft = file.with_name(f"{CHOICE_FILE}.part")
        # Readable by its owner only: the URL of a server may hold a password.
        with open(draft, "w", encoding="utf-8", opener=_private) as stream:
            stream.write(f"{_remembered(book)}\n")
        draft.replace(file)
    except OSError as error:
        book.close()
        msg = f"the choice could not be written to {file}: {error.strerror}."
        raise BookError(msg) from error
    return book


def _remembered(book: LabBook) -> str:
    """Where a book lies in the data folder, or its URL."""
    url, folder = read_url(book.url), data_folder().resolve()
    path = Path(str(url.database))
    if url.get_backend_name() != "sqlite" or not path.is_relative_to(folder):
        return book.url
    return path.relative_to(folder).as_posix()


def _is_there(path: Path) -> bool:
    """Whether there is a file, or a folder that does not let itself be looked into."""
    try:
        return path.exists()
    except OSError:
        return True  # opening it says what is the matter


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)
