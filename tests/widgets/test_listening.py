"""What is written elsewhere appears in every form, and what is being typed or chosen stays."""

from __future__ import annotations

import asyncio
import logging
from types import SimpleNamespace

import pytest

from labkit.bench import bench_sheet, bottle_labels, card_files, sweep_doses
from labkit.book import Attribute, LabBook, Topic
from labkit.errors import BookError
from labkit.tasting import SCALES
from labkit.widgets import (
    AcrossForm,
    BaseWaterForm,
    CardForm,
    ConfirmForm,
    JugForm,
    LeadView,
    MeterForm,
    OneWaterForm,
    OpenForm,
    PeopleForm,
    PlanForm,
    PlanningView,
    ReadingView,
    ReplanForm,
    ReportForm,
    ScoringDesk,
    StockForm,
    StrengthForm,
    SweepForm,
    coffee_choices,
)
from labkit.widgets.parts import fields
from labkit.widgets.parts.listening import (
    compute_again,
    follow_book,
    follow_choices,
    keeping_messages,
)
from tests.book.samples import CLIENT, COFFEE, add_all_bottles
from tests.tasted import PASSPHRASE, at_shares, begin, copy_book, lock_and_open, nothing, score
from tests.widgets.plans.helpers import paper_of

TASTERS = ("Ada", "Béla", "Chen")
OVERALL = Attribute(name="overall", scale=SCALES["liking 1-9"])


@pytest.fixture
def book(tmp_path):
    """An empty lab book, as a page has it."""
    with LabBook(copy_book(tmp_path / "book.db", nothing)) as book:
        yield book


@pytest.fixture
def other(book):
    """The same lab book, as another process has it."""
    with LabBook(book.name) as other:
        yield other


def plan(book, session, coffee=COFFEE):
    """Put a session of two flights into a book."""
    return begin(
        book,
        session,
        client=CLIENT,
        coffee=coffee,
        targets=at_shares(0, 0.5, 1),
        tasters=TASTERS,
        attributes=[OVERALL],
        planning={"repeats": 2},
    )


def taste(book, plan, best=0.5):
    score(book, plan, lambda _cup, water: {"overall": 7.0 - 2 * (water.mg_share != best)})


def values(chooser):
    return [one[1] if isinstance(one, tuple) else one for one in chooser.options]


def add_coffee(book, name, client=CLIENT):
    if client not in {one.name for one in book.people.clients()}:
        book.people.add_client(client)
    book.people.add_coffee(name, client=client)


# ------------------------------------------------------------------------- what they build on


@pytest.mark.parametrize(
    ("options", "chosen", "told"),
    [
        (["z", "a", "b"], "b", []),  # kept, and nobody is told
        (["a"], "a", ["a"]),  # gone: the first
        (["a", "B"], "B", ["B"]),  # renamed
        ([], None, [None]),
    ],
)
def test_a_chooser_keeps_what_is_chosen_and_tells_only_what_changed(options, chosen, told):
    heard = []
    chooser = fields.choice("One", ["a", "b"], "b")
    chooser.observe(lambda change: heard.append(change.new), "value")
    assert follow_choices(chooser, options)
    assert (chooser.value, heard) == (chosen, told)
    assert chooser.index == (options.index(chosen) if chosen else None)
    assert not follow_choices(chooser, options)
    chooser.options = ["p", "q"]  # and it is a chooser like any other again
    assert heard[-1] == chooser.value


def test_a_chooser_without_a_choice_takes_the_first_the_last_or_none():
    for start, expected in ((0, 1), (-1, 3), (None, None)):
        chooser = fields.choice("One", [])
        follow_choices(chooser, [("one", 1), ("two", 2), ("three", 3)], start=start)
        assert chooser.value == expected


def test_a_chooser_may_hold_none_for_all():
    chooser = fields.choice("Flights", [("all", None), ("flight 1", 1)], None)
    follow_choices(chooser, [("all", None), ("flight 1, locked", 1), ("flight 2", 2)])
    assert (chooser.index, chooser.value) == (0, None)


def test_a_chooser_of_several_keeps_those_that_are_still_there():
    chooser = fields.several("Some", ["a", "b", "c"])
    chooser.value = ("a", "c")
    follow_choices(chooser, ["c", "d"])
    assert chooser.value == ("c",)


def test_what_a_press_said_stays_while_a_form_follows():
    form = fields.Form({"one": fields.text("One")})
    form.compute_with(lambda one: f"<p>{one}</p>")
    form.say("Kept.")
    kept = form.message.value
    compute_again(form)
    assert form.message.value == kept
    with keeping_messages(form):
        form.refresh()
        form.say("Another.")
    assert "Another" in form.message.value


def test_what_computing_refused_does_not_stay_once_it_no_longer_does():
    form, there = fields.Form({"one": fields.text("One")}), []

    def compute(one):
        if not there:
            raise BookError("one must be there.", field="one")
        return "<p>there</p>"

    form.compute_with(compute)
    assert form.notes["one"].value
    there.append(1)
    compute_again(form)
    assert (form.notes["one"].value, form.result.value) == ("", "<p>there</p>")


def test_a_form_that_cannot_follow_says_so_and_the_log_knows_why(book, caplog):
    form = fields.Form({})

    def fail():
        raise BookError("the shelf must be there.")

    follow_book(form, book, fail, Topic.PEOPLE)
    with caplog.at_level(logging.ERROR):
        book.people.add_client(CLIENT)
    assert "the shelf must be there" in form.message.value
    assert "the shelf must be there" in caplog.text
    assert [one.name for one in book.people.clients()] == [CLIENT]


def test_a_closed_form_hears_nothing_more(book):
    form, heard = fields.Form({}), []
    follow_book(form, book, lambda: heard.append(1), Topic.PEOPLE)
    book.people.add_client(CLIENT)
    form.close()
    book.people.add_client("another")
    assert heard == [1]
    assert not book.changes.has_listeners


def test_in_a_kernel_forms_hear_of_others_within_seconds_and_once_for_many_writes(book, other):
    """With a loop as a kernel has one; looking ends once nobody listens."""

    async def kernel():
        form, heard = fields.Form({}), []
        follow_book(form, book, lambda: heard.append(len(book.people.clients())), Topic.PEOPLE)
        book.people.add_client("one")
        book.people.add_client("two")
        assert heard == []  # not under the hand of who writes
        await asyncio.sleep(0)
        assert heard == [2]
        other.people.add_client("three")
        for _ in range(200):
            await asyncio.sleep(0.05)
            if len(heard) > 1:
                break
        assert heard == [2, 3]
        running = len(asyncio.all_tasks())
        form.close()
        for _ in range(200):
            await asyncio.sleep(0.05)
            if len(asyncio.all_tasks()) < running:
                break
        assert len(asyncio.all_tasks()) == running - 1

    asyncio.run(kernel())


# ------------------------------------------------------------------------------------- bottles


def test_the_shelf_lists_a_bottle_made_elsewhere_and_keeps_the_dose_being_typed(book, other):
    add_all_bottles(book)
    stock = StockForm(book, bottle_labels)
    place = stock.taken.bottles.index("magnesium")
    stock.taken.form.fields[f"dose_{place}"].value = 12.5
    stock.form.fields["jug_volume_ml"].value = 750.0

    other.stock.add_bottle("alkali two", salt="NaHCO3", weighed_g=1.68, volume_ml=1000)
    book.changes.look()

    assert "alkali two" in stock.form.result.value
    assert "alkali two" in stock.taken.bottles
    assert "alkali two" in stock.taken.empty_form.fields["bottle"].options
    place = stock.taken.bottles.index("magnesium")
    assert stock.taken.form.fields[f"dose_{place}"].value == 12.5
    assert stock.form.fields["jug_volume_ml"].value == 750.0


def test_the_shelf_offers_the_flight_of_a_plan_sealed_elsewhere(book, other):
    add_all_bottles(book)
    stock = StockForm(book, bottle_labels)
    plan(other, "sealed elsewhere")
    book.changes.look()
    assert stock.taken.form.fields["taken_for"].value == ("sealed elsewhere", 1)


def test_a_strength_is_asked_of_a_bottle_made_elsewhere_and_the_reading_stays(book, other):
    form = StrengthForm(book)
    assert form.form.fields["bottle"].value is None
    form.form.fields["reading"].value = 5.0
    add_all_bottles(other)
    book.changes.look()
    bottle = form.form.fields["bottle"]
    assert set(bottle.options) == {"calcium", "magnesium", "bicarbonate"}
    assert bottle.value == bottle.options[0]
    assert form.form.fields["reading"].value == 5.0
    bottle.value = "magnesium"
    other.stock.empty_bottle("calcium")
    book.changes.look()
    assert (bottle.value, "calcium" in bottle.options) == ("magnesium", False)


def test_a_jug_is_mixed_from_bottles_and_waters_kept_elsewhere(book, other):
    base = BaseWaterForm(book)
    jug = JugForm(book, base)
    jug.fields["water"].move(hardness_mg_l_caco3=70.0)
    base.form.fields["conductivity_25c_us_cm"].value = 2.0
    base.form.fields["new_name"].value = "half ty"
    before = jug.result.value

    add_all_bottles(other)
    other.stock.add_base_water("tap", {"Ca": (20, "mg/L"), "alkalinity": (50, "mg/L CaCO3")})
    book.changes.look()

    assert "35.0" not in before
    assert "35.0" in jug.result.value  # mL of each: half of 70, at 1 mg/L a mL
    assert jug.fields["water"].target.hardness_mg_l_caco3 == 70.0
    assert "tap" in base.form.fields["name"].options
    assert base.form.fields["name"].value != "tap"
    assert base.form.fields["new_name"].value == "half ty"


def test_the_meter_check_thinks_of_a_bottle_kept_elsewhere(book, other):
    """The source has no card: what counts is that it is asked again, and keeps what is typed."""
    asked = []
    source = SimpleNamespace(recipes=(), on_change=lambda _follow: None)
    form = MeterForm(book, source)
    form.on_change(lambda: asked.append(1))
    form.fields["shown"].value = "120"
    del asked[:]
    add_all_bottles(other)
    book.changes.look()
    assert asked
    assert form.fields["shown"].value == "120"


# ----------------------------------------------------------------------------------- planning


def test_people_lists_who_was_added_elsewhere_and_keeps_the_half_typed_coffee(book, other):
    form = PeopleForm(book)
    form.coffee_form.fields["coffee"].value = "Half ty"
    add_coffee(other, COFFEE)
    other.people.add_tasters(["Ada", "Béla"])
    book.changes.look()
    assert COFFEE in form.listed.value
    assert ("taster", "", "Béla") in values(form.mend_form.fields["which"])
    assert form.coffee_form.fields["coffee"].value == "Half ty"
    form.mend_form.fields["which"].value = ("taster", "", "Béla")
    form.mend_form.fields["into"].value = "Ada"
    other.people.add_tasters(["Chen"])
    book.changes.look()
    assert form.mend_form.fields["which"].value == ("taster", "", "Béla")
    assert form.mend_form.fields["into"].value == "Ada"


def sweep_of(book):
    return SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates()),
        best_of=lambda _client, _coffee: {},
        book=book,
    )


def test_a_sweep_takes_the_first_coffee_and_keeps_the_levels_being_typed(book, other):
    form = sweep_of(book)
    assert form.coffee is None
    form.fields["hardness_mg_l_caco3"].value = "95"
    add_coffee(book, COFFEE)
    assert form.coffee == (CLIENT, COFFEE)
    add_coffee(other, "Aardell natural")
    add_all_bottles(other)
    book.changes.look()
    assert (CLIENT, "Aardell natural") in values(form.fields["coffee"])
    assert form.coffee == (CLIENT, COFFEE)
    assert form.fields["hardness_mg_l_caco3"].value == "95"
    assert "47.5" in form.result.value  # mL: half of 95, at 1 mg/L a mL, from the new bottles
    other.people.rename_coffee(COFFEE, "Ysmeral, washed", client=CLIENT)
    book.changes.look()
    assert form.coffee == (CLIENT, "Ysmeral, washed")


def test_a_plan_offers_tasters_and_sessions_of_elsewhere_and_keeps_who_is_ticked(book, other):
    add_coffee(book, COFFEE)
    add_all_bottles(book)
    book.people.add_tasters(TASTERS)
    form = PlanForm(book, sweep_of(book), bench_sheet)
    form.form.fields["tasters"].value = ("Ada", "Chen")
    form.form.fields["session"].value = "half ty"
    form.form.fields["passphrase"].value = "half ty"

    other.people.add_tasters(["Dov"])
    plan(other, "sealed elsewhere")
    book.changes.look()

    assert form.form.fields["tasters"].value == ("Ada", "Chen", "Dov")
    assert values(form.form.fields["add_to"]) == [None, "sealed elsewhere"]
    assert form.form.fields["add_to"].value is None
    assert form.form.fields["session"].value == "half ty"
    assert form.form.fields["passphrase"].value == "half ty"


def test_the_planning_view_offers_a_taster_added_elsewhere(book, other):
    view = PlanningView(book, lambda _curves: "")
    view.form.fields["n_tasters"].value = (6,)
    other.people.add_tasters(["Dov"])
    book.changes.look()
    assert values(view.form.fields["tasters"]) == ["Dov"]
    assert (view.form.fields["tasters"].value, view.form.fields["n_tasters"].value) == ((), (6,))


def test_who_stays_away_stays_ticked_while_sessions_come_in(book, other):
    plan(book, "first")
    form = ReplanForm(book, bench_sheet)
    form.form.fields["absent"].value = ("Béla",)
    form.form.fields["late"].value = "half ty"
    form.form.fields["first"].value = 2
    plan(other, "second")
    book.changes.look()
    assert form.form.fields["session"].value == "first"
    assert set(form.form.fields["session"].options) == {"first", "second"}
    assert form.form.fields["absent"].value == ("Béla",)
    assert form.form.fields["late"].value == "half ty"
    assert form.form.fields["first"].value == 2


def test_paper_offers_a_plan_sealed_elsewhere_and_keeps_the_flight_chosen(book, other):
    form = paper_of(book)
    plan(other, "first")
    book.changes.look()
    assert form.form.fields["session"].value == "first"
    form.form.fields["flight"].value = 2
    form.bench_form.fields["preparer"].value = "half ty"
    plan(other, "second")
    book.changes.look()
    assert set(form.form.fields["session"].options) == {"first", "second"}
    assert (form.form.fields["session"].value, form.form.fields["flight"].value) == ("first", 2)
    assert form.bench_form.fields["preparer"].value == "half ty"


# ------------------------------------------------------------------------------------- tasting


def test_the_desk_shows_a_session_sealed_elsewhere_and_leaves_the_one_in_use(book, other):
    desk = ScoringDesk(book)
    assert desk.chooser.value is None
    plan(other, "first")
    book.changes.look()
    assert desk.chooser.value == "first"
    in_use = desk.place.children
    plan(other, "second")
    other.sessions.lock_flights("second", [1])
    book.changes.look()
    assert set(values(desk.chooser)) == {"first", "second"}
    assert desk.chooser.value == "first"
    assert desk.place.children is in_use
    n_before = len([w for w in listening_leads(desk) if w.comm is not None])
    desk.chooser.value = "second"
    assert n_before == 1
    assert len([w for w in listening_leads(desk) if w.comm is not None]) == 1


def listening_leads(desk):
    """The lead's views that the desk shows."""
    return [w for tab in desk.place.children for w in tab.children if isinstance(w, LeadView)]


def test_scores_given_elsewhere_show_with_the_lead_and_the_flight_chosen_stays(book, other):
    planned = plan(book, "first")
    lead = LeadView(book, session="first")
    lead.flight.value = 2
    lead.reason.value = "half ty"
    before = lead.table.value
    other.scores.record_score("first", 1, "Ada", "overall", 7, position=1)
    book.changes.look()
    n_cups = sum(cup.flight == 1 and cup.taster == "Ada" for cup in planned.cups)
    assert f"1 of {n_cups}" in lead.table.value
    assert f"1 of {n_cups}" not in before
    assert (lead.flight.value, lead.reason.value) == (2, "half ty")
    other.sessions.mark_seen("first", "Chen")
    book.changes.look()
    assert lead.table.value.count("<td>connected</td>") == 2  # in each flight


def test_a_flight_locked_elsewhere_waits_for_its_key_and_the_passphrase_stays(book, other):
    plan(book, "first")
    form = OpenForm(book)
    fields = form.form.fields
    assert (fields["session"].value, fields["flights"].value) == (None, ())
    other.sessions.lock_flights("first", [1])
    book.changes.look()
    assert (fields["session"].value, len(fields["flights"].value)) == ("first", 1)
    assert ("first", 2) in values(form.early.fields["early"])
    form.form.fields["passphrase"].value = "half ty"
    form.early.fields["reason"].value = "half ty"
    other.sessions.lock_flights("first", [2])
    book.changes.look()
    assert (fields["session"].value, len(fields["flights"].value)) == ("first", 2)
    assert form.form.fields["passphrase"].value == "half ty"
    assert form.early.fields["reason"].value == "half ty"
    other.sessions.open_flights("first", [1], PASSPHRASE)
    book.changes.look()
    assert len(fields["flights"].value) == 1


# ------------------------------------------------------------------------------------- verdict


def test_a_reading_is_read_again_only_when_other_scores_can_be_read(book, other):
    view = ReadingView(book, lambda *_found, **_named: "")
    add_coffee(book, COFFEE)
    assert view.coffee == (CLIENT, COFFEE)
    read = []
    view.on_change(lambda: read.append(view.reading))
    planned = plan(other, "first")
    taste(other, planned)
    add_coffee(other, "Aardell natural")
    book.changes.look()
    assert read == []
    assert (CLIENT, "Aardell natural") in values(view.form.fields["coffee"])
    view.form.fields["reason"].value = "half ty"
    del read[:]

    lock_and_open(other, planned)
    book.changes.look()

    assert len(set(map(id, read))) == 1  # read once, however often it is told
    assert read[0] is not None
    assert view.coffee == (CLIENT, COFFEE)
    assert view.form.fields["reason"].value == "half ty"
    other.sessions.mark_seen("first", "Ada")
    other.people.add_tasters(["Dov"])
    book.changes.look()
    assert view.reading is read[0]


def test_tasters_added_elsewhere_may_take_the_test_of_two_waters(book, other):
    add_coffee(book, COFFEE)
    book.people.add_tasters(TASTERS)
    view = ReadingView(book, lambda *_found, **_named: "")
    form = ConfirmForm(book, view, bench_sheet)
    form.form.fields["tasters"].value = ("Ada",)
    form.form.fields["session"].value = "half ty"
    other.people.add_tasters(["Dov"])
    book.changes.look()
    assert form.form.fields["tasters"].value == ("Ada", "Dov")
    assert form.form.fields["session"].value == "half ty"


# ----------------------------------------------------------------------------------- hand over


def test_a_card_takes_the_new_best_water_unless_figures_were_typed_over_it(book, other):
    add_all_bottles(book)
    card = CardForm(book, card_files, BaseWaterForm(book))
    shown = card.form.fields
    water = shown["water"]
    water.move(mg_share=0.35)
    taste(other, first := plan(other, "first"))
    lock_and_open(other, first)
    book.changes.look()
    assert values(shown["coffee"]) == [("", ""), (CLIENT, COFFEE)]
    assert water.target.mg_share == 0.35

    shown["coffee"].value = (CLIENT, COFFEE)
    best = water.target.mg_share
    taste(other, second := plan(other, "second"), best=1)
    taste(other, third := plan(other, "third"), best=1)
    for one in (second, third):
        lock_and_open(other, one)
    book.changes.look()
    assert water.target.mg_share > best

    water.move(mg_share=0.2)
    taste(other, fourth := plan(other, "fourth"), best=0)
    lock_and_open(other, fourth)
    book.changes.look()
    assert water.target.mg_share == 0.2


def test_a_report_is_offered_of_a_coffee_added_elsewhere(book, other):
    form = ReportForm(book, lambda *_given, **_named: "")
    add_coffee(other, COFFEE)
    book.changes.look()
    assert form.form.fields["coffee"].value == (CLIENT, COFFEE)
    add_coffee(other, "Aardell natural")
    book.changes.look()
    assert form.form.fields["coffee"].value == (CLIENT, COFFEE)
    assert len(form.form.fields["coffee"].options) == 2


def test_coffees_added_elsewhere_stand_beside_the_others_and_in_the_shared_tank(book, other):
    add_coffee(book, COFFEE)
    across = AcrossForm(book, lambda found: f"<p>{len(found.readings)}</p>")
    tank = OneWaterForm(book, across, lambda _found: "")
    tank.form.fields["sold"].value = "half ty"
    across.form.fields["sort_by"].value = "hardness_mg_l_caco3"
    add_coffee(other, "Aardell natural")
    book.changes.look()
    assert set(across.coffees) == {(CLIENT, COFFEE), (CLIENT, "Aardell natural")}
    assert across.form.fields["sort_by"].value == "hardness_mg_l_caco3"
    assert set(tank.form.fields["coffees"].value) == set(across.coffees)
    tank.form.fields["coffees"].value = ((CLIENT, COFFEE),)
    add_coffee(other, "Brisk")
    book.changes.look()
    assert tank.form.fields["coffees"].value == ((CLIENT, COFFEE),)
    assert len(tank.form.fields["coffees"].options) == 3
    assert tank.form.fields["sold"].value == "half ty"
