"""A tick for each taster, large enough for wet hands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import ipywidgets as widgets
import traitlets

from labkit.widgets.parts.fields import said


def nobody_tastes(known: Sequence[str]) -> str:
    """What comes first where nobody is ticked."""
    return "Tick who tastes." if known else "Nobody tastes yet: add tasters first."


class TasterTicks(widgets.VBox):
    """Names to tick; ``value`` holds those that are.

    Parameters
    ----------
    label : str
        What ticking means.
    names, ticked : sequence of str
        Who is offered, and who is ticked at first.
    """

    value = traitlets.Tuple()

    def __init__(self, label: str, names: Sequence[str], ticked: Sequence[str] = ()) -> None:
        self.description = label
        self._ticks: dict[str, widgets.Checkbox] = {}
        self._row = widgets.HBox(layout=widgets.Layout(flex_flow="row wrap"))
        super().__init__([widgets.HTML(said(label)), self._row])
        self.add_class("lk-ticks")
        self.observe(self._show, "value")
        self.offer(names, ticked)

    def offer(self, names: Sequence[str], ticked: Sequence[str] = ()) -> None:
        """Offer other names."""
        self._ticks = {
            name: widgets.Checkbox(
                description=name,
                value=name in ticked,
                indent=False,
                layout=widgets.Layout(width="auto", min_width="7rem", height="2.75rem"),
            )
            for name in names
        }
        for tick in self._ticks.values():
            tick.observe(lambda _change: self._take(), "value")
        self._row.children = tuple(self._ticks.values())
        self._take()

    def follow(self, names: Sequence[str]) -> None:
        """Offer these names: who is new comes ticked, all others stay as they are."""
        if list(self._ticks) != list(names):
            self.offer(names, [n for n in names if n in self.value or n not in self._ticks])

    def _take(self) -> None:
        self.value = tuple(name for name, tick in self._ticks.items() if tick.value)

    def _show(self, change: dict[str, Any]) -> None:
        for name, tick in self._ticks.items():
            tick.value = name in change["new"]
