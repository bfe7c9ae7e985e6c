"""Waters to start from: the analysis as it was reported, by place or client."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from labkit.book.store.columns import clean_name, clean_text
from labkit.book.store.lookups import find_client, unknown
from labkit.book.store.schema import BaseWaterRow
from labkit.book.store.transactions import Part
from labkit.errors import BookError

if TYPE_CHECKING:
    from labkit.book.store.records import Held
    from labkit.water import StartWater, Supply

Analysis = Mapping[str, tuple[float, str]]
"""Quantity -> (value, unit), as ``labkit.water.read_analysis`` takes it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseWater:
    """A water to start from."""

    name: str
    """Unique in the book: the place, or the brand on the bottle."""

    analysis: Analysis
    """As it was reported: quantity -> (value, unit)."""

    client: str | None = None
    """Whose place it comes from; None for the lab's own."""

    sampled_on: date | None = None
    """When it was drawn; waters change with the season."""

    source: str = ""
    """Who analysed it."""

    fill_gap: bool = False
    """Whether a gap in the charges is filled, as partial analyses need."""

    note: str = ""
    """Anything else."""

    @property
    def supply(self) -> Supply:
        """The water with its ions, and what its charge balance says of the analysis."""
        from labkit.water import read_analysis

        return read_analysis(self.analysis, name=self.name, fill_gap=self.fill_gap)


class BaseWaters(Part):
    """The part of the lab book that knows the waters to start from."""

    def add_base_water(
        self,
        name: str,
        analysis: Analysis,
        *,
        client: str | None = None,
        sampled_on: date | None = None,
        source: str = "",
        fill_gap: bool = False,
        note: str = "",
    ) -> BaseWater:
        """Add a water to start from.

        Parameters
        ----------
        name : str
            Unique in the book.
        analysis : mapping of str to (float, str)
            What was measured -> value and unit, as ``labkit.water.read_analysis`` takes them.
        client : str, optional
            Whose water it is; the lab's own if not given.
        sampled_on : date, optional
            Day of the sample.
        source : str
            Who analysed it.
        fill_gap : bool
            Whether a gap in the charges is filled, as partial analyses need.
        note : str
            Anything else.

        Raises
        ------
        WaterError
            If the analysis cannot be read.
        BookError
            If the name is taken or the client unknown.
        """
        given = {str(what): (float(value), str(unit)) for what, (value, unit) in analysis.items()}
        water = BaseWater(
            name=clean_name("base water", name),
            analysis=given,
            client=client,
            sampled_on=sampled_on,
            source=clean_text("source", source),
            fill_gap=fill_gap,
            note=clean_text("note", note),
        )
        _ = water.supply  # refuses an impossible analysis before anything is written

        def work(db: Session) -> BaseWater:
            taken = select(BaseWaterRow.id).where(BaseWaterRow.name == water.name)
            if db.scalar(taken) is not None:
                msg = (
                    f"base water must be new, but {water.name!r} is in the lab book; add the day "
                    "it was drawn to the name."
                )
                raise BookError(msg, field="name")
            row = BaseWaterRow(
                client=None if client is None else find_client(db, client),
                name=water.name,
                sampled_on=water.sampled_on,
                source=water.source,
                analysis={what: list(amount) for what, amount in given.items()},
                fill_gap=water.fill_gap,
                note=water.note,
            )
            db.add(row)
            return _base_water(row)

        return self._store.write(work)

    def base_waters(self, client: str | None = None) -> tuple[BaseWater, ...]:
        """Waters to start from, by name.

        Parameters
        ----------
        client : str, optional
            Only this client's and the lab's own.
        """
        query = select(BaseWaterRow).order_by(BaseWaterRow.name)
        with self._store.reading() as db:
            if client is not None:
                of_client = BaseWaterRow.client_id == find_client(db, client).id
                query = query.where(or_(of_client, BaseWaterRow.client_id.is_(None)))
            return tuple(_base_water(row) for row in db.scalars(query))

    def base_water(self, name: str) -> BaseWater:
        """One water to start from, by name.

        Parameters
        ----------
        name : str
            Its name in the book.

        Raises
        ------
        BookError
            If there is no such water.
        """
        query = select(BaseWaterRow).where(BaseWaterRow.name == clean_name("base water", name))
        with self._store.reading() as db:
            row = db.scalar(query)
            if row is None:
                raise unknown(
                    "base water", name, db.scalars(select(BaseWaterRow.name)), field="base_water"
                )
            return _base_water(row)

    def start_water(self, held: Held) -> StartWater:
        """What the doses of a session go into, as it was recorded; pure water if nothing was.

        Parameters
        ----------
        held : Held
            What the session held constant.
        """
        from labkit.water import PURE, StartWater

        if held.base_water in {"", PURE}:
            return StartWater()
        base = self.base_water(held.base_water)
        share = 100.0 if held.base_share_percent is None else held.base_share_percent
        return StartWater(name=base.name, base=base.supply.water, share_percent=share)


def _base_water(row: BaseWaterRow) -> BaseWater:
    return BaseWater(
        name=row.name,
        analysis={what: (float(value), unit) for what, (value, unit) in row.analysis.items()},
        client=None if row.client is None else row.client.name,
        sampled_on=row.sampled_on,
        source=row.source,
        fill_gap=row.fill_gap,
        note=row.note,
    )
