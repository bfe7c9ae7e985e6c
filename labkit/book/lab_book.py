"""The lab book: everything that is remembered, in one SQLite file or PostgreSQL database."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Self

from labkit.book.files.folders import write_folder
from labkit.book.parts import KeptReadings, People, ScorePart, SessionPart, StockPart
from labkit.book.store.transactions import Store
from labkit.boundary import checked
from labkit.errors import BookError


@checked(BookError)
class LabBook:
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

    Attributes
    ----------
    people : People
        Clients, their coffees, and tasters.
    sessions : SessionPart
        Sessions with plans, flights, links, events, and what was decided about a coffee.
    scores : ScorePart
        Scores, as they are given, as tables and as files.
    stock : StockPart
        Bottles, doses and waters to start from.
    readings : KeptReadings
        What was read of a coffee, kept until its scores change.
    changes : Changes
        Tells who listens what was written, here or by another process.
    store : Store
        What they share: the database, opened, read and written in whole transactions.

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
    >>> _ = book.people.add_client("Quorrin & Velt")
    >>> book.people.clients()
    (Client(name='Quorrin & Velt'),)
    >>> book.close()
    >>> folder.cleanup()
    """

    def __init__(
        self,
        where: str | os.PathLike[str],
        *,
        must_exist: bool = False,
        patience_s: float | None = None,
    ) -> None:
        self.store = Store(where, must_exist=must_exist, patience_s=patience_s)
        self.people = People(self.store)
        self.sessions = SessionPart(self.store)
        self.scores = ScorePart(self.store)
        self.stock = StockPart(self.store)
        self.readings = KeptReadings(self.store)
        self.changes = self.store.changes

    @property
    def name(self) -> str:
        """Where the lab book is: a file's path, or a URL without its password."""
        return self.store.name

    @property
    def url(self) -> str:
        """The full URL, password included; for opening the same book elsewhere."""
        return self.store.url

    @property
    def doubt(self) -> str:
        """Why not everything may be in the lab book, in a sentence; empty if nothing is amiss."""
        return self.store.doubt

    def facts(self) -> dict[str, str]:
        """What the lab book says of itself: format, when and with what it was made."""
        return self.store.facts()

    def close(self) -> None:
        """Let go of the database; the object must not be used afterwards."""
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def back_up(self, copy: str | os.PathLike[str]) -> Path:
        """Copy the whole lab book to a new file while others may be writing to it.

        Parameters
        ----------
        copy : path
            Where the copy goes; there must be no file yet.

        Raises
        ------
        BookError
            If the file exists already, or the lab book is on a server (whose keepers back it up).
        """
        return self.store.back_up(copy)

    def export_folder(
        self,
        folder: str | os.PathLike[str],
        *,
        client: str | None = None,
        overwrite: bool = False,
    ) -> Path:
        """Write every table to a CSV file of its name.

        Parameters
        ----------
        folder : path
            Where the files go.
        client : str, optional
            Only what belongs to this client: nothing shows that there are others.
        overwrite : bool
            Whether an earlier export in the folder may be replaced.

        Raises
        ------
        BookError
            If the client is unknown, or the folder holds files and may not be overwritten.
        """
        return write_folder(self.store, folder, client=client, overwrite=overwrite)

    def __repr__(self) -> str:
        return f"LabBook({self.name!r})"
