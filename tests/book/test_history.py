"""The history of a score: nothing is lost from it, and what is current is never in doubt."""

from __future__ import annotations

import csv
import shutil
import tempfile
from contextlib import nullcontext
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from labkit.book import LabBook
from labkit.book.files.csv_files import frame_csv, neutral, original, read_lines, write_csv
from labkit.errors import BookError, LockError, StaleError
from tests.book.samples import SESSION, start_tasting


def test_a_late_phone_does_not_hide_what_it_replaces(tasting):
    """A phone touched 7 in a dead spot; the lead entered 8 from paper; then the phone is back."""
    book, _ = tasting
    noon = datetime(2026, 11, 20, 12, tzinfo=UTC)
    place = (SESSION, 1, "Ada", "overall")
    lead = book.scores.record_score(*place, 8, position=1, source="lead", entered_by="Dora")
    phone = book.scores.record_score(
        *place, 7, position=1, given_at=noon, device="phone", entry_id="p1"
    )

    # What was taken last is current, and the answer names what it took the place of.
    assert phone.replaced == lead
    assert phone.replaced.source == "lead"
    (current,) = book.scores.current_scores(SESSION, 1, "Ada")
    assert (current.value, current.given_at) == (7, noon)
    assert [e.value for e in book.scores.history(SESSION)] == [8, 7]
    # Sent again, it changes nothing: the lead's next correction stays.
    book.scores.record_score(*place, 8, position=1, source="lead", entered_by="Dora")
    assert not book.scores.record_score(*place, 7, position=1, device="phone", entry_id="p1").is_new
    assert [e.value for e in book.scores.current_scores(SESSION, 1, "Ada")] == [8]


def test_an_entry_id_of_another_score_is_refused(tasting):
    book, _ = tasting
    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1, entry_id="one")
    for taster, attribute in (("Béla", "overall"), ("Ada", "acidity")):
        with pytest.raises(BookError, match="'one' is another score's"):
            book.scores.record_score(SESSION, 1, taster, attribute, 7, position=1, entry_id="one")
    assert len(book.scores.history(SESSION)) == 1


def test_an_entry_id_sent_again_with_other_content_is_refused(tasting):
    """Acknowledging it would call something saved that is not."""
    book, _ = tasting
    first, second = book.sessions.served_cups(SESSION, 1, "Ada")[:2]
    sent = {
        "overall": (7, "7", 7.25, None),
        "note": ("tea", " tea\0 ", "teas", None),
        "words": (["nutty", "floral"], ["floral", "nutty"], ["nutty"], None),
        "acidity": (None, None, 3, 0),
    }
    for attribute, (value, same, *others) in sent.items():
        place = (SESSION, 1, "Ada", attribute)
        book.scores.record_score(*place, value, blind_code=first.blind_code, entry_id=attribute)
        again = book.scores.record_score(*place, same, position=first.position, entry_id=attribute)
        assert not again.is_new
        for other in others:
            with pytest.raises(BookError, match="another score's"):
                book.scores.record_score(*place, other, position=first.position, entry_id=attribute)
        for cup in ({"position": second.position}, {"blind_code": second.blind_code}):
            with pytest.raises(BookError, match="another score's"):
                book.scores.record_score(*place, value, **cup, entry_id=attribute)
    assert len(book.scores.history(SESSION)) == len(sent)
    book.sessions.lock_flights(SESSION, [1])
    for value, is_kept in ((7, True), (8, False)):
        touch = (SESSION, 1, "Ada", "overall", value)
        with nullcontext() if is_kept else pytest.raises(BookError, match="another score's"):
            receipt = book.scores.record_score(*touch, position=first.position, entry_id="overall")
            assert not receipt.is_new


def test_a_note_is_kept_without_what_no_database_can_store(tasting):
    book, _ = tasting
    notes = {"nul": "te\0a", "half a smiley": "tea \ud83d!", "whole": "tea 🍵\tgreen\nblack"}
    for name, note in notes.items():
        place = (SESSION, 1, "Ada", "note", note)
        assert book.scores.record_score(*place, position=1, entry_id=name).is_new
        assert not book.scores.record_score(*place, position=1, entry_id=name).is_new
    assert [e.value for e in book.scores.history(SESSION)] == [
        "tea",
        "tea \N{REPLACEMENT CHARACTER}!",
        "tea 🍵\tgreen\nblack",
    ]
    with pytest.raises(BookError, match="at most 4000 characters"):
        book.scores.record_score(SESSION, 1, "Ada", "note", "x" * 4001, position=1)


def test_a_device_that_was_away_gives_way_to_what_was_given_later(tasting):
    book, _ = tasting
    noon = datetime(2026, 11, 20, 12, tzinfo=UTC)

    def give(value, minute, device, entry_id=None):
        return book.scores.record_score(
            *(SESSION, 1, "Ada", "overall", value),
            position=1,
            given_at=noon + timedelta(minutes=minute),
            device=device,
            entry_id=entry_id,
            yields=True,
        )

    give(7, 5, "phone", "sent once")
    with pytest.raises(StaleError, match="given as 7 later"):
        give(8, 0, "tablet")
    give(9, 6, "tablet")
    assert not give(7, 5, "phone", "sent once").is_new, "it is kept, and not the last word"
    give(8, 2, "tablet")  # its own clock stepped back: a device's own order counts
    give(None, 7, "phone")
    with pytest.raises(StaleError, match="taken back later"):
        give(8, 6, "tablet")
    assert [e.value for e in book.scores.history(SESSION)] == [7, 9, 8, None]


def test_stages_of_cooling_are_scores_of_their_own(book):
    start_tasting(book, stages=["hot", "cool"])
    for stage, value in (("hot", 7), ("cool", 8), ("hot", 7.5)):
        book.scores.record_score(SESSION, 1, "Ada", "overall", value, position=1, stage=stage)
    current = {e.stage: e.value for e in book.scores.current_scores(SESSION, 1, "Ada")}
    assert current == {"hot": 7.5, "cool": 8}
    with pytest.raises(BookError, match="stage"):
        book.scores.record_score(SESSION, 1, "Ada", "overall", 7, position=1)


def test_several_scores_are_taken_together_or_not_at_all(tasting):
    from labkit.book import Score
    from labkit.errors import ScaleError

    book, _ = tasting
    touches = [
        Score(session=SESSION, flight=1, taster="Ada", attribute="overall", value=v, position=p)
        for p, v in ((1, 7), (2, 11))
    ]
    with pytest.raises(ScaleError):
        book.scores.record_scores(touches)
    assert book.scores.history(SESSION) == ()


def test_a_remark_stays_with_its_session(tasting):
    book, _ = tasting
    book.sessions.add_remark(
        SESSION, "left Chen out of the reading: had a cold", flight=1, done_by="Dora"
    )
    event = book.sessions.events(SESSION)[-1]
    assert (event.kind, event.flight, event.done_by) == ("remark", 1, "Dora")
    assert event.reason.startswith("left Chen out")
    with pytest.raises(BookError, match="a remark must not be empty"):
        book.sessions.add_remark(SESSION, " ")


places = st.tuples(st.sampled_from(["Ada", "Béla"]), st.integers(1, 3))
values = st.one_of(st.none(), st.integers(24, 40).map(lambda quarter: quarter / 4))


class OneFlight(RuleBasedStateMachine):
    """Scores, corrections, clearings, resendings, locks and restarts in any order."""

    new_book = None

    def __init__(self):
        super().__init__()
        memory = Path("/dev/shm")
        self.folder = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None))
        self.path = Path(shutil.copy(self.new_book, self.folder / "book.db"))
        self.book = LabBook(self.path)
        self.entries = []
        self.is_locked = False

    @initialize()
    def start(self):
        start_tasting(self.book)

    @rule(place=places, value=values)
    def touch(self, place, value):
        taster, position = place
        entry_id = f"e{len(self.entries)}"
        sent = (SESSION, 1, taster, "overall", value)
        if self.is_locked:
            with pytest.raises(LockError):
                self.book.scores.record_score(*sent, position=position, entry_id=entry_id)
            return
        receipt = self.book.scores.record_score(*sent, position=position, entry_id=entry_id)
        before = self.current().get(place)
        assert (receipt.replaced.value if receipt.replaced else None) == before
        self.entries.append((entry_id, place, value))

    @rule(data=st.data())
    def send_again(self, data):
        if not self.entries:
            return
        entry_id, (taster, position), value = data.draw(st.sampled_from(self.entries))
        receipt = self.book.scores.record_score(
            SESSION, 1, taster, "overall", value, position=position, entry_id=entry_id
        )
        assert not receipt.is_new

    @rule()
    def lock_or_unlock(self):
        if self.is_locked:
            self.book.sessions.unlock_flight(SESSION, 1, reason="again")
        else:
            self.book.sessions.lock_flights(SESSION, [1])
        self.is_locked = not self.is_locked

    @rule()
    def restart(self):
        self.book.close()
        self.book = LabBook(self.path)

    def current(self):
        """The model: the last entry of each place, unless it cleared."""
        last = {place: value for _, place, value in self.entries}
        return {place: value for place, value in last.items() if value is not None}

    @invariant()
    def the_history_is_all_that_was_acknowledged(self):
        if not self.book.sessions.all():
            return
        history = [(e.entry_id, e.value) for e in self.book.scores.history(SESSION)]
        assert history == [(entry_id, value) for entry_id, _, value in self.entries]
        shown = {
            (taster, e.position): e.value
            for taster in ("Ada", "Béla")
            for e in self.book.scores.current_scores(SESSION, 1, taster)
        }
        assert shown == self.current()

    def teardown(self):
        self.book.close()
        shutil.rmtree(self.folder)


def test_any_order_of_touches_locks_and_restarts_keeps_the_history(new_book_file, monkeypatch):
    from hypothesis.stateful import run_state_machine_as_test

    monkeypatch.setattr(OneFlight, "new_book", new_book_file)
    run_state_machine_as_test(
        OneFlight, settings=settings(max_examples=8, stateful_step_count=15, deadline=None)
    )


texts = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0\r"), max_size=40
).map(str.strip)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=st.lists(st.tuples(texts, texts), min_size=1, max_size=5))
def test_any_text_comes_back_from_a_csv_file_as_it_was(rows, tmp_path):
    path = write_csv(tmp_path / "x.csv", ["a", "b"], rows, overwrite=True)
    _, lines = read_lines(path)
    assert [tuple(line.cells.values()) for line in lines] == [row for row in rows if any(row)]


@settings(deadline=None)
@given(cell=st.text())
def test_no_cell_starts_a_formula_and_each_comes_back(cell):
    written = neutral(cell)
    assert not written.startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"))
    assert original(written) == cell


@pytest.mark.parametrize(
    "cell",
    ["a;=1+1", 'a; "=1+1"', "a\t@x", "a\n+1", "a\r\n-1;=2", "floral; -nutty", "a;'=1", "=1;=1"],
)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_no_spreadsheet_starts_a_formula_whichever_sign_it_separates_by(cell, separator, tmp_path):
    """A program's reading by other separators than ours, quotation marks taken or left."""
    path = write_csv(tmp_path / "x.csv", ["a", cell], [["x", cell], [cell, "x"]])
    text = path.read_text(encoding="utf-8")
    by_line = [part for line in text.splitlines() for part in line.split(separator)]
    by_reader = [part for row in csv.reader(text.splitlines(), delimiter=separator) for part in row]
    for part in [*by_line, *by_reader]:
        assert not part.strip(' "').startswith(("=", "+", "-", "@"))
    header, lines = read_lines(path)
    assert header == ["a", cell]
    assert [tuple(line.cells.values()) for line in lines] == [("x", cell), (cell, "x")]


@settings(deadline=None)
@given(cell=st.text(alphabet="a'=\"; \t\n\r＝,"))
def test_whatever_is_made_safe_comes_back(cell):
    assert original(neutral(cell)) == cell


def test_a_frame_for_a_spreadsheet_runs_nothing_and_keeps_its_numbers():
    frame = pd.DataFrame({"coffee": ["=1+1", "Lot 7"], "score": [-1.5, None], "cups": [-3, 4]})
    assert frame_csv(frame) == "coffee,score,cups\n'=1+1,-1.5,-3\nLot 7,,4\n"


def test_given_times_may_differ_from_the_order_of_taking(tasting):
    book, _ = tasting
    noon = datetime(2026, 11, 20, 12, tzinfo=UTC)
    for minutes, value in ((10, 7), (5, 8)):
        book.scores.record_score(
            SESSION,
            1,
            "Ada",
            "overall",
            value,
            position=1,
            given_at=noon + timedelta(minutes=minutes),
        )
    (current,) = book.scores.current_scores(SESSION, 1, "Ada")
    assert current.value == 8
