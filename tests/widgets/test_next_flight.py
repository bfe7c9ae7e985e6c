"""The view of the next flight: it follows the coffee, keeps to what is typed, hands waters over."""

import re

import numpy as np
import pytest

from labkit.analysis import Region, makeable, suggest_flight
from labkit.analysis.search.belief import believe
from labkit.bench import bench_sheet
from labkit.book import LabBook
from labkit.book.demo import ensure_demo_book
from labkit.errors import ReadingError
from labkit.widgets import BaseWaterForm, NextFlightView, PlanForm, ReadingView
from labkit.workflow import next_flight
from tests.project import copy_data

GRID = ("Quillmoor Roastery", "Osmeni, natural")
PASSPHRASE = "only the preparer"


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A copy of the demo's lab book."""
    url = ensure_demo_book(copy_data(tmp_path_factory.mktemp("book")))
    with LabBook(url) as book:
        yield book


@pytest.fixture
def view(book):
    """The view of the demo coffee that was tasted on a grid."""
    return view_of(book)


@pytest.fixture(scope="module")
def same_view(tmp_path_factory):
    """The same on a book of its own, for tests that leave it as it was."""
    url = ensure_demo_book(copy_data(tmp_path_factory.mktemp("same")))
    with LabBook(url) as book:
        yield view_of(book)


def view_of(book):
    reading = ReadingView(book, lambda _reading: "")
    reading.form.fields["coffee"].value = GRID
    return NextFlightView(book, reading, lambda _suggestion, _reading: "<i>picture</i>")


def told(view):
    return view.form.result.value


def test_it_shows_flights_verdict_waters_reasons_and_what_to_pour(same_view):
    html = told(same_view)

    assert "The flights so far" in html
    assert same_view.advice.verdict in html
    for cup in same_view.suggestion.cups:
        assert cup.target.text in html
    assert html.count("for 1000 mL: ") == 5
    assert "<i>picture</i>" in html
    assert "Handle with care" in html


def test_what_is_held_left_out_and_asked_for_is_kept_to(view):
    fields = view.form.fields
    fields["alkalinity_mg_l_caco3"].value = "30"
    fields["leave_hardness_mg_l_caco3"].value = "100 200"
    fields["include"].value = "0.35 140 55"

    first, *others = view.waters

    assert (first.mg_share, first.hardness_mg_l_caco3) == (0.35, 140)
    assert {water.alkalinity_mg_l_caco3 for water in others} == {30}
    assert max(water.hardness_mg_l_caco3 for water in others) < 100


@pytest.mark.parametrize(
    ("field", "typed", "message"),
    [
        ("leave_mg_share", "0.8", "must be two levels"),
        ("include", "0.5 100", "Also include can be read in two ways"),
        ("include", "3:1 at 100", "Also include must say its alkalinity"),
        ("hardness_mg_l_caco3", "soft", "must be numbers with spaces"),
    ],
)
def test_what_cannot_be_read_is_said_beside_its_field(same_view, field, typed, message):
    before = same_view.form.fields[field].value
    same_view.form.fields[field].value = typed

    assert message in same_view.form.notes[field].value
    assert same_view.form.fields[field].value == typed
    with pytest.raises(ReadingError, match="the next flight must"):
        same_view.waters  # noqa: B018
    same_view.form.fields[field].value = before
    assert same_view.form.notes[field].value == ""
    assert len(same_view.waters) == 5


def test_the_walk_proposes_a_dial_with_two_coordinates_held(view):
    view.form.fields["path"].value = "walk"

    assert view.sweep is not None
    waters = np.array(
        [(w.mg_share, w.hardness_mg_l_caco3, w.alkalinity_mg_l_caco3) for w in view.waters]
    )
    assert (np.ptp(waters, axis=0) > 0).sum() == 1


def test_earlier_coffees_help_visibly_and_can_be_switched_off(book, view):
    assert re.search(r"Veltara, washed \(Quillmoor Roastery\) [1-9]\d* %", told(view))

    view.form.fields["earlier"].value = False

    assert "Veltara" not in told(view)
    region = Region(allowed=makeable(book.stock.concentrates()))
    alone = believe(view.reading_view.scores, region, brew_method="cupping")
    assert view.suggestion.targets == suggest_flight(alone, k=5).targets


def test_another_score_than_overall_proposes_nothing(view):
    view.reading_view.form.fields["attribute"].value = "acidity"

    assert "overall" in view.form.message.value
    assert view.suggestion is None


def test_a_coffee_that_nobody_tasted_gets_a_first_flight_once_asked(book, monkeypatch):
    book.people.add_coffee("Nobody's yet", client=GRID[0])
    reading = ReadingView(book, lambda _reading: "")
    reading.form.fields["coffee"].value = (GRID[0], "Nobody's yet")
    searched = []
    monkeypatch.setattr(
        "labkit.widgets.steps.verdict.next_flight.next_flight",
        lambda *given, **more: searched.append(given) or next_flight(*given, **more),
    )
    fresh = NextFlightView(book, reading, lambda _suggestion, _reading: "")

    assert "This coffee has not been tasted yet" in told(fresh)
    with pytest.raises(ReadingError, match="must be asked for"):
        _ = fresh.waters
    assert searched == []  # no search that nobody asked for
    fresh.button.click()
    fresh.form.refresh()
    assert len(searched) == 1  # nor twice for the same
    assert len(fresh.waters) == 5
    assert fresh.control is None


def test_a_closed_key_is_not_called_an_untasted_coffee(book):
    """The scores are there; what is missing is the key."""
    book.people.add_coffee("Closed", client=GRID[0])
    reading = ReadingView(book, lambda _reading: "")
    reading.form.fields["coffee"].value = (GRID[0], "Closed")
    fresh = NextFlightView(book, reading, lambda _suggestion, _reading: "")
    fresh.propose()
    form = PlanForm(book, fresh, bench_sheet)
    for name in ("passphrase", "again"):
        form.form.fields[name].value = PASSPHRASE
    form.button.click()
    fresh.form.refresh()

    assert "whose key is closed" in told(fresh)
    assert "has not been tasted" not in told(fresh)
    assert "blind flight of this coffee is open" in reading.form.message.value


def test_the_plan_takes_the_flight_as_it_is_and_adds_a_control_only_where_it_is_asked_for(
    book, view
):
    """Five cups are searched and five are poured; the coffee's own control links its days."""
    form = PlanForm(book, view, bench_sheet)
    choices = dict(form.form.fields["plan"].options)
    placed, anew, *_ = choices

    assert form.form.fields["plan"].value == choices[placed]
    for name in ("passphrase", "again"):
        form.form.fields[name].value = PASSPHRASE
    form.button.click()

    rows = [row for key in form.plan.keys for row in key.open(PASSPHRASE).rows]
    assert sorted(row.target.text for row in rows) == sorted(one.text for one in view.served)
    assert "5 cups side by side" in placed
    assert len(form.plan.cups) == 5 * len(form.plan.tasters)
    scores = view.reading_view.scores
    (so_far,) = scores.loc[scores["is_control"], "hardness_mg_l_caco3"].unique()
    assert view.control.hardness_mg_l_caco3 == so_far
    assert view.control not in view.served

    form.form.fields["plan"].value = choices[anew]
    assert form.form.fields["control"].value == view.control
    form.form.fields["plan"].value = choices[placed]
    assert form.form.fields["control"].value == "none"


def test_only_what_the_base_water_can_become_is_proposed(book):
    """By hand: 79.9 mg/L of calcium hardness and 40 of alkalinity come with each litre of tap."""
    book.people.add_coffee("From the tap", client=GRID[0])
    tap = {"Ca": (32.0, "mg/L"), "alkalinity": (40.03, "mg/L CaCO3"), "Cl": (28.36, "mg/L")}
    book.stock.add_base_water("tap, autumn", tap)
    reading = ReadingView(book, lambda _reading: "")
    reading.form.fields["coffee"].value = (GRID[0], "From the tap")
    base = BaseWaterForm(book)
    view = NextFlightView(book, reading, lambda _suggestion, _reading: "", base=base)
    view.propose()
    pure = view.waters
    base.form.fields["name"].value = "tap, autumn"

    mixings = view.suggestion.mixings(book.stock.concentrates(), base=base.water)
    assert len(mixings) == 5
    for mixing in mixings:
        wanted, litres = mixing.target, mixing.base_ml / 1000
        calcium = next(d.volume_ml for d in mixing.doses if d.concentrate.name == "calcium")
        hardness = (1 - wanted.mg_share) * wanted.hardness_mg_l_caco3
        assert calcium + 79.9 * litres == pytest.approx(hardness, abs=1.5)
        assert wanted.alkalinity_mg_l_caco3 >= 40 * litres - 0.5
    assert min(water.alkalinity_mg_l_caco3 for water in pure) < 40  # below what the tap brings


def place_of(view, **away):
    """A place of the map as the browser names it, so many levels away from today's best."""
    data = view.reading_view.map.data
    return [
        at + away.get(axis["name"], 0) for at, axis in zip(data["best"], data["axes"], strict=True)
    ]


def test_the_map_is_of_the_coffee_read_and_marks_the_next_flight(view):
    shown, reading = view.reading_view.map, view.reading_view.reading
    data, best = shown.data, reading.recommended.water

    assert data["coffee"] == GRID[1]
    levels = {
        axis["name"]: axis["levels"][at]
        for at, axis in zip(data["best"], data["axes"], strict=True)
    }
    assert levels == {name: getattr(best, name) for name in levels}
    assert [axis["name"] for axis in data["axes"][:2]] == ["mg_share", "hardness_mg_l_caco3"]
    assert len(shown.following) == len(view.suggestion.targets)
    assert shown.following[0][0] == view.suggestion.targets[0].mg_share
    assert len(data["expected"]) == np.prod([len(axis["levels"]) for axis in data["axes"]])

    view.reading_view.form.fields["coffee"].value = ("Sandfirth Coffee", "Zindra, honey")
    assert shown.data == {}
    assert shown.following == []


def test_a_water_of_the_map_is_poured_from_the_shelf_as_the_flight_says(same_view):
    first = same_view.suggestion.cups[0].target
    assert first == same_view.reading_view.reading.recommended.water

    answer = same_view.reading_view.map.answer({"kind": "pour", "at": place_of(same_view)})

    assert answer["text"].startswith("for 1000 mL: ")
    assert answer["text"] in told(same_view)


def test_a_water_of_the_map_goes_into_the_next_flight_once(view):
    asked = {"kind": "taste", "at": place_of(view, mg_share=2, hardness_mg_l_caco3=-1)}
    shown = view.reading_view.map

    answer = shown.answer(asked)
    first = view.waters[0]
    assert first.text in answer["text"]
    assert (first.mg_share, first.hardness_mg_l_caco3) == (
        shown.data["axes"][0]["levels"][asked["at"][0]],
        shown.data["axes"][1]["levels"][asked["at"][1]],
    )
    typed = view.form.fields["include"].value
    shown.answer(asked)  # pressed again
    assert view.form.fields["include"].value == typed
    shown.answer({"kind": "taste", "at": place_of(view)})
    assert view.waters[0] == first
    assert view.reading_view.reading.recommended.water in view.waters


@pytest.mark.parametrize("at", [None, [0, 0], [0, 0, 99], [-1, 0, 0], ["0", 0, 0], [True, 0, 0]])
def test_a_place_that_is_not_on_the_map_is_not_answered(same_view, at):
    before = same_view.form.fields["include"].value
    assert same_view.reading_view.map.answer({"kind": "taste", "at": at})["text"] == ""
    assert same_view.form.fields["include"].value == before
