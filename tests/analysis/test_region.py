"""The dose grid holds what may be proposed and nothing else."""

import numpy as np
import pytest

from labkit.analysis.region import Excluded, Region, makeable
from labkit.errors import DosingError, RegionError
from labkit.tasting.factors import Factor
from labkit.water import COORDINATES, Concentrate, Target, Water, mix, salt


def test_the_standard_region_is_the_full_grid():
    grid = Region().grid

    assert grid.shape == (21 * 19 * 13, 3)
    assert grid.min(axis=0).tolist() == [0, 20, 0]
    assert grid.max(axis=0).tolist() == [1, 200, 60]


def test_a_locked_coordinate_has_one_level_and_needs_no_factor():
    region = Region(
        factors=(Factor(name="mg_share", low=0, high=1),),
        locked={"hardness_mg_l_caco3": 77, "alkalinity_mg_l_caco3": 30},
    )

    assert region.varied == ("mg_share",)
    assert set(map(tuple, region.grid[:, 1:])) == {(77, 30)}


def test_what_is_excluded_or_cannot_be_made_is_not_on_the_grid():
    block = Excluded(ranges={"mg_share": (0.9, 1), "hardness_mg_l_caco3": (150, 200)})
    region = Region(excluded=(block,), allowed=lambda waters: waters[:, 1] > 50)

    inside_block = (region.grid[:, 0] >= 0.9) & (region.grid[:, 1] >= 150)

    assert not inside_block.any()
    assert region.grid[:, 1].min() == 60
    assert region.contains([(0.95, 160, 30), (0.95, 40, 30), (0.31, 77, 22)]).tolist() == [
        False,
        False,
        True,
    ]


def test_the_nearest_recipe_stays_inside():
    region = Region(excluded=(Excluded(ranges={"alkalinity_mg_l_caco3": (0, 10)}),))

    assert region.nearest([(0.33, 101, 2)]).tolist() == [[0.35, 100, 15]]


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"allowed": lambda waters: np.zeros(len(waters), bool)}, "at least one water, got none"),
        ({"steps": {"mg_share": 0}}, "steps must be above 0, got 0 for mg_share"),
        ({"steps": {"mg_share": 1e-3}}, "at most 40000 recipes, got 247247"),
        ({"locked": {"magnesium": 1}}, "got 'magnesium' at 1"),
        ({"factors": ()}, "range of mg_share unless it is locked"),
    ],
)
def test_a_badly_described_region_is_refused(options, message):
    with pytest.raises(RegionError, match=message):
        Region(**options)


BOTTLES = [
    Concentrate.of_strength(salt=salt(formula), strength_mg_l_caco3_per_ml=1.0)
    for formula in ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")
]


def test_what_is_makeable_is_what_the_mixing_accepts():
    """Against the room that computes doses, water by water."""
    base = Water(
        calcium_mmol_l=0.3, magnesium_mmol_l=0.1, bicarbonate_mmol_l=0.4, chloride_mmol_l=0.4
    )
    waters = Region().nearest(np.random.default_rng(8).uniform([0, 20, 0], [1, 200, 60], (80, 3)))

    def accepted(water):
        try:
            mix(Target(**dict(zip(COORDINATES, water, strict=True))), BOTTLES, base=base)
        except DosingError:
            return False
        return True

    can = makeable(BOTTLES, base=base)(waters)

    assert can.tolist() == [accepted(water) for water in waters]
    assert 0 < can.sum() < len(can)


def test_a_coarse_pipette_and_a_small_jug_leave_fewer_waters():
    fine = Region(allowed=makeable(BOTTLES))
    coarse = Region(allowed=makeable(BOTTLES, volume_ml=100, pipette_ml=1))

    assert len(fine.grid) == len(Region().grid)
    assert 0 < len(coarse.grid) < len(fine.grid)
