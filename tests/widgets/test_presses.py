"""What a press says: beside the button and at its field, which opens and takes the focus."""

from __future__ import annotations

import pytest

from labkit.errors import BookError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form


@pytest.fixture
def form():
    """A form with a field in sight and one in a fold; what its guide is told is caught."""
    return caught(
        Form(
            {"cups": fields.whole("Cups", 4)},
            folded={"grind": fields.text("Grind")},
            buttons=[fields.button("Go")],
        )
    )


def caught(form):
    form.focused = []
    form.guide.send = lambda content, *_more: form.focused.append(content["field"])
    return form


def refuse(sentence, field=None):
    def work():
        raise BookError(sentence, field=field)

    return work


def test_a_press_that_is_refused_says_so_twice_opens_the_fold_and_moves_the_focus(form):
    done, value = form.press(refuse("grind must be said.", "grind"))

    assert (done, value) == (False, None)
    assert "Grind must be said." in form.message.value
    assert "Grind must be said." in form.notes["grind"].value
    assert form.notes["cups"].value == ""
    assert form.fold.is_open
    assert form.guide.wrong == {"grind": True}
    assert form.focused == ["grind"]
    assert not form.guide.busy


def test_without_a_field_the_focus_goes_to_the_sentence(form):
    form.press(refuse("the book is away."))

    assert "the book is away." in form.message.value
    assert form.guide.wrong == {}
    assert form.focused == [None]


def test_the_mark_stays_until_its_field_is_mended_whatever_is_computed_anew(form):
    form.compute_with(lambda **_now: "fine")
    form.press(refuse("grind must be said.", "grind"))

    form.refresh()  # as when another process wrote
    form.fields["cups"].value = 5
    assert form.guide.wrong == {"grind": True}
    assert "Grind must be said." in form.notes["grind"].value
    form.fields["grind"].value = "24"

    assert form.guide.wrong == {}
    assert form.notes["grind"].value == form.message.value == ""


def test_a_form_that_computes_nothing_is_mended_too(form):
    form.press(refuse("cups must be even.", "cups"))
    form.fields["cups"].value = 6

    assert form.message.value == form.notes["cups"].value == ""


def test_what_is_found_while_one_types_is_marked_and_leaves_the_focus(form):
    def compute(cups, **_more):
        if cups > 5:
            raise BookError(f"cups must be 5 or fewer, got {cups}.", field="cups")
        return f"{cups} cups"

    form.compute_with(compute)
    form.fields["cups"].value = 6
    assert "Cups must be 5 or fewer, got 6." in form.notes["cups"].value
    assert form.guide.wrong == {"cups": False}
    assert form.focused == []
    assert form.result.value == ""
    form.fields["cups"].value = 5

    assert form.guide.wrong == {}
    assert form.result.value == "5 cups"


def test_what_was_done_stays_said_while_other_things_change(form):
    form.compute_with(lambda **_now: "fine")
    form.press(lambda: None)
    form.say("Kept.")

    form.refresh()
    assert "Kept." in form.message.value
    form.fields["cups"].value = 5
    assert form.message.value == ""


def test_a_field_of_another_form_is_marked_there_and_mended_there(form):
    other = caught(Form({"share": fields.number("Share (%)", 100.0)}))
    form.also(fields.side_by_side(other))

    form.press(refuse("share must be below 100.", "share"))
    assert "Share (%) must be below 100." in form.message.value
    assert "Share (%) must be below 100." in other.notes["share"].value
    assert other.focused == ["share"]
    assert form.focused == []
    other.fields["share"].value = 50.0
    assert form.message.value == other.notes["share"].value == ""

    form.press(refuse("share must be below 100.", "share"))
    form.press(lambda: None)
    assert other.guide.wrong == {}


def test_a_press_says_that_it_is_busy_until_it_is_done_even_by_an_unforeseen_error(form):
    seen = []
    form.press(lambda: seen.append(form.guide.busy))
    assert seen == [True]
    with pytest.raises(ZeroDivisionError):
        form.press(lambda: 1 / 0)

    assert not form.guide.busy


def test_a_label_that_changes_is_told_to_the_browser(form):
    form.fields["cups"].description = "Bowls"

    assert form.guide.labels["cups"] == "Bowls"
