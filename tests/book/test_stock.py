"""Bottles: what was weighed stays, what was measured stands beside it, what is left adds up."""

from __future__ import annotations

from datetime import date

import pytest

from labkit.errors import BookError, ConcentrateError, SaltError, WaterError
from tests.book.samples import SESSION, start_tasting

MADE = date(2026, 11, 18)


def add_bicarbonate(book):
    return book.add_bottle(
        "KHCO3 18 Nov", salt="KHCO3", weighed_g=2.001, volume_ml=1000, made_on=MADE, keeper="Dora"
    )


def test_a_bottle_is_as_strong_as_it_was_weighed(book):
    """2.001 g/L of KHCO3 adds 1 mg/L as CaCO3 by the mL (common practice)."""
    bottle = add_bicarbonate(book)
    assert bottle == book.bottle("KHCO3 18 Nov")
    assert bottle.concentrate.strength_g_l == pytest.approx(2.001)
    assert bottle.concentrate.strength_mg_l_caco3_per_ml == pytest.approx(1, rel=1e-3)
    assert bottle.concentrate_as_measured is None


def test_a_measured_strength_changes_nothing_silently(book):
    add_bicarbonate(book)
    bottle = book.measure_bottle(
        "KHCO3 18 Nov", method="titration", strength_mg_l_caco3_per_ml=1.1, measured_on=MADE
    )
    assert bottle.concentrate.strength_mg_l_caco3_per_ml == pytest.approx(1, rel=1e-3)
    assert bottle.concentrate_as_measured.strength_mg_l_caco3_per_ml == pytest.approx(1.1)
    assert bottle.concentrate_as_measured.remarks  # the question that a gap of 10 % raises
    later = book.measure_bottle(
        "KHCO3 18 Nov", method="conductivity", strength_g_l=2.05, uncertainty_percent=2
    )
    assert [m.method for m in later.measurements] == ["titration", "conductivity"]
    measured = later.concentrate_as_measured
    assert measured.strength_mg_l_caco3_per_ml == pytest.approx(2.05 / 2.001, rel=1e-3)
    assert measured.measured.uncertainty_percent == 2


def test_bicarbonate_is_fresh_for_four_days_and_calcium_keeps(book):
    """Common practice: bicarbonate is made fresh every three to four days."""
    bicarbonate = add_bicarbonate(book)
    calcium = book.add_bottle(
        "Ca", salt="CaCl2·2H2O", weighed_g=1.469, volume_ml=1000, made_on=MADE, purity=0.99
    )
    assert bicarbonate.use_by == date(2026, 11, 22)
    assert not bicarbonate.is_too_old(date(2026, 11, 22))
    assert bicarbonate.is_too_old(date(2026, 11, 23))
    assert bicarbonate.age_days(date(2026, 11, 21)) == 3
    assert calcium.use_by is None
    assert not calcium.is_too_old(date(2027, 11, 23))
    own = book.add_bottle("K", salt="KHCO3", weighed_g=2, volume_ml=1000, keeps_days=2)
    assert (own.use_by - own.made_on).days == 2


def test_what_is_left_is_what_was_made_less_what_was_used(book):
    start_tasting(book)
    add_bicarbonate(book)
    book.use_bottle("KHCO3 18 Nov", 400, session=SESSION, used_on=MADE)
    bottle = book.use_bottle("KHCO3 18 Nov", 100, note="spilt")
    assert bottle.left_ml == 500
    assert [use.session for use in bottle.uses] == [SESSION, None]
    assert book.use_bottle("KHCO3 18 Nov", 900).left_ml == 0


def test_an_emptied_bottle_leaves_the_shelf_and_keeps_its_history(book):
    add_bicarbonate(book)
    book.measure_bottle("KHCO3 18 Nov", method="titration", strength_g_l=2)
    bottle = book.empty_bottle("KHCO3 18 Nov", on=date(2026, 11, 25))
    assert bottle.left_ml == 0
    assert book.bottles() == ()
    assert book.bottles(include_emptied=True) == (bottle,)
    assert len(bottle.measurements) == 1


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"salt": "NaCl2"}, SaltError, "NaCl2"),
        ({"weighed_g": -1}, ConcentrateError, "weighed_g must be above 0"),
        ({"volume_ml": 0}, ConcentrateError, "volume_ml must be above 0"),
        ({"purity": 98}, ConcentrateError, "give 98 % as 0.98"),
        ({"name": " "}, BookError, "bottle must not be empty"),
    ],
)
def test_an_impossible_bottle_is_not_kept(sqlite_book, change, error, words):
    bottle = {"name": "Mg", "salt": "MgCl2·6H2O", "weighed_g": 2.031, "volume_ml": 1000}
    with pytest.raises(error, match=words):
        sqlite_book.add_bottle(**bottle | change)
    assert sqlite_book.bottles() == ()


def test_a_bottle_is_named_once_and_must_be_known(sqlite_book):
    add_bicarbonate(sqlite_book)
    with pytest.raises(BookError, match="add the day it was made to the name"):
        add_bicarbonate(sqlite_book)
    with pytest.raises(BookError, match="did you mean 'KHCO3 18 Nov'"):
        sqlite_book.bottle("KHCO3 18 Nv")
    with pytest.raises(BookError, match="volume_ml must be above 0"):
        sqlite_book.use_bottle("KHCO3 18 Nov", 0)
    with pytest.raises(BookError, match="one strength above 0"):
        sqlite_book.measure_bottle("KHCO3 18 Nov", method="titration")
    with pytest.raises(BookError, match="session must be in the lab book"):
        sqlite_book.use_bottle("KHCO3 18 Nov", 1, session="yesterday")


TAP = {"Ca": (60, "mg/L"), "Mg": (6, "mg/L"), "Na": (10, "mg/L"), "Cl": (20, "mg/L")} | {
    "SO4": (35, "mg/L"),
    "alkalinity": (139, "mg/L CaCO3"),
}


def test_a_water_to_start_from_is_kept_as_it_was_reported(book):
    book.add_client("Thessaloup")
    book.add_base_water("tap, Quorrin yard", TAP, client="Thessaloup", sampled_on=MADE, source="lab")
    book.add_base_water("own tap", {"Ca": (10, "mg/L")}, fill_gap=True)
    water = book.base_water("tap, Quorrin yard")
    assert (water.analysis, water.client, water.sampled_on) == (TAP, "Thessaloup", MADE)
    # 2.497 Ca + 4.118 Mg, Standard Methods 2340 B
    assert water.supply.water.hardness_mg_l_caco3 == pytest.approx(174.5, abs=0.2)
    assert [w.name for w in book.base_waters()] == ["own tap", "tap, Quorrin yard"]


def test_a_clients_waters_are_theirs_and_the_labs(sqlite_book):
    for client in ("Thessaloup", "Quorrin & Velt"):
        sqlite_book.add_client(client)
        sqlite_book.add_base_water(f"tap of {client}", TAP, client=client)
    sqlite_book.add_base_water("own tap", TAP)
    names = [water.name for water in sqlite_book.base_waters("Thessaloup")]
    assert names == ["own tap", "tap of Thessaloup"]


def test_a_water_that_cannot_be_is_not_kept(sqlite_book):
    with pytest.raises(WaterError, match="ppm"):
        sqlite_book.add_base_water("tap", {"Ca": (60, "ppm")})
    with pytest.raises(BookError, match="client must be in the lab book"):
        sqlite_book.add_base_water("tap", TAP, client="nobody")
    assert sqlite_book.base_waters() == ()
    sqlite_book.add_base_water("tap", TAP)
    with pytest.raises(BookError, match="add the day it was drawn"):
        sqlite_book.add_base_water("tap", TAP)
    with pytest.raises(BookError, match="did you mean 'tap'"):
        sqlite_book.base_water("tapp")
