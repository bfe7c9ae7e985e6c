"""Plain objects that the lab book hands out: frozen, without a tie to the database."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Literal, get_args

from labkit.boundary import checked
from labkit.errors import BookError, ScaleError
from labkit.tasting import Scale, Vessels

if TYPE_CHECKING:
    from labkit.tasting import SessionWater


Stage = Literal["hot", "warm", "cool"]
Source = Literal["sheet", "paper", "import", "lead"]
FlightState = Literal["planned", "being tasted", "locked", "opened"]
BrewMethod = Literal["cupping", "filter", "espresso"]
AttributeKind = Literal["number", "descriptors", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Client:
    """Whose coffee it is."""

    name: str
    """Unique in the book."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coffee:
    """A coffee of one client."""

    client: str
    """Whose it is."""

    name: str
    """Unique within the client."""

    lot: str = ""
    """The lot or bag, as written on it."""

    origin: str = ""
    """Where it grew."""

    process: str = ""
    """How it was processed."""

    roast_level: str = ""
    """How dark, in the roaster's words."""

    roast_date: date | None = None
    """When this lot was roasted; a session may state its own."""

    note: str = ""
    """Anything else."""


@checked(BookError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What is held constant in a session, so that only the water differs."""

    roast_date: date | None = None
    """Roast date of what was tasted."""

    dose_g: float | None = None
    """Ground coffee per vessel (g)."""

    brew_ratio_g_l: float | None = None
    """Coffee per litre of water (g/L)."""

    grind: str = ""
    """Grinder and setting."""

    water_temperature_c: float | None = None
    """Water temperature at pouring (°C)."""

    contact_time_s: float | None = None
    """Brewing or steeping time (s)."""

    vessel: str = ""
    """Bowl, brewer or basket."""

    base_water: str = ""
    """What the doses went into: pure water, or a base water of the lab book by name."""

    base_share_percent: float | None = None
    """How much of that base there was in a blend with pure water (% by volume)."""

    lead: str = ""
    """Who led."""

    preparer: str = ""
    """Who mixed, brewed and held the key."""

    language: str = ""
    """Language of the score sheets, such as "de"; empty where tasters read their browser's."""


@checked(ScaleError, but=("kind",))
@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """Something scored in a session."""

    name: str
    """For instance "overall" or "acidity"; unique within the session."""

    scale: Scale | None = None
    """The scale of a number; None for descriptors and notes."""

    kind: AttributeKind = "number"
    """A number on a scale, descriptors to check, or a free note."""

    choices: tuple[str, ...] = ()
    """The descriptors that may be checked."""

    def __post_init__(self) -> None:
        if self.kind not in get_args(AttributeKind):
            kinds = ", ".join(get_args(AttributeKind))
            msg = f"kind of attribute {self.name!r} must be one of {kinds}, got {self.kind!r}."
            raise ScaleError(msg, field="kind")
        if (self.kind == "number") != (self.scale is not None):
            msg = (
                f"attribute {self.name!r} must have a scale if it is a number and none otherwise, "
                f"got kind {self.kind!r} and scale {self.scale and self.scale.name!r}; add or "
                "drop the scale."
            )
            raise ScaleError(msg, field="attribute")
        if (self.kind == "descriptors") != bool(self.choices):
            msg = (
                f"attribute {self.name!r} must have choices if it is descriptors and none "
                f"otherwise, got kind {self.kind!r} and {len(self.choices)} choices."
            )
            raise ScaleError(msg, field="attribute")

    @property
    def scale_name(self) -> str:
        """Name of the scale; for descriptors and notes, that word."""
        return self.kind if self.scale is None else self.scale.name


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSheet:
    """What a taster's sheet may know of a session: no coffee, no water."""

    name: str
    """The session's name."""

    tasters: tuple[str, ...]
    """Who tastes, by name."""

    attributes: tuple[Attribute, ...]
    """What is scored, in the order of the sheet."""

    stages: tuple[Stage, ...] = ()
    """Stages of cooling that are scored apart; empty if each cup is scored once."""

    language: str = ""
    """Language of the sheets, such as "de"; empty where tasters read their browser's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TastingSession:
    """One tasting session of one coffee."""

    name: str
    """Unique in the book."""

    client: str
    """Whose coffee."""

    coffee: str
    """Which coffee."""

    tasted_on: date
    """The day."""

    serving: Vessels
    """Shared bowls, or a cup for each taster."""

    brew_method: BrewMethod
    """Never pooled silently."""

    attributes: tuple[Attribute, ...]
    """What is scored, in the order of the sheet."""

    waters: tuple[SessionWater, ...]
    """Waters that take part, labelled by recipe, which tells nothing about cups."""

    tasters: tuple[str, ...]
    """Who tastes, by name."""

    stages: tuple[Stage, ...] = ()
    """Stages of cooling that are scored apart; empty if each cup is scored once."""

    held: Held = Held()
    """What is held constant."""

    note: str = ""
    """Anything else."""

    @property
    def is_pair_test(self) -> bool:
        """Whether its sheet asks the question of a test of two waters, instead of scores."""
        from labkit.tasting import METHODS  # pandas: not for the tasters' kernel

        return any(one.scale_name in METHODS for one in self.attributes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flight:
    """The state of one flight."""

    session: str
    """Its session."""

    number: int
    """From 1 within the session."""

    state: FlightState
    """Planned, being tasted, locked or opened."""

    is_unblinded: bool
    """Whether its key was opened before the lock, or it was unlocked once the key was open or the
    codes under its cups were read."""

    has_key: bool
    """Whether a sealed key is stored."""

    codes_found: bool
    """Whether one tasted it alone and the codes under its cups have been read off since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServedCup:
    """One cup before one taster."""

    position: int
    """From 1, in the taster's own order."""

    blind_code: str | None
    """The code; None while someone who tastes alone has not read it yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A number that a taster did not give."""

    taster: str
    """Who."""

    position: int
    """Which cup, in the taster's order."""

    blind_code: str | None
    """Code of the cup."""

    attribute: str
    """What was not scored."""

    stage: Stage | None
    """Stage of cooling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened in a session and must stay visible."""

    session: str
    """Which session."""

    flight: int | None
    """Which flight, if one."""

    kind: str
    """What happened."""

    reason: str
    """Why, if someone had to say."""

    done_by: str
    """Who did it."""

    happened_at: datetime
    """When (UTC)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What is read of a coffee by choice: one of taster, session and scale is given."""

    coffee: str
    """About which coffee."""

    taster: str | None
    """Whose scores are left out, if a taster's."""

    session: str | None
    """Which session is left out, if one."""

    scale: str | None
    """Which scale of the attribute is read, if that was chosen."""

    attribute: str
    """The attribute whose reading led to it, or whose scale is chosen."""

    reason: str
    """Why."""

    decided_by: str
    """Who decided; empty if not said."""

    decided_at: datetime
    """When (UTC)."""

    withdrawn_at: datetime | None
    """Until when (UTC); None while it holds."""

    withdrawn_by: str
    """Who withdrew it, or decided otherwise."""

    withdrawn_because: str
    """Why it was withdrawn."""

    @property
    def holds(self) -> bool:
        """Whether it is in force."""
        return self.withdrawn_at is None


@dataclass(frozen=True, slots=True, kw_only=True)
class Guest:
    """Whom a personal link belongs to."""

    session: str
    """The session it was given for."""

    taster: str
    """Whose it is."""
