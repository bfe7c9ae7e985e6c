"""How it is said what there is to know of a plan, or on the way to a reading."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import Any, Final

from labkit.analysis import WATER_RULE, Note
from labkit.noted import Noted
from labkit.present.asked import say
from labkit.tasting import METHODS, NoiseFrom, PlanNote, Scale
from labkit.water import COORDINATE, SALT_SHARE, amount, counted, percent

_SPREADS: Final = {
    "session": "levels of sessions",
    "flight": "levels of flights",
    "taster:flight": "a taster's level from flight to flight",
    "taster": "tasters' levels",
    "taster:water": "how tasters answer single waters",
    "bowl": "bowls of the same water",
}
"""Random effects in words; a slope is a taster's answer to its coordinate."""

_OF_A_READING: Final[Mapping[Enum, str]] = {
    Note.OTHERS_APART: (
        "Only the {scores} of {column} '{chosen}' {are} read here; not pooled with {others}. "
        "Choose another {column} to read those separately."
    ),
    Note.NO_SCORE: "{cups} without a score {are} left out.",
    Note.NO_NAME: "{scores} {are} left out because a name in the row is blank: {blank}.",
    Note.NO_NUMBER: ("{scores} {are} left out because the score or its water is not a number."),
    Note.NO_WATER: f"{{scores}} {{are}} left out because there is no such water ({WATER_RULE}).",
    Note.OFF_SCALE: "{scores} {are} left out for being off the scale{scale}: {worst}.",
    Note.BETWEEN_STEPS: ("{scores} between two steps of the scale '{scale}' {are} read as given."),
    Note.BY_CHOICE: "Left out by your choice: {names}.",
    Note.GIVEN_TWICE: "{scores} {were} given twice for the same cup; the last one counts.",
    Note.STAGES_AVERAGED: (
        "Scores of a cup as it cooled ({stages}) are averaged: they are one cup, not several."
    ),
    Note.HELD: "Every cup had {level}: these scores say nothing about other levels of {name}.",
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
        "{scores} {are} from flights that compare salts and {are} read separately, as the curve "
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
    Note.SESSIONS_BY_CHANCE: "The {n} sessions are taken to differ by chance, as days do.",
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


_OF_A_PLAN: Final[Mapping[Enum, str]] = {
    PlanNote.CONTROL: (
        "Hidden control: the same water in every flight links flights and days; costs each taster "
        "{cups}."
    ),
    PlanNote.NO_CONTROL: (
        "No hidden control: flights and days can be compared only by their waters."
    ),
    PlanNote.DUPLICATE: (
        "Hidden duplicate: a water mixed and brewed separately shows how well cups repeat; costs "
        "each taster {cups}."
    ),
    PlanNote.NO_DUPLICATE: "No hidden duplicate: nothing will tell how well a cup repeats.",
    PlanNote.MIXED_ONCE: (
        "Each water comes from one {vessel} but for control and duplicate: a slip in mixing or "
        "brewing looks like its water, and this plan cannot tell them apart."
    ),
    PlanNote.NEVER_MEET: (
        "Some waters never meet, not even through others: they cannot be compared within flights. "
        "Add a control, repeats or flights."
    ),
    PlanNote.IN_PART: (
        "Not every water is in every flight ({design}): differences between waters keep "
        "{efficiency} of what full flights would tell."
    ),
    PlanNote.ALONE: (
        "Alone: stick the codes under identical cups, have them shuffled until you have lost "
        "track, and score by place. Positions are then balanced by chance only."
    ),
    PlanNote.KEEP_SHEET: (
        "Print the bench sheet and keep it from the tasters: it is the only way back if the "
        "passphrase is lost."
    ),
    PlanNote.CODES_RETURN: (
        "{n} of {of} codes were already served in the fortnight before {day} (the oldest first, "
        "none later than {last}), because only {rested} were rested."
    ),
    PlanNote.PLANNED_ANEW: (
        "Planned again from flight {flight}{absent}{late}: positions are as even as the remaining "
        "orders allow."
    ),
    PlanNote.SETS: "{method}: {source}; a guess is right in {guessing} of sets.",
    PlanNote.MIXED_AGAIN: (
        "A jug of each water is mixed and brewed again for every trial: with one trial a slip in a "
        "jug looks like its water."
    ),
    PlanNote.SETS_ALIKE: (
        "Several sets a taster: one person's answers are alike, so counting each as another "
        "person's would claim too much."
    ),
    PlanNote.AS_WRITTEN: "{text}",
}

_OF_NOISE: Final[Mapping[Enum, str]] = {
    NoiseFrom.GIVEN: "as given",
    NoiseFrom.PRACTISED: (
        "default for practised tasters: repeats within 10 % of the scale (from memory, Lawless & "
        "Heymann 2010), own response 6 %, jug 2 % (assumed)"
    ),
    NoiseFrom.BOOK: "this lab book, {n} overall scores of {coffee}{jug}",
}

_WORDS: Final = {**COORDINATE, **SALT_SHARE}

_SAID: Final = {**_OF_A_READING, **_OF_A_PLAN, **_OF_NOISE}


@say.register(Noted)
def _noted(one: Noted[Any]) -> str:
    facts = dict(one.facts)
    words = {name: _fact(name, value) for name, value in facts.items()}
    words |= _more_words(one.kind, facts)
    return _SAID[one.kind].format(**words)


def _more_words(kind: Enum, facts: Mapping[str, Any]) -> dict[str, str]:
    """What a sentence says of its facts in other words than theirs."""
    more: dict[str, str] = {}
    if "n" in facts:
        n = facts["n"]
        more |= {"cups": counted(n, "cup"), "scores": counted(n, "score")}
        more |= {"are": "is" if n == 1 else "are", "were": "was" if n == 1 else "were"}
    if "name" in facts:
        more["Name"] = COORDINATE[facts["name"]].words.capitalize()
    if "level" in facts:
        more["level"] = amount(facts["name"], facts["level"])
    if kind is PlanNote.MIXED_ONCE:
        more["vessel"] = "jug and bowl" if facts["serving"] == "shared bowls" else "jug"
    if kind is PlanNote.SETS:
        method = METHODS[facts["method"]]
        more |= {"source": method.source, "guessing": percent(method.guessing)}
    if kind is NoiseFrom.BOOK:
        more["jug"] = ", jug 2 % of the scale (assumed)" if facts["jug_assumed"] else ""
    return more


def _fact(name: str, value: object) -> str:
    """One fact in words."""
    if name in ("name", "other"):
        return _WORDS[str(value)].words
    if name == "component":
        of_slope = str(value).removeprefix("taster:")
        return _SPREADS.get(str(value)) or f"how tasters answer {_WORDS[of_slope].words}"
    if name == "column":
        return str(value).replace("_", " ")
    if name == "cups" and isinstance(value, int):
        return counted(value, "cup") if value else "no cup"
    if name == "efficiency" and isinstance(value, float):
        return percent(value)
    if isinstance(value, Scale):
        return f" '{value.name}', {value.lowest:g} to {value.highest:g}"
    if isinstance(value, tuple):
        listed = ", ".join(map(_one_of_many, value))
        before = {"absent": ", without ", "late": ", with "}.get(name, "")
        return before + listed if listed else ""
    return "" if value is None else str(value)


def _one_of_many(value: object) -> str:
    if isinstance(value, tuple):
        name, count = value
        return f"{name or 'no name'} ({count})"
    return f"{value:g}" if isinstance(value, float) else str(value)
