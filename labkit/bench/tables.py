"""Tables that join what is wanted with what is poured."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from labkit.tasting import Sweep, check_reachable
from labkit.water import PURE_WATER, Concentrate, Water


def sweep_doses(
    sweep: Sweep,
    concentrates: Sequence[Concentrate],
    *,
    volume_ml: float = 1000.0,
    base: Water = PURE_WATER,
    pipette_ml: float = 0.1,
) -> pd.DataFrame:
    """What to pour for every water of a sweep, and the water really reached.

    Returns
    -------
    pandas.DataFrame
        One row a water: ``{bottle}_ml`` for each bottle used, ``base_ml``, and the coordinates
        reached.

    Raises
    ------
    SweepError
        If the bottles cannot make one of the waters.
    """
    mixings = check_reachable(
        sweep, concentrates, volume_ml=volume_ml, base=base, pipette_ml=pipette_ml
    )
    rows = []
    for mixing in mixings:
        poured = {f"{dose.concentrate.name}_ml": dose.volume_ml for dose in mixing.doses}
        reached = {
            "base_ml": round(mixing.base_ml, 3),
            "reached_mg_share": round(mixing.reached.mg_share, 3),
            "reached_hardness_mg_l_caco3": round(mixing.reached.hardness_mg_l_caco3, 1),
            "reached_alkalinity_mg_l_caco3": round(mixing.reached.alkalinity_mg_l_caco3, 1),
        }
        rows.append(poured | reached)
    frame = pd.DataFrame(rows, index=sweep.to_frame().index)
    return frame.loc[:, (frame != 0).any()]
