"""What the lead watches while the tasters score, and the lock."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from labkit.book import LabBook
from labkit.widgets.steps.taste.lead_view import LeadView, presence
from tests.widgets.tables import PASSPHRASE, SESSION, TASTERS, lay_table


@pytest.fixture
def book(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        yield book


def text_of(view):
    """Everything that the view says, tags dropped."""
    said = [view.table.value, view.missing.value]
    said += [form.message.value for form in (view.locking, view.record)]
    return re.sub(r"<[^>]*>", " ", " ".join(said))


def score(book, taster, position, attribute, value):
    book.scores.record_score(SESSION, 1, taster, attribute, value, position=position)


def test_every_taster_is_shown_with_cups_done_and_what_is_missing(book):
    for attribute, value in [
        ("overall quality", 8.75),
        ("liking", 7),
        ("acidity", 13.5),
        ("acidity for you", 3),
    ]:
        score(book, "Ines", 1, attribute, value)

    view = LeadView(book, session=SESSION)

    rows = re.findall(r"<tr>(.*?)</tr>", view.table.value)
    assert [re.sub("<[^>]*>", " ", row).split("  ")[:3] for row in rows if "Ines" in row] == [
        [" Ines", "1 of 4", "12"],
        [" Ines", "0 of 4", "16"],
    ]
    assert "Flight 1, being tasted" in text_of(view)
    assert all(taster in text_of(view) for taster in TASTERS)


def test_no_score_and_no_water_is_shown(book):
    score(book, "Ines", 1, "overall quality", 8.75)
    score(book, "Ines", 1, "acidity", 13.5)

    said = text_of(LeadView(book, session=SESSION))

    for secret in ("8.75", "13.5", "hardness", "alkalinity", "Mg", "W1", "J1", PASSPHRASE):
        assert secret not in said


def test_a_lock_lists_what_will_stay_missing_first_and_counts_it_after(book):
    view = LeadView(book, session=SESSION)
    code = book.sessions.served_cups(SESSION, 1, "Jonas")[0].blind_code
    assert "64 scores would stay missing" in text_of(view)
    assert f"{code} everything" in text_of(view)
    score(book, "Jonas", 1, "acidity", 3)
    view.refresh()
    assert f"{code} overall quality, liking, acidity for you" in text_of(view)

    view.lock.click()
    assert book.sessions.flight(SESSION, 1).state == "being tasted"
    assert "lacks 63 of 64 scores (Ines 16, Jonas 15," in text_of(view)

    view.lock.click()
    assert book.sessions.flight(SESSION, 1).state == "locked"
    assert "locked with 63 scores missing" in text_of(view)


def test_a_second_press_locks_only_what_it_was_asked_about(book):
    view = LeadView(book, session=SESSION)
    usual = view.lock.description
    view.lock.click()
    assert view.lock.description != usual

    score(book, "Jonas", 1, "acidity", 3)  # meanwhile
    view.lock.click()
    assert book.sessions.flight(SESSION, 1).state == "being tasted"
    assert "lacks 63 of 64" in text_of(view)

    view.flight.value = 2
    assert view.lock.description == usual
    view.flight.value = 1
    view.lock.click()
    assert book.sessions.flight(SESSION, 1).state == "being tasted"
    view.lock.click()
    assert book.sessions.flight(SESSION, 1).state == "locked"


def test_a_flight_that_lacks_nothing_is_locked_at_once(book):
    for taster in TASTERS:
        for cup in book.sessions.served_cups(SESSION, 1, taster):
            for attribute in ("overall quality", "liking", "acidity", "acidity for you"):
                score(book, taster, cup.position, attribute, 7 if "quality" in attribute else 3)
    view = LeadView(book, session=SESSION)
    view.lock.click()
    assert book.sessions.flight(SESSION, 1).state == "locked"


def test_what_happened_is_written_down_for_the_flight(book):
    view = LeadView(book, session=SESSION)
    view.note.click()
    assert "must not be empty" in text_of(view)
    view.happened.value = "the kettle failed at cup 3"
    view.note.click()
    event = book.sessions.events(SESSION)[-1]
    assert (event.kind, event.flight, event.reason) == ("remark", 1, "the kettle failed at cup 3")
    assert view.happened.value == ""


def test_what_unlocking_costs_is_said_before_and_after(book):
    book.sessions.lock_flights(SESSION, [1])
    view = LeadView(book, session=SESSION)
    assert view.cost.value == ""
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    view.refresh()
    assert "not blind for good" in view.cost.value
    view.reason.value = "a slip"
    view.unlock.click()
    assert "no longer blind" in text_of(view)


def test_a_gap_says_at_which_stage_of_cooling(tmp_path):
    lay_table(tmp_path / "stages.db", stages=("hot", "cool"))
    with LabBook(tmp_path / "stages.db") as book:
        cup = book.sessions.served_cups(SESSION, 1, "Jonas")[0]
        for attribute in ("overall quality", "liking", "acidity", "acidity for you"):
            value = 3 if "quality" not in attribute else 7
            book.scores.record_score(
                SESSION, 1, "Jonas", attribute, value, blind_code=cup.blind_code, stage="hot"
            )

        said = text_of(LeadView(book, session=SESSION))

    assert f"{cup.blind_code} overall quality cool, liking cool, acidity cool" in said


def test_unlocking_needs_a_reason_and_records_it(book):
    book.sessions.lock_flights(SESSION, [1])
    view = LeadView(book, session=SESSION)

    view.unlock.click()
    assert book.sessions.flight(SESSION, 1).state == "locked"
    assert "needs a reason" in text_of(view)

    view.reason.value = "Mirela came late"
    view.unlock.click()
    assert book.sessions.flight(SESSION, 1).state == "being tasted"
    assert [
        event.reason for event in book.sessions.events(SESSION) if event.kind == "unlocked"
    ] == ["Mirela came late"]


def test_the_view_follows_what_happens_elsewhere(book):
    view = LeadView(book, session=SESSION)
    assert "not opened yet" in text_of(view)

    book.sessions.mark_seen(SESSION, "Mirela")
    book.sessions.lock_flights(SESSION, [1])
    view.refresh()

    assert "connected" in text_of(view)
    assert "1, locked" in str(view.flight.options)
    assert view.lock.layout.display == "none"


def test_a_flight_that_is_not_blind_any_more_says_so(book):
    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    book.sessions.unlock_flight(SESSION, 1, reason="a cup was spilled")

    options = [text for text, _ in LeadView(book, session=SESSION).flight.options]

    assert options == ["1, being tasted, not blind", "2, planned"]


def test_names_are_shown_as_text(tmp_path):
    lay_table(tmp_path / "evil.db", tasters=("<img src=x onerror=alert(1)>", "Jonas"))
    with LabBook(tmp_path / "evil.db") as book:
        view = LeadView(book, session=SESSION)

        assert "<img" not in view.table.value + view.missing.value


@pytest.mark.parametrize(
    ("seen_at", "said"),
    [
        (pd.NaT, "not opened yet"),
        ("2026-11-21 09:00:40+00:00", "connected"),
        ("2026-11-21 08:57:00+00:00", "not connected, last seen 4 min ago"),
    ],
)
def test_presence_in_words(seen_at, said):
    now = pd.Timestamp("2026-11-21 09:01:00+00:00")

    assert presence(pd.Timestamp(seen_at), now) == said
