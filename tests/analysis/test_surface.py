"""Natural units outside, coded units inside, and nothing claimed where nothing varied."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse

from labkit.analysis.model.reml import CrossProducts
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.model.surface import fit_surface
from labkit.analysis.reading.views import cup_points, curve
from labkit.errors import ReadingError
from labkit.water import Target

from .conftest import GRID, tasted


@pytest.fixture(scope="module")
def surface():
    return fit_surface(gather_scores(tasted(waters=GRID, flights=2, tasters="ABCDEF")))


def test_targets_frames_and_arrays_predict_alike(surface):
    array = np.array([[0.25, 60, 20]])
    target = Target(mg_share=0.25, hardness_mg_l_caco3=60, alkalinity_mg_l_caco3=20)

    means = [surface.predict(one)["mean"].item() for one in (array, [target], target)]

    assert means == pytest.approx([means[0]] * 3)


def test_the_coding_runs_over_what_was_tasted(surface):
    assert surface.coding.names == ("mg_share", "hardness_mg_l_caco3")
    coded = surface.coding.code(np.array([[0.0, 40, 20], [1, 120, 20], [0.5, 80, 20]]))

    np.testing.assert_allclose(coded, [[-1, -1], [1, 1], [0, 0]])
    np.testing.assert_allclose(
        surface.coding.decode(coded, surface.model.held)[:, 1], [40, 120, 80]
    )


def test_other_units_of_hardness_do_not_change_the_answer(surface):
    """A surface is the same surface when the hardness axis is stretched and shifted."""
    frame = tasted(waters=GRID, flights=2, tasters="ABCDEF")
    frame["hardness_mg_l_caco3"] = 10 + 1.5 * frame["hardness_mg_l_caco3"]
    stretched = fit_surface(gather_scores(frame))

    ours = surface.predict([(0.3, 100, 20)]).iloc[0]
    theirs = stretched.predict([(0.3, 160, 20)]).iloc[0]

    for column in ("mean", "se", "df"):
        assert theirs[column] == pytest.approx(ours[column], rel=1e-4)


def test_a_difference_is_surer_than_two_predictions(surface):
    """Tasters' levels drop out of a difference between waters."""
    one, two = [(0.2, 80, 20)], [(0.6, 80, 20)]

    difference = surface.difference(one, two)

    assert difference.se < surface.predict(one)["se"].item()
    table = surface.compare(one, two).iloc[0]
    assert table["difference"] == pytest.approx(difference.estimate)
    assert table["lo"] == pytest.approx(difference.interval()[0])


def test_nothing_is_predicted_where_a_coordinate_never_varied(surface):
    table = surface.predict([(0.5, 80, 20), (0.5, 80, 50), (0.5, 200, 20)])

    assert table["mean"].isna().tolist() == [False, True, False]
    assert table["within_tasted"].tolist() == [True, False, False]


def test_draws_spread_as_the_estimate_does(surface):
    draws = surface.draws(20_000, seed=np.random.default_rng(1))

    np.testing.assert_allclose(draws.mean(axis=0), surface.coefficients, atol=0.02)
    df = surface.test().df_bottom
    expected = np.sqrt(np.diag(surface.covariance) * df / (df - 2))
    np.testing.assert_allclose(draws.std(axis=0), expected, rtol=0.1)


def test_draws_do_not_turn_with_what_a_processor_rounds(surface, monkeypatch):
    """Equal eigenvalues: their vectors are any that the last digits choose."""
    n = len(surface.coefficients)
    noise = np.random.default_rng(8).normal(0, 1e-15, (n, n))
    drawn = []
    for covariance in (np.eye(n), np.eye(n) + noise + noise.T):
        monkeypatch.setattr(type(surface), "covariance", covariance)
        drawn.append(surface.draws(50, seed=np.random.default_rng(1)))

    np.testing.assert_allclose(*drawn, atol=1e-9)


def test_the_curve_is_the_surface(surface):
    line = curve(surface, "mg_share", at=(0.5, 60, 20), n=5)

    assert (line["hardness_mg_l_caco3"] == 60).all()
    np.testing.assert_allclose(line["mean"], surface.mean(line))


def test_a_curve_over_what_did_not_vary_is_refused(surface):
    with pytest.raises(ReadingError, match="got 'alkalinity_mg_l_caco3'"):
        curve(surface, "alkalinity_mg_l_caco3")


def test_points_lie_around_the_curve(surface):
    table = cup_points(surface)
    left = table["adjusted"] - surface.mean(table)

    assert abs(left.mean()) < 0.02
    assert left.std() < (table["score"] - table["score"].mean()).std()


def test_cross_products_do_not_depend_on_sparse_or_dense():
    rng = np.random.default_rng(1)
    fixed, random, y = rng.normal(size=(20, 2)), rng.normal(size=(20, 3)), rng.normal(size=20)
    whole = np.column_stack([fixed, random, y])

    found = CrossProducts.of(y, fixed, [sparse.csr_array(random)])

    np.testing.assert_allclose(found.gram, whole.T @ whole)
