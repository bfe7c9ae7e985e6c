"""The whole job on real input: salts to plan to scores to verdict to the next recipe.

The demo scenario is built anew with its planted truth moved or flattened, through the lab book, the
sealed key and the simulated panel; verdict, picture and next recipe have to follow.
"""

import importlib.util
import re
import sys
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pytest

from labkit.analysis import (
    Note,
    PlantedPeak,
    StopKind,
    VerdictKind,
    read_coffee,
    stop_or_taste,
    suggest_flight,
)
from labkit.analysis.region import Region, makeable
from labkit.bench import plot_score, reading_pictures
from labkit.book import LabBook
from labkit.book.current import open_book
from labkit.noted import noted
from labkit.present import say
from labkit.water import COORDINATES
from labkit.widgets import levels_by_coffee

pytestmark = pytest.mark.slow

PROJECT = Path(__file__).resolve().parents[1]
RATIO, GRID = "Veltara, washed", "Osmeni, natural"


@pytest.fixture(scope="module")
def make_demo():
    """The script that makes the demo scenario, as a module."""
    spec = importlib.util.spec_from_file_location("make_demo", PROJECT / "data" / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def build(make_demo, tmp_path_factory):
    """Builds a lab book of the demo scenario with other truths."""
    books = []

    def make(planted):
        book = LabBook(tmp_path_factory.mktemp("book") / "demo.db")
        make_demo.build(book, planted)
        books.append(book)
        return book

    yield make
    for book in books:
        book.close()


@pytest.fixture(scope="module")
def moved(build):
    """Both planted optima far from where the demo has them."""
    return build(
        {
            RATIO: PlantedPeak(best=(0.10, 60.0, 25.0), effect_points=2.6),
            GRID: PlantedPeak(best=(0.85, 70.0, 35.0), effect_points=2.6),
        }
    )


@pytest.fixture(scope="module")
def flat(build):
    """Two coffees to which water is all one."""
    return build(
        {
            RATIO: PlantedPeak(best=(0.7, 110, 25), effect_points=0),
            GRID: PlantedPeak(best=(0.3, 130, 35), effect_points=0),
        }
    )


@pytest.fixture
def as_shipped():
    """The demo's own lab book."""
    with open_book() as book:
        yield book


def best(reading):
    """The best level of each factor that was varied."""
    return reading.best.ranges.set_index("factor")["best"]


def test_the_verdict_follows_the_planted_optimum(moved):
    """Planted at Mg share 0.10 and hardness 60, then 0.85 and 70."""
    ratio = read_coffee(moved.scores.opened_scores(coffee=RATIO))
    grid = read_coffee(moved.scores.opened_scores(coffee=GRID))

    assert ratio.verdict.kind is grid.verdict.kind is VerdictKind.FOUND
    assert best(ratio)["mg_share"] < 0.45
    assert best(ratio)["hardness_mg_l_caco3"] < 100
    assert best(grid)["mg_share"] > 0.6
    assert best(grid)["hardness_mg_l_caco3"] < 120


def test_the_demo_finds_its_planted_optimum_within_the_interval_it_states(as_shipped, make_demo):
    """The truths written in data/make_demo.py and data/README.md."""
    for coffee, peak in make_demo.PLANTED.items():
        ranges = read_coffee(as_shipped.scores.opened_scores(coffee=coffee)).best.ranges
        ranges = ranges.set_index("factor")
        for factor, truth in zip(COORDINATES, peak.best, strict=True):
            if factor in ranges.index:
                assert ranges.loc[factor, "lo"] <= truth <= ranges.loc[factor, "hi"]


def test_the_hardness_dial_starts_from_the_ratio_that_the_fit_of_the_sweep_chose(moved):
    scores = moved.scores.opened_scores(coffee=RATIO)
    sweep = scores[scores["session"] == "Veltara, washed, 2026-09-15"]
    dial = scores[scores["session"] == "Veltara, washed, 2026-09-22"]

    chosen = best(read_coffee(sweep))["mg_share"]

    assert dial["mg_share"].nunique() == 1
    assert dial["mg_share"].iloc[0] == pytest.approx(chosen, abs=0.026)  # rounded to 0.05
    assert sweep["session"].nunique() == 1


def test_the_picture_follows_the_planted_optimum(moved, as_shipped):
    """The curve drawn has its top where the truth was planted."""
    tops = []
    for book in (as_shipped, moved):
        reading = read_coffee(book.scores.opened_scores(coffee=GRID))
        axes = plot_score(reading, "mg_share")
        curve = max(axes.get_lines(), key=lambda line: len(line.get_xdata()))
        tops.append(curve.get_xdata()[np.argmax(curve.get_ydata())])
        plt.close(axes.get_figure())

    assert tops[0] < 0.5 < tops[1]


def test_the_next_recipe_follows_the_planted_optimum(moved, as_shipped):
    """The leader, and where the proposed waters lie, move with the truth."""
    leaders, proposed = [], []
    for book in (as_shipped, moved):
        region = Region(
            locked={"alkalinity_mg_l_caco3": 40}, allowed=makeable(book.stock.concentrates())
        )
        suggestion = suggest_flight(book.scores.opened_scores(coffee=GRID), region, k=5)
        leaders.append(suggestion.leader.mg_share)
        proposed.append(np.mean([target.mg_share for target in suggestion.targets]))

    assert leaders[0] < 0.5 < leaders[1]
    assert proposed[0] < proposed[1]


def test_a_flat_coffee_is_one_of_which_nothing_can_be_told(flat):
    for coffee in (RATIO, GRID):
        reading = read_coffee(flat.scores.opened_scores(coffee=coffee))

        assert reading.verdict.kind is VerdictKind.NOTHING
        assert "no difference that this panel can see" in say(reading).lower()
        assert levels_by_coffee(flat)("Quillmoor Roastery", coffee) == {}


def test_permuting_the_scores_takes_the_verdict_away(as_shipped):
    """Scores shuffled within each taster keep their levels and lose their waters."""
    scores = as_shipped.scores.opened_scores(coffee=GRID)
    scores = scores[scores["attribute"] == "overall"].reset_index(drop=True)
    told = read_coffee(scores)
    rng = np.random.default_rng(5)
    shuffled = scores.copy()
    shuffled["score"] = scores.groupby("taster")["score"].transform(rng.permutation)

    mixed_up = read_coffee(shuffled)

    assert told.verdict.kind is VerdictKind.FOUND
    assert mixed_up.verdict.kind is not VerdictKind.FOUND
    assert mixed_up.verdict.p_value > told.verdict.p_value


def test_a_water_that_the_bottles_cannot_make_is_never_proposed(as_shipped):
    """Without the magnesium bottle only waters of calcium can be made."""
    bottles = [b for b in as_shipped.stock.concentrates() if b.name != "magnesium"]
    region = Region(allowed=makeable(bottles))

    suggestion = suggest_flight(as_shipped.scores.opened_scores(coffee=GRID), region, k=5)

    assert {target.mg_share for target in suggestion.targets} == {0.0}


def test_a_ratio_sweep_alone_says_that_it_knows_nothing_of_hardness(as_shipped):
    scores = as_shipped.scores.opened_scores(coffee=RATIO)
    sweep = scores[scores["session"] == "Veltara, washed, 2026-09-15"]

    untold = read_coffee(sweep).cannot_tell

    assert noted(Note.HELD, name="hardness_mg_l_caco3", level=80.0) in untold
    assert noted(Note.HELD, name="alkalinity_mg_l_caco3", level=40.0) in untold


def test_the_advice_to_stop_or_taste_on_is_one_of_three_and_has_its_number(as_shipped):
    advice = stop_or_taste(as_shipped.scores.opened_scores(coffee=GRID))

    assert advice.verdict in StopKind
    assert advice.expected_loss >= 0
    assert f"{advice.expected_loss:.2f}" in say(advice)


def test_the_pictures_of_a_reading_are_in_the_page_and_named(as_shipped):
    reading = read_coffee(as_shipped.scores.opened_scores(coffee=GRID))

    page = reading_pictures(reading)

    assert re.findall('<img alt="([^"]*)"', page) == [
        "Score against Mg share",
        "Score against hardness",
        "Map of waters",
        "Each taster&#x27;s trace",
        "The panel",
        "What the curve leaves over",
    ]
    assert plt.get_fignums() == []
