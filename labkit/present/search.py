"""How the search is said: whether to stop, what to taste next and why, the walk, a head start."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from labkit.analysis import (
    FEWEST_CUPS,
    SURE,
    Answer,
    Band,
    ConfirmingFlights,
    ConfirmingTest,
    Design,
    Followed,
    HeadStart,
    Level,
    Outcome,
    PlanCurves,
    Reason,
    ReasonKind,
    Soonest,
    StopAdvice,
    StopKind,
    StopReason,
    SuggestedCup,
    Suggestion,
    WalkState,
    WalkStep,
)
from labkit.present.asked import remarks, say, to_html
from labkit.present.html import notes, p_text, table, with_index
from labkit.present.recommended import at_most, whole_percent
from labkit.present.water_map import said_of_pour
from labkit.water import (
    COORDINATE,
    COORDINATES,
    Mixing,
    Target,
    amount,
    counted,
    levels_of,
    percent,
)
from labkit.workflow import FlightCost

BANDS: Final = {
    "mg_share": {Band.LOWER: "rich in calcium", Band.UPPER: "rich in magnesium"},
    "hardness_mg_l_caco3": {Band.LOWER: "soft", Band.UPPER: "hard"},
    "alkalinity_mg_l_caco3": {Band.LOWER: "low in alkalinity", Band.UPPER: "alkaline"},
}
"""Words for the lower and upper third of a coordinate's range in the region."""

PRICED: Final = 0.0005
"""Points below which a cup of the control costs nothing that can be said."""

MOST_NAMED: Final = 6
"""Earlier coffees that are named; of more, the others are counted."""


@to_html.register
def _advice(advice: StopAdvice) -> str:
    rows = [
        ("expected loss of stopping now, points", f"{advice.expected_loss:.2f}"),
        ("expected gain of one more flight, points", f"{advice.next_flight_gain:.2f}"),
    ]
    if advice.chance_above_control is not None:
        rows.append(("chance that the leader beats the control", _above_control(advice)))
    if advice.gain_over_control is not None:
        points, low, high = advice.gain_over_control
        rows.append(("leader above the control, points", f"{points:.2f} ({low:.2f} to {high:.2f})"))
        leader, control = advice.leader_mean, advice.control_mean
        if leader is not None and control is not None:
            plain = f"{leader - control:.2f} ({leader:.2f} against {control:.2f})"
            rows.append(("the same by the plain means of the scores", plain))
    # At 'likely' the way to confirm is part of the sentence itself: flights first, then pairs.
    likely = advice.reason is StopReason.LIKELY and advice.in_flights is None
    confirm = None if likely else advice.confirm
    lines = [say(one) for one in (advice.answer, advice, confirm) if one is not None]
    return table(_title(advice), ("", "value"), rows) + notes(lines)


def _title(advice: StopAdvice) -> str:
    """Whether to taste on, or how sure a stop is, in a few words."""
    if advice.verdict is StopKind.TASTE_ON:
        return "Taste on"
    if advice.level is Level.NO_WATER_MATTERS and advice.most_to_gain is not None:
        return f"Stop: no water matters by more than {at_most(advice.most_to_gain)} points"
    return f"Stop: {advice.level}"


def _above_control(advice: StopAdvice) -> str:
    """The chance that the leader beats the control."""
    return whole_percent(advice.chance_above_control or 0.0)


@say.register
def _why(advice: StopAdvice) -> str:
    """Why to stop or to taste on, with numbers."""
    cost = f"stopping now is expected to cost {advice.expected_loss:.2f} points"
    tasted = f"{counted(advice.cups_each, 'cup')} a taster"
    flights = "one flight" if advice.n_flights == 1 else f"{advice.n_flights} flights"
    after = f"After {flights} ({tasted}), {cost}"
    beats = f"The leader beats the control with a chance of {_above_control(advice)}"
    how = advice.in_flights or advice.confirm
    confirm = "Confirm it first." if how is None else say(how)
    unlikely = f"{beats}: too little to call it better. {after}."
    if advice.level is Level.NO_WATER_MATTERS and advice.most_to_gain is not None:
        unlikely = (
            f"With a chance of 90 %, no water within what was tasted is better than the control by "
            f"more than {at_most(advice.most_to_gain)} points. {after}."
        )
    sentences = {
        StopReason.GAIN: (
            f"{after}; one more flight is expected to win back {advice.next_flight_gain:.2f}."
        ),
        StopReason.OWN_NOISE: (
            f"{after}, but your own noise is larger than what is left: you repeat a score "
            f"to within about {advice.repeat_sd or 0.0:.1f} points (SD), and one more flight is "
            f"expected to win back only {advice.next_flight_gain:.2f}. Take the leader, or let "
            "others taste with you."
        ),
        StopReason.FEW_CUPS: (
            f"{cost.capitalize()}, but {tasted} are too few to rely on that: taste at least "
            f"{FEWEST_CUPS}."
        ),
        StopReason.NOT_POURED: (
            f"{after}, but the leader has not been poured yet: the next flight includes it."
        ),
        StopReason.NO_CONTROL: f"{after}: too little to notice.",
        StopReason.CONTROL_LEADS: (
            f"{after}: too little to notice. The control itself leads: keep it."
        ),
        StopReason.CONFIRMED: f"{after}; the leader is confirmed: serve it.",
        StopReason.NOT_CONFIRMED: (
            f"{after}, but the confirming test did not confirm the leader: keep the control."
        ),
        StopReason.SURE: f"{beats}. {after}.",
        StopReason.LIKELY: (
            f"{beats}; from {percent(SURE)} on it counts as settled. {confirm} {after}."
        ),
        StopReason.UNLIKELY: unlikely,
    }
    return sentences[advice.reason]


@say.register
def _answer(answer: Answer) -> str:
    said = f"{answer.preferred} of {answer.n} answers for {answer.leader.text}, against the control"
    if answer.outcome is Outcome.CONFIRMED:
        return f"Confirmed in blind pairs: {said} ({p_text(answer.p_value)})."
    if answer.outcome is Outcome.NOT_CONFIRMED:
        return f"Not confirmed in blind pairs: only {said}."
    return f"Not settled in blind pairs: {said} ({p_text(answer.p_value)})."


@say.register
def _confirm(test: ConfirmingTest) -> str:
    if test.n_pairs is None:
        return (
            f"A test of the two waters alone is out of reach: {test.most_pairs} pairs, as many as "
            f"this panel drinks, would show it with a chance of {percent(test.chance)}."
        )
    by_cupping = test.served_as == "cupping"
    brewed = "by cupping" if by_cupping else f"brewed as served, as {test.served_as}"
    return (
        f"Confirm with {test.n_pairs} blind pairs ({test.n_cups} cups), leader against control, "
        f"{brewed}, split among the tasters: the leader is confirmed if it is preferred at least "
        f"{test.fewest_preferred} times (one-sided, as it was named before the test). The chance "
        f"that this shows it is {percent(test.chance)}."
    )


def chance_said(chance: float, n_pairs: int) -> str:
    """How likely a test of the recommended water against the control settles anything.

    Parameters
    ----------
    chance : float
        That the pairs show it to be better.
    n_pairs : int
        How many are poured.
    """
    return (
        f"By the scores so far, {counted(n_pairs, 'pair')} would show that the recommended water "
        f"is better than the control with a chance of {percent(chance)}."
    )


@say.register
def _confirm_in_flights(one: ConfirmingFlights) -> str:
    first, *later = one.chances
    ahead = "".join(
        f", {percent(chance)} within {'two' if n == 2 else 'three'}"
        for n, chance in enumerate(later, start=2)
    )
    return (
        f"Confirm it in the next flight: leader and control are both poured again, "
        f"{counted(one.cups_each, 'cup')} of each. The chance that this settles it is "
        f"{percent(first)}{ahead}; stop as soon as it does."
    )


@say.register
def _cost(cost: FlightCost) -> str:
    return (
        f"One flight as the search places it: {counted(cost.side_by_side, 'cup')} side by side, "
        f"{counted(cost.cups, 'cup')} to taste by {counted(cost.n_tasters, 'taster')}, "
        f"{counted(cost.jugs, 'jug')}, about {cost.minutes:.0f} minutes at the table."
    )


@to_html.register
def _flight(suggestion: Suggestion) -> str:
    return flight_html(suggestion)


def flight_html(suggestion: Suggestion, pours: Sequence[Mixing] = ()) -> str:
    """The next flight as a numbered list, which a phone shows whole.

    Parameters
    ----------
    suggestion : Suggestion
        What to taste next.
    pours : sequence of Mixing
        Of ``suggestion.mixings``, to say under each water what to pour for it.
    """
    items = "".join(
        f'<li style="margin:.5em 0"><b>{escape(cup.target.text)}</b>'
        f"<br>{escape(say(cup.reason))}"
        f"<br>expected {cup.expected:.2f} ({cup.low:.2f} to {cup.high:.2f}); "
        f"{_chance(cup, suggestion.leader)}{_pour(pours, at)}</li>"
        for at, cup in enumerate(suggestion.cups)
    )
    return (
        f'<div style="max-width:46rem;line-height:1.4"><ol style="padding-left:1.6em">{items}'
        f"</ol>{notes(remarks(suggestion))}</div>"
    )


@remarks.register
def _of_flight(suggestion: Suggestion) -> tuple[str, ...]:
    helped, second = suggestion.helped, suggestion.second
    own = " by its own cups" if helped is not None and second is not None else ""
    said = [
        f"Today's best{own}: {suggestion.leader.text}; expected {suggestion.leader_expected:.2f} "
        f"({suggestion.leader_low:.2f} to {suggestion.leader_high:.2f})."
    ]
    if suggestion.confirms:
        said.append("Leader and control stand side by side here, to settle which is better.")
    if helped is not None:
        same = helped.leader == suggestion.leader
        said.append(
            "To serve in the meantime, with earlier coffees counted in: "
            f"{'the same water' if same else helped.leader.text}; expected "
            f"{helped.expected:.2f} ({helped.low:.2f} to {helped.high:.2f})."
        )
    said += [] if second is None else [say(second)]
    said.append("Intervals hold the score with a chance of 90 %.")
    if helped is not None:
        said += [say(helped.followed), *remarks(helped.followed.head_start)]
    said += map(say, suggestion.notes)
    price = suggestion.control_price
    if price is not None:
        said.append(
            "No cup of the control is among them: in the place of the last one it would make the "
            f"flight worth {max(0.0, price):.3f} points less."
            if price >= PRICED
            else "No cup of the control is among them; in the place of the last one it would tell "
            "as much."
        )
    if suggestion.is_elsewhere:
        said.append(
            "Today's best lies outside what may be proposed here: held, left out, or "
            "beyond what the bottles can make."
        )
    return tuple(said)


def _chance(cup: SuggestedCup, leader: Target) -> str:
    if cup.target == leader:
        return "today's best itself"
    return f"a chance of {percent(cup.chance_above_leader)} to beat today's best"


def _pour(pours: Sequence[Mixing], at: int) -> str:
    return f"<br>{escape(said_of_pour(pours[at]))}" if pours else ""


@say.register
def _reason(reason: Reason) -> str:
    """Why a cup is proposed, to stand after its water."""
    if reason.kind in (ReasonKind.REPEAT_OF_LEADER, ReasonKind.REPEAT_OF_RIVAL):
        return _repeat(reason)
    if reason.kind is ReasonKind.OPEN_GROUND:
        return _open_ground(reason)
    if reason.kind is ReasonKind.NEXT_TO_LEADER:
        changed = ", ".join(
            f"{amount(one.factor, one.level)} instead of "
            f"{COORDINATE[one.factor].state(one.instead_of)}"
            for one in reason.changed
        )
        return (
            f"next to the leader ({changed}), with a chance of {percent(reason.number)} to be "
            "better"
        )
    if reason.kind is ReasonKind.LEAST_SURE:
        far = (
            ""
            if reason.distance is None
            else f", {percent(reason.distance)} of the usual range from the nearest cup"
        )
        return f"its score could be anywhere from {reason.low:.2f} to {reason.high:.2f}{far}"
    if reason.kind is ReasonKind.NEW_LEADER:
        return f"expected to be the best, at {reason.number:.2f}, and not tasted yet"
    if reason.kind is ReasonKind.BETWEEN_THE_BEST:
        return f"between the two best so far, {percent(reason.number)} of the way from the best"
    if reason.kind is ReasonKind.AGAINST_LEADER:
        again = ", and again in this flight" if reason.is_again else ""
        so_far = f"tasted in {counted(reason.n_cups, 'cup')} so far" if reason.n_cups else "new"
        return f"the control, side by side with the leader, {so_far}{again}"
    return "included at your request"


def _repeat(reason: Reason) -> str:
    n = reason.n_cups
    known = f"tasted in {counted(n, 'cup')} so far" if n else "new, and served twice in this flight"
    again = ", and again in this flight" if reason.is_again and n else ""
    if reason.kind is ReasonKind.REPEAT_OF_LEADER:
        return (
            f"repeat of the leader, {known}{again}: expected {reason.expected:.2f}, but it could "
            f"be {reason.low:.2f} to {reason.high:.2f}"
        )
    return (
        f"repeat of a rival, {known}{again}: {reason.behind:.2f} behind the leader, with a chance "
        f"of {percent(reason.number)} to be better"
    )


def _open_ground(reason: Reason) -> str:
    words = " and ".join(BANDS[name][band] for name, band in reason.bands)
    if reason.is_first:
        return f"no other cup of this flight is {words}"
    far = (
        ""
        if reason.distance is None
        else f" (the nearest cup is {percent(reason.distance)} of the usual range away)"
    )
    return f"no water that is {words} was tasted yet{far}"


@say.register
def _walk(step: WalkStep) -> str:
    """What was found, what comes next, and what the walk cannot know."""
    sweep = step.sweep
    if step.state is WalkState.BEGINS and sweep is not None:
        return f"The walk begins with a {sweep.kind} of {len(sweep.targets)} levels."
    if step.expected_loss is None:
        found = "No dial has been tasted yet"
    else:
        last = step.dialled[-1]
        level = amount(last, levels_of(step.kept)[COORDINATES.index(last)])
        found = (
            f"On the {COORDINATE[last].words} dial, {level} "
            f"{'is kept' if step.is_told else 'stays, not told'}; it is expected to score "
            f"{step.expected_loss:.2f} points below the best level of this dial"
        )
    if step.state is WalkState.AGAIN:
        return f"{found}, which is not settled: taste the same dial again."
    if sweep is not None:
        return f"{found}. Next comes the {sweep.kind}, from there."
    return (
        f"{found}. The walk is finished. It never moved two coordinates at once, so it cannot tell "
        "whether the best level of one moves with another, or whether there is a better water away "
        "from these lines."
    )


@say.register
def _head_start(start: HeadStart) -> str:
    """Which coffees count how much."""
    lent = ", ".join(
        f"{one.coffee} ({one.client}) {percent(one.share)}" for one in start.lenders[:MOST_NAMED]
    )
    more = len(start.lenders) - MOST_NAMED
    others = f" and {more} more" if more > 0 else ""
    name, chance = max(start.groups.items(), key=lambda one: one[1], default=("", 0.0))
    closer = (
        f" Coffees of the same {name.replace('_', ' ')} count more: they are more alike, with a "
        f"chance of {percent(chance)}."
        if chance > 0.5
        else ""
    )
    return (
        f"Earlier coffees shifted {percent(start.moved)} of the estimate of the best water; of "
        f"that, {lent}{others}.{closer}"
    )


@remarks.register
def _of_head_start(start: HeadStart) -> tuple[str, ...]:
    return tuple(f"{one.coffee} ({one.client}) is not used: {one.error}" for one in start.silent)


@say.register
def _followed(followed: Followed) -> str:
    before = 1 - followed.head_start.like_any
    was = (
        f" ({percent(before)} before its first cup)" if abs(followed.alike - before) > 0.005 else ""
    )
    alike = f"This coffee is like them with a chance of {percent(followed.alike)}{was}."
    return f"{say(followed.head_start)} {alike}"


@say.register
def _curves(curves: PlanCurves) -> str:
    """What the longest flight of each curve is expected to give away, one sentence each."""
    last = curves.frame.groupby(["path", "n_tasters", "cups"], sort=False).tail(1)
    return " ".join(
        f"The {row.path} with {row.n_tasters} tasters and {row.cups} cups a flight is expected "
        f"to give away {row.loss:.2f} points after {row.flight} flights ({row.n_cups} cups)."
        for row in last.itertuples()
    )


@say.register
def _soonest(found: Soonest) -> str:
    """Which design reaches the loss soonest, and what the next best costs."""
    best, after = found.design, found.next_best
    if best is None:
        near = found.nearest
        return (
            f"None of these reaches {found.loss:.2f} points within "
            f"{counted(found.n_flights, 'flight')}. Nearest: {_designed(near)} give away "
            f"{_loss_of(near)} after {_minutes_of(near)}."
        )
    again = (
        f"; {best.repeats / best.flights:.1f} cups a flight hold a water of it again"
        if best.repeats / best.flights >= 0.05
        else ""
    )
    told = (
        f"Soonest to {found.loss:.2f} points: {_designed(best)}, {_minutes_of(best)}, expected to "
        f"give away {_loss_of(best)}{again}."
    )
    if after is None:
        return f"{told} No other one simulated needs fewer tasters or less time at the jugs."
    return f"{told} Next best: {_designed(after)}, {_minutes_of(after)}."


def _designed(one: Design) -> str:
    return (
        f"{counted(one.n_tasters, 'taster')}, {counted(one.flights, 'flight')} of "
        f"{counted(one.cups, 'cup')} ({one.path})"
    )


def _minutes_of(one: Design) -> str:
    return f"{one.minutes:.0f} minutes at the table and {one.jug_minutes:.0f} at the jugs"


def _loss_of(one: Design) -> str:
    return f"{one.loss:.2f} points ({one.low:.2f} to {one.high:.2f})"


@to_html.register
def _soonest_line(found: Soonest) -> str:
    return notes([say(found)])


@to_html.register
def _curves_table(curves: PlanCurves) -> str:
    wide = curves.frame.pivot_table(
        index=["path", "n_tasters", "cups"], columns="flight", values="loss", sort=False
    )
    return f"<p>Points expected to be given away</p>{with_index(wide.round(2))}"
