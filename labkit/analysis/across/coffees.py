"""What many coffees say side by side: the best water of each, how sure, and on how many cups.

A light reading: the surface and its best water as `read_coffee` finds them, without the checks of
panel and single waters, so that a whole lab book is read while one waits.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from labkit.analysis.model.cleaning import name_blanks
from labkit.analysis.model.scores import Scores, gather_scores
from labkit.analysis.model.surface import Surface, fit_surface
from labkit.analysis.reading.best import Best, FactorRange, best_to_serve
from labkit.analysis.reading.coffee import SEED
from labkit.analysis.reading.unread import Unread, WhyUnread, nothing_to_fit
from labkit.analysis.reading.verdict import Verdict, VerdictKind, judge, untold
from labkit.analysis.search.recommendation import Recommendation
from labkit.errors import ReadingError
from labkit.water import COORDINATES

ABOUT: Final = ("origin", "process", "roast_level")
"""What may be known of a coffee and is filtered by, beside its client."""


class Untold(StrEnum):
    """Why the best level of a factor of one coffee is not told."""

    NOT_TASTED = "not tasted"
    NOT_VARIED = "not varied"
    NOTHING = "no difference seen"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class CoffeeReading:
    """What the scores of one coffee among many say."""

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    scores: Scores | None
    """What was read; None if there was nothing."""

    surface: Surface | None
    """The fitted surface; None if there was nothing to fit."""

    best: Best | None
    """The best water as a region; None without a surface."""

    recommended: Recommendation | None
    """The water to serve, which ``best`` names too; None without a surface."""

    verdict: Verdict
    """The plain answer."""

    @property
    def is_found(self) -> bool:
        """Whether these scores name a best water."""
        return self.best is not None and self.verdict.kind is VerdictKind.FOUND

    def range_of(self, factor: str) -> FactorRange | None:
        """Where the best level of a factor lies.

        Parameters
        ----------
        factor : str
            One of ``labkit.water.COORDINATES``.

        Returns
        -------
        FactorRange or None
            None where the scores do not tell.
        """
        if self.best is None or not self.is_found:
            return None
        told = (one for one in self.best.factor_ranges if one.factor == factor and one.is_told)
        return next(told, None)

    def why_not(self, factor: str) -> Untold | None:
        """Why the best level of a factor is not told; None where it is.

        Parameters
        ----------
        factor : str
            One of ``labkit.water.COORDINATES``.
        """
        if self.range_of(factor) is not None:
            return None
        if self.scores is None:
            return Untold.NOT_TASTED
        if self.surface is not None and factor not in self.surface.coding.names:
            return Untold.NOT_VARIED
        nothing = self.verdict.kind is VerdictKind.NOTHING
        return Untold.NOTHING if nothing else Untold.UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class Across:
    """Many coffees read, in the order of their best level of one factor."""

    readings: tuple[CoffeeReading, ...]
    """One a coffee, in the order of the table."""

    table: pd.DataFrame
    """One row a coffee: ``client, coffee, origin, process, roast_level, brew_method, scale,
    verdict``, then ``best_``, ``lo_`` and ``hi_`` of each coordinate (missing where the scores do
    not tell), ``best_mean``, ``cups, tasters, sessions``."""

    def only(
        self,
        *,
        client: Sequence[str] = (),
        origin: Sequence[str] = (),
        process: Sequence[str] = (),
        roast_level: Sequence[str] = (),
    ) -> Across:
        """The coffees that are one of the named in each respect.

        Parameters
        ----------
        client, origin, process, roast_level : sequence of str
            What to keep in each respect; an empty one does not filter.

        Returns
        -------
        Across
            The coffees kept, in the same order.
        """
        keep = np.ones(len(self.table), dtype=bool)
        for column, named in (
            ("client", client),
            ("origin", origin),
            ("process", process),
            ("roast_level", roast_level),
        ):
            if len(named):
                keep &= self.table[column].isin(list(named)).to_numpy()
        return self._rows(np.flatnonzero(keep))

    def sort(self, factor: str) -> Across:
        """The same coffees by their best level of another coordinate; untold ones last.

        Parameters
        ----------
        factor : str
            One of ``labkit.water.COORDINATES``.

        Returns
        -------
        Across
            All coffees, lowest best level first.

        Raises
        ------
        ReadingError
            If there is no such coordinate.
        """
        if factor not in COORDINATES:
            raise ReadingError(
                f"factor must be one of {', '.join(COORDINATES)}, got {factor!r}. Sort by one of "
                "these.",
                field="factor",
            )
        order = np.argsort(self.table[f"best_{factor}"].to_numpy(dtype=float), kind="stable")
        return self._rows(order)

    def _rows(self, rows: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Across:
        return replace(
            self,
            readings=tuple(self.readings[row] for row in rows),
            table=self.table.iloc[rows].reset_index(drop=True),
        )


MOST_KEPT: Final = 200
"""Readings that are kept, so that coffees without a new score are not read again."""

_KEPT: Final[OrderedDict[tuple[object, ...], CoffeeReading]] = OrderedDict()


def read_across(
    frame: pd.DataFrame,
    about: pd.DataFrame | None = None,
    *,
    attribute: str = "overall",
    brew_method: str | None = None,
    sort_by: str = "mg_share",
) -> Across:
    """Read every coffee of a scores frame, each by itself.

    Parameters
    ----------
    frame : DataFrame
        The scores frame, of as many clients and coffees as there are.
    about : DataFrame, optional
        ``client, coffee`` and any of ``origin, process, roast_level``; coffees in it without
        scores get a row too.
    attribute : str
        Which attribute.
    brew_method : str, optional
        As for `read_coffee`; for each coffee the most scored unless given.
    sort_by : str
        The coordinate whose best level orders the coffees.

    Notes
    -----
    Each coffee is read with `read_coffee`'s own draws, so that it says the same alone and in
    company, and says it twice alike. The same scores are read once and kept.
    """
    known = {} if about is None else _known(about)
    keys = {(str(client), str(coffee)): None for client, coffee in known}
    groups: dict[tuple[str, str], tuple[pd.DataFrame, bytes]] = {}
    if len(frame):
        frame = frame.assign(
            client=name_blanks(frame["client"]), coffee=name_blanks(frame["coffee"])
        )
        hashes = pd.util.hash_pandas_object(frame, index=False).to_numpy()
        grouped = frame.groupby(["client", "coffee"], sort=True)
        group = grouped.ngroup().to_numpy()
        for place, ((client, coffee), part) in enumerate(grouped):
            digest = hashlib.sha256(hashes[group == place].tobytes()).digest()
            groups[(str(client), str(coffee))] = part, digest
    nothing: tuple[pd.DataFrame | None, bytes] = None, b""
    names = sorted({**keys, **dict.fromkeys(groups)})
    with threadpool_limits(1):
        readings = [
            _kept(*name, *groups.get(name, nothing), attribute, brew_method) for name in names
        ]
    rows = [_row(one, known.get((one.client, one.coffee), {})) for one in readings]
    table = pd.DataFrame(rows, columns=_columns())
    return Across(readings=tuple(readings), table=table).sort(sort_by)


def _known(about: pd.DataFrame) -> dict[tuple[str, str], dict[str, str]]:
    absent = [name for name in ("client", "coffee") if name not in about]
    if absent:
        raise ReadingError(
            f"about must have the columns client and coffee, got none called {', '.join(absent)}. "
            "Name them.",
            field="about",
        )
    told = [name for name in ABOUT if name in about]
    return {
        (str(row["client"]), str(row["coffee"])): {name: str(row[name]) for name in told}
        for row in about.to_dict("records")
    }


def _kept(
    client: str,
    coffee: str,
    frame: pd.DataFrame | None,
    digest: bytes,
    attribute: str,
    brew_method: str | None,
) -> CoffeeReading:
    """What was made of exactly these scores (by their ``digest``) before, or a new reading."""
    if frame is None:
        return _read(client, coffee, frame, attribute, brew_method)
    key = (client, coffee, attribute, brew_method, tuple(frame.columns), digest)
    if key not in _KEPT:
        _KEPT[key] = _read(client, coffee, frame, attribute, brew_method)
    _KEPT.move_to_end(key)
    while len(_KEPT) > MOST_KEPT:
        _KEPT.popitem(last=False)
    return _KEPT[key]


def _read(
    client: str,
    coffee: str,
    frame: pd.DataFrame | None,
    attribute: str,
    brew_method: str | None,
) -> CoffeeReading:
    def nothing(why: Unread, scores: Scores | None = None) -> CoffeeReading:
        return CoffeeReading(
            client=client,
            coffee=coffee,
            scores=scores,
            surface=None,
            best=None,
            recommended=None,
            verdict=untold(why),
        )

    if frame is None:
        return nothing(Unread(why=WhyUnread.NOT_OPEN))
    try:
        scores = gather_scores(frame, attribute, brew_method=brew_method)
    except ReadingError as error:
        return nothing(Unread(why=WhyUnread.REFUSED, error=str(error)))
    refusal = nothing_to_fit(scores)
    if refusal is not None:
        return nothing(refusal, scores)
    try:
        surface = fit_surface(scores)
    except ReadingError as error:
        return nothing(Unread(why=WhyUnread.REFUSED, error=str(error)), scores)
    except np.linalg.LinAlgError:
        return nothing(Unread(why=WhyUnread.NO_CURVE), scores)
    best, recommended = best_to_serve(surface, rng=np.random.default_rng(SEED))
    return CoffeeReading(
        client=client,
        coffee=coffee,
        scores=scores,
        surface=surface,
        best=best,
        recommended=recommended,
        verdict=judge(surface, best, recommended),
    )


def _columns() -> list[str]:
    levels = [f"{end}_{name}" for name in COORDINATES for end in ("best", "lo", "hi")]
    return [
        *("client", "coffee", *ABOUT, "brew_method", "scale", "verdict"),
        *levels,
        *("best_mean", "cups", "tasters", "sessions"),
    ]


def _row(one: CoffeeReading, known: dict[str, str]) -> dict[str, object]:
    row: dict[str, object] = {
        "client": one.client,
        "coffee": one.coffee,
        **{name: known.get(name, "") for name in ABOUT},
        "brew_method": one.scores.brew_method if one.scores else "",
        "scale": one.scores.scale if one.scores else "",
        "verdict": one.verdict.kind,
        "best_mean": one.best.mean if one.best is not None and one.is_found else np.nan,
        "cups": len(one.scores.frame) if one.scores else 0,
        "tasters": len(np.unique(one.scores.tasters)) if one.scores else 0,
        "sessions": one.scores.frame["session"].nunique() if one.scores else 0,
    }
    for name in COORDINATES:
        found = one.range_of(name)
        for end in ("best", "lo", "hi"):
            row[f"{end}_{name}"] = getattr(found, end) if found is not None else np.nan
    return row
