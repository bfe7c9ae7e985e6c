"""The lab book as tables: what analysis reads, and what is taken away; water only where opened."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from itertools import count
from typing import TYPE_CHECKING, Any, Final

from sqlalchemy import Select, and_, select

from labkit.book.scores.entries import current_entries
from labkit.book.scores.measured import values_of_cups
from labkit.book.store.lookups import find_client, find_coffee, find_session
from labkit.book.store.schema import (
    OPENED,
    AttributeRow,
    ClientRow,
    CoffeeRow,
    CupRow,
    FlightRow,
    OpenedCupRow,
    ScoreRow,
    ServingRow,
    SessionRow,
    TasterRow,
)
from labkit.book.store.transactions import Part
from labkit.tasting import SCORES_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

WATER_COLUMNS: Final = (
    "jug",
    "water",
    "mg_share",
    "hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "is_control",
    "is_duplicate",
    "sulfate_share",
    "potassium_share",
)
"""What is known of a cup once its flight is opened."""

MEASURED_COLUMNS: Final = ("strength_percent", "extraction_percent")
"""What is known of a cup where the preparer has measured it."""

TIDY_COLUMNS: Final = (
    "client",
    "coffee",
    "session",
    "tasted_on",
    "flight",
    "state",
    "is_unblinded",
    "taster",
    "position",
    "blind_code",
    "stage",
    "attribute",
    "scale",
    "score",
    "words",
    "given_at",
    "source",
    "device",
    "entered_by",
    "serving",
    "brew_method",
    *WATER_COLUMNS,
)
"""Columns of the table with everything, one row a score."""


class Frames(Part):
    """The part of the lab book that gives tables."""

    def opened_scores(
        self,
        *,
        coffee: str | None = None,
        client: str | None = None,
        coffees: Iterable[tuple[str, str]] | None = None,
        scales: Iterable[str] | None = None,
        include_unblinded: bool = False,
    ) -> pd.DataFrame:
        """Scores of the flights whose key has been opened, one row a current number.

        Parameters
        ----------
        coffee, client : str, optional
            Only these; all if neither is given.
        coffees : iterable of (client, coffee), optional
            Only these, by their names as they stand in the lab book.
        scales : iterable of str, optional
            Only scores on these.
        include_unblinded : bool
            Also flights that are not blind (``Flight.is_unblinded``).

        Returns
        -------
        pandas.DataFrame
            Columns as in ``SCORES_COLUMNS``, by session, flight, taster and position. ``water`` is
            one label for one recipe within a coffee; ``given_at`` is in UTC; ``stage`` is
            None where cups are scored once.
        """
        frame = self._opened("number", coffee, client, include_unblinded, coffees, scales)
        frame = frame[list(SCORES_COLUMNS)].reset_index(drop=True)
        for name in ("is_control", "is_duplicate"):
            frame[name] = frame[name].astype("bool")
        return frame

    def opened_words(
        self,
        *,
        coffee: str | None = None,
        client: str | None = None,
        include_unblinded: bool = False,
    ) -> pd.DataFrame:
        """Descriptors of opened flights, one row a cup, taster and word that could be checked.

        Parameters
        ----------
        coffee, client : str, optional
            Only these; all if neither is given.
        include_unblinded : bool
            Also flights that are not blind (``Flight.is_unblinded``).

        Returns
        -------
        pandas.DataFrame
            As ``opened_scores``, with ``word`` and ``is_checked`` in place of ``scale`` and
            ``score``. A list that a taster left untouched has no rows: missing, not unchecked.
        """
        import pandas as pd

        frame = self._opened("descriptors", coffee, client, include_unblinded)
        columns = [c for c in SCORES_COLUMNS if c not in {"scale", "score"}]
        rows = [
            {**row, "word": word, "is_checked": word in checked}
            for row, words, choices in zip(
                frame[columns].to_dict("records"), frame["words"], frame["choices"], strict=True
            )
            for checked in [words.split("; ")]
            for word in choices
        ]
        at = columns.index("attribute") + 1
        return pd.DataFrame(rows, columns=[*columns[:at], "word", "is_checked", *columns[at:]])

    def tidy_scores(
        self, *, client: str | None = None, coffee: str | None = None, session: str | None = None
    ) -> pd.DataFrame:
        """Everything scored, one row a current score, also of flights not opened.

        Parameters
        ----------
        client, coffee, session : str, optional
            Only these; all if none is given.

        Returns
        -------
        pandas.DataFrame
            Columns as in ``TIDY_COLUMNS``. Numbers are in ``score``, descriptors ("a; b") and
            notes in ``words``. What was in a cup is empty until its flight is opened.
        """
        frame = self._frame(_query(), client=client, coffee=coffee, session=session)
        return frame[list(TIDY_COLUMNS)]

    def wide_scores(
        self, *, client: str | None = None, coffee: str | None = None, session: str | None = None
    ) -> pd.DataFrame:
        """Everything scored, one row a cup, taster and stage, one column an attribute.

        Parameters
        ----------
        client, coffee, session : str, optional
            Only these; all if none is given.
        """
        import pandas as pd

        frame = self.tidy_scores(client=client, coffee=coffee, session=session)
        cup = ("session", "flight", "taster", "position", "stage")
        about = ["client", "coffee", *cup, "blind_code", *WATER_COLUMNS]
        rows: dict[tuple[Any, ...], dict[Any, Any]] = {}
        for entry in frame.to_dict("records"):
            start = {column: entry[column] for column in about}
            row = rows.setdefault(tuple(entry[column] for column in cup), start)
            row[entry["attribute"]] = entry["words"] or entry["score"]
        attributes = list(dict.fromkeys(frame["attribute"]))
        return pd.DataFrame(list(rows.values()), columns=[*about, *attributes])

    def _opened(
        self,
        kind: str,
        coffee: str | None,
        client: str | None,
        include_unblinded: bool,
        coffees: Iterable[tuple[str, str]] | None = None,
        scales: Iterable[str] | None = None,
    ) -> pd.DataFrame:
        """Opened values of a kind, of cups whose water is known."""
        query = _query().where(FlightRow.state == OPENED, AttributeRow.kind == kind)
        if not include_unblinded:
            query = query.where(~FlightRow.is_unblinded)
        if scales is not None:
            query = query.where(AttributeRow.scale.in_(list(scales)))
        frame = self._frame(query, client=client, coffee=coffee, coffees=coffees)
        # A cup whose code was never found (one tastes alone) has no water to read.
        return frame[frame["jug"].notna()]

    def _frame(
        self,
        query: Select[*tuple[Any, ...]],
        *,
        client: str | None,
        coffee: str | None,
        session: str | None = None,
        coffees: Iterable[tuple[str, str]] | None = None,
    ) -> pd.DataFrame:
        """Run the query, of one client, coffee or session if asked, with types and labels."""
        import numpy as np
        import pandas as pd

        with self._store.reading() as db:
            sessions = select(SessionRow.id).join(CoffeeRow, SessionRow.coffee_id == CoffeeRow.id)
            if client is not None:
                sessions = sessions.where(CoffeeRow.client_id == find_client(db, client).id)
            if coffee is not None:
                sessions = sessions.where(CoffeeRow.id == find_coffee(db, coffee, client).id)
            if coffees is not None:
                names = select(CoffeeRow.id, ClientRow.name, CoffeeRow.name).join(ClientRow)
                wanted = set(coffees)
                which = [row[0] for row in db.execute(names) if (row[1], row[2]) in wanted]
                sessions = sessions.where(CoffeeRow.id.in_(which))
            if session is not None:
                sessions = sessions.where(SessionRow.id == find_session(db, session).id)
            result = db.execute(query.where(SessionRow.id.in_(sessions)))
            frame = pd.DataFrame(result.all(), columns=list(result.keys()))
            measured = values_of_cups(db, sessions)
        for name in MEASURED_COLUMNS:
            frame[name] = [measured.get(cup, {}).get(name, np.nan) for cup in frame["cup_id"]]
        levels = ("mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3")
        numbers = ("score", *levels, "sulfate_share", "potassium_share")
        types: dict[str, Any] = {
            **dict.fromkeys(("flight", "position"), "int64"),
            **dict.fromkeys(numbers, "float64"),
            **{"is_unblinded": "bool", "stage": "object"},
        }
        for name, kind in types.items():  # one by one: together each would copy all others
            frame[name] = frame[name].astype(kind)
        frame["stage"] = frame["stage"].where(frame["stage"] != "", None)
        frame["given_at"] = pd.to_datetime(frame["given_at"], utc=True)
        frame["words"] = [
            "; ".join(json.loads(words)) if kind == "descriptors" and words else words
            for kind, words in zip(frame["kind"], frame["words"], strict=True)
        ]
        frame["entered_by"] = frame["entered_by"].where(frame["entered_by"] != "", frame["taster"])
        return _label_waters(frame)


@cache  # put together of forty columns it takes as long as it takes to run
def _query() -> Select[*tuple[Any, ...]]:
    """Every current entry with all that is known of it; waters of opened flights only."""
    opened = and_(OpenedCupRow.cup_id == CupRow.id, FlightRow.state == OPENED)
    return (
        current_entries()
        .join(FlightRow, ServingRow.flight_id == FlightRow.id)
        .join(SessionRow, FlightRow.session_id == SessionRow.id)
        .join(CoffeeRow, SessionRow.coffee_id == CoffeeRow.id)
        .join(ClientRow, CoffeeRow.client_id == ClientRow.id)
        .join(TasterRow, ServingRow.taster_id == TasterRow.id)
        .join(AttributeRow, ScoreRow.attribute_id == AttributeRow.id)
        .outerjoin(CupRow, ServingRow.cup_id == CupRow.id)
        .outerjoin(OpenedCupRow, opened)
        .with_only_columns(
            ClientRow.name.label("client"),
            CoffeeRow.name.label("coffee"),
            SessionRow.name.label("session"),
            SessionRow.tasted_on.label("tasted_on"),
            FlightRow.number.label("flight"),
            FlightRow.state.label("state"),
            FlightRow.is_unblinded.label("is_unblinded"),
            TasterRow.name.label("taster"),
            ServingRow.position.label("position"),
            CupRow.id.label("cup_id"),
            CupRow.blind_code.label("blind_code"),
            ScoreRow.stage.label("stage"),
            AttributeRow.name.label("attribute"),
            AttributeRow.kind.label("kind"),
            AttributeRow.choices.label("choices"),
            AttributeRow.scale.label("scale"),
            ScoreRow.value.label("score"),
            ScoreRow.words.label("words"),
            ScoreRow.given_at.label("given_at"),
            ScoreRow.source.label("source"),
            ScoreRow.device.label("device"),
            ScoreRow.entered_by.label("entered_by"),
            SessionRow.serving.label("serving"),
            SessionRow.brew_method.label("brew_method"),
            *(getattr(OpenedCupRow, name).label(name) for name in WATER_COLUMNS),
        )
        .order_by(
            SessionRow.tasted_on,
            SessionRow.id,
            FlightRow.number,
            TasterRow.name,
            ServingRow.position,
            AttributeRow.position,
            ScoreRow.id,
        )
    )


def _label_waters(frame: pd.DataFrame) -> pd.DataFrame:
    """Name recipes across the sessions of a coffee.

    The first session keeps the labels of its bench sheet; a recipe that comes later keeps its own
    if that is free, else it gets the next number.
    """
    # pandas and numpy: not for the tasters' kernel
    import pandas as pd

    from labkit.water import COORDINATES, SALT_SHARES, water_numbers

    # A share that nobody asked for is a blank that no other blank equals: it gets a value.
    recipes = [frame[name].tolist() for name in COORDINATES]
    recipes += [frame[name].fillna(-1.0).tolist() for name in SALT_SHARES]
    cups = [frame[name].tolist() for name in ("client", "coffee", "session", "water")]
    order = {session: place for place, session in enumerate(dict.fromkeys(cups[2]))}
    met: dict[tuple[object, object], list[tuple[Any, ...]]] = {}
    for row in dict.fromkeys(zip(*cups, *recipes, strict=True)):
        if not any(one is None or one != one for one in row):
            met.setdefault(row[:2], []).append(row)
    labels: dict[tuple[object, ...], str] = {}
    for coffee, rows in met.items():
        rows.sort(key=lambda row: (order[row[2]], _natural(row[3])))
        named: list[str] = []  # by the place of a water among those that were first of their kind
        waters = pd.DataFrame([row[4:] for row in rows], columns=[*COORDINATES, *SALT_SHARES])
        numbers = water_numbers(waters)
        place = {number: first for first, number in enumerate(dict.fromkeys(numbers))}
        for number, (_client, _coffee, _session, label, *recipe) in zip(numbers, rows, strict=True):
            first = place[number]
            if first == len(named):
                fresh = (f"W{n}" for n in count(len(named) + 1))
                named.append(
                    label if label not in named else next(n for n in fresh if n not in named)
                )
            labels[*coffee, *recipe] = named[first]
    names: list[Any] = [labels.get(key) for key in zip(*cups[:2], *recipes, strict=True)]
    return frame.assign(water=names)


def _natural(label: str) -> tuple[int, str]:
    """W2 before W10."""
    return len(label), label
