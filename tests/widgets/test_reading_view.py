"""The view of one coffee reads what has no mean by its shares, and scores side by side."""

from __future__ import annotations

import asyncio
import re
import threading

import numpy as np
import pytest

from labkit.analysis.reading.special_scales import CheckedTerms
from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from labkit.widgets import ReadingView
from labkit.widgets.steps.verdict.reading_view import SIDE_BY_SIDE
from labkit.workflow import opened, read
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
    assert "attributes differ between the waters, allowing for how many were tested" in html
    assert "<b>body</b>" in html
    assert list(asked[-1].readings) == ["overall", "body", "acidity for you"]


def test_the_same_question_is_not_read_twice(seen):
    view, asked = seen
    drawn = len(asked)

    view.form.fields["reason"].value = "a cold"
    view.refresh()

    assert len(asked) == drawn


async def until(is_so):
    for _ in range(3000):
        if is_so():
            return
        await asyncio.sleep(0.01)
    raise AssertionError("it never came")


def test_in_a_kernel_the_page_goes_on_and_the_words_come_before_the_pictures(book):
    drawing, told, threads = threading.Event(), [], []

    def picture(_found, **_more):
        threads.append(threading.current_thread())
        assert drawing.wait(60)
        return "<i>picture</i>"

    async def page():
        view = ReadingView(book, picture)
        view.on_change(lambda: told.append(view.reading))
        assert view.reading is None
        assert "Reading the scores" in view.form.result.value
        assert len(view.scores)  # what it rests on is there already
        await until(lambda: view.reading is not None)
        assert told == [view.reading]  # once: nobody works from it twice
        words = view.form.result.value
        assert "picture</i>" not in words
        drawing.set()
        await until(lambda: "picture</i>" in view.form.result.value)
        assert told == [view.reading]
        assert threading.main_thread() not in threads

    asyncio.run(page())


def test_in_a_kernel_pictures_of_what_is_not_chosen_any_more_are_not_shown(book):
    drawing = threading.Event()

    def picture(found, **_more):
        assert drawing.wait(60)
        return f"<i>picture of {type(found).__name__}</i>"

    async def page():
        view = ReadingView(book, picture)
        await until(lambda: view.reading is not None)
        view.form.fields["attribute"].value = "words"
        await until(lambda: view.findings is not None)
        drawing.set()
        await until(lambda: "picture of" in view.form.result.value)
        assert "picture of CheckedTerms" in view.form.result.value
        assert "picture of Reading" not in view.form.result.value

    asyncio.run(page())


def test_what_was_looked_at_before_is_not_read_or_drawn_again(seen):
    view, asked = seen
    view.form.fields["attribute"].value = "overall"
    before = view.reading
    view.form.fields["attribute"].value = "body"
    drawn = len(asked)

    view.form.fields["attribute"].value = "overall"

    assert view.reading is before
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


@pytest.fixture
def two_scales(tmp_path):
    """A coffee scored on one scale first, and on another on the second day."""
    rng = np.random.default_rng(5)
    with LabBook(tmp_path / "scales.db") as book:
        for day, scale in (("first", "liking 1-9"), ("second", "quality 6-10")):
            plan = begin(
                book,
                day,
                client="Fennmark",
                coffee="Ostrel",
                targets=at_shares(0, 0.5, 1),
                tasters=["Ana", "Bo", "Cy", "Di"],
                planning={"flights": 2 if day == "first" else 1, "duplicates": 0},
                attributes=[Attribute(name="overall", scale=SCALES[scale])],
            )
            score(book, plan, lambda _cup, _water: {"overall": float(rng.integers(6, 9))})
            lock_and_open(book, plan)
        yield book


def test_a_scale_kept_is_read_here_and_everywhere_until_another_is(two_scales):
    book = two_scales
    view = ReadingView(book, lambda _found, **_more: "")
    assert view.form.fields["scale"].value == "liking 1-9"  # of most scores
    assert view.keep_scale.layout.display == "none"

    view.form.fields["scale"].value = "quality 6-10"
    assert view.keep_scale.layout.display == ""
    view.form.fields["reason"].value = "the later day"
    view.keep_scale.click()

    assert view.keep_scale.layout.display == "none"
    assert "overall is read on quality 6-10. the later day" in view.form.result.value
    assert read(book, "Ostrel").reading.scores.scale == "quality 6-10"
    assert ReadingView(book, lambda _found, **_more: "").reading.scores.scale == "quality 6-10"
    each = opened(book, "Ostrel").read_each().readings
    assert {one.scores.scale for one in each.values()} == {"quality 6-10"}
    kept = book.sessions.keep_chosen(book.scores.opened_scores())
    assert set(kept["scale"].astype(str)) == {"quality 6-10"}
    assert read(book, "Ostrel", scale="liking 1-9").reading.scores.scale == "liking 1-9"


def test_what_was_left_out_is_listed_from_the_decisions_with_its_end(two_scales):
    book, of = two_scales, {"coffee": "Ostrel", "client": "Fennmark"}
    book.sessions.leave_out(**of, tasters=["Ana"], seen="overall", reason="a cold")
    book.sessions.leave_out(**of, tasters=["Bo"], seen="overall", reason="well again")
    book.sessions.add_remark("first", "Left out of the reading: Cy (overall). I would")
    html = ReadingView(book, lambda _found, **_more: "").form.result.value

    assert re.search(r"Ana is left out \(overall\)\. a cold Withdrawn on [-\d]+: well again", html)
    assert "Bo is left out (overall). well again<" in html
    assert "Cy" not in html.partition("Recorded choices")[2]
