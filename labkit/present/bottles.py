"""What is said of a salt, of weighing it, and of the bottle that comes of it."""

from __future__ import annotations

from functools import singledispatch

from labkit.present.asked import remarks, to_html
from labkit.present.cautions import CAUTIONS, cautions_for
from labkit.present.html import folded, notes, table
from labkit.water import (
    BottleSaturation,
    Concentrate,
    Salt,
    SharedBottle,
    Weighing,
    digits_of,
    figure,
)


@to_html.register
def _salt(salt: Salt) -> str:
    """What the label, the balance and the shelf need to know, each with its source."""
    solubility = "not known"
    if salt.solubility_g_100g is not None:
        solubility = f"{salt.solubility_g_100g:g} g anhydrous in 100 g of water at 20 °C"
    elif salt.solubility_g_l is not None:
        solubility = f"{salt.solubility_g_l:g} g/L"
    rows = [
        ("molar mass, g/mol", f"{salt.molar_mass_g_mol:.3f}", "IUPAC 2021 abridged weights"),
        ("gives", salt.role, ""),
        ("solubility", solubility, salt.solubility_source),
        ("hazard", salt.hazard, salt.hazard_source),
        ("takes up water", salt.takes_up_water, salt.handling_source),
        ("keeping", salt.keeping or "not known", salt.handling_source),
        ("keep apart from", salt.keep_apart_from or "nothing known", ""),
    ]
    return table(f"{salt.label}, {salt.name}", ("", "", "source"), rows)


@remarks.register
def _weighing_remarks(weighing: Weighing) -> tuple[str, ...]:
    if weighing.mending_volume_ml is None:
        return ()
    digits = digits_of(weighing.balance_g)
    return (
        f"One digit of the balance ({weighing.balance_g:g} g) is "
        f"{figure(weighing.error_percent, 2)} % of {weighing.exact_g:.{digits}f} g: make at least "
        f"{weighing.mending_volume_ml:.0f} mL, or weigh on a finer balance.",
    )


def grams_of(weighing: Weighing) -> str:
    """What to weigh, to the balance's last digit: headline, figures and sheet print this.

    Parameters
    ----------
    weighing : Weighing
        What to weigh for one bottle.
    """
    return f"{weighing.mass_g:.{digits_of(weighing.balance_g)}f}"


@to_html.register
def _weighing(weighing: Weighing) -> str:
    cautions = cautions_for("weighing", [weighing.salt])
    return figures_html(weighing) + notes(remarks(weighing)) + notes(cautions)


@singledispatch
def figures_html(value: object) -> str:
    """The figures of a bottle or a weighing without its cautions, for where these stand already.

    Parameters
    ----------
    value : Weighing or Concentrate
        What is weighed, or what has been.

    Returns
    -------
    str
        HTML.
    """
    return to_html(value)


@figures_html.register
def _weighing_figures(weighing: Weighing) -> str:
    rows = [
        ("weigh", f"{grams_of(weighing)} g"),
        ("make up to", f"{figure(weighing.volume_ml, 5)} mL, with pure water"),
        ("purity counted", f"{100 * weighing.purity:.1f} %"),
        ("one digit of the balance is", f"{figure(weighing.error_percent, 2)} %"),
        ("hazard", weighing.salt.hazard),
    ]
    return table(f"Weigh {weighing.salt.label} ({weighing.salt.name})", ("", "value"), rows)


@remarks.register
def _bottle_remarks(bottle: Concentrate) -> tuple[str, ...]:
    said = []
    off = 100 * (bottle.correction - 1)
    if bottle.differs_notably:
        said.append(
            f"The test found {abs(off):.0f} % {'more' if off > 0 else 'less'} than weighed: "
            "check the hydrate on the label, whether the salt took up water, and whether it is all "
            "dissolved."
        )
    if bottle.saturation_percent is None:
        said.append("Its solubility is not known: dose it only when it is all dissolved.")
    elif bottle.dissolves_slowly:
        said.append(
            f"At {bottle.saturation_percent:.0f} % of saturation it dissolves slowly: stir until "
            "it is clear, and shake before dosing."
        )
    return tuple(said)


@to_html.register
def _bottle(bottle: Concentrate) -> str:
    cautions = cautions_for("weighing", [bottle])
    return figures_html(bottle) + folded("Handle with care", notes(cautions))


@figures_html.register
def _bottle_figures(bottle: Concentrate) -> str:
    rows = [
        ("salt", f"{bottle.salt.label}, {bottle.salt.name}"),
        ("purity", f"{100 * bottle.purity:.1f} %"),
        ("strength, g/L as weighed", figure(bottle.strength_g_l, 4)),
        ("strength, mmol/L", figure(bottle.strength_mmol_l, 4)),
    ]
    per_ml = "1 mL in 1 L adds, mg/L as CaCO3"
    strength = bottle.strength_mg_l_caco3_per_ml
    stated = f"{figure(strength, 4)} ± {figure(strength * bottle.uncertainty_percent / 100, 2)}"
    if bottle.measured is not None:
        rows += [
            (f"{per_ml}, by {bottle.measured.method}", stated),
            (f"{per_ml}, as weighed", figure(bottle.weighed_strength_mg_l_caco3_per_ml, 4)),
        ]
    elif strength:
        rows.append((per_ml, stated))
    if bottle.saturation_percent is not None:
        rows.append(("of saturation at 20 °C", f"{figure(bottle.saturation_percent, 2)} %"))
    rows += [
        ("hazard", bottle.salt.hazard),
        ("keep apart from", bottle.salt.keep_apart_from or "nothing known"),
        ("keeping", bottle.salt.keeping),
    ]
    return table(f"Concentrate: {bottle.name}", ("", "value"), rows) + notes(remarks(bottle))


@remarks.register
def _shared_remarks(bottle: SharedBottle) -> tuple[str, ...]:
    return tuple(
        f"{found.mineral.capitalize()} is near saturation (index {found.index_closed:+.2f} "
        f"closed, {found.index_open:+.2f} in air): keep the bottle full, closed and cold, or "
        "use two bottles."
        for found in bottle.borderline
    )


@to_html.register
def _shared(bottle: SharedBottle) -> str:
    rows = [
        (part.salt.label, f"{part.strength_g_l:.3f}", f"{part.strength_mmol_l:.2f}")
        for part in bottle.parts
    ]
    near = [
        (found.mineral, f"{found.index_closed:+.2f}", f"{found.index_open:+.2f}", found.verdict)
        for found in bottle.saturation
    ]
    saturation = notes(["None of its ions form a mineral that could fall out."])
    if near:
        saturation = table(
            "Saturation index at 25 °C (above 0 it can fall out)",
            ("mineral", "closed", "in air", "verdict"),
            near,
        )
    salts = table(f"Shared bottle: {bottle.name}", ("salt", "g/L as weighed", "mmol/L"), rows)
    return salts + saturation + notes((*remarks(bottle), *CAUTIONS["mixing"][:1]))


def may_cloud(found: BottleSaturation) -> str:
    """That a mineral may fall out of a mixed water."""
    return (
        f"{found.mineral.capitalize()} is above saturation in this water (index "
        f"{found.index_closed:+.1f} at 25 °C): it may cloud on standing, so mix it fresh."
    )
