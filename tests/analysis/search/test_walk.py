"""The classical walk dials one coordinate after the other and says what it cannot know."""

import numpy as np
import pandas as pd
import pytest

from labkit.analysis.region import Region
from labkit.analysis.search.simulate import PanelNoise, PlantedPeak, SimulatedPanel
from labkit.analysis.search.walk import WalkState, classical_walk
from labkit.errors import RegionError
from labkit.water import COORDINATES


def walk(best, *, region=None, noise=1.0, seed=1, **surface):
    """All steps of a walk tasted by a simulated panel."""
    rng = np.random.default_rng(seed)
    panel = SimulatedPanel.draw(
        list("ABCD"),
        PlantedPeak(best=best, effect_points=2.5, **surface),
        seed=rng,
        noise=PanelNoise().times(noise),
    )
    frames, steps = [], [classical_walk(None, region)]
    while steps[-1].sweep is not None:
        frames.append(
            panel.taste_flights([steps[-1].sweep.targets], seed=rng, first_flight=len(steps))
        )
        steps.append(classical_walk(pd.concat(frames, ignore_index=True), region))
    return steps


@pytest.fixture(scope="module")
def quiet_walk():
    return walk((0.25, 70, 20), noise=0.1)


def test_it_dials_ratio_then_hardness_then_alkalinity(quiet_walk):
    kinds = [step.sweep.kind for step in quiet_walk[:-1]]

    assert list(dict.fromkeys(kinds)) == ["ratio sweep", "hardness dial", "alkalinity dial"]
    assert quiet_walk[-1].dialled == COORDINATES


def test_a_quiet_panel_walks_to_a_peak_that_does_not_slant(quiet_walk):
    kept = quiet_walk[-1].kept

    assert kept.mg_share == pytest.approx(0.25, abs=0.15)
    assert kept.hardness_mg_l_caco3 == pytest.approx(70, abs=30)
    assert kept.alkalinity_mg_l_caco3 == pytest.approx(20, abs=10)


def test_each_dial_holds_what_the_dials_before_it_kept(quiet_walk):
    for step in quiet_walk[:-1]:
        assert len(step.sweep.held) == 2
        for name, level in step.sweep.held.items():
            assert level == pytest.approx(getattr(step.kept, name))


def test_a_dial_that_leaves_much_open_is_tasted_twice_and_not_more():
    steps = walk((0.25, 70, 20), noise=4.0)

    kinds = [step.sweep.kind for step in steps[:-1]]

    assert max(kinds.count(kind) for kind in kinds) == 2
    assert steps[kinds.index("ratio sweep") + 1].state is WalkState.AGAIN


def test_the_end_has_no_dial(quiet_walk):
    end = quiet_walk[-1]

    assert end.sweep is None
    assert end.state is WalkState.END
    assert end.expected_loss is not None


def test_a_locked_coordinate_is_not_dialled():
    region = Region(locked={"alkalinity_mg_l_caco3": 30})

    steps = walk((0.25, 70, 30), region=region, noise=0.1)

    assert "alkalinity dial" not in [step.sweep.kind for step in steps[:-1]]


def test_a_walk_without_room_is_refused():
    with pytest.raises(RegionError, match=r"at least 3 levels .* got 2"):
        classical_walk(None, k=2)
    locked = Region(locked=dict(zip(COORDINATES, (0.5, 100, 30), strict=True)))
    with pytest.raises(RegionError, match="unlock a coordinate"):
        classical_walk(None, locked)
