"""The usual cautions, to be shown wherever a mass, a dose or a machine is spoken of."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from labkit.errors import SheetError
from labkit.language import N_
from labkit.water import (
    IONS,
    TASTED_FROM,
    Concentrate,
    Recipe,
    Salt,
    SharedBottle,
    TankMixing,
    figure,
    ion_table,
)

_GRADE = "Use food-grade or pharmacopoeia-grade salts and clean vessels only."
_DUST = "Do not raise dust or breathe it; keep it out of the eyes."
_WARMS = "Calcium chloride warms as it dissolves: add the salt to the water, slowly."
_APART = "Calcium and bicarbonate never share a bottle at strength: calcite can fall out."
_SPOILS = (
    "A bicarbonate bottle feeds bacteria: keep it cold and make it fresh every 3 to 4 days "
    "(common practice)."
)
_DIETS = (
    "Sodium and potassium matter in some people's diet: follow medical advice, and local "
    "drinking-water rules for water that is served."
)
_POTASSIUM = (
    "Potassium can harm people with kidney disease, and people on medicines that keep potassium in "
    "the body (some for blood pressure or the heart): ask every taster before serving, and leave "
    "the decision to them and their doctor."
)
_GYPSUM = (
    "Gypsum (calcium sulfate) dissolves little and slowly: at most 2.5 g/L, over hours of "
    "stirring. A bottle with grains left in it is weaker than its label says."
)
_STEEL = "More chloride is harder on steel: see which steel bears it before it goes to a machine."
_PURGES = "Sulfate far above that level loosens the bowels of those not used to it (WHO)."
_KIT = (
    "Take a sample out of the jug for the drops; pour it away, never back, and do not drink it.",
    "Keep reagents from eyes, mouth and food, cap them and wash your hands: some irritate or "
    "poison. The kit's leaflet and safety data sheet come first.",
)
_PROBE = ("Rinse the probe with the water it is to measure.",)

CAUTIONS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "weighing": (
            _GRADE,
            _DUST,
            _WARMS,
            "Label the bottle at once: salt, strength, date, not for drinking. Keep it from "
            "children.",
            "Read the safety data sheet that comes with the salt; local rules come first.",
        ),
        "mixing": (
            "A concentrate is no drink: dose it into water, and drink only the mixed water.",
            _APART,
            _SPOILS,
            _DIETS,
        ),
        "tank": (
            _GRADE,
            _DUST,
            _WARMS,
            "Keep salts from children. Read the safety data sheet of each; local rules come first.",
            _DIETS,
        ),
        "testing": (*_KIT, *_PROBE),
        "drop kit": _KIT,
        "meter": _PROBE,
        "brewing": (
            "Hot water and steam scald: pour away from hands and faces.",
            N_(
                "Let a cup cool before the first sip: coffee above 65 °C scalds, and is best "
                "avoided."
            ),
        ),
        "machine": (
            "Scale and chloride can damage a machine: its maker's limits and a technician "
            "come before any figure here.",
            "Hot water and steam scald; let a machine cool before opening it.",
            "Long boiling drives off CO2 and drops chalk: heat the water once.",
        ),
    }
)
"""Handling cautions by situation: ``"weighing"`` (a bottle), ``"mixing"`` (of bottles), ``"tank"``
(salts straight into water that is drunk), ``"testing"`` (by ``"drop kit"``, by ``"meter"`` or by
both), ``"brewing", "machine"``.

65 °C: above it a drink counts as very hot (IARC Monographs 116, 2016; from memory).
"""

_ONLY_WITH: Mapping[str, Callable[[frozenset[str]], bool]] = MappingProxyType(
    {
        _WARMS: lambda ions: {"Ca", "Cl"} <= ions,
        _APART: lambda ions: {"Ca", "HCO3"} <= ions,
        _SPOILS: lambda ions: "HCO3" in ions,
        _DIETS: lambda ions: not ions.isdisjoint({"Na", "K"}),
    }
)
"""Which ions must be handled for a caution to apply; every other caution always does."""


def cautions_for(
    situation: str, handled: Iterable[Salt | Concentrate | SharedBottle | Recipe]
) -> tuple[str, ...]:
    """The cautions of a situation that apply to what is handled.

    Parameters
    ----------
    situation : str
        A key of :data:`CAUTIONS`.
    handled : iterable of Salt, Concentrate, SharedBottle, Mixing or TankMixing
        What is weighed or poured; of a mixing, what it takes something of.

    Returns
    -------
    tuple of str
        In their order; those of waters whose salts were asked for come last.

    Raises
    ------
    SheetError
        If the situation is none of these.

    Examples
    --------
    >>> from labkit.water import salt
    >>> any("bicarbonate" in one for one in cautions_for("mixing", [salt("MgCl2·6H2O")]))
    False
    """
    if situation not in CAUTIONS:
        raise SheetError(
            f"situation must be one of {', '.join(CAUTIONS)}, got {situation!r}.",
            field="situation",
        )
    taken = list(handled)
    ions = frozenset(ion for one in taken for ion in _ions_of(one))
    usual = (one for one in CAUTIONS[situation] if one not in _ONLY_WITH or _ONLY_WITH[one](ions))
    recipes = [one for one in taken if not isinstance(one, Salt | Concentrate | SharedBottle)]
    return (*usual, *_of_salts([one for one in recipes if one.target.salt_shares]))


def _of_salts(recipes: list[Recipe]) -> tuple[str, ...]:
    """What belongs to waters whose salts were chosen: taste, health, steel, what dissolves."""
    if not recipes:
        return ()
    most: dict[str, float] = {}
    for recipe in recipes:
        for ion, mg_l in recipe.reached.ions_mg_l.items():
            most[ion] = max(mg_l, most.get(ion, 0.0))
    tasted = "; ".join(
        f"{ion_table()[ion].name} from about {one.level_mg_l:.0f} mg/L ({one.source}), here at "
        f"most {figure(most[ion], 2)}"
        for ion, one in TASTED_FROM.items()
        if ion in most
    )
    found = [f"In plain water are tasted: {tasted}. Local rules go first."] if tasted else []
    if most.get("SO4", 0.0) > TASTED_FROM["SO4"].level_mg_l:
        found.append(_PURGES)
    if "K" in most:
        found.append(_POTASSIUM)
    if "Cl" in most:
        found.append(_STEEL)
    sources = {ions for recipe in recipes for ions in map(frozenset, _sources_of(recipe))}
    if frozenset({"Ca", "SO4"}) in sources:
        found.append(_GYPSUM)
    return tuple(found)


def _ions_of(handled: Salt | Concentrate | SharedBottle | Recipe) -> set[str]:
    if isinstance(handled, Salt):
        return {ion for ion, _ in handled.ions}
    if isinstance(handled, Concentrate | SharedBottle):
        return {ion for ion, amount in zip(IONS, handled.vector, strict=True) if amount > 0}
    # What one drinks holds the base water's sodium and potassium too.
    drunk = {ion for ion in ("Na", "K") if handled.reached.ions_mg_l.get(ion, 0.0) > 0}
    return drunk.union(*_sources_of(handled))


def _sources_of(recipe: Recipe) -> list[set[str]]:
    """The ions of each bottle or salt that a recipe takes something of."""
    taken: list[Salt | Concentrate | SharedBottle]
    if isinstance(recipe, TankMixing):
        taken = [portion.salt for portion in recipe.portions if portion.exact_g]
    else:
        taken = [dose.concentrate for dose in recipe.doses if dose.exact_ml]
    return [_ions_of(one) for one in taken]
