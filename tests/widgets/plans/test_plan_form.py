"""The plan form: base water, what it costs and would see, what is held and asked."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from labkit.analysis import fit_surface, gather_scores
from labkit.bench import bench_sheet, sweep_doses
from labkit.book import Held
from labkit.errors import BookError
from labkit.tasting import (
    SCALES,
    NoiseFrom,
    plan_power,
    plan_sets,
    plan_tasting,
    practised_noise,
)
from labkit.widgets import (
    BaseWaterForm,
    PlanForm,
    ReplanForm,
    SweepForm,
    coffee_choices,
)
from labkit.widgets.steps.plan.conditions_form import ConditionsForm
from labkit.workflow import acidity_of, asked_for_acidity, panel_noise, usual_of
from tests.book.faults import failing_to_store
from tests.tasted import begin_test
from tests.widgets.plans.helpers import (
    PASSPHRASE,
    all_widgets,
    catch,
    choose,
    paper_of,
    sealed,
    type_passphrase,
)


def test_a_sweep_below_its_base_is_refused_until_the_base_is_thinned(book, base):
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates(), base=base.start),
        best_of=lambda _client, _coffee: {},
        base=base,
    )
    sweep.fields["mg_share"].value = "0.25 0.5 0.75"  # calcium from 60 down to 20 mg/L
    assert "than 3 of these 3 waters hold" in sweep.message.value
    for share in (100.0, 60.0):  # the remedy counts from the tap, however thin the base is by now
        base.form.fields["share_percent"].value = share
        assert "Take at most 25 % of it, the rest pure water" in sweep.message.value

    base.form.fields["share_percent"].value = 25.0

    assert sweep.message.value == ""
    for water in ("tap, autumn", "pure water"):  # in a column, or once if all waters take as much
        assert re.search(rf"{water}(, mL| \d+ mL)", sweep.result.value)
    assert "25 % tap, autumn + 75 % pure water" in base.form.result.value


def test_the_base_water_is_recorded_and_goes_into_every_sheet(book, form, base):
    base.form.fields["share_percent"].value = 12.5
    made = PlanForm(book, form.source, bench_sheet, base=base)
    handed = catch(made)
    made.source.fields["mg_share"].value = "0 0.25 0.5 0.75"
    choose(made, serving="a cup each")
    type_passphrase(made)
    session = sealed(made)
    start = book.stock.start_water(book.sessions.session(session).held)
    paper = paper_of(book)
    again = catch(paper)
    paper.bench_form.fields["bench_passphrase"].value = PASSPHRASE
    paper.bench_form.fields["preparer"].value = "Odile"
    paper.bench_button.click()
    late = ReplanForm(book, bench_sheet)
    anew = catch(late)
    choose(late, late="Eve", secret=PASSPHRASE)
    late.button.click()

    assert start.text == "12.5 % tap, autumn + 87.5 % pure water"
    for sheet in (handed[0][0], again[0][0], anew[0][0]):
        assert start.text in sheet
        assert "hardness 10 and alkalinity 5 mg/L" in sheet
    fresh = BaseWaterForm(book)
    PlanForm(book, form.source, bench_sheet, base=fresh)
    assert fresh.start.text == start.text  # the coffee's next session starts from the same


def test_flights_of_one_session_start_from_one_water(book, form, base):
    session = sealed(form)  # from pure water
    later = PlanForm(book, form.source, bench_sheet, base=base)
    base.choose(book.stock.start_water(Held(base_water="tap, autumn", base_share_percent=20.0)))
    choose(later, add_to=session)
    type_passphrase(later)
    later.button.click()

    said = later.form.notes["add_to"].value
    assert "must be a session that starts from 20 % tap, autumn" in said
    assert "mixed from pure water" in said
    assert len(book.sessions.flights(session)) == 1


def test_another_base_water_than_last_time_raises_a_visible_note(book, form, base):
    sealed(form)
    base.choose(book.stock.start_water(Held(base_water="tap, autumn", base_share_percent=20.0)))
    later = PlanForm(book, form.source, bench_sheet)
    later.base = base
    later.conditions.refresh()

    assert "Base water changed from pure water" in later.conditions.result.value


# ----------------------------------------------------------------------------------- power


def test_the_button_comes_after_all_that_it_needs(form):
    """Tasters, time, the plan, what it would see, conditions, passphrase, then the button."""
    shown = list(all_widgets(form.form))
    order = [
        form.form.fields["tasters"],
        form.form.fields["minutes"],
        form.form.fields["cups_per_flight"],
        form.form.fields["plan"],
        form.form.result,
        form.form.fields["duplicates"],
        form.conditions,
        form.offer,
        form.form.fields["passphrase"],
        form.form.fields["again"],
        form.button,
        form.form.message,
    ]
    places = [shown.index(widget) for widget in order]
    assert places == sorted(places)


def test_the_form_shows_cost_and_smallest_difference_of_the_plan(form):
    """The figures of plan_power itself, which tests/tasting hold against the paired t test."""
    scale = SCALES["liking 1-9"]
    expected = plan_power(4, 4, noise=practised_noise(scale), cups_per_flight=6, span=8)
    expected = replace(expected, n_terms=2)  # one factor is varied: a slope and a bend

    shown = form.form.result.value

    assert "24 cups to taste" in shown
    assert f"{expected.water_each_ml:.0f} mL of each water" in shown
    assert f"about {expected.minutes:.0f} minutes" in shown
    assert f"a difference of {expected.difference_of_any:.1f} points</b>" in shown
    assert "Narrowest best region" in shown or "would not be narrowed down" in shown
    assert "default for practised tasters" in shown  # the source of the noise is named


def test_dialling_tasters_flights_and_duplicates_moves_the_power_within_a_second(form):
    before = form.form.result.value
    shown = []
    for name, value in (("duplicates", 0), ("flights", 2), ("tasters", ("Ada", "Bo"))):
        start = time.process_time()  # others may use the machine too
        choose(form, **{name: value})
        assert time.process_time() - start < 1
        shown.append(form.form.result.value)

    assert len({before, *shown}) == 4
    assert "2 tasters, 2 flights" in shown[-1]


def test_each_hidden_check_says_in_one_line_what_it_costs(form):
    shown = form.form.result.value

    assert "Hidden control: the same water in every flight links flights and days; costs" in shown
    assert "Hidden duplicate: a water mixed and brewed separately" in shown
    assert "costs each taster 1 cup" in shown


def test_the_control_of_the_last_session_links_the_days_and_shows_its_cost(book, form):
    """The middle of shares 0 0.25 0.5 0.75 1 at 80 and 40; a later dial does not hold it."""
    first = sealed(form)
    form.source.fields["kind"].value = "hardness dial"
    form.source.fields["hardness_mg_l_caco3"].value = "40 100 160"

    offered = form.form.fields["control"].options
    shown = form.form.result.value
    type_passphrase(form)
    second = sealed(form)

    (before,) = (w.target for w in book.sessions.session(first).waters if w.is_control)
    (after,) = (w.target for w in book.sessions.session(second).waters if w.is_control)
    assert after == before
    assert (before.mg_share, before.hardness_mg_l_caco3) == (0.5, 80)
    assert [label for label, _ in offered][1:] == ["the middle water", "none"]
    assert offered[0][0] == f"as before, {before.text}"
    assert "links flights and days; costs each taster 1 cup" in shown


def test_imbalance_is_folded_and_names_no_water(form):
    folded = form.form.result.value.split("How even it would be")[1]

    assert "<details>" in form.form.result.value
    assert "Times at each position" in folded
    assert "W1" not in folded


def test_a_jug_too_small_for_its_bowls_is_said(form):
    choose(form, serving="a cup each", jug_volume_ml=300.0)

    assert "A jug of 300 mL is too small" in form.form.result.value


def test_typing_the_passphrase_does_not_compute_the_plan_again(form, monkeypatch):
    calls = []
    plan_form = "labkit.widgets.steps.plan.plan_form"
    monkeypatch.setattr(f"{plan_form}.view_plan", lambda *a, **k: calls.append(1) or "")
    choose(form, passphrase="something else")

    assert calls == []


def test_the_noise_comes_from_the_lab_book_once_the_panel_has_scored(book, form):
    """Repeat SD of a panel that repeats within 1.0 points, by construction."""
    rng = np.random.default_rng(3)
    session = sealed(form)
    key = form.plan.sealed[1].open(PASSPHRASE)
    for taster in book.sessions.session(session).tasters:
        for row in sorted(key.rows, key=lambda row: (row.target.mg_share, row.is_duplicate)):
            value = float(np.clip(round(5 + 2 * row.target.mg_share + rng.normal()), 1, 9))
            book.scores.record_score(
                session, 1, taster, "overall", value, blind_code=row.blind_code
            )
    book.sessions.lock_flights(session, [1])
    book.sessions.open_flights(session, [1], PASSPHRASE)

    noise = panel_noise(book, ("Client A", "Coffee A"), SCALES["liking 1-9"], "cupping")

    assert noise.source.kind is NoiseFrom.BOOK
    assert (noise.source["n"], noise.source["coffee"]) == (24, "Coffee A")
    assert 0.5 < noise.repeat_sd < 1.6
    other = panel_noise(book, ("Client A", "Coffee A"), SCALES["quality 6-10"], "cupping")
    assert other.source.kind is NoiseFrom.PRACTISED


# ---------------------------------------------------------------------------- proposals


def test_who_and_how_long_propose_a_plan_that_is_then_drawn(book, form):
    """Four people, 45 minutes, five waters: one flight of six, control and duplicate hidden."""
    best = form.choices.recommended
    assert form.form.fields["plan"].value == "recommended"
    assert (best.cups, best.jugs, best.minutes) == (24, 6, 24)
    assert "24 cups to taste" in form.form.result.value

    sealed(form)

    assert len(form.plan.cups) == best.cups
    assert form.plan.design.jugs == best.jugs


def test_an_alternative_is_one_press_and_is_drawn_as_stated(form):
    more = form.choices.alternatives[-1]
    choose(form, plan=str(len(form.choices.alternatives) - 1))
    assert f"{more.cups} cups to taste" in form.form.result.value
    assert f"about {more.minutes:.0f} minutes" in form.form.result.value

    sealed(form)

    assert (len(form.plan.cups), form.plan.design.jugs) == (more.cups, more.jugs)


def test_more_time_or_fewer_cups_at_once_propose_anew_and_a_detail_of_ones_own_stays(form):
    before = form.choices.recommended
    choose(form, minutes=60)
    assert form.choices.recommended.cups > before.cups
    choose(form, cups_per_flight=4)
    assert form.choices.recommended.cups_side_by_side <= 4

    choose(form, flights=3)
    assert form.form.fields["plan"].value == "own"
    choose(form, minutes=90)
    assert form.form.fields["plan"].value == "own"
    assert form.form.fields["flights"].value == 3
    choose(form, plan="recommended")
    assert form.form.fields["flights"].value == form.choices.recommended.flights


def test_time_and_cups_at_once_are_those_of_last_time(book, form):
    choose(form, minutes=60, cups_per_flight=5)
    sealed(form)

    again = PlanForm(book, form.source, bench_sheet)

    assert again.form.values()["minutes"] == 60
    assert again.form.values()["cups_per_flight"] == 5


def test_a_time_that_makes_no_sense_is_said_beside_its_field(form):
    choose(form, minutes=0)

    assert "must be above 0" in form.form.notes["minutes"].value


def test_new_people_are_one_field_and_are_known_after_the_plan(book, form):
    choose(form, tasters=(), new_tasters="Eve, Flo , Gil")
    assert "3 tasters" in form.form.result.value

    sealed(form)

    assert form.plan.tasters == ("Eve", "Flo", "Gil")
    assert form.form.fields["new_tasters"].value == ""
    assert form.form.fields["tasters"].value == ("Eve", "Flo", "Gil")


def test_last_times_people_cups_stages_and_brew_are_there_next_time(book, form):
    choose(form, tasters=("Ada", "Cy"), cups_per_flight=5, stages=("hot", "warm", "cool"))
    sealed(form)
    book.people.add_coffee("Coffee B", client="Client A", roast_date=date(2026, 11, 1))

    again = PlanForm(book, form.source, bench_sheet)
    assert again.form.fields["tasters"].value == ("Ada", "Cy")
    assert again.form.fields["cups_per_flight"].value == 5
    assert again.form.fields["stages"].value == ("hot", "warm", "cool")
    assert again.conditions.held.dose_g == 11.0

    other = SweepForm(
        coffee_choices(book), check=lambda sweep: sweep, best_of=lambda _client, _coffee: {}
    )
    other.fields["coffee"].value = ("Client A", "Coffee B")
    new = PlanForm(book, other, bench_sheet)
    assert new.form.fields["tasters"].value == ("Ada", "Cy")  # as the lab last tasted
    assert new.conditions.held.dose_g == 11.0
    assert new.conditions.held.roast_date == date(2026, 11, 1)  # the coffee's own


def test_a_drawn_passphrase_seals_with_one_press(book, form, monkeypatch):
    sent = []
    monkeypatch.setattr(type(form.offer), "send", lambda _self, content: sent.append(content))
    for name in ("passphrase", "again"):
        form.form.fields[name].value = ""
    form.offer.answer({"kind": "suggest"})
    drawn = sent[-1]["passphrase"]
    session = sealed(form)

    assert book.sessions.plan(session).sealed[1].open(drawn).flight == 1
    assert drawn not in repr([w.get_state() for w in all_widgets(form)])


def test_nobody_is_said_where_the_plan_would_stand_and_refuses_nothing(form):
    choose(form, tasters=())

    assert "Tick who tastes" in form.form.result.value
    assert form.form.notes["tasters"].value == ""


# ------------------------------------------------------------------------- what is held


def test_what_was_held_is_remembered_and_recorded(book, form):
    session = sealed(form)
    assert book.sessions.session(session).held.dose_g == 11.0
    assert book.sessions.session(session).held.roast_date == date(2026, 10, 1)  # the coffee's own

    again = ConditionsForm(book, lambda: "shared bowls")
    again.begin_from(usual_of(book, "Coffee A"))

    assert again.held == book.sessions.session(session).held
    assert "Changed since the last session" not in again.result.value


def test_a_change_within_a_coffees_series_raises_a_visible_note(book, form):
    sealed(form)
    form.conditions.begin_from(usual_of(book, "Coffee A"))

    form.conditions.fields["dose_g"].value = "12"
    form.conditions.fields["brew_method"].value = "espresso"

    note = form.conditions.result.value
    assert "Changed since the last session" in note
    assert "Dose (g) changed from 11" in note
    assert "never read together" in note


def test_a_dose_that_is_no_number_is_said_beside_its_field_and_plans_nothing(book, form):
    form.conditions.fields["dose_g"].value = "a lot"
    assert "Dose (g) must be a number" in form.conditions.notes["dose_g"].value

    form.button.click()

    assert book.sessions.all() == ()


@pytest.mark.parametrize(
    "kind", ["ratio sweep", "hardness dial", "alkalinity dial", "ratio x hardness grid"]
)
def test_the_usual_name_of_a_session_tells_tasters_nothing_of_its_waters(book, form, kind):
    """It stands on their sheets and their page: what is varied must not be read off it."""
    form.source.fields["kind"].value = kind
    choose(form, cups_per_flight=5)
    names = [sealed(form)]
    type_passphrase(form)
    choose(form, even_if_short=True)  # two grids may take more than a litre of a bottle
    names.append(sealed(form))

    today = f"Coffee A, {date.today():%Y-%m-%d}"
    assert names == [today, f"{today}, session 2"]


def test_the_lead_chooses_what_is_just_about_right_and_which_words_to_check(book, form):
    choose(form, intensities="acidity", just_right="body, bitterness", words="nutty, floral, nutty")
    session = book.sessions.session(sealed(form))

    assert [(one.name, one.scale_name, one.choices) for one in session.attributes] == [
        ("overall", "liking 1-9", ()),
        ("acidity", "intensity 0-15", ()),
        ("body", "just about right", ()),
        ("bitterness", "just about right", ()),
        ("words that fit", "descriptors", ("nutty", "floral")),
    ]
    again = PlanForm(book, form.source, bench_sheet)
    kept = again.form.values()
    assert (kept["just_right"], kept["words"]) == ("body, bitterness", "nutty, floral")


def test_whether_the_acidity_is_right_is_asked_beside_how_strong_it_is(book, form):
    """The defaults ask how strong it is; the trade's own question is whether that is right."""
    choose(form, just_right="acidity, bitterness")
    session = book.sessions.session(sealed(form))

    asked = [(one.name, one.scale_name) for one in session.attributes]
    assert ("acidity", "intensity 0-15") in asked
    assert ("acidity: just right?", "just about right") in asked
    assert ("bitterness", "just about right") in asked
    again = PlanForm(book, form.source, bench_sheet)
    kept = again.form.values()
    assert kept["just_right"] == "acidity, bitterness"
    assert kept["intensities"].startswith("acidity, ")

    rng = np.random.default_rng(5)
    for taster in session.tasters:
        for cup in book.sessions.served_cups(session.name, 1, taster):
            for name, value in (("overall", 6), ("acidity", 8), ("acidity: just right?", 4)):
                book.scores.record_score(
                    session.name, 1, taster, name, value - rng.integers(2), position=cup.position
                )
    book.sessions.lock_flights(session.name, [1])
    book.sessions.open_flights(session.name, [1], PASSPHRASE)

    found = acidity_of(book, "Coffee A")
    assert found.attribute == "acidity: just right?"
    assert 0 < found.share_sharp < 1
    assert found.share_flat == 0  # the strengths, 7 and 8, are not among the answers
    assert asked_for_acidity(book, [("Client A", "Coffee A")]) == (("Client A", "Coffee A"),)
    right = book.scores.opened_scores(scales=["just about right"])
    assert set(right["attribute"]) == {"acidity: just right?"}
    scores = book.scores.opened_scores(coffee="Coffee A")
    assert len(scores) == 3 * len(right)
    assert fit_surface(gather_scores(scores, "acidity")).fit is not None


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"just_right": "overall"}, "must not ask the same thing twice, got &#x27;overall&#x27;"),
        ({"just_right": "body, Body"}, "must not ask the same thing twice, got &#x27;Body&#x27;"),
        ({"intensities": "overall"}, "must not ask the same thing twice, got &#x27;overall&#x27;"),
        ({"words": "floral"}, "must be two or more to choose from"),
    ],
)
def test_what_is_asked_twice_or_leaves_no_choice_is_refused(book, form, typed, sentence):
    before = len(book.sessions.all())
    choose(form, **typed)
    form.button.click()

    assert sentence in form.form.notes[next(iter(typed))].value
    assert len(book.sessions.all()) == before


def test_flights_to_score_do_not_go_into_a_test_of_two_waters(book, form):
    """Its sheet has no scale for them; the form does not offer it and the lab book refuses."""
    name = sealed(form)
    client, coffee = form.source.coffee
    pair = form.source.waters[:2]
    about = {"client": client, "coffee": coffee, "tasters": ["Ada", "Bo", "Cy"]}
    begin_test(book, "duel", method="triangle", pair=pair, **about)
    asked = {"passphrase": PASSPHRASE, "after": None}
    form.source.refresh()

    offered = [value for _, value in form.form.fields["add_to"].options]
    assert name in offered
    assert "duel" not in offered
    scored = plan_tasting(form.source.waters, ["Ada", "Bo"], session="duel", **asked)
    with pytest.raises(BookError, match=r"asks the question of a test .* are for scores"):
        book.sessions.store_plan(scored)
    test = plan_sets("triangle", pair, ["Ada", "Bo"], session=name, **asked)
    with pytest.raises(BookError, match="asks for scores, but its cups are for a test of two"):
        book.sessions.store_plan(test)


def test_a_disk_that_fails_half_way_leaves_no_session_and_the_second_try_keeps_the_name(book, form):
    type_passphrase(form)
    with failing_to_store(book, "sealed_keys"):
        form.button.click()
    assert "could not be written to (disk I/O error)" in form.form.message.value
    assert book.sessions.all() == ()

    type_passphrase(form)  # whatever comes of a press, no secret stays in its field
    assert not re.search(r"session \d", sealed(form))  # the usual name, not that of a second one
    assert len(book.sessions.all()) == 1
