"""Words against minerals, and the alkalinity that balances acidity, by hand and as published."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from statsmodels.genmod.cov_struct import Exchangeable
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_estimating_equations import GEE
from statsmodels.regression.linear_model import OLS

from labkit.analysis import Note
from labkit.analysis.reading import words as words_module
from labkit.analysis.reading.acidity_balance import (
    FLAT,
    RIGHT,
    SHARP,
    BalanceKind,
    balance_acidity,
    right_questions,
)
from labkit.analysis.reading.words import (
    SayingVerdict,
    WhyUnlinked,
    link_factors,
    read_words,
    trade_sayings,
)
from labkit.errors import ReadingError

TASTERS = "ABCDEF"


def cups(levels, *, per_level=1, tasters=TASTERS):
    """One row a cup and taster; every taster has every level as often."""
    return pd.DataFrame(
        [
            {
                "client": "c",
                "coffee": "k",
                "session": "s",
                "flight": 1,
                "taster": taster,
                "jug": f"J{place}-{again}",
                "position": 1,
                "mg_share": share,
                "hardness_mg_l_caco3": hardness,
                "alkalinity_mg_l_caco3": alkalinity,
            }
            for taster in tasters
            for place, (share, hardness, alkalinity) in enumerate(levels)
            for again in range(per_level)
        ]
    )


def test_two_levels_give_the_odds_ratio_of_the_table():
    """By hand: 8 of 24 checked at all calcium, 18 of 24 at all magnesium: (18/6) / (8/16) = 6."""
    table = cups([(0, 80, 20), (1, 80, 20)], per_level=4)
    checked = np.zeros(len(table), dtype=bool)
    checked[np.flatnonzero(table["mg_share"] == 0)[::3]] = True
    checked[np.flatnonzero(table["mg_share"] == 1)] = True
    checked[np.flatnonzero(table["mg_share"] == 1)[::4]] = False
    assert [checked[table["mg_share"] == level].sum() for level in (0, 1)] == [8, 18]
    link = link_factors(checked, table)["mg_share"]
    assert np.exp(link.log_odds) == pytest.approx(6, rel=0.02)
    assert link.share_low == pytest.approx(8 / 24, abs=0.01)
    assert link.share_high == pytest.approx(18 / 24, abs=0.01)


WHEEZE = (
    (0, (237, 10, 15, 4, 16, 2, 7, 3, 24, 3, 3, 2, 6, 2, 5, 11)),
    (1, (118, 6, 8, 2, 11, 1, 6, 4, 7, 3, 3, 1, 4, 2, 4, 7)),
)
"""Wheezing of 350 and 187 children at four ages, by pattern 0000, 0001, ... 1111 (Fitzmaurice and
Laird 1993, Biometrika 80, 141-151; counted from the data set ohio of R's geepack 1.3.9)."""

WHEEZE_IN_R = {
    "coefficients": (-1.900495179, -0.141235910, 0.313825788, 0.070831839),
    "robust_se": (0.119086982, 0.058200885, 0.187841815, 0.088278852),
    "alpha": 0.354605,
}
"""R 4.2.2, geepack 1.3.9: summary(geeglm(resp ~ age * smoke, id = id, family = binomial,
data = ohio, corstr = "exchangeable"))."""


def wheezing():
    """Answers, design (1, age, smoke, age x smoke) and child of the example."""
    y, rows, child = [], [], []
    for smoke, counts in WHEEZE:
        assert sum(counts) == (350, 187)[smoke]
        for pattern, count in zip(product((0, 1), repeat=4), counts, strict=True):
            for _ in range(count):
                number = len(child) // 4
                for age, wheezes in zip((-2, -1, 0, 1), pattern, strict=True):
                    y.append(wheezes)
                    rows.append((1, age, smoke, age * smoke))
                    child.append(number)
    return np.array(y, dtype=float), np.array(rows, dtype=float), np.array(child)


def sandwich(y, design, child, beta, alpha, *, reduced):
    """Liang and Zeger's covariance in plain matrices; with every cluster's leverage taken out of
    its residuals if reduced (Mancl and DeRouen 2001, equation 8, from memory)."""
    mean = 1 / (1 + np.exp(-design @ beta))
    spread = np.sqrt(mean * (1 - mean))
    parts = []
    for one in np.unique(child):
        at = child == one
        n = int(at.sum())
        slope = design[at] * (spread[at] ** 2)[:, None]
        working = np.outer(spread[at], spread[at]) * (alpha + (1 - alpha) * np.eye(n))
        parts.append((slope, np.linalg.inv(working), y[at] - mean[at]))
    bread = np.linalg.inv(sum(slope.T @ inverse @ slope for slope, inverse, _ in parts))
    meat = np.zeros_like(bread)
    for slope, inverse, left in parts:
        if reduced:
            left = np.linalg.solve(np.eye(len(left)) - slope @ bread @ slope.T @ inverse, left)
        score = slope.T @ inverse @ left
        meat += np.outer(score, score)
    return bread @ meat @ bread


def test_estimating_equations_agree_with_r_and_with_plain_matrices():
    """Coefficients are those of R. The matrices above give R's robust errors, and, with leverage
    taken out, the bias-reduced ones that this model states."""
    y, design, child = wheezing()
    beta, covariance = words_module.fit_words(y, design, child)
    in_r = [np.array(WHEEZE_IN_R[part]) for part in ("coefficients", "robust_se")]
    assert beta == pytest.approx(in_r[0], abs=5e-4)
    robust, reduced = (
        sandwich(y, design, child, in_r[0], WHEEZE_IN_R["alpha"], reduced=one)
        for one in (False, True)
    )
    assert np.sqrt(np.diag(robust)) == pytest.approx(in_r[1], rel=1e-4)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(np.sqrt(np.diag(reduced)), rel=1e-3)
    assert (np.diag(reduced) > np.diag(robust)).all()


def test_with_few_tasters_the_bias_reduction_is_the_same_in_plain_matrices(frame):
    """Six clusters, where leverage widens the errors most; the correlation is the fit's own."""
    table = frame[frame["word"] == "sharp"]
    y = table["is_checked"].to_numpy(dtype=float)
    design = np.column_stack([np.ones(len(y)), (table["alkalinity_mg_l_caco3"] - 35) / 20])
    people = table["taster"].to_numpy()
    fit = GEE(y, design, groups=people, family=Binomial(), cov_struct=Exchangeable()).fit()
    by_hand, plain = (
        sandwich(y, design, people, fit.params, fit.cov_struct.dep_params, reduced=one)
        for one in (True, False)
    )
    beta, covariance = words_module.fit_words(y, design, people)
    assert beta == pytest.approx(fit.params, abs=1e-6)
    assert covariance == pytest.approx(by_hand, rel=1e-3)
    assert np.sqrt(by_hand[1, 1]) > 1.05 * np.sqrt(plain[1, 1])


@pytest.fixture(scope="module")
def frame():
    """'fruity' rises with magnesium, 'sharp' falls with alkalinity, 'clean' goes with nothing."""
    rng = np.random.default_rng(8)
    levels = [(m, h, a) for m in (0.1, 0.5, 0.9) for h in (60, 120) for a in (15, 35, 55)]
    table = cups(levels, per_level=2)
    own = dict(zip(TASTERS, rng.normal(0, 0.6, len(TASTERS)), strict=True))
    taster = table["taster"].map(own)
    pull = {
        "fruity": 2.0 * (table["mg_share"] - 0.5) / 0.4,
        "sharp": -2.0 * (table["alkalinity_mg_l_caco3"] - 35) / 20,
        "clean": 0.0 * table["mg_share"],
    }
    parts = [
        table.assign(word=word, is_checked=rng.random(len(table)) < 1 / (1 + np.exp(-(x + taster))))
        for word, x in pull.items()
    ]
    return pd.concat(parts, ignore_index=True)


SAYINGS = pd.DataFrame(
    [
        ("fruit from magnesium", "mg_share", "more", "fruity; floral"),
        ("fruit from calcium", "mg_share", "less", "fruity"),
        ("clean from hardness", "hardness_mg_l_caco3", "more", "clean"),
        ("salt from hardness", "hardness_mg_l_caco3", "more", "salty"),
    ],
    columns=["saying", "factor", "direction", "words"],
)


def test_sayings_are_supported_contradicted_or_unknown_on_these_cups(frame):
    found = read_words(frame, SAYINGS).sayings.set_index("saying")
    assert found["verdict"].tolist() == ["supported", "contradicted", "unknown", "unknown"]
    assert found.loc["fruit from magnesium", "words"] == "fruity"
    assert found.loc["salt from hardness", "why"] == WhyUnlinked.NOT_OFFERED


def test_words_that_support_a_saying_only_together_are_not_said_to_go_with_nothing(frame):
    """Seen: "supported: more magnesium, more fruit" beside "none of 4 words can be tied"."""
    rng = np.random.default_rng(3)
    names = [f"fruit {n}" for n in range(12)]
    # Each check of 'fruity' is given to one of twelve words: singly too few to tell.
    fruity = frame[frame["word"] == "fruity"]
    given = rng.integers(12, size=len(fruity))
    some = fruity.assign(is_checked=fruity["is_checked"] & (rng.random(len(fruity)) < 0.5))
    parts = [
        some.assign(word=name, is_checked=some["is_checked"] & (given == n))
        for n, name in enumerate(names)
    ]
    saying = ("fruit from magnesium", "mg_share", "more", "; ".join(names))
    found = read_words(pd.concat(parts), pd.DataFrame([saying], columns=SAYINGS.columns))

    assert found.sayings["verdict"].tolist() == [SayingVerdict.SUPPORTED]
    assert not (found.words["p_adjusted"] < 0.05).any()
    assert len(found.linked) == 0


def test_planted_links_are_found_and_no_other(frame):
    table = read_words(frame).words
    seen = table[table["p_adjusted"] < 0.05]
    assert set(zip(seen["word"], seen["factor"], strict=True)) == {
        ("fruity", "mg_share"),
        ("sharp", "alkalinity_mg_l_caco3"),
    }
    assert (
        seen.set_index("word")["odds_ratio"]["sharp"]
        < 1
        < seen.set_index("word")["odds_ratio"]["fruity"]
    )
    assert (table["p_adjusted"] >= table["p"] - 1e-12).all()


def test_words_that_go_with_nothing_are_seldom_called_linked(frame):
    """Forty words by chance, tasters as ready as they are: 5 % of 40 is 2; 6 or more has a chance
    of about 1 in 70."""
    rng = np.random.default_rng(2)
    table = frame[frame["word"] == "clean"]
    chances = dict(zip(TASTERS, rng.uniform(0.2, 0.7, 6), strict=True))
    ready = table["taster"].map(chances).to_numpy()
    found = [link_factors(rng.random(len(table)) < ready, table) for _ in range(40)]
    assert sum(links["mg_share"].p_value < 0.05 for links in found) < 6


def test_what_too_few_cups_or_tasters_cannot_tell_has_its_reason(frame):

    def why(some):
        return tuple(read_words(some).words[["why", "few"]].iloc[0])

    two = frame[frame["taster"].isin(["A", "B"])]
    assert why(two) == (WhyUnlinked.FEW_TASTERS, 2)
    never = frame.assign(is_checked=False)
    assert why(never) == (WhyUnlinked.FEW_CUPS, 0)
    still = frame.assign(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=20)
    assert why(still) == (WhyUnlinked.NOT_VARIED, 0)
    with pytest.raises(ReadingError, match="words must have the columns of the words frame"):
        read_words(frame.iloc[:0])
    with pytest.raises(ReadingError, match="sayings must name one of mg_share"):
        read_words(frame, SAYINGS.assign(factor="strength"))


def test_levels_and_shares_are_those_of_the_coffees_that_a_word_was_checked_of(frame):
    """A coffee of which nobody checked the word is left out; its levels were named all the same."""
    other = frame.assign(
        coffee="another",
        is_checked=False,
        hardness_mg_l_caco3=frame["hardness_mg_l_caco3"] + 300,
        jug="other " + frame["jug"].astype(str),
    )
    both = read_words(pd.concat([frame, other], ignore_index=True)).words
    alone = read_words(frame).words
    columns = ["word", "factor", "low", "high", "share_low", "share_high"]
    pd.testing.assert_frame_equal(both[columns], alone[columns])


def test_the_sayings_that_come_with_labkit_can_be_read_and_are_marked():
    sayings = trade_sayings()
    assert (sayings["mark"] == "common practice").all()
    assert set(sayings["direction"]) == {"more", "less"}


# ------------------------------------------------------------------------- acidity just right


def answers(levels, given, liking=None, taster="A"):
    """The scores frame of one taster: an answer 1 to 5, and a liking, for each alkalinity."""
    base = {
        "client": "c",
        "coffee": "k",
        "session": "s",
        "flight": 1,
        "taster": taster,
        "blind_code": "",
        "mg_share": 0.5,
        "hardness_mg_l_caco3": 80.0,
        "stage": None,
        "is_control": False,
    }
    rows = []
    for place, (level, answer) in enumerate(zip(levels, given, strict=True), start=1):
        cup = base | {"position": place, "jug": f"J{place}", "water": f"W{level:g}"}
        cup |= {"alkalinity_mg_l_caco3": float(level)}
        asked = {"attribute": "acidity", "scale": "just about right", "score": float(answer)}
        rows.append(cup | asked)
        if liking is not None:
            liked = {"attribute": "overall", "scale": "liking 1-9", "score": liking[place - 1]}
            rows.append(cup | liked)
    return pd.DataFrame(rows)


def test_balance_and_interval_are_those_of_ordinary_least_squares_for_one_taster():
    """Independent path: statsmodels OLS, where the curve is zero and where its band holds zero."""
    rng = np.random.default_rng(4)
    levels = np.linspace(5, 65, 31)
    given = 3 + np.sign(np.rint((33 - levels) / 14 + rng.normal(0, 0.5, len(levels))))
    found = balance_acidity(answers(levels, given))
    design = np.column_stack([np.ones(31), levels, levels**2])
    fit = OLS(given - 3, design).fit()
    at = np.linspace(5, 65, 60_001)
    band = fit.get_prediction(np.column_stack([np.ones(len(at)), at, at**2])).summary_frame()
    held = at[(band["mean_ci_lower"] <= 0) & (band["mean_ci_upper"] >= 0)]
    zero = at[np.argmin(np.abs(band["mean"].to_numpy()))]
    assert found.alkalinity_mg_l_caco3 == pytest.approx(zero, abs=0.05)
    assert (found.lo, found.hi) == pytest.approx((held.min(), held.max()), abs=0.3)


def test_shares_and_penalties_are_those_counted_by_hand():
    """Ten cups: 3 too sharp (liking 4, 5, 6), 6 just right (7 each), 1 too flat (20 % not reached).
    The penalty of too sharp is 7 - 5 = 2 points, its net effect 2 x 0.3 = 0.6."""
    given = [5, 4, 4, 3, 3, 3, 3, 3, 3, 2]
    liking = [4, 5, 6, 7, 7, 7, 7, 7, 7, 1]
    levels = [10, 10, 10, 10, 10, 40, 40, 40, 40, 40]
    found = balance_acidity(answers(levels, given, liking))
    sides = found.penalties.set_index("side")
    assert sides["share"].to_dict() == pytest.approx({FLAT: 0.1, RIGHT: 0.6, SHARP: 0.3})
    assert sides.loc[SHARP, "drop"] == pytest.approx(2)
    assert sides.loc[SHARP, "net_effect"] == pytest.approx(0.6)
    assert np.isnan(sides.loc[FLAT, "drop"])
    low = found.shares[found.shares["alkalinity_mg_l_caco3"] == 10].set_index("side")["n"]
    assert low.to_dict() == {FLAT: 0, RIGHT: 2, SHARP: 3}


def test_one_taster_gives_a_penalty_but_no_interval():
    """Drawn again and again, one taster is the same panel: 2.0 to 2.0 would claim to be certain."""
    found = balance_acidity(answers([10, 25, 40, 55] * 3, [4, 3, 3, 2] * 3, [5, 7, 7, 5] * 3))
    sharp = found.penalties.set_index("side").loc[SHARP]
    assert sharp["drop"] == pytest.approx(2)
    assert np.isnan(sharp["drop_lo"])
    assert found.n_tasters == 1


def panel_answers(middle, seed, levels=(10, 25, 40, 55), flights=3):
    """Six tasters whose acidity is right at an alkalinity near the middle."""
    rng = np.random.default_rng(seed)
    parts = []
    for taster in TASTERS:
        own = middle + rng.normal(0, 4)
        cups = np.repeat(levels, flights)
        given = np.clip(3 + np.rint((own - cups) / 15 + rng.normal(0, 0.6, len(cups))), 1, 5)
        parts.append(answers(cups, given, taster=taster))
    return pd.concat(parts, ignore_index=True)


def test_a_planted_balance_lies_within_the_interval():
    """Four panels; each 95 % interval holds the truth, and none is as wide as what was tasted."""
    for seed in range(4):
        found = balance_acidity(panel_answers(32, seed))
        assert found.lo <= 32 <= found.hi
        assert found.hi - found.lo < 30


def test_a_balance_outside_what_was_tasted_is_not_made_up():
    everyone = balance_acidity(panel_answers(110, 1))
    assert (everyone.kind, everyone.share_sharp) == (BalanceKind.NO_CURVE, 1)
    found = balance_acidity(panel_answers(75, 1))
    assert np.isnan(found.alkalinity_mg_l_caco3)
    assert found.kind is BalanceKind.LIES_ABOVE
    held = answers([20] * 6, [4, 2, 3, 4, 2, 3])
    assert balance_acidity(held).kind is BalanceKind.NO_CURVE


def test_an_alkalinity_that_changed_only_between_flights_balances_nothing():
    """Whatever a flight's level comes from: no balance is said to lie above what was tasted."""
    rng = np.random.default_rng(3)
    parts = []
    for flight, level in enumerate((20, 40, 60), start=1):
        for taster in TASTERS:
            given = np.clip(4 + np.rint(rng.normal(0, 0.7, 5)), 1, 5)
            one = answers([level] * 5, given, taster=taster).assign(flight=flight)
            shares = np.linspace(0, 1, 5)
            parts.append(one.assign(mg_share=shares, jug=[f"{flight}.{n}" for n in range(5)]))
    found = balance_acidity(pd.concat(parts, ignore_index=True))
    assert found.kind is BalanceKind.NO_CURVE
    assert np.isnan(found.alkalinity_mg_l_caco3)
    assert Note.BETWEEN_FLIGHTS in {note.kind for note in found.cannot_tell}


def test_only_just_about_right_questions_are_read():
    frame = answers([10, 20], [4, 2], [5, 6])
    assert right_questions(frame) == ["acidity"]
    with pytest.raises(ReadingError, match="attribute must be a just-about-right question"):
        balance_acidity(frame, "overall")


def checked_words():
    frame = cups([(0.2, 80, 30), (0.8, 80, 30)], per_level=2)
    return frame.assign(word="bright", is_checked=frame["mg_share"] > 0.5)


def test_words_checked_as_text_are_read_as_said():
    frame = checked_words()

    as_text = read_words(frame.assign(is_checked=frame["is_checked"].astype(str)))

    pd.testing.assert_frame_equal(as_text.words, read_words(frame).words)
    with pytest.raises(ReadingError, match="is_checked must be true or false, got 'perhaps'"):
        read_words(frame.assign(is_checked="perhaps"))


@pytest.mark.parametrize("column", ["session", "flight", "taster", "jug", "word"])
@pytest.mark.parametrize("blank", [np.nan, None, ""])
def test_a_word_without_a_name_is_refused(column, blank):
    frame = checked_words().astype({column: object})
    frame.iloc[0, frame.columns.get_loc(column)] = blank

    with pytest.raises(ReadingError, match=f"{column} must be filled in for every word, got 1 of"):
        read_words(frame)


def test_words_of_a_water_that_cannot_be_are_refused():
    with pytest.raises(ReadingError, match="the waters behind the words must be known"):
        read_words(checked_words().assign(hardness_mg_l_caco3=1e308))
