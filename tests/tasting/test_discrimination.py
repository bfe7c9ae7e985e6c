"""Sets for telling two waters apart: every order as often, one right cup, nothing to read."""

from collections import Counter
from itertools import permutations

import pytest

from labkit.errors import PlanError
from labkit.tasting import DIFFERENCE_TESTS, METHODS, plan_sets, plan_tasting, right_place
from labkit.water import Target

PASSPHRASE = "copper kettle, seven spoons"
A = Target(mg_share=0.2, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
B = Target(mg_share=0.8, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)


def _plan(method, n_tasters, rng, **more):
    tasters = [f"T{i}" for i in range(n_tasters)]
    asked = {"session": "duel", "passphrase": PASSPHRASE, "stronger": B, "seed": rng} | more
    return plan_sets(method, (A, B), tasters, **asked)


def _letters(plan, flight):
    """What stands before each taster, in order, as letters."""
    waters = {
        r.blind_code: "A" if r.target == A else "B"
        for r in plan.sealed[flight].open(PASSPHRASE).rows
    }
    sets = {}
    for cup in plan.cups:
        if cup.flight == flight:
            sets[cup.taster] = sets.get(cup.taster, "") + waters[cup.blind_code]
    return sets


def _orders(letters):
    return {"".join(p) for p in permutations(letters)}


@pytest.mark.parametrize(
    ("method", "orders"),
    [
        # ISO 4120: six orders of the triangle, each equally often (from memory).
        ("triangle", _orders("AAB") | _orders("ABB")),
        # ISO 10399: balanced reference (from memory).
        ("duo-trio", {"AAB", "ABA", "BAB", "BBA"}),
        # All six arrangements of two and two.
        ("tetrad", _orders("AABB")),
        ("2-AFC", {"AB", "BA"}),
        ("3-AFC", _orders("AAB")),
        ("paired preference", {"AB", "BA"}),
    ],
)
def test_every_order_is_served_equally_often(method, orders, rng):
    plan = _plan(method, 2 * len(orders), rng, trials=2)

    for flight in (1, 2):
        assert Counter(_letters(plan, flight).values()) == dict.fromkeys(orders, 2)
    assert plan.design.spreads == (("times an order is served in a trial", 2, 2),)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("n_tasters", [1, 3, 4, 5, 7])
def test_any_number_of_tasters_leaves_orders_even_to_one(method, n_tasters, rng):
    served = Counter(_letters(_plan(method, n_tasters, rng), 1).values())

    n_orders = 3 if method == "3-AFC" else len(METHODS[method].sets)
    counts = [*served.values(), *[0] * (n_orders - len(served))]
    assert max(counts) - min(counts) <= 1


def test_two_left_over_are_opposites(rng):
    """So that neither water is the odd one more often."""
    for _ in range(20):
        letters = "".join(_letters(_plan("triangle", 2, rng), 1).values())
        assert letters.count("A") == 3


@pytest.mark.parametrize("method", DIFFERENCE_TESTS)
def test_the_right_cup_is_the_one_the_method_asks_for(method, rng):
    for drunk in _letters(_plan(method, 6, rng), 1).values():
        place = right_place(method, drunk, "B")
        if method == "triangle":
            assert drunk.count(drunk[place]) == 1
        elif method in ("duo-trio", "tetrad"):
            assert place > 0
            assert drunk[place] == drunk[0]
        else:
            assert drunk[place] == "B"


def test_guessing_the_cup_by_place_is_right_by_chance(rng):
    """Always marking the last cup of a triangle: 1/3 over the six orders."""
    letters = _letters(_plan("triangle", 60, rng), 1).values()

    assert sum(right_place("triangle", drunk) == 2 for drunk in letters) == 20


@pytest.mark.parametrize(
    ("method", "guessing"),
    [
        ("triangle", 1 / 3),
        ("duo-trio", 1 / 2),
        ("tetrad", 1 / 3),
        ("2-AFC", 1 / 2),
        ("3-AFC", 1 / 3),
    ],
)
def test_guessing_chances_are_those_of_the_methods(method, guessing):
    """ISO 4120, ISO 10399, ISO 5495 (from memory)."""
    assert METHODS[method].guessing == pytest.approx(guessing)


def test_every_trial_has_jugs_of_its_own_and_codes_are_never_repeated(rng):
    plan = _plan("triangle", 6, rng, trials=3)
    rows = [r for f in plan.flights for r in plan.sealed[f].open(PASSPHRASE).rows]

    assert len({r.jug for r in rows}) == 6
    assert len({r.blind_code for r in rows}) == len(rows) == 6 * 3 * 3
    assert len({r.bowl for r in rows}) == len(rows)


def test_more_trials_can_follow(rng):
    first = _plan("triangle", 4, rng)

    more = _plan("triangle", 4, rng, after=first)

    assert more.flights == (2,)
    assert not more.all_codes & first.all_codes


def test_a_sheet_asks_one_thing(rng):
    """Neither scores after a test, nor a test after scores, nor another test."""
    asked = {"session": "duel", "passphrase": PASSPHRASE}
    test = _plan("triangle", 4, rng)
    scored = plan_tasting([A, B], test.tasters, **asked)

    with pytest.raises(PlanError, match=r"got 'duel', which is a test of two waters .triangle."):
        plan_tasting([A, B], test.tasters, after=test, **asked)
    for before in (scored, test):
        with pytest.raises(PlanError, match=r"must be a session of the same test .2-AFC., got"):
            _plan("2-AFC", 4, rng, after=before)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda rng: _plan("sniff", 4, rng), "method must be one of triangle, .* got 'sniff'"),
        (lambda rng: _plan("triangle", 4, rng, trials=0), "trials must be at least 1, got 0"),
        (lambda rng: _plan("triangle", 4, rng, trials=1e30), "trials must be at most 564"),
        (lambda rng: _plan("triangle", 4, rng, trials=1.5), "trials must be a whole number, got"),
        (lambda rng: _plan("3-AFC", 4, rng, stronger=None), "stronger must be one of the pair"),
        (lambda rng: METHODS["2-AFC"].ask(), "attribute must be given for 2-AFC"),
    ],
)
def test_what_cannot_be_asked_is_said(call, message, rng):
    with pytest.raises(PlanError, match=message):
        call(rng)


def test_the_stronger_water_is_needed_to_judge_2_afc():
    with pytest.raises(PlanError, match="stronger must be one of the two waters for 2-AFC"):
        right_place("2-AFC", "AB")


def test_the_question_names_the_attribute():
    assert METHODS["2-AFC"].ask("acidity") == "Which cup has more acidity?"
    assert METHODS["triangle"].ask() == "Two cups are the same. Which one is the odd one?"
