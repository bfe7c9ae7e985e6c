"""What the preparer needs at the bench: mL into each jug, and how much of every bottle."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import pandas as pd

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting.methods import METHODS
from labkit.tasting.plan import CupPlan
from labkit.tasting.seal import KeyRow, OpenedFlight
from labkit.water import PURE_WATER, Concentrate, Mixing, Water, mix

VESSEL_ML: Final = 200.0
"""Water that a bowl or a cup takes unless it is said (mL), common practice for cupping."""

RINSE_ML: Final = 30.0
"""What rinses kettle, bowls and probe before they are filled (mL), common practice."""

MOST_VESSEL_ML: Final = 5000.0
"""More than any vessel takes (mL)."""

METER_ML: Final = 50.0
"""What the meter's beaker takes (mL), common practice."""

_JUG_STEP_ML: Final = 10.0


@checked(PlanError, own_numbers=True)
def jug_volume(plan: CupPlan, *, vessel_ml: float = VESSEL_ML) -> float:
    """Finished volume of a jug (mL): what is poured from it, a rinse, and the meter's sample.

    It follows from what lies open: a bowl, or a cup for each taster (in a test of two waters, as
    many cups as a set can have of one water).

    Parameters
    ----------
    plan : CupPlan
        Who is served, and how.
    vessel_ml : float
        Water that a bowl or a cup takes, the brew water of its coffee (mL).

    Returns
    -------
    float
        In steps of 10 mL.

    Raises
    ------
    PlanError
        If a vessel holds nothing, or more than any does.

    Examples
    --------
    >>> from labkit.water import Target
    >>> from labkit.tasting import plan_tasting
    >>> waters = [Target(mg_share=0, hardness_mg_l_caco3=h, alkalinity_mg_l_caco3=30) for h in
    ...           (60, 90)]
    >>> plan = plan_tasting(waters, ["first"], session="s", passphrase="only an example",
    ...                     control="none", duplicates=0)
    >>> jug_volume(plan, vessel_ml=200)
    280.0
    """
    if not 0 < vessel_ml <= MOST_VESSEL_ML:
        raise PlanError(
            f"vessel_ml must be above 0 and at most {MOST_VESSEL_ML:g} mL, got {vessel_ml:g}. Say "
            "what a bowl or a cup takes.",
            field="vessel_ml",
        )
    vessels = 1
    if plan.serving == "a cup each":
        is_set = plan.design.kind in METHODS
        vessels = len(plan.tasters) * (max(1, plan.design.cups_per_flight - 1) if is_set else 1)
    poured = vessels * vessel_ml + RINSE_ML + METER_ML
    return math.ceil(poured / _JUG_STEP_ML - 1e-9) * _JUG_STEP_ML


@dataclass(frozen=True, slots=True, kw_only=True)
class JugToMix:
    """One jug on the bench sheet; never for the eyes of a taster."""

    flight: int
    """The flight it is served in."""

    jug: str
    """Label to write on the jug."""

    codes: tuple[str, ...]
    """The codes on the vessels filled from it."""

    water: str
    """Label of its water in the session's list."""

    is_control: bool
    """True for the water that is in every flight."""

    is_duplicate: bool
    """True for a jug that repeats a water of its flight: mix and brew it anew."""

    mixing: Mixing
    """What to pour, and the water reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPlan:
    """Everything to mix for one flight or more."""

    session: str
    """The session it is for."""

    jugs: tuple[JugToMix, ...]
    """By flight and jug, which is the order to mix in."""

    bottles: tuple[Concentrate, ...]
    """The concentrates in the order to dose them: those with alkalinity last."""

    jug_volume_ml: float
    """Finished volume of each jug (mL)."""

    def to_frame(self) -> pd.DataFrame:
        """One row a jug: flight, jug, codes, water, mL of each bottle and of base water."""
        rows = []
        for jug in self.jugs:
            poured = {dose.concentrate.name: dose.volume_ml for dose in jug.mixing.doses}
            rows.append(
                {
                    "flight": jug.flight,
                    "jug": jug.jug,
                    "codes": ", ".join(jug.codes),
                    "water": jug.water,
                    "is_control": jug.is_control,
                    "is_duplicate": jug.is_duplicate,
                }
                | {f"{bottle.name} (mL)": poured[bottle.name] for bottle in self.bottles}
                | {"base water (mL)": jug.mixing.base_ml}
            )
        return pd.DataFrame(rows)

    def doses_of(self, flight: int) -> dict[str, float]:
        """What a flight takes of each bottle (mL), as its doses are rounded.

        Parameters
        ----------
        flight : int
            Number of the flight.
        """
        sums = dict.fromkeys((bottle.name for bottle in self.bottles), 0.0)
        for jug in self.jugs:
            if jug.flight == flight:
                for dose in jug.mixing.doses:
                    sums[dose.concentrate.name] += dose.volume_ml
        return {name: round(volume_ml, 6) for name, volume_ml in sums.items()}

    def totals(self) -> pd.DataFrame:
        """Volume of each bottle and of base water over all jugs (mL)."""
        frame = self.to_frame()
        columns = [f"{bottle.name} (mL)" for bottle in self.bottles] + ["base water (mL)"]
        return pd.DataFrame(
            {
                "what": [column.removesuffix(" (mL)") for column in columns],
                "volume_ml": [round(float(frame[column].sum()), 6) for column in columns],
            }
        )


@checked(PlanError, own_numbers=True)
def bench_plan(
    opened_flights: Sequence[OpenedFlight],
    concentrates: Sequence[Concentrate],
    *,
    jug_volume_ml: float,
    base: Water = PURE_WATER,
    pipette_ml: float = 0.1,
) -> BenchPlan:
    """How to mix every jug of the flights whose key the preparer has opened.

    A duplicate is a jug of its own: it is mixed and brewed anew, not poured from its twin.

    Parameters
    ----------
    opened_flights : sequence of OpenedFlight
        Flights of one session.
    concentrates : sequence of Concentrate
        The bottles at hand, each under its own name.
    jug_volume_ml : float
        Finished volume of each jug (mL).
    base : Water
        What the doses go into.
    pipette_ml : float
        Step to which doses are rounded (mL).

    Raises
    ------
    PlanError
        If there is no flight, flights are of two sessions, or two bottles share a name.
    DosingError
        If a water cannot be made from these bottles.
    """
    sessions = sorted({flight.session for flight in opened_flights})
    if len(sessions) != 1:
        raise PlanError(
            f"opened_flights must be of one session, got {sessions or 'none'}. "
            "Make a bench sheet for each session.",
            field="opened_flights",
        )
    names = [bottle.name for bottle in concentrates]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise PlanError(
            f"concentrates must have different names, got {twice!r} twice. "
            "Give each bottle a name of its own.",
            field="concentrates",
        )
    jugs = []
    for flight in sorted(opened_flights, key=lambda opened: opened.flight):
        by_jug: dict[str, list[KeyRow]] = {}
        for row in flight.rows:
            by_jug.setdefault(row.jug, []).append(row)
        for label in sorted(by_jug, key=lambda name: int(name.rpartition(".")[2])):
            rows = by_jug[label]
            mixing = mix(
                rows[0].target,
                concentrates,
                volume_ml=jug_volume_ml,
                base=base,
                pipette_ml=pipette_ml,
            )
            jugs.append(
                JugToMix(
                    flight=flight.flight,
                    jug=label,
                    codes=tuple(sorted(row.blind_code for row in rows)),
                    water=rows[0].water,
                    is_control=rows[0].is_control,
                    is_duplicate=rows[0].is_duplicate,
                    mixing=mixing,
                )
            )
    return BenchPlan(
        session=sessions[0],
        jugs=tuple(jugs),
        # Calcium and bicarbonate meet only when both are thin: at strength calcite falls out.
        bottles=tuple(sorted(concentrates, key=lambda b: b.alkalinity_mg_l_caco3_per_ml > 0)),
        jug_volume_ml=jug_volume_ml,
    )
