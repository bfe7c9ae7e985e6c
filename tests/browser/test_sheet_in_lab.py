"""The score sheet, the lead's view and the files as cells of a notebook in JupyterLab."""

from __future__ import annotations

import re
from pathlib import Path

import openpyxl
import pytest
from axe_playwright_python.sync_playwright import Axe

from labkit.book import LabBook
from tests.browser.lab import cells, run_all, run_notebook
from tests.widgets.serving import choose, group, wait_saved
from tests.widgets.tables import SESSION, lay_table, write_notebook

pytestmark = pytest.mark.browser

SHOTS = Path(__file__).parent / "screenshots"


@pytest.fixture
def table(workbook_server, tmp_path):
    """A lab book, and a notebook in the workbook that shows its sheet and the lead's view."""
    path = tmp_path / "book.db"
    lay_table(path)
    write_notebook(
        workbook_server.workbook / "sheet-in-lab.ipynb",
        "from labkit.book import LabBook\n"
        "from labkit.widgets import LeadView, ScoreSheet\n"
        "from labkit.widgets.steps.taste.files_form import FilesForm\n"
        f"book = LabBook({str(path)!r})",
        f"ScoreSheet(book, session={SESSION!r}, taster='Ines')",
        f"LeadView(book, session={SESSION!r})",
        f"FilesForm(book, session={SESSION!r})",
    )
    return path


def open_and_run(page):
    run_notebook(page, "sheet-in-lab.ipynb")
    page.wait_for_selector(".lk-sheet", timeout=60_000)


def copy_a_paper_sheet(page, folder):
    """Get the empty table, type one score and one that is off its scale, give it back."""
    page.get_by_label("Who typed it").fill("Dora")
    page.get_by_label("Who typed it").press("Enter")
    with page.expect_download(timeout=60_000) as download:
        page.get_by_role("button", name="Empty table for paper sheets").click()
    path = folder / "paper.xlsx"
    download.value.save_as(path)
    book = openpyxl.load_workbook(path)
    head, *rows = book.active.iter_rows()
    liking = next(cell.column for cell in head if cell.value == "liking")
    jonas = [row for row in rows if row[1].value == "Jonas"]
    jonas[0][liking - 1].value, jonas[1][liking - 1].value = 7, 12
    book.save(path)
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name=re.compile("Choose a file")).click()
    chooser.value.set_files(path)
    page.get_by_text("score must be between 1 and 9").wait_for(timeout=20_000)
    assert page.get_by_role("button", name="Take all or none").is_disabled()
    page.get_by_role("button", name="Take the good rows").click()
    page.get_by_text("Taken into the lab book: 1. Refused and left out: 1.").wait_for()


def test_the_sheet_the_leads_view_and_the_files_in_a_notebook(table, lab, tmp_path):
    SHOTS.mkdir(exist_ok=True)
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1400})
    open_and_run(page)

    # Keys that would delete, cut or add cells if the notebook got them.
    before = cells(page)
    group(page, "liking").get_by_role("radio", name="4 dislike slightly").focus()
    for key in ("d", "d", "x", "a", "b", "0", "0"):
        page.keyboard.press(key)
    group(page, "note").get_by_role("textbox").click()
    page.keyboard.type("ddxab, dd")
    assert cells(page) == before

    # Keys that score: in the notebook they would make headings of cells, and restart the kernel.
    page.keyboard.press("Escape")
    page.locator(".lk-code").focus()
    for key in ("7", ".", "2", "5", "3", "Enter", "PageDown", "PageUp"):
        page.keyboard.press(key)
    assert cells(page) == before
    assert page.locator(".jp-MarkdownCell").count() == 0
    page.locator(".lk-code").focus()
    assert group(page, "overall quality").get_by_text("7.25").first.is_visible()
    assert group(page, "liking").get_by_text("3, dislike moderately").is_visible()

    choose(page, "liking", "4 dislike slightly")
    wait_saved(page)
    with LabBook(table) as book:
        given = {entry.value for entry in book.scores.history(SESSION)}
        assert given >= {4.0, "ddxab, dd", 7.25, 3.0}

    # The lead's view follows by itself, and tells nothing of what was given.
    row = page.get_by_role("row", name=re.compile("Ines")).first
    row.filter(has_text="connected").wait_for(timeout=20_000)
    assert "dislike" not in page.locator(".lv-table").inner_text()

    copy_a_paper_sheet(page, tmp_path)
    with LabBook(table) as book:
        kept = {(e.taster, e.source, e.entered_by, e.value) for e in book.scores.history(SESSION)}
    assert kept >= {("Jonas", "paper", "Dora", 7.0), ("Ines", "sheet", "Ines", 4.0)}

    for name, theme in (("dark", "JupyterLab Dark"), ("light", "JupyterLab Light")):
        page.evaluate(
            "(theme) => window.jupyterapp.commands.execute('apputils:change-theme', {theme})", theme
        )
        page.wait_for_function(
            f"document.body.dataset.jpThemeLight === '{str(name == 'light').lower()}'"
        )
        page.wait_for_timeout(1000)
        page.screenshot(path=SHOTS / f"sheet_lab_{name}.png")
        for part in (".lk-sheet", ".lv-view", ".lf-view"):
            found = Axe().run(page, context=part).response["violations"]
            assert [(rule["id"], rule["nodes"][0]["html"][:200]) for rule in found] == []


@pytest.fixture
def late_scripts(lab):
    """JupyterLab as on a laptop so busy that no script begins in the time the library gives it."""
    lab.evaluate(
        """() => {
            window.ownTimeout = AbortSignal.timeout;
            AbortSignal.timeout = () => {
                const over = new AbortController();
                queueMicrotask(() => over.abort());
                return over.signal;
            };
        }"""
    )
    yield lab
    lab.evaluate("AbortSignal.timeout = window.ownTimeout")


def test_widgets_whose_scripts_begin_late_hear_what_python_sends(table, late_scripts):
    page = late_scripts
    given_up = []
    page.on("pageerror", lambda error: given_up.append(str(error)))
    open_and_run(page)

    choose(page, "liking", "4 dislike slightly")
    wait_saved(page)
    page.get_by_label("Who typed it").fill("Dora")
    page.get_by_label("Who typed it").press("Enter")
    with page.expect_download(timeout=60_000) as download:
        page.get_by_role("button", name="Empty table for paper sheets").click()

    assert any("Failed to initialize" in error for error in given_up)
    with download.value.path().open("rb") as table_file:
        assert openpyxl.load_workbook(table_file).active.max_row > 1
    with LabBook(table) as book:
        assert [entry.value for entry in book.scores.history(SESSION)] == [4.0]


def test_a_restarted_kernel_is_told_in_words(table, lab):
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1400})
    open_and_run(page)
    wait_saved(page)

    page.evaluate("window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart()")
    choose(page, "liking", "4 dislike slightly")
    page.wait_for_selector('.lk-state[data-state="away"]', timeout=30_000)
    said = page.locator(".lk-state").inner_text()
    run_all(page)
    page.wait_for_selector('.lk-state[data-state="saved"]', timeout=60_000)

    assert "run this cell again" in said
    with LabBook(table) as book:
        assert [entry.value for entry in book.scores.history(SESSION)] == [4.0]
