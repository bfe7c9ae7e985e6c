"""The view of one coffee reads what has no mean by its shares, and scores side by side."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.analysis.reading.special_scales import CheckedTerms
from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from labkit.widgets import ReadingView
from labkit.widgets.steps.verdict.reading_view import SIDE_BY_SIDE
from tests.tasted import at_shares, begin, lock_and_open, score

WORDS = ("floral", "papery")


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Five tasters, three waters: more Mg is liked less, too sour and less floral."""
    rng = np.random.default_rng(2)

    def give(_cup, water):
        mg = water.mg_share
        return {
            "overall": float(rng.integers(6, 9) - round(4 * mg)),
            "body": float(rng.integers(4, 9)),
            "acidity for you": 3.0 + (mg == 1),
            "words": ("floral",) if mg == 0 else ("papery",) * (mg == 1),
        }

    with LabBook(tmp_path_factory.mktemp("book") / "book.db") as book:
        plan = begin(
            book,
            "first",
            client="Fennmark",
            coffee="Ostrel",
            targets=at_shares(0, 0.5, 1),
            tasters=["Ana", "Bo", "Cy", "Di", "Efe"],
            planning={"flights": 2, "duplicates": 0},
            attributes=[
                Attribute(name="overall", scale=SCALES["liking 1-9"]),
                Attribute(name="body", scale=SCALES["intensity 0-15"]),
                Attribute(name="acidity for you", scale=SCALES["just about right"]),
                Attribute(name="words", kind="descriptors", choices=WORDS),
            ],
        )
        score(book, plan, give)
        lock_and_open(book, plan)
        yield book


@pytest.fixture(scope="module")
def seen(book):
    """A view, and what it asked pictures of."""
    asked = []

    def picture(found, **_more):
        asked.append(found)
        return "<i>picture</i>"

    return ReadingView(book, picture), asked


def test_it_offers_scores_words_and_all_side_by_side(seen):
    view, _ = seen

    assert view.reading.scores.attribute == "overall"
    assert view.form.fields["attribute"].options == (
        "overall",
        "acidity for you",
        "body",
        "words",
        SIDE_BY_SIDE,
    )


def test_just_about_right_is_read_by_its_shares(seen):
    """At Mg share 1 all say too much, a third of all answers."""
    view, _ = seen
    view.form.fields["attribute"].value = "acidity for you"

    html = view.form.result.value
    assert "67 % of the answers are &#x27;just right&#x27;" in html
    assert "100 % say too much; those score liking" in html
    assert "scores above" not in html


def test_words_are_read_by_how_often_they_are_checked(seen):
    view, asked = seen
    view.form.fields["attribute"].value = "words"

    assert "The waters differ in floral, papery by more than chance" in view.form.result.value
    assert isinstance(asked[-1], CheckedTerms)


def test_attributes_stand_side_by_side(seen):
    view, asked = seen
    view.form.fields["attribute"].value = SIDE_BY_SIDE

    html = view.form.result.value
    assert "attributes differ between the waters, their number allowed for" in html
    assert "<b>body</b>" in html
    assert list(asked[-1].readings) == ["overall", "body", "acidity for you"]


def test_the_same_question_is_not_read_twice(seen):
    view, asked = seen
    drawn = len(asked)

    view.form.fields["reason"].value = "a cold"
    view.refresh()

    assert len(asked) == drawn


def test_a_score_given_on_two_scales_is_read_on_the_one_chosen(book, monkeypatch):
    opened = book.scores.opened_scores()
    half = (opened["attribute"] == "overall") & (opened["flight"] == 2)
    two = opened.assign(scale=opened["scale"].mask(half, "quality 6-10"))
    monkeypatch.setattr(book.scores, "opened_scores", lambda **_which: two)
    view = ReadingView(book, lambda _found, **_more: "")
    scale = view.form.fields["scale"]

    assert set(scale.options) == {"liking 1-9", "quality 6-10"}
    assert scale.layout.display == ""
    for name in scale.options:
        scale.value = name
        assert view.reading.scores.scale == name
        assert set(view.scores.loc[view.scores["attribute"] == "overall", "scale"]) == {name}
        assert "not pooled" in view.form.result.value
    view.form.fields["attribute"].value = "body"  # on one scale: nothing to choose
    assert scale.layout.display == "none"
    assert view.reading.scores.attribute == "body"
    view.form.fields["attribute"].value = SIDE_BY_SIDE
    assert scale.layout.display == "none"
    assert view.form.result.value
