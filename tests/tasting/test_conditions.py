"""A change of what should be held is seen, said, and can be blocked."""

from dataclasses import dataclass, field, replace
from datetime import date

from labkit.tasting import ChangeKind, compare_conditions


@dataclass(frozen=True)
class Held:
    roast_date: date | None = date(2026, 3, 1)
    dose_g: float | None = 12.0
    grind: str = "hand mill, 22 clicks"
    preparer: str = "Bo"
    lead: str = "Ada"


@dataclass(frozen=True)
class Session:
    name: str = "one"
    tasted_on: date = date(2026, 3, 10)
    brew_method: str = "cupping"
    serving: str = "shared bowls"
    held: Held = field(default_factory=Held)


ONE = Session()


def test_nothing_changed_says_nothing():
    assert compare_conditions(ONE, Session(name="two")) == ()


def test_a_change_of_dose_is_a_block():
    two = Session(name="two", held=Held(dose_g=11.5))

    (change,) = compare_conditions(ONE, two)

    assert change.weight == "block"
    assert (change.field, change.before, change.now) == ("dose_g", 12, 11.5)
    assert (change.earlier, change.later) == ("one", "two")


def test_another_brew_method_is_never_pooled():
    (change,) = compare_conditions(ONE, Session(name="two", brew_method="espresso"))

    assert change.weight == "apart"


def test_what_was_not_recorded_is_not_blocked():
    (change,) = compare_conditions(ONE, Session(name="two", held=Held(grind="")))

    assert change.weight == "note"
    assert change.unrecorded_in == "two"


def test_the_same_roast_grown_old_is_a_change():
    (change,) = compare_conditions(ONE, Session(name="two", tasted_on=date(2026, 3, 30)))

    assert change.kind is ChangeKind.AGED
    assert (change.before, change.now) == (9, 29)


def test_another_preparer_may_be_blocked_another_lead_is_only_said():
    two = replace(ONE, name="two", held=Held(preparer="Cy", lead="Dee"))

    assert {c.field: c.weight for c in compare_conditions(ONE, two)} == {
        "preparer": "block",
        "lead": "note",
    }
