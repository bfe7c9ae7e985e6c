"""What a session brings together: who is seated, and which waters are listed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session

from labkit.book.people.renaming import new_name
from labkit.book.store.columns import clean_name
from labkit.book.store.lookups import as_kept
from labkit.book.store.schema import SeatRow, SessionRow, TasterRow, WaterRow
from labkit.errors import BookError

if TYPE_CHECKING:
    from labkit.tasting import SessionWater
    from labkit.water import Target


def seat(db: Session, session_id: int, people: Sequence[str]) -> dict[str, int]:
    """Seat people who are not seated yet, and give everyone's taster id."""
    names = [clean_name("taster", name) for name in people]
    known = {row.name: row for row in db.scalars(select(TasterRow))}
    kept = {name: as_kept(name, known) for name in names}
    seated = set(db.scalars(select(SeatRow.taster_id).where(SeatRow.session_id == session_id)))
    for name in kept.values():
        if name not in known:
            known[name] = TasterRow(name=new_name(db, "taster", name, TasterRow))
            db.add(known[name])
            db.flush()
        if known[name].id not in seated:
            db.add(
                SeatRow(
                    session_id=session_id, taster_id=known[name].id, link_sha256="", seen_at=None
                )
            )
            seated.add(known[name].id)
    db.flush()
    double = {one for one in kept if list(kept.values()).count(kept[one]) > 1}
    if double:
        msg = f"tasters must differ from each other, got {' and '.join(map(repr, sorted(double)))}."
        raise BookError(
            f"{msg} They are one person in the lab book; name each once.", field="tasters"
        )
    return {name: known[kept[name]].id for name in names}


def add_waters(db: Session, session: SessionRow, waters: Iterable[SessionWater]) -> None:
    """List waters that are not in the session yet."""
    of_session = select(WaterRow).where(WaterRow.session_id == session.id)
    known = {row.label: _recipe(row) for row in db.scalars(of_session)}
    for water in waters:
        label, recipe = clean_name("water", water.label), _recipe(water.target)
        if known.get(label, recipe) != recipe:
            msg = (
                f"water {label} of session {session.name!r} must keep its recipe {known[label]} "
                f"(Mg share, hardness, alkalinity, shares of sulfate and potassium), got {recipe}; "
                "pass known= to session_waters."
            )
            raise BookError(msg)
        if label in known:
            continue
        known[label] = recipe
        db.add(
            WaterRow(
                session_id=session.id,
                position=len(known),
                label=label,
                mg_share=recipe[0],
                hardness_mg_l_caco3=recipe[1],
                alkalinity_mg_l_caco3=recipe[2],
                sulfate_share=recipe[3],
                potassium_share=recipe[4],
                is_control=water.is_control,
            )
        )
    db.flush()


def _recipe(levels: WaterRow | Target) -> tuple[float, float, float, float | None, float | None]:
    return (
        float(levels.mg_share),
        float(levels.hardness_mg_l_caco3),
        float(levels.alkalinity_mg_l_caco3),
        None if levels.sulfate_share is None else float(levels.sulfate_share),
        None if levels.potassium_share is None else float(levels.potassium_share),
    )
