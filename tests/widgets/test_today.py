"""The page "Today": one coffee for all steps, steps made once, and what fails is said in place."""

from __future__ import annotations

import pytest

from labkit import bench
from labkit.book import AbsentBook, Attribute, LabBook
from labkit.tasting import SCALES
from labkit.widgets import Today
from labkit.widgets.today.parts import MAKERS, Part
from labkit.workflow import NextThing, Step
from tests.tasted import PASSPHRASE, at_shares, begin, score
from tests.widgets.plans.helpers import all_widgets

CLIENT = "Client A"


def nowhere(_name):
    raise AssertionError("nobody asked for another lab book")


@pytest.fixture
def today(shelf_book):
    shelf_book.people.add_coffee("Coffee B", client=CLIENT)
    return Today(shelf_book, nowhere, bench)


def comes(today, step=None, coffee=None):
    """A browser shows the page, and says where it was last."""
    content = {"kind": "here", "step": step, "coffee": coffee}
    message = {"content": {"data": {"method": "custom", "content": content}}, "buffers": []}
    today.steps._handle_msg(message)


def test_nothing_is_made_before_a_browser_comes_and_then_the_step_of_what_is_next(today):
    assert today.made == ()
    assert (today.standing.next, today.steps.next_step) == (NextThing.PLAN_FIRST, "plan")

    comes(today)

    assert today.made == (Step.PLAN,)
    assert today.steps.chosen == "plan"


def test_a_page_opened_again_comes_back_to_its_step_and_coffee(today):
    comes(today, "bottles", [CLIENT, "Coffee B"])

    assert (today.steps.chosen, today.coffee.value) == ("bottles", (CLIENT, "Coffee B"))
    assert today.steps.coffee == [CLIENT, "Coffee B"]
    comes(today, "plan", [CLIENT, "Coffee A"])  # a second view follows the first
    assert (today.steps.chosen, today.coffee.value) == ("bottles", (CLIENT, "Coffee B"))


@pytest.mark.parametrize("kept", [("no step", ["gone", "away"]), (5, "Coffee A"), (None, [1])])
def test_what_a_browser_kept_may_be_gone_or_nonsense(today, kept):
    comes(today, *kept)

    assert (today.steps.chosen, today.coffee.value) == ("plan", (CLIENT, "Coffee A"))


def test_a_step_is_few_messages_to_the_browser(today, monkeypatch):
    """Counted: each costs kernel, server and browser about a millisecond of processor."""
    import comm
    from comm.base_comm import BaseComm

    sent = []

    class Counted(BaseComm):
        def publish_msg(self, msg_type, **_more):
            sent.append(msg_type)

    monkeypatch.setattr(comm, "create_comm", Counted)
    counts = {}
    for step in (Step.TASTE, Step.BOTTLES, Step.PLAN, Step.HAND_OVER):
        del sent[:]
        today.parts(step)
        counts[step] = len(sent)

    assert counts[Step.BOTTLES] < 800  # half again as many while classes were sent on their own
    assert counts[Step.PLAN] < 900
    assert counts[Step.TASTE] < 450
    assert counts[Step.HAND_OVER] < 650


def test_every_step_can_be_made_and_stays_as_it_was_left(today):
    for step in Step:
        parts = today.parts(step)
        assert parts, step
        assert list(today.parts(step).values()) == list(parts.values())
    today.parts(Step.BOTTLES)["weigh"].fields["volume_ml"].value = 500
    today.go(Step.PLAN)
    today.go(Step.BOTTLES)

    assert today.parts(Step.BOTTLES)["weigh"].fields["volume_ml"].value == 500
    assert today.made == tuple(Step)


def test_a_coffee_is_chosen_once_for_all_steps(today):
    today.go(Step.HAND_OVER)
    today.go(Step.PLAN)
    sweep = today.parts(Step.PLAN)["waters"]
    today.coffee.value = (CLIENT, "Coffee B")

    assert sweep.coffee == (CLIENT, "Coffee B")
    assert sweep.fields["coffee"].layout.display == "none"
    today.go(Step.HAND_OVER)
    chooser = today.parts(Step.HAND_OVER)["report"].form.fields["coffee"]
    assert chooser.value == (CLIENT, "Coffee B")


def test_the_button_goes_where_the_next_thing_is_done(today):
    comes(today, "bottles")
    today.button.click()

    assert today.steps.chosen == "plan"
    assert today.button.description == "Plan a ratio sweep"


def test_a_coffee_that_was_added_is_there_without_running_anything(shelf_book):
    today = Today(shelf_book, nowhere, bench)
    today.go(Step.PLAN)
    shelf_book.people.add_coffee("Coffee C", client=CLIENT)
    today.coffee.value = (CLIENT, "Coffee C")

    assert today.parts(Step.PLAN)["waters"].coffee == (CLIENT, "Coffee C")


def test_a_step_that_cannot_be_made_is_logged_and_said_in_its_place(today, monkeypatch, caplog):
    def fails(_desk):
        raise ZeroDivisionError("nobody foresaw this")

    monkeypatch.setitem(MAKERS, Step.TASTE, fails)
    today.go(Step.TASTE)

    assert "nobody foresaw this" in caplog.text
    assert today.parts(Step.TASTE) == {}
    monkeypatch.setitem(
        MAKERS, Step.VERDICT, lambda _desk: (Part(name="a", title="A", widget=today.says),)
    )
    assert today.parts(Step.VERDICT) == {"a": today.says}


def test_another_lab_book_begins_anew_on_the_same_page(today, tmp_path):
    with LabBook(tmp_path / "other.db") as other:
        switching = Today(today.desk.book, lambda _name: other, bench)
        switching.go(Step.BOTTLES)
        switching.change_book.use("other")

        assert switching.desk.book is other
        assert switching.standing.next is NextThing.ADD_COFFEE
        assert switching.made == (Step.BOTTLES,)


def test_a_lab_book_that_cannot_be_opened_leaves_a_page_that_offers_another():
    today = Today(AbsentBook("it was moved."), nowhere, bench)
    for step in Step:
        today.go(step)

    assert today.standing.next is NextThing.CHOOSE_BOOK
    assert "it was moved." in today.change_book.said.value


def test_a_coffee_added_at_the_head_is_the_one_worked_on(today):
    (form,) = today.add_coffee.inside
    today.add_coffee.is_open = True
    form.fields["client"].value, form.fields["coffee"].value = CLIENT, "Coffee C"
    next(
        one for one in all_widgets(form) if getattr(one, "description", "") == "Add this coffee"
    ).click()

    assert today.coffee.value == today.desk.coffee == (CLIENT, "Coffee C")
    assert not today.add_coffee.is_open


@pytest.fixture
def read(shelf_book):
    """The page with a coffee whose cups are open, at the verdict."""
    waters = at_shares(0, 0.5, 1)
    plan = begin(
        shelf_book,
        "Monday",
        client=CLIENT,
        coffee="Coffee A",
        targets=waters,
        tasters=["Ada", "Bo", "Cy"],
        attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
    )
    score(
        shelf_book,
        plan,
        lambda cup, water: {"overall": 2 + round(5 * water.mg_share) + cup.position % 2},
    )
    today = Today(shelf_book, nowhere, bench)
    today.go(Step.VERDICT)
    opening = today.parts(Step.VERDICT)["open"]
    opening.form.fields["passphrase"].value = PASSPHRASE
    opening.button.click()
    return today


def test_the_map_leads_to_the_card_and_to_the_next_flight_before_it_was_asked_for(read):
    parts = read.parts(Step.VERDICT)
    touched, following = parts["says"].map, parts["next"]
    assert touched.offers == ["taste", "card"]
    best = parts["says"].reading.recommended.water

    touched.answer({"kind": "card", "at": touched.data["best"]})
    card = read.parts(Step.HAND_OVER)["card"]
    assert read.steps.chosen == "hand-over"
    assert card.form.fields["coffee"].value == (CLIENT, "Coffee A")
    assert card.form.fields["water"].target == best

    touched.answer({"kind": "taste", "at": touched.data["best"]})
    assert read.steps.chosen == "verdict"
    assert following.made is not None
    assert best in read.desk.following.targets


def test_the_button_for_a_dial_chooses_it(read):
    assert read.standing.next is NextThing.PLAN_DIAL
    read.button.click()

    assert read.steps.chosen == "plan"
    sweep = read.parts(Step.PLAN)["waters"]
    assert sweep.fields["kind"].value == "hardness dial"


def test_a_part_that_takes_long_is_made_when_asked_for_and_once(today):
    across = today.parts(Step.ALL_COFFEES)["across"]
    assert across.made is None

    across.button.click()
    first = across.made
    across.button.click()

    assert across.made is first
    assert first is not None
