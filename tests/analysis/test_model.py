"""Terms are chosen by what the design can estimate, and what it cannot is said."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from labkit.analysis import Note
from labkit.analysis.model.scores import gather_scores
from labkit.analysis.model.structure import told_at_zero
from labkit.analysis.model.surface import fit_surface
from labkit.noted import noted

from .conftest import GRID, RATIOS, tasted


def surface_of(frame):
    return fit_surface(gather_scores(frame))


def test_a_ratio_sweep_bends_over_mg_share_only():
    surface = surface_of(tasted())

    assert surface.names == ("level", "mg_share", "mg_share^2")
    held = [one for one in surface.model.cannot_tell if one.kind is Note.HELD]
    assert [(one["name"], one["level"]) for one in held] == [
        ("hardness_mg_l_caco3", 80),
        ("alkalinity_mg_l_caco3", 20),
    ]


@pytest.mark.parametrize(("flights", "by_chance"), [(4, False), (5, True)])
def test_five_flights_differ_by_chance_and_four_have_levels_of_their_own(flights, by_chance):
    model = surface_of(tasted(flights=flights)).model

    assert ("flight" in [one.name for one in model.components]) == by_chance
    assert model.fixed.shape[1] - model.n_surface == (0 if by_chance else flights - 1)


@pytest.mark.parametrize(("flights", "estimated"), [(3, False), (4, True)])
def test_bowls_take_three_differences_beside_waters_and_flights(flights, estimated):
    """Two waters: 2 bowls a flight less 2 waters less flights - 1, so 2 and 3 are left."""
    model = surface_of(tasted(waters=RATIOS[::5], flights=flights, tasters="ABCDE")).model

    assert ("bowl" in [one.name for one in model.components]) == estimated


@pytest.mark.parametrize(
    ("tasters", "costly"), [("ABC", {"taster:mg_share"}), ("ABCD", set()), ("ABCDE", set())]
)
def test_slopes_at_zero_go_on_costing_degrees_of_freedom_with_three_tasters_only(tasters, costly):
    """By simulation (DEVELOPERS.md): from four on, intervals hold and false alarms stay rare."""
    model = surface_of(tasted(tasters=tasters)).model

    assert {"taster:mg_share", "taster:water"} <= {one.name for one in model.components}
    told = told_at_zero(model.fixed, model.components)
    assert {one.name for one in told if one.keep_at_zero} == costly


def test_tasters_who_are_alike_leave_no_component_at_zero():
    """One panel four times over: each cup scored by all in the same way but for the noise."""
    frame = tasted(tasters="ABCD", effect=0)
    frame["score"] = 6 + np.random.default_rng(1).normal(0, 0.5, len(frame))
    fit = surface_of(frame).fit
    left_out = {one["component"] for one in fit.notes if one.kind is Note.NOT_SEEN}

    assert left_out
    assert not left_out & {one.name for one in fit.components}
    assert (fit.variances > 0).all()


def test_a_factor_that_is_not_read_has_no_interaction_to_speak_of():
    """One share a session: what the share does and what the day did are one."""
    days = [
        tasted(waters=[(share, h, 20) for h in (40, 80, 120)], session=day, seed=3)
        for share, day in ((0.2, "S1"), (0.8, "S2"))
    ]
    kinds = {one.kind for one in surface_of(pd.concat(days)).model.cannot_tell}

    assert Note.BETWEEN_FLIGHTS in kinds
    assert Note.NO_INTERACTION not in kinds


def test_two_levels_cannot_tell_a_best_one_in_between():
    surface = surface_of(tasted(waters=RATIOS[::5]))

    assert surface.names == ("level", "mg_share")
    assert noted(Note.TWO_LEVELS, name="mg_share") in surface.model.cannot_tell


def test_a_grid_tells_whether_the_best_ratio_moves_with_hardness():
    surface = surface_of(tasted(waters=GRID, flights=2))

    assert "mg_share:hardness_mg_l_caco3" in surface.names


def test_a_ratio_sweep_and_a_hardness_dial_cannot():
    dial = [(0.4, hardness, 20) for hardness in (40, 80, 120, 160)]
    both = pd.concat([tasted(), tasted(waters=dial, session="S2", seed=6)])

    surface = surface_of(both)

    assert "mg_share:hardness_mg_l_caco3" not in surface.names
    assert "hardness_mg_l_caco3^2" in surface.names
    told = noted(Note.NO_INTERACTION, name="mg_share", other="hardness_mg_l_caco3")
    assert told in surface.model.cannot_tell


def test_coordinates_that_move_together_are_not_told_apart():
    surface = surface_of(tasted(waters=[(0.4, h, h / 4) for h in (40, 80, 120)]))

    assert "alkalinity_mg_l_caco3" not in surface.names
    assert noted(Note.TOGETHER, name="alkalinity_mg_l_caco3") in surface.model.cannot_tell


def test_a_coordinate_that_changed_only_between_flights_asks_for_a_control():
    flights = [tasted(waters=[w], flights=1, session=f"S{i}") for i, w in enumerate(RATIOS[:4])]

    surface = surface_of(pd.concat(flights))

    assert surface.names == ("level",)
    assert noted(Note.BETWEEN_FLIGHTS, name="mg_share") in surface.model.cannot_tell
    assert surface.test() is None


def test_days_without_a_common_water_are_named_and_a_control_links_them():
    warm = [(0.3, h, 20) for h in (40, 70, 120)]
    apart = pd.concat([tasted(), tasted(waters=warm, session="S2", seed=6)])
    linked = pd.concat([tasted(), tasted(waters=[*warm, (0.4, 80, 20)], session="S2", seed=6)])

    def unlinked(frame):
        return noted(Note.NOT_LINKED) in surface_of(frame).model.cannot_tell

    assert unlinked(apart)
    assert not unlinked(linked)


def test_a_control_takes_the_difference_between_days_out():
    """The second day is scored two points lower; the surface does not notice."""
    dial = [(0.4, h, 20) for h in (40, 80, 120, 160)]
    first, second = tasted(), tasted(waters=dial, session="S2", seed=6)
    low = second.assign(score=second["score"] - 2)

    one, other = (surface_of(pd.concat([first, day])) for day in (second, low))

    np.testing.assert_allclose(other.coefficients[1:], one.coefficients[1:], atol=1e-6)


@pytest.mark.parametrize(
    ("flights", "expected"), [(1, set()), (3, {"taster:flight"}), (6, {"flight", "taster:flight"})]
)
def test_blocks_are_fixed_below_five(flights, expected):
    frame = tasted(flights=flights, effect=0.5, seed=8)
    fixed = surface_of(frame).model.fixed.shape[1]

    names = {one.name for one in surface_of(frame).model.components}

    assert names & {"session", "flight", "taster:flight"} == expected
    assert fixed == 3 + (flights - 1 if flights < 5 else 0)


def test_a_bowl_mixed_once_cannot_be_told_from_its_water():
    once, again = surface_of(tasted(flights=1)), surface_of(tasted())

    assert noted(Note.MIXED_ONCE) in once.model.cannot_tell
    assert noted(Note.MIXED_ONCE) not in again.model.cannot_tell
    assert "bowl" in {one.name for one in again.model.components}


def test_a_spread_between_bowls_is_found_where_it_is_planted():
    frame = tasted(tasters="ABCDEF", effect=0.0, seed=3)
    slip = np.random.default_rng(0).normal(0, 1.0, frame["jug"].nunique())
    frame["score"] += slip[frame["jug"].factorize()[0]]

    surface = surface_of(frame)

    assert surface.fit.variance_of("bowl") > 0.3


def test_few_tasters_do_not_speak_for_guests():
    assert noted(Note.NOT_GUESTS, n=4) in surface_of(tasted()).model.cannot_tell
