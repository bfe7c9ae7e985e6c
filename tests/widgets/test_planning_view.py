"""The view before the first cup: a press simulates, a dial turned back is known already."""

import pytest

from labkit.analysis import PanelNoise
from labkit.bench import plan_picture
from labkit.book import LabBook
from labkit.book.demo import ensure_demo_book
from labkit.widgets import PlanningView
from labkit.widgets.steps.plan import planning_view
from labkit.workflow import panel_history
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


def walks_alone(monkeypatch):
    """What is simulated from now on, in turn: for speed the walk only."""
    asked = []
    real = planning_view.plan_curves

    def simulate(**more):
        asked.append(more)
        return real(**more, paths=("classical walk",))

    monkeypatch.setattr(planning_view, "plan_curves", simulate)
    return asked


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


def test_no_design_is_simulated_twice_whatever_loss_is_wanted(view, monkeypatch):
    asked = walks_alone(monkeypatch)
    press(view)
    view.form.fields["cups"].value = (4, 5)
    assert "Press Simulate" in view.form.result.value
    press(view)

    both = view.form.result.value
    assert "4 × 4" in both
    assert "4 × 5" in both
    view.form.fields["cups"].value = (5,)
    view.form.fields["loss"].value = 5

    assert [(one["n_tasters"], one["cups"]) for one in asked] == [([4], (5,)), ([4], (4,))]
    assert "Press Simulate" not in view.form.result.value
    assert "Soonest to 5.00 points: 4 tasters, 1 flight of 4 cups" in view.form.result.value


def test_a_panel_is_simulated_with_its_own_noise_or_the_usual_and_it_says_which(
    book, view, monkeypatch
):
    asked = walks_alone(monkeypatch)
    assert view.form.fields["tasters"].value  # who tasted last
    view.form.fields["tasters"].value = ("Ines", "Jonas")
    view.form.fields["cups"].value = (3,)
    press(view)
    own, said = asked[-1]["noise"], view.form.result.value
    view.form.fields["tasters"].value = ()
    press(view)

    assert own == panel_history(book, ["Ines", "Jonas"]).noise
    assert "The noise of Ines, Jonas, over 8 coffees" in said
    assert asked[-1]["noise"] == PanelNoise()
    assert "usual noise" in view.form.result.value


@pytest.mark.parametrize(("field", "value"), [("cups", ()), ("loss", 0.0)])
def test_a_design_that_is_none_is_refused_beside_its_field(view, field, value):
    view.form.fields[field].value = value
    press(view)

    assert "must be" in view.form.notes[field].value
