"""What is served, when, and under which code; blindness is a type here.

A :class:`~labkit.tasting.plan.CupPlan` has no recipe in it. Which code is which water lies in a
:class:`~labkit.tasting.seal.SealedKey` for each flight, and only there. Names load when first
used, so that a score sheet does not wait for pandas and cryptography.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from labkit.tasting.alone import match_codes as match_codes
    from labkit.tasting.balance import BalanceTables as BalanceTables
    from labkit.tasting.balance import balance_tables as balance_tables
    from labkit.tasting.balance import preview_balance as preview_balance
    from labkit.tasting.codes import CODE_POOL as CODE_POOL
    from labkit.tasting.conditions import Change as Change
    from labkit.tasting.conditions import compare_conditions as compare_conditions
    from labkit.tasting.conditions import condition_blocks as condition_blocks
    from labkit.tasting.discrimination import METHODS as METHODS
    from labkit.tasting.discrimination import Method as Method
    from labkit.tasting.discrimination import pair_waters as pair_waters
    from labkit.tasting.discrimination import plan_discrimination as plan_discrimination
    from labkit.tasting.discrimination import right_answers as right_answers
    from labkit.tasting.factors import FACTOR_TITLES as FACTOR_TITLES
    from labkit.tasting.factors import Factor as Factor
    from labkit.tasting.orders import williams_orders as williams_orders
    from labkit.tasting.plan import CupPlan as CupPlan
    from labkit.tasting.plan import Design as Design
    from labkit.tasting.plan import Serving as Serving
    from labkit.tasting.planning import plan_tasting as plan_tasting
    from labkit.tasting.power import PlanPower as PlanPower
    from labkit.tasting.power import TasterNoise as TasterNoise
    from labkit.tasting.power import compare_plans as compare_plans
    from labkit.tasting.power import guest_noise as guest_noise
    from labkit.tasting.power import plan_power as plan_power
    from labkit.tasting.power import practised_noise as practised_noise
    from labkit.tasting.preparation import BenchPlan as BenchPlan
    from labkit.tasting.preparation import JugToMix as JugToMix
    from labkit.tasting.preparation import bench_plan as bench_plan
    from labkit.tasting.replanning import replan as replan
    from labkit.tasting.scales import SCALES as SCALES
    from labkit.tasting.scales import Scale as Scale
    from labkit.tasting.scales import scale as scale
    from labkit.tasting.seal import KeyRow as KeyRow
    from labkit.tasting.seal import OpenedFlight as OpenedFlight
    from labkit.tasting.seal import SealedKey as SealedKey
    from labkit.tasting.seal import open_keys as open_keys
    from labkit.tasting.sweeps import Sweep as Sweep
    from labkit.tasting.sweeps import alkalinity_dial as alkalinity_dial
    from labkit.tasting.sweeps import check_reachable as check_reachable
    from labkit.tasting.sweeps import hardness_dial as hardness_dial
    from labkit.tasting.sweeps import ratio_hardness_grid as ratio_hardness_grid
    from labkit.tasting.sweeps import ratio_sweep as ratio_sweep
    from labkit.tasting.waters import SessionWater as SessionWater
    from labkit.tasting.waters import session_waters as session_waters

_HOMES: Final[dict[str, str]] = {
    "METHODS": "discrimination",
    "Method": "discrimination",
    "pair_waters": "discrimination",
    "plan_discrimination": "discrimination",
    "right_answers": "discrimination",
    "PlanPower": "power",
    "TasterNoise": "power",
    "compare_plans": "power",
    "guest_noise": "power",
    "plan_power": "power",
    "practised_noise": "power",
    "match_codes": "alone",
    "Change": "conditions",
    "compare_conditions": "conditions",
    "condition_blocks": "conditions",
    "replan": "replanning",
    "BalanceTables": "balance",
    "BenchPlan": "preparation",
    "JugToMix": "preparation",
    "bench_plan": "preparation",
    "balance_tables": "balance",
    "preview_balance": "balance",
    "CODE_POOL": "codes",
    "FACTOR_TITLES": "factors",
    "Factor": "factors",
    "williams_orders": "orders",
    "CupPlan": "plan",
    "Design": "plan",
    "Serving": "plan",
    "plan_tasting": "planning",
    "SCALES": "scales",
    "Scale": "scales",
    "scale": "scales",
    "KeyRow": "seal",
    "OpenedFlight": "seal",
    "SealedKey": "seal",
    "open_keys": "seal",
    "Sweep": "sweeps",
    "alkalinity_dial": "sweeps",
    "check_reachable": "sweeps",
    "hardness_dial": "sweeps",
    "ratio_hardness_grid": "sweeps",
    "ratio_sweep": "sweeps",
    "SessionWater": "waters",
    "session_waters": "waters",
}

__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
