"""Codes onto cups: which code stands on which jug's bowl, or on which taster's cup."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from labkit.noted import Noted
from labkit.tasting.codes import draw_codes, is_monotone
from labkit.tasting.layout import Draw, Jug, ServingLayout
from labkit.tasting.orders import Orders
from labkit.tasting.plan import PlanNote, Serving
from labkit.tasting.seal import KeyRow
from labkit.tasting.waters import SessionWater

_TRIES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Coded:
    """The codes of one flight's cups; as secret as the layout it was drawn for."""

    by_taster: tuple[Mapping[int, str], ...]
    """For each taster the code on the cup from each jug before them."""

    each: bool
    """Whether every taster has cups of their own."""

    @property
    def cups(self) -> tuple[tuple[int, str], ...]:
        """Jug and code of every vessel."""
        own = self.by_taster if self.each else self.by_taster[:1]
        return tuple((jug, code) for coded in own for jug, code in coded.items())

    @property
    def codes(self) -> tuple[str, ...]:
        """The codes of every vessel."""
        return tuple(code for _, code in self.cups)


def code_flights(
    layout: ServingLayout,
    *,
    each: bool,
    taken: Collection[str],
    recent: Mapping[str, date] | None,
    on: date | None,
    draw: Draw,
) -> tuple[list[Coded], tuple[Noted[PlanNote], ...]]:
    """Draw the codes of all flights and put them onto cups, with notes on codes that come back."""
    n_tasters = len(layout.orders[0])
    n_groups = len(layout.orders) * (n_tasters if each else 1)
    codes = draw_codes(
        [layout.sizes.cups] * n_groups, taken=taken, recent=recent, on=on, rng=draw.fresh()
    )
    groups = iter(codes.groups)
    flights = []
    for orders in layout.orders:
        if each:
            own = tuple(put_codes(next(groups), row[None, :], draw.fresh()) for row in orders)
        else:
            own = (put_codes(next(groups), orders, draw.fresh()),) * n_tasters
        flights.append(Coded(by_taster=own, each=each))
    return flights, codes.notes


def put_codes(codes: Sequence[str], orders: Orders, rng: np.random.Generator) -> dict[int, str]:
    """Code of each jug in `orders`, drawn so that few tasters meet codes that run up or down."""
    jugs = sorted(set(orders.ravel().tolist()))
    draws = []
    for _ in range(_TRIES):
        coded = dict(zip(jugs, rng.permutation(np.array(codes)).tolist(), strict=True))
        draws.append((sum(is_monotone([coded[j] for j in row]) for row in orders.tolist()), coded))
        if draws[-1][0] == 0:
            break
    return min(draws, key=lambda pair: pair[0])[1]


def servings(
    flight: int, tasters: Sequence[str], orders: Orders, coded: Coded, *, hidden: bool = False
) -> list[Serving]:
    """The cups before each taster in order; without codes where these are hidden under cups."""
    return [
        Serving(
            flight=flight,
            taster=taster,
            position=position,
            blind_code="" if hidden else codes[jug],
        )
        for taster, order, codes in zip(tasters, orders.tolist(), coded.by_taster, strict=True)
        for position, jug in enumerate(order, start=1)
    ]


def key_rows(
    flight: int,
    jugs: Sequence[Jug],
    coded: Coded,
    waters: Sequence[SessionWater],
    rng: np.random.Generator,
) -> tuple[KeyRow, ...]:
    """The rows to seal, one a vessel; `waters` by their numbers in the layout."""
    bowls = rng.permutation(len(coded.cups)).tolist()
    return tuple(
        KeyRow(
            blind_code=code,
            jug=f"J{flight}.{jug + 1}",
            bowl=f"B{flight}.{(bowl if coded.each else jug) + 1}",
            water=waters[jugs[jug].water].label,
            target=waters[jugs[jug].water].target,
            is_control=waters[jugs[jug].water].is_control,
            is_duplicate=jugs[jug].is_duplicate,
        )
        for (jug, code), bowl in zip(coded.cups, bowls, strict=True)
    )
