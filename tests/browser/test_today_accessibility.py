"""The page Today under axe-core."""

from __future__ import annotations

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.test_today import STEPS, WAIT_MS, go, open_today

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def serious(page):
    """What axe-core calls serious or worse, in short."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {node['target']}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def test_axe_finds_nothing_serious_on_any_step(workbook_server, new_tab):
    page = new_tab(width=1280)
    open_today(page, workbook_server)

    found = {}
    for step in STEPS:
        go(page, step)
        at_work = page.get_by_text(re.compile("^(Reading the scores|Drawing the pictures)"))
        expect(at_work).to_have_count(0, timeout=WAIT_MS)  # else nodes go while axe looks at them
        page.wait_for_timeout(1000)
        found[step] = serious(page)

    assert found == {step: [] for step in STEPS}
