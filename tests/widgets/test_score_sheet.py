"""The sheet's Python half: what it keeps, what it refuses, what it lets a browser see."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from labkit.book import Attribute, LabBook
from labkit.errors import BookAwayError, BookError, LockError
from labkit.language import LANGUAGES
from labkit.tasting import SCALES
from labkit.widgets.sheet import taster_sheet
from labkit.widgets.sheet.score_sheet import CupSheet, ScoreSheet
from labkit.widgets.sheet.sheet_desk import BookDesk, SheetCup, SheetLook
from labkit.widgets.sheet.taster_sheet import TRIES, TasterSheet, messages_of_scripts
from tests.widgets.tables import PASSPHRASE, SESSION, lay_table

ACIDITY = Attribute(name="acidity", scale=SCALES["intensity 0-15"])
WORDS = Attribute(name="words", kind="descriptors", choices=("floral", "nutty"))
NOTE = Attribute(name="note", kind="note")
AT = datetime(2026, 11, 21, 9, 30, tzinfo=UTC)


class ListDesk:
    """A desk that keeps scores in a list."""

    session, taster, owner = "a session", "Ines", "0123"
    language = ""
    attributes, stages = (ACIDITY, WORDS, NOTE), ()

    def __init__(self):
        self.scores = []
        self.trouble = None
        self.cups = (
            SheetCup(flight=1, position=1, blind_code="417"),
            SheetCup(flight=1, position=2, blind_code="903"),
        )

    def look(self):
        return SheetLook(cups=self.cups, states={1: "being tasted"}, values={})

    def sign_of_life(self):
        pass

    def take(self, score):
        if self.trouble is not None:
            raise self.trouble
        self.scores.append(score)
        return AT


@pytest.fixture
def desk():
    return ListDesk()


@pytest.fixture
def sheet(desk):
    return CupSheet(desk)


def score(number=1, **changes):
    return {
        "id": f"{number:032d}",
        "flight": 1,
        "position": 1,
        "code": "417",
        "stage": "",
        "attribute": "acidity",
        "value": 6.5,
        "at": 1_795_253_400_000,
    } | changes


def send(sheet, *scores):
    return sheet.answer({"kind": "scores", "number": 1, "known": "", "scores": list(scores)})


def test_a_score_is_kept_as_it_was_given(sheet, desk):
    answer = send(sheet, score())

    assert answer["kept"] == [{"id": f"{1:032d}", "at": AT.isoformat()}]
    (kept,) = desk.scores
    assert (kept.taster, kept.flight, kept.blind_code) == ("Ines", 1, "417")
    assert (kept.attribute, kept.value) == ("acidity", 6.5)
    assert kept.given_at == datetime.fromtimestamp(1_795_253_400, UTC)


def test_clearing_is_a_score_without_a_value(sheet, desk):
    send(sheet, score(value=None))

    assert desk.scores[0].value is None


def test_words_and_notes_are_kept_as_text(sheet, desk):
    send(
        sheet,
        score(1, attribute="words", value=["nutty", "floral"]),
        score(2, attribute="note", value="<b>like</b> tea"),
    )

    assert [kept.value for kept in desk.scores] == [("floral", "nutty"), "<b>like</b> tea"]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"value": 15.5}, "score must be between 0 and 15 in steps of 0.5"),
        ({"value": 6.3}, "score must be between 0 and 15 in steps of 0.5"),
        ({"value": True}, "acidity cannot be True on this sheet"),
        ({"value": "7"}, "acidity cannot be '7' on this sheet"),
        ({"value": float("nan")}, "score must be between 0 and 15"),
        ({"attribute": "words", "value": ["petrol"]}, "words has no word 'petrol'"),
        ({"attribute": "note", "value": 3}, "note cannot be 3 on this sheet"),
        ({"attribute": "water"}, "not scored in this session"),
        ({"stage": "hot"}, "stage of cooling is not scored"),
        ({"position": 3}, "not one of yours"),
        ({"flight": 2}, "not one of yours"),
        ({"code": "903"}, "not one of yours"),
        ({"flight": [1]}, "not one of yours"),
        ({"id": "short"}, "no valid id"),
    ],
)
def test_what_the_sheet_does_not_offer_is_refused_with_a_sentence(sheet, desk, changes, sentence):
    answer = send(sheet, score(**changes))

    assert desk.scores == []
    assert answer["kept"] == []
    assert sentence in answer["refused"][0]["sentence"]


def test_one_refusal_keeps_nothing_else_back(sheet, desk):
    answer = send(sheet, score(1, value=99), score(2, value=7))

    assert [kept.value for kept in desk.scores] == [7]
    assert len(answer["refused"]) == len(answer["kept"]) == 1


def test_what_cannot_be_kept_now_stays_in_the_browser_and_in_order(sheet, desk):
    desk.trouble = BookAwayError("the disk is full; make room and try again.")

    answer = send(sheet, score(1), score(2, value=7))

    assert answer["later"].startswith("the disk is full")
    assert answer["kept"] == answer["refused"] == []


def test_on_a_slow_disk_a_message_is_answered_in_part_before_the_browser_gives_it_up(
    sheet, desk, monkeypatch
):
    monkeypatch.setattr(taster_sheet, "ANSWER_WITHIN_S", -1)
    scores = [score(n, value=n) for n in (1, 2, 3)]

    answers = [send(sheet, *scores[n:]) for n in range(3)]

    assert [[kept["id"] for kept in answer["kept"]] for answer in answers] == [
        [f"{n:032d}"] for n in (1, 2, 3)
    ]
    assert not any(answer["later"] or answer["refused"] for answer in answers)


def test_a_phone_is_not_told_where_the_lab_book_lies(desk, caplog):
    desk.trouble = BookAwayError("/home/lead/book.db could not be written to: the disk is full.")

    answer = send(TasterSheet(desk, is_page=True), score())

    assert answer["later"] == ("the laptop cannot save it now and will retry. Tell the lead.")
    assert "/home/lead/book.db" in caplog.text


def test_a_fault_of_labkit_itself_is_a_sentence_without_its_insides(sheet, desk, caplog):
    desk.trouble = RuntimeError("secret insides")

    answer = send(sheet, score())

    assert "it is logged" in answer["later"]
    assert "secret" not in json.dumps(answer)
    assert "secret insides" in caplog.text


def test_a_score_that_fails_again_and_again_is_set_aside_and_lets_the_others_pass(
    sheet, desk, caplog
):
    desk.take = lambda score: int("x") if score.value == 3 else ListDesk.take(desk, score)

    answers = [send(sheet, score(1, value=3), score(2, value=7)) for _ in range(TRIES)]

    assert all(answer["later"] for answer in answers[:-1])
    assert answers[-1]["later"] == ""
    assert [refused["id"] for refused in answers[-1]["refused"]] == [f"{1:032d}"]
    assert [kept.value for kept in desk.scores] == [7]


def test_what_the_lab_book_will_never_take_is_refused_and_lets_the_others_pass(sheet, desk):
    """Only a book that is away makes scores wait."""
    never = BookError("note must have at most 4000 characters, got 4001; shorten it.")

    def take(score):
        if score.value == 3:
            raise never
        return ListDesk.take(desk, score)

    desk.take = take

    answer = send(sheet, score(1, value=3), score(2, value=7))

    assert answer["later"] == ""
    assert answer["refused"] == [{"id": f"{1:032d}", "sentence": str(never)}]
    assert [kept.value for kept in desk.scores] == [7]


def test_a_phone_is_not_told_what_the_database_said_to_a_score_that_is_refused(desk, caplog):
    desk.trouble = BookError("/home/lead/book.db could not be written to (out of range).")
    desk.trouble.__cause__ = ValueError("out of range")

    answer = send(TasterSheet(desk, is_page=True), score())

    assert "book.db" not in json.dumps(answer)
    assert len(answer["refused"]) == 1
    assert "/home/lead/book.db" in caplog.text


@pytest.mark.parametrize(
    ("at", "now", "ago_s"),
    [
        (1_600_000_000_000, 1_600_000_300_000, 300),  # a clock of years ago, five minutes of wait
        (1_900_000_000_000, 1_600_000_000_000, 0),  # it stepped back meanwhile
        (1_600_000_000_000, float("nan"), None),
        (float("inf"), 1_600_000_000_000, None),
    ],
)
def test_when_a_score_was_given_is_told_by_our_clock_and_how_long_the_phone_held_it(
    sheet, desk, at, now, ago_s
):
    sheet.answer({"number": 1, "device": "0123abcd", "now": now, "scores": [score(at=at)]})

    (kept,) = desk.scores
    assert kept.device == "0123abcd"
    if ago_s is not None:
        ago = datetime.now(UTC) - kept.given_at
        assert timedelta(seconds=ago_s) <= ago < timedelta(seconds=ago_s + 60)


@pytest.mark.parametrize("device", [None, 3, "", "<b>", "0123ABCD", "0" * 99])
def test_a_browser_calls_itself_by_eight_signs_or_nothing(sheet, desk, device):
    sheet.answer({"number": 1, "device": device, "scores": [score()]})

    assert desk.scores[0].device == ""


def test_a_refusal_by_the_lock_says_so(sheet, desk):
    desk.trouble = LockError("flight 1 is locked: scores can no longer change.")

    answer = send(sheet, score())

    assert "locked" in answer["refused"][0]["sentence"]


@pytest.mark.parametrize("garbage", [None, "x", {}, {"scores": 3}, {"scores": [None, {}, [1]]}])
def test_garbage_changes_nothing_and_breaks_nothing(sheet, desk, garbage):
    for data in ({"method": "custom", "content": garbage}, {"method": "update"}, {}):
        sheet._handle_msg({"content": {"data": data}})

    assert desk.scores == []


def test_a_browser_cannot_overwrite_what_the_sheet_shows(sheet):
    before = sheet.plan

    state = {"plan": {"taster": "Jonas"}, "_esm": "alert(1)"}
    sheet._handle_msg({"content": {"data": {"method": "update", "state": state}}})

    assert sheet.plan == before
    assert "alert(1)" not in sheet._esm


def test_a_flight_planned_meanwhile_appears(sheet, desk):
    known = send(sheet)["look"]["mark"]
    assert sheet.answer({"number": 2, "known": known, "scores": []})["look"] is None

    desk.cups += (SheetCup(flight=2, position=1, blind_code="250"),)

    look = sheet.answer({"number": 3, "known": known, "scores": []})["look"]
    assert [cup["code"] for cup in look["cups"]] == ["417", "903", "250"]


# ------------------------------------------------------------------------- with a lab book


@pytest.fixture
def book(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        yield book


def first_cup(book, taster="Ines"):
    cup = book.sessions.served_cups(SESSION, 1, taster)[0]
    return {"attribute": "acidity", "position": cup.position, "code": cup.blind_code}


def test_a_score_sent_twice_is_one_row(book):
    sheet = CupSheet(BookDesk(book, SESSION, "Ines"))

    answers = [send(sheet, score(**first_cup(book))) for _ in range(3)]

    assert len(book.scores.history(SESSION)) == 1
    assert len({json.dumps(answer["kept"]) for answer in answers}) == 1


def test_after_the_lock_nothing_changes(book):
    sheet = CupSheet(BookDesk(book, SESSION, "Ines"))
    send(sheet, score(1, **first_cup(book)))
    book.sessions.lock_flights(SESSION, [1])

    answer = send(sheet, score(2, value=9, **first_cup(book)))

    assert "locked" in answer["refused"][0]["sentence"]
    assert answer["look"]["flights"]["1"] == "locked"
    assert [entry.value for entry in book.scores.history(SESSION)] == [6.5]


def test_of_two_devices_the_value_given_last_counts_whichever_is_back_last(book):
    sheet = CupSheet(BookDesk(book, SESSION, "Ines", device="the tasters' page"))
    cup = first_cup(book)
    minute = 60_000

    def give(device, number, value, ago_min):
        late = score(number, value=value, at=2 * 10**12 - ago_min * minute, **cup)
        message = {"number": 1, "device": device, "now": 2 * 10**12, "scores": [late]}
        return sheet.answer(message)

    give("0000000a", 1, 7, 0)
    away = give("0000000b", 2, 3, 10)

    assert "given as 7 later" in away["refused"][0]["sentence"]
    assert away["look"]["values"] == {"1/1//acidity": 7}
    assert give("0000000a", 3, 8, 10)["refused"] == [], "one device's own order counts"
    assert [(e.value, e.device) for e in book.scores.history(SESSION)] == [
        (7, "the tasters' page 0000000a"),
        (8, "the tasters' page 0000000a"),
    ]


def test_a_note_with_what_cannot_be_stored_is_kept_without_it(book):
    sheet = CupSheet(BookDesk(book, SESSION, "Ines"))
    cup = first_cup(book) | {"attribute": "note"}

    answer = send(sheet, score(1, **cup, value="te\0a \ud83d"), score(2, **cup, value="x" * 4001))

    assert [kept["id"] for kept in answer["kept"]] == [f"{1:032d}"]
    assert "at most 4000 characters" in answer["refused"][0]["sentence"]
    assert [e.value for e in book.scores.history(SESSION)] == ["tea \N{REPLACEMENT CHARACTER}"]


def test_an_id_that_comes_again_with_another_value_is_not_called_saved(book):
    sheet = CupSheet(BookDesk(book, SESSION, "Ines"))
    cup = first_cup(book)
    send(sheet, score(1, value=3, **cup))

    answer = send(sheet, score(1, value=4, **cup))

    assert answer["kept"] == []
    assert [refused["id"] for refused in answer["refused"]] == [f"{1:032d}"]


def test_a_sheet_opens_and_is_read_while_somebody_holds_the_book(tmp_path):
    lay_table(tmp_path / "book.db")
    with (
        closing(sqlite3.connect(tmp_path / "book.db", isolation_level=None)) as other,
        LabBook(tmp_path / "book.db", must_exist=True, patience_s=0.1) as book,
    ):
        other.execute("BEGIN IMMEDIATE")
        sheet = TasterSheet(BookDesk(book, SESSION, "Ines"), is_page=True)
        looked, given = send(sheet), send(sheet, score(**first_cup(book)))
        other.execute("ROLLBACK")

    assert (looked["later"], len(looked["look"]["cups"])) == ("", 8)
    assert given["later"].startswith("the laptop cannot save it now")


def test_values_of_another_device_are_shown(book):
    phone, tablet = (CupSheet(BookDesk(book, SESSION, "Ines")) for _ in range(2))
    known = send(tablet)["look"]["mark"]
    send(phone, score(**first_cup(book)))

    look = tablet.answer({"number": 2, "known": known, "scores": []})["look"]

    assert look["values"] == {"1/1//acidity": 6.5}


def test_no_sheet_holds_a_water_a_key_or_somebody_elses_score(book):
    jonas = CupSheet(BookDesk(book, SESSION, "Jonas"))
    send(jonas, score(value=13.5, **first_cup(book, "Jonas")))

    ines = CupSheet(BookDesk(book, SESSION, "Ines"))
    state = {
        name: value for name, value in ines.get_state().items() if name not in {"_esm", "_css"}
    }
    # What all sheets say, whatever is on the table: "rinse with water".
    for code, says in state["plan"]["words"]["offered"].items():
        assert says.pop("messages") == {
            message: LANGUAGES[code].gettext(message) for message in messages_of_scripts()
        }
    seen = json.dumps([state, send(ines)], default=str)

    assert ines.plan["look"]["values"] == {}
    assert PASSPHRASE not in seen
    for word in ("water", "hardness", "alkalinity", "mg_share", "jug", "W1", "J1", "Jonas"):
        assert word not in seen


def test_an_unknown_taster_gets_no_sheet(book):
    with pytest.raises(BookError, match="taster"):
        BookDesk(book, SESSION, "Nobody")


def test_nobody_is_picked_by_default(book):
    form = ScoreSheet(book, session=SESSION)

    assert form.who.value is None
    assert form.sheet is None


def test_picking_a_name_shows_that_persons_sheet(book):
    form = ScoreSheet(book, session=SESSION)

    form.who.value = "Mirela"

    assert form.sheet.plan["taster"] == "Mirela"
    assert book.scores.history(SESSION) == ()


def test_a_paper_sheet_that_the_lead_copies_is_told_apart_from_the_tasters_own_score(book):
    form = ScoreSheet(book, session=SESSION, taster="Ines")
    cup = first_cup(book)
    send(form.sheet, score(1, value=3, **cup))
    own = form.sheet.plan["owner"]

    form.copied_by.value = "Dora "
    send(form.sheet, score(2, value=4, **cup))
    send(form.sheet)

    assert form.sheet.plan["taster"] == "Ines"
    assert form.sheet.plan["owner"] != own, "scores that still wait keep their own hand"
    assert [(e.value, e.source, e.entered_by) for e in book.scores.history(SESSION)] == [
        (3, "sheet", "Ines"),
        (4, "paper", "Dora"),
    ]
    assert book.sessions.progress(SESSION)["seen_at"].isna().all(), "who copies is not the taster"


def test_who_tastes_alone_scores_by_position_as_codes_are_read_later(tmp_path):
    lay_table(tmp_path / "alone.db", tasters=("Ines",), alone=True)
    with LabBook(tmp_path / "alone.db") as book:
        sheet = CupSheet(BookDesk(book, SESSION, "Ines"))
        cups = sheet.plan["look"]["cups"]

        answer = send(sheet, score(position=2, code=None))

        assert {cup["code"] for cup in cups} == {None}
        assert answer["refused"] == []
        assert [(e.position, e.value) for e in book.scores.history(SESSION)] == [(2, 6.5)]
