"""What was measured in the cups: by code, optional, all or none, and nothing entered is lost."""

from __future__ import annotations

from html import escape

import numpy as np
import pandas as pd
import pytest

from labkit.bench import coffee_report
from labkit.book import LabBook
from labkit.errors import BookError, ImportFileError, LabkitError, PlanError
from labkit.present import say
from labkit.tasting import MEASURED, ratio_sweep
from labkit.workflow import (
    lock_flights,
    measurement_table,
    open_flights,
    plan_session,
    read,
    record_measurements,
    record_scores,
    replan,
)
from tests.tasted import copy_book
from tests.widgets.plans.helpers import fill

PASSPHRASE = "only the preparer"
SWEEP = ratio_sweep((0, 0.5, 1), hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)


@pytest.fixture
def book(tmp_path):
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


@pytest.fixture
def planned(book):
    return plan_session(
        book,
        "Coffee A",
        SWEEP,
        tasters=["Ada", "Bo"],
        passphrase=PASSPHRASE,
        attributes={"overall": "liking 1-9"},
        flights=2,
    )


def all_measured(book, planned, **values):
    table = measurement_table(book, planned)[["flight", "blind_code"]]
    given = {"strength_percent": 1.3, "beverage_g": 350, "dose_g": 20} | values
    return table.assign(**given)


def test_what_was_measured_comes_back_and_the_yield_is_computed(book, planned):
    table = all_measured(book, planned, tasted_at_c=60, brew_ph=5.02)
    assert record_measurements(book, planned, table, measured_by="Preparer") == 5 * len(table)

    shown = measurement_table(book, planned)
    # 350 g at 1.3 % from 20 g: 4.55 g of 20 g (arithmetic of common practice)
    assert set(shown["extraction_percent"]) == {22.75}
    assert set(shown["measured_by"]) == {"Preparer"}
    assert set(shown["brew_ph"]) == {5.02}
    assert record_measurements(book, planned, table) == 0  # it is there already


def test_measured_is_optional_cup_by_cup_and_corrected_by_what_comes_later(book, planned):
    code, other = planned.plan.codes(1)[:2]
    first = pd.DataFrame({"blind_code": [code, other], "strength_percent": [1.31, np.nan]})
    assert record_measurements(book, planned, first) == 1
    assert record_measurements(book, planned, first.assign(strength_percent=[1.35, np.nan])) == 1

    (cup,) = book.scores.measured_cups(planned.session.name)
    assert (cup.blind_code, dict(cup.values)) == (code, {"strength_percent": 1.35})
    assert cup.extraction_percent is None
    assert not cup.is_key_open

    book.scores.measure_cups(planned.session.name, [(1, code, {"strength_percent": None})])
    assert book.scores.measured_cups(planned.session.name) == ()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("strength_percent", 0.0132),
        ("strength_percent", 132),
        ("beverage_g", 0),
        ("dose_g", -18),
        ("tasted_at_c", 120),
        ("brew_ph", 14),
        ("strength_percent", float("inf")),
    ],
)
def test_an_impossible_value_is_refused_with_its_row_and_nothing_is_taken(
    book, planned, name, value
):
    table = all_measured(book, planned)[["flight", "blind_code"]].assign(strength_percent=1.3)
    table[name] = [MEASURED[name].lowest] * (len(table) - 1) + [value]
    with pytest.raises(LabkitError, match=f"row {len(table) - 1}: {name} must be") as refused:
        record_measurements(book, planned, table)
    assert refused.value.field == name
    assert book.scores.measured_cups(planned.session.name) == ()


def test_a_cup_that_is_not_there_is_refused_and_nothing_is_taken(book, planned):
    table = all_measured(book, planned)
    table.loc[len(table) - 1, "blind_code"] = "000"
    with pytest.raises(BookError, match="000"):
        record_measurements(book, planned, table)
    with pytest.raises(PlanError, match="blind_code"):
        record_measurements(book, planned, table.drop(columns="flight"))
    assert book.scores.measured_cups(planned.session.name) == ()


@pytest.mark.parametrize("columns", [["blind_code"], ["strength_percent"], []])
def test_a_table_without_cups_or_values_is_refused(book, planned, columns):
    with pytest.raises(PlanError) as refused:
        record_measurements(book, planned, all_measured(book, planned)[columns])
    assert refused.value.field == "measured"


def test_an_unknown_column_is_named(book, planned):
    with pytest.raises(PlanError, match="'tds'"):
        record_measurements(book, planned, all_measured(book, planned).assign(tds=1.3))


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_file_with_decimal_commas_is_taken(book, planned, tmp_path, separator):
    file = tmp_path / "measured.csv"
    table = measurement_table(book, planned).assign(strength_percent="1,32")
    table.to_csv(file, sep=separator, index=False)
    assert record_measurements(book, planned, file) == len(table)
    assert set(measurement_table(book, planned)["strength_percent"]) == {1.32}


def test_a_file_whose_decimal_commas_part_cells_is_refused(book, planned, tmp_path):
    file = tmp_path / "measured.csv"
    code = planned.plan.codes(1)[0]
    file.write_text(f"blind_code,strength_percent\n{code},1,32\n")
    with pytest.raises(ImportFileError, match="line 2"):
        record_measurements(book, planned, file)


def scored(book, planned):
    record_scores(
        book,
        planned,
        planned.servings.drop(columns="position").assign(attribute="overall", score=6.0),
    )


def test_the_opened_scores_carry_strength_and_yield_of_their_cups(book, planned):
    scored(book, planned)
    codes = planned.plan.codes(1)
    strengths = {code: 1.2 + 0.01 * n for n, code in enumerate(codes)}
    table = pd.DataFrame({"blind_code": list(codes), "strength_percent": list(strengths.values())})
    record_measurements(book, planned, table.assign(flight=1))
    record_measurements(
        book,
        planned,
        pd.DataFrame({"flight": [1], "blind_code": [codes[0]], "beverage_g": 250, "dose_g": 15}),
    )
    lock_flights(book, planned)
    open_flights(book, planned, PASSPHRASE)

    frame = book.scores.opened_scores()
    first = frame[frame["flight"] == 1]
    assert list(first["strength_percent"]) == [strengths[code] for code in first["blind_code"]]
    assert frame.loc[frame["flight"] == 2, "strength_percent"].isna().all()
    extracted = first.set_index("blind_code")["extraction_percent"].dropna()
    assert set(extracted.index) == {codes[0]}
    assert extracted.iloc[0] == pytest.approx(1.2 * 250 / 15)

    record_measurements(book, planned, table.assign(flight=1, brew_ph=5.0))
    assert all(cup.is_key_open for cup in book.scores.measured_cups(planned.session.name))


def test_a_flight_whose_cups_were_measured_is_not_planned_anew(book, planned):
    record_measurements(book, planned, all_measured(book, planned).query("flight == 2"))
    with pytest.raises(BookError, match="served already"):
        replan(book, planned, absent=["Bo"], first=2, passphrase=PASSPHRASE)
    assert len(book.scores.measured_cups(planned.session.name)) > 0


def test_reading_and_report_say_what_was_measured(book, planned):
    rng = np.random.default_rng(5)
    table = planned.servings.drop(columns="position")
    record_scores(
        book, planned, table.assign(attribute="overall", score=rng.integers(3, 8, len(table)))
    )
    cups = all_measured(book, planned)
    cups["strength_percent"] = 1.3 + rng.normal(0, 0.1, len(cups)).round(2)
    record_measurements(book, planned, cups)
    lock_flights(book, planned)
    open_flights(book, planned, PASSPHRASE)

    found = read(book, "Coffee A").reading
    assert [one.covariate.name for one in found.extraction] == [
        "strength_percent",
        "extraction_percent",
    ]
    code = planned.plan.codes(2)[0]
    book.scores.measure_cups(planned.session.name, [(2, code, {"brew_ph": 5.04})])
    html = coffee_report(book, "Coffee A", client=found.scores.frame["client"].iloc[0]).html
    for one in found.extraction:
        assert escape(say(one)) in html
    assert "5.04" in html
    assert html.count("after the key was open") == 1
    assert html.count("The waters at equal") == sum(
        one.equal is not None for one in found.extraction
    )
