"""Codes found under the cups after one has tasted alone: read off, put right, and on record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from labkit.book.store.columns import clean_text
from labkit.book.store.lookups import add_event, find_flight, unknown
from labkit.book.store.schema import LOCKED, CupRow, EventRow, FlightRow, ServingRow, TasterRow
from labkit.book.store.transactions import Part
from labkit.errors import BookError, LockError

CODES_FOUND: Final = "codes found"
"""What the lab book calls it when the codes under the cups were read off, after the lock."""

CODES_CORRECTED: Final = "codes corrected"
"""... and when they were put right before the key opened; the reason keeps the earlier ones."""


class FoundCodes(Part):
    """The part of the lab book that learns which code stood where."""

    def enter_found_codes(
        self,
        session: str,
        flight: int,
        taster: str,
        codes: Mapping[int, str],
        *,
        correct_because: str | None = None,
        done_by: str = "",
    ) -> None:
        """Enter the codes found under the cups, by position, after one has tasted alone.

        Parameters
        ----------
        session : str
            Name of the session.
        flight : int
            Number of the flight.
        taster : str
            Who tasted alone.
        codes : mapping of int to str
            The code under each cup, by position.
        correct_because : str, optional
            A reason to correct codes that were entered; only while the key is closed. It is
            recorded with the codes as they were before.
        done_by : str
            Who enters them, for the record.

        Raises
        ------
        LockError
            If the flight is not locked yet: knowing the codes early could sway a score. Or if its
            key is open already: whoever knows the waters could choose them.
        BookError
            If a code is not of the flight, double or missing, or was entered already.
        """
        why = None if correct_because is None else asked_reason("correcting codes", correct_because)

        def work(db: Session) -> None:
            row = find_flight(db, session, flight, lock="alone")
            where = f"flight {flight} of session {session!r}"
            if row.state != LOCKED:
                msg = f"{where} must be locked to enter codes, and closed, but it is {row.state}."
                raise LockError(msg)
            servings = {
                serving.position: serving
                for serving in db.scalars(
                    select(ServingRow)
                    .join(TasterRow)
                    .where(ServingRow.flight_id == row.id, TasterRow.name == taster)
                    .order_by(ServingRow.position)
                )
            }
            cups = {
                cup.blind_code: cup.id
                for cup in db.scalars(select(CupRow).where(CupRow.flight_id == row.id))
            }
            found = {position: str(code) for position, code in codes.items()}
            for code in found.values():
                if code not in cups:
                    raise unknown(f"code of {where}", code, cups, field="codes")
            if set(found) != set(servings) or len(set(found.values())) != len(found):
                msg = (
                    f"each of the {len(servings)} cups of {taster!r} in {where} needs a code of "
                    f"its own, got {found}; look under each cup again."
                )
                raise BookError(msg)
            is_correction = why is not None and codes_found(db, row)
            if not is_correction and any(one.cup_id is not None for one in servings.values()):
                msg = (
                    f"the codes of {taster!r} in {where} are in the lab book already; to correct "
                    "them, say why."
                )
                raise BookError(msg)
            before = {
                position: serving.cup.blind_code
                for position, serving in servings.items()
                if serving.cup is not None
            }
            changed = [
                f"cup {place}: {code} before, now {found[place]}"
                for place, code in before.items()
                if code != found[place]
            ]
            if is_correction and not changed:
                msg = f"the codes of {taster!r} in {where} are in the lab book exactly like this."
                raise BookError(msg)
            for position, code in found.items():
                servings[position].cup_id = cups[code]
            add_event(
                db,
                row.session_id,
                CODES_CORRECTED if changed else CODES_FOUND,
                flight_id=row.id,
                reason=f"{why} ({'; '.join(changed)})" if changed else "",
                done_by=done_by,
            )

        self._store.write(work)


def codes_found(db: Session, flight: FlightRow) -> bool:
    """Whether the codes under the cups of one who tasted alone have been read off."""
    found = select(EventRow.id).where(EventRow.flight_id == flight.id, EventRow.kind == CODES_FOUND)
    return db.scalar(found.limit(1)) is not None


def asked_reason(act: str, reason: str) -> str:
    """Give the reason for an act that must have one.

    Raises
    ------
    LockError
        If none is given.
    """
    why = clean_text("reason", reason)
    if not why:
        msg = f"{act} needs a reason, got {reason!r}; say why in a few words."
        raise LockError(msg, field="reason")
    return why
