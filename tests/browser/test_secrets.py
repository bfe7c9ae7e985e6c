"""The preparer's secrets leave no trace where people and programs keep things.

A plan is sealed and its paper taken on the page Today and in JupyterLab, notebooks are saved with
the state of their widgets, one plan is opened by a form and one in code, everything is closed.
Then every file of workbook, data, Jupyter, temporary files and the browser's profile is searched.
What came down (the bench sheet) is paper, for the preparer alone.
"""

from __future__ import annotations

import re

import pytest

from labkit.book import LabBook
from tests.browser.lab import load_lab, panel, put_away, run_notebook
from tests.browser.test_clicks import taste
from tests.browser.test_today import WAIT_MS, go, open_today
from tests.conftest import CHROMIUM_FLAGS, find_chromium
from tests.traces import traces, ways_to_write

pytestmark = [pytest.mark.browser, pytest.mark.slow]

MARK = "quokkaberyl"
"""In every passphrase here; nowhere else."""

ON_THE_PAGE, IN_THE_LAB = f"seven {MARK} spoons", f"copper {MARK} kettles"
ONLY_TYPED, WRONG = f"left {MARK} unused", f"another {MARK} altogether"

KEPT_BY_THE_TAB = """async () => {
  const kept = [{ ...localStorage }, { ...sessionStorage }, document.cookie];
  for (const { name, version } of await indexedDB.databases()) {
    const db = await new Promise((done, failed) => {
      const asked = indexedDB.open(name, version);
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => failed(asked.error);
    });
    for (const store of db.objectStoreNames) {
      const asked = db.transaction(store).objectStore(store).getAll();
      kept.push(name, store, await new Promise((done) => {
        asked.onsuccess = () => done(asked.result);
      }));
    }
    db.close();
  }
  for (const name of await caches.keys()) kept.push(name);
  return JSON.stringify(kept);
}"""

SAVE_WITH_WIDGETS = """async (how) => {
  const { commands, shell } = window.jupyterapp;
  if (how.first) await commands.execute('@jupyter-widgets/jupyterlab-manager:saveWidgetState');
  await new Promise((on) => setTimeout(on, 300));
  await shell.currentWidget.context.save();
  await shell.currentWidget.context.createCheckpoint();
}"""

SHUT = "() => window.jupyterapp.shell.currentWidget.sessionContext.shutdown()"

LAST_CELL = """async (code) => {
  const { commands, shell } = window.jupyterapp;
  shell.currentWidget.content.activeCellIndex = shell.currentWidget.content.widgets.length - 1;
  await commands.execute('notebook:insert-cell-below');
  shell.currentWidget.content.activeCell.model.sharedModel.setSource(code);
  commands.execute('notebook:run-cell');
}"""

IN_CODE = """from getpass import getpass
import labkit as lk
lk.lock_flights(book, book.sessions.all()[-1])
lk.open_flights(book, book.sessions.all()[-1], getpass("Passphrase: "))"""


def type_secret(within, label, passphrase):
    field = within.get_by_label(label).locator("visible=true").last
    field.fill(passphrase)
    field.press("Tab")


def seal(page, within, passphrase):
    """Type it once and be refused, then twice; the bench sheet that comes down."""
    button = within.get_by_role("button", name="Plan and seal").locator("visible=true")
    type_secret(within, "Preparer's passphrase", WRONG)
    button.click()
    within.get_by_text("must match the passphrase").first.wait_for(timeout=WAIT_MS)
    type_secret(within, "Preparer's passphrase", passphrase)
    type_secret(within, "Repeat passphrase", passphrase)
    with page.expect_download(timeout=WAIT_MS) as sheet:
        button.click()
    return sheet.value.path().read_text()


def jugs_and_bowls(book_path, passphrases):
    """Those of the newest sessions: their names join codes to waters, in keys alone."""
    with LabBook(book_path) as book:
        sessions = book.sessions.all()[-len(passphrases) :]
        rows = [
            row
            for session, passphrase in zip(sessions, passphrases, strict=True)
            for key in book.sessions.plan(session.name).keys
            for row in key.open(passphrase).rows
        ]
    return {row.jug for row in rows}, {row.bowl for row in rows}


def as_patterns(words):
    """As such a name stands in JSON, HTML or text; four bare bytes are in any large file."""
    return [
        rb"""["'>\s]""" + re.escape(word).encode() + rb"""["'<\s,:;\\]""" for word in sorted(words)
    ]


@pytest.fixture
def profile(tmp_path):
    """Where the browser keeps what it keeps."""
    return tmp_path / "profile"


@pytest.fixture
def context(browser, profile):
    """A browser that keeps, as a user's does."""
    kept = browser.browser_type.launch_persistent_context(
        profile,
        executable_path=find_chromium(),
        args=list(CHROMIUM_FLAGS),
        viewport={"width": 1280, "height": 900},
    )
    yield kept
    kept.close()


def test_no_passphrase_and_no_codes_water_is_left_anywhere(
    workbook_server, context, profile, tmp_path
):
    project = workbook_server.workbook.parent
    book_path = workbook_server.demo_book
    kept = tmp_path / "kept"
    kept.mkdir()
    secret = [re.escape(way) for way in ways_to_write(MARK)]

    page = context.new_page()
    open_today(page, workbook_server)
    go(page, "plan")
    sheets = [seal(page, page.locator(".lk-part-seal"), ON_THE_PAGE)]
    paper = page.locator(".lk-part-paper")
    paper.get_by_role("button", name="Preparer: doses and codes").click()
    type_secret(paper, "Passphrase of the plan", ON_THE_PAGE)
    with page.expect_download(timeout=WAIT_MS) as sheet:
        paper.get_by_role("button", name="Hand over the bench sheet").click()
    sheets.append(sheet.value.path().read_text())
    type_secret(page.locator(".lk-part-seal"), "Preparer's passphrase", ONLY_TYPED)
    taste(book_path, ON_THE_PAGE)

    lab = context.new_page()
    load_lab(lab, workbook_server)
    run_notebook(lab, "2-cupping-grid.ipynb")
    lab.get_by_text("cups to taste").first.wait_for(timeout=WAIT_MS)
    sheets.append(seal(lab, panel(lab), IN_THE_LAB))
    type_secret(panel(lab), "Preparer's passphrase", ONLY_TYPED)
    lab.evaluate(SAVE_WITH_WIDGETS, {"first": True})
    saved = (workbook_server.workbook / "2-cupping-grid.ipynb").read_text()
    assert "application/vnd.jupyter.widget-state+json" in saved  # what is searched is there
    assert "Preparer's passphrase" in saved

    jugs, bowls = jugs_and_bowls(book_path, [ON_THE_PAGE, IN_THE_LAB])
    on_paper = re.compile(b"|".join(as_patterns(jugs)))
    assert all(on_paper.search(sheet.encode()) for sheet in sheets)  # the search works
    for number, tab in enumerate((page, lab)):
        (kept / f"tab-{number}-closed").write_text(tab.evaluate(KEPT_BY_THE_TAB))
        (kept / f"page-{number}.html").write_text(tab.content())
    assert traces([project, profile, kept], [*secret, *as_patterns(jugs | bowls)]) == []

    go(page, "verdict")
    opening = page.locator(".lk-part-open")
    button = opening.get_by_role("button", name="Lock and open", exact=True)
    for passphrase, answer in ((WRONG, "must be the one that sealed"), (ON_THE_PAGE, "is open")):
        type_secret(opening, "Preparer's passphrase", passphrase)
        button.click(timeout=WAIT_MS)
        opening.get_by_text(answer).first.wait_for(timeout=WAIT_MS)

    taste(book_path, IN_THE_LAB)
    lab.evaluate(LAST_CELL, IN_CODE)
    typed = lab.locator(".jp-Stdin-input")
    typed.fill(IN_THE_LAB, timeout=WAIT_MS)
    typed.press("Enter")
    last = panel(lab).locator(".jp-CodeCell").last.locator(".jp-OutputArea-output")
    last.filter(has_text=re.compile("state='opened'|Error")).first.wait_for(timeout=WAIT_MS)
    assert "Error" not in " ".join(last.all_inner_texts())
    lab.evaluate(SAVE_WITH_WIDGETS, {"first": False})
    (kept / "lab-opened").write_text(lab.evaluate(KEPT_BY_THE_TAB))
    lab.evaluate(SHUT)
    put_away(lab)

    (kept / "tab-opened").write_text(page.evaluate(KEPT_BY_THE_TAB))
    context.close()
    assert traces([project, profile, kept], secret) == []
