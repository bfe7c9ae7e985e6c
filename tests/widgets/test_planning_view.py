"""The view before the first cup: a press simulates, a dial turned back is known already."""

import pytest

from labkit.bench import plan_picture
from labkit.book import LabBook
from labkit.book.demo import ensure_demo_book
from labkit.widgets import PlanningView
from labkit.widgets.steps.plan import planning_view
from tests.project import copy_data


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A copy of the demo's lab book."""
    url = ensure_demo_book(copy_data(tmp_path_factory.mktemp("book")))
    with LabBook(url) as book:
        book.people.add_coffee("Nobody's yet", client="Quillmoor Roastery")
        yield book


@pytest.fixture
def view(book):
    """One coffee, two flights: a simulation of a second or two."""
    view = PlanningView(book, plan_picture, n_jobs=1)
    view.form.fields["n_flights"].options = [2, 3]
    view.form.fields["n_flights"].value = 2
    view.form.fields["n_coffees"].value = 1
    return view


def press(view):
    view.button.click()


def test_nothing_is_simulated_before_the_press(view, monkeypatch):
    monkeypatch.setattr(planning_view, "plan_curves", None)

    assert "Press Simulate" in view.form.result.value


def test_both_paths_are_shown_with_cups_and_loss(view):
    press(view)

    shown = view.form.result.value
    assert "search" in shown
    assert "classical walk" in shown
    assert "after 10 cups" in shown
    assert "<img" in shown


def test_a_dial_turned_back_shows_what_is_known_and_both_stay_listed(view):
    press(view)
    before = view.form.result.value
    view.form.fields["cups"].value = 4
    assert "Press Simulate" in view.form.result.value
    press(view)

    view.form.fields["cups"].value = 5

    after = view.form.result.value
    assert before[: before.index("<table")].split("<img")[0] in after
    assert "4 × 4" in after
    assert "4 × 5" in after


def test_the_noise_of_a_coffee_without_scores_is_refused_in_words(view):
    view.form.fields["noise_of"].value = ("Quillmoor Roastery", "Nobody's yet")
    press(view)

    assert "Noise of must be a coffee with opened scores" in view.form.notes["noise_of"].value


def test_a_noisier_panel_is_simulated_with_its_own_noise(view, monkeypatch):
    asked = {}

    def note(**settings):
        asked.update(settings)
        raise planning_view.ReadingError("enough.")

    monkeypatch.setattr(planning_view, "plan_curves", note)
    view.form.fields["noise_of"].value = ("Quillmoor Roastery", "Osmeni, natural")
    press(view)

    assert asked["noise"].repeat_sd > 0
    assert asked["scale"].name == "liking 1-9"
