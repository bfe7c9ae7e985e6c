"""Who tastes, how long, how many cups at once: the plan that tells most, before it is sealed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from labkit.analysis import Surface, fit_surface, gather_scores
from labkit.book import BrewMethod, LabBook, Stage
from labkit.boundary import checked
from labkit.errors import PlanError, ReadingError
from labkit.noted import noted
from labkit.tasting import (
    SCALES,
    NoiseFrom,
    PlanChoices,
    Scale,
    Sweep,
    TasterNoise,
    Vessels,
    choose_plan,
    practised_noise,
    session_waters,
)
from labkit.water import Target, find_water, water_numbers
from labkit.workflow.planning import Waters, targets_of
from labkit.workflow.usual import usual_of

FEWEST_SCORES: Final = 20
"""Scores of one coffee from which this panel's noise is taken; below it a spread says little."""

_NOT_OF_WATER: Final = ("taster:flight", "taster:session")


@checked(PlanError)
def propose_plan(
    book: LabBook,
    coffee: str,
    waters: Waters,
    *,
    tasters: int | Sequence[str],
    minutes: float | None = None,
    cups_per_flight: int | None = None,
    client: str | None = None,
    add_to: str | None = None,
    control: Target | Literal["middle", "none"] | None = None,
    stages: Sequence[Stage] = (),
    serving: Vessels | None = None,
    brew_method: BrewMethod | None = None,
    scale: Scale | None = None,
    noise: TasterNoise | None = None,
    vessel_ml: float = 200.0,
) -> PlanChoices:
    """The plan that tells most for its cups and minutes, and what others would buy.

    What is not said is as in the coffee's last session; before the first one, as is usual. Pass
    ``recommended.asked`` on to :func:`labkit.workflow.plan_session` to seal it.

    Parameters
    ----------
    book : LabBook
        Where the coffee is; its opened scores tell the panel's own noise.
    coffee, client : str
        Which coffee; ``client`` is needed where two have one of that name.
    waters : Sweep, suggestion, sequence of Target or DataFrame
        What to taste, as in :func:`labkit.workflow.plan_session`.
    tasters : int or sequence of str
        Who tastes, or how many.
    minutes : float, optional
        Time at the table.
    cups_per_flight : int, optional
        Most cups side by side.
    add_to : str, optional
        A session to add flights to: they have its control, or none if it has none.
    control : Target, "middle" or "none", optional
        The coffee's own so far is in every plan. Before there was one it is the middle water,
        and plans without it are looked at too.
    stages : sequence of {"hot", "warm", "cool"}
        Stages of cooling to score apart.
    serving : {"shared bowls", "a cup each"}, optional
        As in :func:`labkit.tasting.plan_tasting`.
    brew_method : {"cupping", "filter", "espresso"}, optional
        How it is brewed.
    scale : Scale, optional
        Of the overall score.
    noise : TasterNoise, optional
        The panel's own by its opened scores if not given.
    vessel_ml : float
        Water for one bowl or cup (mL).

    Raises
    ------
    BookError
        If the coffee or the session is unknown.
    PlanError
        If a number is out of range, or no plan fits.
    """
    usual = usual_of(book, coffee, client)
    targets = targets_of(waters)
    known = () if add_to is None else book.sessions.session(add_to).waters
    chosen = control or usual.control_for(targets) or "middle"
    listed = session_waters(targets, control=chosen, known=known)
    held = next((one.target for one in listed if one.is_control), None)
    if scale is None:
        overall = [one.scale for one in usual.attributes if one.name == "overall" and one.scale]
        scale = overall[0] if overall else SCALES["liking 1-9"]
    brewed = brew_method or usual.brew_method
    if noise is None:
        about = book.people.coffee(coffee, client=client)
        noise = panel_noise(book, (about.client, about.name), scale, brewed)
    return choose_plan(
        len(set(water_numbers(targets))),
        tasters if isinstance(tasters, int) else len(tasters),
        minutes=usual.minutes if minutes is None else minutes,
        noise=noise,
        cups_per_flight=usual.cups_per_flight if cups_per_flight is None else cups_per_flight,
        # The days of a coffee are linked by its control, the flights of a session by theirs.
        control=None if chosen == "middle" and not known else held is not None,
        free_control=held is not None and find_water(held, targets) is not None,
        serving=serving or usual.serving,
        stages=max(1, len(stages)),
        vessel_ml=vessel_ml,
        sweep=waters if isinstance(waters, Sweep) else None,
        span=scale.highest - scale.lowest,
    )


@checked(PlanError)
def panel_noise(
    book: LabBook, coffee: tuple[str, str] | None, scale: Scale, brew_method: str
) -> TasterNoise:
    """Noise of the panel, from the overall scores of the coffee, or of another of the client's.

    Where neither has enough scores on this scale, the stated default for practised tasters.

    Parameters
    ----------
    book : LabBook
        Whose opened scores are looked at.
    coffee : (str, str) or None
        Client and name of the coffee; None while there is none.
    scale : Scale
        The scale of the overall score.
    brew_method : str
        Scores of other brews do not count.
    """
    default = practised_noise(scale)
    if coffee is None:
        return default
    client, own = coffee
    for name in (own, *(c.name for c in book.people.coffees(client) if c.name != own)):
        scores = book.scores.opened_scores(coffee=name, client=client)
        scores = scores[
            (scores["attribute"] == "overall")
            & (scores["scale"] == scale.name)
            & (scores["brew_method"] == brew_method)
        ]
        if len(scores) < FEWEST_SCORES or scores["taster"].nunique() < 2:
            continue
        try:
            surface = fit_surface(gather_scores(scores, "overall", brew_method=brew_method))
        except ReadingError:
            continue
        noise = _noise_of(surface, default, len(scores), name)
        if noise is not None:
            return noise
    return default


def _noise_of(surface: Surface, default: TasterNoise, n: int, coffee: str) -> TasterNoise | None:
    """The spreads of a fitted surface, each averaged over the scores it was seen in."""
    fit = surface.fit
    if not fit.residual_variance > 0:
        return None
    own, jug = 0.0, None
    for component, variance in zip(fit.components, fit.variances, strict=True):
        if component.name == "bowl":
            jug = math.sqrt(variance)
        elif component.name.startswith("taster:") and component.name not in _NOT_OF_WATER:
            own += float(variance) * float(np.mean(np.square(component.times)))
    return TasterNoise(
        repeat_sd=math.sqrt(fit.residual_variance),
        taster_water_sd=math.sqrt(own),
        jug_sd=default.jug_sd if jug is None else jug,
        source=noted(NoiseFrom.BOOK, n=n, coffee=coffee, jug_assumed=jug is None),
    )
