"""What every widget with a script of its own is: it hears Python, however late its script began."""

from __future__ import annotations

import uuid
from pathlib import Path
from typing import Any, Final

import anywidget
import traitlets

STATIC: Final = Path(__file__).parent / "static"
"""The browser's half of the parts: plain JavaScript, no build step."""

_HEARING: Final = (STATIC / "hearing.js").read_text(encoding="utf-8")


class BrowserHalf(anywidget.AnyWidget):
    """A widget with a script, ``_esm``, as plain JavaScript with one default export.

    Parameters
    ----------
    **options : Any
        As of any widget.
    """

    own_id = traitlets.Unicode().tag(sync=True)

    def __init_subclass__(cls, **options: Any) -> None:
        script = cls.__dict__.get("_esm")
        if isinstance(script, str):  # a trait once an instance has been made
            cls._esm = script.replace("export default", "const half =") + _HEARING
        super().__init_subclass__(**options)

    def __init__(self, **options: Any) -> None:
        name = uuid.uuid4().hex  # by it the script finds its widget on the page
        super().__init__(model_id=name, own_id=name, **options)
