"""The map of waters under mouse, finger and keys, in a real browser and with Python's answers."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest

from labkit.analysis import PlantedPeak, SimulatedPanel, gather_scores, water_map
from labkit.errors import DosingError
from labkit.water import Target
from labkit.widgets import WaterMapView
from tests.browser.lab import picture, run_notebook, shows_no_error
from tests.browser.test_sheet_accessibility import findings
from tests.widgets.tables import write_notebook

pytestmark = pytest.mark.browser

CONTROL = (0.5, 100.0, 30.0)
CORNERS = [(s, h, a) for s in (0.05, 0.95) for h in (50.0, 150.0) for a in (5.0, 55.0)]

PAGE = """<!doctype html><html lang="en"><head><title>Map</title>
<meta name="viewport" content="width=device-width"><style>body {margin: 8px} %s</style></head>
<body><main><h1>Page</h1><div id="here"></div></main></body></html>"""

STAND_IN = """async ([script, state]) => {
  const heard = {};
  window.model = {
    get: (name) => state[name],
    on: (name, call) => { heard[name] = call; },
    off: () => {},
    send: async (message) => {
      const [answer, now] = await window.python(message);
      heard['msg:custom'](answer);
      Object.assign(state, now);
      Object.keys(now).forEach((name) => heard[`change:${name}`]());
    },
  };
  const url = URL.createObjectURL(new Blob([script], {type: 'text/javascript'}));
  const widget = (await import(url)).default();
  widget.render({model: window.model, el: document.getElementById('here')});
}"""
"""A stand-in for Jupyter's model: messages go to Python at once, and its answers come back."""


@pytest.fixture(scope="module")
def found():
    rng = np.random.default_rng(11)
    peak = PlantedPeak(best=(0.2, 120.0, 20.0), effect_points=3)
    panel = SimulatedPanel.draw(["Ada", "Ben", "Cleo", "Dov"], peak, seed=rng)
    frame = panel.taste_flights([[CONTROL, *CORNERS]] * 2, seed=rng, control=CONTROL)
    return water_map(gather_scores(frame))


@pytest.fixture
def view(found):
    def pour(water):
        if water.mg_share > 0.85:
            raise DosingError("no bottle on the shelf holds enough magnesium.")
        return f"for 1000 mL: {water.hardness_mg_l_caco3:.1f} mL of a bottle"

    made = WaterMapView(pour=pour)
    made.show(found, coffee="Osmeni")
    made.show_next([Target(mg_share=0.3, hardness_mg_l_caco3=90, alkalinity_mg_l_caco3=20)])
    return made


def open_map(page, view):
    """Draw the map on an empty page."""
    state = view.get_state()
    page.set_content(PAGE % state["_css"])
    page.expose_function("python", lambda message: [view.answer(message), {}])
    page.evaluate(STAND_IN, [state["_esm"], json.loads(json.dumps(state, default=str))])
    return page.get_by_role("application", name="Osmeni: map of waters")


def plain(text):
    """Without the blanks that hold a number and its sign together."""
    return text.replace("\u00a0", " ")


def said(page):
    return plain(page.locator(".lk-map-said").inner_text())


def at(found, share=0, hardness=0, alkalinity=0):
    """What the map says of the water so many levels away from the best."""
    place = np.add(found.place(found.recommended.water), (share, hardness, alkalinity))
    return found.at(found.water(tuple(place.tolist())))


def stated(point):
    return f"Expected score {point.expected:.2f} ({point.low:.2f} to {point.high:.2f}, 90 %)"


@pytest.mark.parametrize("width", [390, 1280])
def test_it_opens_on_todays_best_and_says_what_the_verdict_says(found, view, new_page, width):
    page = new_page(width=width, height=900)
    area = open_map(page, view)
    one = found.recommended

    assert "today's best itself" in said(page)
    assert f"Expected score {one.expected:.2f} ({one.low:.2f} to {one.high:.2f}" in said(page)
    assert f"{int(100 * one.chance_above_control)} % chance to beat the control" in said(page)
    hardness, share = one.water.hardness_mg_l_caco3, one.water.mg_share
    assert f"{hardness * (1 - share):.0f} mg/L Ca and {hardness * share:.0f} mg/L Mg" in said(page)
    page.get_by_text(f"for 1000 mL: {hardness:.1f} mL of a bottle").first.wait_for()
    box = area.bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= width
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_arrow_keys_move_and_change_what_is_said(found, view, new_page):
    page = new_page(width=1280, height=900)
    outside = []
    page.expose_function("outside", lambda key: outside.append(key))
    area = open_map(page, view)
    page.evaluate("document.addEventListener('keydown', (event) => window.outside(event.key))")
    area.focus()

    for key, away in (
        ("ArrowRight", {"share": 1}),
        ("ArrowUp", {"share": 1, "hardness": 1}),
        ("PageDown", {"share": 1, "hardness": 1, "alkalinity": -1}),
    ):
        page.keyboard.press(key)
        point = at(found, **away)
        assert stated(point) in said(page)
        assert f"{100 * point.chance_above_best:.0f} % chance to beat today's best" in said(page)
        live = page.locator(".lk-map [aria-live]").all_inner_texts()
        assert any(stated(point) in plain(text) for text in live)
    assert page.get_by_label("Alkalinity").get_attribute("aria-valuetext") == (
        f"{at(found, alkalinity=-1).water.alkalinity_mg_l_caco3:.0f} mg/L"
    )
    for _ in range(40):
        page.keyboard.press("ArrowLeft")
    assert "Mg, both as CaCO3" in said(page)  # the edge holds
    assert outside == [], "a notebook's shortcuts hear nothing"
    outline = area.evaluate("one => getComputedStyle(one).outlineWidth")
    assert outline == "3px", "focus can be seen"


def test_the_slider_moves_alkalinity_and_the_shades(found, view, new_page):
    page = new_page(width=390, height=900)
    open_map(page, view)
    cells = "[...document.querySelectorAll('.lk-map-area > rect')]"
    shades = f"() => {cells}.map((one) => one.getAttribute('fill')).join()"
    before = page.evaluate(shades)

    page.get_by_label("Alkalinity").focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")

    assert stated(at(found, alkalinity=3)) in said(page)
    assert page.evaluate(shades) != before
    page.get_by_role("button", name="Show today's best").click()
    assert "today's best itself" in said(page)


def test_a_tap_chooses_and_the_mouse_only_looks(found, view, new_page):
    page = new_page(width=390, height=900, has_touch=True)
    area = open_map(page, view)
    box = area.bounding_box()
    spot = {"x": box["width"] * 0.97 - 14, "y": 60}

    area.hover(position=spot)
    looked = said(page)
    assert "today's best itself" not in looked
    page.mouse.move(5, 5)
    assert "today's best itself" in said(page)
    area.tap(position=spot)
    page.get_by_text("no bottle on the shelf holds enough magnesium.").first.wait_for()
    assert looked.splitlines()[0] == said(page).splitlines()[0]


def test_buttons_hand_the_chosen_water_to_python(found, view, new_page):
    wanted, cards = [], []
    view.on_card(cards.append)
    page = new_page(width=390, height=900)
    area = open_map(page, view)
    assert page.get_by_role("button", name="Taste it next").count() == 0
    page = new_page(width=390, height=900)
    view.on_taste_next(wanted.append)
    area = open_map(page, view)
    area.focus()
    page.keyboard.press("ArrowRight")

    page.get_by_role("button", name="Make it a card").click()
    page.get_by_text("On the recipe card: Ca:Mg").wait_for()
    page.get_by_role("button", name="Taste it next").click()
    page.get_by_text("In the next flight: Ca:Mg").wait_for()

    assert cards == wanted == [at(found, share=1).water]


def test_an_error_stands_at_the_buttons(view, new_page):
    def fail(_water):
        raise DosingError("the bottles do not reach this water.")

    view.on_card(fail)
    page = new_page(width=390, height=900)
    open_map(page, view)
    page.get_by_role("button", name="Make it a card").click()
    wrong = page.get_by_text("the bottles do not reach this water.")
    wrong.wait_for()
    assert "lk-map-wrong" in wrong.get_attribute("class")


def test_a_kernel_that_has_ended_is_said_at_the_buttons(view, new_page):
    view.on_card(lambda _water: None)
    page = new_page(width=390, height=900)
    open_map(page, view)
    page.evaluate("() => { window.model.send = () => { throw new Error('gone'); }; }")
    page.get_by_role("button", name="Make it a card").click()
    page.get_by_text("Not connected: nothing was handed over.").wait_for()


def test_the_same_stands_in_a_table(found, view, new_page):
    page = new_page(width=390, height=900)
    open_map(page, view)
    page.get_by_text("The same as a table").focus()
    page.keyboard.press("Enter")
    table = page.get_by_role("table")
    table.wait_for()
    share, hardness, _ = found.levels
    assert table.get_by_role("row").count() == len(hardness) + 1
    one = at(found)
    cell = f"{one.expected:.2f} ({100 * one.chance_near_best:.0f} %)"
    assert cell in plain(table.inner_text())
    assert table.get_by_role("columnheader").count() == len(share) + 1
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("width", [390, 1280])
def test_axe_finds_nothing(view, new_page, width):
    view.on_taste_next(lambda _water: None)
    page = new_page(width=width, height=900)
    area = open_map(page, view)
    assert findings(page) == [], "untouched"
    area.focus()
    page.keyboard.press("ArrowUp")
    page.get_by_text("The same as a table").click()
    assert findings(page) == [], "with its table"


def test_a_sweep_of_one_dial_is_a_strip_and_says_what_was_held(new_page):
    rng = np.random.default_rng(4)
    peak = PlantedPeak(best=(0.8, 100.0, 30.0), effect_points=3)
    panel = SimulatedPanel.draw(["Ada", "Ben", "Cleo"], peak, seed=rng)
    waters = [(share, 100.0, 30.0) for share in (0.0, 0.25, 0.5, 0.75, 1.0)]
    frame = panel.taste_flights([waters] * 2, seed=rng, control=CONTROL)
    view = WaterMapView()
    view.show(water_map(gather_scores(frame)), coffee="Osmeni")
    page = new_page(width=390, height=900)
    area = open_map(page, view)

    assert page.get_by_label("Alkalinity").is_visible() is False
    assert page.get_by_text("Hardness is 100 mg/L, as in all cups").is_visible()
    before = said(page)
    area.focus()
    page.keyboard.press("ArrowUp")
    assert said(page) == before
    page.keyboard.press("ArrowLeft")
    assert said(page) != before
    assert re.search(r"\d+ % chance to beat today's best", said(page))


def test_in_jupyterlab_it_answers_and_the_notebook_hears_no_key(workbook_server, lab):
    write_notebook(
        workbook_server.workbook / "map-in-lab.ipynb",
        "from labkit.book.demo import ensure_demo_book\n"
        "from labkit.book import LabBook\n"
        "from labkit.widgets import ReadingView\n"
        "book = LabBook(ensure_demo_book())",
        "view = ReadingView(book, lambda *_one, **_more: '')\n"
        "view.form.fields['coffee'].value = ('Quillmoor Roastery', 'Osmeni, natural')\n"
        "view.map.on_taste_next(lambda water: None)\n"
        "view",
    )
    page = lab
    page.set_viewport_size({"width": 1280, "height": 1500})
    run_notebook(page, "map-in-lab.ipynb")
    area = page.get_by_role("application", name="Osmeni, natural: map of waters")
    area.wait_for(timeout=120_000)
    page.locator(".lk-map-said").get_by_text("for 1000 mL:").wait_for(timeout=60_000)
    selected = "window.jupyterapp.shell.currentWidget.content.activeCellIndex"
    area.focus()
    before, cell = said(page), page.evaluate(selected)

    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("b")  # makes a cell in JupyterLab's command mode

    assert said(page) != before
    assert page.evaluate(selected) == cell
    page.locator(".lk-map-said").get_by_text("for 1000 mL:").wait_for(timeout=60_000)
    picture(page, "map-1280", area)
    page.get_by_role("button", name="Taste it next").click()
    page.get_by_text("In the next flight: Ca:Mg").wait_for(timeout=60_000)
    assert shows_no_error(page)
    page.set_viewport_size({"width": 390, "height": 844})
    page.evaluate("window.jupyterapp.commands.execute('application:toggle-left-area')")
    page.wait_for_timeout(500)
    picture(page, "map-390", area)
    box = area.bounding_box()
    assert box["x"] + box["width"] <= 390
