"""The scores of one coffee, one attribute and one brew method, made fit to be read.

Whatever has to be left out or put together on the way is noted; nothing is done silently.

Waters that differ in their salts alone are one point of the three coordinates. A flight that
compares salts says nothing of the surface, and would pass what the salts do for noise: its scores
are gathered apart (`gather_salts`). Where all cups of a flight have the same salts, what these add
is part of the flight's level, and the scores are read with the others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from labkit.analysis.model.cleaning import (
    MARGIN,
    blanks,
    impossible_waters,
    name_blanks,
    numbers,
    yes_or_no,
)
from labkit.analysis.model.coding import Bools, Floats
from labkit.analysis.model.noted import Note
from labkit.analysis.pair_tests.answers import confirmed_water, scored_only
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.noted import Noted, noted
from labkit.tasting import MOST_POINTS, SCALES, Scale
from labkit.water import COORDINATES, SALT_SHARE, SALT_SHARES, Target, water_numbers

NEEDED: Final = ("session", "flight", "taster", "jug", "water", "attribute", "score", *COORDINATES)
"""Columns without which nothing can be read; the others of the scores frame have defaults."""

CUP: Final = ["session", "flight", "taster", "jug", "position", "water", "is_control", *COORDINATES]
"""What makes a cup in front of a taster; attributes scored on the same cups share its work."""

NAMED: Final = ("session", "flight", "taster", "jug", "water")
"""Columns that say whose score it is and of which cup: a row without them says nothing."""

MARKS: Final = ("is_control", "is_duplicate")
"""Columns of yes and no; blank is no."""

MOST_SHOWN: Final = 5
"""Odd values that a note names."""

T = TypeVar("T")

DEFAULTS: Final[dict[str, str | float | bool | None]] = {
    "client": "",
    "coffee": "",
    "scale": "",
    "stage": None,
    "position": np.nan,
    "blind_code": "",
    "is_control": False,
    "is_duplicate": False,
    "serving": "shared bowls",
    "brew_method": "cupping",
    **dict.fromkeys(SALT_SHARES, np.nan),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """Scores that belong together, one row per taster and cup."""

    frame: pd.DataFrame
    """Columns of the scores frame, and ``recipe`` (same coordinates, same label), ``bowl``
    (session and jug), ``block`` (session and flight)."""

    recipes: pd.DataFrame
    """One row per recipe: ``recipe``, coordinates, ``n_scores, n_tasters, is_control``, and the
    shares of the salts where any was asked for."""

    attribute: str
    """What was scored."""

    scale: str
    """On which scale."""

    brew_method: str
    """How the cups were brewed."""

    notes: tuple[Noted[Note], ...]
    """What was left out or put together."""

    confirmed: Target | None = None
    """The water that a test of two confirmed last, where the frame held one."""

    from_cups: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)
    """What was worked out from the cups alone, by name; see `once`."""

    def once(self, name: str, make: Callable[[], T]) -> T:
        """What ``make`` finds from the cups, never from the scores: made once per set of cups."""
        if name not in self.from_cups:
            self.from_cups[name] = make()
        found: T = self.from_cups[name]
        return found

    @property
    def score(self) -> Floats:
        """Scores, shape (n,)."""
        return self.frame["score"].to_numpy(dtype=np.float64)

    @property
    def waters(self) -> Floats:
        """Coordinates of the cup behind each score, shape (n, 3)."""
        return self.once("waters", lambda: self.frame[list(COORDINATES)].to_numpy(dtype=np.float64))

    @property
    def recipe_waters(self) -> Floats:
        """Coordinates of the ``recipes``, shape (n_recipes, 3)."""
        return self.once(
            "recipe waters", lambda: self.recipes[list(COORDINATES)].to_numpy(dtype=np.float64)
        )

    @property
    def tasters(self) -> NDArray[np.str_]:
        """Who gave each score."""
        return self.column("taster")

    def column(self, name: str) -> NDArray[np.str_]:
        """One column as text; not for what differs between attributes."""
        return self.once(f"column {name}", lambda: self.frame[name].astype(str).to_numpy(dtype=str))

    def only(self, rows: Bools) -> Scores:
        """These scores alone; the same object if it is all of them.

        Parameters
        ----------
        rows : ndarray of bool, shape (n,)
            Which to keep.
        """
        if rows.all():
            return self
        frame = self.frame[rows].reset_index(drop=True)
        recipes = _recipes(frame) if len(frame) else self.recipes.iloc[:0]
        return replace(self, frame=frame, recipes=recipes, from_cups={})


def attributes_of(frame: pd.DataFrame) -> list[str]:
    """Attributes that were scored at all, the most used first."""
    scored = frame["score"].notna() & ~blanks(frame["attribute"])
    given = frame.loc[scored, "attribute"].astype(str)
    return [str(name) for name in given.value_counts(sort=True).index]


@checked(ReadingError)
def gather_scores(
    frame: pd.DataFrame,
    attribute: str = "overall",
    *,
    brew_method: str | None = None,
    scale: str | None = None,
    stage: str | None = None,
    without_tasters: Sequence[str] = (),
    without_sessions: Sequence[str] = (),
    beside: Sequence[Scores] = (),
) -> Scores:
    """Pick and clean the scores of one attribute.

    What was worked out from the cups of ``beside``, scores of other attributes, serves these too
    if their cups are the same.

    Parameters
    ----------
    frame : DataFrame
        The scores frame: one row a score, joined to its water.
    attribute : str
        What was scored.
    brew_method, scale : str, optional
        Which to read, where there are several; the most used unless given. They are never pooled.
    stage : str, optional
        ``'hot'``, ``'warm'`` or ``'cool'``; the average over the stages scored unless given.
    without_tasters, without_sessions : sequence of str
        Left out by choice.
    beside : sequence of Scores
        Scores of other attributes of the same coffee.

    Returns
    -------
    Scores
        One row a cup and taster, with notes on what was left aside; without the flights that
        compare salts.

    Raises
    ------
    ReadingError
        If columns are missing, or scores of several clients or coffees are mixed, or nothing is
        left to read.
    """
    of_waters, _ = gather_both(
        frame,
        attribute,
        brew_method=brew_method,
        scale=scale,
        stage=stage,
        without_tasters=without_tasters,
        without_sessions=without_sessions,
        beside=beside,
    )
    if of_waters is None:
        raise ReadingError(
            "scores must be of waters that differ in Ca:Mg, hardness or alkalinity, but in every "
            "flight it was the salts that differed. Taste a ratio sweep or a dial too."
        )
    return of_waters


def gather_both(
    frame: pd.DataFrame,
    attribute: str = "overall",
    *,
    brew_method: str | None = None,
    scale: str | None = None,
    stage: str | None = None,
    without_tasters: Sequence[str] = (),
    without_sessions: Sequence[str] = (),
    beside: Sequence[Scores] = (),
) -> tuple[Scores | None, Scores | None]:
    """Scores for the surface, and those of flights that compare salts; None where there are none.

    Parameters
    ----------
    frame : DataFrame
        The scores frame: one row a score, joined to its water.
    attribute : str
        What was scored.
    brew_method, scale, stage : str, optional
        Which to read, as for `gather_scores`.
    without_tasters, without_sessions : sequence of str
        Left out by choice.
    beside : sequence of Scores
        Scores of other attributes of the same coffee.

    Returns
    -------
    waters, salts : Scores or None
        Those of each kind of flight.

    Raises
    ------
    ReadingError
        As `gather_scores`.
    """
    missing = [name for name in NEEDED if name not in frame.columns]
    if missing:
        raise ReadingError(
            f"frame must have the columns of the scores frame, got none named "
            f"{', '.join(missing)}. Take it from the lab book's opened scores.",
            field="frame",
        )
    absent = {name: value for name, value in DEFAULTS.items() if name not in frame.columns}
    frame = frame.assign(**absent) if absent else frame
    if frame.empty:
        raise ReadingError("scores must not be empty, got no row. Lock and open a tasting first.")
    # A blank in these is a name of its own: the one that the column has where it is absent.
    names = ("client", "coffee", "scale", "brew_method")
    frame = frame.assign(**{name: name_blanks(frame[name], DEFAULTS[name]) for name in names})
    for name in ("client", "coffee"):
        found = sorted(str(one) or "no name" for one in frame[name].unique())
        if len(found) > 1:
            raise ReadingError(
                f"{name} must be the same in all scores read together, got {', '.join(found)}. "
                f"Read one {name} at a time."
            )
    notes: list[Noted[Note]] = []
    confirmed = confirmed_water(_kept(frame, without_tasters, without_sessions))
    frame = _one_attribute(scored_only(frame), attribute)
    frame = _one_of(frame, "brew_method", brew_method, notes)
    frame = _one_of(frame, "scale", scale, notes)
    frame = _usable(frame, notes)
    frame = _without(frame, "taster", without_tasters, notes)
    frame = _without(frame, "session", without_sessions, notes)
    frame = _one_score_per_cup(frame, stage, notes)
    apart = compares_salts(frame)
    of_salts = frame[apart]
    made: list[Scores | None] = []
    for some, said in ((frame[~apart], [*notes, *_said_apart(of_salts)]), (of_salts, notes)):
        if some.empty:
            made.append(None)
            continue
        some = some.reset_index(drop=True)
        alike = next((one for one in beside if one.frame[CUP].equals(some[CUP])), None)
        if alike is None:
            some = _labelled(some)
        else:
            made_of = ("recipe", "bowl", "block")
            some = some.assign(**{name: alike.frame[name] for name in made_of})
        made.append(
            Scores(
                frame=some,
                recipes=_recipes(some) if alike is None else alike.recipes,
                attribute=attribute,
                scale=str(some["scale"].iloc[0]),
                brew_method=str(some["brew_method"].iloc[0]),
                notes=tuple(said),
                confirmed=confirmed,
                from_cups={} if alike is None else alike.from_cups,
            )
        )
    return made[0], made[1]


@checked(ReadingError)
def compares_salts(frame: pd.DataFrame) -> Bools:
    """Which scores lie in a flight whose cups differ in the salts asked for.

    Parameters
    ----------
    frame : DataFrame
        A scores frame; without the columns of ``labkit.water.SALT_SHARES`` nothing was asked for.

    Returns
    -------
    ndarray of bool, shape (n,)
        These are read by themselves.
    """
    names = [name for name in SALT_SHARES if name in frame.columns]
    if not frame[names].notna().to_numpy().any():
        return np.zeros(len(frame), dtype=bool)
    asked = [(frame[name] / SALT_SHARE[name].tolerance).round().fillna(-1.0) for name in names]
    flight = [frame[name].astype(str) for name in ("session", "flight")]
    sets = pd.concat(asked, axis=1).groupby(flight).transform("nunique")
    return np.asarray((sets > 1).any(axis=1), dtype=bool)


def _said_apart(of_salts: pd.DataFrame) -> list[Noted[Note]]:
    return [noted(Note.SALTS_APART, n=len(of_salts))] if len(of_salts) else []


def _kept(frame: pd.DataFrame, tasters: Sequence[str], sessions: Sequence[str]) -> pd.DataFrame:
    """Rows of nobody and no session that is left out by choice."""
    if not len(tasters) and not len(sessions):
        return frame
    left_out = frame["taster"].astype(str).isin(list(tasters))
    return frame[~(left_out | frame["session"].astype(str).isin(list(sessions)))]


def _one_attribute(frame: pd.DataFrame, attribute: str) -> pd.DataFrame:
    chosen = frame[frame["attribute"].astype(str) == attribute]
    if chosen["score"].notna().any():
        return chosen
    used = attributes_of(frame)
    if not used:
        raise ReadingError(
            "scores must hold at least one score, got none. The cups were coded but not scored."
        )
    raise ReadingError(
        f"attribute must be one that was scored, got {attribute!r}, which nobody scored. "
        f"Choose among: {', '.join(used)}.",
        field="attribute",
    )


def _one_of(
    frame: pd.DataFrame,
    column: Literal["brew_method", "scale"],
    wanted: str | None,
    notes: list[Noted[Note]],
) -> pd.DataFrame:
    """Rows of one brew method or scale: the wanted one, or the first of `most_used`, and say so."""
    met = frame[column].unique()
    if len(met) == 1 and wanted in (None, str(met[0])):
        return frame
    counts = most_used(frame, column)
    if wanted is not None and wanted not in counts.index:
        raise ReadingError(
            f"{column} must be one that was used, got {wanted!r}. "
            f"Choose among: {', '.join(map(str, counts.index))}."
        )
    chosen = str(counts.index[0]) if wanted is None else wanted
    others = tuple((str(name), int(count)) for name, count in counts.items() if name != chosen)
    if others:
        n = int(counts[chosen])
        notes.append(noted(Note.OTHERS_APART, column=column, chosen=chosen, n=n, others=others))
    return frame[frame[column].astype(str) == chosen]


@checked(ReadingError)
def most_used(frame: pd.DataFrame, column: Literal["brew_method", "scale"]) -> pd.Series[int]:
    """Brew methods or scales with their numbers of scores: most first, of equals the newest.

    Parameters
    ----------
    frame : DataFrame
        A scores frame.
    column : {"brew_method", "scale"}
        What is counted.

    Returns
    -------
    Series of int
        Number of scores by name.
    """
    given = frame.loc[frame["score"].notna()]
    names = given[column].astype(str)
    days = given["tasted_on"] if "tasted_on" in given.columns else pd.Series(0, given.index)
    counts = names.value_counts()
    newest = days.astype(str).groupby(names).max()
    return counts.loc[sorted(counts.index, key=lambda one: (counts[one], newest[one]))[::-1]]


def _usable(frame: pd.DataFrame, notes: list[Noted[Note]]) -> pd.DataFrame:
    blank = blanks(frame["score"])
    if blank.any():
        notes.append(noted(Note.NO_SCORE, n=int(blank.sum())))
        frame = frame[~blank]
    columns = ["score", *COORDINATES]
    found = np.column_stack([numbers(frame[name]) for name in columns])
    shares = {name: numbers(frame[name]) for name in SALT_SHARES}  # blank: nothing was asked for
    no_share = np.any([(one < 0) | (one > 1) for one in shares.values()], axis=0)
    unnamed = {name: blanks(frame[name]) for name in NAMED}
    nameless = np.any(list(unnamed.values()), axis=0)
    no_number = ~nameless & ~np.isfinite(found).all(axis=1)
    no_water = ~nameless & ~no_number & (impossible_waters(found[:, 1:]) | no_share)
    off = ~nameless & ~no_number & ~no_water & _off_scale(found[:, 0], _scale_of(frame))
    if nameless.any():
        which = tuple((name, n) for name, one in unnamed.items() if (n := int(one.sum())))
        notes.append(noted(Note.NO_NAME, n=int(nameless.sum()), blank=which))
    if no_number.any():
        notes.append(noted(Note.NO_NUMBER, n=int(no_number.sum())))
    if no_water.any():
        notes.append(noted(Note.NO_WATER, n=int(no_water.sum())))
    if off.any():
        worst = tuple(map(float, np.unique(found[off, 0])[:MOST_SHOWN]))
        scale = _scale_of(frame)
        notes.append(noted(Note.OFF_SCALE, n=int(off.sum()), scale=scale, worst=worst))
    usable = ~(nameless | no_number | no_water | off)
    if not usable.any():
        if nameless.all():
            raise ReadingError(
                "scores must name their session, flight, taster, jug and water, got none that "
                f"does: {', '.join(f'{name} ({n})' for name, n in which)} are blank. Fill them in."
            )
        if off.any():
            raise ReadingError(
                f"scores must lie on their scale{_ends(scale)}, got "
                f"{', '.join(f'{one:g}' for one in worst)}. Correct them, or name the scale that "
                "they were given on."
            )
        raise ReadingError(
            "scores must be numbers for known waters, got none. Check that the key is opened and "
            "the recipes are entered."
        )
    frame, found = frame[usable], found[usable]
    clean = dict(zip(columns, found.T, strict=True))
    between = int(_between_steps(found[:, 0], _scale_of(frame)).sum())
    if between:
        name = str(frame["scale"].iloc[0])
        notes.append(noted(Note.BETWEEN_STEPS, n=between, scale=name))
    return frame.assign(
        taster=frame["taster"].astype(str),
        position=numbers(frame["position"]),
        **{name: yes_or_no(frame[name]).eq(True).to_numpy(dtype=bool) for name in MARKS},
        **{name: one[usable] for name, one in shares.items()},
        **clean,
    )


def _scale_of(frame: pd.DataFrame) -> Scale | None:
    """The scale that all these scores were given on; None for one that labkit does not know."""
    return SCALES.get(str(frame["scale"].iloc[0])) if len(frame) else None


def _ends(scale: Scale | None) -> str:
    return "" if scale is None else f" '{scale.name}', {scale.lowest:g} to {scale.highest:g}"


def _off_scale(score: Floats, scale: Scale | None) -> Bools:
    if scale is None:
        return np.asarray(np.abs(score) > MOST_POINTS)
    return np.asarray((score < scale.lowest - MARGIN) | (score > scale.highest + MARGIN))


def _between_steps(score: Floats, scale: Scale | None) -> Bools:
    if scale is None:
        return np.zeros(len(score), dtype=bool)
    steps = (score - scale.lowest) / scale.step
    return np.asarray(np.abs(steps - np.rint(steps)) > 1e-6)


def _without(
    frame: pd.DataFrame, column: str, names: Sequence[str], notes: list[Noted[Note]]
) -> pd.DataFrame:
    """Rows without those of tasters or sessions left out by choice, and say so."""
    if not len(names):
        return frame
    known = frame[column].astype(str)
    for name in names:
        if name not in set(known):
            raise ReadingError(
                f"without_{column}s must name {column}s with scores, got {name!r}. "
                f"These have scores: {', '.join(sorted(known.unique()))}."
            )
    frame = frame[~known.isin(list(names))]
    notes.append(noted(Note.BY_CHOICE, names=tuple(names)))
    if frame.empty:
        raise ReadingError(
            f"without_{column}s must leave a {column}, got {', '.join(names)}. Leave out fewer."
        )
    return frame


def _one_score_per_cup(
    frame: pd.DataFrame, stage: str | None, notes: list[Noted[Note]]
) -> pd.DataFrame:
    cup = ["session", "flight", "taster", "jug", "position", "blind_code"]
    stages = sorted(frame["stage"].dropna().astype(str).unique())
    if stage is not None:
        if stage not in stages:
            raise ReadingError(
                f"stage must be one that was scored, got {stage!r}. "
                f"Choose among: {', '.join(stages) or 'none (scored once per cup)'}.",
                field="stage",
            )
        frame = frame[frame["stage"].astype(str) == stage]
    if not frame.duplicated(subset=cup).any():
        return frame
    if "given_at" in frame.columns:
        frame = frame.sort_values("given_at", kind="stable")
    repeated = frame.duplicated(subset=[*cup, "stage"], keep="last")
    if repeated.any():
        notes.append(noted(Note.GIVEN_TWICE, n=int(repeated.sum())))
        frame = frame[~repeated]
    if frame.duplicated(subset=cup).any():
        notes.append(noted(Note.STAGES_AVERAGED, stages=tuple(stages)))
        means = frame.groupby(cup, dropna=False, sort=False)["score"].transform("mean")
        frame = frame.assign(score=means).drop_duplicates(subset=cup)
    return frame


def _labelled(frame: pd.DataFrame) -> pd.DataFrame:
    """Add ``recipe``, ``bowl`` and ``block``; one recipe is one water."""
    first, place = np.unique(water_numbers(frame), return_inverse=True)
    water = frame["water"].astype(str).to_numpy(dtype=str)
    taken: list[str] = []
    for label in water[first]:
        name, n = str(label), 1
        while name in taken:
            n += 1
            name = f"{label} ({n})"
        taken.append(name)
    session, jug, flight = (frame[name].astype(str) for name in ("session", "jug", "flight"))
    return frame.assign(
        recipe=np.array(taken)[place],
        bowl=[f"{one} / {of}" for one, of in zip(session, jug, strict=True)],
        block=[f"{one} / {of}" for one, of in zip(session, flight, strict=True)],
    )


def _recipes(frame: pd.DataFrame) -> pd.DataFrame:
    labels, first, place, n_scores = np.unique(
        frame["recipe"].to_numpy(dtype=str),
        return_index=True,
        return_inverse=True,
        return_counts=True,
    )
    control = np.bincount(place, frame["is_control"].to_numpy(dtype=np.float64), len(labels)) > 0
    people = np.unique(frame["taster"].to_numpy(dtype=str), return_inverse=True)[1]
    pairs = np.unique(np.column_stack([place, people]), axis=0)[:, 0]
    table = frame[list(COORDINATES)].iloc[first].reset_index(drop=True)
    shares = frame[list(SALT_SHARES)].iloc[first].reset_index(drop=True)
    table = pd.concat([table, shares.dropna(axis="columns", how="all")], axis=1)
    table.insert(0, "recipe", labels)
    return table.assign(
        n_scores=n_scores, n_tasters=np.bincount(pairs, minlength=len(labels)), is_control=control
    )
