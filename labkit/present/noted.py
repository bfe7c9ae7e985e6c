"""How it is said what was left out, chosen or cannot be told on the way to a reading."""

from __future__ import annotations

from typing import Final

from labkit.analysis import WATER_RULE, Note, Noted
from labkit.present.asked import say
from labkit.tasting import Scale
from labkit.water import COORDINATE, SALT_SHARE, amount

_SPREADS = {
    "session": "levels of sessions",
    "flight": "levels of flights",
    "taster:flight": "a taster's level from flight to flight",
    "taster": "tasters' levels",
    "taster:water": "how tasters answer single waters",
    "bowl": "bowls of the same water",
}
"""Random effects in words; a slope is a taster's answer to its coordinate."""

_SAID = {
    Note.OTHERS_APART: (
        "Only the {n} scores of {column} '{chosen}' are read here; not pooled with {others}. "
        "Choose another {column} to read those apart."
    ),
    Note.NO_SCORE: "{n} cups without a score are left out.",
    Note.NO_NAME: "{n} scores are left out because a name in their row is blank: {blank}.",
    Note.NO_NUMBER: (
        "{n} scores are left out because the score or the water behind it is not a number."
    ),
    Note.NO_WATER: f"{{n}} scores are left out because their water cannot be ({WATER_RULE}).",
    Note.OFF_SCALE: "{n} scores are left out because they lie off their scale{scale}: {worst}.",
    Note.BETWEEN_STEPS: (
        "{n} scores lie between two steps of the scale '{scale}'; they are read as they stand."
    ),
    Note.BY_CHOICE: "Left out by your choice: {names}.",
    Note.GIVEN_TWICE: "{n} scores were given twice for the same cup; the last one counts.",
    Note.STAGES_AVERAGED: (
        "Scores of a cup as it cooled ({stages}) are averaged: they are one cup, not several."
    ),
    Note.HELD: "Every cup had {level}: these scores know nothing of other levels of {name}.",
    Note.BETWEEN_FLIGHTS: (
        "{Name} changed only between flights, which differ for other reasons too: serve a control "
        "in each to tell the two apart."
    ),
    Note.TOGETHER: (
        "{Name} moved together with another coordinate: its own effect cannot be told from these "
        "cups."
    ),
    Note.TWO_LEVELS: (
        "Whether {name} has a best level in between cannot be told: only two levels were tasted."
    ),
    Note.FEW_WATERS: (
        "Whether {name} has a best level in between cannot be told: there are too few waters."
    ),
    Note.NO_INTERACTION: (
        "Whether the best {name} moves with {other} cannot be told: too few waters varied both."
    ),
    Note.MIXED_ONCE: (
        "Each water was mixed and brewed once: a slip in one jug looks like an effect of its "
        "water, and the two cannot be separated. A duplicate mixed and brewed separately would "
        "tell."
    ),
    Note.SALTS_APART: (
        "{n} scores are of flights that compare salts: they are read by themselves, as the curve "
        "knows waters by Ca:Mg, hardness and alkalinity alone."
    ),
    Note.NOT_LINKED: (
        "Some flights or days share no water with the rest, so their levels cannot be compared: "
        "only differences within them count. Serve the same control in each."
    ),
    Note.ONE_TASTER: "Only {taster} scored: this is one taster's answer, not a panel's.",
    Note.NOT_GUESTS: "{n} tasters speak for tasters like them, not for guests.",
    Note.NOBODY_TWICE: (
        "Nobody tasted a water twice: a taster's own taste and slips of the day cannot be "
        "separated."
    ),
    Note.NO_CURVE: "No curve could be fitted: {why}",
    Note.FLIGHT_LEVELS: (
        "Each of the {n} flights has a level of its own; waters are compared within flights and "
        "through waters served in several."
    ),
    Note.SESSION_LEVELS: (
        "Each of the {n} sessions has a level of its own; days are linked through waters served on "
        "both, such as the control."
    ),
    Note.SESSIONS_BY_CHANCE: "The {n} sessions differ by chance, as days do.",
    Note.NOT_APART: (
        "With so many scores, the spread in {component} is not estimated apart ({n} effects would "
        "take long): it counts as noise."
    ),
    Note.NO_SPREAD: (
        "No spread in {component} was seen beside the noise; the intervals allow for some."
    ),
    Note.NOT_SEEN: (
        "No spread in {component} was seen beside the noise; the simpler model without it is used."
    ),
    Note.NOT_ESTIMATED: (
        "No spread in {component} could be estimated; the simpler model without it is used."
    ),
}


_WORDS: Final = {**COORDINATE, **SALT_SHARE}


@say.register
def _noted(one: Noted) -> str:
    facts = dict(one.facts)
    words = {name: _fact(name, value) for name, value in facts.items()}
    if "level" in facts:
        words["level"] = amount(facts["name"], facts["level"])
    words |= {"Name": words["name"].capitalize()} if "name" in words else {}
    return _SAID[one.kind].format(**words)


def _fact(name: str, value: object) -> str:
    """One fact in words."""
    if name in ("name", "other"):
        return _WORDS[str(value)].words
    if name == "component":
        of_slope = str(value).removeprefix("taster:")
        return _SPREADS.get(str(value)) or f"how tasters answer {_WORDS[of_slope].words}"
    if name == "column":
        return str(value).replace("_", " ")
    if isinstance(value, Scale):
        return f" '{value.name}', {value.lowest:g} to {value.highest:g}"
    if isinstance(value, tuple):
        return ", ".join(map(_one_of_many, value))
    return "" if value is None else str(value)


def _one_of_many(value: object) -> str:
    if isinstance(value, tuple):
        name, count = value
        return f"{name or 'no name'} ({count})"
    return f"{value:g}" if isinstance(value, float) else str(value)
