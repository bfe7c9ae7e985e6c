"""One person alone scores by place and finds the codes afterwards."""

import pytest

from labkit.errors import PlanError
from labkit.tasting import PlanNote, match_codes, plan_tasting, ratio_sweep

PASSPHRASE = "copper kettle, seven spoons"
SWEEP = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)


def _plan(rng, tasters=("Ada",), **more):
    asked = {"session": "spring", "passphrase": PASSPHRASE, "alone": True, "seed": rng} | more
    return plan_tasting(SWEEP.targets, tasters, **asked)


def test_servings_have_places_and_labels_have_codes(rng):
    plan = _plan(rng, flights=2)

    assert plan.alone
    assert set(plan.servings["blind_code"]) == {""}
    assert list(plan.sheet("Ada")["position"]) == [1, 2, 3, 4, 1, 2, 3, 4]
    for flight in (1, 2):
        opened = plan.sealed[flight].open(PASSPHRASE)
        assert [row.blind_code for row in opened.rows] == list(plan.codes(flight))
    assert PlanNote.ALONE in {note.kind for note in plan.notes}


def test_codes_found_are_joined_to_places(rng):
    plan = _plan(rng)
    shuffled = dict(enumerate(plan.codes(1)[::-1], start=1))

    assert match_codes(plan, 1, shuffled) == shuffled


def test_impossible_double_and_missing_codes_are_said(rng):
    plan = _plan(rng)
    codes = list(plan.codes(1))
    right = dict(enumerate(codes, start=1))

    with pytest.raises(PlanError, match=f"code at place 2 must be one of .* got '{999}'"):
        match_codes(plan, 1, right | {2: "999"})
    with pytest.raises(PlanError, match=f"code {codes[0]} must be under one cup .* places 1, 3"):
        match_codes(plan, 1, right | {3: codes[0]})
    with pytest.raises(PlanError, match=f"none given for 4.* its own: {codes[3]}"):
        match_codes(plan, 1, {1: codes[0], 2: codes[1], 3: codes[2]})
    with pytest.raises(PlanError, match="place must be 1 to 4 in flight 1, got 5"):
        match_codes(plan, 1, right | {5: "123"})
    with pytest.raises(PlanError, match="flight must be one of 1, got 2"):
        match_codes(plan, 2, right)


def test_alone_is_one_person(rng):
    with pytest.raises(PlanError, match="tasters must be one name when tasting alone, got 2"):
        _plan(rng, tasters=("Ada", "Bo"))


def test_a_plan_with_company_has_no_codes_to_find(rng):
    with pytest.raises(PlanError, match="plan must be of one taster alone"):
        match_codes(_plan(rng, alone=False), 1, {})
