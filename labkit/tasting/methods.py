"""The ways to ask whether two waters differ, and the question that each puts on the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from labkit.errors import PlanError
from labkit.language import N_
from labkit.tasting.scales import MARKS, Scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """One way to ask whether two waters differ."""

    name: str
    """What the trade and the standards call it."""

    sets: tuple[str, ...]
    """The orders of the two waters, A and B, each to be served equally often; opposites follow."""

    question: str
    """What stands on the sheet; the attribute is put where braces stand."""

    guessing: float
    """Chance to mark a given cup by guessing; where an answer can be right, chance of that."""

    source: str
    """Where orders and chance are from."""

    @property
    def cups(self) -> int:
        """Cups in a set."""
        return len(self.sets[0])

    @property
    def has_right_answer(self) -> bool:
        """Whether an answer is right or wrong; a preference is neither."""
        return self.name not in (CONFIRMING, PREFERENCE)

    @property
    def has_reference(self) -> bool:
        """Whether the first cup of a set is what the others are compared with."""
        return self.name in ("duo-trio", "tetrad")

    @property
    def names_attribute(self) -> bool:
        """Whether an attribute is compared, of which one water is expected to have more."""
        return "{" in self.question

    @property
    def names_first(self) -> bool:
        """Whether the plan names one water beforehand: with more of something, or to be preferred.

        The other one stands as the control.
        """
        return self.names_attribute or self.name == CONFIRMING

    @property
    def scale(self) -> Scale:
        """What is marked on every cup of a set; it carries the method's name into the scores."""
        return Scale(name=self.name, lowest=0, highest=1, step=1, words=MARKS)

    def ask(self, attribute: str = "") -> str:
        """The question for the sheet.

        Parameters
        ----------
        attribute : str
            What the tasters compare, where the method names it.

        Raises
        ------
        PlanError
            If it needs an attribute and none is given.
        """
        if self.names_attribute and not attribute.strip():
            raise PlanError(
                f"attribute must be given for {self.name}, got none. "
                "Say what the tasters are to compare, such as acidity.",
                field="attribute",
            )
        return self.question.format(attribute=attribute)


CONFIRMING: Final = "confirming preference"
"""The paired preference whose winner is named beforehand, in the sealed plan."""

PREFERENCE: Final = "paired preference"
"""The one whose winner is open beforehand."""

_METHODS: Final = (
    Method(
        name="triangle",
        sets=("ABB", "BAA", "AAB", "BBA", "ABA", "BAB"),
        question=N_("Two cups are the same. Which one is the odd one?"),
        guessing=1 / 3,
        source="ISO 4120 (from memory)",
    ),
    Method(
        name="duo-trio",
        sets=("AAB", "BBA", "ABA", "BAB"),
        question=N_("The first cup is the reference. Which of the other two is the same?"),
        guessing=1 / 2,
        source="ISO 10399, balanced reference (from memory)",
    ),
    Method(
        name="tetrad",
        sets=("AABB", "BBAA", "ABAB", "BABA", "ABBA", "BAAB"),
        question=N_(
            "Two cups are of one kind and two of another. Which one is like the first cup?"
        ),
        guessing=1 / 3,
        source="ASTM E3009 (from memory); 1/3 by counting the pairings of four cups",
    ),
    Method(
        name="2-AFC",
        sets=("AB", "BA"),
        question=N_("Which cup has more {attribute}?"),
        guessing=1 / 2,
        source="ISO 5495, directional paired comparison (from memory)",
    ),
    Method(
        name="3-AFC",
        sets=("ABB", "BAB", "BBA", "AAB", "ABA", "BAA"),
        question=N_("Which cup has most {attribute}?"),
        guessing=1 / 3,
        source="common practice; only the sets with one stronger cup are served",
    ),
    Method(
        name=CONFIRMING,
        sets=("AB", "BA"),
        question=N_("Which cup do you prefer?"),
        guessing=1 / 2,
        source="ISO 5495, one-sided: which water should win is fixed before (from memory)",
    ),
    Method(
        name=PREFERENCE,
        sets=("AB", "BA"),
        question=N_("Which cup do you prefer?"),
        guessing=1 / 2,
        source="ISO 5495, paired preference (from memory)",
    ),
)

METHODS: Final[Mapping[str, Method]] = MappingProxyType({m.name: m for m in _METHODS})
"""The methods that can be planned, by name."""

DIFFERENCE_TESTS: Final[Mapping[str, Method]] = MappingProxyType(
    {m.name: m for m in _METHODS if m.has_right_answer}
)
"""Those whose answers are right or wrong, by name."""
