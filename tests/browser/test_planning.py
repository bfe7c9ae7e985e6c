"""Planning in JupyterLab in a real browser: dial, seal, print."""

from __future__ import annotations

import pytest

from labkit.book import LabBook
from labkit.tasting.passphrases import N_WORDS
from tests.browser.lab import PASSPHRASE, cells, panel, picture, run_notebook, seal

pytestmark = pytest.mark.browser

FAILED = "a passphrase typed but once"


def dial(page, label, value):
    """Choose one of the few numbers beside a label."""
    row = panel(page).locator(".widget-radio").filter(has=page.get_by_text(label, exact=True))
    row.get_by_text(value, exact=True).click()


def kept_by(page, folder):
    """The notebook as it would be saved, and the state of every widget of its kernel."""
    states = folder / "states.json"
    code = (
        "import json, ipywidgets\n"
        f"with open({str(states)!r}, 'w') as file:\n"
        "    json.dump(ipywidgets.Widget.get_manager_state(), file)"
    )
    notebook = page.evaluate(
        """async (code) => {
            const widget = window.jupyterapp.shell.currentWidget;
            const kernel = widget.sessionContext.session.kernel;
            await kernel.requestExecute({ code, silent: true, store_history: false }).done;
            return JSON.stringify(widget.context.model.toJSON());
        }""",
        code,
    )
    return notebook + states.read_text()


def test_dialling_moves_the_numbers_and_the_papers_come_down(workbook_server, lab, tmp_path):
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1500})
    run_notebook(page, "2-cupping-grid.ipynb")
    cups = panel(page).locator("p").filter(has=page.locator("b", has_text="cups to taste"))
    cups.wait_for()
    before = cups.inner_text()
    picture(page, "plan-1280", panel(page).get_by_text("Who tastes?", exact=True))

    # A fold opens by key, and no key pressed on it reaches the notebook, whose "dd" cuts a cell.
    line = panel(page).get_by_role("button", name="What is held constant", exact=True)
    how_many = cells(page)
    line.focus()
    for key in ("Enter", "d", "d"):
        page.keyboard.press(key)
    panel(page).get_by_label("Dose (g)").wait_for()
    assert line.get_attribute("aria-expanded") == "true"
    assert cells(page) == how_many
    page.keyboard.press("Space")
    panel(page).get_by_label("Dose (g)").wait_for(state="hidden")

    panel(page).get_by_text("Flights, hidden cups, session, scales").last.click()
    dial(page, "Flights", "3")
    cups.filter(has_text="3 flights").wait_for(timeout=10_000)
    assert cups.inner_text() != before
    panel(page).get_by_role("button", name="Suggest a passphrase").click()
    offered = panel(page).locator("p", has_text="Write it down: it is used").locator("strong")
    suggested = offered.inner_text()
    assert len(suggested.split()) == N_WORDS
    first = panel(page).get_by_label("Preparer's passphrase").last
    first.fill(FAILED)
    panel(page).get_by_role("button", name="Plan and seal").click()
    panel(page).get_by_text("Repeat passphrase must match").first.wait_for()
    assert first.input_value() == ""
    kept = kept_by(page, tmp_path)
    assert suggested not in kept
    assert FAILED not in kept
    sheet = seal(page)
    offered.wait_for(state="detached", timeout=10_000)  # the file may come down before it goes

    with LabBook(workbook_server.demo_book) as book:
        session = book.sessions.all()[-1]
        plan = book.sessions.plan(session.name)
        rows = [row for key in plan.keys for row in key.open(PASSPHRASE).rows]
    assert plan.flights == (1, 2, 3)
    assert all(code in sheet for flight in plan.flights for code in plan.codes(flight))
    for label in ("Score sheets", "Cup labels", "Tray map"):
        with page.expect_download() as download:
            panel(page).get_by_role("button", name=label).click()
        paper = download.value.path().read_text()
        assert all(code in paper for code in plan.codes(1))
        assert "W1" not in paper
    picture(page, "papers-1280", panel(page).get_by_role("button", name="Cup labels"))
    kept = kept_by(page, tmp_path)
    assert plan.codes(1)[0] in kept  # the codes lie open
    assert PASSPHRASE not in kept
    for row in rows:
        assert row.jug not in kept
        assert row.bowl not in kept
