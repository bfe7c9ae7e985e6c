"""Many coffees read at once: each as alone, none hiding another, and one water for several."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from labkit.analysis import Note, VerdictKind
from labkit.analysis.across.coffees import Untold, read_across
from labkit.analysis.across.shared_tank import LossStatus, Tasted, as_told, one_water
from labkit.analysis.reading.coffee import read_coffee
from labkit.analysis.reading.unread import WhyUnread
from labkit.analysis.region import Region
from labkit.analysis.search.estimate import estimate
from labkit.errors import ReadingError
from labkit.noted import noted
from labkit.water import COORDINATES, as_coordinates

ABOUT = pd.DataFrame(
    [
        ("one", "low", "hill", "washed", "light"),
        ("one", "high", "coast", "natural", "dark"),
        ("two", "high", "hill", "washed", "dark"),
        ("two", "held", "hill", "washed", "dark"),
        ("two", "waiting", "coast", "honey", "light"),
    ],
    columns=["client", "coffee", "origin", "process", "roast_level"],
)
REGION = Region(locked={"hardness_mg_l_caco3": 80, "alkalinity_mg_l_caco3": 20})


@pytest.fixture(scope="module")
def frame(taste):
    """Best Mg shares 0.15 and 0.85 for one client; for the other 0.5 by noise and no effect."""
    elsewhere = tuple((share, 140, 50) for share in (0, 0.25, 0.5, 0.75, 1))
    return pd.concat(
        [
            taste((0.15, 80, 20), seed=1).assign(client="one", coffee="low"),
            taste((0.85, 80, 20), seed=2).assign(client="one", coffee="high"),
            taste((0.5, 80, 20), seed=3, effect=0).assign(client="two", coffee="high"),
            taste((0.3, 140, 50), seed=4, waters=elsewhere).assign(client="two", coffee="held"),
        ],
        ignore_index=True,
    )


@pytest.fixture(scope="module")
def across(frame):
    return read_across(frame, ABOUT)


def named(across, client, coffee):
    return next(r for r in across.readings if (r.client, r.coffee) == (client, coffee))


def test_a_coffee_says_the_same_in_company_as_alone(frame, across):
    """The light reading against the full one, number by number."""
    for one in across.readings:
        if one.scores is None:
            continue
        part = frame[(frame["client"] == one.client) & (frame["coffee"] == one.coffee)]
        alone = read_coffee(part)
        assert one.verdict == alone.verdict
        pd.testing.assert_frame_equal(one.best.ranges, alone.best.ranges)


def test_only_a_coffee_with_another_score_is_read_again(frame, across):
    """Its cups swapped for others and back: what was read before is at hand, and is the same."""
    changed = frame.copy()
    row = changed.index[changed["coffee"] == "low"][0]
    changed.loc[row, "score"] += 1.0

    again, other = read_across(frame, ABOUT), read_across(changed, ABOUT)

    assert all(
        one is two for one, two in zip(again.readings, across.readings, strict=True) if one.scores
    )
    low = named(other, "one", "low")
    assert low is not named(across, "one", "low")
    assert low.best.mean != named(across, "one", "low").best.mean
    assert named(other, "two", "held") is named(across, "two", "held")
    pd.testing.assert_frame_equal(again.table, across.table)


def test_coffees_of_one_name_and_two_clients_stay_apart(across):
    rows = across.table[across.table["coffee"] == "high"].set_index("client")
    assert rows.loc["one", "verdict"] == VerdictKind.FOUND
    assert rows.loc["two", "verdict"] == VerdictKind.NOTHING
    assert rows.loc["one", "cups"] == 4 * 18


def test_what_the_scores_do_not_tell_is_missing_and_has_its_reason(across):
    table = across.table.set_index(["client", "coffee"])
    assert table.loc[("one", "low"), "best_mg_share"] < 0.4
    assert np.isnan(table.loc[("one", "low"), "best_alkalinity_mg_l_caco3"])
    untold = named(across, "one", "low").surface.model.cannot_tell
    assert noted(Note.HELD, name="alkalinity_mg_l_caco3", level=20.0) in untold
    flat = table.loc[("two", "high")]
    assert flat[["best_mg_share", "lo_mg_share", "best_mean"]].isna().all()
    waiting = table.loc[("two", "waiting")]
    assert (waiting["cups"], waiting["tasters"]) == (0, 0)
    assert named(across, "two", "waiting").verdict.unread.why is WhyUnread.NOT_OPEN
    assert named(across, "two", "waiting").why_not("mg_share") is Untold.NOT_TASTED
    assert named(across, "two", "high").why_not("mg_share") is Untold.NOTHING
    assert named(across, "one", "low").why_not("alkalinity_mg_l_caco3") is Untold.NOT_VARIED


def test_planted_bests_lie_within_their_intervals(across):
    for coffee, truth in (("low", 0.15), ("high", 0.85)):
        found = named(across, "one", coffee).range_of("mg_share")
        assert found.lo <= truth <= found.hi


def test_coffees_are_sorted_by_their_best_and_untold_ones_come_last(across):
    best = across.table["best_mg_share"]
    told = best.dropna()
    assert told.tolist() == sorted(told)
    assert best.isna().tolist() == [False] * len(told) + [True] * (len(best) - len(told))
    assert [r.coffee for r in across.readings] == across.table["coffee"].tolist()
    with pytest.raises(ReadingError, match="factor must be one of mg_share"):
        across.sort("strength")


def test_a_filter_leaves_nothing_of_other_clients(across):
    only = across.only(client=["one"])
    assert {r.client for r in only.readings} == {"one"}
    assert "two" not in only.table.to_csv()
    hill = across.only(origin=["hill"], roast_level=["dark"])
    assert sorted(hill.table["coffee"]) == ["held", "high"]
    assert len(across.only(process=["none such"]).readings) == 0


def test_one_water_for_opposite_coffees_lies_between_and_follows_what_is_sold(across):
    two = [named(across, "one", "low"), named(across, "one", "high")]
    even = one_water(two, REGION)
    assert 0.3 <= even.target.mg_share <= 0.7
    assert set(even.losses["status"]) == {LossStatus.KNOWN}
    towards = [
        one_water(two, REGION, sold={("one", "low"): low, ("one", "high"): 1}).target.mg_share
        for low in (0, 0.5, 2, 20)
    ]
    assert towards == sorted(towards, reverse=True)
    assert towards[0] > 0.6 > 0.4 > towards[-1]


def test_a_coffee_alone_loses_only_what_its_own_best_is_not_known_by(across):
    alone = one_water([named(across, "one", "low")], REGION)
    row = alone.losses.iloc[0]
    assert alone.target == named(across, "one", "low").recommended.water
    assert row["loss"] == pytest.approx(row["loss_with_own"], abs=1e-6)
    assert row["lo"] <= row["loss"] <= row["hi"]


def test_losses_are_those_of_drawn_truths_worked_out_anew(across):
    """Level by level from other draws of the one estimate: equal but for chance."""
    one = named(across, "one", "high")
    found = one_water([one], REGION)
    shares = found.candidates["mg_share"].to_numpy()
    waters = [(share, 80, 20) for share in shares]
    drawn = estimate(one.scores).draws(as_coordinates(waters), rng=np.random.default_rng(1))
    loss = (drawn.max(axis=1, keepdims=True) - drawn).mean(axis=0)
    assert found.candidates["loss"].to_numpy() == pytest.approx(loss, abs=0.03)
    assert found.target.mg_share == pytest.approx(shares[np.argmin(loss)])


def test_a_water_that_was_not_tasted_near_is_said_and_not_guessed(across):
    four = [r for r in across.readings if r.coffee != "high" or r.client == "one"]
    found = one_water(four, REGION)
    rows = found.losses.set_index("coffee")
    assert rows.loc["held", "status"] == LossStatus.UNREACHED
    assert np.isnan(rows.loc["held", "loss"])
    held = next(one for one in found.coffees if one.reading.coffee == "held")
    assert [(one.low, one.high) for one in held.only_at] == [(140, 140), (50, 50)]
    assert rows.loc["waiting", "status"] == LossStatus.UNTOLD
    assert (found.candidates["share_known"] <= 0.5 + 1e-9).all()


def test_a_water_just_past_what_was_tasted_is_told_by_what_it_passes(taste):
    """119 was tasted and 120 asked for: within rounding, and nothing was named."""
    low = [(0.5, hardness, 20) for hardness in (40, 60, 80, 100, 119)]
    high = [(0.5, hardness, 20) for hardness in (120, 140, 160)]
    cups = [
        taste((0.5, hard, 20), waters=waters).query("not is_control").assign(client="", coffee=name)
        for name, hard, waters in (("soft", 80, low), ("hard", 140, high))
    ]
    readings = read_across(pd.concat(cups, ignore_index=True)).readings
    found = one_water(readings, [(0.5, 120, 20)])
    hard, soft = found.coffees
    assert (hard.status, soft.status) == (LossStatus.KNOWN, LossStatus.UNREACHED)
    assert soft.only_at == (Tasted(factor="hardness_mg_l_caco3", low=40, high=119),)


def test_a_coordinate_that_a_coffee_does_not_tell_is_said_beside_its_loss(taste):
    """Alkalinity went up with the Mg share: whichever it was, one of the two is not told."""
    together = tuple((share, 80, 20 + 40 * share) for share in (0, 0.25, 0.5, 0.75, 1))
    cups = taste((0.6, 80, 44), waters=together).query("not is_control")
    across = read_across(cups.assign(client="one", coffee="both"))
    (one,) = across.readings
    assert one.is_found
    assert one.range_of("alkalinity_mg_l_caco3") is None
    assert one.why_not("alkalinity_mg_l_caco3") is Untold.UNKNOWN
    assert across.table["best_alkalinity_mg_l_caco3"].isna().all()
    found = one_water(across.readings, Region(locked={"hardness_mg_l_caco3": 80}))
    assert found.coffees[0].untold == ("alkalinity_mg_l_caco3",)
    # Neither end of the shelf is taken: what is not told stays with the coffee's own water.
    assert found.target == one.recommended.water
    by_share = found.candidates.dropna().groupby("mg_share")["loss"]
    assert (by_share.max() - by_share.min()).max() < 1e-9


def test_only_what_is_not_told_is_left_out_of_a_loss(across):
    best = across.readings[0].best
    (share, *others) = best.factor_ranges
    waters = np.array([(0.9, 80.0, 20.0), (0.1, 80.0, 20.0)])

    def counted(**said):
        return as_told(replace(best, factor_ranges=(replace(share, **said), *others)), waters)

    assert counted(is_told=True).tolist() == waters.tolist()
    kept = counted(is_told=False)
    assert (kept[:, 0] == best.target.mg_share).all()


def test_points_of_two_scales_are_never_added(frame):
    other = frame.assign(scale=frame["scale"].where(frame["coffee"] != "low", "quality 6-10"))
    readings = read_across(other).readings
    rows = one_water(readings, REGION).losses.set_index(["client", "coffee"])
    assert rows.loc[("one", "low"), "status"] == LossStatus.OTHER_SCALE


def test_one_water_refuses_what_it_cannot_answer(across):
    waiting = [named(across, "two", "waiting")]
    with pytest.raises(ReadingError, match="at least one whose scores can be read"):
        one_water(waiting, REGION)
    with pytest.raises(ReadingError, match="within what was tasted of at least one"):
        one_water([named(across, "one", "low")], np.array([[0.5, 300, 90]]))
    with pytest.raises(ReadingError, match="sold must be 0 or more"):
        one_water([named(across, "one", "low")], REGION, sold={("one", "low"): -1})


def test_an_empty_lab_book_gives_an_empty_table(frame):
    none = read_across(frame.iloc[:0])
    assert none.table.empty
    assert {f"best_{name}" for name in COORDINATES} <= set(none.table)
