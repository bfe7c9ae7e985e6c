"""Attacks on a plan: whoever holds all that lies open guesses waters no better than by chance.

Plans here draw from the operating system's entropy, as they do for the user. An attack names a
water for every code; with four waters a blind guess hits one of them on average, with variance
one. Bounds are 4.5 standard errors: an honest plan fails one of these tests in some 100 000 runs.
"""

import gc
import pickle
import pickletools
import time
import types
from collections import Counter
from dataclasses import asdict
from itertools import combinations, pairwise

import numpy as np
import pytest

from labkit.errors import SealError
from labkit.present import say
from labkit.tasting import plan_tasting, ratio_sweep, session_waters
from labkit.tasting.layout import Draw
from labkit.tasting.orders import follow_counts, position_counts, williams_orders
from labkit.tasting.seal import KeyRow, OpenedFlight, Sealer
from labkit.water import Target

PASSPHRASE = "copper kettle, seven spoons"
TASTERS = ("Ada", "Bo", "Cy", "Dee")
TARGETS = ratio_sweep((0, 0.3, 0.6, 0.9), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30).targets
N_PLANS = 150
BOUND = 4.5 / N_PLANS**0.5


def _plan(**more):
    asked = {
        "session": "spring",
        "passphrase": PASSPHRASE,
        "control": "none",
        "duplicates": 0,
    } | more
    return plan_tasting(TARGETS, TASTERS, **asked)


@pytest.fixture(scope="module")
def drawn():
    """Plans of two flights, and what was in the cups."""
    plans = [_plan(flights=2) for _ in range(N_PLANS)]
    return [(plan, [_truth(plan, flight) for flight in (1, 2)]) for plan in plans]


def _truth(plan, flight):
    """Water number of each code, which is what an attacker wants."""
    return {
        row.blind_code: int(row.water[1:]) - 1 for row in plan.sealed[flight].open(PASSPHRASE).rows
    }


def _order(plan, flight, taster):
    cups = [c for c in plan.cups if (c.flight, c.taster) == (flight, taster)]
    return [cup.blind_code for cup in cups]


def _by_token(plan, flight):
    """Sort codes by the byte of the key at their number: stands for any reading of ciphertext."""
    token = plan.sealed[flight].token
    return sorted(plan.codes(flight), key=lambda code: (token[int(code) % len(token)], code))


ATTACKS = {
    "codes in numeric order": lambda p, f: p.codes(f),
    "codes by their last digit": lambda p, f: sorted(p.codes(f), key=lambda c: c[::-1]),
    "codes by the sum of digits": lambda p, f: sorted(p.codes(f), key=lambda c: sum(map(int, c))),
    "rows of the plan": lambda p, f: list(
        dict.fromkeys(c.blind_code for c in p.cups if c.flight == f)
    ),
    "rows of the table": lambda p, f: list(
        dict.fromkeys(p.servings[p.servings["flight"] == f]["blind_code"])
    ),
    "order of the last taster": lambda p, f: _order(p, f, TASTERS[-1]),
    "letters of the Williams square": lambda p, f: _letters(p, f),
    "bytes of the key": _by_token,
    "hash order": lambda p, f: list({c.blind_code for c in p.cups if c.flight == f}),
}


def _letters(plan, flight):
    """Undo the square: the code served first to the taster whose row starts the square is A."""
    square = williams_orders(4).tolist()
    rows = [_order(plan, flight, taster) for taster in TASTERS]
    for row in rows:
        letters = dict(zip(square[0], row, strict=True))
        if sorted([letters[i] for i in own] for own in square) == sorted(rows):
            return [letters[i] for i in range(4)]
    return rows[0]


@pytest.mark.parametrize("attack", ATTACKS)
def test_what_lies_open_tells_no_water_from_another(drawn, attack):
    hits = [
        sum(truth[flight - 1][code] == i for i, code in enumerate(ATTACKS[attack](plan, flight)))
        for plan, truth in drawn
        for flight in (1, 2)
    ]

    # Flights of a plan are drawn apart, so that each counts.
    assert np.mean(hits) == pytest.approx(1, abs=4.5 / len(hits) ** 0.5)


CARRIED = {
    "same rank among the codes": lambda p: zip(p.codes(1), p.codes(2), strict=True),
    "same place before a taster": lambda p: zip(
        _order(p, 1, "Ada"), _order(p, 2, "Ada"), strict=True
    ),
    "same letter of the square": lambda p: zip(_letters(p, 1), _letters(p, 2), strict=True),
    "same path through the tasters": lambda p: _same_path(p),
    "nearest number": lambda p: zip(
        p.codes(1), sorted(p.codes(2), key=lambda c: c[1:]), strict=True
    ),
}


def _same_path(plan):
    """Pair codes whose positions before the four tasters are most alike."""
    places = {
        f: {c: np.array([_order(plan, f, t).index(c) for t in TASTERS]) for c in plan.codes(f)}
        for f in (1, 2)
    }
    left = list(plan.codes(2))
    for code in plan.codes(1):
        near = min(left, key=lambda c: np.abs(places[1][code] - places[2][c]).sum())
        left.remove(near)
        yield code, near


@pytest.mark.parametrize("attack", CARRIED)
def test_an_opened_flight_tells_nothing_of_the_next(drawn, attack):
    """The attacker knows every code of flight 1 and guesses flight 2."""
    hits = [
        sum(truth[0][one] == truth[1][two] for one, two in CARRIED[attack](plan))
        for plan, truth in drawn
    ]

    assert np.mean(hits) == pytest.approx(1, abs=BOUND)


@pytest.mark.parametrize("serving", ["shared bowls", "a cup each"])
def test_the_twin_cups_cannot_be_picked_out(serving):
    """Five cups, two alike: a pair chosen by any rule is the right one in 1 of 10 plans."""
    rules = {
        "closest numbers": lambda codes, order: min(
            combinations(codes, 2), key=lambda pair: abs(int(pair[0]) - int(pair[1]))
        ),
        "next to each other": lambda codes, order: tuple(order[:2]),
        "first and last": lambda codes, order: (order[0], order[-1]),
        "never one after the other": lambda codes, order: (order[1], order[3]),
    }
    right = Counter()
    for _ in range(N_PLANS):
        plan = _plan(duplicates=1, serving=serving)
        waters = {r.blind_code: r.water for r in plan.sealed[1].open(PASSPHRASE).rows}
        order = _order(plan, 1, "Bo")
        for name, rule in rules.items():
            one, other = rule(sorted(order), order)
            right[name] += waters[one] == waters[other]

    for name in rules:
        assert right[name] / N_PLANS == pytest.approx(0.1, abs=BOUND * 0.3)


def _lies_open(plan, tasters):
    """Numbers that anyone can read of each code before these tasters, and of each pair of codes."""
    codes = sorted(_order(plan, 1, tasters[0]))
    at = np.array([[_order(plan, 1, one).index(code) for one in tasters] for code in codes], float)
    digits = np.array([[int(digit) for digit in code] for code in codes], float)
    rank = np.arange(len(codes), dtype=float)[:, None]
    first, second = np.array(list(combinations(range(len(codes)), 2))).T
    apart = np.abs(at[first] - at[second])
    return (
        codes,
        np.hstack([at, at**2, np.sort(at), digits, rank, rank**2]),
        np.hstack(
            [
                np.sort(apart),
                np.sum(apart == 1, axis=1, keepdims=True),
                np.abs(digits[first] - digits[second]),
                rank[second] - rank[first],
            ]
        ),
    )


@pytest.mark.parametrize(
    ("serving", "tasters"), [("shared bowls", TASTERS), ("a cup each", TASTERS[:1])]
)
def test_whoever_learns_from_opened_plans_guesses_no_better(serving, tasters):
    """By least squares on plans with their keys: which cup is a control, which two are twins."""
    half, seen, truth = N_PLANS // 2, ([], []), ([], [])
    for _ in range(N_PLANS):
        plan = _plan(duplicates=1, serving=serving, control="middle")
        codes, *numbers = _lies_open(plan, tasters)
        rows = {row.blind_code: row for row in plan.sealed[1].open(PASSPHRASE).rows}
        truth[0].append([rows[code].is_control for code in codes])
        truth[1].append([rows[a].water == rows[b].water for a, b in combinations(codes, 2)])
        for kept, one in zip(seen, numbers, strict=True):
            kept.append(one)

    for known, right in zip(map(np.array, seen), map(np.array, truth), strict=True):
        middle = known[:half].mean(axis=(0, 1))
        learnt, *_ = np.linalg.lstsq(
            np.vstack(known[:half] - middle),
            np.ravel(right[:half] - right[:half].mean()),
            rcond=None,
        )
        guess = np.argmax((known[half:] - middle) @ learnt, axis=1)
        chance = right[half:].mean(axis=1)
        hits = right[half:][np.arange(len(guess)), guess]
        assert 0 < chance.mean() < 1
        assert abs(np.sum(hits - chance)) < 4.5 * np.sqrt(np.sum(chance * (1 - chance)))


def test_the_control_cannot_be_picked_out_where_tasters_have_their_own_waters():
    """Four cups of which one is in everybody's flight, under codes that nobody shares."""
    hits = Counter()
    for _ in range(100):
        plan = _plan(
            control=Target(mg_share=1, hardness_mg_l_caco3=150, alkalinity_mg_l_caco3=70),
            duplicates=1,
            serving="a cup each",
            blocks_by="taster",
            flights=2,
            repeats=1,
        )
        rows = {r.blind_code: r for r in plan.sealed[1].open(PASSPHRASE).rows}
        times = Counter(c.blind_code for c in plan.cups)
        assert set(times.values()) == {1}
        order = _order(plan, 1, "Ada")
        for place, code in enumerate(order):
            hits[place] += rows[code].is_control

    for place in range(4):
        assert hits[place] / 100 == pytest.approx(0.25, abs=4.5 * 0.0433)


def test_the_counts_shown_say_no_more_than_the_cups_do():
    """Counted by water they would rule out most pairs of codes as twins."""
    for _ in range(30):
        plan = _plan(flights=2, duplicates=1)
        positions, follows = [], []
        for flight in plan.flights:
            codes = plan.codes(flight)
            orders = [[codes.index(c) for c in _order(plan, flight, t)] for t in TASTERS]
            positions.append(position_counts(np.array(orders), len(codes)))
            counts = follow_counts(np.array(orders), len(codes))
            follows.append(counts[~np.eye(len(codes), dtype=bool)])

        assert plan.design.spreads == (
            ("times a cup stands at a position", np.min(positions), np.max(positions)),
            ("times a cup is tasted directly after another", np.min(follows), np.max(follows)),
            ("flights of a taster in which two waters meet", 8, 8),
        )


def test_no_seed_gives_the_plan_again():
    """Small seeds and all seconds of the last two minutes, drawn and compared."""
    plan = _plan()
    now = int(time.time())

    for seed in (*range(150), *range(now - 120, now + 1)):
        again = _plan(seed=np.random.default_rng(seed))
        assert [c.blind_code for c in again.cups] != [c.blind_code for c in plan.cups]


def test_two_plans_at_the_same_moment_differ():
    assert len({_plan().cups for _ in range(50)}) == 50


def test_the_streams_of_a_draw_are_apart():
    """Codes and orders are seen; a stream rebuilt from them must not be the one that paired."""
    draw = Draw(None)
    states = {str(draw.fresh().bit_generator.state["state"]) for _ in range(100)}

    assert len(states) == 100


def _reachable(thing):
    """Every object that can be reached from `thing`, classes, modules and functions apart."""
    seen, queue = {}, [thing]
    while queue:
        at = queue.pop()
        if id(at) in seen or isinstance(at, (type, types.ModuleType, types.FunctionType)):
            continue
        seen[id(at)] = at
        queue += gc.get_referents(at)
    return list(seen.values())


def test_nothing_in_the_plan_leads_to_a_water_a_key_or_a_draw():
    plan = _plan(flights=2, duplicates=2)

    for thing in _reachable(plan):
        assert not isinstance(
            thing, (Target, KeyRow, OpenedFlight, Sealer, np.random.Generator, Draw)
        )
        assert not (isinstance(thing, str) and thing == PASSPHRASE)


def test_what_is_written_of_a_plan_holds_no_recipe():
    plan = _plan(flights=2, duplicates=2)
    pickled = [arg for _, arg, _ in pickletools.genops(pickle.dumps(plan))]
    written = [
        repr(plan),
        str(asdict(plan.design)),
        plan._repr_html_(),
        plan.servings.to_json(),
        plan.sheet("Ada").to_csv(),
        " ".join(map(say, plan.notes)),
        repr(plan.notes),
        " ".join(arg for arg in pickled if isinstance(arg, str)),
    ]

    for text in written:
        for word in ("W1", "W4", "J1.", "B1.", "0.6", "mg_share", "hardness", PASSPHRASE):
            assert word not in text
    # Ciphertext is noise, in which two letters turn up by chance: only long words tell.
    for blob in (arg for arg in pickled if isinstance(arg, bytes)):
        for word in ("mg_share", "hardness", PASSPHRASE):
            assert word.encode() not in blob


def test_the_list_of_waters_is_the_same_whatever_was_drawn():
    """What the lead sees depends on the recipes alone, not on the order they were given in."""
    assert session_waters(TARGETS) == session_waters(TARGETS[::-1])


def test_tokens_of_a_session_are_all_of_one_length():
    plan = _plan(flights=3, duplicates=3)

    assert len({len(key.token) for key in plan.keys}) == 1


def test_one_flights_key_does_not_open_another():
    """Not even for whoever has the master key of a flight: each has a key of its own."""
    plan = _plan(flights=2)
    one, two = plan.keys

    swapped = type(one)(session=one.session, flight=1, token=two.token)
    with pytest.raises(SealError, match="belongs to another flight"):
        swapped.open(PASSPHRASE)


def test_near_misses_of_the_passphrase_open_nothing():
    key = _plan().keys[0]
    near = [PASSPHRASE[:i] + PASSPHRASE[i + 1 :] for i in range(len(PASSPHRASE))]
    near += [PASSPHRASE.upper(), PASSPHRASE + "s", PASSPHRASE[::-1], "password", ""]

    for guess in near:
        with pytest.raises(SealError):
            key.open(guess)


def test_codes_do_not_run_with_the_order_of_serving(drawn):
    """A taster who expects numbers to rise is wrong: rises are as common as falls."""
    rises = [
        a < b
        for plan, _ in drawn
        for taster in TASTERS
        for a, b in pairwise(_order(plan, 1, taster))
    ]

    # Steps of a plan share codes, so that the plan and not the step is counted.
    assert np.mean(rises) == pytest.approx(0.5, abs=BOUND * 0.5)
