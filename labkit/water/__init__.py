"""What is in the jug: salts, concentrates, composition and units, equilibrium, dosing."""

from labkit.water.bottles.concentrates import Concentrate, MeasuredStrength, grams_to_weigh
from labkit.water.bottles.measured import strength_by_conductivity, strength_by_titration
from labkit.water.bottles.shared import BottleSaturation, SharedBottle, bottle_saturation
from labkit.water.bottles.weighing import Weighing, plan_weighing
from labkit.water.cautions import CAUTIONS
from labkit.water.chemistry.portrait import Portrait, portray
from labkit.water.chemistry.scale import Scaling, scaling
from labkit.water.chemistry.steel import SteelGuidance, steel_guidance
from labkit.water.dosing.choosing import PREFERENCES, Preference
from labkit.water.dosing.direct import Portion, TankMixing, weigh_out
from labkit.water.dosing.mixing import Dose, Mixing, mix
from labkit.water.dosing.reach import largest_base_share
from labkit.water.dosing.tables import DoseTable, WaterTable, dose_table, targets_array
from labkit.water.jugs.readings import (
    DROP_KITS,
    DropKit,
    ExpectedDrops,
    ExpectedMeter,
    expected_drops,
    expected_meter,
)
from labkit.water.salts.ions import IONS
from labkit.water.salts.table import SALTS, Salt, salt, salt_by_formula
from labkit.water.supply import PureWater, Supply, pure_water, read_analysis
from labkit.water.units import ALKALINITY_UNITS, HARDNESS_UNITS
from labkit.water.waters.targets import Target
from labkit.water.waters.water import PURE_WATER, Water, blend

__all__ = [
    "ALKALINITY_UNITS",
    "CAUTIONS",
    "DROP_KITS",
    "HARDNESS_UNITS",
    "IONS",
    "PREFERENCES",
    "PURE_WATER",
    "SALTS",
    "BottleSaturation",
    "Concentrate",
    "Dose",
    "DoseTable",
    "DropKit",
    "ExpectedDrops",
    "ExpectedMeter",
    "MeasuredStrength",
    "Mixing",
    "Portion",
    "Portrait",
    "Preference",
    "PureWater",
    "Salt",
    "Scaling",
    "SharedBottle",
    "SteelGuidance",
    "Supply",
    "TankMixing",
    "Target",
    "Water",
    "WaterTable",
    "Weighing",
    "blend",
    "bottle_saturation",
    "dose_table",
    "expected_drops",
    "expected_meter",
    "grams_to_weigh",
    "largest_base_share",
    "mix",
    "plan_weighing",
    "portray",
    "pure_water",
    "read_analysis",
    "salt",
    "salt_by_formula",
    "scaling",
    "steel_guidance",
    "strength_by_conductivity",
    "strength_by_titration",
    "targets_array",
    "weigh_out",
]
