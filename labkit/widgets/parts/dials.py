"""Dials: a choice of few numbers, all in sight, one tap each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import ipywidgets as widgets

from labkit.widgets.parts.fields import LABEL_WIDTH

LARGE: Final = """<style>
.lk-dial label{padding:.8rem .6rem .8rem 0;cursor:pointer;white-space:nowrap}
.lk-dial .widget-radio-box{flex-wrap:wrap;height:auto}
.lk-lines .widget-radio-box{width:100%}
.lk-lines .widget-radio-box label{display:flex;gap:.5rem;align-items:flex-start;width:auto;
  height:auto;padding:.5rem 0;cursor:pointer;white-space:normal;line-height:1.35;margin:0}
.lk-lines .widget-radio-box label input{order:-1;flex:none;float:none;
  width:1.1rem;height:1.1rem;margin:.12rem .15rem 0}
</style>"""
"""Room around each choice for wet fingers; the stock radio has none."""


def dial(label: str, options: Sequence[tuple[str, int]], value: int = 0) -> widgets.RadioButtons:
    """One of few numbers; show :data:`LARGE` once beside it."""
    return widgets.RadioButtons(
        description=label,
        options=options,
        value=value,
        orientation="horizontal",
        layout=widgets.Layout(width="min(33rem, 98%)"),
        style={"description_width": LABEL_WIDTH},
        _dom_classes=["lk-dial"],
    )


def lines(label: str, options: Sequence[tuple[str, str]]) -> widgets.RadioButtons:
    """One of a few sentences, each on a line of its own; show :data:`LARGE` once beside it."""
    return widgets.RadioButtons(
        description=label,
        options=options,
        layout=widgets.Layout(width="min(46rem, 98%)", height="auto"),
        style={"description_width": LABEL_WIDTH},
        _dom_classes=["lk-field", "lk-lines"],
    )


def numbers(first: int, last: int) -> list[tuple[str, int]]:
    """Whole numbers as options."""
    return [(str(number), number) for number in range(first, last + 1)]
