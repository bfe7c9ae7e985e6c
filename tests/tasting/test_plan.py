"""A plan serves every cup it planned, once, and holds nothing of what is in the cups."""

from collections import Counter

import numpy as np
import pandas as pd
import pytest

from labkit.errors import PlanError
from labkit.tasting import plan_tasting, ratio_sweep, session_waters
from labkit.water import Target

PASSPHRASE = "copper kettle, seven spoons"
TASTERS = ("Ada", "Bo", "Cy", "Dee")


def _targets(n):
    return ratio_sweep(
        np.linspace(0, 1, n), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30
    ).targets


def _plan(n=4, tasters=TASTERS, **more):
    asked = {"session": "spring", "passphrase": PASSPHRASE} | more
    return plan_tasting(_targets(n), tasters, **asked)


def _opened(plan):
    return pd.concat([plan.sealed[f].open(PASSPHRASE).to_frame() for f in plan.flights])


def test_waters_that_fit_make_one_flight_with_control_and_duplicate(rng):
    plan = _plan(4, seed=rng)
    opened = _opened(plan)

    assert plan.flights == (1,)
    assert plan.design.kind == "complete blocks"
    assert opened["is_control"].sum() == 1
    assert opened["is_duplicate"].sum() == 1
    assert set(opened["water"]) == {"W1", "W2", "W3", "W4"}
    assert opened["jug"].is_unique
    assert opened["blind_code"].is_unique


def test_a_duplicate_is_another_jug_of_a_water_of_its_flight(rng):
    opened = _opened(_plan(4, seed=rng))

    twin = opened[opened["is_duplicate"]].iloc[0]

    assert (opened["water"] == twin["water"]).sum() == 2
    assert not twin["is_control"]


def test_every_taster_sees_every_cup_once(rng):
    plan = _plan(4, seed=rng)

    for taster in TASTERS:
        sheet = plan.sheet(taster)
        assert sorted(sheet["blind_code"]) == list(plan.codes(1))
        assert list(sheet["position"]) == [1, 2, 3, 4, 5]
        assert list(sheet.columns) == ["flight", "position", "blind_code"]


def test_a_cup_each_has_a_code_and_a_bowl_of_its_own(rng):
    plan = _plan(4, serving="a cup each", seed=rng)
    opened = _opened(plan)

    assert plan.servings["blind_code"].is_unique
    assert set(opened["blind_code"]) == set(plan.servings["blind_code"])
    assert opened["bowl"].is_unique
    assert len(opened) == 4 * 5
    assert opened["jug"].nunique() == 5


def test_shared_bowls_are_one_a_jug(rng):
    opened = _opened(_plan(4, seed=rng))

    assert opened["bowl"].nunique() == opened["jug"].nunique() == len(opened)


def test_more_waters_than_cups_make_more_flights_with_the_control_in_each(rng):
    plan = _plan(9, repeats=2, seed=rng)
    opened = _opened(plan)

    served = Counter(opened.loc[~opened["is_duplicate"], "water"])
    control = opened.loc[opened["is_control"], "water"].iloc[0]

    assert (opened[opened["is_control"]].groupby("flight").size() == 1).all()
    assert {w: n for w, n in served.items() if w != control} == dict.fromkeys(
        sorted(set(served) - {control}), 2
    )
    assert opened["is_duplicate"].sum() >= 1


@pytest.mark.parametrize("n_waters", [4, 7, 9, 11])
@pytest.mark.parametrize("duplicates", [0, 1, 2])
def test_every_flight_has_as_many_cups(n_waters, duplicates, rng):
    """A smaller flight would tell where the duplicate is not."""
    plan = _plan(n_waters, duplicates=duplicates, repeats=2, seed=rng)

    assert plan.servings.groupby(["flight", "taster"]).size().nunique() == 1


def test_labels_of_waters_follow_the_recipes_not_the_draw(rng):
    waters = session_waters(_targets(5))
    opened = _opened(_plan(5, cups_per_flight=6, seed=rng))

    assert [w.label for w in waters] == ["W1", "W2", "W3", "W4", "W5"]
    assert [w.target.mg_share for w in waters] == sorted(w.target.mg_share for w in waters)
    assert [w.is_control for w in waters] == [False, False, True, False, False]
    for row in opened.itertuples():
        assert waters[int(row.water[1:]) - 1].target.mg_share == row.mg_share


def test_a_control_of_its_own_is_one_more_water(rng):
    tap = Target(mg_share=0.2, hardness_mg_l_caco3=200, alkalinity_mg_l_caco3=150)
    plan = _plan(3, control=tap, seed=rng)
    opened = _opened(plan)

    assert opened.loc[opened["is_control"], "hardness_mg_l_caco3"].tolist() == [200]
    assert plan.design.n_waters == 4


def test_without_control_and_duplicate_only_the_waters_are_served(rng):
    opened = _opened(_plan(4, control="none", duplicates=0, seed=rng))

    assert len(opened) == 4
    assert not opened["is_control"].any()
    assert not opened["is_duplicate"].any()


def test_flights_can_be_added_when_the_last_one_has_been_read(rng):
    first = _plan(4, seed=rng)
    known = session_waters(_targets(4))
    targets = [
        _targets(4)[1],
        Target(mg_share=0.4, hardness_mg_l_caco3=60, alkalinity_mg_l_caco3=30),
    ]
    second = plan_tasting(
        targets,
        TASTERS,
        session="spring",
        passphrase=PASSPHRASE,
        known=known,
        after=first,
        seed=rng,
    )

    assert second.flights == (2,)
    assert not set(second.codes(2)) & set(first.codes(1))
    assert set(_opened(second)["water"]) == {"W2", "W3", "W5"}


def test_the_plan_has_no_place_for_a_recipe(rng):
    plan = _plan(4, seed=rng)
    shown = repr(plan) + plan._repr_html_() + plan.servings.to_csv()

    for word in ("W1", "J1", "mg_share", "hardness", "0.333", "Target"):
        assert word not in shown


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"tasters": ()}, "tasters must be one name or more"),
        ({"tasters": ("Ada", "")}, "tasters must be one name or more"),
        ({"tasters": ("Ada", "Ada ")}, "tasters must have different names, got 'Ada' twice"),
        ({"session": " "}, "session must be a name"),
        ({"serving": "buckets"}, "serving must be 'shared bowls' or 'a cup each'"),
        ({"cups_per_flight": 7}, "cups_per_flight must be at most 6, got 7"),
        ({"cups_per_flight": 1}, "cups_per_flight must be at least 2, got 1"),
        ({"duplicates": -1}, "duplicates must be at least 0, got -1"),
        ({"flights": 0}, "flights must be at least 1, got 0"),
        *(
            ({name: value, "insist": True}, f"{name} must be {rule}")
            for name in ("cups_per_flight", "duplicates", "flights", "repeats")
            for value, rule in (
                (1e30, "at most 564"),
                (10**30, "at most 564"),
                (2.5, "a whole number, got 2.5"),
                (float("nan"), "a whole number, got nan"),
                (float("inf"), "a whole number, got inf"),
                ("6", "a whole number, got '6'"),
            )
        ),
        ({"n": 9, "flights": 200}, "cups must be at most 564 in a session"),
        ({"flights": 1, "repeats": 2}, "repeats must be at most the number of flights, 1, got 2"),
        ({"n": 9, "flights": 1}, "cups must be at most 6 in a flight, got 10: flights 1, waters 8"),
        (
            {
                "n": 6,
                "cups_per_flight": 9,
                "insist": True,
                "serving": "a cup each",
                "flights": 9,
                "tasters": [f"T{i}" for i in range(12)],
            },
            "codes must be at most 564 in this session",
        ),
    ],
)
def test_what_cannot_be_planned_is_said_in_a_sentence(more, message):
    with pytest.raises(PlanError, match=message):
        _plan(**more)


def test_the_same_water_twice_is_refused():
    with pytest.raises(PlanError, match="targets must differ"):
        session_waters([*_targets(3), _targets(3)[0]])


def test_no_water_is_refused():
    with pytest.raises(PlanError, match="targets must hold at least one water"):
        session_waters([])


def test_an_unknown_taster_has_no_sheet(rng):
    with pytest.raises(PlanError, match="taster must be one of Ada, Bo, Cy, Dee, got 'Eve'"):
        _plan(seed=rng).sheet("Eve")
