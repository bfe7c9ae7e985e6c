"""A head start: where earlier coffees were best, as a prior for a new one, dropped if it misleads.

Every coffee has its best water somewhere. Either those waters lie about a common centre, or a
coffee is like any coffee; how tight the common ones lie, how many they are, and whether coffees of
one origin, process or roast lie closer, is all learned from the earlier coffees' own cups.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from labkit.analysis.model.cleaning import name_blanks
from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.search.cups import cups_of, rising_scale
from labkit.analysis.search.earlier_prior import (
    best_places,
    combine,
    log_likelihood,
    moved,
    per_place,
)
from labkit.analysis.search.shape_average import weigh
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.shapes import Singles
from labkit.errors import ReadingError

GROUPED_BY: Final = ("origin", "process", "roast_level")
"""What coffees may have in common."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lender:
    """What one earlier coffee lends."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    cups: int
    """Cups behind it."""

    share: float
    """Of all that is lent: how much the prior would change without this coffee."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Silent:
    """An earlier coffee that lends nothing."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    error: str
    """What its scores were refused with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadStart:
    """What earlier coffees say of a new one before its first cup."""

    odds: Floats
    """By shape of the library, how many times as likely as without earlier coffees (n_shapes,)."""

    like_any: float
    """Chance that the new coffee is like any coffee, not like the earlier ones."""

    moved: float
    """Share of the belief about where the best water lies that earlier coffees moved elsewhere."""

    lenders: tuple[Lender, ...]
    """The earlier coffees, the most helpful first."""

    groups: Mapping[str, float]
    """Chance, after the data, that coffees of one origin, process or roast level lie closer."""

    silent: tuple[Silent, ...] = ()
    """The coffees that lend nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """How far a head start still counts after the new coffee's own cups."""

    head_start: HeadStart
    """What the earlier coffees said."""

    alike: float
    """Chance that the new coffee is like the earlier ones."""


def follow(head_start: HeadStart, weights: Singles) -> Followed:
    """How far a head start still counts, given what the new coffee's own cups say.

    Parameters
    ----------
    head_start : HeadStart
        What earlier coffees say.
    weights : ndarray, shape (n_shapes,)
        Of the library's shapes after the new coffee's own cups, without the head start.
    """
    own = weights.astype(float)
    alike = 1 - head_start.like_any * own.sum() / (own @ head_start.odds)
    return Followed(head_start=head_start, alike=float(alike))


def best_of(
    frame: pd.DataFrame, attribute: str = "overall", brew_method: str | None = None
) -> tuple[Floats, int]:
    """Chance that each place of the standard grid is the best water of one coffee, and its cups.

    The chances sum to less than 1: the rest is that no shape holds.
    """
    scores = gather_scores(frame, attribute, brew_method=brew_method)
    cups = cups_of(scores, rising_scale(scores.scale))
    return per_place(weigh(cups, shape_library()).of_shapes), len(cups.value)


def head_start(
    frame: pd.DataFrame,
    coffee: tuple[str, str],
    about: pd.DataFrame | None = None,
    *,
    attribute: str = "overall",
    brew_method: str | None = None,
) -> HeadStart | None:
    """What the other coffees of a scores frame say of a new one; None if there are none.

    Parameters
    ----------
    frame : DataFrame
        The scores frame of many coffees; the new one's own scores, if any, are left out.
    coffee : tuple of str
        Client and name of the new coffee.
    about : DataFrame, optional
        ``client, coffee`` and any of ``origin, process, roast_level``.
    attribute, brew_method : str, optional
        As for :func:`labkit.analysis.gather_scores`.

    Notes
    -----
    A meta-analytic prior made robust by a part that is like any coffee [1]_, for the new coffee as
    for the earlier ones. Groupings compete with the pooled model by their marginal likelihoods.

    References
    ----------
    .. [1] Schmidli, H. et al. (2014). Robust meta-analytic-predictive priors in clinical trials
       with historical control information. Biometrics, 70, 1023-1032.
    """
    frame = frame.assign(client=name_blanks(frame["client"]), coffee=name_blanks(frame["coffee"]))
    names, told, cups, silent = [], [], [], []
    with threadpool_limits(1):
        for (client, name), part in frame.groupby(["client", "coffee"], sort=True):
            if (client, name) == coffee:
                continue
            try:
                best, n_cups = best_of(part, attribute, brew_method)
            except ReadingError as error:
                silent.append(Silent(client=str(client), coffee=str(name), error=str(error)))
                continue
            names.append((str(client), str(name)))
            told.append(log_likelihood(best))
            cups.append(n_cups)
        if not names:
            return None
        groups = _groupings(about, names, coffee)
        prior = combine(told, groups)
        change = np.array(
            [moved(prior.odds, combine(told, groups, without=i).odds) for i in range(len(told))]
        )
    lenders = [
        Lender(client=client, coffee=name, cups=n_cups, share=float(share))
        for (client, name), n_cups, share in zip(
            names, cups, change / max(change.sum(), 1e-12), strict=True
        )
    ]
    return HeadStart(
        odds=prior.odds[best_places()],
        like_any=prior.like_any,
        moved=moved(prior.odds),
        lenders=tuple(sorted(lenders, key=lambda one: -one.share)),
        groups=prior.groups,
        silent=tuple(silent),
    )


def _groupings(
    about: pd.DataFrame | None, names: Sequence[tuple[str, str]], coffee: tuple[str, str]
) -> dict[str, NDArray[np.int_]]:
    """By what is known of the coffees, the group of each earlier one; 0 is the new one's."""
    if about is None:
        return {}
    rows = about.set_index(["client", "coffee"])
    groupings = {}
    for column in [name for name in GROUPED_BY if name in rows]:
        known = {key: str(value).strip().lower() for key, value in rows[column].items()}
        own = known.get(coffee, "")
        others = [known.get(name, "") for name in names]
        # An unknown one is alone in its group; one group for all is the pooled model.
        labels = [label or f"#{at}" for at, label in enumerate(others)]
        if own and any(label != own for label in labels):
            codes = {own: 0}
            for label in labels:
                codes.setdefault(label, len(codes))
            groupings[column] = np.array([codes[label] for label in labels])
    return groupings
