"""What stands where a form would be while there is no lab book."""

from __future__ import annotations

from typing import Any, ClassVar, Self, cast

import ipywidgets as widgets

from labkit.book import AbsentBook
from labkit.widgets.parts.fields import said


class WithoutBook(widgets.HTML):
    """One line; to the cells below a form that has nothing to tell."""

    reading: ClassVar[None] = None
    suggestion: ClassVar[None] = None

    def __init__(self) -> None:
        super().__init__(said("No lab book is open: choose one in the first cell."))

    def fill(self, *_arguments: object, **_named: object) -> None:
        """Nothing to fill."""

    def refresh(self) -> None:
        """Nothing to read again."""


class NeedsBook:
    """A form that becomes one line where the lab book, or a form that it builds on, is absent."""

    def __new__(cls, *arguments: Any, **named: Any) -> Self:
        """Make the form, or what stands for it."""
        given = (*arguments, *named.values())
        if any(isinstance(one, AbsentBook | WithoutBook) for one in given):
            return cast("Self", WithoutBook())
        return super().__new__(cls, *arguments, **named)
