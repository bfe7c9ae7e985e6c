"""The scales that a score is given on, and the check that a score lies on its scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from numbers import Real
from types import MappingProxyType
from typing import Final

from labkit.boundary import checked
from labkit.errors import ScaleError
from labkit.language import N_

MOST_POINTS: Final = 1e6
"""A number beyond this is no end of a scale, and no score."""

MOST_STEPS: Final = 10_000
"""Steps that a scale may have; a line of 100 mm read to a tenth has 1,000."""

MARKS: Final = ((0, N_("no")), (1, N_("this one")))
"""The words of a scale on which one cup of a set is marked, as in a test of two waters."""


@checked(ScaleError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A row of equally spaced scores with words at some of them."""

    name: str
    """What the scale is called in the lab book and on the sheet."""

    lowest: float
    """The lowest score that can be given."""

    highest: float
    """The highest score that can be given."""

    step: float
    """Distance between neighbouring scores."""

    words: tuple[tuple[float, str], ...]
    """Scores that carry words, from the lowest up."""

    middle_is_best: bool = False
    """True where the middle is the aim, so that a mean says nothing."""

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise ScaleError(
                "name must not be empty, got ''. Call the scale something.", field="name"
            )
        for name in ("lowest", "highest", "step"):
            value = getattr(self, name)
            # NaN is not at most anything.
            if not (isinstance(value, Real) and -MOST_POINTS <= value <= MOST_POINTS):  # type: ignore[operator]
                raise ScaleError(
                    f"{name} must be a number of at most {MOST_POINTS:g}, got {value!r}. "
                    "Give it in points.",
                    field=name,
                )
        if not self.lowest < self.highest:
            raise ScaleError(
                f"lowest must be below highest, got {self.lowest:g} and {self.highest:g}. "
                "Give the two ends of the scale.",
                field="lowest",
            )
        steps = (self.highest - self.lowest) / self.step if self.step > 0 else math.nan
        if not abs(steps - round(steps if math.isfinite(steps) else 0)) < 1e-9:
            raise ScaleError(
                f"step must divide the scale from {self.lowest:g} to {self.highest:g} evenly, "
                f"got {self.step:g}. Choose a step that ends on the highest score.",
                field="step",
            )
        if steps > MOST_STEPS:
            raise ScaleError(
                f"step must leave at most {MOST_STEPS} steps from {self.lowest:g} to "
                f"{self.highest:g}, got {self.step:g}. Choose a larger one: nobody can tell more "
                "apart.",
                field="step",
            )
        for score, _ in self.words:
            self.check(score)

    @property
    def options(self) -> tuple[float, ...]:
        """Every score that can be given, from the lowest up."""
        n_steps = round((self.highest - self.lowest) / self.step)
        return tuple(round(self.lowest + i * self.step, 9) for i in range(n_steps + 1))

    @property
    def marks_one_of_set(self) -> bool:
        """Whether one cup of a set is marked, and the others are not."""
        return self.words == MARKS

    def check(self, score: float) -> float:
        """Return `score` as it is kept, or say why it is not on this scale.

        Parameters
        ----------
        score : float
            Points, or text that reads as a number.

        Returns
        -------
        float
            Free of the dust of arithmetic.

        Raises
        ------
        ScaleError
            If the score is no number, off the ends, or between two steps.
        """
        try:
            value = float(score)
        except (TypeError, ValueError, OverflowError):
            value = math.nan
        inside = self.lowest - 1e-9 <= value <= self.highest + 1e-9
        steps = (value - self.lowest) / self.step if inside else math.nan
        if not inside or abs(steps - round(steps)) > 1e-6:
            raise ScaleError(
                f"score must be between {self.lowest:g} and {self.highest:g} in steps of "
                f"{self.step:g} on the scale '{self.name}', got {score!r}. "
                "Give the nearest score that stands on the scale.",
                field="score",
            )
        return round(self.lowest + round(steps) * self.step, 9)


# Scales of general sensory practice: the nine-point hedonic scale is Peryam & Pilgrim (1957), the
# others are common practice. Words between the ends are ours where no source gives them.
_SCALES = (
    Scale(
        name=N_("liking 1-9"),
        lowest=1,
        highest=9,
        step=1,
        words=(
            (1, N_("dislike extremely")),
            (2, N_("dislike very much")),
            (3, N_("dislike moderately")),
            (4, N_("dislike slightly")),
            (5, N_("neither like nor dislike")),
            (6, N_("like slightly")),
            (7, N_("like moderately")),
            (8, N_("like very much")),
            (9, N_("like extremely")),
        ),
    ),
    Scale(
        name=N_("quality 6-10"),
        lowest=6,
        highest=10,
        step=0.25,
        words=(
            (6, N_("sound")),
            (7, N_("pleasant")),
            (8, N_("fine")),
            (9, N_("rare")),
            (10, N_("nothing better")),
        ),
    ),
    Scale(
        name=N_("intensity 0-15"),
        lowest=0,
        highest=15,
        step=0.5,
        words=((0, N_("none")), (5, N_("weak")), (10, N_("clear")), (15, N_("very strong"))),
    ),
    Scale(
        name=N_("just about right"),
        lowest=1,
        highest=5,
        step=1,
        words=(
            (1, N_("much too little")),
            (2, N_("too little")),
            (3, N_("just about right")),
            (4, N_("too much")),
            (5, N_("much too much")),
        ),
        middle_is_best=True,
    ),
)

SCALES: Final[Mapping[str, Scale]] = MappingProxyType({scale.name: scale for scale in _SCALES})
"""The scales that come with labkit, by name."""


USUAL_NAMES: Final = (
    N_("overall"),
    N_("acidity"),
    N_("sweetness"),
    N_("body"),
    N_("words that fit"),
)
"""What is scored where nobody has said otherwise; only these names are said in other languages."""


@checked(ScaleError)
def is_own_scale(scale: Scale) -> bool:
    """Whether a scale's words are labkit's, so that they can be said in another language.

    Parameters
    ----------
    scale : Scale
        One with words that the lead typed stays as it is, whatever it is called.
    """
    known = SCALES.get(scale.name)
    return scale.marks_one_of_set or (known is not None and known.words == scale.words)


@checked(ScaleError)
def scale(name: str) -> Scale:
    """The scale of that name.

    Parameters
    ----------
    name : str
        A key of ``SCALES``.

    Raises
    ------
    ScaleError
        If labkit knows no such scale.
    """
    if name not in SCALES:
        raise ScaleError(
            f"scale must be one of {', '.join(map(repr, SCALES))}, got {name!r}. "
            "Pick one of these or make a Scale of your own.",
            field="scale",
        )
    return SCALES[name]
