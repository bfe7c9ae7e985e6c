"""labkit's figures against every published and independently computed one in shared/.

Sources and tolerances stand in the tables, and in the README.md beside them.
"""

from __future__ import annotations

import csv
import json
import math
import shutil
import sys
from collections import Counter

import pytest

from labkit.checks import designs, statistics, waters
from labkit.checks.references import Comparison, nearest_to_differing, summarise
from labkit.errors import ImportFileError
from tests.project import PROJECT

SHARED = PROJECT / "shared"
ROOMS = {"water": waters, "designs": designs, "statistics": statistics}
OPENED: set[str] | None = None


def note_opened(event, arguments):
    """Keep the names of files that are opened, while a set is there to hold them."""
    if event == "open" and OPENED is not None and isinstance(arguments[0], str):
        OPENED.add(arguments[0])


@pytest.fixture(scope="module")
def opened_and_compared():
    """What the notebook of checks calls, and the files that it opened."""
    global OPENED
    sys.addaudithook(note_opened)  # it cannot be taken away again, so it rests without a set
    OPENED = set()
    compared = {folder: room.compare_all(SHARED / folder) for folder, room in ROOMS.items()}
    opened, OPENED = OPENED, None
    return opened, compared


@pytest.fixture(scope="module")
def compared(opened_and_compared):
    return opened_and_compared[1]


def rows_of(name):
    with (SHARED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def compare(**changes):
    plain = {"group": "g", "quantity": "q", "ours": 1.0, "reference": 1.0, "tolerance": 0.1}
    return Comparison(**(plain | {"source": "by hand"} | changes))


@pytest.mark.parametrize("room", ROOMS)
def test_every_reference_is_met_within_its_tolerance(room, compared):
    assert [one.as_row() for one in compared[room] if not one.agrees] == []


@pytest.mark.parametrize("room", ROOMS)
def test_every_reference_names_its_source_and_a_tolerance(room, compared):
    assert all(len(one.source) > 10 and one.tolerance >= 0 for one in compared[room])


def test_every_table_in_shared_is_read(opened_and_compared):
    opened, _ = opened_and_compared
    tables = {str(path) for path in SHARED.rglob("*.csv")}

    assert tables - opened == set()


def test_every_figure_of_every_table_is_compared(compared):
    """Counted in the tables, apart from what the rooms make of them."""
    water, statistic = compared["water"], compared["statistics"]
    groups = Counter(one.group for one in water)
    pairs = rows_of("water/bottle_pairs.csv")
    losses = [name for name in pairs[0] if name.startswith(("index", "lost"))]
    assert groups["shared bottles"] == sum(bool(row[name]) for row in pairs for name in losses)

    for name in ("reference_waters.csv", "random_waters.csv"):
        rows = rows_of(f"water/{name}")
        given = [column for column in rows[0] if column.endswith("_mmol_l")]
        for column in rows[0].keys() - {"id", "name", *given}:
            for row in rows:
                quantity = f"{row['id']} {column}"
                assert sum(one.quantity == quantity for one in water) == bool(row[column]), quantity

    published = Counter(row["group"] for row in rows_of("water/published_values.csv"))
    others = {"pH": 48}  # of the twelve waters, counted above
    assert {group: groups[group] - others.get(group, 0) for group in published} == published

    facts = [row for name in statistics.FILES for row in rows_of(f"statistics/{name}")]
    assert len(statistic) == len(facts)


def test_every_design_of_every_table_is_compared(compared):
    labels = {one.quantity.partition(":")[0] for one in compared["designs"]}

    sizes = {f"{row['cups']} cups" for row in rows_of("designs/williams_orders.csv")}
    for name in ("balanced_parameters.csv", "balanced_blocks.csv"):
        sizes |= {f"{r['waters']} waters, {r['cups']} cups" for r in rows_of(f"designs/{name}")}
    near = rows_of("designs/near_balanced.csv")
    sizes |= {f"{r['waters']} waters, {r['cups']} cups, {r['blocks']} blocks" for r in near}
    assert labels == sizes


@pytest.mark.parametrize(
    ("compare_some", "file", "right", "wrong", "missed"),
    [
        (
            waters.compare_all,
            "water/published_values.csv",
            ",1.4688,",
            ",1.5688,",
            ["CaCl2·2H2O for 1 mL in 1 L = 1 mg/L as CaCO3"],
        ),
        (
            statistics.compare_all,
            "statistics/panel_facts.csv",
            "ICC1,0.17,",
            "ICC1,0.71,",
            ["ICC1"],
        ),
        (
            designs.near_balanced_designs,
            "designs/near_balanced.csv",
            "8,3,8,0.7619,0.7467",
            "8,3,8,0.7619,0.7667",
            ["8 waters, 3 cups, 8 blocks: efficiency factor, at least the one found"],
        ),
    ],
)
def test_a_difference_would_be_seen(compare_some, file, right, wrong, missed, tmp_path):
    """Planted: a wrong reference is reported as differing, and nothing else."""
    planted = tmp_path / file
    shutil.copytree((SHARED / file).parent, planted.parent)
    text = planted.read_text(encoding="utf-8")
    assert text.count(right) == 1
    planted.write_text(text.replace(right, wrong), encoding="utf-8")

    found = compare_some(planted.parent)

    assert [one.quantity for one in found if not one.agrees] == missed


@pytest.mark.parametrize("room", ROOMS)
def test_missing_references_are_named(room, tmp_path):
    with pytest.raises(ImportFileError, match=r"reference file .*\.csv is missing: name the"):
        ROOMS[room].compare_all(tmp_path)


@pytest.mark.parametrize(
    ("changes", "agrees", "uses"),
    [
        ({"ours": 1.05}, True, 0.5),
        ({"ours": 0.85}, False, 1.5),
        ({"ours": 105.0, "reference": 100.0, "tolerance": 4.0, "in_percent": True}, False, 1.25),
        ({"ours": 1.5, "rule": "at least"}, True, 0.0),
        ({"ours": 0.8, "rule": "at least"}, False, 2.0),
        ({"ours": 0.5, "rule": "at most"}, True, 0.0),
        ({"tolerance": 0.0}, True, 0.0),
        ({"ours": 2.0, "tolerance": 0.0}, False, math.inf),
        ({"ours": math.nan}, False, math.nan),
        ({"ours": math.nan, "rule": "at least"}, False, math.nan),
    ],
)
def test_agreeing_is_being_within_the_tolerance(changes, agrees, uses):
    one = compare(**changes)

    assert one.agrees is agrees
    assert one.as_row()["in words"] == ("agrees" if agrees else "differs")
    assert one.share_of_tolerance == pytest.approx(uses, nan_ok=True)


def test_a_summary_says_in_words_how_many_differ():
    near, far = compare(quantity="near", ours=1.09), compare(quantity="far", ours=1.2)

    assert summarise([compare(), near]) == [{"group": "g", "values": 2, "in words": "all agree"}]
    assert summarise([near, far, compare()])[0]["in words"] == "1 differ"


def test_the_value_nearest_to_differing_is_named():
    near, far = compare(quantity="near", ours=1.09), compare(quantity="far", ours=1.2)

    (good,) = nearest_to_differing([compare(), near])
    (bad,) = nearest_to_differing([near, far, compare()])

    assert (good["nearest"], good["uses"]) == ("near", "90 %")
    assert bad["nearest"] == "far"


def test_no_committed_output_says_how_much_of_a_tolerance_is_used():
    """A share moves with a processor's rounding; a verdict does not."""
    checks = json.loads((PROJECT / "workbook" / "5-checks.ipynb").read_text(encoding="utf-8"))
    shown = "".join(
        "".join(output.get("text", ()))
        for cell in checks["cells"]
        for output in cell.get("outputs", ())
    )

    assert "all agree" in shown
    assert "%" not in shown
