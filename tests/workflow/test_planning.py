"""A session is planned in one call: by names, with what is usual, all of it in the book or none."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd
import pytest

from labkit.book import LabBook
from labkit.errors import BookError, DosingError, PlanError, ScaleError, SealError
from labkit.tasting import SCALES, hardness_dial, ratio_sweep
from labkit.water import Target
from labkit.workflow import plan_pair_test, plan_session, replan
from tests.book.faults import failing_to_store
from tests.tasted import copy_book
from tests.widgets.plans.helpers import HELD, TAP, fill

PASSPHRASE = "only the preparer"
SWEEP = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
PEOPLE = ("Ada", "Bo")


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


def planned(book, waters=SWEEP, **asked):
    asked = {"tasters": PEOPLE, "passphrase": PASSPHRASE} | asked
    return plan_session(book, "Coffee A", waters, **asked)


def test_a_plan_needs_a_coffee_waters_tasters_and_a_passphrase(book):
    made = planned(book)

    (kept,) = book.sessions.all()
    assert made.session == kept
    assert [(one.name, one.scale_name) for one in kept.attributes] == [
        ("overall", "liking 1-9"),
        ("acidity", "intensity 0-15"),
        ("sweetness", "intensity 0-15"),
        ("body", "intensity 0-15"),
    ]
    assert set(made.plan.cups) == set(book.sessions.plan(kept.name).cups)
    assert [water.target for water in kept.waters] == list(SWEEP.targets)
    assert [water.is_control for water in kept.waters] == [False, True, False]


@pytest.mark.parametrize("form", ["sweep", "targets", "table"])
def test_waters_are_a_sweep_targets_or_a_table(book, form):
    waters = {"sweep": SWEEP, "targets": list(SWEEP.targets), "table": SWEEP.to_frame()}[form]

    assert [w.target for w in planned(book, waters).session.waters] == list(SWEEP.targets)


def test_what_is_no_water_is_refused(book):
    with pytest.raises(PlanError, match=r"^waters must .* alkalinity_mg_l_caco3 is missing"):
        planned(book, SWEEP.to_frame().drop(columns="alkalinity_mg_l_caco3"))
    with pytest.raises(PlanError, match=r"^waters must be .* got \(0, 80, 40\)"):
        planned(book, [(0, 80, 40), (1, 80, 40)])


def test_the_next_session_is_asked_served_and_held_as_the_last(book):
    asked = {"overall": "quality 6-10", "words that fit": ["floral", "nutty"]}
    first = planned(
        book, attributes=asked, serving="a cup each", brew_method="filter", held=HELD
    ).session
    dial = hardness_dial((40, 100, 160), mg_share=1, alkalinity_mg_l_caco3=40)

    second = planned(book, dial).session

    for name in ("attributes", "serving", "brew_method", "held"):
        assert getattr(second, name) == getattr(first, name)
    (control,) = (water.target for water in second.waters if water.is_control)
    assert control == SWEEP.targets[1]
    assert second.name == f"{first.name}, session 2"


def test_scales_are_given_by_name_and_a_miss_lists_them(book):
    with pytest.raises(ScaleError) as missed:
        planned(book, attributes={"overall": "overall 0-10"})

    assert "'overall 0-10', for overall, is no scale" in str(missed.value)
    assert all(repr(name) in str(missed.value) for name in SCALES)
    assert book.sessions.all() == ()


def test_scales_are_listed_to_who_names_none(book):
    with pytest.raises(PlanError, match=r"Write {'overall': 'liking 1-9'}.*'quality 6-10'") as odd:
        planned(book, attributes=["overall"])
    assert odd.value.field == "attributes"


def test_a_taster_missed_by_name_lists_those_there_are_and_none_is_added(book):
    with pytest.raises(PlanError, match=r"'Adda' is not; there are: 'Ada', 'Bo', 'Cy', 'Di'"):
        planned(book, tasters=["Adda", "Bo"])

    assert book.people.tasters() == ("Ada", "Bo", "Cy", "Di")
    made = planned(book, tasters=[" ada", "Bo"], new_tasters=["Eve"])
    assert made.session.tasters == ("Ada", "Bo", "Eve")


def test_a_coffee_missed_by_name_says_which_there_are(book):
    with pytest.raises(BookError, match="'Coffee A'"):
        plan_session(book, "Tea", SWEEP, tasters=PEOPLE, passphrase=PASSPHRASE)


def test_what_the_bottles_cannot_make_is_not_planned(book):
    far = Target(mg_share=0.5, hardness_mg_l_caco3=2000, alkalinity_mg_l_caco3=40)

    with pytest.raises(DosingError):
        planned(book, [*SWEEP.targets, far])

    assert book.sessions.all() == ()


@pytest.mark.parametrize("table", ["sealed_keys", "servings", "events"])
@pytest.mark.parametrize("is_pair", [False, True])
def test_a_disk_that_fails_half_way_leaves_nothing(book, table, is_pair):
    def attempt():
        if not is_pair:
            return planned(book)
        first, second, _ = SWEEP.targets
        return plan_pair_test(
            book, "Coffee A", first, second, tasters=PEOPLE, passphrase=PASSPHRASE
        )

    with failing_to_store(book, table), pytest.raises(BookError):
        attempt()
    assert book.sessions.all() == ()

    assert "session 2" not in attempt().session.name


def test_the_preparer_gets_the_key_and_that_is_on_record(book):
    made = planned(book, held=HELD)

    read = [one for one in book.sessions.events(made.session.name) if "bench sheet" in one.kind]
    assert [one.done_by for one in read] == [HELD.preparer] * len(made.plan.flights)
    (opened, *_) = made.preparation.opened
    assert {row.blind_code for row in opened.rows} == set(made.plan.codes(1))
    assert len(made.preparation.jugs.jugs) == made.plan.design.jugs
    assert made.preparation.sheet(lambda opened, bottles, **about: about) == {
        "start": made.preparation.start,
        "jug_volume_ml": 280.0,  # by hand: 11 g at 57 g/L take 193 mL, rinse and meter 80 mL
        "lab_book": book.name,
    }


def test_showing_what_was_planned_shows_no_key(book):
    made = planned(book)

    rows = made.preparation.opened[0].rows
    assert not any(row.jug in shown for row in rows for shown in (repr(made), made._repr_html_()))


def test_the_water_to_start_from_is_given_by_name_and_recorded(book):
    book.stock.add_base_water("tap, autumn", TAP)

    made = planned(book, ratio_sweep((0, 0.2), hardness_mg_l_caco3=120, alkalinity_mg_l_caco3=60))
    assert made.preparation.start.text == "pure water"
    tapped = plan_session(
        book,
        "Coffee A",
        ratio_sweep((0, 0.2), hardness_mg_l_caco3=120, alkalinity_mg_l_caco3=60),
        tasters=PEOPLE,
        passphrase=PASSPHRASE,
        control="middle",
        start="tap, autumn",
    )

    assert tapped.session.held.base_water == "tap, autumn"
    assert tapped.preparation.start.text == "tap, autumn"
    with pytest.raises(BookError, match="'tap, autumn'"):
        planned(book, start="tap, autum")


def test_flights_are_added_to_a_session_of_the_same_coffee_and_water(book):
    first = planned(book)
    more = planned(book, add_to=first.session.name)

    assert more.session.name == first.session.name
    assert min(more.plan.flights) == max(first.plan.flights) + 1
    assert not more.plan.all_codes & first.plan.all_codes
    book.people.add_coffee("Coffee B", client="Client A")
    with pytest.raises(PlanError, match=r"^add_to must be a session of Coffee B"):
        plan_session(
            book,
            "Coffee B",
            SWEEP,
            tasters=PEOPLE,
            passphrase=PASSPHRASE,
            add_to=first.session.name,
        )
    book.stock.add_base_water("tap, autumn", TAP)
    with pytest.raises(PlanError, match=r"^add_to must be a session that starts from tap"):
        planned(book, add_to=first.session.name, start="tap, autumn")


def test_a_test_of_two_waters_asks_its_question_and_seals_which_should_win(book):
    first, second, _ = SWEEP.targets

    made = plan_pair_test(book, "Coffee A", first, second, tasters=PEOPLE, passphrase=PASSPHRASE)

    assert made.session.is_pair_test
    assert [(w.target, w.is_control) for w in made.session.waters] == [
        (first, False),
        (second, True),
    ]
    with pytest.raises(PlanError, match=r"^method must be one of 'triangle'"):
        plan_pair_test(
            book,
            "Coffee A",
            first,
            second,
            tasters=PEOPLE,
            passphrase=PASSPHRASE,
            method="triangles",
        )


def test_a_test_of_two_waters_does_not_change_what_the_next_session_asks(book):
    scored = planned(book, attributes={"overall": "quality 6-10"}).session
    first, second, _ = SWEEP.targets
    plan_pair_test(book, "Coffee A", first, second, tasters=PEOPLE, passphrase=PASSPHRASE)

    again = planned(book).session

    assert again.attributes == scored.attributes
    assert again.serving == scored.serving


def test_replanning_keeps_the_sheets_of_the_others(book):
    made = planned(book, flights=2)
    sheets = {name: made.plan.sheet(name) for name in PEOPLE}

    anew = replan(book, made, absent=["bo"], late=["Eve"], first=2)

    assert anew.plan.flights == (2,)
    assert anew.preparation is None  # codes and bowls stay
    assert anew.plan.tasters == ("Ada", "Eve")
    kept = sheets["Ada"][sheets["Ada"]["flight"] == 2].reset_index(drop=True)
    pd.testing.assert_frame_equal(anew.plan.sheet("Ada"), kept)
    with pytest.raises(PlanError, match=r"^late must name someone"):
        replan(book, made)


def test_with_a_cup_each_replanning_needs_the_passphrase_and_gives_a_new_bench_sheet(book):
    made = planned(book, serving="a cup each")

    with pytest.raises(PlanError, match=r"^passphrase must be given"):
        replan(book, made, late=["Eve"])
    with pytest.raises(SealError):
        replan(book, made, late=["Eve"], passphrase="another altogether")
    anew = replan(book, made.session, late=["Eve"], passphrase=PASSPHRASE)

    codes = {row.blind_code for one in anew.preparation.opened for row in one.rows}
    assert codes == set(anew.plan.all_codes)
    assert set(book.sessions.plan(made.session.name).cups) == set(anew.plan.cups)


def test_a_session_of_ones_own_name_on_ones_own_scale(book):
    scale = replace(SCALES["quality 6-10"], name="house 6-10")

    made = planned(book, name="the first", attributes={"overall": scale})

    assert made.session.name == "the first"
    assert made.session.attributes[0].scale == scale


@dataclass(frozen=True)
class Placed:
    """Cups as a search places them."""

    served: tuple[Target, ...]

    @property
    def targets(self):
        return self.served


def poured(made):
    """What each jug of a plan holds, and whether it is the control."""
    rows = [row for key in made.plan.keys for row in key.open(PASSPHRASE).rows]
    return sorted((row.target.mg_share, row.is_control, row.is_duplicate) for row in rows)


def test_a_searched_flight_is_served_as_it_is_and_the_control_stays_the_coffees(book):
    low, middle, high = SWEEP.targets
    planned(book)  # the middle one becomes the coffee's control

    without = planned(book, Placed((low, high, low)))
    again = planned(book, Placed((high, middle, low, middle)))
    asked = planned(book, Placed((low, high, low)), control=middle)

    assert poured(without) == [(0, False, False), (0, False, True), (1, False, False)]
    assert [one.target for one in without.session.waters] == [low, high]
    assert poured(again)[1:3] == [(0.5, True, False), (0.5, True, True)]
    assert len(poured(again)) == 4
    assert len(without.plan.cups) == 3 * len(PEOPLE)
    assert {share for share, is_control, _ in poured(asked) if is_control} == {0.5}


def test_a_searched_flight_of_more_cups_than_stand_side_by_side_is_laid_out_as_several(book):
    waters = hardness_dial((20, 60, 100, 140), mg_share=0.5, alkalinity_mg_l_caco3=40).targets

    made = planned(book, Placed(waters), cups_per_flight=3)

    assert made.plan.design.flights > 1
    with pytest.raises(PlanError, match=r"^cups must be at most 3 in a flight, got 4"):
        planned(book, Placed(waters), cups_per_flight=3, as_listed=True)


@pytest.mark.parametrize("times", [(3, 1), (2, 0)])
def test_a_search_among_too_few_waters_is_laid_out_as_before(book, times):
    low, _, high = SWEEP.targets
    planned(book)

    made = planned(book, Placed((low,) * times[0] + (high,) * times[1]))

    assert made.plan.design.control_cups == 1
    assert made.plan.design.duplicate_cups == 1


def test_what_a_listed_flight_reserves_suffices_and_counts_no_control_that_is_not_poured(book):
    low, _, high = SWEEP.targets
    first = planned(book)

    made = planned(book, [low, low, high], add_to=first.session.name, as_listed=True)

    (flight,) = made.plan.flights
    assert poured(made) == [(0, False, False), (0, False, True), (1, False, False)]
    assert made.plan.design.control_cups == 0
    used = made.preparation.jugs.doses_of(flight)
    kept = {
        bottle.name: use.volume_ml
        for bottle in book.stock.bottles()
        for use in bottle.uses
        if (use.session, use.flight) == (first.session.name, flight)
    }
    assert all(kept[bottle] >= volume - 1e-6 for bottle, volume in used.items())
