"""The workbook in JupyterLab in a real browser: run, score, restart, find the scores, read them."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import TimeoutError

from labkit.book import LabBook

pytestmark = pytest.mark.browser

PANEL = ".jp-NotebookPanel:not(.lm-mod-hidden)"
NOTEBOOKS = (
    "1-concentrates.ipynb",
    "2-cupping-grid.ipynb",
    "3-blind-scores.ipynb",
    "4-best-water.ipynb",
    "7-across-coffees.ipynb",
)
SESSION = "Osmeni alkalinity dial"
PASSPHRASE = "quillmoor demo"
DIAL = "Hardness dial: soft to hard at one ratio"


@pytest.fixture
def book_url(workbook_server):
    """Where the workbook of the server keeps its demo lab book."""
    return workbook_server.workbook.parent / "data" / "demo.db"


def open_notebook(page, server, notebook):
    """Open a notebook and wait until its kernel is there."""
    page.goto(server.page(notebook))
    page.wait_for_function("window.jupyterapp && window.jupyterapp.restored", timeout=90_000)
    page.evaluate("window.jupyterapp.restored")
    page.wait_for_selector(PANEL, timeout=60_000)
    page.evaluate(
        """async () => {
            const widget = window.jupyterapp.shell.currentWidget;
            await widget.context.ready;
            await widget.sessionContext.ready;
        }"""
    )


def run_all(page):
    """Run every cell; False if one failed."""
    return page.evaluate("window.jupyterapp.commands.execute('notebook:run-all-cells')")


def panel(page):
    return page.locator(PANEL)


@pytest.mark.parametrize("notebook", NOTEBOOKS)
def test_a_notebook_runs_top_to_bottom_and_shows_no_error(notebook, workbook_server, new_page):
    page = new_page()
    open_notebook(page, workbook_server, notebook)

    assert run_all(page)
    page.wait_for_timeout(2000)
    assert panel(page).locator(".jp-RenderedText[data-mime-type*=stderr]").count() == 0
    page.screenshot(path=shot(notebook), full_page=False)


def shot(name):
    """Where a picture to look at goes; git ignores the folder."""
    from tests.project import PROJECT

    folder = PROJECT / "tests" / "browser" / "screenshots"
    folder.mkdir(exist_ok=True)
    return folder / f"{name}.png"


def choose(page, attribute, radio):
    """Touch a value as a taster would."""
    group = panel(page).get_by_role("group", name=attribute, exact=True)
    group.get_by_role("radio", name=radio, exact=True).check(force=True)


def choose_session(page):
    """Choose the session, and wait until the sheet of the one before is gone."""
    chooser = panel(page).get_by_label("Session", exact=True)
    chosen = chooser.evaluate("field => field.selectedOptions[0].textContent")
    if chosen.replace("\xa0", " ") == SESSION:
        return
    before = panel(page).get_by_label("Who are you?").element_handle()
    chooser.select_option(SESSION)
    before.wait_for_element_state("hidden")


def sit_down(page, taster):
    """Choose one's name; once more if a busy machine drew the chooser anew meanwhile."""
    who = panel(page).get_by_label("Who are you?")
    sheet = panel(page).locator(".lk-code")
    for _ in range(2):
        who.select_option(taster)
        try:
            return sheet.wait_for(timeout=40_000)
        except TimeoutError:
            who.select_option(index=0)
    raise AssertionError(f"no sheet for {taster}")


def wait_saved(page):
    panel(page).locator(".lk-state").filter(has_text=re.compile("^Saved at")).wait_for()


def kept(path, taster):
    with LabBook(path) as book:
        entries = book.current_scores(SESSION, 1, taster)
    return {(e.position, e.attribute): e.value for e in entries}


def test_scores_survive_a_kernel_restart_and_the_result_notebook_reads_them(
    workbook_server, book_url, new_page
):
    """One taster scores in the notebook, the kernel restarts, the scores are there; then the lead
    locks, the preparer opens, and notebook 4 reads a session more."""
    page = new_page(width=1280, height=1400)
    open_notebook(page, workbook_server, "3-blind-scores.ipynb")
    assert run_all(page)
    choose_session(page)
    sit_down(page, "Kesia")
    choose(page, "overall", "7 like moderately")
    choose(page, "acidity", "9")
    wait_saved(page)
    panel(page).get_by_role("button", name=re.compile("next", re.I)).click()
    choose(page, "overall", "4 dislike slightly")
    choose(page, "overall", "3 dislike moderately")  # corrected
    wait_saved(page)
    page.screenshot(path=shot("score-sheet-1280"))
    code = panel(page).locator(".lk-code").inner_text()
    before = kept(book_url, "Kesia")
    assert before == {(1, "overall"): 7, (1, "acidity"): 9, (2, "overall"): 3}

    page.evaluate("window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart()")
    page.wait_for_timeout(2000)
    assert run_all(page)
    choose_session(page)
    sit_down(page, "Kesia")
    panel(page).locator(".lk-code").filter(has_text=code).wait_for()
    group = panel(page).get_by_role("group", name="overall", exact=True)
    assert group.get_by_role("radio", name="3 dislike moderately", exact=True).is_checked()
    assert kept(book_url, "Kesia") == before

    panel(page).get_by_role("tab", name="Progress and lock").click()
    panel(page).get_by_role("button", name="Lock this flight").click()
    panel(page).get_by_text(re.compile("Flight 1 is locked with")).wait_for()
    page.screenshot(path=shot("locked-1280"))

    open_notebook(page, workbook_server, "4-best-water.ipynb")
    assert run_all(page)
    panel(page).get_by_label("Preparer's passphrase").first.fill(PASSPHRASE)
    panel(page).get_by_role("button", name="Open the key").click()
    panel(page).get_by_text(f"Flight 1 of «{SESSION}» is open").wait_for(timeout=60_000)
    panel(page).get_by_text(re.compile("alkalinity [0-9]+ mg/L")).first.wait_for()
    with LabBook(book_url) as book:
        scores = book.opened_scores(coffee="Osmeni, natural")
    read = scores[(scores["session"] == SESSION) & (scores["taster"] == "Kesia")]
    assert sorted(read[read["attribute"] == "overall"]["score"]) == [3, 7]
    page.screenshot(path=shot("result-1280"))


def test_the_lead_plans_a_session_and_the_bench_sheet_is_downloaded(
    workbook_server, book_url, new_page
):
    page = new_page(width=1280, height=2000, accept_downloads=True)
    open_notebook(page, workbook_server, "2-cupping-grid.ipynb")
    assert run_all(page)
    panel(page).get_by_label("What to vary").select_option(label=DIAL)
    passphrase = "a new passphrase"
    panel(page).get_by_label("Preparer's passphrase").fill(passphrase)
    panel(page).get_by_label("The same once more").fill(passphrase)
    panel(page).get_by_label("The same once more").press("Tab")
    with page.expect_download() as download:
        panel(page).get_by_role("button", name="Plan and seal").click()
    sheet = download.value.path().read_text()

    with LabBook(book_url) as book:
        session = book.sessions()[-1]
        codes = book.plan(session.name).codes(1)
    assert len({water.target.hardness_mg_l_caco3 for water in session.waters}) >= 4
    assert all(code in sheet for code in codes)
    assert "Preparer" in sheet or "preparer" in sheet
    page.screenshot(path=shot("planned-1280"))
