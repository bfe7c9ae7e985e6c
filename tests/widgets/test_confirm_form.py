"""A test of two waters goes the whole way: form, sealed plan, score sheet, lock, key, reading."""

import base64
import io
import re
from functools import cache
from html import unescape

import pandas as pd
import pytest

from labkit.analysis import VerdictKind
from labkit.analysis.pair_tests.answers import PairReading
from labkit.bench import bench_sheet, coffee_report, score_sheets
from labkit.book import LabBook
from labkit.book.demo import ensure_demo_book
from labkit.present import say
from labkit.tasting import METHODS
from labkit.tasting.discrimination import right_place
from labkit.widgets import ConfirmForm, ReadingView
from labkit.widgets.sheet.score_sheet import CupSheet
from labkit.widgets.sheet.sheet_desk import BookDesk
from tests.book.faults import failing_to_store
from tests.project import copy_data

GRID = ("Quillmoor Roastery", "Osmeni, natural")
PASSPHRASE = "only the preparer"


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A copy of the demo's lab book."""
    url = ensure_demo_book(copy_data(tmp_path_factory.mktemp("book")))
    with LabBook(url) as book:
        yield book


@pytest.fixture(scope="module")
def view(book):
    def picture(found):
        return f"Answers, {found.method}" if isinstance(found, PairReading) else ""

    view = ReadingView(book, picture)
    view.form.fields["coffee"].value = GRID
    return view


def planned(book, view, method, **typed):
    """The sealed plan that the form makes; fails with the form's own sentence."""
    form = ConfirmForm(book, view, bench_sheet)
    form.form.fields["method"].value = method
    typed = {"passphrase": PASSPHRASE, "again": PASSPHRASE, "session": method} | typed
    form.form.fields["even_if_short"].value = True  # one shelf for all tests of the module
    for name, value in typed.items():
        form.form.fields[name].value = value
    form.button.click()
    assert form.plan is not None, (form.form.message.value, form.form.notes)
    return form.plan


def mark(book, plan, flight, taster, place):
    """Mark one cup of a set on the taster's own sheet ('no' on the rest); None marks none."""
    sheet = CupSheet(BookDesk(book, plan.session, taster))
    [attribute] = sheet.plan["attributes"]
    cups = [c for c in sheet.plan["look"]["cups"] if c["flight"] == flight]
    scores = [
        {
            "id": f"{plan.session[:3]}-{flight}-{taster}-{i}-0123456789".replace(" ", ""),
            "flight": flight,
            "position": cup["position"],
            "code": cup["code"],
            "attribute": attribute["name"],
            "value": int(i == place),
        }
        for i, cup in enumerate(cups)
    ]
    answer = sheet.answer({"number": 1, "scores": scores})
    assert len(answer["kept"]) == len(cups), answer
    return attribute


def opened(book, plan, view):
    """Lock and open every trial; the reading of the test."""
    for flight in plan.flights:
        book.sessions.lock_flights(plan.session, [flight])
        book.sessions.open_flights(plan.session, [flight], PASSPHRASE)
    view.refresh()
    html = view.form.result.value
    return html[html.index(f"Test of two waters, {plan.session}") :]


@cache
def key(sealed):
    """The rows of a sealed key by code; opening one takes long, as it should."""
    return {row.blind_code: row for row in sealed.open(PASSPHRASE).rows}


def asked_for(plan, flight, taster):
    """Place of the right cup, found with the key; for a preference, the first water's cup."""
    waters = key(plan.sealed[flight])
    drunk = [waters[c.blind_code] for c in plan.cups if (c.flight, c.taster) == (flight, taster)]
    kind = plan.design.kind
    if METHODS[kind].names_attribute or kind == "paired preference":
        stronger = next((r.water for r in drunk if not r.is_control), None)
        return right_place("2-AFC", [r.water for r in drunk], stronger)
    return right_place(kind, [r.water for r in drunk])


@pytest.mark.parametrize(
    ("method", "question"),
    [
        ("triangle", "Two cups are the same. Which one is the odd one?"),
        ("tetrad", "Two cups are of one kind and two of another. Which one is like the first cup?"),
        ("duo-trio", "The first cup is the reference. Which of the other two is the same?"),
        ("2-AFC", "Which cup has more acidity?"),
        ("3-AFC", "Which cup has most acidity?"),
    ],
)
def test_right_and_wrong_marks_come_out_as_counted(book, view, method, question):
    """Of six tasters five mark the cup asked for, one another cup."""
    plan = planned(book, view, method, attribute="acidity")
    for taster in plan.tasters:
        right = asked_for(plan, 1, taster)
        wrong = next(i for i in (1, 0) if i != right)
        attribute = mark(book, plan, 1, taster, wrong if taster == plan.tasters[0] else right)
        assert attribute["name"] == question
        assert attribute["scale"]["words"] == [[0, "no"], [1, "this one"]]

    html = opened(book, plan, view)

    n_tasters = len(plan.tasters)
    if method in ("tetrad", "duo-trio") and asked_for(plan, 1, plan.tasters[0]) == 1:
        # Cup 1 is the reference: to mark it is no answer.
        assert f"5 of {n_tasters - 1} right" in html
    else:
        assert f"5 of {n_tasters} right in a {method} test" in html
    assert f'"{question}"' in html
    assert f"Answers, {method}" in html


def test_a_preference_counts_each_taster_once_and_no_preference_not_at_all(book, view):
    plan = planned(book, view, "paired preference", sets=2)
    *partial, last = plan.tasters
    for flight in plan.flights:
        for taster in partial:
            waters = key(plan.sealed[flight])
            codes = [c.blind_code for c in plan.cups if (c.flight, c.taster) == (flight, taster)]
            labels = [waters[code].water for code in codes]
            mark(book, plan, flight, taster, labels.index(min(labels)))
        mark(book, plan, flight, last, None)

    html = opened(book, plan, view)

    assert f"{len(partial)} for" in html
    assert "1 had no preference (left out)" in html
    assert "6 tasters gave 12 answers: each counts once" in html


def test_scores_and_suggestions_do_not_see_the_marks(book, view):
    assert all("cup" not in name for name in view.form.fields["attribute"].options)
    assert view.reading.verdict.kind is VerdictKind.FOUND


def test_the_verdict_comes_first_then_panel_and_waters_then_how_far_to_trust_it(view):
    html = view.form.result.value

    places = [
        html.index(words)
        for words in (
            "<strong>Best within what was tasted",
            "The panel sees differences",
            "scores above",
            "These cups cannot tell",
            "How it was read",
            "lack of fit",
            "when only the order of scores counts",
        )
    ]
    assert places == sorted(places)


def test_a_panel_without_a_chance_is_told_so_before(book, view):
    form = ConfirmForm(book, view, bench_sheet)
    form.form.fields["method"].value = "triangle"

    assert "have little chance (5 %)" in form.form.result.value
    form.form.fields["method"].value = "paired preference"
    assert "6 of 6 for the same water show a preference" in form.form.result.value
    assert "Too few tasters to rely on" in form.form.result.value


def test_the_chance_that_the_test_settles_it_is_said_before_it_is_poured(book, view):
    form = ConfirmForm(book, view, bench_sheet)
    said = "would show that the recommended water is better than the control with a chance of"

    assert f"6 pairs {said}" in form.form.result.value
    form.form.fields["sets"].value = 4
    assert f"24 pairs {said}" in form.form.result.value
    first, second = (form.form.fields[name] for name in ("first", "second"))
    first.value, second.value = second.value, first.value
    assert said not in form.form.result.value


def test_the_same_water_twice_is_refused_with_a_sentence(book, view):
    form = ConfirmForm(book, view, bench_sheet)
    fields = form.form.fields
    fields["second"].value = fields["first"].value
    fields["passphrase"].value = fields["again"].value = PASSPHRASE

    form.button.click()

    assert "targets must differ" in form.form.message.value
    assert form.plan is None


def test_the_paper_sheet_asks_the_same(book, view):
    plan = planned(book, view, "2-AFC", attribute="body", session="on paper")

    sheet = score_sheets(plan, book.sessions.session("on paper").attributes)

    assert "Which cup has more body?" in sheet.html
    assert "this one" in sheet.html


def test_leaving_out_shows_its_effect_and_is_recorded_with_a_reason(book, view):
    fields = view.form.fields
    fields["without_tasters"].value = ("Ines",)
    try:
        assert "everyone (96 scores): best found" in view.form.result.value
        assert "without Ines (80 scores): best found" in view.form.result.value
        assert "Ines" not in set(view.scores["taster"])

        view.button.click()
        assert "must say why Ines is left out" in view.form.notes["reason"].value
        fields["reason"].value = "a cold that morning"
        view.button.click()
    finally:
        fields["without_tasters"].value = ()

    assert "Ines is left out (overall). a cold that morning" in view.form.result.value
    record = "Left out of the reading: Ines (overall). a cold that morning"
    assert any(
        record == event.reason
        for session in book.sessions.all()
        for event in book.sessions.events(session.name)
    )


def test_a_recorded_choice_is_taken_up_again_and_stands_in_the_report(book, view):
    client, coffee = GRID
    book.sessions.leave_out(
        coffee, client=client, tasters=["Ines"], seen="overall", reason="a cold"
    )
    again = ReadingView(book, lambda _found: "")
    again.form.fields["coffee"].value = GRID

    assert again.form.fields["without_tasters"].value == ("Ines",)
    assert "Ines" not in set(again.scores["taster"])
    assert "Left out by choice, as recorded on" in again.form.result.value
    assert again.button.layout.display == "none"  # nothing new to record
    report = coffee_report(book, coffee, client=client).html
    assert "Ines. Why: a cold" in report
    assert "Everyone (96 scores): best found" in report
    assert "Without Ines (80 scores): best found" in report
    assert say(again.reading).partition(". ")[0] in unescape(report)
    read, apart = [
        pd.read_csv(io.BytesIO(base64.b64decode(data)))
        for data in re.findall(r'href="data:text/csv;base64,([^"]+)"', report)
    ]
    assert "Ines" not in set(read["taster"])
    assert set(apart["taster"]) == {"Ines"}

    again.form.fields["without_tasters"].value = ()
    again.form.fields["reason"].value = "it was hay fever"
    again.button.click()
    assert book.sessions.left_out(coffee, client=client).names == ()
    assert "Why: a cold" not in coffee_report(book, coffee, client=client).html


def test_a_disk_that_fails_half_way_leaves_no_session_behind(book, view):
    before = [session.name for session in book.sessions.all()]
    with failing_to_store(book, "sealed_keys"), pytest.raises(AssertionError, match="Not yet"):
        planned(book, view, "triangle", session="second try")
    assert [session.name for session in book.sessions.all()] == before

    assert planned(book, view, "triangle", session="second try").session == "second try"
