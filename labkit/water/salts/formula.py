"""Chemical formulas: elements, molar mass, and the ions a salt falls into when it dissolves."""

from __future__ import annotations

import csv
import re
from functools import cache
from importlib import resources
from itertools import product

from labkit.boundary import checked
from labkit.errors import SaltError

DOT = "·"
_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
_DOTS = re.compile(r"\s*[·•∙⋅*]\s*")
_WATER = re.compile(r"(?:\s+x\s*|x(?=\d)|\s*[-×.]\s*|\s+)(?=\d*(?:\.\d+)?\s*H2O$)")
_HYDRATE_WORDS = {
    "hemihydrate": "0.5",
    "monohydrate": "",
    "dihydrate": "2",
    "tetrahydrate": "4",
    "pentahydrate": "5",
    "hexahydrate": "6",
    "heptahydrate": "7",
    "decahydrate": "10",
}
_TOKEN = re.compile(r"([A-Z][a-z]?)|(\()|(\))|(\d+)")


def read_table(name: str) -> list[dict[str, str]]:
    """Rows of one of the tables that come with labkit (``labkit/water/data``)."""
    text = resources.files("labkit.water").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def atomic_weights() -> dict[str, float]:
    """Standard atomic weights (g/mol), IUPAC 2021 abridged."""
    return {row["element"]: float(row["weight_g_mol"]) for row in read_table("atomic_weights.csv")}


def tidy_formula(text: str) -> str:
    """The formula with plain digits and one kind of dot.

    >>> {tidy_formula(text) for text in ("CaCl₂.2H₂O", "CaCl2 x 2 H2O", "CaCl2 dihydrate")}
    {'CaCl2·2H2O'}
    """
    tidy = _DOTS.sub(DOT, text.strip().translate(_SUBSCRIPTS))
    tidy = re.sub(r"h2o$", "H2O", tidy, flags=re.IGNORECASE)
    head, _, word = tidy.rpartition(" ")
    if word.lower() in _HYDRATE_WORDS:
        tidy = f"{head.strip()}{DOT}{_HYDRATE_WORDS[word.lower()]}H2O"
    if DOT not in tidy:
        tidy = _WATER.sub(DOT, tidy, count=1)
    return re.sub(r"\s+(?=H2O$)|(?<=·)\s+", "", tidy)


def split_hydrate(formula: str) -> tuple[str, float]:
    """The dry part of a tidy formula and its molecules of water.

    >>> split_hydrate("MgSO4·7H2O")
    ('MgSO4', 7.0)
    """
    dry, _, water = formula.partition(DOT)
    if not water:
        return dry, 0.0
    found = re.fullmatch(r"(\d+(?:\.\d+)?|\.\d+|½)?H2O", water)
    if not found:
        raise SaltError(
            f"formula must end in its water, as in CaCl2·2H2O, got {formula!r}: "
            "write the number and H2O after the dot.",
            field="formula",
        )
    number = found.group(1)
    if number is None:
        return dry, 1.0
    return dry, 0.5 if number == "½" else float(number)


@cache
def count_elements(dry_formula: str) -> dict[str, int]:
    """Atoms of each element in a formula without water of crystallisation.

    >>> count_elements("Ca3(C6H5O7)2")
    {'Ca': 3, 'C': 12, 'H': 10, 'O': 14}
    """
    stack: list[dict[str, int]] = [{}]
    group: dict[str, int] | None = None
    position = 0

    def close(times: int) -> None:
        for element, atoms in (group or {}).items():
            stack[-1][element] = stack[-1].get(element, 0) + atoms * times

    while position < len(dry_formula):
        found = _TOKEN.match(dry_formula, position)
        if not found:
            raise _unreadable(dry_formula, position)
        element, opening, closing, digits = found.groups()
        if digits:
            if group is None or int(digits) == 0:
                raise _unreadable(dry_formula, position)
            close(int(digits))
            group = None
        else:
            close(1)
            group = None
            if element:
                if element not in atomic_weights():
                    raise SaltError(
                        f"formula {dry_formula!r} has the element {element!r}, which labkit does "
                        f"not know: it may hold {', '.join(atomic_weights())}.",
                        field="formula",
                    )
                group = {element: 1}
            elif opening:
                stack.append({})
            elif closing:
                if len(stack) == 1:
                    raise _unreadable(dry_formula, position)
                group = stack.pop()
        position = found.end()
    close(1)
    if len(stack) > 1 or not stack[0]:
        raise _unreadable(dry_formula, len(dry_formula))
    return stack[0]


def _unreadable(formula: str, position: int) -> SaltError:
    return SaltError(
        f"formula {formula!r} cannot be read at character {position + 1}: write it as on the "
        "label, with element symbols in their own capitals, as in CaCl2·2H2O.",
        field="formula",
    )


@checked(SaltError)
def molar_mass(formula: str) -> float:
    """Molar mass (g/mol), water of crystallisation included.

    Parameters
    ----------
    formula : str
        Such as ``"CaCl2·2H2O"``.

    Raises
    ------
    SaltError
        If it cannot be read as a formula.

    Examples
    --------
    >>> round(molar_mass("CaCl2·2H2O"), 3)
    147.008
    """
    dry, water = split_hydrate(tidy_formula(formula))
    weights = atomic_weights()
    mass = sum(weights[element] * atoms for element, atoms in count_elements(dry).items())
    return mass + water * (2 * weights["H"] + weights["O"])


def split_ions(dry_formula: str, ions: dict[str, tuple[str, int]]) -> dict[str, int]:
    """How many of each ion one formula unit gives.

    Parameters
    ----------
    dry_formula : str
        Without water of crystallisation, as in ``"Ca(HCO3)2"``.
    ions : dict
        Symbol of each ion that may occur -> its formula and its charge.

    Raises
    ------
    SaltError
        If the formula does not fall into those ions, or their charges do not cancel.
    """
    left = dict(count_elements(dry_formula))
    parts: dict[str, int] = {}
    for symbol, (formula, charge) in ions.items():
        if charge > 0:
            atoms = left.pop(formula, 0)
            if atoms:
                parts[symbol] = atoms
    anions = {symbol: count_elements(formula) for symbol, (formula, z) in ions.items() if z < 0}
    fitting = [symbol for symbol, need in anions.items() if set(need) <= set(left)]
    ranges = [
        range(1 + min(left[element] // atoms for element, atoms in anions[symbol].items()))
        for symbol in fitting
    ]
    charges = {symbol: charge for symbol, (_, charge) in ions.items()}
    unbalanced: dict[str, int] | None = None
    for numbers in product(*ranges):
        made: dict[str, int] = {}
        for symbol, number in zip(fitting, numbers, strict=True):
            for element, atoms in anions[symbol].items():
                made[element] = made.get(element, 0) + atoms * number
        if {element: atoms for element, atoms in made.items() if atoms} != left:
            continue
        found = parts | {s: n for s, n in zip(fitting, numbers, strict=True) if n}
        if sum(charges[symbol] * number for symbol, number in found.items()) == 0:
            return found
        unbalanced = found
    if unbalanced and parts and len(unbalanced) > len(parts):
        plus = sum(charges[s] * n for s, n in unbalanced.items() if charges[s] > 0)
        minus = sum(charges[s] * n for s, n in unbalanced.items() if charges[s] < 0)
        raise SaltError(
            f"the charges of {dry_formula!r} do not cancel (+{plus} against {minus}): "
            "check the numbers in the formula.",
            field="formula",
        )
    raise SaltError(
        f"{dry_formula!r} does not fall into ions that labkit knows ({', '.join(ions)}): "
        "only salts of those ions can be added.",
        field="formula",
    )
