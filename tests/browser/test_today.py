"""The page "Today" in a real browser: behind its token, no code, steps that switch and stay."""

from __future__ import annotations

import re
import urllib.error
import urllib.request

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.lab import picture, run_notebook, shows_no_error

pytestmark = pytest.mark.browser

PAGE = "/voila/render/0-today.ipynb"
STEPS = ("bottles", "plan", "taste", "verdict", "hand-over", "all-coffees")
WAIT_MS = 120_000
"""A first kernel imports everything, on a machine that may be busy."""


class NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_arguments):
        return None


def answer(server, path, *, token=None):
    """Status and place of an answer, without following it."""
    headers = {} if token is None else {"Authorization": f"token {token}"}
    request = urllib.request.Request(server.url + path, headers=headers)
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}), NoRedirect)
    try:
        with direct.open(request, timeout=60) as found:
            return found.status, ""
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers.get("Location", "")


@pytest.mark.parametrize("path", ["/voila", "/voila/tree", "/voila/tree/tasters", PAGE])
def test_nothing_of_the_page_is_shown_without_the_token(workbook_server, path):
    code, where = answer(workbook_server, path)

    assert code == 302
    assert where.startswith("/login?next=")


@pytest.mark.parametrize(
    "path",
    ["/voila/render/1-concentrates.ipynb", "/voila/render/sub/folder.ipynb"],
)
def test_no_other_notebook_is_run_as_a_page_even_with_the_token(workbook_server, path):
    assert answer(workbook_server, path)[0] == 302
    before = len(workbook_server.call("GET", "/api/kernels"))

    assert answer(workbook_server, path, token=workbook_server.token)[0] == 404
    assert len(workbook_server.call("GET", "/api/kernels")) <= max(1, before)


def test_the_list_of_pages_leads_to_the_one_page(workbook_server):
    token = workbook_server.token

    assert answer(workbook_server, "/voila/tree", token=token) == (302, PAGE)
    assert answer(workbook_server, "/voila", token=token) == (302, PAGE)


def open_today(page, server):
    page.goto(f"{server.url}{PAGE}?token={server.token}", timeout=WAIT_MS)
    page.locator(".lk-step-taste .lk-part").first.wait_for(timeout=WAIT_MS)


def go(page, step):
    page.locator(f"nav button[data-step={step}]").click()
    page.locator(f".lk-step-{step} .lk-part").first.wait_for(timeout=WAIT_MS)


def serious(page):
    """What axe-core calls serious or worse, in short."""
    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {node['target']}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


@pytest.mark.slow
def test_every_step_fits_the_screen_is_accessible_and_comes_from_this_machine(
    workbook_server, new_tab
):
    page = new_tab(width=390)
    foreign, wrong = [], []
    page.on("request", lambda one: foreign.append(one.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    open_today(page, workbook_server)
    assert "token" not in page.url

    head = page.locator(".lk-today-head").inner_text()
    assert "Lab book: demo" in head
    assert str(workbook_server.demo_book) not in head
    found = {}
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 900})
        for step in STEPS:
            go(page, step)
            at_work = page.get_by_text(re.compile("^(Reading the scores|Drawing the pictures)"))
            expect(at_work).to_have_count(0, timeout=WAIT_MS)  # else nodes go while axe looks
            page.wait_for_timeout(500)
            shown = page.locator(".lk-step:visible")
            assert shown.count() == 1
            assert f"lk-step-{step}" in shown.get_attribute("class")
            wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
            assert wide <= 0, step
            cut = page.locator(".lk-step .lk-scrolls:visible")  # tables and pictures fit too
            assert cut.all_inner_texts() == [], step
            picture(page, f"today-{step}-{width}")
            if width == 1280:
                found[step] = serious(page)
    assert found == {step: [] for step in STEPS}
    assert page.locator(".jp-InputArea:visible, .CodeMirror, .cm-editor").count() == 0
    own = (workbook_server.url, "data:", "blob:")
    assert [url for url in foreign if not url.startswith(own)] == []
    assert [one for one in wrong if "Failed to initialize model" not in one] == []  # late: it hears


@pytest.mark.slow
def test_steps_stay_as_they_were_left_and_the_page_comes_back_where_it_was(
    workbook_server, new_tab
):
    page = new_tab()
    open_today(page, workbook_server)
    button = page.locator(".lk-today-next")
    assert re.match(r"\d of \d tasters have scored", button.inner_text())
    go(page, "bottles")
    bottle = page.get_by_label("Bottle, made up to (mL)")
    bottle.fill("750")
    bottle.press("Tab")
    go(page, "plan")
    page.go_back()
    assert bottle.input_value() == "750"
    assert page.locator("nav button[aria-current]").inner_text() == "Bottles"

    page.keyboard.press("Tab")
    page.locator("nav button[data-step=plan]").focus()
    page.keyboard.press("Enter")
    page.locator("nav button[data-step=plan][aria-current]").wait_for()
    page.get_by_label("Coffee", exact=True).first.select_option(
        label="Zindra, honey (Sandfirth Coffee)"
    )
    says = page.locator(".lk-today-says")
    says.get_by_text("Nothing has been tasted yet").wait_for(timeout=WAIT_MS)
    assert button.inner_text() == "Plan a ratio sweep"

    page.reload(timeout=WAIT_MS)
    page.locator(".lk-step-plan .lk-part").first.wait_for(timeout=WAIT_MS)
    says.get_by_text("Nothing has been tasted yet").wait_for()
    go(page, "bottles")
    button.click()
    page.locator("nav button[data-step=plan][aria-current]").wait_for()
    page.wait_for_function("document.activeElement.classList.contains('lk-part-waters')")


@pytest.mark.slow
def test_a_page_whose_program_ended_says_so_and_opens_again(workbook_server, new_tab):
    page = new_tab()
    open_today(page, workbook_server)
    kernel = page.evaluate(
        "JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId"
    )
    workbook_server.call("DELETE", f"/api/kernels/{kernel}")
    page.get_by_text("The program behind this page has ended").wait_for(timeout=30_000)

    page.get_by_role("button", name="Open it again").click()

    page.locator(".lk-step-taste .lk-part").first.wait_for(timeout=WAIT_MS)


@pytest.mark.slow
def test_the_page_works_in_jupyterlab_too_and_each_leads_to_the_other(lab):
    page = lab
    run_notebook(page, "0-today.ipynb")
    page.locator(".lk-step-taste .lk-part").first.wait_for(timeout=WAIT_MS)

    go(page, "bottles")

    assert page.locator(".lk-step:visible").count() == 1
    assert shows_no_error(page)
    assert page.locator(".lk-as-page").get_attribute("href") == PAGE
    assert "#" not in page.url  # in JupyterLab the address is JupyterLab's
    picture(page, "today-in-jupyterlab")
