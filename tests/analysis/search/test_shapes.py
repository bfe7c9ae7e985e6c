"""Shapes are scaled alike, evaluated alike however they are asked for, and kept whole on disk."""

import numpy as np
import pytest
from scipy.stats import norm

from labkit.analysis.region import Region
from labkit.analysis.search import shape_library as shapes_library
from labkit.analysis.search.shape_library import FIELDS, load_or_draw
from labkit.analysis.search.shapes import BENDS, DOME, HILL, TENT, TWINS, bend, draw_shapes, unit


@pytest.fixture(scope="module")
def shapes():
    return draw_shapes(400, rng=np.random.default_rng(1))


def test_every_shape_is_best_at_0_and_low_at_minus_1(shapes):
    """The fifth part of a hundred of the standard grid lies at -1 or below."""
    heights = shapes.heights(Region().grid)

    assert heights.max(axis=1) == pytest.approx(0, abs=1e-4)
    low = (heights <= -1 + 1e-3).mean(axis=1)
    steep = shapes.fall > 0.051
    assert low[steep].min() >= 0.05 - 1e-3
    assert (heights[~steep].min(axis=1) > -1.5).all()


def curved_around_peaks(shapes):
    """Matrix H and centre c of each ``(v - c)' H (v - c)``, and its constant."""
    constant, pull, square, mixed = np.split(shapes.quadratic.astype(float), [1, 4, 7], axis=1)
    H = np.zeros((len(shapes), 3, 3))
    for i in range(3):
        H[:, i, i] = square[:, i]
    for at, (i, j) in enumerate(((0, 1), (0, 2), (1, 2))):
        H[:, i, j] = H[:, j, i] = mixed[:, at] / 2
    return H, np.linalg.solve(H, -pull[:, :, None] / 2)[:, :, 0], constant[:, 0]


def test_every_quadratic_is_0_at_its_peak_and_rises_from_it(shapes):
    H, centre, constant = curved_around_peaks(shapes)

    at_peak = constant - np.einsum("si,sij,sj->s", centre, H, centre)
    assert at_peak == pytest.approx(0, abs=1e-3 * np.abs(constant).max())
    assert (np.linalg.eigvalsh(H) > 0).all()


def test_a_ridge_is_steep_one_way_and_almost_level_the_others(shapes):
    H, _, _ = curved_around_peaks(shapes)
    flat, other, steep = np.linalg.eigvalsh(H).T

    ridge = (other / flat < 1.001) | (steep / other < 1.001)
    assert ridge.sum() >= 10
    assert np.isin(shapes.form[ridge], (DOME, TENT)).all()
    assert ((flat / steep)[ridge] > 0.029).all()
    assert ((other / steep)[ridge] < 0.121).all()


def test_any_two_coordinates_may_slant_alike():
    """Correlations of normal draws of SD .35, cut and made positive: each of the three alike."""
    drawn = draw_shapes(2000, rng=np.random.default_rng(3))
    H, _, _ = curved_around_peaks(drawn)
    size = np.sqrt(np.einsum("sii->si", H))
    correlation = H / size[:, :, None] / size[:, None, :]

    hills = drawn.form == HILL
    spread = [correlation[hills, i, j].std() for i, j in ((0, 1), (0, 2), (1, 2))]
    assert spread == pytest.approx([0.34] * 3, abs=0.03)


def test_peaks_lie_beyond_the_standard_ranges_as_often_as_they_are_assumed_to():
    """Half of them even over the ranges and a tenth beyond, half of them where the trade looks."""
    drawn = draw_shapes(2000, rng=np.random.default_rng(3))
    _, centre, _ = curved_around_peaks(drawn)  # bent axes keep their ends
    outside = ((centre < 0) | (centre > 1)).mean(axis=0)

    for axis, (mean, sd) in enumerate(((0.45, 0.28), (0.40, 0.28)), start=1):
        low, start, end, high = norm.cdf([-0.1, 0, 1, 1.1], mean, sd)
        by_hand = 0.5 * 0.2 / 1.2 + 0.5 * (1 - (end - start) / (high - low))
        assert outside[axis] == pytest.approx(by_hand, abs=0.015)


def test_all_forms_and_bends_occur(shapes):
    assert set(shapes.form.tolist()) == {DOME, HILL, TENT, TWINS}
    assert len(np.unique(shapes.bends)) > 0.9 * np.prod([len(k) for k in BENDS])


def test_some_shapes_have_the_heights_that_all_of_them_have(shapes):
    waters = np.random.default_rng(2).uniform([0, 20, 0], [1, 200, 60], (7, 3))
    some = np.array([0, 3, 150, 399])

    assert shapes.heights(waters, some) == pytest.approx(shapes.heights(waters)[some], abs=1e-5)


def test_a_single_peak_falls_on_every_line_away_from_it(shapes):
    """A dome, hill or tent is unimodal: along a line in bent coordinates it rises, then falls."""
    line = np.column_stack([np.full(60, 0.5), np.linspace(20, 200, 60), np.full(60, 30)])
    single = np.flatnonzero(shapes.form != TWINS)

    rising = np.diff(shapes.heights(line, single).astype(float), axis=1) > 1e-5

    turns_up = (~rising[:, :-1] & rising[:, 1:]).sum(axis=1)
    falling = np.diff(shapes.heights(line, single).astype(float), axis=1) < -1e-5
    assert ((falling[:, :-1].cumsum(axis=1) > 0) & rising[:, 1:]).sum() == 0
    assert turns_up.max() <= 1


@pytest.mark.parametrize("k", sorted({k for axis in BENDS for k in axis}))
def test_bending_an_axis_keeps_its_ends_and_its_order(k):
    bent = bend(np.linspace(0, 1, 30), k)

    assert bent[[0, -1]] == pytest.approx([0, 1])
    assert (np.diff(bent) > 0).all()


def test_the_standard_ranges_are_the_unit_box():
    assert unit(np.array([[0, 20, 0], [1, 200, 60]])).tolist() == [[0, 0, 0], [1, 1, 1]]


def test_a_kept_library_is_read_back_as_it_was(tmp_path):
    drawn = load_or_draw(tmp_path, n_shapes=60, progress=False)
    (path,) = tmp_path.glob("shapes-*.npz")
    written = path.stat().st_mtime_ns

    kept = load_or_draw(tmp_path, n_shapes=60, progress=False)

    assert path.stat().st_mtime_ns == written
    for name in FIELDS:
        assert np.array_equal(getattr(kept, name), getattr(drawn, name))


def test_a_damaged_library_is_drawn_anew(tmp_path):
    drawn = load_or_draw(tmp_path, n_shapes=60, progress=False)
    (path,) = tmp_path.glob("shapes-*.npz")
    with np.load(path) as kept:
        fields = dict(kept)
    np.savez(path, **{**fields, "top": fields["top"] + 1})

    mended = load_or_draw(tmp_path, n_shapes=60, progress=False)

    assert np.array_equal(mended.top, drawn.top)
    path.write_bytes(b"half a file")
    assert np.array_equal(load_or_draw(tmp_path, n_shapes=60, progress=False).top, drawn.top)


def test_other_code_draws_another_library_and_drops_the_old_one(tmp_path, monkeypatch):
    load_or_draw(tmp_path, n_shapes=60, progress=False)
    (old,) = tmp_path.glob("shapes-*.npz")

    monkeypatch.setattr(shapes_library, "SEED", 1)
    load_or_draw(tmp_path, n_shapes=60, progress=False)

    (new,) = tmp_path.glob("shapes-*.npz")
    assert new != old


def test_a_folder_that_cannot_be_written_costs_no_more_than_time(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")

    assert len(load_or_draw(blocked / "cache", n_shapes=60, progress=False)) == 60
