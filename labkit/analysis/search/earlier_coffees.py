"""A head start: where earlier coffees were best, as a prior for a new one, dropped if it misleads.

Every coffee has its best water somewhere. Either those waters lie about a common centre, or a
coffee is like any coffee; how tight the common ones lie, how many they are, and whether coffees of
one origin, process or roast lie closer, is all learned from the earlier coffees' own cups.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labkit.analysis.model.cleaning import name_blanks
from labkit.analysis.model.coding import Floats
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.one_thread import one_thread
from labkit.analysis.search.cups import cups_of, rising_scale
from labkit.analysis.search.earlier_prior import Pool, best_places, moved, per_place
from labkit.analysis.search.shape_average import weigh
from labkit.analysis.search.shape_library import shape_library
from labkit.analysis.search.shapes import Singles
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.steps import note_step

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


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierCoffee:
    """What one earlier coffee has to say: summarised once, for any coffee that comes after it."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    cups: int
    """Cups behind it."""

    best: Floats | None
    """Chance that each place of the standard grid is its best water (n_places,); the chances sum
    to less than 1: the rest is that no shape holds. None if its scores cannot be read."""

    error: str = ""
    """What they were refused with; else empty."""


@checked(ReadingError)
def earlier_coffee(
    frame: pd.DataFrame,
    client: str,
    coffee: str,
    *,
    attribute: str = "overall",
    brew_method: str | None = None,
) -> EarlierCoffee:
    """What one coffee has to say to those that come after it.

    Parameters
    ----------
    frame : DataFrame
        Its scores frame.
    client, coffee : str
        Whose coffee, and its name.
    attribute, brew_method : str, optional
        As for :func:`labkit.analysis.gather_scores`.
    """
    try:
        scores = gather_scores(frame, attribute, brew_method=brew_method)
        cups = cups_of(scores, rising_scale(scores.scale))
    except ReadingError as error:
        return EarlierCoffee(client=client, coffee=coffee, cups=0, best=None, error=str(error))
    with one_thread():
        best = per_place(weigh(cups, shape_library()).of_shapes)
    return EarlierCoffee(client=client, coffee=coffee, cups=len(cups.value), best=best)


@checked(ReadingError)
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
    earlier = [
        earlier_coffee(part, str(client), str(name), attribute=attribute, brew_method=brew_method)
        for (client, name), part in frame.groupby(["client", "coffee"], sort=True)
        if (client, name) != coffee
    ]
    return head_start_from(earlier, coffee, about)


def head_start_from(
    earlier: Iterable[EarlierCoffee],
    coffee: tuple[str, str],
    about: pd.DataFrame | None = None,
) -> HeadStart | None:
    """The same from what was summarised of the earlier coffees before.

    Parameters
    ----------
    earlier : iterable of EarlierCoffee
        The other coffees.
    coffee : tuple of str
        Client and name of the new one.
    about : DataFrame, optional
        As for :func:`head_start`.
    """
    names, bests, cups, silent = [], [], [], []
    for one in earlier:
        if one.best is None:
            silent.append(Silent(client=one.client, coffee=one.coffee, error=one.error))
            continue
        names.append((one.client, one.coffee))
        bests.append(one.best)
        cups.append(one.cups)
    if not names:
        return None
    with one_thread():
        pool = Pool(bests, _groupings(about, names, coffee))
        prior = pool.prior()
        change = np.empty(len(bests))
        for i in range(len(bests)):
            note_step(i, len(bests))
            change[i] = moved(prior.odds, pool.prior(without=i).odds)
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


def pack_earlier(one: EarlierCoffee) -> bytes:
    """An earlier coffee's summary as arrays, without its names.

    Parameters
    ----------
    one : EarlierCoffee
        What to pack.
    """
    return _packed({"cups": one.cups, "error": one.error}, one.best)


def unpack_earlier(content: bytes, *, client: str, coffee: str) -> EarlierCoffee:
    """The summary that was packed.

    Parameters
    ----------
    content : bytes
        Of :func:`pack_earlier`, of this version of the analysis.
    client, coffee : str
        Whose coffee, and its name.
    """
    said, best = _unpacked(content)
    return EarlierCoffee(
        client=client, coffee=coffee, cups=said["cups"], best=best, error=said["error"]
    )


def pack_head_start(start: HeadStart | None) -> bytes:
    """A head start as an array and what is said of it.

    Parameters
    ----------
    start : HeadStart or None
        What to pack; None where there are no earlier coffees.
    """
    if start is None:
        return _packed({}, None)
    said = {
        "like_any": start.like_any,
        "moved": start.moved,
        "lenders": [[one.client, one.coffee, one.cups, one.share] for one in start.lenders],
        "groups": dict(start.groups),
        "silent": [[one.client, one.coffee, one.error] for one in start.silent],
    }
    return _packed(said, start.odds)


def unpack_head_start(content: bytes) -> HeadStart | None:
    """The head start that was packed.

    Parameters
    ----------
    content : bytes
        Of :func:`pack_head_start`, of this version of the analysis.
    """
    said, odds = _unpacked(content)
    if odds is None:
        return None
    return HeadStart(
        odds=odds,
        like_any=said["like_any"],
        moved=said["moved"],
        lenders=tuple(
            Lender(client=client, coffee=coffee, cups=cups, share=share)
            for client, coffee, cups, share in said["lenders"]
        ),
        groups=said["groups"],
        silent=tuple(
            Silent(client=client, coffee=coffee, error=error)
            for client, coffee, error in said["silent"]
        ),
    )


def _packed(said: Mapping[str, Any], numbers: Floats | None) -> bytes:
    """A line of JSON, then the numbers: an archive is slow where hundreds are read at a time."""
    held = b"" if numbers is None else zlib.compress(numbers.astype("<f8").tobytes())
    return json.dumps(said).encode() + b"\n" + held


def _unpacked(content: bytes) -> tuple[Any, Floats | None]:
    said, held = content.split(b"\n", 1)
    numbers = np.frombuffer(zlib.decompress(held), dtype="<f8") if held else None
    return json.loads(said), None if numbers is None else numbers.astype(np.float64)
