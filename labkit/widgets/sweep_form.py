"""The form that turns a question into a sweep of waters."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from labkit.errors import SweepError
from labkit.tasting import Sweep, alkalinity_dial, hardness_dial, ratio_hardness_grid, ratio_sweep
from labkit.widgets import fields
from labkit.widgets.fields import Form

KINDS: dict[str, str] = {
    "Ratio sweep: Ca to Mg at one hardness": "ratio sweep",
    "Hardness dial: soft to hard at one ratio": "hardness dial",
    "Alkalinity dial: at one ratio and hardness": "alkalinity dial",
    "Grid: ratio and hardness together": "ratio x hardness grid",
}


def levels(name: str, typed: str) -> tuple[float, ...]:
    """Numbers typed with spaces, commas or semicolons between them.

    Raises
    ------
    SweepError
        If something typed is no number.
    """
    parts = [part for part in re.split(r"[;,\s]+", typed.strip()) if part]
    try:
        return tuple(float(part) for part in parts)
    except ValueError:
        raise SweepError(
            f"{name} must be numbers with spaces between them, got {typed!r}. "
            "Write a point for decimals, such as 0.25 0.5 0.75."
        ) from None


class SweepForm(Form):
    """Which waters to try: the sweep, its levels and what is held.

    Parameters
    ----------
    check : callable
        Takes a :class:`Sweep` and returns what to show of it (the waters as they can be mixed);
        raises :class:`SweepError` where one cannot be made.
    start : dict, optional
        Levels to begin with, such as the ratio that the last fit chose.
    """

    def __init__(
        self, check: Callable[[Sweep], Any] | None = None, *, start: dict[str, Any] | None = None
    ) -> None:
        self._check = check
        self._sweep: Sweep | None = None
        begin = {
            "kind": "ratio sweep",
            "mg_share": "0 0.25 0.5 0.75 1",
            "hardness_mg_l_caco3": "80",
            "alkalinity_mg_l_caco3": "40",
        } | (start or {})
        super().__init__(
            {
                "kind": fields.choice("What to vary", list(KINDS.items()), begin["kind"]),
                "mg_share": fields.text("Mg share (0 to 1)", begin["mg_share"]),
                "hardness_mg_l_caco3": fields.text(
                    "Hardness (mg/L CaCO3)", begin["hardness_mg_l_caco3"]
                ),
                "alkalinity_mg_l_caco3": fields.text(
                    "Alkalinity (mg/L CaCO3)", begin["alkalinity_mg_l_caco3"]
                ),
            },
        )
        self.compute_with(self._compute_sweep)

    @property
    def sweep(self) -> Sweep:
        """The sweep as it stands in the form.

        Raises
        ------
        SweepError
            If what is typed makes no sweep.
        """
        return self._make(**self.values())

    def _make(self, kind: str, **typed: str) -> Sweep:
        given = {name: levels(name, value) for name, value in typed.items()}

        def one(name: str) -> float:
            if len(given[name]) != 1:
                raise SweepError(
                    f"{name} must be one number where it is held, got {typed[name]!r}. "
                    "Choose another sweep to vary it."
                )
            return given[name][0]

        share, hard, alk = "mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"
        if kind == "ratio sweep":
            return ratio_sweep(
                given[share], hardness_mg_l_caco3=one(hard), alkalinity_mg_l_caco3=one(alk)
            )
        if kind == "hardness dial":
            return hardness_dial(given[hard], mg_share=one(share), alkalinity_mg_l_caco3=one(alk))
        if kind == "alkalinity dial":
            return alkalinity_dial(given[alk], mg_share=one(share), hardness_mg_l_caco3=one(hard))
        return ratio_hardness_grid(given[share], given[hard], alkalinity_mg_l_caco3=one(alk))

    def _compute_sweep(self, **typed: Any) -> Any:
        sweep = self._make(**typed)
        return [sweep, self._check(sweep)] if self._check else sweep
