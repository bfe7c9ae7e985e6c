"""What is in the jug: salts, concentrates, composition and units, equilibrium, dosing."""

from labkit.water.cautions import CAUTIONS
from labkit.water.concentrates import Concentrate, grams_to_weigh
from labkit.water.dosing import Dose, Mixing, mix
from labkit.water.ions import IONS
from labkit.water.salts import SALTS, Salt, salt, salt_by_formula
from labkit.water.targets import Target
from labkit.water.units import ALKALINITY_UNITS, HARDNESS_UNITS
from labkit.water.waters import PURE_WATER, Water, blend

__all__ = [
    "ALKALINITY_UNITS",
    "CAUTIONS",
    "HARDNESS_UNITS",
    "IONS",
    "PURE_WATER",
    "SALTS",
    "Concentrate",
    "Dose",
    "Mixing",
    "Salt",
    "Target",
    "Water",
    "blend",
    "grams_to_weigh",
    "mix",
    "salt",
    "salt_by_formula",
]
