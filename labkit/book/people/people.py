"""Clients, their coffees, and the people who taste."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session, contains_eager

from labkit.book.people.renaming import Renaming, new_name
from labkit.book.store.columns import clean_text
from labkit.book.store.lookups import find_client, find_coffee
from labkit.book.store.records import Client, Coffee
from labkit.book.store.schema import ClientRow, CoffeeRow, TasterRow
from labkit.boundary import checked
from labkit.errors import BookError


@checked(BookError, but=("name",))
class People(Renaming):
    """The part of the lab book that knows clients, coffees and tasters."""

    def add_client(self, name: str) -> Client:
        """Add a client.

        Parameters
        ----------
        name : str
            Capitals and spaces do not make another name.

        Raises
        ------
        BookError
            If the name is empty or taken.
        """

        def work(db: Session) -> Client:
            kept = new_name(db, "client", name, ClientRow)
            db.add(ClientRow(name=kept))
            return Client(name=kept)

        return self._store.write(work)

    def clients(self) -> tuple[Client, ...]:
        """All clients, by name."""
        with self._store.reading() as db:
            return tuple(
                Client(name=name) for name in db.scalars(select(ClientRow.name).order_by("name"))
            )

    def add_coffee(
        self,
        name: str,
        *,
        client: str,
        lot: str = "",
        origin: str = "",
        process: str = "",
        roast_level: str = "",
        roast_date: date | None = None,
        note: str = "",
    ) -> Coffee:
        """Add a coffee of a client.

        Parameters
        ----------
        name : str
            Unique among the client's coffees.
        client : str
            Whose coffee it is; in the book already.
        lot, origin, process, roast_level : str
            As on the bag.
        roast_date : date, optional
            Day of the roast.
        note : str
            Anything else.

        Raises
        ------
        BookError
            If the client is unknown, or has a coffee of that name.
        """

        def work(db: Session) -> Coffee:
            owner = find_client(db, client)
            kept = new_name(db, "coffee", name, CoffeeRow, CoffeeRow.client_id == owner.id)
            row = CoffeeRow(
                client=owner,
                name=kept,
                lot=clean_text("lot", lot),
                origin=clean_text("origin", origin),
                process=clean_text("process", process),
                roast_level=clean_text("roast_level", roast_level),
                roast_date=roast_date,
                note=clean_text("note", note),
            )
            db.add(row)
            return _coffee(row)

        return self._store.write(work)

    def coffees(self, client: str | None = None) -> tuple[Coffee, ...]:
        """Coffees of one client, or of all, by client and name.

        Parameters
        ----------
        client : str, optional
            Only this client's.
        """
        query = (
            select(CoffeeRow)
            .join(CoffeeRow.client)
            .options(contains_eager(CoffeeRow.client))
            .order_by(ClientRow.name, CoffeeRow.name)
        )
        with self._store.reading() as db:
            if client is not None:
                query = query.where(CoffeeRow.client_id == find_client(db, client).id)
            return tuple(_coffee(row) for row in db.scalars(query))

    def coffee(self, name: str, *, client: str | None = None) -> Coffee:
        """One coffee by name.

        Parameters
        ----------
        name : str
            Its name.
        client : str, optional
            Needed where two clients have a coffee of that name.

        Raises
        ------
        BookError
            If there is no such coffee, or more than one.
        """
        with self._store.reading() as db:
            return _coffee(find_coffee(db, name, client))

    def add_tasters(self, names: str | Sequence[str]) -> tuple[str, ...]:
        """Add people who taste: all of them or, if one is refused, none.

        Parameters
        ----------
        names : str or sequence of str
            One name or several; capitals and spaces do not make another name.

        Returns
        -------
        tuple of str
            The names as kept.

        Raises
        ------
        BookError
            If a name is empty or taken, or two are one but for capitals and spaces.
        """
        new = [names] if isinstance(names, str) else names

        def work(db: Session) -> tuple[str, ...]:
            kept = []
            for name in new:
                kept.append(new_name(db, "taster", name, TasterRow))
                db.add(TasterRow(name=kept[-1]))
                db.flush()
            return tuple(kept)

        return self._store.write(work)

    def tasters(self) -> tuple[str, ...]:
        """Everyone who tastes, by name."""
        with self._store.reading() as db:
            return tuple(db.scalars(select(TasterRow.name).order_by(TasterRow.name)))


def _coffee(row: CoffeeRow) -> Coffee:
    return Coffee(
        client=row.client.name,
        name=row.name,
        lot=row.lot,
        origin=row.origin,
        process=row.process,
        roast_level=row.roast_level,
        roast_date=row.roast_date,
        note=row.note,
    )
