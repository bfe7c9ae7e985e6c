"""From what was tasted to the next sealed flight, in JupyterLab in a real browser."""

from __future__ import annotations

import pytest

from labkit.book import LabBook
from tests.browser.lab import PASSPHRASE, panel, picture, run_notebook, seal

pytestmark = pytest.mark.browser

COORDINATES = ("mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3")


def test_the_next_flight_is_shown_with_reasons_and_handed_to_the_cup_plan(workbook_server, lab):
    """What the page lists, cup by cup, is what the sealed key holds: nothing is added."""
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1500})
    run_notebook(page, "4-best-water.ipynb")
    heading = panel(page).get_by_role("heading", name="What to taste next")
    heading.wait_for(timeout=120_000)
    history = panel(page).get_by_text("The flights so far", exact=True)
    picture(page, "next-flight-1280", history)
    picture(page, "next-flight-waters-1280", heading)
    items = panel(page).locator("ol > li").filter(has_text="beat today's best").all_inner_texts()
    items += panel(page).locator("ol > li").filter(has_text="best itself").all_inner_texts()
    assert len(items) == 5
    assert all("for 1000 mL: " in item and "expected " in item for item in items)
    listed = sorted(item.splitlines()[0] for item in items)
    assert panel(page).get_by_text("5 cups side by side").count()

    sheet = seal(page)
    with LabBook(workbook_server.demo_book) as book:
        session = book.sessions.all()[-1]
        plan = book.sessions.plan(session.name)
        rows = [row for key in plan.keys for row in key.open(PASSPHRASE).rows]
        scores = book.scores.opened_scores(coffee=session.coffee)
    so_far = scores.loc[scores["is_control"], list(COORDINATES)].drop_duplicates().iloc[0].tolist()
    assert sorted(row.target.text for row in rows) == listed
    controls = {
        tuple(getattr(r.target, name) for name in COORDINATES) for r in rows if r.is_control
    }
    assert controls <= {tuple(so_far)}
    assert all(code in sheet for flight in plan.flights for code in plan.codes(flight))

    page.set_viewport_size({"width": 390, "height": 844})
    page.evaluate("window.jupyterapp.commands.execute('application:toggle-left-area')")
    heading.wait_for()
    picture(page, "next-flight-390", heading)
    wide = heading.evaluate(
        "at => at.closest('.lm-Widget').scrollWidth - at.closest('.lm-Widget').clientWidth"
    )
    assert wide <= 1
