"""One answer: what states a coffee's best water, a chance, an interval or a dose states the same.

A lab book is played whole: a coffee whose hardness and alkalinity were never varied and whose
water went through a confirming test, one to which water is all one, one tasted alone, one with
three coordinates varied, one whose alkalinity the cups do not tell but a test has moved. Then
every verb, form, card, report and export is asked.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from html import unescape
from types import SimpleNamespace

import numpy as np
import pytest

from labkit.analysis import (
    Outcome,
    PlantedPeak,
    SimulatedPanel,
    VerdictKind,
    water_map,
    water_target,
)
from labkit.bench import bench_sheet, card_files, coffee_report
from labkit.bench.paper.client_page import doses_html
from labkit.book import Attribute, LabBook, Score, import_folder
from labkit.present import confirmation_of, known_of, say, sure_of, to_html
from labkit.present.recommended import how_sure, whole_percent
from labkit.tasting import (
    CONFIRMING,
    METHODS,
    SCALES,
)
from labkit.water import (
    COORDINATE,
    COORDINATES,
    StartWater,
    Target,
    Water,
    as_coordinates,
    describe,
    same_water,
)
from labkit.widgets import (
    AcrossForm,
    BaseWaterForm,
    CardForm,
    ConfirmForm,
    NextFlightView,
    OneWaterForm,
    ReadingView,
)
from labkit.workflow import (
    NextThing,
    confirm,
    make_card,
    make_report,
    next_flight,
    one_water,
    read,
    read_all,
    where_it_stands,
)
from tests.book.samples import add_all_bottles
from tests.tasted import PASSPHRASE, begin, begin_test, lock_and_open, score

CLIENT = "Client A"
PANEL = ("Ada", "Ben", "Cleo", "Dov", "Eve", "Fay")
CONTROL = (0.5, 80.0, 30.0)
SWEPT = tuple((share, 80.0, 30.0) for share in (0.5, 0.0, 0.25, 0.75, 1.0))
CONFIRMED = (0.13, 80.0, 45.0)
CORNERS = (CONTROL, (0.0, 80.0, 0.0), (0.0, 80.0, 60.0), (1.0, 80.0, 0.0), (1.0, 80.0, 60.0))
SPREAD = (CONTROL, (0.2, 60.0, 15.0), (0.8, 60.0, 45.0), (0.2, 120.0, 45.0), (0.8, 120.0, 15.0))


@dataclass(frozen=True)
class Played:
    """One coffee of the book."""

    name: str
    waters: tuple[tuple[float, float, float], ...]
    peak: PlantedPeak
    tasters: tuple[str, ...] = PANEL
    flights: int = 1
    alone: bool = False
    is_tested: bool = False
    confirmed: tuple[float, float, float] | None = None


COFFEES = (
    Played("Swept", SWEPT, PlantedPeak(best=(0.13, 80, 30), effect_points=3), is_tested=True),
    Played("Flat", SWEPT, PlantedPeak(best=(0.5, 80, 30), effect_points=0)),
    Played("Alone", SWEPT, PlantedPeak(best=(0.9, 80, 30)), ("Ada",), flights=2, alone=True),
    Played(
        "Moved",
        CORNERS,
        PlantedPeak(best=(0.13, 80, 30), effect_points=3, reach=(0.45, 70.0, 1e6)),
        flights=2,
        is_tested=True,
        confirmed=CONFIRMED,
    ),
    Played("Spread", SPREAD, PlantedPeak(best=(0.3, 70, 40), effect_points=3)),
)
NAMES = [one.name for one in COFFEES]


def serve(book, one, rng):
    """Plan, score, lock and open a session of the coffee."""
    targets = [water_target(np.array(water)) for water in one.waters]
    session = f"{one.name}, first day"
    plan = begin(
        book,
        session,
        client=CLIENT,
        coffee=one.name,
        targets=targets,
        tasters=one.tasters,
        planning={
            "control": water_target(np.array(CONTROL)),
            "duplicates": 0,
            "flights": one.flights,
            "alone": one.alone,
            "seed": rng,
        },
        attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
    )
    panel = SimulatedPanel.draw(list(one.tasters), one.peak, seed=rng)
    for flight in plan.flights:
        key = plan.sealed[flight].open(PASSPHRASE).to_frame()
        served = plan.servings[plan.servings["flight"] == flight]
        found = dict(enumerate(rng.permutation(plan.codes(flight)), start=1))
        if one.alone:
            served = served.assign(blind_code=[str(found[at]) for at in served["position"]])
        cups = served.merge(key, on=["flight", "blind_code"], how="left")
        book.scores.record_scores(
            [
                Score(
                    session=session,
                    flight=flight,
                    taster=row.taster,
                    attribute="overall",
                    value=float(row.score),
                    position=int(row.position),
                )
                for row in panel.taste(cups, seed=rng).itertuples()
            ]
        )
        book.sessions.lock_flights(session, [flight])
        if one.alone:
            book.sessions.enter_found_codes(
                session, flight, "Ada", {at: str(c) for at, c in found.items()}
            )
        book.sessions.open_flights(session, [flight], PASSPHRASE)


def pair_of(book, one):
    """The recommended water, or another one, against the control: everybody prefers it."""
    session = f"{one.name}, confirmed"
    recommended = read(book, one.name).reading.recommended
    leader = recommended.water if one.confirmed is None else water_target(np.array(one.confirmed))
    pair = (leader, recommended.control)
    plan = begin_test(
        book,
        session,
        client=CLIENT,
        coffee=one.name,
        method=CONFIRMING,
        pair=pair,
        tasters=one.tasters,
        stronger=leader,
        seed=8,
    )
    question = METHODS[CONFIRMING].ask()
    score(book, plan, lambda _cup, water: {question: float(same_water(water, leader))})
    lock_and_open(book, plan)


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """The lab book, played."""
    with LabBook(tmp_path_factory.mktemp("book") / "book.db") as book:
        add_all_bottles(book)
        rng = np.random.default_rng(21)
        for one in COFFEES:
            serve(book, one, rng)
            if one.is_tested:
                pair_of(book, one)
        yield book


@pytest.fixture(scope="module")
def card_form(book):
    """The form of the recipe card."""
    return CardForm(book, card_files, BaseWaterForm(book))


@pytest.fixture(scope="module")
def told(book, card_form):
    """What every verb, form and page says of each coffee, asked once."""
    view = ReadingView(book, lambda *_a, **_k: "")
    view.form.fields["coffee"].value = (CLIENT, NAMES[0])
    following = NextFlightView(book, view, lambda *_a: "", base=BaseWaterForm(book))
    confirming = ConfirmForm(book, view, bench_sheet)
    across = read_all(book)
    tank = OneWaterForm(book, AcrossForm(book, lambda _across: ""), lambda _one: "")

    def ask(name):
        view.form.fields["coffee"].value = (CLIENT, name)
        card_form.form.fields["coffee"].value = (CLIENT, name)
        tank.form.fields["coffees"].value = ((CLIENT, name),)
        found = read(book, name)
        step = next_flight(book, name, include=[found.water])
        return SimpleNamespace(
            found=found,
            one=found.reading.recommended,
            step=step,
            standing=where_it_stands(book, name, client=CLIENT, found=found, following=step),
            confirming=confirm(book, name),
            card=make_card(book, name),
            reported=make_report(book, name).card,
            report=coffee_report(book, name, client=CLIENT).html,
            across=next(each for each in across.readings if each.coffee == name),
            row=across.table.set_index("coffee").loc[name],
            view=view.reading,
            map=water_map(view.reading.scores, recommended=view.reading.recommended),
            touched=view.map.data,
            following=following.found,
            following_html=words_of(following.form.result.value),
            offered=confirming.form.fields["first"].options[0][1],
            files=card_form.files,
            tank=tank.water,
        )

    return cache(ask)


def words_of(html):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html))).replace(" .", ".")


def poured(report):
    """What the report pours, from its page: item -> the doses of each volume, as printed."""
    rows = re.search(r"<caption[^>]*>Pour, mL.*?</table>", report, re.DOTALL)[0].split("<tr")[1:]
    cells = [[unescape(c) for c in re.findall(r"<t[dh][^>]*>([^<]*)<", row)] for row in rows]
    return {item: doses for item, *doses in cells[1:]}


@pytest.mark.parametrize("name", NAMES)
def test_every_place_names_the_same_best_water(book, told, name):
    all_of = told(name)
    water, best = all_of.one.water, all_of.found.reading.best

    assert all_of.found.water == best.target == all_of.view.recommended.water == water
    for step in (all_of.step, all_of.following):
        assert step.recommended.water == step.suggestion.leader == step.advice.leader == water
    assert all_of.confirming.recommended.water == water
    assert all_of.card.wanted == all_of.reported.wanted == water
    wanted = json.loads(all_of.files.json)["wanted"]
    assert [wanted[each] for each in COORDINATES] == as_coordinates(water)[0].tolist()
    assert all_of.tank.target == one_water(book, [all_of.across]).target == water
    for each in best.factor_ranges:
        if each.is_told and all_of.across.is_found:
            assert all_of.row[f"best_{each.factor}"] == getattr(water, each.factor)
    if not all_of.one.is_control:
        assert all_of.offered == water
    assert re.search(
        rf"Today's best( by its own cups)?: {re.escape(water.text)}", all_of.following_html
    )
    levels = [each.factor for each in best.factor_ranges if each.is_told]
    assert all_of.standing.found.water == water
    head = say(all_of.standing)
    stated = {
        "mg_share": f"Ca:Mg {water.ca_mg_ratio_text}",
        "hardness_mg_l_caco3": f"hardness {water.hardness_mg_l_caco3:.0f}",
        "alkalinity_mg_l_caco3": f"alkalinity {water.alkalinity_mg_l_caco3:.0f}",
    }
    if head.startswith(("Best so far", "Which water")):
        assert [each for each in stated if stated[each] in head] == levels
    else:
        assert all_of.found.reading.verdict.kind is not VerdictKind.FOUND
    for factor in levels:
        assert describe(as_coordinates(water)[0], [factor]) in words_of(all_of.report)


@pytest.mark.parametrize("name", NAMES)
def test_every_place_states_the_same_score_interval_and_chance(told, name):
    all_of = told(name)
    one, best = all_of.one, all_of.found.reading.best

    expected = (one.expected, one.low, one.high)
    assert (best.mean, best.lo, best.hi) == expected
    assert (all_of.across.best.mean, all_of.across.best.lo, all_of.across.best.hi) == expected
    for step in (all_of.step, all_of.following):
        led = step.suggestion
        assert (led.leader_expected, led.leader_low, led.leader_high) == expected
        for cup in led.cups:
            if cup.target == one.water:
                assert (cup.expected, cup.low, cup.high) == expected
        assert step.advice.chance_above_control == one.chance_above_control
        assert step.advice.gain_over_control == one.over_control
    reading = all_of.found.reading
    assert all_of.view.verdict == all_of.across.verdict == reading.verdict
    verdict = say(reading)
    assert say(all_of.view) == verdict
    above = re.search(r"([\d.]+) points \(([\d.]+) to ([\d.]+)\) above the control", verdict)
    if above:
        assert list(above.groups()) == [f"{points:.1f}" for points in one.over_control]
    assert " ".join(verdict.split()) in words_of(all_of.report)
    sure = how_sure(one)
    if all_of.found.answer is None:
        assert sure in words_of(all_of.report)
        if one.chance_above_control is not None:
            assert whole_percent(one.chance_above_control) in all_of.following_html


@pytest.mark.parametrize("name", NAMES)
def test_the_map_states_the_same_of_the_recommended_water_and_of_the_next_flight(told, name):
    all_of = told(name)
    one, found, touched = all_of.one, all_of.map, all_of.touched
    here = found.at(one.water)

    assert found.recommended == one
    assert (here.expected, here.low, here.high) == pytest.approx((one.expected, one.low, one.high))
    assert here.chance_above_control == one.chance_above_control
    levels = {axis["name"]: axis["levels"] for axis in touched["axes"]}
    assert [levels[each][at] for each, at in zip(levels, touched["best"], strict=True)] == [
        getattr(one.water, each) for each in levels
    ]
    at = np.ravel_multi_index(touched["best"], [len(each) for each in levels.values()])
    expected = [touched[each][at] for each in ("expected", "low", "high")]
    assert expected == [f"{each:.2f}" for each in (one.expected, one.low, one.high)]
    if one.chance_above_control is not None:
        assert touched["above_control"][at] == min(99, int(100 * one.chance_above_control))
    on_map = [
        cup for cup in all_of.step.suggestion.cups if found.at(cup.target).water == cup.target
    ]
    assert one.water in [cup.target for cup in on_map]
    for cup in on_map:
        point = found.at(cup.target)
        stated = (cup.expected, cup.low, cup.high, cup.chance_above_leader)
        drawn = (point.expected, point.low, point.high, point.chance_above_best)
        assert stated == pytest.approx(drawn, abs=2e-3)  # single and double numbers
    for stated in all_of.found.reading.best.factor_ranges:
        if stated.is_told:
            low, high = one.range_of(stated.factor)
            assert (stated.lo, stated.hi) == (
                min(low, stated.best),
                max(high, stated.best),
            )


@pytest.mark.parametrize("name", NAMES)
def test_card_report_next_flight_and_bench_pour_the_same(told, name):
    all_of = told(name)
    litre = {d.concentrate.name: d.volume_ml for d in all_of.card.recipes[0].doses}

    table = all_of.files.table
    made = table[(table["part"] == "make") & (table["volume_l"] == 1)].set_index("item")["value"]
    assert {item: made.get(item, 0.0) for item in litre} == litre
    report = poured(all_of.report)
    for at, recipe in enumerate(all_of.card.recipes):
        for dose in recipe.doses:
            if dose.volume_ml:
                assert report[dose.concentrate.name][at] == f"{dose.volume_ml:.1f}"
    served = dict(zip(all_of.step.suggestion.targets, all_of.step.pours, strict=True))
    poured_next = served[all_of.one.water].doses
    assert {d.concentrate.name: d.volume_ml for d in poured_next} == litre


def stated(page, head):
    """What a page says that the doses make: the row of so many volumes, as printed."""
    (row,) = re.findall(
        rf"<tr[^>]*><t[dh][^>]*>makes {head}, mg/L as CaCO3</t[dh]>(.*?)</tr>", page
    )
    return re.findall(r"<td[^>]*>([\d.]+)</td>", row)


def from_what_is_poured(files):
    """Hardness and alkalinity by volume, from the figures of a card's table alone, by hand.

    mL of a bottle times what a mL of it adds to a litre, over the litres; the base is pure.
    """
    table = files.table
    holds = table[table["part"] == "from"]
    found = {"hardness": [], "alkalinity": []}
    made = table[(table["part"] == "make") & (table["unit"] == "mL")]
    for litres, doses in made.groupby("volume_l"):
        for quantity, values in found.items():
            adds = {
                item.split(":")[0]: value
                for item, value in zip(holds["item"], holds["value"], strict=True)
                if item.endswith(f", {quantity}")
            }
            each = zip(doses["item"], doses["value"], strict=True)
            values.append(f"{sum(adds.get(item, 0.0) * ml for item, ml in each) / litres:.1f}")
    return found


@pytest.mark.parametrize("name", NAMES)
def test_what_is_stated_is_what_the_poured_doses_make(told, name):
    """Seen: alkalinity 28 on the report where the dose on it makes 27.5."""
    all_of = told(name)
    makes = from_what_is_poured(all_of.files)
    for page in (all_of.report, all_of.files.a4.html, all_of.files.phone.html):
        for quantity, values in makes.items():
            assert stated(page, quantity) == values
        for quantity, values in makes.items():
            said = re.search(rf"<b>([\d.]+)</b>{quantity}, mg/L as CaCO3", page)
            assert said[1] == values[-1]
    largest = all_of.card.recipes[-1]
    form = words_of(to_html(largest))
    for quantity, values in makes.items():
        assert re.search(rf"{quantity}, mg/L as CaCO3 [\d.]+ {values[-1]} ", form)
        assert f"{quantity} {values[-1]}" in all_of.files.text


@pytest.mark.parametrize("salts", [(), ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")])
def test_a_blend_has_the_same_litres_everywhere_and_makes_what_is_stated(book, salts):
    """Seen: a share rounded by itself in the name, litres of another one in the table."""
    tap = StartWater(name="tap", base=Water.of_ions({"Ca": 1.3, "HCO3": 1.1, "Cl": 1.5}))
    wanted = Target(mg_share=0.25, hardness_mg_l_caco3=110, alkalinity_mg_l_caco3=37)
    card = make_card(book, wanted, start=tap, volumes_l=(0.9, 5, 20), salts=salts)
    assert card.base_name == "63 % tap + 37 % pure water"  # by hand: 82.5 of 130.1, and 37 of 55.0
    files = card_files(card.recipes, name="Blend", base_name=card.base_name)
    table = files.table[(files.table["part"] == "make") & (files.table["unit"] == "L")]
    for at, recipe in enumerate(card.recipes):
        litres = table[table["volume_l"] == recipe.volume_l].set_index("item")["value"]
        assert litres["tap"] / litres.sum() == pytest.approx(0.63, abs=0.004)
        (printed,) = re.findall(r"<td>tap</td>(.*?)</tr>", files.a4.html)
        amount = re.findall(r">([\d.]+ m?L)</td>", printed)[at]
        size, unit = amount.split()
        assert float(size) / (1000 if unit == "mL" else 1) == litres["tap"]
        assert f"tap {amount}" in words_of(to_html(recipe))
        in_report = doses_html(card.recipes, card.base_name).replace("\N{NO-BREAK SPACE}", " ")
        assert re.findall(r">([\d.]+ m?L)<", in_report.split(">tap<")[1])[at] == amount
        doses = recipe.portions if salts else recipe.doses
        brought = sum(
            one.mass_g * one.mmol_per_g if salts else one.volume_ml * one.concentrate.vector / 1000
            for one in doses
        )
        by_hand = (brought + litres["tap"] * tap.base.vector) / recipe.volume_l
        assert recipe.reached.vector == pytest.approx(by_hand, abs=1e-9)
        hardness = f"{Water.of_vector(by_hand).hardness_mg_l_caco3:.1f}"
        assert stated(files.a4.html, "hardness")[at] == hardness
        assert stated(in_report, "hardness")[at] == hardness


@pytest.mark.parametrize("name", NAMES)
def test_what_is_not_told_and_what_a_test_said_stand_on_card_and_report(told, name):
    all_of = told(name)
    found, known = all_of.found, json.loads(all_of.files.json)["known"]

    assert tuple(known) == known_of(found)
    for sentence in known:
        for place in (all_of.report, all_of.files.a4.html):
            assert " ".join(sentence.split()) in words_of(place)
    first = words_of(all_of.report.partition("<h1>Appendix</h1>")[0])
    for sentence in (*sure_of(found), *confirmation_of(found)):
        assert " ".join(sentence.split()) in first
    if name == "Moved":
        assert [one.factor for one in all_of.one.untold] == list(COORDINATES[1:])
        assert all_of.one.water.alkalinity_mg_l_caco3 == CONFIRMED[2]
        for place in (say(found.reading), " ".join(known), words_of(all_of.report)):
            assert f"kept at {CONFIRMED[2]:.0f} mg/L as in the water that was confirmed" in place
    if name == "Swept":
        assert found.answer.outcome is Outcome.CONFIRMED
        assert say(found.answer) in known
        assert all_of.standing.next is NextThing.MAKE_CARD
        assert all_of.confirming.test is None  # answered: nothing is offered beside it
        assert say(found.answer) in unescape(all_of.following_html)
        assert all_of.step.advice.answer == all_of.confirming.answer == found.answer
        assert [one.factor for one in all_of.one.untold] == list(COORDINATES[1:])


def test_a_field_left_as_filled_in_keeps_the_exact_level_and_a_touched_one_counts_as_typed(
    book, told, card_form
):
    """Seen: a card of 2, 0 and 0 digits beside a report of the unrounded water."""
    exact, fields = told("Swept").one.water, card_form.form.fields
    fields["coffee"].value = (CLIENT, "Swept")
    card_form.refresh()
    water = fields["water"]
    assert water.target == exact
    filled = [round(getattr(exact, one), COORDINATE[one].digits) for one in COORDINATES]
    assert water.levels == filled

    written = water.value
    water.move(alkalinity_mg_l_caco3=41.0)
    typed = json.loads(card_form.files.json)
    assert typed["wanted"]["alkalinity_mg_l_caco3"] == 41.0
    assert typed["wanted"]["mg_share"] == exact.mg_share
    assert typed["known"] == []  # the scores speak of another water
    water.move(alkalinity_mg_l_caco3=filled[-1])
    assert json.loads(card_form.files.json)["known"]
    water.value = "1:1 at 90, alk 41"
    assert json.loads(card_form.files.json)["known"] == []
    water.value = written
    assert json.loads(card_form.files.json)["wanted"]["mg_share"] == exact.mg_share


def test_a_book_that_went_through_its_export_says_the_same(book, told, tmp_path):
    book.export_folder(tmp_path / "export")
    import_folder(tmp_path / "export", tmp_path / "again.db")
    with LabBook(tmp_path / "again.db") as again:
        for name in NAMES:
            here, there = told(name), read(again, name)
            assert there.reading.recommended == here.one
            assert there.answer == here.found.answer
