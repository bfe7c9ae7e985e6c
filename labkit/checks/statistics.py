"""labkit's statistics beside published and independently computed ones (``shared/statistics``)."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from labkit.checks.references import Comparison, read_references
from labkit.checks.statistics_values import CHECKS

FILES: Final = (
    "mixed_model_facts.csv",
    "kenward_roger_facts.csv",
    "response_surface_facts.csv",
    "panel_facts.csv",
    "discrimination_facts.csv",
)
"""Each has the columns ``check, item, quantity, reference, tolerance, source``."""


def compare_all(folder: Path) -> list[Comparison]:
    """Every reference value of ``folder`` (``shared/statistics`` in a clone) beside ours.

    Raises
    ------
    ImportFileError
        If a file is missing.
    """
    facts = pd.DataFrame([row for name in FILES for row in read_references(folder, name)])
    found = []
    for check, group in facts.groupby("check", sort=False):
        ours = CHECKS[str(check)](folder, group)
        for item, quantity, reference, tolerance, source in zip(
            *(group[name] for name in ("item", "quantity", "reference", "tolerance", "source")),
            strict=True,
        ):
            size, _, relative = tolerance.partition(" ")
            found.append(
                Comparison(
                    group=str(check),
                    quantity=" ".join(filter(None, (item, quantity))),
                    ours=ours.get((item, quantity), float("nan")),
                    reference=float(reference),
                    tolerance=float(size) * (abs(float(reference)) if relative else 1.0),
                    source=source,
                )
            )
    return found
