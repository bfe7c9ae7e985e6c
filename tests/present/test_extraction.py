"""What is said of strength and yield, and both estimates beside each other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit.analysis import ExtractionKind, read_coffee
from labkit.present import say, to_html
from labkit.present.extraction import extraction_html
from tests.benchmarks.extraction_alarms import tasted


@pytest.fixture(scope="module")
def reading():
    frame = tasted(np.random.default_rng(4), serving="a cup each", n_tasters=6)
    return read_coffee(frame)


def test_the_page_says_it_and_shows_both_estimates(reading):
    (one,) = reading.extraction
    page = to_html(reading)
    assert say(one) in page.replace("&lt;", "<")
    assert extraction_html(reading) in page
    w5 = one.waters.set_index("recipe").loc["W5"]
    for end in ("", "_equal"):
        assert f"{w5[f'difference{end}']:+.1f} ({w5[f'lo{end}']:+.1f} to" in page
    assert f"at {one.centre:.2f} %" in page


def test_each_answer_has_its_sentence(reading):
    (one,) = reading.extraction
    said = {kind: say(replace(one, kind=kind)) for kind in ExtractionKind}
    assert len(set(said.values())) == len(ExtractionKind)
    assert "is not the same as one that tastes better" in said[ExtractionKind.SHARED]
    assert "Brew each water to the same brew strength" in said[ExtractionKind.TOGETHER]
    assert "W2" in say(replace(one, kind=ExtractionKind.TOO_FEW, unmeasured=("W2",)))


def test_nothing_is_said_where_nothing_was_measured(reading):
    plain = replace(reading, extraction=())
    assert extraction_html(plain) == ""
    assert "measured in the cups" not in to_html(plain)
