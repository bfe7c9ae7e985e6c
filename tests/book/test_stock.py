"""Bottles: what was weighed stays, what was measured stands beside it, what is left adds up."""

from __future__ import annotations

import math
from datetime import date

import pytest
from sqlalchemy import text

from labkit.errors import BookError, ConcentrateError, LabkitError, SaltError, WaterError
from tests.book.samples import PASSPHRASE, SESSION, add_all_bottles, start_tasting

MADE = date(2026, 11, 18)


def add_bicarbonate(book):
    return book.stock.add_bottle(
        "KHCO3 18 Nov", salt="KHCO3", weighed_g=2.001, volume_ml=1000, made_on=MADE, keeper="Dora"
    )


def test_a_bottle_is_as_strong_as_it_was_weighed(book):
    """2.001 g/L of KHCO3 adds 1 mg/L as CaCO3 by the mL (common practice)."""
    bottle = add_bicarbonate(book)
    assert bottle == book.stock.bottle("KHCO3 18 Nov")
    assert bottle.concentrate.strength_g_l == pytest.approx(2.001)
    assert bottle.concentrate.strength_mg_l_caco3_per_ml == pytest.approx(1, rel=1e-3)
    assert bottle.concentrate_as_measured is None


def test_a_measured_strength_changes_nothing_silently(book):
    add_bicarbonate(book)
    bottle = book.stock.measure_bottle(
        "KHCO3 18 Nov", method="titration", strength_mg_l_caco3_per_ml=1.1, measured_on=MADE
    )
    assert bottle.concentrate.strength_mg_l_caco3_per_ml == pytest.approx(1, rel=1e-3)
    assert bottle.concentrate_as_measured.strength_mg_l_caco3_per_ml == pytest.approx(1.1)
    assert bottle.concentrate_as_measured.differs_notably  # the question that a gap of 10 % raises
    later = book.stock.measure_bottle(
        "KHCO3 18 Nov", method="conductivity", strength_g_l=2.05, uncertainty_percent=2
    )
    assert [m.method for m in later.measurements] == ["titration", "conductivity"]
    measured = later.concentrate_as_measured
    assert measured.strength_mg_l_caco3_per_ml == pytest.approx(2.05 / 2.001, rel=1e-3)
    assert measured.measured.uncertainty_percent == 2


def test_bicarbonate_is_fresh_for_four_days_and_calcium_keeps(book):
    """Common practice: bicarbonate is made fresh every three to four days."""
    bicarbonate = add_bicarbonate(book)
    calcium = book.stock.add_bottle(
        "Ca", salt="CaCl2·2H2O", weighed_g=1.469, volume_ml=1000, made_on=MADE, purity=0.99
    )
    assert bicarbonate.use_by == date(2026, 11, 22)
    assert not bicarbonate.is_too_old(date(2026, 11, 22))
    assert bicarbonate.is_too_old(date(2026, 11, 23))
    assert bicarbonate.age_days(date(2026, 11, 21)) == 3
    assert calcium.use_by is None
    assert not calcium.is_too_old(date(2027, 11, 23))
    own = book.stock.add_bottle("K", salt="KHCO3", weighed_g=2, volume_ml=1000, keeps_days=2)
    assert (own.use_by - own.made_on).days == 2


def test_what_is_left_is_what_was_made_less_what_was_used(book):
    start_tasting(book)
    add_bicarbonate(book)
    with pytest.raises(BookError, match=r"doses for flight 1, 2 of session .* would tell"):
        book.stock.use_bottles({"KHCO3 18 Nov": 400}, session=SESSION)
    for flight in (1, 2):
        book.sessions.lock_flights(SESSION, [flight])
        book.sessions.open_flights(SESSION, [flight], PASSPHRASE)
    book.stock.use_bottles({"KHCO3 18 Nov": 400}, session=SESSION, used_on=MADE)
    (bottle,) = book.stock.use_bottles({"KHCO3 18 Nov": 100}, note="spilt")
    assert bottle.left_ml == 500
    assert [use.session for use in bottle.uses] == [SESSION, None]
    assert book.stock.use_bottles({"KHCO3 18 Nov": 900})[0].left_ml == 0


def test_an_emptied_bottle_leaves_the_shelf_and_keeps_its_history(book):
    add_bicarbonate(book)
    book.stock.measure_bottle("KHCO3 18 Nov", method="titration", strength_g_l=2)
    bottle = book.stock.empty_bottle("KHCO3 18 Nov", on=date(2026, 11, 25))
    assert bottle.left_ml == 0
    assert book.stock.bottles() == ()
    assert book.stock.bottles(include_emptied=True) == (bottle,)
    assert len(bottle.measurements) == 1


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"salt": "NaCl2"}, SaltError, "NaCl2"),
        ({"weighed_g": -1}, BookError, "weighed_g must be above 0"),
        ({"volume_ml": 0}, BookError, "volume_ml must be above 0"),
        ({"purity": 98}, ConcentrateError, "give 98 % as 0.98"),
        ({"name": " "}, BookError, "bottle must not be empty"),
    ],
)
def test_an_impossible_bottle_is_not_kept(sqlite_book, change, error, words):
    bottle = {"name": "Mg", "salt": "MgCl2·6H2O", "weighed_g": 2.031, "volume_ml": 1000}
    with pytest.raises(error, match=words):
        sqlite_book.stock.add_bottle(**bottle | change)
    assert sqlite_book.stock.bottles() == ()


def test_a_bottle_is_named_once_and_must_be_known(sqlite_book):
    add_bicarbonate(sqlite_book)
    with pytest.raises(BookError, match="add the day it was made to the name"):
        add_bicarbonate(sqlite_book)
    with pytest.raises(BookError, match="did you mean 'KHCO3 18 Nov'"):
        sqlite_book.stock.bottle("KHCO3 18 Nv")
    with pytest.raises(BookError, match="volume_ml must be above 0"):
        sqlite_book.stock.use_bottles({"KHCO3 18 Nov": 0})
    with pytest.raises(BookError, match="one strength above 0"):
        sqlite_book.stock.measure_bottle("KHCO3 18 Nov", method="titration")
    with pytest.raises(BookError, match="session must be in the lab book"):
        sqlite_book.stock.use_bottles({"KHCO3 18 Nov": 1}, session="yesterday")


TAP = {"Ca": (60, "mg/L"), "Mg": (6, "mg/L"), "Na": (10, "mg/L"), "Cl": (20, "mg/L")} | {
    "SO4": (35, "mg/L"),
    "alkalinity": (139, "mg/L CaCO3"),
}


def test_a_water_to_start_from_is_kept_as_it_was_reported(book):
    book.people.add_client("Thessaloup")
    book.stock.add_base_water(
        "tap, Quorrin yard", TAP, client="Thessaloup", sampled_on=MADE, source="lab"
    )
    book.stock.add_base_water("own tap", {"Ca": (10, "mg/L")}, fill_gap=True)
    water = book.stock.base_water("tap, Quorrin yard")
    assert (water.analysis, water.client, water.sampled_on) == (TAP, "Thessaloup", MADE)
    # 2.497 Ca + 4.118 Mg, Standard Methods 2340 B
    assert water.supply.water.hardness_mg_l_caco3 == pytest.approx(174.5, abs=0.2)
    assert [w.name for w in book.stock.base_waters()] == ["own tap", "tap, Quorrin yard"]


def test_a_clients_waters_are_theirs_and_the_labs(sqlite_book):
    for client in ("Thessaloup", "Quorrin & Velt"):
        sqlite_book.people.add_client(client)
        sqlite_book.stock.add_base_water(f"tap of {client}", TAP, client=client)
    sqlite_book.stock.add_base_water("own tap", TAP)
    names = [water.name for water in sqlite_book.stock.base_waters("Thessaloup")]
    assert names == ["own tap", "tap of Thessaloup"]


def test_a_water_that_cannot_be_is_not_kept(sqlite_book):
    with pytest.raises(WaterError, match="ppm"):
        sqlite_book.stock.add_base_water("tap", {"Ca": (60, "ppm")})
    with pytest.raises(BookError, match="client must be in the lab book"):
        sqlite_book.stock.add_base_water("tap", TAP, client="nobody")
    assert sqlite_book.stock.base_waters() == ()
    sqlite_book.stock.add_base_water("tap", TAP)
    with pytest.raises(BookError, match="add the day it was drawn"):
        sqlite_book.stock.add_base_water("tap", TAP)
    with pytest.raises(BookError, match="did you mean 'tap'"):
        sqlite_book.stock.base_water("tapp")


def measure(book, percent_more, uncertainty_percent):
    """A titration that finds so much more than the 2.001 g/L that were weighed."""
    return book.stock.measure_bottle(
        "KHCO3 18 Nov",
        method="titration",
        strength_g_l=2.001 * (1 + percent_more / 100),
        uncertainty_percent=uncertainty_percent,
        measured_on=MADE,
    )


def used_g_l(book):
    (bottle,) = book.stock.concentrates()
    return bottle.strength_mmol_l * bottle.salt.molar_mass_g_mol / 1000


def test_a_disagreement_is_asked_and_changes_no_dose_until_it_is_answered(book):
    """15 % apart; by hand, weighing (assay 1 %, digit 0.5 %) and kit explain √(1.29² + 5.75²)."""
    add_bicarbonate(book)
    bottle = measure(book, 15, 5)
    assert bottle.explained_percent == pytest.approx(5.89, abs=0.02)
    assert "'KHCO3 18 Nov' was weighed to 2.001 g/L and measured as 2.301" in bottle.question
    assert "15.0 % apart" in bottle.question
    assert used_g_l(book) == pytest.approx(2.001, rel=1e-6)

    answered = book.stock.answer_strength(
        "KHCO3 18 Nov", counts="measured", answered_by="Dora", reason="flask was short"
    )
    assert (answered.question, answered.counts) == ("", "measured")
    assert used_g_l(book) == pytest.approx(2.301, rel=1e-3)
    assert answered.weighed_g == 2.001

    changed = book.stock.answer_strength("KHCO3 18 Nov", counts="weighed", reason="kit was old")
    assert used_g_l(book) == pytest.approx(2.001, rel=1e-6)
    assert [a.reason for a in changed.measurements[-1].answers] == [
        "flask was short",
        "kit was old",
    ]
    assert "measured as 2.401" in measure(book, 20, 5).question  # a new reading asks anew


@pytest.mark.parametrize(("uncertainty_percent", "counts"), [(5.0, "weighed"), (0.8, "measured")])
def test_where_both_agree_the_more_certain_one_counts(sqlite_book, uncertainty_percent, counts):
    add_bicarbonate(sqlite_book)
    bottle = measure(sqlite_book, 1, uncertainty_percent)
    assert bottle.question == ""
    assert bottle.counts == counts
    assert [kept.counts for kept in sqlite_book.stock.bottles()] == [counts]


def test_a_coarse_balance_explains_what_a_fine_one_does_not(sqlite_book):
    """One digit of 0.1 g is 5 % of 2 g: 2 / √3 · √(5² + 1²) = 5.9 % instead of 1.3 %."""
    for name, balance_g in (("fine", 0.01), ("coarse", 0.1)):
        sqlite_book.stock.add_bottle(
            name, salt="KHCO3", weighed_g=2.0, volume_ml=1000, balance_g=balance_g
        )
        sqlite_book.stock.measure_bottle(
            name, method="titration", strength_g_l=2.08, uncertainty_percent=2
        )
    assert sqlite_book.stock.bottle("fine").question
    assert sqlite_book.stock.bottle("coarse").question == ""


def test_only_a_measured_bottle_can_be_answered_and_only_in_two_ways(sqlite_book):
    add_bicarbonate(sqlite_book)
    with pytest.raises(BookError, match="measure it first"):
        sqlite_book.stock.answer_strength("KHCO3 18 Nov", counts="measured")
    with pytest.raises(BookError, match="'weighed' or 'measured', got 'both'"):
        sqlite_book.stock.answer_strength("KHCO3 18 Nov", counts="both")


def test_the_days_that_bicarbonate_keeps_are_the_labs_and_stay_in_the_book(book):
    """3 to 4 days by common practice: the lab says which, and bottles on the shelf follow."""
    assert book.stock.bicarbonate_keeps_days() == 4
    add_bicarbonate(book)
    book.stock.add_bottle("own", salt="NaHCO3", weighed_g=1.68, volume_ml=1000, keeps_days=2)
    book.stock.add_bottle("Ca", salt="CaCl2·2H2O", weighed_g=1.469, volume_ml=1000)
    book.stock.set_bicarbonate_keeps_days(3)
    assert book.stock.bicarbonate_keeps_days() == 3
    keeps = {bottle.name: bottle.keeps_days for bottle in book.stock.bottles()}
    assert keeps == {"KHCO3 18 Nov": 3, "own": 2, "Ca": None}
    book.stock.set_bicarbonate_keeps_days(4)
    new = book.stock.add_bottle("new", salt="KHCO3", weighed_g=2, volume_ml=1000)
    assert new.keeps_days == book.stock.bottle("KHCO3 18 Nov").keeps_days == 4
    with pytest.raises(BookError, match="keeps_days must be 1 to 60 days, got 0"):
        book.stock.set_bicarbonate_keeps_days(0)


NO_DAYS = [7.5, math.nan, math.inf, -1, 10**30, True, "3"]


@pytest.mark.parametrize("days", NO_DAYS)
def test_what_is_no_number_of_days_is_not_kept(sqlite_book, days):
    with pytest.raises(BookError, match="keeps_days must be 1 to 60 days"):
        sqlite_book.stock.set_bicarbonate_keeps_days(days)
    with pytest.raises(BookError, match="keeps_days must be 1 to 3650 days"):
        sqlite_book.stock.add_bottle(
            "K", salt="KHCO3", weighed_g=2, volume_ml=1000, keeps_days=days
        )
    assert sqlite_book.stock.bicarbonate_keeps_days() == 4
    assert sqlite_book.stock.bottles() == ()
    sqlite_book.stock.set_bicarbonate_keeps_days(3.0)
    assert sqlite_book.stock.bicarbonate_keeps_days() == 3


@pytest.mark.parametrize(("days", "read"), [(7.5, 7), (math.inf, 4), (math.nan, 4)])
def test_a_book_that_kept_no_whole_days_is_read_and_mended(sqlite_book, days, read):
    """As versions before stored them: the fact as text, the bottle's days as a real number."""
    add_bicarbonate(sqlite_book)
    sqlite_book.stock.add_bottle("own", salt="NaHCO3", weighed_g=1.68, volume_ml=1000, keeps_days=2)
    with sqlite_book.store.write_engine.begin() as connection:
        fact = "INSERT INTO lab_book (name, value) VALUES ('bicarbonate_keeps_days', :days)"
        connection.execute(text(fact), {"days": str(days)})
        row = "UPDATE bottles SET keeps_days = :days WHERE name = 'KHCO3 18 Nov'"
        connection.execute(text(row), {"days": days})

    assert sqlite_book.stock.bicarbonate_keeps_days() == read
    (odd,) = [one for one in sqlite_book.stock.bottles() if one.name != "own"]
    assert odd.keeps_days == (7 if days == 7.5 else None)

    sqlite_book.stock.set_bicarbonate_keeps_days(3)
    assert sqlite_book.stock.bicarbonate_keeps_days() == 3
    keeps = {bottle.name: bottle.keeps_days for bottle in sqlite_book.stock.bottles()}
    assert keeps == {"KHCO3 18 Nov": 3, "own": 2}


@pytest.mark.parametrize("number", [math.nan, math.inf, -1, True, "3", 1e308, 10**400])
def test_no_number_is_kept_that_could_not_be_read_again(sqlite_book, number):
    """Every number of a bottle, of what is done with it, and of what a session holds."""
    add_bicarbonate(sqlite_book)
    bottle = {"salt": "KHCO3", "weighed_g": 2.0, "volume_ml": 1000, "purity": 1.0}
    for field in ("weighed_g", "volume_ml", "purity", "balance_g"):
        with pytest.raises(LabkitError):
            sqlite_book.stock.add_bottle("odd", **bottle | {field: number})
    for measured in ({"strength_g_l": number}, {"strength_mg_l_caco3_per_ml": number}):
        with pytest.raises(LabkitError):
            sqlite_book.stock.measure_bottle("KHCO3 18 Nov", method="kit", **measured)
    with pytest.raises(LabkitError):
        sqlite_book.stock.measure_bottle(
            "KHCO3 18 Nov", method="kit", strength_g_l=2, uncertainty_percent=number
        )
    with pytest.raises(LabkitError):
        sqlite_book.stock.use_bottles({"KHCO3 18 Nov": number})
    (kept,) = sqlite_book.stock.bottles()
    assert (kept.measurements, kept.uses) == ((), ())


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ({"strength_g_l": 2, "uncertainty_percent": -5}, "uncertainty_percent must be above 0"),
        ({"strength_g_l": 2, "uncertainty_percent": float("nan")}, "uncertainty_percent must be"),
        ({"strength_g_l": float("inf")}, "strength_g_l must be above 0 and at most 1500, got inf"),
        ({"strength_g_l": 2001}, "at most 1500, got 2001; check the unit"),
        ({"strength_mg_l_caco3_per_ml": 1e4}, "check the unit"),
    ],
)
def test_a_measurement_that_cannot_be_is_not_written_down(sqlite_book, figures, words):
    """It could never be taken back, and the shelf could not be read with it any more."""
    before = add_bicarbonate(sqlite_book)
    with pytest.raises(LabkitError, match=words):
        sqlite_book.stock.measure_bottle(before.name, method="titration", **figures)
    with pytest.raises(BookError, match=r"volume_ml must be above 0 .* got inf"):
        sqlite_book.stock.use_bottles({before.name: float("inf")})
    assert sqlite_book.stock.bottle(before.name) == before


def test_what_sealed_flights_need_is_enough_for_any_draw_and_little_more(sqlite_book):
    """Against the opened key, mixed jug by jug by the bench sheet's own calculation."""
    from labkit.book.stock.needs import session_needs
    from labkit.tasting import bench_plan

    add_all_bottles(sqlite_book)
    plan = start_tasting(sqlite_book)
    (need,) = session_needs(sqlite_book, jug_volume_ml=500)
    opened = [key.open("seven small spoons") for key in plan.keys]
    bench = bench_plan(opened, sqlite_book.stock.concentrates(), jug_volume_ml=500)
    assert (need.session, need.flights) == (SESSION, (1, 2))
    assert need.jugs == len(bench.jugs)
    really = bench.totals().set_index("what")["volume_ml"]
    for name, most in need.most_ml.items():
        dearest = max(
            dose.volume_ml
            for jug in bench.jugs
            for dose in jug.mixing.doses
            if dose.concentrate.name == name
        )
        assert really[name] - 1e-6 <= most <= really[name] + dearest * need.jugs / 2 + 1e-6
    # Alkalinity is the same in every water: 30 mL of 1 mg/L per mL in a litre, half in 500 mL.
    assert need.most_ml["bicarbonate"] == pytest.approx(15 * need.jugs, abs=0.06 * need.jugs)


def test_a_flight_that_doses_were_taken_for_is_mixed_and_needs_nothing(book):
    from labkit.book.stock.needs import session_needs, take_doses

    add_all_bottles(book)
    start_tasting(book)
    before = session_needs(book)[0]
    take_doses(book, SESSION, 1, {"calcium": 240})
    assert [use.flight for use in book.stock.bottle("calcium").uses] == [1]
    (after,) = session_needs(book)
    assert (after.flights, after.jugs) == ((2,), before.jugs / 2)
    take_doses(book, SESSION, 2, {"calcium": 240})
    assert session_needs(book) == ()
    with pytest.raises(BookError, match="name the session too"):
        book.stock.use_bottles({"calcium": 1}, flight=1)
    with pytest.raises(BookError, match="flight"):
        book.stock.use_bottles({"calcium": 1}, session=SESSION, flight=9)


def test_a_flight_that_is_tasted_needs_nothing_any_more(sqlite_book):
    from labkit.book.stock.needs import session_needs
    from tests.book.samples import score_all

    add_all_bottles(sqlite_book)
    start_tasting(sqlite_book)
    score_all(sqlite_book, flight=1)
    assert [need.flights for need in session_needs(sqlite_book)] == [(2,)]


def test_needs_say_why_they_cannot_be_told(sqlite_book):
    from labkit.book.stock.needs import session_needs

    sqlite_book.stock.add_bottle("Ca", salt="CaCl2·2H2O", weighed_g=1.469, volume_ml=1000)
    start_tasting(sqlite_book)
    (need,) = session_needs(sqlite_book)
    assert need.most_ml == {}
    assert "nothing there adds alkalinity" in need.remark


@pytest.mark.parametrize("blocks_by", ["flight", "taster"])
@pytest.mark.parametrize("duplicates", [0, 2])
def test_what_some_flights_of_a_plan_need_is_enough_too(sqlite_book, blocks_by, duplicates):
    """The control, in every flight, takes most calcium: sharing out the plan's jugs hid that."""
    from labkit.book.stock.needs import session_needs, take_doses
    from labkit.tasting import bench_plan, plan_tasting, session_waters
    from labkit.water import Target

    add_all_bottles(sqlite_book)
    targets = [
        Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=30)
        for share, hardness in [(0, 200), *((0.1 * n, 60 + n) for n in range(1, 10))]
    ]
    start_tasting(sqlite_book)  # the client and the coffee
    waters = session_waters(targets, control=targets[0])
    session = sqlite_book.sessions.start_session(
        "sweep",
        coffee=sqlite_book.sessions.session(SESSION).coffee,
        attributes=sqlite_book.sessions.session(SESSION).attributes,
        tasters=["Ada", "Béla", "Chen"],
        waters=waters,
        tasted_on=date(2026, 11, 21),
        serving="a cup each" if blocks_by == "taster" else "shared bowls",
    )
    plan = plan_tasting(
        targets,
        session.tasters,
        session=session.name,
        passphrase="seven small spoons",
        control=targets[0],
        cups_per_flight=3,
        duplicates=duplicates,
        blocks_by=blocks_by,
        serving=session.serving,
        insist=True,
    )
    sqlite_book.sessions.store_plan(plan)
    opened = {key.flight: key.open("seven small spoons") for key in plan.keys}
    assert len(opened) > 1
    for mixed in [None, *list(opened)[:-1]]:
        if mixed is not None:
            take_doses(sqlite_book, "sweep", mixed, {"calcium": 1})
        (need,) = [one for one in session_needs(sqlite_book) if one.session == "sweep"]
        bench = bench_plan(
            [opened[flight] for flight in need.flights],
            sqlite_book.stock.concentrates(),
            jug_volume_ml=1000,
        )
        really = bench.totals().set_index("what")["volume_ml"]
        assert need.jugs >= len(bench.jugs)
        for name, most in need.most_ml.items():
            assert really[name] <= most + 1e-6


DOSES = {"calcium": 233.25, "bicarbonate": 119.5}


def test_doses_of_a_closed_flight_are_a_bound_until_its_key_opens(book):
    from labkit.book.stock.needs import session_needs, take_doses

    add_all_bottles(book)
    start_tasting(book)
    both = session_needs(book)[0].most_ml
    assert take_doses(book, SESSION, 1, DOSES) == "sealed"

    # The bound of every bottle that some draw would take, whatever was typed.
    uses = {bottle.name: bottle.uses for bottle in book.stock.bottles()}
    assert {use.is_bound for kept in uses.values() for use in kept} == {True}
    counted = {name: kept[0].volume_ml for name, kept in uses.items()}
    assert set(counted) == set(both)
    left = session_needs(book)[0].most_ml
    assert all(counted[name] >= both[name] - left[name] for name in both)
    assert all(bottle.is_left_at_least for bottle in book.stock.bottles())

    take_doses(book, SESSION, 1, {"calcium": 10})  # one jug mixed anew: counted once it is open
    assert [len(bottle.uses) for bottle in book.stock.bottles()] == [1, 1, 1]

    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    taken = {b.name: [use.volume_ml for use in b.uses] for b in book.stock.bottles()}
    assert taken == {"calcium": [233.25, 10], "bicarbonate": [119.5], "magnesium": []}
    assert not any(bottle.is_left_at_least for bottle in book.stock.bottles())
    assert take_doses(book, SESSION, 1, {"magnesium": 5}) == "exact"
    book.stock.use_bottles({"magnesium": 6}, session=SESSION, flight=1)
    assert [use.volume_ml for use in book.stock.bottle("magnesium").uses] == [5, 6]


def test_a_closed_flight_takes_no_open_amount_and_no_odd_one(sqlite_book):
    from labkit.book.stock.needs import take_doses

    add_all_bottles(sqlite_book)
    start_tasting(sqlite_book)
    with pytest.raises(BookError, match="would tell what its closed key holds"):
        sqlite_book.stock.use_bottles({"calcium": 240}, session=SESSION, flight=1)
    for doses in ({"calcium": -1}, {"calcium": math.nan}, {"calcum": 1}):
        with pytest.raises(BookError):
            take_doses(sqlite_book, SESSION, 1, doses)
    assert [flight for _, flight, _ in sqlite_book.stock.waiting_flights()] == [1, 2]


@pytest.mark.parametrize("way", ["from the bench sheet", "an older key"])
def test_doses_that_cannot_be_unsealed_stay_a_bound_until_they_are_written_again(sqlite_book, way):
    from labkit.book.stock.needs import take_doses

    add_all_bottles(sqlite_book)
    plan = start_tasting(sqlite_book)
    if way == "an older key":
        with sqlite_book.store.write_engine.begin() as connection:
            connection.execute(text("UPDATE sealed_keys SET dose_lock = NULL"))
        assert take_doses(sqlite_book, SESSION, 1, DOSES) == "at most"
    else:
        assert take_doses(sqlite_book, SESSION, 1, DOSES) == "sealed"
    sqlite_book.sessions.lock_flights(SESSION, [1])
    if way == "an older key":
        sqlite_book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    else:
        rows = plan.keys[0].open(PASSPHRASE).rows
        sqlite_book.sessions.open_flight_from_sheet(SESSION, 1, rows, reason="passphrase lost")
    assert sqlite_book.stock.bottle("calcium").is_left_at_least

    assert take_doses(sqlite_book, SESSION, 1, DOSES) == "exact"

    assert not any(bottle.is_left_at_least for bottle in sqlite_book.stock.bottles())
    assert sqlite_book.stock.bottle("calcium").left_ml == 1000 - DOSES["calcium"]


def test_doses_survive_a_plan_made_anew(sqlite_book):
    """A late taster with a cup each brings a new key; doses sealed to the old one open with it."""
    from labkit.book.stock.needs import take_doses
    from labkit.tasting import plan_tasting, replan, session_waters
    from tests.book.samples import TARGETS

    add_all_bottles(sqlite_book)
    start_tasting(sqlite_book)
    session = {"coffee": sqlite_book.sessions.session(SESSION).coffee, "tasters": ["Ada", "Béla"]}
    attributes = sqlite_book.sessions.session(SESSION).attributes
    each = {"serving": "a cup each"}
    plan = plan_tasting(
        TARGETS, ["Ada", "Béla"], session="each", passphrase=PASSPHRASE, flights=1, **each
    )
    sqlite_book.sessions.start_session(
        "each", attributes=attributes, waters=session_waters(TARGETS), plan=plan, **each, **session
    )
    take_doses(sqlite_book, "each", 1, DOSES)
    sqlite_book.sessions.store_plan(
        replan(sqlite_book.sessions.plan("each"), served=[], late=["Chen"], passphrase=PASSPHRASE)
    )
    sqlite_book.sessions.lock_flights("each", [1])
    sqlite_book.sessions.open_flights("each", [1], PASSPHRASE)
    assert [use.volume_ml for use in sqlite_book.stock.bottle("calcium").uses] == [DOSES["calcium"]]
