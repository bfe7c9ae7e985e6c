"""The workbook in JupyterLab in a real browser: run, score, restart, find the scores, read them."""

from __future__ import annotations

import re

import pytest

from labkit.book import LabBook
from tests.browser.lab import (
    panel,
    picture,
    run_all,
    run_notebook,
    seal,
    shows_no_error,
)

pytestmark = pytest.mark.browser

SESSION = "Osmeni, natural, 2026-10-13"
PASSPHRASE = "quillmoor demo"
DIAL = "Hardness dial: soft to hard at one ratio"


@pytest.mark.parametrize("notebook", ["1-concentrates", "7-across-coffees"])
def test_a_notebook_runs_top_to_bottom_and_shows_no_error(notebook, lab):
    """The others are run, and looked at for errors, by the tests that work in them."""
    run_notebook(lab, f"{notebook}.ipynb")

    assert shows_no_error(lab)
    picture(lab, notebook)


def choose(page, attribute, radio):
    """Touch a value as a taster would."""
    group = panel(page).get_by_role("group", name=attribute, exact=True)
    group.get_by_role("radio", name=radio, exact=True).check(force=True)


def sit_down(page, taster):
    """Choose the one session that takes scores, and one's name; wait for the sheet."""
    panel(page).get_by_label("Session", exact=True).select_option(SESSION)
    panel(page).get_by_label("Who are you?").select_option(taster)
    panel(page).locator(".lk-code").wait_for()


def wait_saved(page):
    panel(page).locator(".lk-state").filter(has_text=re.compile("^Saved at")).wait_for()


def kept(path, taster):
    with LabBook(path) as book:
        entries = book.scores.current_scores(SESSION, 1, taster)
    return {(e.position, e.attribute): e.value for e in entries}


def test_scores_survive_a_kernel_restart_and_the_result_notebook_reads_them(workbook_server, lab):
    """One taster scores in the notebook, the kernel restarts, the scores are there; then the lead
    locks, the preparer opens, and notebook 4 reads a session more."""
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1400})
    book_url = workbook_server.demo_book
    run_notebook(page, "3-blind-scores.ipynb")
    assert shows_no_error(page)
    sit_down(page, "Kesia")
    choose(page, "overall", "7 like moderately")
    choose(page, "acidity", "9")
    wait_saved(page)
    panel(page).get_by_role("button", name=re.compile("next", re.I)).click()
    choose(page, "overall", "4 dislike slightly")
    choose(page, "overall", "3 dislike moderately")  # corrected
    wait_saved(page)
    picture(page, "score-sheet-1280")
    code = panel(page).locator(".lk-code").inner_text()
    before = kept(book_url, "Kesia")
    assert before == {(1, "overall"): 7, (1, "acidity"): 9, (2, "overall"): 3}

    page.evaluate("window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart()")
    page.wait_for_timeout(2000)
    run_all(page)
    sit_down(page, "Kesia")
    panel(page).locator(".lk-code").filter(has_text=code).wait_for()
    group = panel(page).get_by_role("group", name="overall", exact=True)
    assert group.get_by_role("radio", name="3 dislike moderately", exact=True).is_checked()
    assert kept(book_url, "Kesia") == before

    panel(page).get_by_role("tab", name="Progress and lock").click()
    panel(page).get_by_role("button", name="Lock this flight").click()
    page.wait_for_timeout(500)  # no hand is as quick: the same button pressed so soon is a slip
    panel(page).get_by_role("button", name="Lock it anyway").click()  # scores are missing
    panel(page).get_by_text(re.compile("Flight 1 is locked with")).wait_for()
    picture(page, "locked-1280")

    run_notebook(page, "4-best-water.ipynb")
    assert shows_no_error(page)
    panel(page).get_by_label("Preparer's passphrase").first.fill(PASSPHRASE)
    panel(page).get_by_role("button", name="Open the key").click()
    panel(page).get_by_text(f"Flight 1 of '{SESSION}' is open").wait_for(timeout=60_000)
    panel(page).get_by_text(re.compile("alkalinity [0-9]+ mg/L")).first.wait_for()
    with LabBook(book_url) as book:
        scores = book.scores.opened_scores(coffee="Osmeni, natural")
    read = scores[(scores["session"] == SESSION) & (scores["taster"] == "Kesia")]
    assert sorted(read[read["attribute"] == "overall"]["score"]) == [3, 7]
    picture(page, "result-1280")


def test_the_lead_plans_a_session_and_the_bench_sheet_is_downloaded(workbook_server, lab):
    page = lab
    page.set_viewport_size({"width": 1280, "height": 2000})
    run_notebook(page, "2-cupping-grid.ipynb")
    assert shows_no_error(page)
    panel(page).get_by_label("What to vary").select_option(label=DIAL)
    sheet = seal(page)

    with LabBook(workbook_server.demo_book) as book:
        session = book.sessions.all()[-1]
        codes = book.sessions.plan(session.name).codes(1)
    assert len({water.target.hardness_mg_l_caco3 for water in session.waters}) >= 4
    assert all(code in sheet for code in codes)
    assert "Preparer" in sheet or "preparer" in sheet
    picture(page, "planned-1280")
