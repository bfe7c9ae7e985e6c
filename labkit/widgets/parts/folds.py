"""A fold: what seldom matters behind one line, opened by hand, key or a sentence that needs it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import ipywidgets as widgets
import traitlets

from labkit.widgets.parts.browser_half import STATIC, BrowserHalf


class FoldLine(BrowserHalf):
    """The line to press; it says to a screen reader whether its fold is open.

    Parameters
    ----------
    title : str
        What stands on it.
    is_open : bool
        Whether the fold lies open.
    """

    _esm = (STATIC / "fold.js").read_text(encoding="utf-8")
    _css = (STATIC / "fold.css").read_text(encoding="utf-8")

    title = traitlets.Unicode().tag(sync=True)
    is_open = traitlets.Bool(False).tag(sync=True)


class Fold(widgets.VBox):
    """Widgets behind a line to open.

    Parameters
    ----------
    title : str
        What the line says.
    inside : sequence of widget
        What opens below it.
    is_open : bool
        Whether it lies open at first.

    Attributes
    ----------
    is_open : bool
        Whether it lies open now; set it to open or close, observe it to follow.
    """

    is_open = traitlets.Bool(False)

    def __init__(
        self, title: str, inside: Sequence[widgets.Widget], *, is_open: bool = False, **options: Any
    ) -> None:
        self._line = FoldLine(title=title, is_open=is_open, _dom_classes=["lk-fold-line"])
        self._box = widgets.VBox(list(inside), _dom_classes=["lk-fold-box"])
        super().__init__(
            [self._line, self._box], is_open=is_open, _dom_classes=["lk-fold"], **options
        )
        traitlets.link((self, "is_open"), (self._line, "is_open"))

    @property
    def inside(self) -> tuple[widgets.Widget, ...]:
        """What opens below the line."""
        return tuple(self._box.children)

    def add(self, *more: widgets.Widget) -> None:
        """Put more below what is inside.

        Parameters
        ----------
        *more : widget
            In their order.
        """
        self._box.children = (*self._box.children, *more)
