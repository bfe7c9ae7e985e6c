"""The workbook's forms: what a press does, what a wrong entry says; nothing typed is lost."""

from datetime import date
from pathlib import Path

import ipywidgets as widgets
import pytest

from labkit.bench import bench_sheet, sweep_doses
from labkit.book import Attribute, LabBook
from labkit.errors import BookError
from labkit.tasting import SCALES
from labkit.water import SALTS
from labkit.widgets import (
    BaseWaterForm,
    BookChoice,
    ConcentrateForm,
    JugForm,
    OpenForm,
    PeopleForm,
    PlanForm,
    SweepForm,
    coffee_choices,
)
from labkit.widgets.parts import fields
from tests.tasted import copy_book
from tests.widgets.plans.helpers import fill
from tests.widgets.plans.helpers import press as click

PASSPHRASE = "only the preparer"


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(copy_book(tmp_path / "book.db", fill)) as book:
        yield book


@pytest.fixture
def sweep_form(book):
    """A sweep form over that book; nothing is known of the coffee."""
    return SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates()),
        best_of=lambda _client, _coffee: {},
    )


def press(button):
    """Press a button as a hand would."""
    button.click()


def test_the_grams_shown_are_those_of_common_practice():
    """1.469 g/L of the dihydrate for 1 mg/L CaCO3 a mL: common practice, and IUPAC weights.

    Headline and fold say what the balance can show, and the same.
    """
    form = ConcentrateForm()
    for balance_g, grams in ((0.01, "1.47"), (0.001, "1.469"), (0.1, "1.5")):
        form.fields["balance_g"].value = balance_g
        assert f"<b>{grams} g</b>" in form.result.value
        assert f">{grams} g</td>" in form.result.value


@pytest.mark.parametrize("label", ["CaCl2·2H2O", "MgSO4·7H2O", "NaHCO3"])
def test_cautions_stand_beside_every_mass(label):
    form = ConcentrateForm()
    form.fields["salt_label"].value = label

    assert label in SALTS
    assert "Before you handle it" in form.result.value
    assert "Keep it from children" in form.result.value


def test_a_bottle_is_kept_once_however_often_the_button_is_pressed(book):
    form = ConcentrateForm(keep=book.stock.add_bottle)
    form.fields["name"].value = "calcium, second"
    form.fields["weighed_g"].value = 1.5

    press(form.button)
    press(form.button)

    kept = [b for b in book.stock.bottles() if b.name == "calcium, second"]
    assert [b.weighed_g for b in kept] == [1.5]
    assert "what you actually weighed first" in form.message.value


def test_an_absurd_volume_says_what_is_wrong_beside_its_field_and_keeps_what_was_typed():
    form = ConcentrateForm()
    form.fields["weighed_g"].value = 1.5
    form.fields["volume_ml"].value = -100.0

    note = form.notes["volume_ml"].value
    assert "Bottle, made up to (mL) must be" in note
    assert "-100" in note
    assert form.fields["weighed_g"].value == 1.5


def test_an_error_is_placed_by_its_field_and_not_by_its_words():
    form = fields.Form({"volume_ml": fields.number("Volume (mL)", 1.0)})

    def refuse(sentence, field):
        def work():
            raise BookError(sentence, field=field)

        form.attempt(work)
        return form.notes["volume_ml"].value, form.message.value

    beside, below = refuse("volume_ml must be above 0.", "volume_ml")
    assert "Volume (mL) must be above 0." in beside
    assert not below
    beside, below = refuse("The jug must hold less.", "volume_ml")
    assert "The jug must hold less." in beside
    assert not below
    for field in (None, "balance_g"):
        beside, below = refuse("volume_ml must be above 0.", field)
        assert not beside
        assert "must be above 0." in below


def test_a_jug_out_of_reach_is_a_sentence_not_a_traceback(book):
    form = JugForm(book, BaseWaterForm(book))
    form.fields["water"].value = "1:1 at 1500, alk 40"

    assert "role=" in form.message.value or any("must" in n.value for n in form.notes.values())
    assert form.result.value == ""


@pytest.mark.parametrize("typed", ["3:1 1:1 1:3", "0.25, 0.5, 0.75", "0,25 0,5 0,75"])
def test_a_sweep_is_typed_in_ratios_or_shares(sweep_form, typed):
    sweep_form.fields["mg_share"].value = typed

    assert [water.mg_share for water in sweep_form.waters] == [0.25, 0.5, 0.75]


def test_another_sweep_is_told_of_once_its_levels_are_filled_in(sweep_form):
    told = []
    sweep_form.on_change(lambda: told.append(len(sweep_form.waters)))

    sweep_form.vary("hardness_mg_l_caco3")

    assert told == [4]  # seen: a hardness dial of one level, refused in the plan below


def test_a_sweep_that_can_be_read_in_two_ways_says_both_beside_its_field(sweep_form):
    sweep_form.fields["mg_share"].value = "0,1"

    assert "Ca:Mg (or Mg share) can be read in two ways" in sweep_form.notes["mg_share"].value
    assert sweep_form.result.value == ""


def test_a_dial_starts_from_the_ratio_that_the_scores_chose(book):
    form = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep,
        best_of=lambda _client, _coffee: {"mg_share": 0.65},
    )

    form.fields["kind"].value = "hardness dial"

    assert {t.mg_share for t in form.waters} == {0.65}
    assert len({t.hardness_mg_l_caco3 for t in form.waters}) > 2


def test_a_sweep_that_the_bottles_cannot_make_is_refused_in_words(book, sweep_form):
    sweep_form.fields["hardness_mg_l_caco3"].value = "1400"

    assert "Not yet:" in sweep_form.message.value
    assert sweep_form.result.value == ""


def test_a_sweep_of_salts_shows_its_fields_and_what_to_mind(book, sweep_form):
    book.stock.add_bottle("epsom", salt="MgSO4·7H2O", weighed_g=2.463, volume_ml=1000)
    book.stock.add_bottle("gypsum", salt="CaSO4·2H2O", weighed_g=1.72, volume_ml=1000)
    salts = [sweep_form.fields[name] for name in ("sulfate_share", "potassium_share")]
    assert {one.layout.display for one in salts} == {"none"}

    sweep_form.vary("sulfate_share")

    assert {one.layout.display for one in salts} == {""}
    assert [one.sulfate_share for one in sweep_form.waters] == [0, 0.5, 1]
    assert {one.potassium_share for one in sweep_form.waters} == {None}
    assert "all sulfate" in sweep_form.result.value
    assert "secondary level" in sweep_form.result.value
    sweep_form.fields["sulfate_share"].value = "0, 25 %, 1"
    assert [one.sulfate_share for one in sweep_form.waters] == [0, 0.25, 1]
    sweep_form.fields["sulfate_share"].value = "all sodium"
    assert "Chloride to sulfate must be shares" in sweep_form.notes["sulfate_share"].value
    sweep_form.fields["kind"].value = "ratio sweep"
    assert {one.layout.display for one in salts} == {"none"}
    assert {one.salt_shares == {} for one in sweep_form.waters} == {True}


def test_the_salts_of_any_sweep_can_be_held_where_the_bottles_leave_a_choice(book):
    form = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates()),
        best_of=lambda _client, _coffee: {},
        book=book,
    )
    assert form.fields["sulfate_share"].layout.display == "none"
    book.stock.add_bottle("gypsum", salt="CaSO4·2H2O", weighed_g=1.72, volume_ml=1000)
    form.refresh()

    assert form.fields["sulfate_share"].layout.display == ""
    assert form.fields["potassium_share"].layout.display == "none"  # one bicarbonate
    assert {one.sulfate_share for one in form.waters} == {None}
    form.fields["sulfate_share"].value = "all chloride"
    assert {one.sulfate_share for one in form.waters} == {0}
    form.fields["sulfate_share"].value = "0 1"
    assert "Chloride to sulfate must be one share" in form.notes["sulfate_share"].value


def test_a_missing_salt_is_said_and_the_nearest_sweep_taken(book):
    form = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates()),
        best_of=lambda _client, _coffee: {},
        book=book,
    )
    book.stock.add_bottle("epsom", salt="MgSO4·7H2O", weighed_g=2.463, volume_ml=1000)

    form.vary("sulfate_share")

    assert "add a bottle of CaSO4·2H2O" in form.message.value + form.notes["sulfate_share"].value
    assert form.near_button.layout.display == ""
    press(form.near_button)
    assert form.fields["sulfate_share"].value == "all chloride, 25 % sulfate, 50 % sulfate"
    assert [one.sulfate_share for one in form.waters] == [0, 0.25, 0.5]


def plan_form(book, sweep_form):
    """A filled-in plan form whose bench sheets are caught instead of downloaded."""
    form = PlanForm(book, sweep_form, bench_sheet)
    handed = []
    form.hands.hand = lambda content, **_about: handed.append(content)
    form.form.fields["passphrase"].value = PASSPHRASE
    form.form.fields["again"].value = PASSPHRASE
    return form, handed


def test_one_press_plans_seals_and_hands_over_the_bench_sheet(book, sweep_form):
    form, handed = plan_form(book, sweep_form)

    press(form.button)

    (session,) = book.sessions.all()
    plan = book.sessions.plan(session.name)
    assert plan.flights == (1,)  # five waters and a duplicate fit side by side
    assert len(plan.cups) == 24
    (sheet,) = handed
    assert all(code in sheet for flight in plan.flights for code in plan.codes(flight))
    assert form.form.fields["passphrase"].value == ""


def test_the_form_keeps_no_pairing_of_code_and_water(book, sweep_form):
    """Nothing in the widgets' state names a jug or a recipe beside a code."""
    form, _ = plan_form(book, sweep_form)
    press(form.button)
    (session,) = book.sessions.all()

    state = repr([w.get_state() for w in (form, form.form, form.form.result, form.hands)])

    for row in book.sessions.plan(session.name).sealed[1].open(PASSPHRASE).rows:
        assert row.jug not in state
    assert PASSPHRASE not in state


def test_two_passphrases_that_differ_plan_nothing_and_lose_nothing_else(book, sweep_form):
    form, handed = plan_form(book, sweep_form)
    form.form.fields["session"].value = "a name of its own"
    form.form.fields["again"].value = "something else"

    press(form.button)

    assert book.sessions.all() == ()
    assert handed == []
    assert "the two differ" in form.form.notes["again"].value
    assert form.form.fields["passphrase"].value == form.form.fields["again"].value == ""
    assert form.form.fields["session"].value == "a name of its own"


def test_a_second_press_does_not_plan_the_same_session_twice(book, sweep_form):
    form, _ = plan_form(book, sweep_form)
    press(form.button)

    press(form.button)  # by a finger that slipped: the passphrase is gone

    (session,) = book.sessions.all()
    form.form.fields["session"].value = session.name
    for name in ("passphrase", "again"):
        form.form.fields[name].value = PASSPHRASE

    press(form.button)

    assert len(book.sessions.all()) == 1
    assert "choose another name" in form.form.notes["session"].value
    assert form.form.fold.is_open  # opened, so that the sentence is seen


def test_a_next_flight_goes_into_the_same_session_under_new_codes(book, sweep_form):
    form, _ = plan_form(book, sweep_form)
    press(form.button)
    (session,) = book.sessions.all()
    first = book.sessions.plan(session.name).flights
    form.form.fields["add_to"].value = session.name
    for name in ("passphrase", "again"):
        form.form.fields[name].value = PASSPHRASE

    press(form.button)

    plan = book.sessions.plan(session.name)
    assert plan.flights == tuple(range(1, 2 * len(first) + 1))
    codes = [code for flight in plan.flights for code in plan.codes(flight)]
    assert len(codes) == len(set(codes))


def scored(book, sweep_form):
    """A session whose one flight is scored and locked."""
    form, _ = plan_form(book, sweep_form)
    press(form.button)
    (session,) = book.sessions.all()
    for taster in session.tasters:
        for cup in book.sessions.served_cups(session.name, 1, taster):
            book.scores.record_score(
                session.name, 1, taster, "overall", 6, blind_code=cup.blind_code
            )
    book.sessions.lock_flights(session.name, [1])
    return session


def test_the_key_opens_a_locked_flight_and_only_with_its_passphrase(book, sweep_form):
    session = scored(book, sweep_form)
    opened = []
    form = OpenForm(book, on_open=lambda: opened.append(True))

    form.form.fields["passphrase"].value = "not the passphrase"
    press(form.button)
    assert book.sessions.flight(session.name, 1).state == "locked"
    assert "must be the one that sealed" in form.form.notes["passphrase"].value
    assert form.form.fields["passphrase"].value == ""
    form.form.fields["passphrase"].value = PASSPHRASE
    press(form.button)

    assert book.sessions.flight(session.name, 1).state == "opened"
    assert opened == [True]
    assert len(book.scores.opened_scores(coffee="Coffee A")) > 0


def test_a_coffee_and_tasters_are_added_by_a_press(book):
    form = PeopleForm(book)
    form.coffee_form.fields["client"].value = "Client B"
    form.coffee_form.fields["coffee"].value = "<b>Coffee</b>"
    form.coffee_form.fields["roast_date"].value = date(2026, 10, 1)
    form.taster_form.fields["tasters"].value = "Eve, Flo"

    click(form, "Add this coffee")
    click(form, "Add tasters")

    assert "<b>Coffee</b>" in {c.name for c in book.people.coffees("Client B")}
    assert {"Eve", "Flo"} <= set(book.people.tasters())
    assert "<b>Coffee</b>" not in form.listed.value  # shown as text


def test_choosing_an_own_lab_book_is_one_press_and_a_refusal_keeps_the_old_one(book, tmp_path):
    chosen = []

    def choose(where):
        if where is not None and "bad" in str(where):
            raise BookError("this is not a lab book.")
        chosen.append(where)
        return book

    form = BookChoice(book, choose)
    form.use("our-lab")
    form.use("bad")

    assert [Path(where).name for where in chosen] == ["our-lab.db"]
    assert "not a lab book" in form.own.message.value  # beside the button
    assert "From now on" in form.said.value


def test_a_name_is_renamed_merged_and_removed_on_the_screen(book):
    book.people.add_tasters(["Annn", "Zed"])
    form = PeopleForm(book)
    rename, merge, remove = form.mend_form.children[-4].children
    which, to, into = form.mend_form.fields.values()

    rename.click()
    assert "Which name must be chosen" in form.mend_form.notes["which"].value
    which.value = ("taster", "", "Annn")
    rename.click()
    assert form.mend_form.notes["to"].value
    to.value = "Ann"
    rename.click()
    assert "Ann" in book.people.tasters()
    assert "Annn" not in form.listed.value

    which.value = ("taster", "", "Ann")
    assert "Ann" not in [name for _, name in into.options]
    merge.click()
    assert form.mend_form.notes["into"].value
    into.value = "Zed"
    merge.click()
    assert "Ann" not in book.people.tasters()
    which.value = ("taster", "", "Zed")
    remove.click()
    assert "Zed" not in book.people.tasters()

    coffee = book.people.coffees()[0]
    book.people.add_coffee("a slip", client=coffee.client)
    form.fill()
    which.value = ("coffee", coffee.client, "a slip")
    remove.click()
    assert "a slip" not in [one.name for one in book.people.coffees()]
    which.value = ("client", "", coffee.client)
    remove.click()
    assert "must be unused" in form.mend_form.message.value + form.mend_form.notes["which"].value
    assert which.value == ("client", "", coffee.client)  # what was chosen stays


def test_tasters_typed_twice_are_added_once_or_not_at_all(book):
    form = PeopleForm(book)
    before = book.people.tasters()
    field = form.taster_form.fields["tasters"]
    field.value = "Newt, NEWT"
    click(form, "Add tasters")
    assert book.people.tasters() == before
    assert field.value == "Newt, NEWT"
    field.value = "Newt"
    click(form, "Add tasters")
    assert "Newt" in book.people.tasters()


def test_attributes_chosen_in_the_form_are_scored_on_their_scales(book, sweep_form):
    form, _ = plan_form(book, sweep_form)
    form.form.fields["intensities"].value = "acidity, sweetness"
    form.form.fields["overall_scale"].value = "quality 6-10"

    press(form.button)

    (session,) = book.sessions.all()
    assert session.attributes == (
        Attribute(name="overall", scale=SCALES["quality 6-10"]),
        Attribute(name="acidity", scale=SCALES["intensity 0-15"]),
        Attribute(name="sweetness", scale=SCALES["intensity 0-15"]),
    )


def test_a_choice_may_stand_for_none_and_is_shown():
    made = fields.choice("Goes into", [("a new session", None), ("old", "old")], None)

    assert made.label == "a new session"
    assert fields.choice("One of", ["a", "b"]).index is None


def test_what_belongs_to_one_coffee_does_not_go_to_the_next(book):
    form = PeopleForm(book)
    typed = form.coffee_form.fields
    for name, value in (("client", "House"), ("coffee", "One"), ("lot", "L1"), ("origin", "hill")):
        typed[name].value = value
    typed["roast_date"].value = date(2026, 10, 1)
    click(form, "Add this coffee")

    kept = form.coffee_form.values()
    assert (kept["client"], kept["coffee"], kept["lot"], kept["origin"]) == ("House", "", "", "")
    assert kept["roast_date"] is None


def test_what_is_computed_anew_is_marked_until_it_is_there():
    form = fields.Form({"amount": fields.number("Amount", 1.0)})
    seen = []

    def compute(amount):
        seen.append(("lk-working" in form.result._dom_classes, form.result.value))
        if amount > 2:
            raise ZeroDivisionError
        return f"{amount:g} g"

    form.compute_with(compute)
    form.fields["amount"].value = 2.0

    assert seen == [(True, ""), (True, "1 g")]
    assert form.result.value == "2 g"
    with pytest.raises(ZeroDivisionError):
        form.fields["amount"].value = 3.0
    assert "lk-working" not in form.result._dom_classes


LABEL = "Ca 60, Mg 6, Na 10, Cl 20, SO4 35, NO3 5, HCO3 170 mg/L"


def add_water(form, **typed):
    """Type an analysis and press; the form afterwards chooses the water if it was kept."""
    for name, value in ({"new_name": "spring"} | typed).items():
        form.form.fields[name].value = value
    keep = [
        button
        for button in every(form.form, widgets.Button)
        if button.description == "Keep this analysis in the lab book"
    ]
    press(keep[0])
    return form


def every(part, kind):
    """All parts of a kind inside another, however deep."""
    for child in getattr(part, "children", ()):
        if isinstance(child, kind):
            yield child
        yield from every(child, kind)


@pytest.mark.parametrize(
    ("typed", "hardness", "share", "alkalinity"),
    [
        ({"label": LABEL}, 60 / 40.078 * 100.086 + 6 / 24.305 * 100.086, 0.1415, 139.4),
        (
            {"hardness": "10", "hardness_unit": "°dH", "Mg share": "3:1", "alkalinity": "170"}
            | {"alkalinity_unit": "mg/L HCO3", "fill_gap": True},
            178.48,
            0.25,
            139.4,
        ),
        (
            {"hardness": "174,5", "Ca": "60", "alkalinity": "139,4", "fill_gap": True},
            174.5,
            0.1413,
            139.4,
        ),
        ({"label": "Ca 60, Mg 6, HCO3 170", "NO3": "42", "Na": "6"}, 174.5, 0.1415, 139.4),
    ],
    ids=["a label", "hardness and a ratio", "hardness and calcium", "a label and fields"],
)
def test_a_base_water_is_kept_from_a_label_or_from_total_hardness(
    book, typed, hardness, share, alkalinity
):
    water = add_water(BaseWaterForm(book), **typed).water

    assert water.hardness_mg_l_caco3 == pytest.approx(hardness, rel=2e-3)
    assert water.mg_share == pytest.approx(share, abs=2e-3)
    assert water.alkalinity_mg_l_caco3 == pytest.approx(alkalinity, rel=2e-3)


@pytest.mark.parametrize(
    ("typed", "field", "sentence"),
    [
        ({}, "label", "must hold an analysis, but nothing is typed"),
        ({"label": LABEL, "Ca": "60"}, "Ca", "is given twice"),
        ({"hardness": "100"}, "hardness", "hardness alone does not say how much is calcium"),
        ({"hardness": "100", "Mg share": "3:1 1:1"}, "Mg share", "must be one ratio"),
        ({"label": LABEL, "Mg share": "1:1"}, "Mg share", "does not agree with Ca and Mg"),
        ({"Ca": "sixty"}, "Ca", "must be a number of at least 0"),
        ({"label": "Ca 60, Mg 6"}, "fill_gap", "does not balance"),
    ],
)
def test_too_little_or_too_much_of_an_analysis_is_said_beside_its_field(
    book, typed, field, sentence
):
    form = add_water(BaseWaterForm(book), **typed)

    assert sentence in form.form.notes[field].value
    assert book.stock.base_waters() == ()


def test_a_sweep_out_of_reach_is_thinned_or_narrowed_at_the_press_of_a_button(tmp_path):
    """Of 80 mg/L of hardness, all calcium, of which the half that is magnesium bears a half."""
    from labkit.tasting import check_reachable
    from tests.widgets.plans.helpers import TAP, fill

    with LabBook(tmp_path / "book.db") as book:
        fill(book)
        book.stock.add_base_water("tap", TAP)
        base = BaseWaterForm(book)
        form = SweepForm(
            [("Coffee A", ("Client A", "Coffee A"))],
            lambda sweep: check_reachable(sweep, book.stock.concentrates(), base=base.water),
            lambda client, coffee: {},
            base=base,
            book=book,
        )
        form.fields["mg_share"].value = "0, 0.25, 0.5"
        form.fields["hardness_mg_l_caco3"].value = "80"
        assert form.thin_button.layout.display == form.near_button.layout.display == "none"

        base.form.fields["name"].value = "tap"
        assert form.thin_button.layout.display == form.near_button.layout.display == ""
        form.thin_button.click()
        assert (base.start.text, form.thin_button.layout.display) == (
            "50 % tap + 50 % pure water",
            "none",
        )

        base.form.fields["share_percent"].value = 80
        form.near_button.click()
        shares = [target.mg_share for target in form.waters]
        assert len(shares) == 3
        assert 0.15 < max(shares) <= 0.25
        assert form.near_button.layout.display == "none"


def test_several_fields_may_change_and_only_one_thing_comes_of_them():
    made = []
    form = fields.Form({"one": fields.text("One"), "two": fields.text("Two")})

    def compute(**now):
        form.fields["two"].value = now["one"].upper()  # fills a field: no second computing
        made.append((now["one"], form.fields["two"].value))

    form.compute_with(compute)
    assert made == [("", "")]
    with form.computing_once():
        form.fields["one"].value = "a"
        form.fields["one"].value = "b"
        assert len(made) == 1
    assert made[1:] == [("b", "B")]
