"""The lab book: everything that is remembered, in one SQLite file or PostgreSQL database."""

from __future__ import annotations

from labkit.book.files.exports import Exports
from labkit.book.files.folders import Folders
from labkit.book.files.imports import Imports
from labkit.book.people.people import People
from labkit.book.scores.scores import Scores
from labkit.book.sessions.decisions import Decisions
from labkit.book.sessions.flights import Flights
from labkit.book.sessions.found_codes import FoundCodes
from labkit.book.sessions.links import Links
from labkit.book.sessions.plans import Plans
from labkit.book.sessions.progress import Progress
from labkit.book.sessions.sessions import Sessions
from labkit.book.stock.base_waters import BaseWaters
from labkit.book.stock.doses import Doses
from labkit.book.stock.shelf import Shelf


class LabBook(
    People,
    Shelf,
    Doses,
    BaseWaters,
    Sessions,
    Plans,
    Decisions,
    Links,
    Exports,
    Scores,
    Progress,
    Flights,
    FoundCodes,
    Imports,
    Folders,
):
    """A lab book, opened; made first if the file does not exist.

    Parameters
    ----------
    where : str or path
        Path of an SQLite file, or an SQLAlchemy URL of SQLite or PostgreSQL.
    must_exist : bool
        Whether a book that is not there is an error, instead of being made.
    patience_s : float, optional
        How long reading and writing wait for other writers or a server that is away; half a minute
        if not given.

    Raises
    ------
    BookError
        If it is damaged, foreign, newer, read-only, a folder, or cannot be reached; a
        BookAwayError if trying again may help.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> book = LabBook(f"{folder.name}/book.db")
    >>> _ = book.add_client("Quorrin & Velt")
    >>> book.clients()
    (Client(name='Quorrin & Velt'),)
    >>> book.close()
    >>> folder.cleanup()
    """

    def __repr__(self) -> str:
        return f"LabBook({self.name!r})"
