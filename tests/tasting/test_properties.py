"""What holds for any plan that can be asked for: hundreds of random requests."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labkit.errors import PlanError
from labkit.tasting import plan_tasting, replan
from labkit.tasting.codes import CODE_POOL
from labkit.water import Target, levels_of
from tests.tasting.counted import count_by_water

PASSPHRASE = "copper kettle, seven spoons"


@st.composite
def requests(draw):
    """Arguments of plan_tasting, most of which fit."""
    n_waters = draw(st.integers(1, 10))
    levels = st.tuples(st.integers(0, 20), st.integers(1, 20), st.integers(0, 12))
    recipes = draw(st.lists(levels, min_size=n_waters, max_size=n_waters, unique=True))
    targets = [
        Target(mg_share=m / 20, hardness_mg_l_caco3=10.0 * h, alkalinity_mg_l_caco3=5.0 * a)
        for m, h, a in recipes
    ]
    serving = draw(st.sampled_from(["shared bowls", "a cup each"]))
    tap = Target(mg_share=0.111, hardness_mg_l_caco3=222, alkalinity_mg_l_caco3=133)
    return {
        "targets": targets,
        "tasters": [f"taster {i}" for i in range(draw(st.integers(1, 8)))],
        "session": draw(st.text("abc é", min_size=1, max_size=9).filter(str.strip)),
        "cups_per_flight": draw(st.integers(2, 6)),
        "flights": draw(st.none() | st.integers(1, 5)),
        "repeats": draw(st.none() | st.integers(1, 3)),
        "control": draw(st.sampled_from(["middle", "none", tap])),
        "duplicates": draw(st.integers(0, 3)),
        "serving": serving,
        "blocks_by": draw(st.sampled_from(["flight", "taster"]))
        if serving == "a cup each"
        else "flight",
        "seed": np.random.default_rng(draw(st.integers(0, 2**32))),
    }


def _planned(request):
    """The plan, or None where the request is refused in a sentence with rule and value."""
    try:
        return plan_tasting(passphrase=PASSPHRASE, **request)
    except PlanError as error:
        refusal = str(error)
    assert "must" in refusal
    assert ", got " in refusal
    return None


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(request=requests())
def test_every_plan_is_sound(request):
    plan = _planned(request)
    if plan is None:
        return
    opened = {flight: plan.sealed[flight].open(PASSPHRASE) for flight in plan.flights}
    rows = {(f, r.blind_code): r for f, flight in opened.items() for r in flight.rows}
    n_cups = plan.design.cups_per_flight

    # Codes: unique in the session, from the pool, the same in the key and on the cups.
    codes = [code for flight in plan.flights for code in plan.codes(flight)]
    assert len(codes) == len(set(codes))
    assert set(codes) <= set(CODE_POOL)
    assert set(rows) == {(cup.flight, cup.blind_code) for cup in plan.cups}

    # Cups: every taster meets every cup planned once, positions run from 1.
    for flight in plan.flights:
        for taster in plan.tasters:
            mine = [c for c in plan.cups if (c.flight, c.taster) == (flight, taster)]
            assert [cup.position for cup in mine] == list(range(1, n_cups + 1))
            kinds = [rows[flight, cup.blind_code] for cup in mine]
            assert len({row.jug for row in kinds}) == n_cups
            # At most two jugs of a water, the second of them the duplicate.
            for times in Counter((row.water, row.is_duplicate) for row in kinds).values():
                assert times == 1
            assert {r.water for r in kinds if r.is_duplicate} <= {
                r.water for r in kinds if not r.is_duplicate
            }
            if plan.design.control_cups:
                assert sum(row.is_control and not row.is_duplicate for row in kinds) == 1

    # Vessels: jug, bowl and code are identities of their own.
    assert len({r.bowl for r in rows.values()}) == (
        len({r.jug for r in rows.values()}) if plan.serving == "shared bowls" else len(rows)
    )
    # Waters: each is served as often as any other, the control apart.
    control = next((r.water for r in rows.values() if r.is_control), None)
    for taster in plan.tasters:
        met = Counter(
            row.water
            for cup in plan.cups
            if cup.taster == taster and not (row := rows[cup.flight, cup.blind_code]).is_duplicate
        )
        others = [met[w] for w in met if w != control]
        if plan.design.repeats >= 1 and others:
            assert set(others) == {plan.design.repeats}
    asked = {levels_of(target) for target in request["targets"]}
    served = {levels_of(row.target) for row in rows.values()}
    if plan.design.repeats >= 1:
        assert asked <= served

    duplicates = sum(
        rows[c.flight, c.blind_code].is_duplicate for c in plan.cups if c.taster == plan.tasters[0]
    )
    assert duplicates == plan.design.duplicate_cups >= request["duplicates"]


@settings(max_examples=40, deadline=None)
@given(
    n_tasters=st.integers(1, 12),
    n_waters=st.integers(2, 6),
    flights=st.integers(1, 3),
    seed=st.integers(0, 2**32),
)
def test_positions_of_complete_flights_are_even_as_far_as_tasters_go(
    n_tasters, n_waters, flights, seed
):
    """Latin rows within a flight: a cup's counts differ by one, two where an odd square is cut."""
    plan = plan_tasting(
        [
            Target(mg_share=i / 10, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
            for i in range(n_waters)
        ],
        [f"taster {i}" for i in range(n_tasters)],
        session="spring",
        passphrase=PASSPHRASE,
        control="none",
        duplicates=0,
        flights=flights,
        cups_per_flight=6,
        seed=np.random.default_rng(seed),
    )
    for flight in plan.flights:
        counts = Counter((c.blind_code, c.position) for c in plan.cups if c.flight == flight)
        every = [counts[code, p] for code in plan.codes(flight) for p in range(1, n_waters + 1)]
        assert max(every) - min(every) <= (1 if n_waters % 2 == 0 else 2)
        if n_tasters % (n_waters * (1 + n_waters % 2)) == 0:
            assert len(set(every)) == 1
    tables = count_by_water(plan, PASSPHRASE)
    assert tables.positions.to_numpy().sum() == n_tasters * flights * n_waters
    assert (np.diag(tables.meetings) == n_tasters * flights).all()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(request=requests(), data=st.data())
def test_planning_anew_keeps_what_stays(request, data):
    plan = _planned(request)
    if plan is None or len(plan.flights) < 2:
        return
    served = data.draw(st.sets(st.sampled_from(plan.flights), max_size=len(plan.flights) - 1))
    absent = data.draw(st.sets(st.sampled_from(plan.tasters), max_size=len(plan.tasters) - 1))

    anew = replan(
        plan,
        served=served,
        absent=sorted(absent),
        late=["Eve"],
        passphrase=PASSPHRASE,
        seed=request["seed"],
    )

    assert set(anew.flights) == set(plan.flights) - served
    staying = [c for c in plan.cups if c.flight in anew.flights and c.taster not in absent]
    assert [c for c in anew.cups if c.taster != "Eve"] == staying
    for flight in anew.flights:
        codes = {row.blind_code for row in anew.sealed[flight].open(PASSPHRASE).rows}
        assert codes == set(anew.codes(flight))
        mine = [c for c in anew.cups if (c.flight, c.taster) == (flight, "Eve")]
        assert len({c.blind_code for c in mine}) == plan.design.cups_per_flight


@pytest.mark.parametrize("duplicates", [0, 1, 2, 3])
def test_duplicates_asked_for_are_there(duplicates, rng):
    plan = plan_tasting(
        [
            Target(mg_share=i / 10, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=30)
            for i in range(7)
        ],
        ["Ada", "Bo"],
        session="spring",
        passphrase=PASSPHRASE,
        duplicates=duplicates,
        seed=rng,
    )
    opened = [plan.sealed[f].open(PASSPHRASE) for f in plan.flights]

    assert sum(row.is_duplicate for flight in opened for row in flight.rows) >= duplicates
