"""What was measured in the cups, from a table into the lab book, all or none; and the table."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Any

import pandas as pd

from labkit.book import LabBook, TastingSession, read_table
from labkit.boundary import checked
from labkit.errors import BookAwayError, LabkitError, PlanError
from labkit.tasting import MEASURED, CupPlan
from labkit.water import read_number
from labkit.workflow.names import Planned, session_name
from labkit.workflow.scores import code_of, flight_of, is_empty, whole_of

_CUP = ("flight", "blind_code")
_COMPUTED = ("extraction_percent", "measured_by")
"""Columns of `measurement_table` from which nothing is taken."""


@checked(PlanError)
def record_measurements(
    book: LabBook,
    session: str | TastingSession | Planned,
    measured: pd.DataFrame | str | os.PathLike[str],
    *,
    measured_by: str = "",
) -> int:
    """Take what was measured in cups: all of it is in the lab book or, if one is refused, none.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.
    measured : DataFrame or path
        One row a cup, or a CSV file or spreadsheet (.xlsx) of such rows: ``blind_code``, ``flight``
        where a code stands in several, and any of ``strength_percent, beverage_g, dose_g,
        tasted_at_c, brew_ph``. An empty cell was not measured and changes nothing.
    measured_by : str
        Who measured.

    Returns
    -------
    int
        How many values are new, or other than before.

    Raises
    ------
    PlanError
        If a column is missing or unknown, or a value cannot be one of its quantity; the row is
        named.
    BookError
        If the session or a cup is unknown.
    ImportFileError
        If the file cannot be read.
    """
    name = session_name(session)
    plan = book.sessions.plan(name)
    table = measured if isinstance(measured, pd.DataFrame) else read_table(measured)
    _check_columns([str(column) for column in table.columns])
    cups, rows = [], []
    for label, row in zip(table.index, table.to_dict("records"), strict=True):
        given = {one: row[one] for one in MEASURED if not is_empty(row.get(one))}
        if not given:
            continue
        try:
            cups.append((*_cup(row, plan), {one: _value(given[one], one) for one in given}))
        except LabkitError as error:
            raise _of_row(error, label) from error
        rows.append(label)
    if not cups:
        raise PlanError(
            "measured must hold a value at least, got none. Fill in the table first.",
            field="measured",
        )
    try:
        return book.scores.measure_cups(name, cups, measured_by=measured_by)
    except BookAwayError:
        raise
    except LabkitError as error:
        if error.place is None:
            raise
        raise _of_row(error, rows[error.place]) from error


@checked(PlanError)
def measurement_table(book: LabBook, session: str | TastingSession | Planned) -> pd.DataFrame:
    """Every cup of a session with what was measured in it, to look at or to fill in.

    Parameters
    ----------
    book, session : LabBook and str
        Which session of the lab book.

    Returns
    -------
    DataFrame
        One row a flight and code: ``flight, blind_code``, the quantities, ``extraction_percent``
        (computed), ``measured_by``; NaN and empty where nothing was measured. No water is in it.

    Raises
    ------
    BookError
        If the session is unknown.
    """
    name = session_name(session)
    plan = book.sessions.plan(name)
    there = {(one.flight, one.blind_code): one for one in book.scores.measured_cups(name)}
    rows = []
    for flight in plan.flights:
        for code in plan.codes(flight):
            found = there.get((flight, code))
            values = {} if found is None else found.values
            rows.append(
                {
                    "flight": flight,
                    "blind_code": code,
                    **{one: values.get(one, float("nan")) for one in MEASURED},
                    "extraction_percent": float("nan")
                    if found is None or found.extraction_percent is None
                    else round(found.extraction_percent, 2),
                    "measured_by": "" if found is None else found.measured_by,
                }
            )
    columns = [*_CUP, *MEASURED, *_COMPUTED]
    return pd.DataFrame(rows, columns=columns)


def _check_columns(columns: list[str]) -> None:
    asked = ", ".join(MEASURED)
    if "blind_code" not in columns or not set(MEASURED) & set(columns):
        raise PlanError(
            f"measured must have the column blind_code and some of {asked}, got "
            f"{', '.join(columns) or 'no column'}.",
            field="measured",
        )
    odd = [one for one in columns if one not in (*_CUP, *MEASURED, *_COMPUTED)]
    if odd:
        raise PlanError(
            f"measured must have no other columns than flight, blind_code and {asked}, got "
            f"{odd[0]!r}. Rename the column, or drop it.",
            field="measured",
        )


def _cup(row: Mapping[Any, Any], plan: CupPlan) -> tuple[int, str]:
    """Flight and code of a row."""
    if is_empty(row["blind_code"]):
        raise PlanError("blind_code must name the cup, got none.", field="blind_code")
    code = code_of(row["blind_code"])
    if not is_empty(row.get("flight")):
        return whole_of(row["flight"], "flight"), code
    flights = [flight for flight in plan.flights if code in plan.codes(flight)]
    if len(flights) > 1:
        raise PlanError(
            f"flight must be given for code {code}, which stands in flights "
            f"{', '.join(map(str, flights))}.",
            field="flight",
        )
    return flight_of(plan, code), code


def _value(cell: object, name: str) -> float:
    """A number, typed with a point or a comma for decimals, within its quantity's ends."""
    number = read_number(cell, name) if isinstance(cell, str) else cell
    return MEASURED[name].check(number)  # type: ignore[arg-type]  # which says what is no number


def _of_row(error: LabkitError, row: object) -> LabkitError:
    """The same error, with the row that it is about."""
    told = f"measurements could not be taken, because of row {row}: {error}"
    return type(error)(told, field=error.field)
