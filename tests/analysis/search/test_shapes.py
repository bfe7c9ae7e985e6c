"""Shapes are scaled alike, evaluated alike however they are asked for, and kept whole on disk."""

import numpy as np
import pytest

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
