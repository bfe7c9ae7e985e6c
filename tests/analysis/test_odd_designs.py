"""Whatever was served and scored: a sentence and what can still be said, never a traceback."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.analysis import Note
from labkit.analysis.reading.coffee import read_attributes, read_coffee
from labkit.analysis.reading.unread import WhyUnread
from labkit.analysis.reading.verdict import VerdictKind
from labkit.errors import ReadingError
from labkit.noted import noted
from labkit.present import say
from labkit.water import COORDINATES

LEVELS = {
    "mg_share": (0.0, 0.2, 0.4, 0.405, 0.7, 1.0),
    "hardness_mg_l_caco3": (0.0, 60.0, 61.0, 120.0, 240.0),
    "alkalinity_mg_l_caco3": (0.0, 20.0, 40.0, 90.0),
}


def served(*, seed, tasters, waters, flights, sessions, kept, scores, twice, vary):
    """Cups of a random design: any waters in any flight, any cup missing, any kind of score."""
    rng = np.random.default_rng(seed)
    recipes = [
        {n: rng.choice(LEVELS[n]) if n in vary else LEVELS[n][1] for n in COORDINATES}
        for _ in range(waters)
    ]
    rows = []
    for session in range(sessions):
        for flight in range(1, flights + 1):
            here = rng.permutation(waters)[: rng.integers(1, waters + 1)]
            for taster in range(tasters):
                for position, water in enumerate(rng.permutation(here), start=1):
                    if rng.random() > kept and rows:
                        continue
                    rows.append(
                        {
                            "session": f"S{session}",
                            "flight": flight,
                            "taster": f"T{taster}",
                            "position": position,
                            "jug": f"J{flight}.{water}",
                            "water": f"W{water}",
                            "attribute": "overall",
                            "scale": "liking 1-9",
                            "score": {
                                "noise": float(rng.integers(1, 10)),
                                "constant": 7.0,
                                "own number": float(taster + 3),
                                "by water": float(water + 2),
                                "end of the scale": float(9 - (rng.random() < 0.1)),
                                "holes": rng.choice([5.0, 6.0, 7.0, np.nan, np.inf]),
                            }[scores],
                            "is_control": water == 0,
                            **recipes[water],
                        }
                    )
    frame = pd.DataFrame(rows)
    return pd.concat([frame, frame.sample(frac=0.3, random_state=1)]) if twice else frame


DESIGNS = {
    "seed": st.integers(0, 10**6),
    "tasters": st.integers(1, 5),
    "waters": st.integers(1, 7),
    "flights": st.integers(1, 4),
    "sessions": st.integers(1, 3),
    "kept": st.sampled_from([0.2, 0.7, 1.0]),
    "scores": st.sampled_from(
        ["noise", "constant", "own number", "by water", "end of the scale", "holes"]
    ),
    "twice": st.booleans(),
    "vary": st.sets(st.sampled_from(COORDINATES)),
}


@pytest.mark.filterwarnings("error")
@settings(max_examples=40, deadline=None, derandomize=True)
@given(**DESIGNS)
def test_any_design_gets_a_sentence(**design):
    refusal = ""
    try:
        reading = read_coffee(served(**design))
    except ReadingError as error:
        refusal = str(error)
    if refusal:
        assert refusal.endswith(".")
        return
    assert say(reading).endswith(".")
    assert "nan" not in say(reading)
    assert len(reading.panel.tasters) >= 1
    if reading.best is not None:
        assert reading.best.lo <= reading.best.mean <= reading.best.hi
        for one in reading.best.factor_ranges:
            assert one.tasted_lo <= one.lo <= one.hi <= one.tasted_hi
    if reading.surface is not None:
        table = reading.predict(reading.scores.recipes)
        assert np.isfinite(table[["mean", "se", "lo", "hi"]].to_numpy()).all()
        assert (table["df"] > 0).all()


def test_waters_closer_than_the_pipette_are_one_to_the_curve(ratio_scores):
    near = np.where(ratio_scores["mg_share"] > 0.5, 0.400, 0.405)

    reading = read_coffee(ratio_scores.assign(mg_share=near))

    assert reading.verdict.kind is VerdictKind.UNKNOWN
    assert reading.verdict.unread.why is WhyUnread.ONE_WATER


def test_unknown_columns_are_left_alone(ratio_scores):
    more = ratio_scores.assign(humidity=np.nan, mood="fine")

    assert read_coffee(more).verdict == read_coffee(ratio_scores).verdict


def test_scores_that_are_no_numbers_are_named_and_left_out(ratio_scores):
    odd = ratio_scores.copy()
    odd["score"] = odd["score"].astype(object)
    odd.iloc[0, odd.columns.get_loc("score")] = "seven"
    odd.iloc[1, odd.columns.get_loc("score")] = np.inf
    odd.iloc[2, odd.columns.get_loc("score")] = np.nan

    reading = read_coffee(odd)

    assert len(reading.scores.score) == len(odd) - 3
    assert reading.scores.notes == (noted(Note.NO_SCORE, n=1), noted(Note.NO_NUMBER, n=2))


def test_a_column_that_is_missing_is_named(ratio_scores):
    with pytest.raises(ReadingError, match="none named taster"):
        read_coffee(ratio_scores.drop(columns="taster"))


def test_a_score_given_twice_counts_once(ratio_scores):
    reading = read_coffee(pd.concat([ratio_scores, ratio_scores.head(10)]))

    assert len(reading.scores.score) == len(ratio_scores)
    assert reading.scores.notes == (noted(Note.GIVEN_TWICE, n=10),)


def test_an_attribute_that_nobody_used_is_told_beside_those_that_were(ratio_scores):
    unused = ratio_scores.assign(attribute="body", score=np.nan)

    both = read_attributes(pd.concat([ratio_scores, unused]), ["overall", "body"])

    assert list(both.readings) == ["overall"]
    assert "which nobody scored" in both.unread["body"]
    assert "nobody scored" in both._repr_html_()
