"""Tasting alone: scores are given by place, and the codes found under the cups typed in after."""

from __future__ import annotations

from collections.abc import Mapping

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting.plan import CupPlan


@checked(PlanError)
def match_codes(plan: CupPlan, flight: int, found: Mapping[int, str]) -> dict[int, str]:
    """Check the codes found under the cups of a flight, place by place.

    Whether the flight is locked is for the lab book to see to.

    Parameters
    ----------
    plan : CupPlan
        A plan made with ``alone=True``.
    flight : int
        The flight that was tasted.
    found : mapping of int to str
        For each place on the table, from 1, what stands under its cup.

    Returns
    -------
    codes : dict of int to str
        By place, as they stand on the labels.

    Raises
    ------
    PlanError
        If the plan is not for one alone, or a code is missing, double or not of this flight.
    """
    if not plan.alone:
        raise PlanError(
            f"plan must be of one taster alone to match codes, session '{plan.session}' is not. "
            "Its cups carry their codes openly.",
            field="plan",
        )
    labels = plan.codes(flight)
    if flight not in plan.flights:
        raise PlanError(
            f"flight must be one of {', '.join(map(str, plan.flights))}, got {flight}. "
            "Choose a flight of this plan.",
            field="flight",
        )
    places = [cup.position for cup in plan.cups if cup.flight == flight]
    typed = {place: str(code).strip() for place, code in found.items()}
    strange = sorted(set(typed) - set(places))
    if strange:
        raise PlanError(
            f"place must be 1 to {len(places)} in flight {flight}, got {strange[0]}. "
            "Count the cups again.",
            field="found",
        )
    empty = [place for place in places if not typed.get(place)]
    if empty:
        raise PlanError(
            f"every place must have a code in flight {flight}, none given for "
            f"{', '.join(map(str, empty))}. Look under the cup; if its label is lost, the code "
            "that is left over is its own: "
            f"{', '.join(sorted(set(labels) - set(typed.values())))}.",
            field="found",
        )
    for place in places:
        if typed[place] not in labels:
            raise PlanError(
                f"code at place {place} must be one of this flight's labels, "
                f"{', '.join(labels)}, got {typed[place]!r}. Look under the cup again.",
                field="found",
            )
    for place in places:
        same = [other for other in places if typed[other] == typed[place]]
        if len(same) > 1:
            raise PlanError(
                f"code {typed[place]} must be under one cup only, got it at places "
                f"{', '.join(map(str, same))}. Look under both again.",
                field="found",
            )
    return {place: typed[place] for place in places}
