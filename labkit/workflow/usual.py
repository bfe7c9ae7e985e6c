"""What a coffee's next session starts from: what was held, asked and served last time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from labkit.book import Attribute, BrewMethod, Held, LabBook, TastingSession
from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting import COMFORTABLE_CUPS, USUAL_MINUTES, CupPlan, Vessels
from labkit.water import Target, find_water
from labkit.workflow.names import USUAL_SHEET, attributes_of

_CODES_REST: Final = timedelta(days=60)
"""How far back codes are looked up; planning itself lets them rest for a fortnight."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """What holds for a coffee's next session unless something else is said."""

    last: TastingSession | None
    """Its last session, a test of two waters or not."""

    scored: TastingSession | None
    """Its last session with scores to give."""

    attributes: tuple[Attribute, ...]
    """What is scored."""

    serving: Vessels
    """Shared bowls, or a cup for each taster."""

    brew_method: BrewMethod
    """How it is brewed."""

    held: Held
    """What is held constant, the water that the doses go into among it."""

    controls: tuple[Target, ...]
    """The controls of its sessions with scores, the oldest first."""

    before: TastingSession | None
    """Whose people and brew a form starts from: the coffee's last session, or before its first
    one the last of the lab book; None in an empty one."""

    cups_per_flight: int
    """Most cups side by side that were asked for last."""

    minutes: float
    """Time there was at the table last."""

    def control_for(self, waters: Sequence[Target]) -> Target | None:
        """The control that links these waters to the coffee's days; None if none would.

        Waters that differ in their salts are compared among themselves, so only one of them links
        their flights; where all have the same salts, so has their control.

        Parameters
        ----------
        waters : sequence of Target
            What is to be tasted.
        """
        salts = {tuple(one.salt_shares.items()) for one in waters} or {()}
        if len(salts) > 1:
            fit = [one for one in self.controls if find_water(one, list(waters)) is not None]
        else:
            fit = [one for one in self.controls if tuple(one.salt_shares.items()) in salts]
        return fit[-1] if fit else None


@checked(PlanError)
def usual_of(book: LabBook, coffee: str, client: str | None = None) -> Usual:
    """What a coffee's next session starts from.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffee : str
        Which coffee.
    client : str, optional
        Whose coffee it is; needed where two clients have one of that name.

    Raises
    ------
    BookError
        If the coffee is unknown, or two clients have one of that name and none is said.
    """
    about = book.people.coffee(coffee, client=client)
    sessions = book.sessions.all(client=about.client, coffee=about.name)
    to_score = [one for one in sessions if not one.is_pair_test]
    last = sessions[-1] if sessions else None
    scored = to_score[-1] if to_score else None
    before = last or book.sessions.latest()
    planned = scored or before
    plan = None if planned is None else stored_plan(book, planned)
    most = None if plan is None else plan.design.most_cups
    minutes = None if plan is None else plan.design.minutes
    controls = [w.target for one in to_score for w in one.waters if w.is_control]
    return Usual(
        last=last,
        scored=scored,
        attributes=scored.attributes if scored else attributes_of(USUAL_SHEET),
        serving=scored.serving if scored else "shared bowls",
        brew_method=last.brew_method if last else "cupping",
        held=last.held if last else Held(roast_date=about.roast_date),
        controls=tuple(controls),
        before=before,
        cups_per_flight=COMFORTABLE_CUPS if most is None else most,
        minutes=USUAL_MINUTES if minutes is None else minutes,
    )


def usual_name(book: LabBook, about: str, on: date) -> str:
    """What a session is called: what it is about, and the day.

    It stands on what tasters see, so nothing of the waters is in it.
    """
    name = f"{about}, {on:%Y-%m-%d}"
    names = set(book.sessions.names(beginning=name))
    taken = len(names)
    if not taken:
        return name
    return next(
        numbered
        for number in range(taken + 1, 2 * taken + 2)
        if (numbered := f"{name}, session {number}") not in names
    )


def resting_codes(book: LabBook, on: date) -> dict[str, date]:
    """The codes that were served lately, and when."""
    return book.sessions.codes_served(since=on - _CODES_REST)


def stored_plan(book: LabBook, session: TastingSession) -> CupPlan | None:
    """The plan of a session; None while it has none."""
    return book.sessions.plan(session.name) if book.sessions.flights(session.name) else None
