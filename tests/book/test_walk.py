"""The whole way of one tasting through the lab book, and the rules that guard its scores."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from labkit.book import LabBook
from labkit.errors import BookError, LockError, ScaleError, SealError
from labkit.tasting.frame import SCORES_COLUMNS
from tests.book.samples import (
    ACIDITY,
    CLIENT,
    COFFEE,
    PASSPHRASE,
    SESSION,
    TARGETS,
    score_all,
    start_tasting,
)


def test_a_tasting_goes_from_plan_to_opened_scores(tasting):
    book, plan = tasting
    score_all(book)

    missing = book.sessions.lock_flights(SESSION, [1], done_by="Ada")[1]
    flight = book.sessions.open_flights(SESSION, [1], PASSPHRASE)[0]
    frame = book.scores.opened_scores(coffee=COFFEE, client=CLIENT)

    assert {gap.attribute for gap in missing} == {ACIDITY.name}
    assert (flight.state, flight.is_unblinded) == ("opened", False)
    assert list(frame.columns) == list(SCORES_COLUMNS)
    assert len(frame) == 3 * plan.design.cups_per_flight
    opened = {row.blind_code: row for row in plan.keys[0].open(PASSPHRASE).rows}
    for row in frame.itertuples():
        key = opened[row.blind_code]
        assert (row.jug, row.water, row.mg_share) == (key.jug, key.water, key.target.mg_share)
        assert (row.is_control, row.is_duplicate) == (key.is_control, key.is_duplicate)
    assert frame["is_duplicate"].any()
    assert frame["is_control"].any()
    assert set(frame["mg_share"]) == {target.mg_share for target in TARGETS}


def test_a_restart_finds_every_score(book_path):
    with LabBook(book_path) as book:
        start_tasting(book)
        score_all(book)
    with LabBook(book_path) as book:
        assert {entry.value for entry in book.scores.history(SESSION)} == {7.5}
        assert book.sessions.flight(SESSION, 1).state == "being tasted"


def test_a_correction_is_current_and_keeps_the_earlier_value(tasting):
    book, plan = tasting
    code = plan.cups[0].blind_code
    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, blind_code=code)
    receipt = book.scores.record_score(
        SESSION, 1, "Ada", "overall", 8.25, blind_code=code, source="lead", entered_by="Dora"
    )

    (current,) = book.scores.current_scores(SESSION, 1, "Ada")
    past = book.scores.history(SESSION, taster="Ada")

    assert receipt.replaced is not None
    assert receipt.replaced.value == 7
    assert (current.value, current.entered_by, current.source) == (8.25, "Dora", "lead")
    assert [entry.value for entry in past] == [7, 8.25]


def test_a_cleared_score_is_missing_and_its_past_stays(tasting):
    book, _ = tasting
    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
    book.scores.record_score(SESSION, 1, "Ada", "overall", None, position=1)

    assert book.scores.current_scores(SESSION, 1, "Ada") == ()
    assert [entry.value for entry in book.scores.history(SESSION)] == [7, None]
    gaps = [gap for gap in book.sessions.missing(SESSION, 1) if gap.attribute == "overall"]
    assert ("Ada", 1) in {(gap.taster, gap.position) for gap in gaps}


def test_descriptors_and_notes_are_kept_as_given(tasting):
    book, _ = tasting
    book.scores.record_score(SESSION, 1, "Ada", "words", ["papery", "floral"], position=1)
    book.scores.record_score(SESSION, 1, "Ada", "note", "like <b>rain</b>\n=1+1", position=1)

    values = {
        entry.attribute: entry.value for entry in book.scores.current_scores(SESSION, 1, "Ada")
    }

    assert values == {"words": ("floral", "papery"), "note": "like <b>rain</b>\n=1+1"}


def test_sending_the_same_entry_twice_keeps_one_even_after_the_lock(tasting):
    book, _ = tasting
    first = book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1, entry_id="e1")
    book.sessions.lock_flights(SESSION, [1])
    again = book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1, entry_id="e1")

    assert (first.is_new, again.is_new) == (True, False)
    assert again == first
    assert len(book.scores.history(SESSION)) == 1


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"value": 10.25}, ScaleError, "between 6 and 10 in steps of 0.25"),
        ({"value": 7.1}, ScaleError, "in steps of 0.25"),
        ({"value": float("nan")}, ScaleError, "nan"),
        ({"value": "good"}, ScaleError, "'good'"),
        ({"attribute": "words", "value": ["burnt"]}, ScaleError, "floral, nutty, papery"),
        ({"attribute": "note", "value": 7}, ScaleError, "note must be text"),
        ({"attribute": "sweetness"}, BookError, "attribute .* got 'sweetness'"),
        ({"taster": "Eve"}, BookError, "taster .* got 'Eve'"),
        ({"flight": 9}, BookError, "flight .* got 9"),
        ({"session": "2026-11-20 Ysmerl"}, BookError, "did you mean"),
        ({"position": 77}, BookError, "position of Ada's cups"),
        ({"position": None, "blind_code": "000"}, BookError, "code of Ada's cups"),
        ({"position": None}, BookError, "named by its code or its position"),
        ({"stage": "hot"}, BookError, "stage"),
        ({"source": "dream"}, BookError, "source"),
        ({"given_at": datetime(2026, 11, 20)}, BookError, "given_at must have a time zone"),
        ({"taster": "Ada'; DROP TABLE scores; --"}, BookError, "DROP TABLE"),
    ],
)
def test_a_bad_score_is_one_sentence_and_nothing_is_written(sqlite_book, change, error, words):
    book = sqlite_book
    start_tasting(book)
    touch = {
        "session": SESSION,
        "flight": 1,
        "taster": "Ada",
        "attribute": "overall",
        "value": 7,
        "position": 1,
    }
    with pytest.raises(error, match=words):
        book.scores.record_score(**touch | change)
    assert book.scores.history(SESSION) == ()
    assert book.sessions.flight(SESSION, 1).state == "planned"


def test_a_score_after_the_lock_is_refused(tasting):
    book, _ = tasting
    book.sessions.lock_flights(SESSION, [1])
    with pytest.raises(LockError, match="is locked: scores can no longer change"):
        book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)
    assert book.scores.history(SESSION) == ()
    # The other flight is still open to scores.
    book.scores.record_score(SESSION, 2, "Ada", "overall", 7, position=1)


def test_the_key_does_not_open_before_the_lock(tasting):
    book, _ = tasting
    with pytest.raises(LockError, match="must be locked before its key opens"):
        book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    assert book.scores.opened_scores(include_unblinded=True).empty


def test_opening_early_is_recorded_and_marks_the_flight(tasting):
    book, _ = tasting
    score_all(book)
    early = book.sessions.open_flights(
        SESSION, [1], PASSPHRASE, early_because="a bowl was dropped", done_by="Dora"
    )[0]
    assert (early.state, early.is_unblinded) == ("being tasted", True)
    book.sessions.lock_flights(SESSION, [1])

    assert book.sessions.flight(SESSION, 1).state == "opened"
    assert book.scores.opened_scores().empty
    assert not book.scores.opened_scores(include_unblinded=True).empty
    event = next(e for e in book.sessions.events(SESSION) if e.kind == "opened before the lock")
    assert (event.reason, event.done_by, event.flight) == ("a bowl was dropped", "Dora", 1)


def test_a_wrong_passphrase_opens_nothing(tasting):
    book, _ = tasting
    book.sessions.lock_flights(SESSION, [1])
    with pytest.raises(SealError, match="passphrase"):
        book.sessions.open_flights(SESSION, [1], "seven small forks")
    assert book.sessions.flight(SESSION, 1).state == "locked"


def test_unlocking_needs_a_reason_and_after_opening_unblinds(tasting):
    book, _ = tasting
    score_all(book)
    book.sessions.lock_flights(SESSION, [1])
    with pytest.raises(LockError, match="needs a reason"):
        book.sessions.unlock_flight(SESSION, 1, reason=" ")
    assert not book.sessions.unlock_flight(SESSION, 1, reason="Chen was late").is_unblinded
    book.scores.record_score(SESSION, 1, "Chen", "overall", 6, position=1)
    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)

    assert book.sessions.unlock_flight(SESSION, 1, reason="misread sheet").is_unblinded
    assert [e.reason for e in book.sessions.events(SESSION) if e.kind == "unlocked"] == [
        "Chen was late",
        "misread sheet",
    ]


def test_the_times_are_kept_in_utc(tasting):
    book, _ = tasting
    moment = datetime(2026, 11, 20, 10, 30, 15, 123456, tzinfo=UTC)
    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1, given_at=moment)
    (entry,) = book.scores.history(SESSION)
    assert entry.given_at == moment
    assert entry.received_at.tzinfo == UTC
