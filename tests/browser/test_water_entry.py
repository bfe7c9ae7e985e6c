"""The field for a water in a real browser, its text and sliders joined to the widget in Python."""

from __future__ import annotations

import pytest

from labkit.widgets.parts.water_entry import WaterEntry
from tests.browser.lab import picture

pytestmark = pytest.mark.browser

OPEN = """
async ([script, style, state]) => {
  document.head.append(Object.assign(document.createElement("style"), { textContent: style }));
  const heard = [];
  let waiting = {};
  window.hear = (changed) => { Object.assign(state, changed); heard.forEach((call) => call()); };
  const model = {
    get: (name) => state[name],
    set: (name, value) => { state[name] = value; waiting[name] = value; },
    save_changes: () => { const sent = waiting; waiting = {}; window.send(sent); },
    on: (_name, call) => heard.push(call),
    off: () => {},
  };
  // As a notebook does, which takes these keys for its cells.
  const taken = (event) => /Enter|Arrow/.test(event.key) && event.preventDefault();
  document.documentElement.addEventListener("keydown", taken);
  const address = URL.createObjectURL(new Blob([script], { type: "text/javascript" }));
  (await import(address)).default().render({ model, el: document.body });
}
"""
PAGE = (
    '<!doctype html><html lang="en"><title>water</title>'
    '<meta name="viewport" content="width=device-width">'
)
SHARED = ("label", "example", "text", "line", "names", "levels", "tops", "taken")


def shown(entry):
    return {name: getattr(entry, name) for name in SHARED}


@pytest.fixture
def entry():
    return WaterEntry("Wanted water")


@pytest.fixture
def open_entry(entry, new_page):
    """The entry on a page, what the page sends going to Python and the answer coming back."""

    def make(width):
        page = new_page(width=width)
        page.set_content(PAGE)

        def send(sent):
            entry.set_state(sent)
            page.evaluate("(changed) => void setTimeout(() => window.hear(changed))", shown(entry))

        page.expose_function("send", send)
        parts = entry.get_state(["_esm", "_css"])
        page.evaluate(OPEN, [parts["_esm"], parts["_css"], shown(entry)])
        return page

    return make


@pytest.mark.parametrize("width", [1280, 390])
def test_text_and_sliders_follow_one_another(entry, open_entry, width):
    page = open_entry(width)
    field = page.get_by_label("Wanted water")

    field.fill("1:3 at 100, alk 15")
    page.get_by_text("Ca 25, Mg 75, alk 15 mg/L as CaCO3").wait_for()
    assert page.get_by_label("Hardness").input_value() == "100"
    assert entry.value == "Ca 40, Mg 40, alk 40"  # typed, and not meant yet
    field.press("Enter")
    page.wait_for_timeout(100)
    assert entry.value == "1:3 at 100, alk 15"

    slider = page.get_by_label("Alkalinity")
    slider.focus()
    slider.press("ArrowRight")
    page.get_by_text("alk 16 mg/L as CaCO3").wait_for()
    assert field.input_value() == "1:3 at 100, alk 16"
    assert entry.target.alkalinity_mg_l_caco3 == 16
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    picture(page, f"water-entry-{width}")


def test_every_part_has_a_name_and_is_reached_by_keys(open_entry):
    page = open_entry(1280)

    reached = []
    for _ in range(4):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.labels[0].textContent"))

    assert reached == ["Wanted water", "Mg share", "Hardness", "Alkalinity"]


def test_what_python_writes_does_not_disturb_who_types(entry, open_entry):
    page = open_entry(1280)
    field = page.get_by_label("Wanted water")
    field.fill("3:1 at 9")

    entry.move(hardness_mg_l_caco3=120.0)
    page.evaluate("(changed) => window.hear(changed)", shown(entry))

    assert field.input_value() == "3:1 at 9"
