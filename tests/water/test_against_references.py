"""labkit's figures against published and independently computed ones (shared/water)."""

from pathlib import Path

import pytest

from labkit.errors import ImportFileError
from labkit.water.checks import difference_table, worst_by_group

REFERENCES = Path(__file__).resolve().parents[2] / "shared" / "water"
ROWS = difference_table(REFERENCES)
GROUPS = sorted({str(row["group"]) for row in ROWS})


@pytest.mark.parametrize("group", GROUPS)
def test_every_reference_is_met_within_its_tolerance(group):
    """Sources and tolerances: shared/water/README.md and the tables beside it."""
    missed = [
        (row["quantity"], row["ours"], row["reference"], row["tolerance"], row["source"])
        for row in ROWS
        if row["group"] == group and not row["agrees"]
    ]
    assert not missed


def test_all_kinds_of_reference_are_there():
    wanted = {
        "molar mass", "single strength", "hardness", "alkalinity", "constants", "conductivity",
        "pH", "solubility", "steel", "water", "shared bottles", "composition",
        "conductivity of waters", "saturation index", "scale", "pH of random waters",
        "saturation index of random waters", "conductivity of random waters",
    }  # fmt: skip
    assert set(GROUPS) == wanted
    assert len(ROWS) > 800
    assert all(row["source"] for row in ROWS)


def test_the_summary_counts_every_check():
    summary = worst_by_group(ROWS)
    assert sum(int(str(row["checks"])) for row in summary) == len(ROWS)
    assert all(float(str(row["largest_share_of_tolerance"])) <= 1 for row in summary)


def test_a_difference_would_be_seen(tmp_path):
    """Planted: a wrong reference is reported as not agreeing."""
    for file in REFERENCES.glob("*.csv"):
        text = file.read_text(encoding="utf-8")
        if file.name == "published_values.csv":
            text = text.replace("1.4688", "1.5688")
        (tmp_path / file.name).write_text(text, encoding="utf-8")
    missed = [row for row in difference_table(tmp_path) if not row["agrees"]]
    assert [row["quantity"] for row in missed] == ["CaCl2·2H2O for 1 mL in 1 L = 1 mg/L as CaCO3"]


def test_missing_references_are_named(tmp_path):
    with pytest.raises(ImportFileError, match=r"published_values\.csv is missing"):
        difference_table(tmp_path)
