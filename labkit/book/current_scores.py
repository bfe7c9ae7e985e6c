"""What the current value of a score is: the entry that the lab book took last."""

from __future__ import annotations

from sqlalchemy import Select, func, select
from sqlalchemy.orm import aliased

from labkit.book.schema import ScoreRow, ServingRow


def current_entries(*, with_cleared: bool = False) -> Select[ScoreRow]:
    """Rows that are current: one for each cup, taster, attribute and stage of cooling.

    Last means last taken by the lab book, not last touched by the clock of a phone: a phone whose
    clock is slow would otherwise show a correction as saved and never have it counted.
    """
    later = aliased(ScoreRow)
    last = (
        select(func.max(later.id))
        .where(
            later.serving_id == ScoreRow.serving_id,
            later.attribute_id == ScoreRow.attribute_id,
            later.stage == ScoreRow.stage,
        )
        .scalar_subquery()
    )
    query = select(ScoreRow).join(ServingRow).where(ScoreRow.id == last)
    return query if with_cleared else query.where(~ScoreRow.is_cleared)
