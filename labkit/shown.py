"""What a result needs to show itself in a notebook, without knowing what is said of it."""

from __future__ import annotations

from importlib import import_module


class Shown:
    """A result that shows itself as the last line of a cell: ``labkit.present`` says how.

    It is found by its name, and when something is shown: imports go downwards only.
    """

    __slots__ = ()

    def _repr_html_(self) -> str:
        return str(import_module("labkit.present").to_html(self))
