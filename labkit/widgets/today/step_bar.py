"""The row of steps at the head of the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import traitlets

from labkit.widgets.parts.browser_half import BrowserHalf

_STATIC = Path(__file__).parent / "static"


class StepBar(BrowserHalf):
    """Native buttons, one a step; the browser shows the step chosen and hides the others.

    Parameters
    ----------
    steps : sequence of (str, str)
        Name and label of each; a name is part of a CSS class.
    scope : str
        CSS class of the page that holds the steps.
    on_here : callable
        Called with the step (or None) and the coffee (or None) that this browser was at last, as
        soon as it shows the row.
    keeps : mapping of str to sequence of str
        Parts, by step, in which what is being typed is kept in the browser's tab until it is used.
    """

    _esm = "\n".join(
        (_STATIC / name).read_text(encoding="utf-8") for name in ("drafts.js", "step_bar.js")
    )
    _css = (_STATIC / "today.css").read_text(encoding="utf-8")

    steps: traitlets.List[Any] = traitlets.List().tag(sync=True)
    scope = traitlets.Unicode().tag(sync=True)
    chosen = traitlets.Unicode("").tag(sync=True)
    next_step = traitlets.Unicode("").tag(sync=True)
    coffee: traitlets.List[Any] = traitlets.List().tag(sync=True)
    book = traitlets.Unicode("").tag(sync=True)
    keeps: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)

    def __init__(
        self,
        steps: Sequence[tuple[str, str]],
        scope: str,
        on_here: Callable[[str | None, tuple[str, str] | None], Any],
        keeps: Mapping[str, Sequence[str]],
    ) -> None:
        self._on_here = on_here
        self._names = [name for name, _ in steps]
        super().__init__(
            steps=[list(one) for one in steps],
            scope=scope,
            keeps={step: list(parts) for step, parts in keeps.items()},
        )
        self.on_msg(lambda _widget, message, _buffers: self._hear(message))

    def go(self, step: str, part: str = "") -> None:
        """Bring the browser to a part of a step: in sight, and the focus there.

        Parameters
        ----------
        step, part : str
            Name of the step; of the part, the beginning if not given.
        """
        self.chosen = step
        self.send({"kind": "go", "step": step, "part": part})

    def go_on(self) -> None:
        """Bring the focus to the button for what is next."""
        self.send({"kind": "next"})

    def _hear(self, message: Any) -> None:
        if not isinstance(message, dict) or message.get("kind") != "here":
            return
        step, coffee = message.get("step"), message.get("coffee")
        kept = None
        if isinstance(coffee, list) and len(coffee) == 2:
            kept = (str(coffee[0]), str(coffee[1]))
        self._on_here(step if step in self._names else None, kept)
