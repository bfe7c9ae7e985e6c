"""The lab book as tables: what analysis reads, and nothing that is not open yet."""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Final

from labkit.book.current_scores import current_entries
from labkit.book.lookups import find_client, find_coffee
from labkit.book.schema import (
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
from labkit.book.transactions import Transactions

if TYPE_CHECKING:
    import pandas as pd

SCORE_COLUMNS: Final = (
    "client",
    "coffee",
    "session",
    "flight",
    "taster",
    "position",
    "blind_code",
    "jug",
    "water",
    "attribute",
    "scale",
    "score",
    "stage",
    "mg_share",
    "hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "is_control",
    "is_duplicate",
    "serving",
    "brew_method",
    "given_at",
)
"""Columns of the one frame that analysis reads."""


class Frames(Transactions):
    """The part of the lab book that gives tables."""

    def opened_scores(
        self,
        *,
        coffee: str | None = None,
        client: str | None = None,
        include_unblinded: bool = False,
    ) -> pd.DataFrame:
        """Scores of the flights whose key has been opened, one row a current number.

        Parameters
        ----------
        coffee, client : str, optional
            Only these; all if neither is given.
        include_unblinded : bool
            Also flights that were opened before the lock, or unlocked after the opening.

        Returns
        -------
        pandas.DataFrame
            Columns as in ``SCORE_COLUMNS``, by session, flight, taster and position. ``water`` is
            one label for one recipe within a coffee; ``given_at`` is in UTC; ``stage`` is
            None where cups are scored once.
        """
        import pandas as pd

        query = (
            current_entries()
            .join(FlightRow, ServingRow.flight_id == FlightRow.id)
            .join(SessionRow, FlightRow.session_id == SessionRow.id)
            .join(CoffeeRow, SessionRow.coffee_id == CoffeeRow.id)
            .join(ClientRow, CoffeeRow.client_id == ClientRow.id)
            .join(TasterRow, ServingRow.taster_id == TasterRow.id)
            .join(CupRow, ServingRow.cup_id == CupRow.id)
            .join(OpenedCupRow, OpenedCupRow.cup_id == CupRow.id)
            .join(AttributeRow, ScoreRow.attribute_id == AttributeRow.id)
            .where(FlightRow.state == OPENED, AttributeRow.kind == "number")
            .with_only_columns(
                ClientRow.name.label("client"),
                CoffeeRow.name.label("coffee"),
                SessionRow.name.label("session"),
                FlightRow.number.label("flight"),
                TasterRow.name.label("taster"),
                ServingRow.position.label("position"),
                CupRow.blind_code.label("blind_code"),
                OpenedCupRow.jug.label("jug"),
                OpenedCupRow.water.label("water"),
                AttributeRow.name.label("attribute"),
                AttributeRow.scale.label("scale"),
                ScoreRow.value.label("score"),
                ScoreRow.stage.label("stage"),
                OpenedCupRow.mg_share.label("mg_share"),
                OpenedCupRow.hardness_mg_l_caco3.label("hardness_mg_l_caco3"),
                OpenedCupRow.alkalinity_mg_l_caco3.label("alkalinity_mg_l_caco3"),
                OpenedCupRow.is_control.label("is_control"),
                OpenedCupRow.is_duplicate.label("is_duplicate"),
                SessionRow.serving.label("serving"),
                SessionRow.brew_method.label("brew_method"),
                ScoreRow.given_at.label("given_at"),
            )
            .order_by(
                SessionRow.tasted_on,
                SessionRow.id,
                FlightRow.number,
                TasterRow.name,
                ServingRow.position,
                AttributeRow.position,
                ScoreRow.stage,
            )
        )
        if not include_unblinded:
            query = query.where(~FlightRow.is_unblinded)
        with self._reading() as db:
            if client is not None:
                query = query.where(ClientRow.id == find_client(db, client).id)
            if coffee is not None:
                query = query.where(CoffeeRow.id == find_coffee(db, coffee, client).id)
            frame = pd.DataFrame(db.execute(query).all(), columns=list(SCORE_COLUMNS))
        return _label_waters(_typed(frame))


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Give every column its type, also when there are no rows."""
    import pandas as pd

    numbers = ("score", "mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3")
    frame = frame.astype(dict.fromkeys(("flight", "position"), "int64"))
    frame = frame.astype(dict.fromkeys(numbers, "float64"))
    frame = frame.astype(dict.fromkeys(("is_control", "is_duplicate"), "bool"))
    frame["stage"] = frame["stage"].astype("object").where(frame["stage"] != "", None)
    frame["given_at"] = pd.to_datetime(frame["given_at"], utc=True)
    return frame


def _label_waters(frame: pd.DataFrame) -> pd.DataFrame:
    """Name recipes across the sessions of a coffee.

    The first session keeps the labels of its bench sheet; a recipe that comes later keeps its own
    if that is free, else it gets the next number.
    """
    recipe = ["mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    met = frame[["client", "coffee", "session", "water", *recipe]].drop_duplicates()
    met = met.sort_values("water", key=lambda label: label.map(_natural), kind="stable")
    order = {session: place for place, session in enumerate(frame["session"].unique())}
    met = met.sort_values("session", key=lambda session: session.map(order), kind="stable")
    labels: dict[tuple[object, ...], str] = {}
    for client, coffee, _, label, *levels in met.itertuples(index=False, name=None):
        taken = {name for known, name in labels.items() if known[:2] == (client, coffee)}
        numbered = (f"W{number}" for number in count(len(taken) + 1))
        free = label if label not in taken else next(n for n in numbered if n not in taken)
        labels.setdefault((client, coffee, *levels), free)
    keys = frame[["client", "coffee", *recipe]].itertuples(index=False, name=None)
    return frame.assign(water=[labels[key] for key in keys])


def _natural(label: str) -> tuple[int, str]:
    """W2 before W10."""
    return len(label), label
