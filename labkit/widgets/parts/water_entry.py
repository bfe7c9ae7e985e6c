"""The field for a water: typed as the trade says it, with the other ways and sliders beside it.

Text and sliders stand in one part of the page, so that the native fields of a browser serve them:
each has its label, is worked by keys alone, and says when a change is meant and when it is only on
its way. Python reads and writes; the page shows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import traitlets

from labkit.errors import WaterError
from labkit.present import other_ways, say
from labkit.water import (
    COORDINATE,
    COORDINATES,
    Target,
    TypedWater,
    levels_of,
    read_water,
    write_water,
)
from labkit.widgets.parts.browser_half import BrowserHalf

FIRST: Final = Target(mg_share=0.5, hardness_mg_l_caco3=80.0, alkalinity_mg_l_caco3=40.0)
"""Where nothing is known: even Ca:Mg at a moderate hardness, and the published target of alkalinity
(common practice)."""

EXAMPLE: Final = "Ca 60, Mg 40, alk 15 · 1:3 at 100, alk 15"
_DIGITS: Final = 3
"""Significant digits in which a water is written into the field; what it stands for stays exact."""

_SCRIPT = """
function render({ model, el }) {
  const make = (tag, about = {}, ...inside) => {
    const made = Object.assign(document.createElement(tag), about);
    made.append(...inside);
    return made;
  };
  const id = `lk-water-${Math.random().toString(36).slice(2)}`;
  const box = make("div", { className: "lk-water" });
  box.setAttribute("data-lm-suppress-shortcuts", "true");
  // A notebook around it takes Enter and arrows for its cells, also while a field has the focus.
  box.addEventListener("keydown", (event) => event.stopPropagation());
  const label = make("label", { htmlFor: id });
  const field = make("input", { id, type: "text", autocomplete: "off", spellcheck: false });
  const line = make("p", { id: `${id}-ways`, className: "lk-ways" });
  field.setAttribute("aria-describedby", line.id);
  const sliders = model.get("names").map(([name, step], at) => {
    const slider = make("input", { id: `${id}-${at}`, type: "range", min: 0, step });
    const shown = make("output", { htmlFor: slider.id });
    slider.addEventListener("input", () => {
      const levels = [...model.get("levels")];
      levels[at] = Number(slider.value);
      shown.textContent = slider.value;
      model.set("levels", levels);
      model.save_changes();
    });
    slider.addEventListener("change", () => take());
    const named = make("label", { htmlFor: slider.id, textContent: name });
    box.append(make("div", { className: "lk-slide" }, named, slider, shown));
    return { slider, shown };
  });
  const take = () => {
    model.set("taken", model.get("taken") + 1);
    model.save_changes();
  };
  field.addEventListener("input", () => {
    model.set("text", field.value);
    model.save_changes();
  });
  const mean = () => {
    model.set("text", field.value);
    take();
  };
  field.addEventListener("change", mean);
  field.addEventListener("keydown", (event) => event.key === "Enter" && mean());
  // What somebody types stays as typed; the rest of the page follows.
  const show = () => {
    label.textContent = model.get("label");
    if (field.value !== model.get("text") && document.activeElement !== field) {
      field.value = model.get("text");
    }
    field.placeholder = model.get("example");
    line.textContent = model.get("line");
    sliders.forEach(({ slider, shown }, at) => {
      slider.max = model.get("tops")[at];
      if (document.activeElement === slider && slider.matches(":active")) return;
      slider.value = model.get("levels")[at];
      shown.textContent = slider.value;
    });
  };
  field.value = model.get("text");
  show();
  model.on("change", show);
  box.prepend(make("div", { className: "lk-typed" }, label, field), line);
  el.append(box);
  return () => model.off("change", show);
}
export default { render };
"""

_STYLE = """
.lk-water { width: min(46rem, 98%); margin: 2px; line-height: 1.4;
  font-size: var(--jp-widgets-font-size, 13px); color: var(--jp-ui-font-color1, #222); }
.lk-water label { box-sizing: border-box; width: 13rem; padding-right: 8px; text-align: right; }
.lk-typed, .lk-slide { display: flex; align-items: center; }
.lk-typed { width: min(33rem, 100%); }
.lk-typed input { flex: 1 1 12rem; min-width: 0; box-sizing: border-box; height: 28px;
  padding: 2px 8px; font: inherit; color: inherit; background: var(--jp-layout-color1, #fff);
  border: 1px solid var(--jp-border-color1, #9e9e9e); }
.lk-water label { flex: 0 0 13rem; }
.lk-water input:focus-visible { outline: 2px solid var(--jp-brand-color1, #1f4f5c);
  outline-offset: 1px; }
.lk-ways { margin: 2px 0 4px 13rem; min-height: 1.4em; }
.lk-slide input { flex: 1 1 12rem; min-width: 0; max-width: 14rem; }
.lk-slide output { flex: 0 0 3.5rem; padding-left: 8px; font-variant-numeric: tabular-nums; }
@media (max-width: 40rem) {
  .lk-water { font-size: 1rem; }
  .lk-typed { flex-wrap: wrap; }
  .lk-typed label { flex: 0 0 100%; text-align: left; padding: .4rem 0 .2rem; }
  .lk-typed input { min-height: 2.75rem; font-size: 1rem; }
  .lk-ways { margin-left: 0; }
  .lk-slide { min-height: 2.75rem; }
  .lk-slide label { flex: 0 0 6rem; text-align: left; }
  .lk-slide input { max-width: none; }
}
"""


class WaterEntry(BrowserHalf):
    """One field for a water, the other ways to say it, and sliders that follow and lead.

    ``value`` is the text as it is meant: after Enter, after leaving the field, after a slider was
    let go. What is on its way shows in the line beside it only.

    Parameters
    ----------
    label : str
        What the field is called.
    target : Target
        The water to begin with; what is later left out of a text is taken from it too.
    field : str
        The field that an error names.
    """

    _esm = _SCRIPT
    _css = _STYLE

    value = traitlets.Unicode()
    label = traitlets.Unicode().tag(sync=True)
    example = traitlets.Unicode(EXAMPLE).tag(sync=True)
    text = traitlets.Unicode().tag(sync=True)
    line = traitlets.Unicode().tag(sync=True)
    names: traitlets.List[list[object]] = traitlets.List().tag(sync=True)
    levels = traitlets.List(traitlets.Float()).tag(sync=True)
    tops = traitlets.List(traitlets.Float()).tag(sync=True)
    taken = traitlets.Int(0).tag(sync=True)

    def __init__(self, label: str = "Water", target: Target = FIRST, *, field: str = "water"):
        names = [
            [one.words[0].upper() + one.words[1:], 10**-one.digits] for one in COORDINATE.values()
        ]
        self._first, self._field = target, field
        self._stands = self._filled = (target, target)
        self._seen: tuple[str, list[float]] = ("", [])
        super().__init__(label=label, names=names)
        self.observe(lambda _change: self._follow(), ["text", "levels"])
        self.observe(lambda _change: self._take(), "taken")
        self.observe(lambda change: self._show(change["new"]), "value")
        self.fill(target)

    @property
    def description(self) -> str:
        """The label, under the name that every field of a form has it by."""
        return str(self.label)

    @property
    def typed(self) -> TypedWater:
        """The water as it is meant, and what of it was not said but taken.

        A water that was filled in stays as exact as it was; where one of its levels was changed,
        the others do.

        Raises
        ------
        WaterError
            If the text cannot be read as one water.
        """
        return self._read(self.value)

    @property
    def target(self) -> Target:
        """The water as it is meant; raises as :attr:`typed` does."""
        return self.typed.target

    def fill(self, target: Target) -> None:
        """Put a water into the field; it is kept as exactly as it is given.

        Parameters
        ----------
        target : Target
            The water.
        """
        self._write(target)
        self._filled = self._stands
        self._take()

    def move(self, **levels: float) -> None:
        """Change some levels of the water, as a slider does, and mean it.

        Parameters
        ----------
        **levels : float
            By the name of the coordinate.

        Raises
        ------
        WaterError
            If there is no such water.
        """
        self._lead(levels)
        self._take()

    def _lead(self, levels: Mapping[str, float]) -> None:
        """Write the water with these levels; one as it was filled in is meant as exactly."""
        _, filled = self._filled
        meant = {
            name: getattr(filled, name)
            if level == round(getattr(filled, name), COORDINATE[name].digits)
            else level
            for name, level in levels.items()
        }
        self._write(replace(self._now(), **meant))

    def _read(self, text: str) -> TypedWater:
        otherwise = dict(zip(COORDINATES, levels_of(self._first), strict=True))
        typed = read_water(text, otherwise=otherwise, field=self._field)
        return replace(typed, target=self._exact(typed.target))

    def _exact(self, read: Target) -> Target:
        """The water that was filled in where the text still says it, all but one level of it."""
        as_filled = {
            name: getattr(exact, name)
            for written, exact in (self._filled, self._stands)
            for name in COORDINATES
            if abs(getattr(read, name) - getattr(written, name)) < 1e-9
        }
        return replace(read, **as_filled) if len(as_filled) > 1 else read

    def _now(self) -> Target:
        """The water in the field, or the first one while there is none to read."""
        try:
            return self._read(self.text).target
        except WaterError:
            return self._first

    def _write(self, target: Target) -> None:
        """Say a water in the way that the field says one now."""
        try:
            way = self._read(self.text).way
        except WaterError:
            way = TypedWater(target=target).way
        text = write_water(target, way, digits=_DIGITS)
        self._stands = (read_water(text).target, target)
        self._show(text)

    def _show(self, text: str) -> None:
        if text != self.text:
            self.text = text
        self._follow()

    def _follow(self) -> None:
        """Let the rest follow what was changed last, text or sliders, and never in a circle."""
        text, levels = self._seen
        if self.text == text and list(self.levels) != levels and levels:
            moved = {
                name: level
                for name, level, before in zip(COORDINATES, self.levels, levels, strict=True)
                if level != before
            }
            self._seen = (text, list(self.levels))
            self._lead(moved)
            return
        if self.text == text:
            return
        self._seen = (self.text, levels)
        try:
            typed = self._read(self.text)
        except WaterError:
            self.line = ""  # on its way; what is meant and wrong is said below the field
            return
        shown = [
            round(level, COORDINATE[name].digits)
            for name, level in zip(COORDINATES, levels_of(typed.target), strict=True)
        ]
        self._seen = (self.text, shown)
        self.tops = [
            max(COORDINATE[name].high, level)
            for name, level in zip(COORDINATES, shown, strict=True)
        ]
        self.levels = shown
        self.line = " ".join(filter(None, [f"= {other_ways(typed.target)}", say(typed)]))

    def _take(self) -> None:
        """Mean what stands in the field."""
        self._follow()
        self.value = self.text
