"""Every reference value in shared/statistics, each with its source, is met within its tolerance."""

from __future__ import annotations

from pathlib import Path

import pytest

from labkit.analysis.checks import difference_table
from labkit.errors import ReadingError

FACTS = Path(__file__).resolve().parents[2] / "shared" / "statistics"


@pytest.fixture(scope="module")
def table():
    return difference_table(FACTS)


def test_every_reference_value_agrees(table):
    off = table[~table["agrees"]]

    assert off.empty, off.to_string()
    assert len(table) > 450


def test_every_reference_value_names_its_source(table):
    assert (table["source"].str.len() > 10).all()


def test_a_folder_without_facts_is_refused(tmp_path):
    with pytest.raises(ReadingError, match=r"without mixed_model_facts\.csv"):
        difference_table(tmp_path)
