"""The forms around a blind plan: power, what is held, alone, late, paper, and the ways to a key."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from labkit.bench import (
    LABEL_PAPERS,
    bench_sheet,
    cup_labels,
    score_sheets,
    sweep_doses,
    tray_map,
)
from labkit.book import Attribute, Held, LabBook
from labkit.errors import BookError
from labkit.tasting import (
    METHODS,
    SCALES,
    pair_waters,
    plan_discrimination,
    plan_power,
    plan_tasting,
    practised_noise,
)
from labkit.widgets import (
    BaseWaterForm,
    OpenForm,
    PaperForm,
    PlanForm,
    ReplanForm,
    SweepForm,
    coffee_choices,
)
from labkit.widgets.conditions_form import ConditionsForm
from labkit.widgets.power_view import panel_noise

PASSPHRASE = "only the preparer"
HELD = Held(
    roast_date=date(2026, 10, 1),
    dose_g=11.0,
    brew_ratio_g_l=57.0,
    grind="setting 24",
    water_temperature_c=94.0,
    contact_time_s=240.0,
    vessel="bowl",
    lead="Ada",
    preparer="Odile",
)


@pytest.fixture(autouse=True)
def fast_keys(monkeypatch):
    """Derive keys fast: tests of the seal hold the real cost."""
    monkeypatch.setattr("labkit.tasting.seal._SCRYPT_LOG2_N", 8)


@pytest.fixture
def book(tmp_path):
    """A lab book with a coffee, tasters and three bottles."""
    with LabBook(tmp_path / "book.db") as book:
        book.add_client("Client A")
        book.add_coffee("Coffee A", client="Client A", roast_date=date(2026, 10, 1))
        for taster in ("Ada", "Bo", "Cy", "Di"):
            book.add_taster(taster)
        for name, salt, grams in (
            ("calcium", "CaCl2·2H2O", 1.47),
            ("magnesium", "MgCl2·6H2O", 2.03),
            ("bicarbonate", "KHCO3", 2.0),
        ):
            book.add_bottle(name, salt=salt, weighed_g=grams, volume_ml=1000)
        yield book


@pytest.fixture
def form(book):
    """A filled-in plan form; what it hands over is caught."""
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.concentrates()),
        best_of=lambda _client, _coffee: {},
    )
    made = PlanForm(book, sweep, bench_sheet)
    made.handed = catch(made)
    made.form.fields["cups_per_flight"].value = 6  # five waters and a duplicate in one flight
    for name, value in (("dose_g", "11"), ("vessel", "bowl"), ("preparer", "Odile")):
        made.conditions.fields[name].value = value
    type_passphrase(made)
    return made


def catch(form):
    """Keep what a form hands to the browser."""
    handed = []
    form._handover.hand = lambda content, **about: handed.append((content, about))
    return handed


def type_passphrase(form):
    for name in ("passphrase", "again"):
        form.form.fields[name].value = PASSPHRASE


def choose(form, **values):
    for name, value in values.items():
        form.form.fields[name].value = value


def sealed(form):
    """Press, and give the session's name."""
    form._button.click()
    assert form.form.message.value.count("Sealed"), form.form.message.value
    return form.plan.session


def all_widgets(root):
    """A widget and all it shows."""
    yield root
    for child in getattr(root, "children", ()):
        yield from all_widgets(child)


def state_of(*roots):
    return repr([w.get_state() for root in roots for w in all_widgets(root)])


def score_all(book, session, flight=1):
    for taster in book.session(session).tasters:
        for cup in book.served_cups(session, flight, taster):
            book.record_score(session, flight, taster, "overall", 6, position=cup.position)


# ------------------------------------------------------------------------------ base water

TAP = {"Ca": (32.0, "mg/L"), "alkalinity": (40.03, "mg/L CaCO3"), "Cl": (28.36, "mg/L")}
"""0.8 mmol/L each of calcium, bicarbonate and chloride: hardness 80 mg/L as CaCO3."""


@pytest.fixture
def base(book):
    """A tap in the lab book, chosen to start from."""
    book.add_base_water("tap, autumn", TAP)
    made = BaseWaterForm(book)
    made.form.fields["name"].value = "tap, autumn"
    return made


def test_a_sweep_below_its_base_is_refused_until_the_base_is_thinned(book, base):
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.concentrates(), base=base.water),
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
    assert "base water, mL" in sweep.result.value
    assert "25 % tap, autumn + 75 % pure water" in base.form.result.value


def test_the_base_water_is_recorded_and_goes_into_every_sheet(book, form, base):
    base.form.fields["share_percent"].value = 12.5
    made = PlanForm(book, form._source, bench_sheet, base=base)
    handed = catch(made)
    made._source.fields["mg_share"].value = "0 0.25 0.5 0.75"
    assert made.form.fields["cups_per_flight"].value == 5  # what is comfortable, unless changed
    choose(made, serving="a cup each")
    type_passphrase(made)
    session = sealed(made)
    start = book.start_water(book.session(session).held)
    paper = PaperForm(
        book,
        score_sheets=score_sheets,
        cup_labels=cup_labels,
        tray_map=tray_map,
        bench_sheet=bench_sheet,
        papers=LABEL_PAPERS,
    )
    again = catch(paper)
    paper.bench_form.fields["bench_passphrase"].value = PASSPHRASE
    paper.bench_form.fields["preparer"].value = "Odile"
    paper._bench_button.click()
    late = ReplanForm(book, bench_sheet)
    anew = catch(late)
    choose(late, late="Eve", secret=PASSPHRASE)
    late._button.click()

    assert start.text == "12.5 % tap, autumn + 87.5 % pure water"
    for sheet in (handed[0][0], again[0][0], anew[0][0]):
        assert start.text in sheet
        assert "hardness 10 and alkalinity 5 mg/L" in sheet
    fresh = BaseWaterForm(book)
    PlanForm(book, form._source, bench_sheet, base=fresh)
    assert fresh.start.text == start.text  # the coffee's next session starts from the same


def test_flights_of_one_session_start_from_one_water(book, form, base):
    session = sealed(form)  # from pure water
    later = PlanForm(book, form._source, bench_sheet, base=base)
    base.choose(book.start_water(Held(base_water="tap, autumn", base_share_percent=20.0)))
    choose(later, add_to=session)
    type_passphrase(later)
    later._button.click()

    said = later.form._notes["add_to"].value
    assert "must be a session that starts from 20 % tap, autumn" in said
    assert "mixed from pure water" in said
    assert len(book.flights(session)) == 1


def test_another_base_water_than_last_time_raises_a_visible_note(book, form, base):
    sealed(form)
    base.choose(book.start_water(Held(base_water="tap, autumn", base_share_percent=20.0)))
    later = PlanForm(book, form._source, bench_sheet)
    later._base = base
    later.conditions.refresh()

    assert "Base water changed from pure water" in later.conditions.result.value


# ----------------------------------------------------------------------------------- power


def test_the_button_comes_after_all_that_it_needs(form):
    """Tasters, what the plan would see, conditions, both passphrases, then the button."""
    shown = list(all_widgets(form.form))
    order = [
        form.form.fields["tasters"],
        form.form.fields["duplicates"],
        form.form.result,
        form.form.fields["cups_per_flight"],
        form.conditions,
        form.form.fields["passphrase"],
        form.form.fields["again"],
        form._button,
        form.form.message,
    ]
    places = [shown.index(widget) for widget in order]
    assert places == sorted(places)


def test_the_form_shows_cost_and_smallest_difference_of_the_plan(form):
    """The figures of plan_power itself, which tests/tasting hold against the paired t test."""
    scale = SCALES["liking 1-9"]
    expected = plan_power(4, 4, noise=practised_noise(scale), cups_per_flight=6)

    shown = form.form.result.value

    assert "24 cups to taste" in shown
    assert f"{expected.water_each_ml:.0f} mL of each water" in shown
    assert f"about {expected.minutes:.0f} minutes" in shown
    assert f"a difference of {expected.difference:.1f} points" in shown
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
    assert "Hidden duplicate: a water mixed and brewed anew" in shown
    assert "costs each taster 1 cup" in shown


def test_the_control_of_the_last_session_links_the_days_and_shows_its_cost(book, form):
    """The middle of shares 0 0.25 0.5 0.75 1 at 80 and 40; a later dial does not hold it."""
    first = sealed(form)
    form._source.fields["kind"].value = "hardness dial"
    form._source.fields["hardness_mg_l_caco3"].value = "40 100 160"

    offered = form.form.fields["control"].options
    shown = form.form.result.value
    type_passphrase(form)
    second = sealed(form)

    (before,) = (w.target for w in book.session(first).waters if w.is_control)
    (after,) = (w.target for w in book.session(second).waters if w.is_control)
    assert after == before
    assert (before.mg_share, before.hardness_mg_l_caco3) == (0.5, 80)
    assert [label for label, _ in offered][1:] == ["the middle water", "none"]
    assert offered[0][0] == f"as so far, {before.text}"
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
    monkeypatch.setattr("labkit.widgets.plan_form.view_plan", lambda *a, **k: calls.append(1) or "")
    choose(form, passphrase="something else")

    assert calls == []


def test_the_noise_comes_from_the_lab_book_once_the_panel_has_scored(book, form):
    """Repeat SD of a panel that repeats within 1.0 points, by construction."""
    rng = np.random.default_rng(3)
    session = sealed(form)
    key = form.plan.sealed[1].open(PASSPHRASE)
    for taster in book.session(session).tasters:
        for row in sorted(key.rows, key=lambda row: (row.target.mg_share, row.is_duplicate)):
            value = float(np.clip(round(5 + 2 * row.target.mg_share + rng.normal()), 1, 9))
            book.record_score(session, 1, taster, "overall", value, blind_code=row.blind_code)
    book.lock_flight(session, 1)
    book.open_flight(session, 1, PASSPHRASE)

    noise = panel_noise(book, ("Client A", "Coffee A"), SCALES["liking 1-9"], "cupping")

    assert "this lab book, 24 overall scores of Coffee A" in noise.source
    assert 0.5 < noise.repeat_sd < 1.6
    other = panel_noise(book, ("Client A", "Coffee A"), SCALES["quality 6-10"], "cupping")
    assert "default" in other.source


# ------------------------------------------------------------------------- what is held


def test_what_was_held_is_remembered_and_recorded(book, form):
    session = sealed(form)
    assert book.session(session).held.dose_g == 11.0
    assert book.session(session).held.roast_date == date(2026, 10, 1)  # the coffee's own

    again = ConditionsForm(book, lambda: "shared bowls")
    again.begin_from(("Client A", "Coffee A"))

    assert again.held == book.session(session).held
    assert "Changed since the last session" not in again.result.value


def test_a_change_within_a_coffees_series_raises_a_visible_note(book, form):
    sealed(form)
    form.conditions.begin_from(("Client A", "Coffee A"))

    form.conditions.fields["dose_g"].value = "12"
    form.conditions.fields["brew_method"].value = "espresso"

    note = form.conditions.result.value
    assert "Changed since the last session" in note
    assert "Dose (g) changed from 11" in note
    assert "never read together" in note


def test_a_dose_that_is_no_number_is_said_beside_its_field_and_plans_nothing(book, form):
    form.conditions.fields["dose_g"].value = "a lot"
    assert "Dose (g) must be a number" in form.conditions._notes["dose_g"].value

    form._button.click()

    assert book.sessions() == ()


# ------------------------------------------------------------------------------- alone


def alone_session(book, form):
    choose(form, tasters=("Ada",), alone=True)
    type_passphrase(form)
    session = sealed(form)
    score_all(book, session)
    book.lock_flight(session, 1)
    return session


def test_tasting_alone_is_offered_to_one_person_only(form):
    assert form.form.fields["alone"].layout.display == "none"
    choose(form, tasters=("Ada",), alone=True)
    assert form.form.fields["alone"].layout.display == ""
    assert "stick the codes under" in form.form.result.value
    choose(form, tasters=("Ada", "Bo"))
    assert form.form.fields["alone"].value is False


def test_who_tastes_alone_types_in_the_codes_found_then_opens_the_key(book, form):
    session = alone_session(book, form)
    opening = OpenForm(book)
    labels = book.plan(session).codes(1)
    found = opening.found.form
    assert opening._buttons.layout.display == "none"  # codes come first

    for place, code in enumerate(labels, start=1):
        found.fields[f"place_{place}"].value = code
    assert "All codes are found" in found.result.value
    opening.found._button.click()
    assert opening._buttons.layout.display == ""
    opening.form.fields["passphrase"].value = PASSPHRASE
    opening._button.click()

    assert book.flight(session, 1).state == "opened"
    assert len(book.opened_scores(coffee="Coffee A")) == len(labels)


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        (lambda codes: ["000", *codes[1:]], "Code under cup 1 must be one of"),
        (lambda codes: [codes[1], *codes[1:]], "under two cups"),
        (lambda codes: ["", *codes[1:]], "Still to find"),
    ],
    ids=["impossible", "double", "missing"],
)
def test_a_wrong_code_under_a_cup_is_said_and_nothing_is_kept(book, form, typed, sentence):
    session = alone_session(book, form)
    opening = OpenForm(book)
    codes = typed(list(book.plan(session).codes(1)))
    found = opening.found.form
    for place, code in enumerate(codes, start=1):
        found.fields[f"place_{place}"].value = code

    said = (
        found.result.value + found.message.value + "".join(n.value for n in found._notes.values())
    )
    opening.found._button.click()

    assert sentence in said
    assert all(cup.blind_code is None for cup in book.served_cups(session, 1, "Ada"))
    assert opening.found.form is found  # what was typed is still there


# ------------------------------------------------------------------------ late and absent


def test_a_late_and_an_absent_taster_change_only_what_is_not_served(book, form):
    choose(form, flights=2)
    session = sealed(form)
    before = book.plan(session)
    book.record_score(session, 1, "Ada", "overall", 6, position=1)
    late = ReplanForm(book, bench_sheet)
    choose(late, late="Eve", absent=("Bo",))

    late._button.click()

    after = book.plan(session)
    assert "Planned anew" in late.form.message.value, late.form.message.value
    old = before.servings[before.servings["flight"] == 1]
    new = after.servings[after.servings["flight"] == 1]
    assert old.values.tolist() == new.values.tolist()
    in_second = set(after.servings.query("flight == 2")["taster"])
    assert in_second == {"Ada", "Cy", "Di", "Eve"}
    assert after.codes(2) == before.codes(2)  # shared bowls: labels and bench sheet stay good


def test_with_a_cup_each_the_bench_sheet_is_handed_over_anew(book, form):
    choose(form, serving="a cup each")
    session = sealed(form)
    late = ReplanForm(book, bench_sheet)
    handed = catch(late)
    choose(late, late="Eve", secret="not the passphrase")
    late._button.click()
    assert handed == []
    assert "must be the one that sealed" in late.form.message.value

    choose(late, late="Eve", secret=PASSPHRASE)
    late._button.click()

    ((sheet, _),) = handed
    assert all(code in sheet for code in book.plan(session).codes(1))
    assert late.form.fields["secret"].value == ""


def test_nothing_to_change_plans_nothing(book, form):
    session = sealed(form)
    late = ReplanForm(book, bench_sheet)
    late._button.click()

    assert "else nothing changes" in late.form._notes["late"].value
    assert [e.kind for e in book.events(session)].count("flight planned anew") == 0


# ------------------------------------------------------------------------------- paper


@pytest.fixture
def paper(book, form):
    session = sealed(form)
    made = PaperForm(
        book,
        score_sheets=score_sheets,
        cup_labels=cup_labels,
        tray_map=tray_map,
        bench_sheet=bench_sheet,
        papers=LABEL_PAPERS,
    )
    made.session = session
    made.handed = catch(made)
    return made


def press(form, label):
    button = next(w for w in all_widgets(form) if getattr(w, "description", "") == label)
    button.click()


@pytest.mark.parametrize("label", ["Score sheets", "Cup labels", "Tray map"])
def test_tasters_paper_carries_every_code_and_no_water(book, paper, label):
    press(paper, label)

    ((sheet, about),) = paper.handed
    assert all(code in sheet for code in book.plan(paper.session).codes(1))
    assert about["name"].endswith(".html")
    for word in ("hardness", "Alkalinity", "magnesium", "W1", "J1.1"):
        assert word not in sheet.replace(about["name"], "").replace(paper.session, "")


def test_the_bench_sheet_given_out_again_is_on_record(book, paper):
    form = paper.bench_form
    form.fields["bench_passphrase"].value = PASSPHRASE
    paper._bench_button.click()

    ((sheet, about),) = paper.handed
    given = [e for e in book.events(paper.session) if e.kind == "opened for the bench sheet"]
    assert "J1.1" in sheet
    assert "Preparer only" in about["note"]
    assert [e.done_by for e in given] == ["Odile", "Odile"]  # when sealing, and now
    assert form.fields["bench_passphrase"].value == ""
    assert not book.flight(paper.session, 1).is_unblinded


def test_a_wrong_passphrase_hands_over_no_bench_sheet(paper):
    paper.bench_form.fields["bench_passphrase"].value = "not the passphrase"
    paper._bench_button.click()

    assert paper.handed == []
    assert "must be the one that sealed" in (
        paper.bench_form.message.value
        + "".join(note.value for note in paper.bench_form._notes.values())
    )


# ------------------------------------------------------------------- other ways to a key


def locked(book, form):
    session = sealed(form)
    score_all(book, session)
    book.lock_flight(session, 1)
    return session


def fill_sheet(sheet, key):
    rows = sorted(key.rows, key=lambda row: row.jug)
    for n, row in enumerate(rows, start=1):
        sheet.fields[f"codes_{n}"].value = row.blind_code
        sheet.fields[f"water_{n}"].value = (row.water, row.is_duplicate)


def test_a_lost_passphrase_is_made_good_by_the_printed_bench_sheet(book, form):
    session = locked(book, form)
    key = form.plan.sealed[1].open(PASSPHRASE)
    opened = []
    opening = OpenForm(book, on_open=lambda: opened.append(True))
    opening._folds.selected_index = 0
    fill_sheet(opening.lost.sheet, key)

    opening.lost._button.click()
    assert "needs a reason" in opening.lost.form.message.value
    assert book.flight(session, 1).state == "locked"
    opening.lost.form.fields["reason"].value = "forgotten"
    opening.lost._button.click()

    assert book.flight(session, 1).state == "opened"
    assert opened == [True]
    assert opening.lost.sheet is None  # what was typed is gone from the page
    scores = book.opened_scores(coffee="Coffee A")
    truth = {row.blind_code: row.target.mg_share for row in key.rows}
    assert all(truth[r.blind_code] == r.mg_share for r in scores.itertuples())
    (event,) = [e for e in book.events(session) if e.kind == "opened from sheet"]
    assert event.reason == "forgotten"


def test_a_sheet_with_a_code_twice_or_a_jug_without_water_opens_nothing(book, form):
    session = locked(book, form)
    opening = OpenForm(book)
    opening._folds.selected_index = 0
    sheet = opening.lost.sheet
    fill_sheet(sheet, form.plan.sealed[1].open(PASSPHRASE))
    opening.lost.form.fields["reason"].value = "forgotten"
    kept = sheet.fields["codes_1"].value

    sheet.fields["codes_1"].value = sheet.fields["codes_2"].value
    opening.lost._button.click()
    assert "twice" in sheet._notes["codes_2"].value
    sheet.fields["codes_1"].value = kept
    sheet.fields["water_1"].value = None
    opening.lost._button.click()
    assert "must be chosen" in sheet._notes["water_1"].value

    assert book.flight(session, 1).state == "locked"


def test_opening_before_the_lock_needs_a_reason_and_leaves_a_mark_everywhere(book, form):
    session = sealed(form)
    opening = OpenForm(book)
    early = opening.early
    early.fields["secret"].value = PASSPHRASE
    early._button.click()
    assert "needs a reason" in early.message.value
    assert not book.flight(session, 1).is_unblinded

    early.fields["secret"].value = PASSPHRASE
    early.fields["reason"].value = "a bowl was dropped"
    early._button.click()

    assert book.flight(session, 1).is_unblinded
    assert any("not blind" in label for label, _ in early.fields["early"].options)
    opening._folds.selected_index = 2
    assert "not blind" in opening._history.value
    assert "a bowl was dropped" in opening._history.value
    score_all(book, session)
    book.lock_flight(session, 1)
    assert book.opened_scores(coffee="Coffee A").empty


def test_a_flight_tasted_alone_cannot_be_opened_before_its_codes_are_found(book, form):
    choose(form, tasters=("Ada",), alone=True)
    type_passphrase(form)
    sealed(form)

    assert OpenForm(book).early.fields["early"].options == ()


# ------------------------------------------------------------------------------ secrecy


def test_no_form_keeps_a_pairing_of_code_and_water_in_its_state(book, paper, form):
    """Every widget's state after sealing, handing over and giving the bench sheet again."""
    for label in ("Score sheets", "Cup labels", "Tray map"):
        press(paper, label)
    paper.bench_form.fields["bench_passphrase"].value = PASSPHRASE
    paper._bench_button.click()
    roots = (form, paper, ReplanForm(book, bench_sheet), OpenForm(book))

    state = state_of(*roots)

    assert PASSPHRASE not in state
    for row in book.plan(paper.session).sealed[1].open(PASSPHRASE).rows:
        assert row.jug not in state
        assert row.bowl not in state


@pytest.mark.parametrize(
    "kind", ["ratio sweep", "hardness dial", "alkalinity dial", "ratio x hardness grid"]
)
def test_the_usual_name_of_a_session_tells_tasters_nothing_of_its_waters(book, form, kind):
    """It stands on their sheets and their page: what is varied must not be read off it."""
    form._source.fields["kind"].value = kind
    choose(form, cups_per_flight=5)
    names = [sealed(form)]
    type_passphrase(form)
    names.append(sealed(form))

    today = f"Coffee A, {date.today():%Y-%m-%d}"
    assert names == [today, f"{today}, session 2"]


def test_two_books_with_waters_swapped_under_their_codes_look_the_same(book, form, monkeypatch):
    """What a form shows of a plan does not depend on which code is which water."""
    session = sealed(form)
    shown = form._sealed.value
    swapped = replace(form.plan, keys=tuple(reversed(form.plan.keys)))

    assert swapped._repr_html_() in shown
    assert session in shown


def test_the_lead_chooses_what_is_just_about_right_and_which_words_to_check(book, form):
    choose(form, intensities="acidity", just_right="body, bitterness", words="nutty, floral, nutty")
    session = book.session(sealed(form))

    assert [(one.name, one.scale_name, one.choices) for one in session.attributes] == [
        ("overall", "liking 1-9", ()),
        ("acidity", "intensity 0-15", ()),
        ("body", "just about right", ()),
        ("bitterness", "just about right", ()),
        ("words that fit", "descriptors", ("nutty", "floral")),
    ]
    again = PlanForm(book, form._source, bench_sheet)
    kept = again.form.values()
    assert (kept["just_right"], kept["words"]) == ("body, bitterness", "nutty, floral")


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ({"just_right": "acidity"}, "must name what is not asked yet, got &#x27;acidity&#x27;"),
        ({"intensities": "overall"}, "must name what is not asked yet, got &#x27;overall&#x27;"),
        ({"words": "floral"}, "must be two or more to choose from"),
    ],
)
def test_what_is_asked_twice_or_leaves_no_choice_is_refused(book, form, typed, sentence):
    before = len(book.sessions())
    choose(form, **typed)
    form._button.click()

    assert sentence in form.form._notes[next(iter(typed))].value
    assert len(book.sessions()) == before


def test_flights_to_score_do_not_go_into_a_test_of_two_waters(book, form):
    """Its sheet has no scale for them; the form does not offer it and the lab book refuses."""
    name = sealed(form)
    client, coffee = form._source.coffee
    pair, method = form._source.waters[:2], METHODS["triangle"]
    book.start_session(
        "duel",
        coffee=coffee,
        client=client,
        attributes=[Attribute(name=method.ask(), scale=method.scale)],
        tasters=["Ada", "Bo", "Cy"],
        serving="a cup each",
        brew_method="cupping",
    )
    asked = {"passphrase": PASSPHRASE, "after": None}
    test = plan_discrimination("triangle", pair, ["Ada", "Bo", "Cy"], session="duel", **asked)
    book.store_plan(test, waters=pair_waters("triangle", pair))
    form._follow()

    offered = [value for _, value in form.form.fields["add_to"].options]
    assert name in offered
    assert "duel" not in offered
    scored = plan_tasting(form._source.waters, ["Ada", "Bo"], session="duel", **asked)
    with pytest.raises(BookError, match=r"asks the question of a test .* are for scores"):
        book.store_plan(scored)
    test = plan_discrimination("triangle", pair, ["Ada", "Bo"], session=name, **asked)
    with pytest.raises(BookError, match="asks for scores, but its cups are for a test of two"):
        book.store_plan(test)
