"""The next flight: which waters to taste side by side, why, and what is expected of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from labkit.analysis.model.noted import Note
from labkit.analysis.region import Region, water_target
from labkit.analysis.search.acquisition import knowledge_gradient
from labkit.analysis.search.belief import Belief, Helped, believe
from labkit.analysis.search.confirming import TIMES_POURED
from labkit.analysis.search.earlier_coffees import HeadStart
from labkit.analysis.search.estimate import SEED, SecondOpinion
from labkit.analysis.search.reasons import Reason, reason_for
from labkit.boundary import checked
from labkit.errors import ReadingError, RegionError
from labkit.noted import Noted
from labkit.shown import Shown
from labkit.tasting import Scale
from labkit.water import (
    COORDINATES,
    PURE_WATER,
    Concentrate,
    Mixing,
    Target,
    Water,
    as_coordinates,
    is_whole,
    mix,
)

MOST_CUPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class SuggestedCup:
    """One water of the next flight."""

    target: Target
    """What to mix."""

    reason: Reason
    """Why it is worth a cup."""

    expected: float
    """Score that is expected of it."""

    low: float
    """Lower end of the 90 % interval of its score."""

    high: float
    """Upper end."""

    chance_above_leader: float
    """Probability that it is truly better than today's best; 0 for that one itself."""

    gain: float
    """Points by which tasting it, beside the cups above it, raises the expected final choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion(Shown):
    """A flight to taste next."""

    cups: tuple[SuggestedCup, ...]
    """In the order of their worth."""

    leader: Target
    """Today's best recipe: what the scores speak for; before any, the region's highest."""

    leader_expected: float
    """Its expected score."""

    leader_low: float
    """Lower end of the 90 % interval of its score."""

    leader_high: float
    """Upper end."""

    engine: str
    """What the suggestion rests on."""

    second: SecondOpinion | None
    """What the fitted surface alone would choose; None before the first flight."""

    notes: tuple[Noted[Note], ...]
    """What was left out or put together on the way, one sentence each."""

    is_elsewhere: bool
    """Whether today's best lies outside what may be proposed: held, left out, out of reach."""

    confirms: bool = False
    """Whether leader and control are in it to settle which is better."""

    control_price: float | None = None
    """Points that the flight would be worth less with a cup of the control in the place of its last
    one; None without a control, or where it is in the flight."""

    helped: Helped | None = None
    """Today's best once earlier coffees are counted in; None without a head start."""

    @property
    def targets(self) -> tuple[Target, ...]:
        """The waters to taste, ready for a cup plan."""
        return tuple(cup.target for cup in self.cups)

    @property
    def served(self) -> tuple[Target, ...]:
        """What each cup holds: a plan serves them so, a water listed twice from two jugs."""
        return self.targets

    @property
    def gain(self) -> float:
        """Points by which the flight as a whole raises the expected final choice."""
        return sum(cup.gain for cup in self.cups)

    def to_frame(self) -> pd.DataFrame:
        """One row a cup: coordinates, reason, expected score and interval, chance, gain."""
        return pd.DataFrame(
            [
                {
                    **{name: getattr(cup.target, name) for name in COORDINATES},
                    "reason": str(cup.reason.kind),
                    "expected": cup.expected,
                    "low": cup.low,
                    "high": cup.high,
                    "chance_above_leader": cup.chance_above_leader,
                    "gain": cup.gain,
                }
                for cup in self.cups
            ]
        )

    def mixings(
        self,
        concentrates: Sequence[Concentrate],
        *,
        volume_ml: float = 1000.0,
        base: Water = PURE_WATER,
        pipette_ml: float = 0.1,
    ) -> tuple[Mixing, ...]:
        """What to pour for each cup, in the same order.

        Parameters
        ----------
        concentrates : sequence of Concentrate
            The bottles at hand.
        volume_ml : float
            Finished volume of each jug (mL).
        base : Water
            What the doses go into.
        pipette_ml : float
            Step of the pipette (mL).

        Returns
        -------
        tuple of Mixing
            One for each of ``cups``.

        Raises
        ------
        DosingError
            If a water cannot be made from these bottles.
        """
        return tuple(
            mix(cup.target, concentrates, volume_ml=volume_ml, base=base, pipette_ml=pipette_ml)
            for cup in self.cups
        )


@checked(ReadingError)
def suggest_flight(
    frame: pd.DataFrame | Belief | None,
    region: Region | None = None,
    k: int = 5,
    *,
    seed: int | np.random.Generator | None = None,
    include: object = (),
    attribute: str = "overall",
    brew_method: str | None = None,
    n_tasters: int | None = None,
    control: object | None = None,
    scale: Scale | None = None,
    head_start: HeadStart | None = None,
    confirm: bool = False,
) -> Suggestion:
    """The `k` cups to taste next, side by side.

    Control, repeats and duplicates are among them where they are worth a cup: a plan adds none.

    Parameters
    ----------
    frame : DataFrame, Belief or None
        The scores frame; None or empty for the first flight; or what was believed of it already.
    region : Region, optional
        Where to search; the usual ranges unless given. Of a ``Belief``, its own.
    k : int
        Cups in the flight.
    seed : int or numpy.random.Generator, optional
        A stated seed unless given: the same scores then suggest the same flight.
    include : targets
        Waters that shall be in the flight in any case, also outside the region.
    attribute, brew_method, n_tasters, control, scale, head_start : optional
        As for :func:`labkit.analysis.believe`.
    confirm : bool
        Whether leader and control shall be poured, to settle which is better.

    Raises
    ------
    RegionError
        If `k` is out of range or smaller than what is included.
    ReadingError
        If the scores cannot be read.

    Examples
    --------
    The first flight, before anybody has tasted anything:

    >>> suggestion = suggest_flight(None, k=4, n_tasters=3)
    >>> len(suggestion.targets), str(suggestion.cups[0].reason.kind)
    (4, 'open ground')
    """
    rng = np.random.default_rng(SEED if seed is None else seed)
    asked = as_coordinates(include)
    if not (is_whole(k) and 1 <= k <= MOST_CUPS) or k < len(asked):
        raise RegionError(
            f"k must be between {max(1, len(asked))} (what is included) and {MOST_CUPS}, got {k}. "
            "More cups side by side than that tire the palate: plan a second flight.",
            field="k",
        )
    if isinstance(frame, Belief):
        belief = frame
    else:
        belief = believe(
            frame,
            region,
            attribute=attribute,
            brew_method=brew_method,
            n_tasters=n_tasters,
            control=control,
            scale=scale,
            head_start=head_start,
            also=asked,
            seed=rng,
        )
    posterior, cups, leader = belief.posterior, belief.cups, belief.leader
    included = tuple(int(place) for place in posterior.places(asked))
    n_asked = len(included)
    if must_be_poured(belief) and leader not in included and n_asked < k:
        included = (*included, leader)
    control = belief.control
    confirms = confirm and control is not None and leader != control and k - n_asked >= 2
    if confirms and control is not None:
        pairs = min(TIMES_POURED, (k - n_asked) // 2)
        for place in (leader, control) * pairs:
            if included.count(place) < TIMES_POURED:
                included = (*included, place)
    batch = knowledge_gradient(
        posterior,
        k,
        cup_variance=cups.next_cup_variance(n_tasters),
        flight_variance=cups.flight_variance(n_tasters),
        rng=rng,
        tasted=posterior.places(cups.waters) if len(cups.waters) else None,
        included=included,
        priced=None if control in included else control,
    )
    chosen = []
    for step, (place, gain) in enumerate(zip(batch.places, batch.gains, strict=True)):
        expected, low, high = belief.leader_expected if place == leader else belief.stated(place)
        chosen.append(
            SuggestedCup(
                target=water_target(posterior.recipes[place]),
                reason=reason_for(
                    belief, place, batch.places[:step], asked_for=step < n_asked, confirms=confirms
                ),
                expected=expected,
                low=low,
                high=high,
                chance_above_leader=posterior.chance_above(place, leader),
                gain=gain,
            )
        )
    expected, low, high = belief.leader_expected
    return Suggestion(
        cups=tuple(chosen),
        leader=water_target(posterior.recipes[leader]),
        leader_expected=expected,
        leader_low=low,
        leader_high=high,
        engine=belief.engine,
        second=belief.second,
        notes=belief.notes,
        is_elsewhere=leader >= posterior.n_allowed,
        confirms=confirms,
        control_price=None if control in batch.places else batch.price,
        helped=belief.helped,
    )


def must_be_poured(belief: Belief) -> bool:
    """Whether the recommended water was never poured, and may be proposed here."""
    return (
        belief.recommended is not None
        and not belief.recommended.was_tasted
        and belief.leader < belief.posterior.n_allowed
    )
