"""Attacks on what is printed for tasters: the HTML names no water, and its order tells none."""

import re

import numpy as np
import pytest

from labkit.bench import cup_labels, score_sheets, tray_map
from labkit.book import Attribute
from labkit.tasting import SCALES, plan_tasting, ratio_sweep

PASSPHRASE = "copper kettle, seven spoons"
TASTERS = ("Ada", "Bo", "Cy", "Dee")
TARGETS = ratio_sweep(
    (0.0713, 0.3317, 0.6119, 0.9323), hardness_mg_l_caco3=81.57, alkalinity_mg_l_caco3=31.53
).targets
N_PLANS = 60


def _plan():
    return plan_tasting(
        TARGETS,
        TASTERS,
        session="spring",
        passphrase=PASSPHRASE,
        control="none",
        duplicates=0,
        served_on=None,
    )


SHEETS = {
    "score sheets": lambda plan: score_sheets(
        plan, [Attribute(name="overall", scale=SCALES["liking 1-9"])]
    ),
    "tray map": tray_map,
    "cup labels": cup_labels,
}


@pytest.mark.parametrize("sheet", SHEETS)
def test_what_tasters_see_names_no_water(sheet):
    plan = _plan()
    html = SHEETS[sheet](plan).html
    said = re.sub(r"<style.*?</style>", "", html, flags=re.DOTALL)

    assert all(code in said for code in plan.codes(1))
    for word in (r"\bW[1-4]\b", r"\bJ1\.", r"\bB1\.", "control", "duplicate", "Mg", "CaCO3"):
        assert not re.search(word, said), word
    for target in TARGETS:
        for number in (target.mg_share, target.hardness_mg_l_caco3, target.alkalinity_mg_l_caco3):
            assert f"{number:g}" not in said


@pytest.mark.parametrize("sheet", SHEETS)
def test_the_order_of_codes_in_the_html_tells_no_water(sheet):
    """Codes in the order they first occur: one of four right on average, variance one."""
    hits = []
    for _ in range(N_PLANS):
        plan = _plan()
        html = SHEETS[sheet](plan).html
        waters = {r.blind_code: r.water for r in plan.sealed[1].open(PASSPHRASE).rows}
        ordered = sorted(plan.codes(1), key=html.find)
        hits.append(sum(waters[code] == f"W{i}" for i, code in enumerate(ordered, start=1)))

    assert np.mean(hits) == pytest.approx(1, abs=4.5 / N_PLANS**0.5)
