"""A field for a passphrase: what is typed is in no widget's state."""

from __future__ import annotations

from typing import Any

import traitlets

from labkit.widgets.parts.browser_half import STATIC, BrowserHalf


class Secret(BrowserHalf):
    """A line that is not shown while it is typed, with a label.

    What is typed travels as a message once the field is left. The state of a widget is what a
    notebook may be saved with, and what every page of the kernel is told again.

    Parameters
    ----------
    description : str
        What the field is called.
    label_width : str
        Room for that, as CSS has it.
    """

    _esm = (STATIC / "secret.js").read_text(encoding="utf-8")

    description = traitlets.Unicode().tag(sync=True)
    label_width = traitlets.Unicode().tag(sync=True)
    value = traitlets.Unicode()  # never synced

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.on_msg(lambda _widget, content, _buffers: self.hear(content))

    def hear(self, content: Any) -> None:
        """Take what a page says was typed; anything else is ignored.

        Parameters
        ----------
        content : Any
            A message from the page.
        """
        if isinstance(content, dict) and content.get("kind") == "typed":
            text = content.get("text")
            if isinstance(text, str):
                self.value = text

    def empty(self) -> None:
        """Forget what was typed, here and on every page."""
        self.value = ""
        self.send({"kind": "empty"})
