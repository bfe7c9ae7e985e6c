"""How it is said what one water for several coffees costs each of them."""

from __future__ import annotations

from html import escape

from labkit.analysis import AS_GOOD, CoffeeLoss, LossStatus, OneWater, Tasted, VerdictKind
from labkit.present.asked import say, to_html
from labkit.water import COORDINATE, describe


@to_html.register
def _tank(one: OneWater) -> str:
    rows = "".join(f"<li>{escape(say(coffee))}</li>" for coffee in one.coffees)
    return f"<p><strong>{escape(say(one))}</strong></p><ul>{rows}</ul>"


@say.register
def _least_loss(one: OneWater) -> str:
    known = [coffee for coffee in one.coffees if coffee.status is LossStatus.KNOWN]
    untold = [coffee for coffee in one.coffees if coffee.status is not LossStatus.KNOWN]
    text = (
        f"Least loss: {one.target.text}. The average cup loses {one.loss:.1f} points "
        f"({one.lo:.1f} to {one.hi:.1f})"
    )
    if len(known) > 1:
        text += f"; {known[0].reading.coffee} loses most ({known[0].loss:.1f})"
    text += "."
    if untold:
        text += (
            f" This speaks for {len(known)} of {len(one.coffees)} coffees; not known here: "
            f"{', '.join(coffee.reading.coffee for coffee in untold)}."
        )
    if len(one.as_good) > 1:
        low, high = one.as_good.min(axis=0), one.as_good.max(axis=0)
        text += (
            f" {len(one.as_good)} waters lose at most {AS_GOOD:.1f} points more; they lie between "
            f"{describe(low)} and {describe(high)}."
        )
    return text


@say.register
def _coffee_loss(one: CoffeeLoss) -> str:
    coffee = one.reading.coffee
    if one.status is LossStatus.OTHER_SCALE:
        return (
            f"{coffee}: not known. Scored on another scale than '{one.scale}', so its points "
            "cannot be added."
        )
    if one.status is LossStatus.UNTOLD:
        return f"{coffee}: not known. {say(one.reading)}"
    if one.status is LossStatus.UNREACHED:
        tasted = " and ".join(map(_tasted, one.only_at))
        return f"{coffee}: loss unknown; it was tasted only at {tasted}."
    text = f"{coffee}: loses {one.loss:.1f} points ({one.lo:.1f} to {one.hi:.1f})"
    if one.loss_with_own >= 0.05:
        text += f", {one.loss_with_own:.1f} of them also with its own best water so far"
    if one.untold:
        untold = " or ".join(COORDINATE[name].words for name in one.untold)
        text += f"; its cups do not tell which {untold} is best, so this leaves that out"
    if one.reading.verdict.kind is not VerdictKind.FOUND:
        text += "; its scores show no difference between waters, so this is mostly chance"
    return f"{text}."


def _tasted(tasted: Tasted) -> str:
    one = COORDINATE[tasted.factor]
    ends = [f"{level:.{one.digits}f}" for level in (tasted.low, tasted.high)]
    return f"{one.words} {' to '.join(dict.fromkeys(ends))} {one.unit}".rstrip()
