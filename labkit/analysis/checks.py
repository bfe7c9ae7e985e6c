"""Our numbers beside those of others: every reference value recomputed, with its source.

For the checks notebook and the tests. References are read from CSV files (``check, item, quantity,
reference, tolerance, source``) in a folder that the caller names.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pandas as pd

from labkit.analysis.check_values import CHECKS
from labkit.errors import ReadingError

FILES: Final = (
    "mixed_model_facts.csv",
    "response_surface_facts.csv",
    "panel_facts.csv",
    "discrimination_facts.csv",
)


def difference_table(folder: Path) -> pd.DataFrame:
    """Compare every reference value in ``folder`` with ours.

    Parameters
    ----------
    folder : Path
        Holds the fact files and the data they refer to (``shared/statistics`` of a clone).

    Returns
    -------
    DataFrame
        ``quantity, ours, reference, source, tolerance, agrees``, one row per reference value.

    Raises
    ------
    ReadingError
        If a file is missing.
    """
    missing = [name for name in FILES if not (folder / name).is_file()]
    if missing:
        raise ReadingError(
            f"folder must hold {', '.join(FILES)}, got {folder} without {', '.join(missing)}. "
            "Name the clone's shared/statistics."
        )
    facts = pd.concat(
        [pd.read_csv(folder / name, dtype={"item": str, "tolerance": str}) for name in FILES],
        ignore_index=True,
    ).fillna({"item": ""})
    rows = []
    for check, group in facts.groupby("check", sort=False):
        ours = CHECKS[str(check)](folder, group)
        for row in group.itertuples():
            value = ours.get((str(row.item), str(row.quantity)), float("nan"))
            reference, tolerance = float(str(row.reference)), str(row.tolerance)
            size, _, relative = tolerance.partition(" ")
            allowed = float(size) * (abs(reference) if relative else 1.0)
            rows.append(
                {
                    "quantity": " ".join(
                        filter(None, (str(check), str(row.item), str(row.quantity)))
                    ),
                    "ours": value,
                    "reference": reference,
                    "source": str(row.source),
                    "tolerance": tolerance,
                    "agrees": bool(abs(value - reference) <= allowed + 1e-12),
                }
            )
    return pd.DataFrame(rows)
