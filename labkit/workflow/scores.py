"""Scores from a table into the lab book, all or none; single scores come from the score sheet."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any, Final

import pandas as pd

from labkit.book import Attribute, KeptScore, LabBook, Score, Source, TastingSession
from labkit.boundary import checked, shown
from labkit.errors import BookAwayError, LabkitError, PlanError
from labkit.tasting import CupPlan
from labkit.workflow.names import Planned, session_name

_CUP: Final = ("flight", "taster", "blind_code", "position")
_MORE: Final = ("stage", "given_at", "entry_id", "device")
"""Columns that a table may have beside the cup and its scores."""


@checked(PlanError)
def record_scores(
    book: LabBook,
    session: str | TastingSession | Planned,
    scores: pd.DataFrame,
    *,
    source: Source = "import",
    entered_by: str = "",
) -> tuple[KeptScore, ...]:
    """Take a table of scores: all of them are in the lab book or, if one is refused, none.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    scores : DataFrame
        Either one row a score, with the columns ``attribute`` and ``score``, or one row a cup,
        with a column for each attribute. A cup is named by ``taster`` and ``blind_code``, or by
        ``taster``, ``position`` and ``flight`` (not needed while the session has one flight).
        Both may have ``stage``, ``given_at``, ``device`` and ``entry_id``. A score is a number, a
        note, or words to check (a list, or text with semicolons); an empty one was not given.
    source : {"import", "paper", "sheet", "lead"}
        Where they come from.
    entered_by : str
        Who enters them, if not the tasters.

    Returns
    -------
    tuple of KeptScore
        One for each score, in the order of the rows.

    Raises
    ------
    PlanError
        If columns are missing or unknown.
    LabkitError
        As for a single score (:meth:`labkit.book.LabBook.scores.record_score`), with the row named.
    """
    name = session_name(session)
    sheet = book.sessions.session(name)
    attributes = {one.name: one for one in sheet.attributes}
    tidy = _tidy(scores, tuple(attributes))
    plan = book.sessions.plan(name)
    given = []
    rows = []
    for row in tidy.to_dict("records"):
        if is_empty(row["score"]):
            continue
        rows.append(row["row"])
        try:
            given.append(_score_of(row, name, plan, attributes, source, entered_by))
        except LabkitError as error:
            raise _of_row(error, row["row"]) from error
    if not given:
        raise PlanError(
            "scores must hold a score at least, got none. Fill in the table first.", field="scores"
        )
    try:
        return book.scores.record_scores(given)
    except BookAwayError:
        raise
    except LabkitError as error:
        if error.place is None:
            raise
        raise _of_row(error, rows[error.place]) from error


def _tidy(scores: pd.DataFrame, attributes: tuple[str, ...]) -> pd.DataFrame:
    """One row a score, with the label of the row that it comes from."""
    columns = [str(column) for column in scores.columns]
    lacks = [] if "taster" in columns else ["taster"]
    lacks += [] if {"blind_code", "position"} & set(columns) else ["blind_code or position"]
    is_tidy = "attribute" in columns
    lacks += ["score"] if is_tidy and "score" not in columns else []
    asked = ", ".join(attributes)
    if lacks:
        raise PlanError(
            f"scores must have the columns taster, blind_code or position, and attribute and score "
            f"(or one for each of {asked}), but {', '.join(lacks)} is missing; it has "
            f"{', '.join(columns)}.",
            field="scores",
        )
    labelled = scores.set_axis(columns, axis="columns").assign(row=list(scores.index))
    if is_tidy:
        return labelled
    odd = [one for one in columns if one not in (*_CUP, *_MORE, *attributes)]
    given = [one for one in attributes if one in columns]
    if odd or not given:
        got = f"{odd[0]!r}" if odd else "none of them"
        raise PlanError(
            f"scores must have a column for each attribute that was scored ({asked}), got {got}. "
            "Rename the column, or drop it.",
            field="scores",
        )
    kept = [one for one in (*_CUP, *_MORE) if one in columns]
    long = labelled.reset_index(drop=True).melt(
        id_vars=["row", *kept],
        value_vars=given,
        var_name="attribute",
        value_name="score",
        ignore_index=False,
    )
    return long.sort_index(kind="stable")


def _score_of(
    row: Mapping[Any, Any],
    session: str,
    plan: CupPlan,
    attributes: Mapping[str, Attribute],
    source: Source,
    entered_by: str,
) -> Score:
    """One row as the lab book takes it."""
    taster = str(row["taster"])
    code = None if is_empty(row.get("blind_code")) else code_of(row["blind_code"])
    position = None if is_empty(row.get("position")) else whole_of(row["position"], "position")
    flight = None if is_empty(row.get("flight")) else whole_of(row["flight"], "flight")
    if flight is None:
        flight = flight_of(plan, code)
    elif flight not in plan.flights:
        raise PlanError(
            f"flight must be one of {', '.join(map(str, plan.flights))}, got {flight}.",
            field="flight",
        )
    if code is not None and position is not None:
        _check_place(plan, flight, taster, code, position)
    words = attributes.get(str(row["attribute"]))
    value = row["score"]
    if words is not None and words.kind == "descriptors" and isinstance(value, str):
        value = [word.strip() for word in value.split(";") if word.strip()]
    stage, device, entry_id = (
        None if is_empty(row.get(one)) else str(row[one]) for one in ("stage", "device", "entry_id")
    )
    return Score(
        session=session,
        flight=flight,
        taster=taster,
        attribute=str(row["attribute"]),
        value=value,
        blind_code=code,
        position=position if code is None else None,
        stage=stage,  # type: ignore[arg-type]  # the lab book says which there are
        given_at=_moment(row.get("given_at")),
        entry_id=entry_id,
        source=source,
        device=device or "",
        entered_by=entered_by,
    )


def flight_of(plan: CupPlan, code: str | None) -> int:
    """The flight of a code, or the only one that there is."""
    found = [flight for flight in plan.flights if code in plan.codes(flight)]
    if code is not None and not found:
        raise PlanError(
            f"blind_code must be one of {', '.join(sorted(plan.all_codes))}, got {code!r}.",
            field="blind_code",
        )
    if code is None and len(plan.flights) == 1:
        return plan.flights[0]
    if not found:
        raise PlanError(
            f"flight must be given where cups are named by their positions, as there are "
            f"{len(plan.flights)} flights.",
            field="flight",
        )
    return found[0]


def _check_place(plan: CupPlan, flight: int, taster: str, code: str, position: int) -> None:
    """Refuse a cup whose code stands at another position in the plan."""
    planned = [
        cup.position
        for cup in plan.cups
        if (cup.flight, cup.taster, cup.blind_code) == (flight, taster, code)
    ]
    if planned and position not in planned:
        raise PlanError(
            f"position must be {planned[0]} for code {code} of {taster}, got {position}. Check "
            "whose sheet this is.",
            field="position",
        )


def code_of(code: object) -> str:
    """A code as it stands on the cup: a table may have made a number of it."""
    return str(code).strip().removesuffix(".0")


def whole_of(cell: object, field: str) -> int:
    """A whole number of a table, which may have made 2.0 or '2' of it; 2.5 is none."""
    with suppress(TypeError, ValueError, OverflowError):
        number = float(cell)  # type: ignore[arg-type]
        if number == int(number) and not isinstance(cell, bool):
            return int(number)
    raise PlanError(f"{field} must be a whole number, got {shown(cell)}.", field=field)


def _moment(given: object) -> datetime | None:
    if is_empty(given):
        return None
    with suppress(TypeError, ValueError, OverflowError):
        if isinstance(given, str | datetime):  # a bare number says nothing of a day
            return pd.Timestamp(given).to_pydatetime()
    raise PlanError(
        f"given_at must be a time with its zone, got {shown(given)}. Write it as "
        "2026-11-28T09:30+01:00.",
        field="given_at",
    )


def is_empty(cell: object) -> bool:
    """Whether nothing was given; a list of no words was."""
    if cell is None or (isinstance(cell, str) and not cell.strip()):
        return True
    return bool(pd.api.types.is_scalar(cell) and pd.isna(cell))  # type: ignore[call-overload]


def _of_row(error: LabkitError, row: object) -> LabkitError:
    """The same error, with the row that it is about."""
    return type(error)(f"scores could not be taken, because of row {row}: {error}")
