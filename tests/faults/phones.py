"""Phones that score in bursts, and remember what they gave, in which order, and what was kept."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from playwright.sync_api import TimeoutError

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}

WATCHED = """
const { setItem, removeItem } = Storage.prototype;
const note = (list, what) => {
  const known = JSON.parse(sessionStorage.getItem(list) ?? '[]');
  setItem.call(sessionStorage, list, JSON.stringify([...known, what]));
};
Storage.prototype.setItem = function (name, text) {
  if (name.includes('/touch/')) {
    const { id, flight, position, stage, attribute, value } = JSON.parse(text);
    note('given', [id, [flight, position, stage, attribute].join('/'), value]);
  }
  return setItem.call(this, name, text);
};
Storage.prototype.removeItem = function (name) {
  const score = name.includes('/touch/') && this.getItem(name);
  if (score) note('answered', JSON.parse(score).id);
  return removeItem.call(this, name);
};
const Real = Date;
const shift = () => Number(sessionStorage.getItem('clock') ?? 0);
window.Date = class extends Real {
  constructor(...given) {
    if (given.length) super(...given);
    else super(Real.now() + shift());
  }
  static now() { return Real.now() + shift(); }
};
"""
"""Script for a page: every score given, in its order, and every one that left the queue since
Python has answered it; a clock that steps by what stands under 'clock'. Kept across reloads."""

BURST = """(how) => {
  const fields = [...document.querySelectorAll('.lk-field')]
    .map((field) => [...field.querySelectorAll('.lk-row input[type=radio]')])
    .filter((radios) => radios.length);
  let n = 0;
  window.isBursting = true;
  const timer = setInterval(() => {
    // To and fro between neighbours: each click is a change.
    const radios = fields[n % fields.length];
    const at = Math.floor(n / fields.length) + how.shift;
    (radios[(2 * how.tab + (at % 2)) % radios.length] ?? radios[0]).click();
    n += 1;
    if (n >= how.touches) window.isBursting = clearInterval(timer);
  }, 10);
}"""

SETTLED = """() => document.querySelector('.lk-state')?.dataset.state === 'saved'
  && !window.isBursting"""

SHOWN = """() => JSON.stringify([...document.querySelectorAll('.lk-field')]
  .map((field) => [...field.querySelectorAll('.lk-row input[type=radio]')])
  .filter((radios) => radios.length)
  .map((radios) => radios.filter((radio) => radio.checked).map(({ value }) => Number(value)))
  .map((chosen) => (chosen.length ? Math.max(...chosen) : null)))"""
"""Which score of each attribute is chosen on the cup in front: a whole point, or it and a part."""

REFUSED = """() => Object.keys(localStorage).filter((name) => name.includes('/refused/'))
  .map((name) => JSON.parse(localStorage.getItem(name)))
  .map(({ id, sentence }) => [id, sentence])"""

SETTLE_MS = 180_000


@dataclass(kw_only=True)
class Tab:
    """A page with a taster's sheet."""

    taster: str
    page: Any
    number: int = 0
    """Of this taster's tabs, from 0: each clicks on values of its own."""

    bursts: int = 0

    def burst(self, touches: int = 20, *, others: bool = False) -> None:
        """Touches ten milliseconds apart, by the page's own buttons; of other values if so asked.

        What is given already and clicked once more is no touch.
        """
        how = {"shift": self.bursts, "tab": self.number + 2 * others, "touches": touches}
        self.page.evaluate(BURST, how)
        self.bursts += 1

    def settle(self) -> None:
        """Wait until the sheet says that all is saved."""
        self.page.wait_for_function(SETTLED, timeout=SETTLE_MS, polling=200)

    def given(self) -> list[list[Any]]:
        """Id, place and value of every score given here, in order."""
        return self._listed("given")

    def answered(self) -> set[str]:
        """Ids of scores that Python has answered to this tab."""
        return set(self._listed("answered"))

    def _listed(self, name: str) -> list[Any]:
        found: list[Any] = self.page.evaluate(
            "(name) => JSON.parse(sessionStorage.getItem(name) ?? '[]')", name
        )
        return found

    def refused(self) -> dict[str, str]:
        """What the taster is told was not taken, by id; all tabs of a phone share it."""
        return dict(self.page.evaluate(REFUSED))

    def code(self) -> str:
        """What stands on the cup in front."""
        return str(self.page.locator(".lk-code").inner_text()).split()[-1]

    def comes_to_show(self, chosen: list[float | None]) -> bool:
        """Whether the cup in front shows these scores; what was given elsewhere takes a moment."""
        with suppress(TimeoutError):
            self.page.wait_for_function(
                f"(wanted) => ({SHOWN})() === JSON.stringify(wanted)",
                arg=chosen,
                timeout=30_000,
                polling=200,
            )
            return True
        return False

    def step_clock(self, seconds: float) -> None:
        """Set the phone's clock that much before or after the true time."""
        self.page.evaluate("(ms) => sessionStorage.setItem('clock', ms)", 1000 * seconds)


@dataclass(kw_only=True)
class Phone:
    """One taster's browser, with a tab or two."""

    taster: str
    address: str
    context: Any
    tabs: list[Tab] = field(default_factory=list)
    closed: list[tuple[list[list[Any]], set[str]]] = field(default_factory=list)
    """What was given and answered in tabs that are closed."""

    def open_tab(self) -> Tab:
        """Open the taster's link once more."""
        page = self.context.new_page()
        page.goto(self.address, timeout=SETTLE_MS)
        page.wait_for_selector(".lk-sheet", timeout=SETTLE_MS)
        tab = Tab(taster=self.taster, page=page, number=len(self.tabs))
        self.tabs.append(tab)
        tab.settle()
        return tab

    def close_tab(self) -> None:
        """Close the tab opened last; what it gave is remembered."""
        tab = self.tabs.pop()
        self.closed.append((tab.given(), tab.answered()))
        tab.page.close()

    def given(self) -> list[list[list[Any]]]:
        """What each tab gave, in its order."""
        return [*(given for given, _ in self.closed), *(tab.given() for tab in self.tabs)]

    def answered(self) -> set[str]:
        """Ids that were answered in any tab."""
        before = (answered for _, answered in self.closed)
        return set().union(*before, *(tab.answered() for tab in self.tabs))
