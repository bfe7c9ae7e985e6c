"""What is read, what is left out, and that nothing is pooled or dropped in silence."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from labkit.analysis import Note
from labkit.analysis.model.scores import attributes_of, gather_scores
from labkit.analysis.reading.serving_order import order_effects
from labkit.errors import ReadingError
from labkit.noted import noted
from labkit.tasting import SCALES


def test_brew_methods_are_never_pooled(ratio_scores):
    both = pd.concat([ratio_scores, ratio_scores.head(20).assign(brew_method="espresso")])

    scores = gather_scores(both)

    assert scores.brew_method == "cupping"
    assert len(scores.score) == len(ratio_scores)
    assert scores.notes[0].kind is Note.OTHERS_APART
    assert scores.notes[0]["others"] == (("espresso", 20),)
    assert len(gather_scores(both, brew_method="espresso").score) == 20


def test_of_two_scales_the_most_scored_is_read_of_equals_the_newer_and_either_can_be(ratio_scores):
    half = len(ratio_scores) // 2
    old = ratio_scores.head(half).assign(scale="liking 1-9", tasted_on=date(2026, 1, 5))
    new = ratio_scores.tail(half).assign(scale="quality 6-10", tasted_on=date(2026, 2, 5))
    for both in (pd.concat([old, new]), pd.concat([new, old])):
        scores = gather_scores(both)
        assert scores.scale == "quality 6-10"
        assert scores.notes[0]["others"] == (("liking 1-9", half),)
        assert gather_scores(both, scale="liking 1-9").scale == "liking 1-9"
    assert gather_scores(pd.concat([old, new.tail(half - 1)])).scale == "liking 1-9"
    with pytest.raises(ReadingError, match="scale must be one that was used, got 'points'"):
        gather_scores(both, scale="points")


def test_a_brew_method_nobody_used_is_refused_by_name(ratio_scores):
    with pytest.raises(ReadingError, match=r"got 'moka'\. Choose among: cupping"):
        gather_scores(ratio_scores, brew_method="moka")


@pytest.mark.parametrize("column", ["client", "coffee"])
def test_clients_and_coffees_are_never_mixed(ratio_scores, column):
    both = pd.concat([ratio_scores, ratio_scores.assign(**{column: "another"})])

    with pytest.raises(ReadingError, match=f"{column} must be the same"):
        gather_scores(both)


def test_a_cup_scored_as_it_cools_is_one_cup(ratio_scores):
    hot = ratio_scores.assign(stage="hot")
    cool = ratio_scores.assign(stage="cool", score=ratio_scores["score"] + 1)

    scores = gather_scores(pd.concat([hot, cool]))

    assert len(scores.score) == len(ratio_scores)
    assert scores.score.mean() == pytest.approx(ratio_scores["score"].mean() + 0.5)
    assert scores.notes == (noted(Note.STAGES_AVERAGED, stages=("cool", "hot")),)


def test_the_last_of_two_scores_for_a_cup_counts(ratio_scores):
    later = ratio_scores.head(1).assign(
        score=1.0, given_at=ratio_scores["given_at"].max() + pd.Timedelta("1h")
    )

    scores = gather_scores(pd.concat([later, ratio_scores]))

    assert len(scores.score) == len(ratio_scores)
    assert scores.score.min() == 1.0
    assert scores.notes[0].kind is Note.GIVEN_TWICE


def test_missing_scores_and_unknown_waters_are_left_out_with_a_note(ratio_scores):
    frame = ratio_scores.copy()
    frame.loc[:4, "score"] = np.nan
    frame.loc[10:11, "mg_share"] = np.nan

    scores = gather_scores(frame)

    assert len(scores.score) == len(frame) - 7
    assert scores.notes == (noted(Note.NO_SCORE, n=5), noted(Note.NO_NUMBER, n=2))


def test_the_same_recipe_under_two_labels_is_one_water(ratio_scores):
    other_day = ratio_scores.assign(session="S2", water="X" + ratio_scores["water"].str[1:])

    scores = gather_scores(pd.concat([ratio_scores, other_day]))

    assert len(scores.recipes) == 6
    assert scores.recipes["n_scores"].sum() == 2 * len(ratio_scores)


def test_two_recipes_under_one_label_are_two_waters(ratio_scores):
    scores = gather_scores(ratio_scores.assign(water="W1"))

    assert len(scores.recipes) == 6
    assert scores.recipes["recipe"].is_unique


def test_leaving_a_taster_out_is_recorded(ratio_scores):
    scores = gather_scores(ratio_scores, without_tasters=["B"])

    assert set(scores.tasters) == {"A", "C", "D"}
    assert scores.notes == (noted(Note.BY_CHOICE, names=("B",)),)


def test_a_taster_who_is_not_there_cannot_be_left_out(ratio_scores):
    with pytest.raises(ReadingError, match=r"got 'Z'\. These have scores: A, B, C, D"):
        gather_scores(ratio_scores, without_tasters=["Z"])


def test_an_empty_or_unscored_frame_is_refused(ratio_scores):
    with pytest.raises(ReadingError, match="must not be empty"):
        gather_scores(ratio_scores.head(0))
    with pytest.raises(ReadingError, match="coded but not scored"):
        gather_scores(ratio_scores.assign(score=np.nan))


def test_missing_columns_are_named(ratio_scores):
    with pytest.raises(ReadingError, match="none named jug, score"):
        gather_scores(ratio_scores.drop(columns=["jug", "score"]))


def test_attributes_are_listed_by_use(ratio_scores):
    frame = pd.concat([ratio_scores, ratio_scores.head(3).assign(attribute="acidity")])

    assert attributes_of(frame) == ["overall", "acidity"]


def with_one(frame, column, value, row=3):
    changed = frame.assign(**{column: frame[column].astype(object)})
    changed.iloc[row, changed.columns.get_loc(column)] = value
    return changed


@pytest.mark.parametrize("column", ["session", "flight", "taster", "jug", "water"])
@pytest.mark.parametrize("blank", [np.nan, None, "", "  "])
def test_a_row_without_a_name_is_left_out_with_a_note(ratio_scores, column, blank):
    """A blank taster once ended the interpreter: -1 as the column of a sparse matrix."""
    frame = with_one(ratio_scores, column, blank)

    scores = gather_scores(frame)

    assert len(scores.score) == len(frame) - 1
    assert scores.notes[0] == noted(Note.NO_NAME, n=1, blank=((column, 1),))
    assert order_effects(scores).equals(
        order_effects(gather_scores(ratio_scores.drop(index=ratio_scores.index[3])))
    )
    for empty in (np.nan, ""):
        with pytest.raises(ReadingError, match=rf"{column} \({len(frame)}\) are blank"):
            gather_scores(frame.assign(**{column: empty}))


@pytest.mark.parametrize("column", ["client", "coffee", "scale", "brew_method", "stage"])
def test_a_column_blank_throughout_reads_as_one_without(ratio_scores, column):
    without = gather_scores(ratio_scores.drop(columns=column, errors="ignore"))

    for blank in (np.nan, None, ""):
        scores = gather_scores(ratio_scores.assign(**{column: blank}))
        assert scores.score.tolist() == without.score.tolist()
        assert len(set(scores.tasters)) == 4


@pytest.mark.parametrize("column", ["client", "coffee"])
def test_a_coffee_without_a_name_is_not_mixed_with_one_that_has(ratio_scores, column):
    with pytest.raises(ReadingError, match=f"{column} must be the same .* got no name, "):
        gather_scores(with_one(ratio_scores, column, np.nan))


@pytest.mark.parametrize("score", [55, -3, 0, 10, 1e308])
def test_a_score_off_its_scale_is_left_out_and_named(ratio_scores, score):
    scores = gather_scores(with_one(ratio_scores, "score", score))

    assert len(scores.score) == len(ratio_scores) - 1
    assert scores.notes[0] == noted(
        Note.OFF_SCALE, n=1, scale=SCALES["liking 1-9"], worst=(float(score),)
    )
    with pytest.raises(ReadingError, match="scores must lie on their scale"):
        gather_scores(ratio_scores.assign(score=score))


def test_a_score_between_two_steps_is_read_with_a_remark(ratio_scores):
    scores = gather_scores(with_one(ratio_scores, "score", 7.3))

    assert len(scores.score) == len(ratio_scores)
    assert scores.notes[0] == noted(Note.BETWEEN_STEPS, n=1, scale="liking 1-9")


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("hardness_mg_l_caco3", 1e308),
        ("hardness_mg_l_caco3", -1),
        ("alkalinity_mg_l_caco3", 2001),
        ("mg_share", 1.5),
        ("mg_share", -0.1),
    ],
)
def test_a_score_of_a_water_that_cannot_be_is_left_out(ratio_scores, column, value):
    scores = gather_scores(with_one(ratio_scores, column, value))

    assert len(scores.score) == len(ratio_scores) - 1
    assert scores.notes[0].kind is Note.NO_WATER


def test_control_given_as_text_is_read_as_said(ratio_scores):
    """Every text is true to Python, 'False' too."""
    plain = gather_scores(ratio_scores)

    as_text = gather_scores(ratio_scores.assign(is_control=ratio_scores["is_control"].astype(str)))

    assert as_text.recipes["is_control"].tolist() == plain.recipes["is_control"].tolist()
    with pytest.raises(ReadingError, match="is_control must be true or false, got 'perhaps'"):
        gather_scores(with_one(ratio_scores, "is_control", "perhaps"))
