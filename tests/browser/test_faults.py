"""Eight faults in one go, as the seed has it: every score is kept once, in order, or refused."""

from __future__ import annotations

import pytest

from tests.faults.room import Room, stepping_clock
from tests.widgets.serving import serving
from tests.widgets.tables import SESSION, lay_table

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SEED, FAULTS = 20_261_128, 8


@pytest.fixture
def room(tmp_path, browser):
    """Two tasters with phones; tests/benchmarks/hundred_faults.py has a third, and a lead."""
    contexts = []

    def new_context(**options):
        contexts.append(browser.new_context(**options))
        return contexts[-1]

    lay_table(tmp_path / "book.db")
    with (
        stepping_clock(tmp_path) as clock,
        serving(tmp_path / "book.db", SESSION, tmp_path) as place,
    ):
        yield Room(place, new_context, ("Ines", "Jonas"), clock, SEED)
    for context in contexts:
        context.close()


def test_whatever_fails_alone_or_two_at_a_time_no_score_is_lost(room):
    counts = room.go_through(FAULTS)

    assert len(counts.faults) == FAULTS, "one of each kind"
    assert counts.holds, str(counts)
    assert counts.given == counts.answered == counts.kept + counts.refused
    assert counts.given > 150
