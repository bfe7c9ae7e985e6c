"""A water said in each of the trade's ways, so that it can be read back."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.water.figures import figure
from labkit.water.salts.ions import ion_table
from labkit.water.units import alkalinity_in, hardness_in
from labkit.water.waters.targets import Target, salts_said

DIGITS: Final = 5
"""Significant digits that a water keeps when it is said and read back."""


class Way(StrEnum):
    """A way to say a water."""

    CA_MG = "Ca and Mg as CaCO3"
    RATIO = "Ca:Mg at a hardness"
    SHARE = "Mg share of a hardness"
    IONS = "mg/L of the ions"
    GERMAN = "German degrees"
    FRENCH = "French degrees"
    MMOL = "mmol/L"


@checked(WaterError)
def write_water(target: Target, way: Way = Way.CA_MG, *, digits: int = DIGITS) -> str:
    """A water as text that :func:`labkit.water.read_water` reads back.

    Parameters
    ----------
    target : Target
        The water.
    way : Way
        How to say it.
    digits : int
        Significant digits; with five the same water is read back.

    Raises
    ------
    WaterError
        If there is no such way.

    Examples
    --------
    >>> wanted = Target(mg_share=0.4, hardness_mg_l_caco3=100, alkalinity_mg_l_caco3=15)
    >>> write_water(wanted)
    'Ca 60, Mg 40, alk 15'
    >>> write_water(wanted, Way.RATIO)
    '1.5:1 at 100, alk 15'
    >>> write_water(wanted, Way.GERMAN, digits=3)
    '1.5:1 at 5.6 °dH, alk 0.84 °dH'
    """
    if way not in _WAYS:
        raise WaterError(
            f"way must be one of {', '.join(repr(str(one)) for one in Way)}, got {way!r}.",
            field="way",
        )
    return ", ".join(filter(None, (_WAYS[way](target, digits), salts_said(target, digits))))


def _ca_mg(target: Target, digits: int) -> str:
    calcium, magnesium, alkalinity = (
        figure(level, digits)
        for level in (
            target.calcium_mg_l_caco3,
            target.magnesium_mg_l_caco3,
            target.alkalinity_mg_l_caco3,
        )
    )
    return f"Ca {calcium}, Mg {magnesium}, alk {alkalinity}"


def _share(target: Target, digits: int) -> str:
    return (
        f"Mg share {figure(target.mg_share, digits)}, "
        f"hardness {figure(target.hardness_mg_l_caco3, digits)}, "
        f"alk {figure(target.alkalinity_mg_l_caco3, digits)}"
    )


def _ratio(share: float, digits: int) -> str:
    """Ca:Mg by moles, the smaller one as 1; exact where :func:`ca_mg_ratio_text` rounds."""
    if share in (0, 1):
        return "1:0" if share == 0 else "0:1"
    ratio = (1 - share) / share
    return f"{figure(ratio, digits)}:1" if ratio >= 1 else f"1:{figure(1 / ratio, digits)}"


def _at(unit: str) -> Callable[[Target, int], str]:
    """The ratio at a hardness in some unit; without one, mg/L as CaCO3."""

    def said(target: Target, digits: int) -> str:
        hardness = hardness_in(target.hardness_mg_l_caco3, unit or "mg/L CaCO3")
        alkalinity = alkalinity_in(target.alkalinity_mg_l_caco3, unit or "mg/L CaCO3")
        after = f" {unit}".rstrip()
        return (
            f"{_ratio(target.mg_share, digits)} at {figure(hardness, digits)}{after}, "
            f"alk {figure(alkalinity, digits)}{after}"
        )

    return said


def _ions(target: Target, digits: int) -> str:
    mmol_l = {
        "Ca": target.calcium_mmol_l,
        "Mg": target.magnesium_mmol_l,
        "HCO3": target.alkalinity_meq_l,
    }
    return ", ".join(
        f"{ion} {figure(amount * ion_table()[ion].molar_mass_g_mol, digits)} mg/L of {ion}"
        for ion, amount in mmol_l.items()
    )


def _mmol(target: Target, digits: int) -> str:
    return (
        f"Ca {figure(target.calcium_mmol_l, digits)} mmol/L, "
        f"Mg {figure(target.magnesium_mmol_l, digits)} mmol/L, "
        f"alk {figure(target.alkalinity_meq_l, digits)} mmol/L"
    )


_WAYS: Final[dict[Way, Callable[[Target, int], str]]] = {
    Way.CA_MG: _ca_mg,
    Way.RATIO: _at(""),
    Way.SHARE: _share,
    Way.IONS: _ions,
    Way.GERMAN: _at("°dH"),
    Way.FRENCH: _at("°fH"),
    Way.MMOL: _mmol,
}
