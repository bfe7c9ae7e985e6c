"""The page "Today" in a real browser when its tab, its program or its lab book went away."""

from __future__ import annotations

import contextlib
import os
import signal
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe

from labkit.book import LabBook
from labkit.book.current import CHOICE_FILE
from tests.browser.lab import picture, run_notebook, shows_no_error
from tests.tasted import copy_book
from tests.widgets.conftest import stock_a_shelf

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGE = "/voila/render/0-today.ipynb"
WAIT_MS = 120_000
"""A first kernel imports everything, on a machine that may be busy."""


@pytest.fixture
def own(workbook_server):
    """An own lab book, chosen, with a coffee and bottles; the page asks for no session."""
    data = workbook_server.workbook.parent / "data"
    (data / CHOICE_FILE).write_text("own.db\n")
    yield copy_book(data / "own.db", stock_a_shelf)
    for left in (CHOICE_FILE, *(one.name for one in data.glob("own*"))):
        (data / left).unlink(missing_ok=True)
    for left in (data / "backups").glob("*"):
        left.unlink()


def open_today(page, server, step="plan"):
    page.goto(f"{server.url}{PAGE}?token={server.token}", timeout=WAIT_MS)
    comes(page, step)


def comes(page, step):
    page.locator(f".lk-step-{step} .lk-part").first.wait_for(timeout=WAIT_MS)


def go(page, step):
    page.locator(f"nav button[data-step={step}]").click()
    comes(page, step)


def kill_program(page):
    """End the program behind the page the hard way."""
    name = page.evaluate(
        "JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId"
    )
    for command in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            if f"kernel-{name}.json".encode() in command.read_bytes():
                os.kill(int(command.parent.name), signal.SIGKILL)


def violations(page):
    """What axe-core finds at the head of the page."""
    found = Axe().run(page, context=".lk-today-head").response["violations"]
    return [(one["impact"], one["id"], one["nodes"][0]["html"][:160]) for one in found]


def type_drafts(page):
    """Fields of all kinds, in two steps; a passphrase and a code field are not to be kept."""
    go(page, "bottles")
    bottle = page.locator(".lk-part-weigh")
    bottle.get_by_label("Bottle, made up to (mL)").fill("750")
    bottle.get_by_label("Bottle, made up to (mL)").press("Tab")
    chooser = bottle.locator("select").first
    chooser.select_option(index=2)
    salt = chooser.evaluate("node => node.selectedOptions[0].textContent")
    go(page, "plan")
    waters = page.locator(".lk-part-waters input[type=text]").first
    waters.fill("4:1 1:1 1:4")
    waters.press("Tab")
    secret = page.get_by_label("Preparer's passphrase").last
    secret.fill("nobody must keep this")
    secret.press("Tab")
    return salt


def finds_drafts(page, salt):
    page.locator(".lk-back").get_by_text("What was being typed is back").wait_for(timeout=WAIT_MS)
    assert page.locator(".lk-part-waters input[type=text]").first.input_value() == "4:1 1:1 1:4"
    assert page.get_by_label("Preparer's passphrase").last.input_value() == ""
    said = page.locator(".lk-back").inner_text()
    assert "Not kept, type it again: 'Preparer's passphrase'" in said
    go(page, "bottles")
    page.locator(".lk-back").get_by_text("made up to").wait_for(timeout=WAIT_MS)
    bottle = page.locator(".lk-part-weigh")
    assert bottle.get_by_label("Bottle, made up to (mL)").input_value() == "750"
    chosen = bottle.locator("select").first.evaluate("node => node.selectedOptions[0].textContent")
    assert chosen == salt
    assert "750 mL" in bottle.inner_text()  # Python has it too


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="programs are found as Linux lists them")
def test_what_was_being_typed_comes_back_after_a_reload_and_with_another_program(
    workbook_server, new_tab, own
):
    page = new_tab()
    open_today(page, workbook_server)
    assert page.locator(".lk-back").inner_text() == ""
    salt = type_drafts(page)
    kept = page.evaluate("JSON.stringify([{...sessionStorage}, {...localStorage}])")
    assert "nobody must keep this" not in kept
    assert "4:1 1:1 1:4" in kept

    page.reload(timeout=WAIT_MS)
    comes(page, "plan")
    finds_drafts(page, salt)
    picture(page, "today-drafts-back")

    page.goto("about:blank")
    page.go_back(timeout=WAIT_MS)
    comes(page, "bottles")
    page.locator(".lk-back").get_by_text("made up to").wait_for(timeout=WAIT_MS)

    salt = type_drafts(page)
    kill_program(page)
    page.get_by_text("The program behind this page has ended").wait_for(timeout=30_000)
    picture(page, "today-program-ended")
    late = page.locator(".lk-part-waters input[type=text]").first
    late.fill("4:1 1:1 1:5")
    late.fill("4:1 1:1 1:4")  # typed while nothing answers

    page.get_by_role("button", name="Open it again").click()
    page.get_by_text("The program behind this page has ended").wait_for(state="hidden")
    comes(page, "plan")
    finds_drafts(page, salt)


def test_what_was_used_does_not_come_back_and_backup_and_export_are_buttons(
    workbook_server, new_tab, own
):
    page = new_tab()
    open_today(page, workbook_server)
    people = page.locator(".lk-part-people")
    add = people.get_by_role("button", name="Add tasters")  # the fold, and the button in it
    add.first.click()
    tasters = people.get_by_label("Tasters", exact=True)
    tasters.fill("Ines, Bram")
    tasters.press("Tab")
    read = "JSON.parse(sessionStorage.getItem('labkit-today-drafts')).fields.length"
    assert page.evaluate(read) == 1
    add.last.click()

    page.wait_for_function(f"{read} === 0", timeout=30_000)
    with LabBook(own) as book:
        assert set(book.people.tasters()) == {"Ines", "Bram"}

    head = page.locator(".lk-today-head")
    head.get_by_role("button", name="Back up and export").press("Enter")
    head.get_by_role("button", name="Back up now").click()
    head.get_by_text("Backed up:").wait_for(timeout=15_000)
    (copy,) = (own.parent / "backups").iterdir()
    with LabBook(copy) as kept:
        assert [one.name for one in kept.people.coffees()] == ["Coffee A"]
    with page.expect_download() as download:
        head.get_by_role("button", name="Scores, a row a cup (xlsx)").click()
    assert download.value.suggested_filename.endswith(".xlsx")
    picture(page, "today-backup")
    assert violations(page) == []


def test_a_book_that_goes_away_is_said_at_the_head_and_the_work_goes_on(
    workbook_server, new_tab, own
):
    page = new_tab()
    open_today(page, workbook_server)
    go(page, "bottles")
    bottle = page.get_by_label("Bottle, made up to (mL)")
    head = page.locator(".lk-today-head")
    for width, typed in ((1280, "750"), (390, "800")):
        page.set_viewport_size({"width": width, "height": 900})
        bottle.fill(typed)
        bottle.press("Tab")
        # A form that is still computing would say for itself that the book is away.
        page.get_by_text(f"make up to {typed} mL").first.wait_for(timeout=WAIT_MS)
        aside = own.rename(own.with_suffix(".aside"))
        head.get_by_text("The lab book cannot be reached").wait_for(timeout=15_000)
        assert page.locator("[role=alert]:visible").count() == 1
        picture(page, f"today-book-away-{width}")
        head.get_by_role("button", name="Try again").click()
        head.get_by_text("is not there").nth(1).wait_for()

        aside.rename(own)
        head.get_by_text("Lab book:").wait_for(timeout=15_000)
        assert head.get_by_role("button", name="Try again").is_hidden()
        assert bottle.input_value() == typed
    bottle.fill("900")


@pytest.mark.parametrize("width", [1280, 390])
def test_a_page_without_its_book_offers_others_in_sight(workbook_server, new_tab, own, width):
    page = new_tab(width=width)
    LabBook(own.with_name("own-other.db")).close()
    aside = own.rename(own.with_suffix(".aside"))
    page.goto(f"{workbook_server.url}{PAGE}?token={workbook_server.token}", timeout=WAIT_MS)
    head = page.locator(".lk-today-head")
    head.get_by_text("No lab book is open").wait_for(timeout=WAIT_MS)
    for name in ("Try again", "Use this one", "Use my own lab book", "Use the demo"):
        head.get_by_role("button", name=name).wait_for()
    page.wait_for_timeout(500)
    assert page.locator("[role=alert]:visible").count() == 1
    assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0
    picture(page, f"today-no-book-{width}")
    assert violations(page) == []

    if width == 390:
        aside.rename(own)
        comes(page, "plan")  # by itself
        return
    head.get_by_label("On this machine").select_option(index=0)
    head.get_by_role("button", name="Use this one").click()
    head.get_by_text("Lab book: own-other").wait_for(timeout=15_000)
    comes(page, "plan")


def test_in_jupyterlab_a_notebook_without_its_book_says_so_and_no_cell_fails(lab, own):
    page = lab
    own.rename(own.with_suffix(".aside"))
    run_notebook(page, "2-cupping-grid.ipynb")

    page.get_by_text("No lab book is open").first.wait_for(timeout=WAIT_MS)
    assert shows_no_error(page)
    assert page.get_by_role("button", name="Try again").count() == 1
    picture(page, "notebook-no-book")
