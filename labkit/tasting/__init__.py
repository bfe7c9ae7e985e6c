"""What is served, when, and under which code; blindness is a type here.

A :class:`~labkit.tasting.plan.CupPlan` has no recipe in it. Which code is which water lies in a
:class:`~labkit.tasting.seal.SealedKey` for each flight, and only there.
"""

from labkit.tasting.codes import CODE_POOL, draw_codes
from labkit.tasting.factors import FACTOR_TITLES, Factor
from labkit.tasting.orders import williams_orders
from labkit.tasting.plan import CupPlan, Design, Serving
from labkit.tasting.planning import plan_tasting
from labkit.tasting.scales import SCALES, Scale, scale
from labkit.tasting.seal import KeyRow, OpenedFlight, SealedKey
from labkit.tasting.sweeps import (
    Sweep,
    alkalinity_dial,
    hardness_dial,
    ratio_hardness_grid,
    ratio_sweep,
)
from labkit.tasting.waters import SessionWater, session_waters

__all__ = [
    "CODE_POOL",
    "FACTOR_TITLES",
    "SCALES",
    "CupPlan",
    "Design",
    "Factor",
    "KeyRow",
    "OpenedFlight",
    "Scale",
    "SealedKey",
    "Serving",
    "SessionWater",
    "Sweep",
    "alkalinity_dial",
    "draw_codes",
    "hardness_dial",
    "plan_tasting",
    "ratio_hardness_grid",
    "ratio_sweep",
    "scale",
    "session_waters",
    "williams_orders",
]
