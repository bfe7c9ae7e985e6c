"""What was left out, put together, chosen or cannot be told on the way to a reading, as values."""

from __future__ import annotations

from enum import Enum, auto


class Note(Enum):
    """What there is to know; in brackets the facts that come with it."""

    OTHERS_APART = auto()
    """Only one brew method or scale is read (column, chosen, n, others: names with counts)."""

    NO_SCORE = auto()
    """Cups without a score are left out (n)."""

    NO_NAME = auto()
    """Scores in whose row a name is blank are left out (n, blank: columns with counts)."""

    NO_NUMBER = auto()
    """Scores that are no number, or whose water is none, are left out (n)."""

    NO_WATER = auto()
    """Scores of a water that cannot be are left out (n)."""

    OFF_SCALE = auto()
    """Scores off their scale are left out (n, scale: a Scale or None, worst: some of them)."""

    BETWEEN_STEPS = auto()
    """Scores between two steps of their scale are read as they stand (n, scale: its name)."""

    BY_CHOICE = auto()
    """Tasters or sessions are left out by choice (names)."""

    GIVEN_TWICE = auto()
    """Of scores given twice for a cup the last counts (n)."""

    STAGES_AVERAGED = auto()
    """Scores of a cup as it cooled are averaged (stages)."""

    SALTS_APART = auto()
    """Scores of flights that compare salts are read by themselves (n)."""

    HELD = auto()
    """A coordinate did not vary (name, level)."""

    BETWEEN_FLIGHTS = auto()
    """A coordinate changed only between flights (name)."""

    TOGETHER = auto()
    """A coordinate moved together with another (name)."""

    TWO_LEVELS = auto()
    """Whether there is a best level in between is unknown: only two were tasted (name)."""

    FEW_WATERS = auto()
    """Whether there is a best level in between is unknown: there are too few waters (name)."""

    NO_INTERACTION = auto()
    """Whether the best of one moves with another is unknown (name, other)."""

    MIXED_ONCE = auto()
    """Each water was mixed and brewed once: a slip looks like the water."""

    NOT_LINKED = auto()
    """Some flights or sessions share no water with the rest."""

    ONE_TASTER = auto()
    """Only one scored (name)."""

    NOT_GUESTS = auto()
    """Tasters speak for tasters like them (n)."""

    NOBODY_TWICE = auto()
    """Nobody tasted a water twice."""

    NO_CURVE = auto()
    """No curve could be fitted (why: the sentence of the error)."""

    FLIGHT_LEVELS = auto()
    """Each flight has a level of its own (n)."""

    SESSION_LEVELS = auto()
    """Each session has a level of its own (n)."""

    SESSIONS_BY_CHANCE = auto()
    """Sessions differ by chance (n)."""

    NOT_APART = auto()
    """A spread is not estimated apart, as it has many effects (component, n)."""

    NO_SPREAD = auto()
    """A spread was estimated as zero, and its uncertainty counted (component)."""

    NOT_SEEN = auto()
    """A spread was estimated as zero, and left out of the model (component)."""

    NOT_ESTIMATED = auto()
    """A spread could not be estimated, and was left out of the model (component)."""
