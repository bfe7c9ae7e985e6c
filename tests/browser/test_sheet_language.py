"""A taster's page in another language, in a real browser that asks for it."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from labkit.book import Attribute, Held, LabBook
from labkit.tasting import SCALES
from tests.browser.lab import picture
from tests.widgets.serving import choose, group, kept, open_sheet, serving, wait_saved
from tests.widgets.tables import SESSION, lay_table

pytestmark = pytest.mark.browser

LOCKED = "zweite Sitzung"
IN_ONE = ("de", "en")
PHONE = {"width": 390, "height": 844, "has_touch": True, "is_mobile": True}
ATTRIBUTES = (
    Attribute(name="overall", scale=SCALES["liking 1-9"]),
    Attribute(name="acidity", scale=SCALES["intensity 0-15"]),
    Attribute(name="acidity: just right?", scale=SCALES["just about right"]),
    Attribute(name="words", kind="descriptors", choices=("floral", "nutty")),
)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page of sessions that leave the language to each browser, and that have one."""
    folder = tmp_path_factory.mktemp("tasting")
    lay_table(folder / "book.db", attributes=ATTRIBUTES)
    lay_table(folder / "book.db", session=LOCKED, attributes=ATTRIBUTES)
    for language in IN_ONE:
        held = Held(language=language)
        lay_table(folder / "book.db", session=f"in {language}", attributes=ATTRIBUTES, held=held)
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def test_a_german_browser_reads_german_and_the_book_keeps_its_names(place, new_tab):
    page = new_tab(**PHONE, locale="de-DE")
    open_sheet(page, place.links()["Ines"].address)

    assert page.evaluate("document.documentElement.lang") == "de"
    for title in ("Gesamturteil", "Säure", "Säure: genau richtig?", "words"):
        assert group(page, title).is_visible()
    choose(page, "Gesamturteil", "7 gefällt mäßig")
    choose(page, "Säure", "7")
    choose(page, "Säure", "7,5")
    group(page, "Säure").get_by_text("7,5, schwach bis deutlich").wait_for()
    choose(page, "Säure: genau richtig?", "zu wenig")
    choose(page, "words", "nutty")
    wait_saved(page)
    assert "Gespeichert um" in page.locator(".lk-state").inner_text()
    assert Axe().run(page).response["violations"] == []
    picture(page, "sheet_german_390")
    page.get_by_role("button", name="Tassen", exact=True).click()
    page.get_by_role("heading", name="Durchgang 1: 1 von 4 Tassen fertig").wait_for()
    wide = page.evaluate("document.documentElement.scrollWidth")
    assert wide <= 390

    rows = [row[1:] for row in kept(place.book_path, SESSION) if row[0] == "Ines"]
    assert rows == [
        (1, "overall", 7.0),
        (1, "acidity", 7.0),
        (1, "acidity", 7.5),
        (1, "acidity: just right?", 2.0),
        (1, "words", ("nutty",)),
    ]


def test_what_python_refuses_is_said_in_the_readers_language(place, new_tab):
    page = new_tab(**PHONE, locale="de-DE")
    open_sheet(page, place.of(LOCKED).links()["Jonas"].address)
    with LabBook(place.book_path) as book:
        book.sessions.lock_flights(LOCKED, [1])
    choose(page, "Gesamturteil", "5 weder noch")

    page.get_by_text("Nicht angenommene Wertungen: 1").wait_for(timeout=20_000)
    page.get_by_text("der Durchgang ist abgeschlossen").wait_for()
    page.get_by_text("Durchgang 1 ist abgeschlossen").wait_for(timeout=20_000)
    said = page.locator("body").inner_text()
    assert not [word for word in ("locked", "flight", "score", "tell the lead") if word in said]


def test_a_browser_of_a_language_that_there_is_not_reads_english(place, new_tab):
    page = new_tab(**PHONE, locale="fr-FR")
    open_sheet(page, place.links()["Mirela"].address)

    assert group(page, "overall").is_visible()
    assert page.evaluate("document.documentElement.lang") == "en"


@pytest.mark.parametrize(("locale", "language"), [("en-GB", "de"), ("de-DE", "en")])
def test_the_sessions_language_goes_before_the_browsers(place, new_tab, locale, language):
    page = new_tab(**PHONE, locale=locale)
    open_sheet(page, place.of(f"in {language}").links()["Ines"].address)

    title = {"de": "Gesamturteil", "en": "overall"}[language]
    assert group(page, title).is_visible()


def test_the_door_speaks_the_browsers_language(place, new_tab):
    page = new_tab(**PHONE, locale="de-DE")
    page.goto(place.url)
    assert page.get_by_role("button", name="Meinen Bogen öffnen").is_visible()
    page.goto(f"{place.url}?code=AAAAABBBBB")
    assert "Diesen Link gibt es nicht" in page.get_by_role("alert").inner_text()
    assert page.evaluate("document.documentElement.lang") == "de"
    assert Axe().run(page).response["violations"] == []
    picture(page, "sheet_german_door_390")
