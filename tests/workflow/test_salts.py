"""Other salts as an experiment, from the sweep to the card, by the verbs that scripts call."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from labkit.analysis import VerdictKind
from labkit.analysis.pair_tests.answers import confirmed_water
from labkit.bench import bench_sheet, coffee_report, sweep_doses
from labkit.book import LabBook
from labkit.errors import PlanError, SweepError
from labkit.present import known_of, pair_of, sure_of
from labkit.tasting import anion_sweep, cation_sweep, nearest_sweep, ratio_sweep
from labkit.water import COORDINATES, SALT_SHARES, Target, levels_of
from labkit.workflow import (
    lock_flights,
    make_card,
    next_flight,
    open_flights,
    plan_pair_test,
    plan_session,
    read,
    record_scores,
)
from tests.tasted import PASSPHRASE, copy_book

TASTERS = ["Ada", "Bea", "Cem", "Dov"]
AT = {"mg_share": 0.5, "hardness_mg_l_caco3": 80, "alkalinity_mg_l_caco3": 40}
# Grams in a litre of which 1 mL adds 1 mg/L as CaCO3: molar mass over 100.09 (or 50.04 a charge).
BOTTLES = {
    "calcium": ("CaCl2·2H2O", 1.469),
    "magnesium": ("MgCl2·6H2O", 2.031),
    "epsom": ("MgSO4·7H2O", 2.463),
    "soda": ("NaHCO3", 1.679),
}


def begin(book):
    """A coffee, tasters and bottles without gypsum and potassium."""
    book.people.add_client("Halver")
    book.people.add_coffee("Coffee A", client="Halver")
    book.people.add_tasters(TASTERS)
    for name, (label, grams) in BOTTLES.items():
        book.stock.add_bottle(name, salt=label, weighed_g=grams, volume_ml=1000)


def all_salts(book):
    """The same, with gypsum and potassium."""
    begin(book)
    book.stock.add_bottle("gypsum", salt="CaSO4·2H2O", weighed_g=1.72, volume_ml=1000)
    book.stock.add_bottle("potash", salt="KHCO3", weighed_g=2.001, volume_ml=1000)


@pytest.fixture
def book(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", all_salts)) as book:
        yield book


def tasted(book, waters, name, liking, **choices):
    """Plan, score by what each cup holds, lock and open."""
    planned = plan_session(
        book, "Coffee A", waters, tasters=TASTERS, passphrase=PASSPHRASE, name=name, **choices
    )
    key = {row.blind_code: row for one in planned.preparation.opened for row in one.rows}
    scores = planned.servings.assign(attribute="overall")
    people = {name: n * 0.5 - 0.75 for n, name in enumerate(TASTERS)}
    noise = np.random.default_rng(len(name)).normal(0, 0.4, len(scores))
    scores["score"] = [
        int(np.clip(round(5.5 + people[who] + liking(key[code].target) + more), 1, 9))
        for code, who, more in zip(scores["blind_code"], scores["taster"], noise, strict=True)
    ]
    record_scores(book, planned.session.name, scores)
    lock_flights(book, planned.session.name)
    open_flights(book, planned.session.name, PASSPHRASE)
    return planned


def by_anion(target):
    return -3.0 * (target.sulfate_share or 0.0)


def test_a_missing_bottle_is_said_with_the_salt_and_the_nearest_sweep(tmp_path):
    sweep = anion_sweep(**AT)
    with LabBook(copy_book(tmp_path / "book.db", begin)) as few:
        bottles = few.stock.concentrates()
        with pytest.raises(SweepError, match=r"1 of the 3 waters.*all sulfate.*CaSO4·2H2O"):
            sweep_doses(sweep, bottles)
        with pytest.raises(SweepError, match="add a bottle of KHCO3"):
            sweep_doses(cation_sweep(**AT), bottles)
        near = nearest_sweep(sweep, bottles)
    assert [one.sulfate_share for one in near.targets] == [0, 0.25, 0.5]
    assert near.kind == "anion sweep"


def test_the_doses_of_a_sweep_differ_in_the_salts_alone(book):
    doses = sweep_doses(anion_sweep(**AT), book.stock.concentrates())

    frame = doses.to_frame()

    assert frame["reached_sulfate_share"].tolist() == pytest.approx([0, 0.5, 1], abs=0.003)
    for one in ("hardness_mg_l_caco3", "alkalinity_mg_l_caco3", "mg_share"):
        assert np.ptp(frame[f"reached_{one}"]) < 0.2
    sodium = [mixing.reached.ions_mg_l.get("Na", 0.0) for mixing in doses.mixings]
    potassium = [mixing.reached.ions_mg_l.get("K", 0.0) for mixing in doses.mixings]
    assert np.ptp(sodium) + np.ptp(potassium) < 0.2
    page = doses._repr_html_()
    assert "all sulfate" in page
    assert "differs too" not in page


def test_salts_that_go_along_with_a_ratio_are_said_and_held_when_asked(book):
    """With gypsum and chlorides on the shelf, the fewest bottles tie sulfate to calcium."""
    bottles = book.stock.concentrates()
    sweep = ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    free, held = sweep_doses(sweep, bottles), sweep_doses(sweep.holding(sulfate_share=0), bottles)

    assert "the sulfate share is 0.00 to 1.00" in free._repr_html_()
    assert "salts change too" not in held._repr_html_()
    assert held.to_frame()["reached_sulfate_share"].tolist() == [0] * 5
    assert held.sweep.held["sulfate_share"] == 0
    planned = plan_session(
        book, "Coffee A", held.sweep, tasters=TASTERS, passphrase=PASSPHRASE, cups_per_flight=6
    )
    assert {one.target.sulfate_share for one in planned.session.waters} == {0}
    # Where the bottles leave no choice, there is nothing to hold.
    few = [one for one in bottles if one.name not in ("gypsum", "epsom", "potash")]
    assert "salts change too" not in sweep_doses(sweep, few)._repr_html_()


def test_from_sweep_to_card_by_the_verbs(book):
    planned = tasted(book, anion_sweep(**AT), "anions", by_anion, cups_per_flight=6)

    # Sealed and kept as they were asked for; the control is one of those compared.
    kept = book.sessions.session("anions").waters
    assert [one.target.salts_text for one in kept] == [
        "all chloride",
        "50 % sulfate",
        "all sulfate",
    ]
    assert next(one.target for one in kept if one.is_control) in anion_sweep(**AT).targets
    sheet = planned.preparation.sheet(bench_sheet).html
    assert "all sulfate" in sheet
    assert "Gypsum" in sheet
    scores = book.scores.opened_scores(coffee="Coffee A")
    assert sorted(scores["sulfate_share"].unique()) == [0, 0.5, 1]
    assert scores["potassium_share"].isna().all()
    assert scores["water"].nunique() == 3

    found = read(book, "Coffee A")
    (salts,) = found.reading.salts
    assert (salts.kind, salts.best) == (VerdictKind.FOUND, 0.0)
    assert found.water is None

    card = make_card(book, "Coffee A")
    assert card.wanted.sulfate_share == 0
    assert levels_of(card.wanted) == (0.5, 80, 40)
    assert "SO4" not in card.recipes[0].reached.ions_mg_l
    assert any("all chloride is best" in one for one in known_of(card.found))
    report = coffee_report(book, "Coffee A", client="Halver").html
    assert "all chloride is best" in report
    # The search has yet to begin: nothing was told of the three coordinates.
    flight = next_flight(book, "Coffee A", earlier=None)
    assert flight.advice is None
    assert flight.suggestion is not None


def test_salts_leave_the_other_answers_alone_and_follow_the_recommended_water(book):
    ratio = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    tasted(book, ratio, "ratio", lambda water: -6 * (water.mg_share - 0.5) ** 2)
    before = read(book, "Coffee A")
    tasted(book, anion_sweep(**AT), "anions", by_anion, cups_per_flight=6)

    after = read(book, "Coffee A")

    assert after.reading.verdict == before.reading.verdict
    assert after.water == before.water
    assert after.with_salts.sulfate_share == 0
    assert levels_of(after.with_salts) == levels_of(before.water)
    assert sure_of(after)[-1 - after.salts_from_elsewhere].startswith("It matters whether")
    assert make_card(book, after).wanted == after.with_salts
    # A later dial takes the control of its own kind, not the one of the comparison of salts.
    later = plan_session(book, "Coffee A", ratio, tasters=TASTERS, passphrase=PASSPHRASE)
    (control,) = (one.target for one in later.session.waters if one.is_control)
    assert control.salt_shares == {}


def test_a_table_may_hold_shares_and_blanks(book):
    table = pd.DataFrame(
        [[0.5, 80, 40, 0.0, np.nan], [0.5, 80, 40, 1.0, np.nan], [0.5, 80, 40, np.nan, np.nan]],
        columns=[*COORDINATES, *SALT_SHARES],
    )

    planned = plan_session(book, "Coffee A", table, tasters=TASTERS, passphrase=PASSPHRASE)

    assert [one.target.sulfate_share for one in planned.session.waters] == [None, 0, 1]
    with pytest.raises(PlanError, match="mg_share is missing"):
        plan_session(
            book, "Coffee A", table.drop(columns="mg_share"), tasters=TASTERS, passphrase=PASSPHRASE
        )


def test_a_card_of_a_typed_water_says_how_near_its_salts_come(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", begin)) as few:
        card = make_card(few, Target(**AT, sulfate_share=1.0))

    assert not card.reach.is_exact
    assert card.reach.target.sulfate_share == pytest.approx(0.5)
    assert card.recipes[0].reached.salt_shares["sulfate_share"] == pytest.approx(0.5, abs=0.003)


def test_a_test_of_two_salts_is_told_by_them_and_confirms_no_hardness(book):
    chloride, sulfate = (Target(**AT, sulfate_share=share) for share in (0.0, 1.0))
    planned = plan_pair_test(
        book, "Coffee A", chloride, sulfate, tasters=TASTERS, passphrase=PASSPHRASE, sets=2
    )
    key = {row.blind_code: row for one in planned.preparation.opened for row in one.rows}
    (asked,) = planned.session.attributes
    marks = planned.servings.assign(attribute=asked.name)
    marks["score"] = [int(key[code].target == chloride) for code in marks["blind_code"]]
    record_scores(book, planned.session.name, marks)
    lock_flights(book, planned.session.name)
    open_flights(book, planned.session.name, PASSPHRASE)

    (test,) = read(book, "Coffee A").tests

    assert set(test.targets) == {chloride, sulfate}
    assert set(pair_of(test)) == {"all chloride", "all sulfate"}
    assert test.result.p_value < 0.05
    scores = book.scores.opened_scores(coffee="Coffee A")
    assert confirmed_water(scores) is None
