"""A water as it is typed, in any of the trade's ways; what can be read in two ways is refused."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as entry
from typing import Final

from labkit.boundary import checked
from labkit.errors import WaterError
from labkit.shown import Shown
from labkit.water.coordinates import COORDINATE, COORDINATES
from labkit.water.typed.numbers import only_reading, tidy
from labkit.water.typed.salts import names_salts, water_of_salts
from labkit.water.typed.saying import Way
from labkit.water.typed.shares import take_shares
from labkit.water.typed.words import (
    ALKALINITY,
    CA,
    CA_SHARE,
    EXAMPLES,
    HARDNESS,
    HCO3,
    MG,
    SHARE,
    Token,
    as_caco3,
    tokens_of,
)
from labkit.water.waters.composition import ca_mg_ratio_text
from labkit.water.waters.targets import Target, share_text

_CLOSE: Final = {SHARE: 0.01, HARDNESS: 1.0, ALKALINITY: 1.0, CA: 1.0, MG: 1.0}
"""How far two statements of the same may differ by rounding, where one repeats the other."""

_NAMES: Final = dict(zip((SHARE, HARDNESS, ALKALINITY), COORDINATES, strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedWater(Shown):
    """A water as it was typed, and what was not said but taken."""

    target: Target
    """The water."""

    taken: tuple[str, ...] = ()
    """Coordinates that were not typed and taken from what was given for them."""

    way: Way = Way.CA_MG
    """In which way it was typed, so that what changes is written back in the same."""


@dataclass(frozen=True, slots=True)
class _Clause:
    """One statement: what, how much, in which unit."""

    what: str
    """A key, ``bare`` for a number by itself, or ``at``."""

    numbers: tuple[float, ...] = ()
    unit: str = ""
    text: str = ""


@dataclass
class _Said:
    """What one reading of a text states, each in mg/L as CaCO3 or as a share."""

    levels: dict[str, float] = entry(default_factory=dict)
    salts: dict[str, float] = entry(default_factory=dict)
    way: Way = Way.CA_MG

    def put(self, what: str, level: float, field: str) -> None:
        highest = COORDINATE[_NAMES.get(what, _NAMES[HARDNESS])].highest
        if level > highest:
            raise WaterError(
                f"{field} must have {what} between 0 and {highest:.0f} mg/L as CaCO3, got "
                f"{level:.5g}. Check the unit.",
                field=field,
            )
        before = self.levels.get(what)
        if before is not None and abs(before - level) > _CLOSE[what]:
            raise WaterError(
                f"{field} states {what} twice, {before:.4g} and {level:.4g}. State it once.",
                field=field,
            )
        self.levels.setdefault(what, level)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Said) and self._rounded() == other._rounded()

    def _rounded(self) -> dict[str, float]:
        return {what: round(level, 6) for what, level in (self.levels | self.salts).items()}

    def text(self) -> str:
        parts = []
        for what, level in self.levels.items():
            named = f"Ca:Mg {ca_mg_ratio_text(level, 1)}" if what == SHARE else None
            parts.append(named or f"{what} {level:.4g}")
        parts += [share_text(name, share) for name, share in self.salts.items()]
        return ", ".join(parts)


@checked(WaterError, but=("text",))
def read_water(
    text: str, *, otherwise: Mapping[str, float] | None = None, field: str = "water"
) -> TypedWater:
    """A water as the trade says it.

    Read are calcium and magnesium (``Ca 60, Mg 40, alk 15``), a ratio Ca:Mg by moles at a
    hardness (``1:3 at 100, alk 15``; ``3:1 80 40``), a share (``Mg share 0.6, 80, 40``), and
    grams weighed (``CaCl2·2H2O 0.118 g, NaHCO3 0.067 g in 1 L``), in any order. What is said of
    the salts may follow (``all sulfate``, ``50 % potassium``, by charge). What has no unit is
    mg/L as CaCO3; others are mg/L of the ion (``Ca 24 mg/L of Ca``), °dH, °fH, mmol/L, meq/L.

    Parameters
    ----------
    text : str
        As typed.
    otherwise : mapping of str to float, optional
        Levels of coordinates that may be left out, by name; nothing may be unless it is here.
    field : str
        What the sentence of an error calls it, and its ``field``.

    Returns
    -------
    TypedWater
        The water, and which coordinates were taken from ``otherwise``.

    Raises
    ------
    WaterError
        If it cannot be read, can be read in two ways, contradicts itself, or leaves out what
        must be said.

    Examples
    --------
    >>> read_water("Ca 60, Mg 40, alk 15").target.text
    'Ca:Mg 3:2 (Ca 60, Mg 40), hardness 100 and alkalinity 15 mg/L as CaCO3'
    >>> read_water("1:3 at 5 °dH, alk 2,5 °dH").target.ca_mg_ratio_text
    '1:3'
    """
    plain = tidy(text, field)
    if not plain:
        raise WaterError(f"{field} must be a water, got nothing. Write {EXAMPLES}.", field=field)
    if names_salts(plain):
        target = only_reading(plain, field, lambda one: _weighed(one, field), lambda t: t.text)
        return TypedWater(target=target)
    said = only_reading(plain, field, lambda one: _read(one, plain, field), _Said.text)
    return _complete(said, otherwise or {}, text=plain, field=field)


@checked(WaterError, but=("text",))
def read_waters(
    text: str, *, otherwise: Mapping[str, float] | None = None, field: str = "waters"
) -> tuple[TypedWater, ...]:
    """Several waters, with semicolons between them.

    Parameters
    ----------
    text : str
        As typed; nothing typed is no water.
    otherwise : mapping of str to float, optional
        As for :func:`read_water`.
    field : str
        As for :func:`read_water`.

    Raises
    ------
    WaterError
        As for :func:`read_water`.

    Examples
    --------
    >>> [one.target.hardness_mg_l_caco3 for one in read_waters("1:1 at 80, alk 20; 1:3 100 15")]
    [80.0, 100.0]
    """
    parts = [part for part in re.split(r"[;\n]", str(text)) if part.strip()]
    return tuple(read_water(part, otherwise=otherwise, field=field) for part in parts)


@checked(WaterError, but=("text",))
def read_shares(text: str, field: str = "mg_share") -> tuple[float, ...]:
    """Ratios Ca:Mg by moles, or Mg shares, as Mg shares.

    Parameters
    ----------
    text : str
        Such as ``3:1 1:1 1:3``, ``0 0.5 1`` or ``all Ca, 1:1``, with spaces or commas between;
        nothing typed is no share.
    field : str
        What the sentence of an error calls it, and its ``field``.

    Raises
    ------
    WaterError
        If something is neither, or a comma can be read in two ways.

    Examples
    --------
    >>> read_shares("3:1 1:1 1:3"), read_shares("0 0.25"), read_shares("1:0,5")
    ((0.25, 0.5, 0.75), (0.0, 0.25), (0.3333333333333333,))
    """
    plain = tidy(text, field)
    return only_reading(plain, field, lambda one: _shares(one, plain, field), _list)


@checked(WaterError, but=("text",))
def read_levels(
    text: str, quantity: str = "hardness", field: str = "hardness_mg_l_caco3"
) -> tuple[float, ...]:
    """Levels of hardness or alkalinity in mg/L as CaCO3.

    Parameters
    ----------
    text : str
        Such as ``40 80 120`` (mg/L as CaCO3) or ``2 4 6 °dH``, with spaces or commas between; a
        unit at the end is that of all.
    quantity : {'hardness', 'alkalinity'}
        Which of the two.
    field : str
        What the sentence of an error calls it, and its ``field``.

    Raises
    ------
    WaterError
        If something is no level, or can be read in two ways.

    Examples
    --------
    >>> read_levels("40 80, 120"), [round(one, 1) for one in read_levels("2 4 °dH")]
    ((40.0, 80.0, 120.0), [35.7, 71.4])
    """
    plain = tidy(text, field)
    return only_reading(plain, field, lambda one: _levels(one, quantity, plain, field), _list)


def _weighed(text: str, field: str) -> Target:
    try:
        return Target.of_water(water_of_salts(text, field))
    except WaterError as error:
        raise WaterError(*error.args, field=field) from None


def _list(levels: Sequence[float]) -> str:
    return " and ".join(f"{level:.4g}" for level in levels)


def _shares(one: str, text: str, field: str) -> tuple[float, ...]:
    found: list[float] = []
    turned = False
    wrong = WaterError(
        f"{field} must be ratios Ca:Mg or Mg shares from 0 to 1 with spaces between them, got "
        f"{text!r}. Write 3:1 1:1 1:3, or 0.25 0.5 0.75.",
        field=field,
    )
    tokens = [token for token in _tokens_of_list(one, wrong) if token.kind not in ("parting", "is")]
    for place, token in enumerate(tokens):
        if token.kind == "ratio":
            found.append(_share_of(token.numbers, turned=turned, field=field))
        elif token.kind == "number":
            percent = place + 1 < len(tokens) and tokens[place + 1].kind == "percent"
            found.append(token.numbers[0] / (100 if percent else 1))
        elif token.kind == "key" and token.means in ("all Ca", "all Mg"):
            found.append(float(token.means == "all Mg"))
        elif token.kind == "key" and token.means == "Mg:Ca" and not place:
            turned = True
        elif token.kind == "percent" and place and tokens[place - 1].kind == "number":
            continue
        elif place or token.means not in ("Ca:Mg", SHARE):
            raise wrong
    if not all(0 <= share <= 1 for share in found):
        raise wrong
    return tuple(found)


def _levels(one: str, quantity: str, text: str, field: str) -> tuple[float, ...]:
    wrong = WaterError(
        f"{field} must be numbers with spaces between them, got {text!r}. Write a point for "
        "decimals and at most one unit, at the end: 40 80 120, or 2 4 6 °dH.",
        field=field,
    )
    tokens = [token for token in _tokens_of_list(one, wrong) if token.kind != "parting"]
    unit = ""
    if tokens and tokens[-1].kind == "unit":
        unit = tokens.pop().means
    if not all(token.kind == "number" for token in tokens) or (unit and not tokens):
        raise wrong
    return tuple(
        as_caco3(quantity, token.numbers[0], unit, f"{token.text} {unit}", field)[1]
        for token in tokens
    )


def _tokens_of_list(text: str, wrong: WaterError) -> list[Token]:
    """The tokens of a list; anything else in it is what ``wrong`` says."""
    try:
        return tokens_of(text, wrong.field or "")
    except WaterError:
        raise wrong from None


def _share_of(ratio: Sequence[float], *, turned: bool, field: str) -> float:
    calcium, magnesium = ratio[::-1] if turned else ratio
    if not calcium + magnesium:
        raise WaterError(
            f"{field} has the ratio 0:0, which is none. Write 1:0 for all calcium.", field=field
        )
    return magnesium / (calcium + magnesium)


def _read(one: str, text: str, field: str) -> _Said:
    """What a text states, its commas settled."""
    one, salts = take_shares(one, field)
    tokens = tokens_of(one, field)
    found: list[_Said] = []
    refused: list[WaterError] = []
    for clauses in _clauses(tokens, 0, frozenset()):
        try:
            said = _meaning(clauses, text, field)
            said.salts = salts
        except WaterError as error:
            refused.append(error)
        else:
            if said not in found:
                found.append(said)
    if len(found) > 1:
        raise WaterError(
            f"{field} can be read in two ways, got {text!r}: as {found[0].text()}, or as "
            f"{found[1].text()}. Put commas between the parts.",
            field=field,
        )
    if found:
        return found[0]
    if refused:
        raise refused[0]
    raise WaterError(
        f"{field} must say what each number is, got {text!r}. Write {EXAMPLES}.", field=field
    )


def _clauses(
    tokens: Sequence[Token], place: int, keys: frozenset[str]
) -> Iterator[tuple[_Clause, ...]]:
    """Each way to part tokens into statements; a key states once or repeats itself elsewhere."""
    while place < len(tokens) and tokens[place].kind == "parting":
        place += 1
    if place == len(tokens):
        yield ()
        return
    for clause, after in _starting(tokens, place):
        if clause.what in keys and clause.what != "bare":
            continue
        for rest in _clauses(tokens, after, keys | {clause.what}):
            yield (clause, *rest)


def _starting(tokens: Sequence[Token], place: int) -> Iterator[tuple[_Clause, int]]:
    """The statements that may begin here, and where each ends."""

    def kind(at: int) -> str:
        return tokens[at].kind if at < len(tokens) else ""

    first = tokens[place]
    if first.kind == "ratio":
        yield _Clause("Ca:Mg", first.numbers, text=first.text), place + 1
        if kind(place + 1) == "key" and tokens[place + 1].means in ("Ca:Mg", "Mg:Ca"):
            yield _Clause(tokens[place + 1].means, first.numbers, text=first.text), place + 2
    elif first.kind == "number":
        yield from _after_number("bare", tokens, place, place)
        unit, after = _unit(tokens, place + 1)
        if kind(after) == "key":
            key = tokens[after].means
            text = _text(tokens, place, after + 1)
            if unit == "mg/L" and key in (CA, MG, HCO3):
                unit = f"mg/L of {key}"
            yield _Clause(key, first.numbers, unit, text), after + 1
    elif first.kind == "at":
        yield from _after_number("at", tokens, place, place + 1)
    elif first.kind == "key":
        after = place + 1
        if kind(after) == "is":
            after += 1
        if first.means in ("Ca:Mg", "Mg:Ca"):
            if kind(after) == "ratio":
                numbers = tokens[after].numbers
                yield _Clause(first.means, numbers, text=tokens[after].text), after + 1
            elif kind(after) == "key" and tokens[after].means in ("all Ca", "all Mg"):
                yield _Clause(tokens[after].means), after + 1
        elif first.means in ("all Ca", "all Mg"):
            yield _Clause(first.means), after
        else:
            yield from _after_number(first.means, tokens, place, after)


def _after_number(
    what: str, tokens: Sequence[Token], start: int, place: int
) -> Iterator[tuple[_Clause, int]]:
    """A statement whose number stands at ``place``, with its unit and what it is of."""
    if place >= len(tokens) or tokens[place].kind != "number":
        return
    unit, after = _unit(tokens, place + 1)
    numbers = tokens[place].numbers
    yield _Clause(what, numbers, unit, _text(tokens, start, after)), after
    if unit == "mg/L" and after < len(tokens) and tokens[after].kind == "key":
        species = tokens[after].means
        if (what, species) in ((CA, CA), (MG, MG), (ALKALINITY, HCO3), (HCO3, HCO3)):
            text = _text(tokens, start, after + 1)
            yield _Clause(what, numbers, f"mg/L of {species}", text), after + 1


def _unit(tokens: Sequence[Token], place: int) -> tuple[str, int]:
    if place < len(tokens) and tokens[place].kind in ("unit", "percent"):
        return tokens[place].means or "%", place + 1
    return "", place


def _text(tokens: Sequence[Token], start: int, end: int) -> str:
    return " ".join(token.text for token in tokens[start:end])


def _meaning(clauses: Sequence[_Clause], typed: str, field: str) -> _Said:
    """What statements add up to.

    Raises
    ------
    WaterError
        If a number has no meaning where it stands, or two statements contradict.
    """
    named = list(_named(clauses, typed, field))
    units = {one.unit for one in named if one.what not in _SHARES} - _SAME_AS_NONE
    said = _Said(way=_way(named))
    for clause in named:
        if clause.what in _SHARES:
            said.put(SHARE, _as_share(clause, field), field)
            continue
        if not clause.unit and units:
            other = min(units)
            raise WaterError(
                f"{field} gives {clause.text!r} without a unit beside one in {other}, so it can "
                f"be read as mg/L as CaCO3 or as {other}. Write the unit of each.",
                field=field,
            )
        number = clause.numbers[0]
        said.put(*as_caco3(clause.what, number, clause.unit, clause.text, field), field)
    return said


def _way(named: Sequence[_Clause]) -> Way:
    """In which way these statements say a water."""
    what = {clause.what for clause in named}
    units = {clause.unit for clause in named if clause.what not in _SHARES}
    if {CA, MG} & what:
        of_ions = any(unit.startswith("mg/L of") for unit in units - _SAME_AS_NONE)
        return Way.IONS if of_ions else Way.MMOL if units == {"mmol/L"} else Way.CA_MG
    if {SHARE, CA_SHARE} & what:
        return Way.SHARE
    return {"°dH": Way.GERMAN, "°fH": Way.FRENCH}.get(min(units, default=""), Way.RATIO)


_SAME_AS_NONE: Final = frozenset({"", "mg/L", "mg/L CaCO3", "mg/L of CaCO3"})
"""Units beside which a number without one is not in doubt."""

_SHARES: Final = frozenset({SHARE, CA_SHARE, "Ca:Mg", "Mg:Ca", "all Ca", "all Mg"})
"""Statements of how hardness is parted."""


def _as_share(clause: _Clause, field: str) -> float:
    if clause.what in ("all Ca", "all Mg"):
        return float(clause.what == "all Mg")
    if clause.what in ("Ca:Mg", "Mg:Ca"):
        return _share_of(clause.numbers, turned=clause.what == "Mg:Ca", field=field)
    share = clause.numbers[0] / (100 if clause.unit == "%" else 1)
    if clause.unit not in ("", "%") or share > 1:
        raise WaterError(
            f"{field} must have a share between 0 and 1, got {clause.text!r}. Write 0.6, or 60 %.",
            field=field,
        )
    return share if clause.what == SHARE else 1 - share


def _named(clauses: Sequence[_Clause], typed: str, field: str) -> Iterator[_Clause]:
    """The statements, each bare number named by its place after a ratio or share."""
    bare = [clause for clause in clauses if clause.what == "bare"]
    if not clauses:
        raise WaterError(f"{field} must be a water, got {typed!r}. Write {EXAMPLES}.", field=field)
    if len(bare) == len(clauses):
        yield from _all_bare(bare, typed, field)
        return
    following: tuple[str, ...] = ()
    for clause in clauses:
        if clause.what == "bare":
            if not following:
                raise WaterError(
                    f"{field} must say what {clause.text!r} is. Write hardness {clause.text} or "
                    f"alk {clause.text}.",
                    field=field,
                )
            what, *rest = following
            following = tuple(rest)
            yield _Clause(what, clause.numbers, clause.unit, clause.text)
        elif clause.what == "at":
            following = (ALKALINITY,)
            yield _Clause(HARDNESS, clause.numbers, clause.unit, clause.text)
        elif clause.unit == "%" and clause.what in (CA, MG):
            following = (HARDNESS, ALKALINITY)
            yield _Clause(f"{clause.what} share", clause.numbers, "%", clause.text)
        else:
            following = (HARDNESS, ALKALINITY) if clause.what in _SHARES else ()
            yield clause


def _all_bare(bare: Sequence[_Clause], typed: str, field: str) -> Iterator[_Clause]:
    """Three numbers are share, hardness and alkalinity where the first can only be a share."""
    first = bare[0]
    if len(bare) == 3 and 0 < first.numbers[0] < 1 and not first.unit:
        names = (SHARE, HARDNESS, ALKALINITY)
        for what, clause in zip(names, bare, strict=True):
            yield _Clause(what, clause.numbers, clause.unit, clause.text)
        return
    raise WaterError(
        f"{field} can be read in two ways, got {typed!r}: as Ca and Mg, or as "
        f"{'Mg share, ' if len(bare) > 2 else ''}hardness and alkalinity. Say which each number "
        f"is: {EXAMPLES}.",
        field=field,
    )


def _complete(said: _Said, otherwise: Mapping[str, float], *, text: str, field: str) -> TypedWater:
    """The water that statements make, with what they leave out."""
    levels = dict(said.levels)
    calcium, magnesium = levels.get(CA), levels.get(MG)
    if calcium is not None or magnesium is not None:
        hardness, share = _parted(calcium, magnesium, levels, text=text, field=field)
        levels |= {HARDNESS: hardness} | ({} if share is None else {SHARE: share})
    taken = []
    for what, name in _NAMES.items():
        if what in levels:
            continue
        if name not in otherwise:
            how = {SHARE: "1:1", HARDNESS: "at 80", ALKALINITY: "alk 40"}[what]
            raise WaterError(
                f"{field} must say its {'Ca:Mg' if what == SHARE else what}, got {text!r}. "
                f"Add it, such as {how}.",
                field=field,
            )
        levels[what] = otherwise[name]
        taken.append(name)
    _Said().put(HARDNESS, levels[HARDNESS], field)  # the sum of two may be too much
    target = Target(**{name: levels[what] for what, name in _NAMES.items()}, **said.salts)
    return TypedWater(target=target, taken=tuple(taken), way=said.way)


def _parted(
    calcium: float | None,
    magnesium: float | None,
    levels: Mapping[str, float],
    *,
    text: str,
    field: str,
) -> tuple[float, float | None]:
    """Hardness and Mg share from calcium, magnesium and whatever else is stated."""
    hardness, share = levels.get(HARDNESS), levels.get(SHARE)
    one, other = (CA, MG) if calcium is not None else (MG, CA)
    given = calcium if calcium is not None else magnesium or 0.0
    if calcium is None or magnesium is None:
        of_given = None if share is None else (1 - share if one == CA else share)
        if hardness is None and not of_given:
            raise WaterError(
                f"{field} gives {one} without {other}, got {text!r}: there may be none, or it was "
                f"left out. Write {other} 0, or the hardness, or Ca:Mg.",
                field=field,
            )
        total = hardness if hardness is not None else given / (of_given or 1.0)
        rest = total - given
        if rest < -_CLOSE[HARDNESS]:
            raise WaterError(
                f"{field} has hardness {total:.4g}, less than its {one} of {given:.4g} mg/L as "
                "CaCO3. Check the units.",
                field=field,
            )
        rest = max(rest, 0.0)
        calcium, magnesium = (given, rest) if one == CA else (rest, given)
    total = calcium + magnesium
    for what, stated, made in (
        (HARDNESS, hardness, total),
        (SHARE, share, magnesium / total if total else share),
    ):
        if stated is not None and made is not None and abs(stated - made) > _CLOSE[what]:
            raise WaterError(
                f"{field} states {what} {stated:.4g}, but its Ca and Mg make {made:.4g}. "
                "Leave one of them out, or check the units.",
                field=field,
            )
    return total, magnesium / total if total else (share if share is not None else 0.0)
