"""Forms for who tastes alone, comes late or stays away."""

from __future__ import annotations

import pytest

from labkit.bench import bench_sheet
from labkit.widgets import (
    OpenForm,
    ReplanForm,
)
from tests.widgets.plans.helpers import (
    PASSPHRASE,
    catch,
    choose,
    score_all,
    sealed,
    type_passphrase,
)

# ------------------------------------------------------------------------------- alone


def alone_session(book, form):
    choose(form, tasters=("Ada",), alone=True)
    type_passphrase(form)
    session = sealed(form)
    score_all(book, session)
    book.sessions.lock_flights(session, [1])
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
    labels = book.sessions.plan(session).codes(1)
    found = opening.found.form
    assert opening.buttons.layout.display == "none"  # codes come first

    for place, code in enumerate(labels, start=1):
        found.fields[f"place_{place}"].value = code
    assert "All codes are found" in found.result.value
    opening.found.button.click()
    assert opening.buttons.layout.display == ""
    opening.form.fields["passphrase"].value = PASSPHRASE
    opening.button.click()

    assert book.sessions.flight(session, 1).state == "opened"
    assert len(book.scores.opened_scores(coffee="Coffee A")) == len(labels)


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
    codes = typed(list(book.sessions.plan(session).codes(1)))
    found = opening.found.form
    for place, code in enumerate(codes, start=1):
        found.fields[f"place_{place}"].value = code

    said = found.result.value + found.message.value + "".join(n.value for n in found.notes.values())
    opening.found.button.click()

    assert sentence in said
    assert all(cup.blind_code is None for cup in book.sessions.served_cups(session, 1, "Ada"))
    assert opening.found.form is found  # what was typed is still there


def test_codes_typed_in_swapped_are_corrected_in_the_form_before_the_key_opens(book, form):
    session = alone_session(book, form)
    labels = list(book.sessions.plan(session).codes(1))
    swapped = [labels[1], labels[0], *labels[2:]]
    book.sessions.enter_found_codes(session, 1, "Ada", dict(enumerate(swapped, start=1)))
    opening = OpenForm(book)
    assert opening.buttons.layout.display == ""  # the key may be opened

    opening.found.correct.click()
    again = opening.found.form
    assert [again.fields[f"place_{n}"].value for n in (1, 2)] == swapped[:2]
    for n in (1, 2):
        again.fields[f"place_{n}"].value = labels[n - 1]
    opening.found.button.click()
    assert "needs a reason" in again.notes["reason"].value
    again.fields["reason"].value = "swapped"
    opening.found.button.click()

    assert [cup.blind_code for cup in book.sessions.served_cups(session, 1, "Ada")] == labels
    opening.history_fold.is_open = True
    assert f"cup 1: {labels[1]} before, now {labels[0]}" in opening.history.value


# ------------------------------------------------------------------------ late and absent


def test_a_late_and_an_absent_taster_change_only_what_is_not_served(book, form):
    choose(form, flights=2)
    session = sealed(form)
    before = book.sessions.plan(session)
    book.scores.record_score(session, 1, "Ada", "overall", 6, position=1)
    late = ReplanForm(book, bench_sheet)
    choose(late, late="Eve", absent=("Bo",))

    late.button.click()

    after = book.sessions.plan(session)
    assert "Replanned" in late.form.message.value, late.form.message.value
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
    late.button.click()
    assert handed == []
    assert "must be the one that sealed" in late.form.message.value
    assert late.form.fields["secret"].value == ""

    choose(late, late="Eve", secret=PASSPHRASE)
    late.button.click()

    ((sheet, _),) = handed
    assert all(code in sheet for code in book.sessions.plan(session).codes(1))
    assert late.form.fields["secret"].value == ""


def test_nothing_to_change_plans_nothing(book, form):
    session = sealed(form)
    late = ReplanForm(book, bench_sheet)
    late.button.click()

    assert "else nothing changes" in late.form.notes["late"].value
    assert [e.kind for e in book.sessions.events(session)].count("flight planned anew") == 0
