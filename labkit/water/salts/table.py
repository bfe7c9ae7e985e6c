"""The salts a water is made from: those of the table, and those a user adds by formula.

A hydrate is never assumed: the same name on two labels can differ by a factor of two in the
salt it holds, so ``salt("CaCl2")`` is refused and lists the hydrates to choose from.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from labkit.boundary import checked
from labkit.errors import SaltError
from labkit.shown import Shown
from labkit.water.salts.formula import (
    DOT,
    count_elements,
    molar_mass,
    read_table,
    split_hydrate,
    split_ions,
    tidy_formula,
)
from labkit.water.salts.ions import ALKALINITY_EQ, CHARGES, INDEX, IONS, ion_table
from labkit.water.units import CACO3_G_MOL, MG_L_CACO3_PER_MEQ

_ANHYDROUS = " anhydrous"

_HYDRATES_SOLD = {
    "CaCl2": ("2H2O", "6H2O", ""),
    "MgCl2": ("6H2O", ""),
    "MgSO4": ("7H2O", "H2O", ""),
    "CaSO4": ("2H2O", ""),
    "K2CO3": ("1.5H2O", ""),
    "Na2CO3": ("10H2O", "H2O", ""),
    "Na2SO4": ("10H2O", ""),
    "Mg(C3H5O3)2": ("2H2O", "3H2O"),
    "Ca(C3H5O3)2": ("5H2O",),
    "Ca(C6H11O7)2": ("H2O", ""),
    "Ca3(C6H5O7)2": ("4H2O",),
    "K3C6H5O7": ("H2O", ""),
    "Na3C6H5O7": ("2H2O", ""),
    "Ca(NO3)2": ("4H2O", ""),
    "Mg(NO3)2": ("6H2O",),
}
"""Hydrates in which a salt is sold (common practice); ``""`` is the anhydrous one."""


@checked(SaltError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Salt(Shown):
    """One salt as it stands on the label, water of crystallisation included."""

    label: str
    """Formula with its water, or with the word anhydrous where the salt forms hydrates."""

    name: str
    """English name."""

    ions: tuple[tuple[str, int], ...]
    """Symbol and number of each ion in one formula unit."""

    water: float = 0.0
    """Molecules of water of crystallisation in one formula unit."""

    cas: str = ""
    """CAS number, empty if not known."""

    e_number: str = ""
    """Food additive number (E or INS), empty if there is none."""

    solubility_g_100g: float | None = None
    """Anhydrous salt that 100 g of water dissolve at 20 °C (g); None if not known."""

    solubility_g_l: float | None = None
    """Salt as labelled that a litre dissolves (g/L), where only that is known."""

    solubility_source: str = ""
    """Where the solubility was found."""

    hazard: str = "not known to labkit: read the safety data sheet"
    """What the safety data sheet warns of."""

    hazard_source: str = ""
    """Where the hazard line was found."""

    takes_up_water: str = "not known"
    """Whether it draws water from air, or loses its own."""

    keeping: str = ""
    """How it and its bottle keep, and what mistaking it does."""

    handling_source: str = ""
    """Where the two lines above were found."""

    keep_apart_from: str = ""
    """What may not share a bottle with it."""

    def __post_init__(self) -> None:
        """Refuse ions that labkit does not know and charges that do not cancel."""
        if not self.ions or any(symbol not in INDEX for symbol, _ in self.ions):
            raise SaltError(
                f"ions of {self.label!r} must be among {', '.join(IONS)}.", field="ions"
            )
        if sum(CHARGES[INDEX[symbol]] * number for symbol, number in self.ions):
            raise SaltError(
                f"the charges of {self.label!r} do not cancel: check its formula.", field="ions"
            )

    @property
    def molar_mass_g_mol(self) -> float:
        """Molar mass as labelled (g/mol), from the IUPAC 2021 abridged weights."""
        return molar_mass(self.label.removesuffix(_ANHYDROUS))

    @property
    def anhydrous_molar_mass_g_mol(self) -> float:
        """Molar mass without the water of crystallisation (g/mol)."""
        return self.molar_mass_g_mol - self.water * molar_mass("H2O")

    @property
    def vector(self) -> NDArray[np.float64]:
        """Moles of each ion in a mole of salt, in the order of :data:`IONS`."""
        vector = np.zeros(len(IONS))
        for symbol, number in self.ions:
            vector[INDEX[symbol]] = number
        return vector

    @property
    def hardness_mg_caco3_per_g(self) -> float:
        """Hardness that 1 g of pure salt gives (mg as CaCO3)."""
        vector = self.vector
        moles = vector[INDEX["Ca"]] + vector[INDEX["Mg"]]
        return float(1000 * moles * CACO3_G_MOL / self.molar_mass_g_mol)

    @property
    def alkalinity_mg_caco3_per_g(self) -> float:
        """Alkalinity that 1 g of pure salt gives (mg as CaCO3)."""
        equivalents = float(self.vector @ ALKALINITY_EQ)
        return 1000 * equivalents * MG_L_CACO3_PER_MEQ / self.molar_mass_g_mol

    @property
    def strength_mg_caco3_per_g(self) -> float:
        """What 1 g is dosed for (mg as CaCO3): its hardness, or else its alkalinity."""
        return self.hardness_mg_caco3_per_g or self.alkalinity_mg_caco3_per_g

    @property
    def role(self) -> str:
        """What the salt is added for: hardness, alkalinity, both or neither."""
        gives = [ion_table()[symbol].name for symbol, _ in self.ions if symbol in ("Ca", "Mg")]
        if self.alkalinity_mg_caco3_per_g:
            gives.append("alkalinity")
        return " and ".join(gives) or "neither hardness nor alkalinity"

    def purity_from_anhydrous(self, percent: float) -> float:
        """Purity (1 = as labelled) from an assay in per cent of the anhydrous salt.

        Calcium chloride dihydrate is 75.49 % CaCl2 when pure and dry; a label that says
        77 % CaCl2 means a purity of 1.02.

        Parameters
        ----------
        percent : float
            Assay as anhydrous salt (per cent by mass), above 0 and at most 100.

        Raises
        ------
        SaltError
            If the assay is out of range.
        """
        if not 0 < percent <= 100:
            raise SaltError(
                f"the assay must be above 0 and at most 100 %, got {percent:g} %.", field="percent"
            )
        return percent / 100 * self.molar_mass_g_mol / self.anhydrous_molar_mass_g_mol


def _from_row(row: dict[str, str]) -> Salt:
    formula = row["label"].removesuffix(_ANHYDROUS)
    dry, water = split_hydrate(formula)
    return Salt(
        label=row["label"],
        name=row["name"],
        ions=_ions_of(dry),
        water=water,
        cas=row["cas"],
        e_number=row["e_number"],
        solubility_g_100g=_number(row["solubility_20c_g_100g"]),
        solubility_g_l=_number(row["solubility_g_l"]),
        solubility_source=row["solubility_source"],
        hazard=row["hazard"],
        hazard_source=row["hazard_source"],
        takes_up_water=row["takes_up_water"],
        keeping=row["keeping"],
        handling_source=row["handling_source"],
        keep_apart_from=row["keep_apart_from"],
    )


def _number(text: str) -> float | None:
    return float(text) if text else None


def _ions_of(dry_formula: str) -> tuple[tuple[str, int], ...]:
    known = {ion.symbol: (ion.formula, ion.charge) for ion in ion_table().values()}
    found = split_ions(dry_formula, known)
    return tuple((symbol, found[symbol]) for symbol in IONS if symbol in found)


SALTS: dict[str, Salt] = {row["label"]: _from_row(row) for row in read_table("salts.csv")}
"""The salts that labkit knows, by label, as in ``SALTS["MgSO4·7H2O"]``."""


USUAL = ("CaCl2·2H2O", "MgCl2·6H2O", "MgSO4·7H2O", "CaSO4·2H2O", "KHCO3", "NaHCO3")
"""Labels of the salts that brew water is usually made from."""


def _hydrates_of(dry: str) -> list[str]:
    return [
        f"{dry}{DOT}{water}" if water else dry + _ANHYDROUS for water in _HYDRATES_SOLD.get(dry, ())
    ]


def _bare_formula(text: str) -> str:
    """The tidy formula without the word anhydrous."""
    return tidy_formula(re.sub(r"[\s,]+anhydrous$|^anhydrous\s+", "", text.strip()))


def _label_of(text: str) -> str:
    """The label meant, with its hydrate checked."""
    tidy = _bare_formula(text)
    dry, water = split_hydrate(tidy)
    if water:
        return tidy
    hydrates = _hydrates_of(dry)
    if not hydrates:
        return tidy
    if "anhydrous" in text:
        return dry + _ANHYDROUS
    raise SaltError(
        f"the hydrate of {dry} must be chosen, because each gives another strength: say "
        f"{' or '.join(repr(label) for label in hydrates)}, whichever stands on the label.",
        field="formula",
    )


@checked(SaltError)
def salt(text: str) -> Salt:
    """The salt of the table with this formula or name.

    Parameters
    ----------
    text : str
        As on the label: ``"CaCl2·2H2O"``, ``"CaCl2.2H2O"``, ``"MgSO4 anhydrous"`` or
        ``"potassium bicarbonate"``.

    Raises
    ------
    SaltError
        If the salt is not in the table, or the formula leaves its hydrate open.

    Examples
    --------
    >>> salt("CaCl2.2H2O").name
    'calcium chloride dihydrate'
    """
    text = str(text)
    if not text.strip():
        raise SaltError("salt must be a formula or a name, got nothing.", field="text")
    name = " ".join(text.lower().replace(",", "").split())
    for known in SALTS.values():
        if name == known.name.replace(",", ""):
            return known
    named = [known.label for known in SALTS.values() if known.name.startswith(f"{name} ")]
    named += [known.label for known in SALTS.values() if known.name.startswith(f"{name},")]
    if named:
        raise SaltError(
            f"the hydrate of {name} must be chosen, because each gives another strength: say "
            f"{' or '.join(repr(label) for label in named)}, whichever stands on the label.",
            field="text",
        )
    label, relatives = _known_label(text)
    if label in SALTS:
        return SALTS[label]
    for known in SALTS.values():
        if label.lower() == known.label.lower():
            return known
    choice = ", ".join(relatives or USUAL)
    others = "" if relatives else " or another of SALTS"
    raise SaltError(
        f"salt {text!r} is not in the table: choose one of {choice}{others}, or add your own with "
        "salt_by_formula, its hydrate included.",
        field="text",
    )


def _known_label(text: str) -> tuple[str, list[str]]:
    """The label meant, and the salts of the table that differ from it in water only."""
    tidy = _bare_formula(text)
    dry = tidy.partition(DOT)[0]
    relatives = [one.label for one in SALTS.values() if one.label.split(DOT)[0].split()[0] == dry]
    if not relatives:
        return tidy, []
    return _label_of(text), relatives


@checked(SaltError, own_numbers=True)
def salt_by_formula(
    formula: str,
    *,
    name: str = "",
    solubility_g_l: float | None = None,
    hazard: str | None = None,
) -> Salt:
    """A salt of the user's own, read from its formula.

    Parameters
    ----------
    formula : str
        With its water of crystallisation, as in ``"MgCl2·2H2O"``, or with the word
        ``anhydrous`` where the salt also forms hydrates.
    name : str
        What to call it; the formula if empty.
    solubility_g_l : float, optional
        Salt as labelled that a litre dissolves (g/L), which then limits the bottle.
    hazard : str, optional
        The line from its safety data sheet.

    Raises
    ------
    SaltError
        If the formula cannot be read, leaves its hydrate open, holds an element or ion that
        labkit does not know, or its charges do not cancel.

    Examples
    --------
    >>> own = salt_by_formula("MgCl2.2H2O")
    >>> own.ions, round(own.molar_mass_g_mol, 2)
    ((('Mg', 1), ('Cl', 2)), 131.24)
    """
    formula = str(formula)
    if not formula.strip():
        raise SaltError("formula must be text such as 'MgCl2·2H2O', got nothing.", field="formula")
    label = _label_of(formula)
    if label in SALTS:
        return SALTS[label]
    dry, water = split_hydrate(label.removesuffix(_ANHYDROUS))
    count_elements(dry)
    if solubility_g_l is not None and not solubility_g_l > 0:
        raise SaltError(
            f"solubility_g_l must be above 0, got {solubility_g_l:g}.", field="solubility_g_l"
        )
    own = Salt(
        label=label,
        name=name or label,
        ions=_ions_of(dry),
        water=water,
        solubility_g_l=solubility_g_l,
        solubility_source="given by the user" if solubility_g_l else "",
    )
    return own if hazard is None else replace(own, hazard=hazard, hazard_source="the user")
