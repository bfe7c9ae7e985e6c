"""One person plans, mixes, brews and tastes, in JupyterLab in a real browser."""

from __future__ import annotations

import re

import pytest

from labkit.book import LabBook
from labkit.errors import LockError
from tests.browser.lab import PASSPHRASE, panel, picture, run_notebook, seal

pytestmark = pytest.mark.browser

ALONE = "Kesia"
SCORES = (7, 3, 8, 5, 6, 4)
"""By place: what is under a cup is not known, so any will do."""


def test_who_is_alone_scores_by_place_finds_the_codes_and_reads_the_key(workbook_server, lab):
    """The whole way: nothing names a cup before the lock, and every slip gets a sentence."""
    book_url = workbook_server.demo_book
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1500})
    page.set_default_timeout(120_000)  # three notebooks one after the other, on any machine
    run_notebook(page, "2-cupping-grid.ipynb")
    panel(page).get_by_label("Ca:Mg (or Mg share)").fill("all Ca, 1:1, all Mg")
    panel(page).get_by_label("Ca:Mg (or Mg share)").press("Tab")
    with LabBook(book_url) as book:
        for name in book.people.tasters():
            if name != ALONE:
                panel(page).get_by_role("checkbox", name=name, exact=True).uncheck()
    panel(page).get_by_role("checkbox", name="I am alone").check()
    panel(page).get_by_text(re.compile("stick the codes under")).wait_for()
    picture(page, "alone-plan-1280", panel(page).get_by_text("Who tastes?", exact=True))
    sheet = seal(page)
    with LabBook(book_url) as book:
        session = book.sessions.all()[-1].name
        plan = book.sessions.plan(session)
        labels = plan.codes(1)  # three waters, the coffee's control, and duplicates
        assert len(labels) == len(SCORES)
        assert all(code in sheet for code in labels)
        assert [cup.blind_code for cup in plan.cups] == [""] * len(labels)
        with pytest.raises(
            LockError, match="the codes under cups 1, 2, 3, 4, 5, 6 must be entered"
        ):
            book.sessions.open_flights(session, [1], PASSPHRASE, early_because="curious")

    run_notebook(page, "3-blind-scores.ipynb")
    panel(page).get_by_label("Session", exact=True).select_option(session)
    panel(page).get_by_label("Who are you?").select_option(ALONE)
    for place, score in enumerate(SCORES, start=1):
        panel(page).get_by_text(f"cup {place} of {len(labels)}").wait_for()
        overall = panel(page).get_by_role("group", name="overall", exact=True)
        overall.get_by_role("radio", name=re.compile(f"^{score} ")).check(force=True)
        if place < len(labels):
            panel(page).get_by_role("button", name=re.compile("next", re.I)).click()
    panel(page).locator(".lk-state").filter(has_text=re.compile("^Saved at")).wait_for()
    assert not any(code in panel(page).inner_text() for code in labels)
    panel(page).get_by_role("tab", name="Progress and lock").click()
    panel(page).get_by_role("button", name="Lock this flight").click()
    page.wait_for_timeout(500)  # no hand is as quick: the same button pressed so soon is a slip
    panel(page).get_by_role("button", name="Lock it anyway").click()  # scores are missing
    panel(page).get_by_text(re.compile("Flight 1 is locked with")).wait_for()

    run_notebook(page, "4-best-water.ipynb")
    fields = [panel(page).get_by_label(f"Code under cup {n}") for n in range(1, len(labels) + 1)]
    fields[0].wait_for()
    assert panel(page).get_by_role("button", name="Open the key").is_hidden()
    found = list(reversed(labels))
    for field, code in zip(fields, ["000", *found[1:]], strict=True):
        field.fill(code)
        field.press("Tab")
    keep = panel(page).get_by_role("button", name="Keep these codes")
    for wrong, words in (
        ("000", "Code under cup 1 must be one of"),
        (found[1], f"must be a code of its own, got {found[1]} under two cups"),
        ("", "every place must have a code in flight 1, none given for 1"),
    ):
        fields[0].fill(wrong)
        fields[0].press("Tab")
        keep.click()
        panel(page).get_by_role("alert").filter(has_text=words).wait_for()
        assert fields[1].input_value() == found[1]  # nothing typed is lost
        picture(page, f"alone-codes-{wrong or 'missing'}-1280", fields[0])
    fields[0].fill(found[0])
    fields[0].press("Tab")
    keep.click()
    panel(page).get_by_text("The codes are kept. Now open the key.").wait_for()
    panel(page).get_by_label("Preparer's passphrase").first.fill(PASSPHRASE)
    panel(page).get_by_role("button", name="Open the key").click()
    panel(page).get_by_text(re.compile(f"Flight 1 of '{re.escape(session)}' is open")).wait_for(
        timeout=180_000
    )
    with LabBook(book_url) as book:
        scores = book.scores.opened_scores()
        rows = {
            row.blind_code: row
            for row in book.sessions.plan(session).sealed[1].open(PASSPHRASE).rows
        }
    scores = scores[(scores["session"] == session) & (scores["attribute"] == "overall")]
    assert len(scores) == len(labels)
    for row in scores.itertuples():
        assert row.blind_code == found[row.position - 1]
        assert row.score == SCORES[row.position - 1]
        assert row.mg_share == rows[row.blind_code].target.mg_share
    # Notebook 4 reads the coffee with the new flight in it.
    so_far = panel(page).get_by_text(f"{session}, flight 1")  # folded
    so_far.first.wait_for(state="attached", timeout=180_000)
    picture(page, "alone-read-1280", panel(page).get_by_role("heading", name="What the scores say"))
