"""Personal links of tasters, of which only a hash is kept, and who is at the table."""

from __future__ import annotations

import hashlib
import secrets
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from labkit.book.store.columns import clean_text, now_utc
from labkit.book.store.lookups import find_seat, find_session
from labkit.book.store.records import Guest
from labkit.book.store.schema import SeatRow
from labkit.book.store.transactions import Part
from labkit.errors import BookError, UnknownLinkError

SHORTEST_SECRET: Final = 8
"""Fewest characters of a link's secret; one made here has 22 (128 random bits)."""


class Links(Part):
    """The part of the lab book that knows who holds a taster's link."""

    def issue_link(self, session: str, taster: str, *, secret: str | None = None) -> str:
        """Give a taster of a session a link's secret; one they had before stops working.

        Parameters
        ----------
        session : str
            Name of the session.
        taster : str
            Who gets it.
        secret : str, optional
            A secret made elsewhere (a short code to type, say); made here if not given.

        Returns
        -------
        str
            The secret: it is shown this once, the lab book keeps its SHA-256 only.

        Raises
        ------
        BookError
            If session or taster is unknown, or the secret is too short.
        """
        secret = secrets.token_urlsafe(16) if secret is None else clean_text("secret", secret)
        if len(secret) < SHORTEST_SECRET:
            msg = f"secret must have at least {SHORTEST_SECRET} characters, got {len(secret)}."
            raise BookError(msg, field="secret")

        def work(db: Session) -> str:
            find_seat(db, find_session(db, session), taster).link_sha256 = _sha256(secret)
            return secret

        return self._store.write(work)

    def guest_of_link(self, secret: str) -> Guest:
        """Say whose link this is.

        The search is by hash, so that the time it takes tells nothing of secrets that are near.

        Parameters
        ----------
        secret : str
            What :meth:`issue_link` gave.

        Raises
        ------
        UnknownLinkError
            If no current link has this secret.
        """
        with self._store.reading() as db:
            seat = db.scalar(select(SeatRow).where(SeatRow.link_sha256 == _sha256(secret)))
            if seat is None:
                msg = "this link is not known, or a newer one replaced it; ask the lead for yours."
                raise UnknownLinkError(msg)
            return Guest(session=seat.session.name, taster=seat.taster.name)

    def mark_seen(self, session: str, taster: str) -> None:
        """Note that a taster's page is alive now; the lead's view shows it.

        Parameters
        ----------
        session : str
            Name of the session.
        taster : str
            Whose page it is.
        """

        def work(db: Session) -> None:
            find_seat(db, find_session(db, session), taster).seen_at = now_utc()

        self._store.write(work, is_repeatable=True)


def _sha256(secret: object) -> str:
    return hashlib.sha256(str(secret).encode("utf-8", "surrogatepass")).hexdigest()
