"""What many coffees say side by side: the best water of each, how sure, and on how many cups.

A light reading: the surface and its best water as `read_coffee` finds them, without the checks of
panel and single waters, so that a whole lab book is read while one waits.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

import numpy as np
import pandas as pd

from labkit.analysis.model.cleaning import name_blanks
from labkit.analysis.model.noted import Note
from labkit.analysis.model.scores import Scores, gather_both
from labkit.analysis.model.surface import Surface, fit_surface
from labkit.analysis.one_thread import one_thread
from labkit.analysis.reading.best import Best, FactorRange, best_to_serve, recommended_of
from labkit.analysis.reading.coffee import SEED
from labkit.analysis.reading.unread import Unread, WhyUnread, nothing_to_fit
from labkit.analysis.reading.verdict import Verdict, VerdictKind, judge, untold
from labkit.analysis.remembered import Remembered
from labkit.analysis.search.recommendation import Recommendation
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.noted import Noted
from labkit.steps import note_step
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
class Facts:
    """What was read of one coffee: how much of it, and on which levels."""

    brew_method: str
    """How the cups were brewed."""

    scale: str
    """What they were scored on."""

    cups: int
    """Scores, one a cup and taster."""

    tasters: int
    """Who scored."""

    sessions: int
    """Days of tasting."""

    levels: tuple[tuple[float, ...], ...]
    """Levels tasted of each coordinate, in the order of ``COORDINATES``."""

    varied: tuple[str, ...] | None
    """Coordinates along which a surface was fitted; None without one."""

    cannot_tell: tuple[Noted[Note], ...]
    """What these cups cannot tell, one sentence each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """All that a reading rests on: more than many coffees side by side need."""

    scores: Scores | None
    """What was read; None if there was nothing."""

    surface: Surface | None
    """The fitted surface; None if there was nothing to fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoffeeReading:
    """What the scores of one coffee among many say.

    The scores and the surface are at hand, or are read again when they are asked for: those of
    hundreds of coffees would fill the memory.
    """

    client: str
    """Whose coffee."""

    coffee: str
    """Its name."""

    facts: Facts | None
    """How much was read, and on which levels; None if there was nothing."""

    best: Best | None
    """The best water, without the grid that was searched; None without a surface."""

    recommended: Recommendation | None
    """The water that the scores speak for, which ``best`` names too and the next flight rests on;
    None where more is not known to be better."""

    verdict: Verdict
    """The plain answer."""

    read_whole: Callable[[], Whole] = field(repr=False, compare=False)
    """Gives what it rests on."""

    @property
    def scores(self) -> Scores | None:
        """What was read; None if there was nothing."""
        return self.read_whole().scores

    @property
    def surface(self) -> Surface | None:
        """The fitted surface; None if there was nothing to fit."""
        return self.read_whole().surface

    @property
    def has_surface(self) -> bool:
        """Whether a surface was fitted."""
        return self.facts is not None and self.facts.varied is not None

    @property
    def is_found(self) -> bool:
        """Whether these scores name a best water."""
        return self.has_surface and self.verdict.kind is VerdictKind.FOUND

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
        if self.facts is None:
            return Untold.NOT_TASTED
        if self.facts.varied is not None and factor not in self.facts.varied:
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


MOST_KEPT: Final = 40
"""Readings that are kept with all that they rest on, half a megabyte each, so that coffees without
a new score are not read again."""

_KEPT: Final[Remembered[CoffeeReading]] = Remembered(MOST_KEPT)


@checked(ReadingError)
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
    with one_thread():
        readings = []
        for place, name in enumerate(names):
            note_step(place, len(names))
            readings.append(_kept(*name, *groups.get(name, nothing), attribute, brew_method))
    return set_side_by_side(readings, about, sort_by=sort_by)


def set_side_by_side(
    readings: Sequence[CoffeeReading],
    about: pd.DataFrame | None = None,
    *,
    sort_by: str = "mg_share",
) -> Across:
    """Coffees that were read, as one table.

    Parameters
    ----------
    readings : sequence of CoffeeReading
        One a coffee.
    about : DataFrame, optional
        As for :func:`read_across`, which reads them too.
    sort_by : str
        The coordinate whose best level orders the coffees.
    """
    known = {} if about is None else _known(about)
    readings = sorted(readings, key=lambda one: (one.client, one.coffee))
    rows = [_row(one, known.get((one.client, one.coffee), {})) for one in readings]
    table = pd.DataFrame(rows, columns=_columns())
    return Across(readings=tuple(readings), table=table).sort(sort_by)


@checked(ReadingError)
def not_opened(client: str, coffee: str) -> CoffeeReading:
    """What is said of a coffee of which no flight is open yet.

    Parameters
    ----------
    client, coffee : str
        Whose coffee, and its name.
    """
    return _read(client, coffee, None, "overall", None)


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
    return _KEPT.get(key, lambda: _read(client, coffee, frame, attribute, brew_method))


def _read(
    client: str,
    coffee: str,
    frame: pd.DataFrame | None,
    attribute: str,
    brew_method: str | None,
) -> CoffeeReading:
    def nothing(why: Unread, scores: Scores | None = None) -> CoffeeReading:
        whole = Whole(scores=scores, surface=None)
        recommended = None if scores is None else recommended_of(scores)
        return _reading(client, coffee, whole, None, recommended, untold(why))

    if frame is None:
        return nothing(Unread(why=WhyUnread.NOT_OPEN))
    try:
        scores, of_salts = gather_both(frame, attribute, brew_method=brew_method)
    except ReadingError as error:
        return nothing(Unread(why=WhyUnread.REFUSED, error=str(error)))
    if scores is None:
        n = 0 if of_salts is None else len(of_salts.score)
        return nothing(Unread(why=WhyUnread.ONLY_SALTS, n_scores=n))
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
    verdict = judge(surface, best, recommended)
    whole = Whole(scores=scores, surface=surface)
    return _reading(client, coffee, whole, best, recommended, verdict)


def _reading(
    client: str,
    coffee: str,
    whole: Whole,
    best: Best | None,
    recommended: Recommendation | None,
    verdict: Verdict,
) -> CoffeeReading:
    """A reading with all that it rests on at hand."""
    scores, surface = whole.scores, whole.surface
    facts = None
    if scores is not None:
        facts = Facts(
            brew_method=scores.brew_method,
            scale=scores.scale,
            cups=len(scores.frame),
            tasters=len(np.unique(scores.tasters)),
            sessions=int(scores.frame["session"].nunique()),
            levels=tuple(tuple(map(float, scores.recipes[one].unique())) for one in COORDINATES),
            varied=None if surface is None else tuple(surface.coding.names),
            cannot_tell=() if surface is None else tuple(surface.model.cannot_tell),
        )
    return CoffeeReading(
        client=client,
        coffee=coffee,
        facts=facts,
        best=None if best is None else replace(best, region=None),
        recommended=recommended,
        verdict=verdict,
        read_whole=lambda: whole,
    )


def _columns() -> list[str]:
    levels = [f"{end}_{name}" for name in COORDINATES for end in ("best", "lo", "hi")]
    return [
        *("client", "coffee", *ABOUT, "brew_method", "scale", "verdict"),
        *levels,
        *("best_mean", "cups", "tasters", "sessions"),
    ]


def _row(one: CoffeeReading, known: dict[str, str]) -> dict[str, object]:
    facts = one.facts
    row: dict[str, object] = {
        "client": one.client,
        "coffee": one.coffee,
        **{name: known.get(name, "") for name in ABOUT},
        "brew_method": facts.brew_method if facts else "",
        "scale": facts.scale if facts else "",
        "verdict": one.verdict.kind,
        "best_mean": one.best.mean if one.best is not None and one.is_found else np.nan,
        "cups": facts.cups if facts else 0,
        "tasters": facts.tasters if facts else 0,
        "sessions": facts.sessions if facts else 0,
    }
    for name in COORDINATES:
        found = one.range_of(name)
        for end in ("best", "lo", "hi"):
            row[f"{end}_{name}"] = getattr(found, end) if found is not None else np.nan
    return row
