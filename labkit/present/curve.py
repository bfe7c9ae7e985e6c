"""How it is said whether the fitted curve can be trusted, and what single waters tell."""

from __future__ import annotations

from labkit.analysis import (
    PILED,
    Diagnostics,
    Ordinal,
    OrdinalCheck,
    Reading,
    VerdictKind,
    WaterDifferences,
    ordinal_check,
)
from labkit.present.asked import say
from labkit.present.html import p_text
from labkit.tasting import SCALES
from labkit.water import COORDINATES, describe, percent


@say.register
def _differences(waters: WaterDifferences) -> str:
    apart = waters.apart
    if not len(apart):
        return "No two waters can be told apart when all are compared at once."
    first = apart.iloc[0]
    more = f" and {len(apart) - 1} more pairs" if len(apart) > 1 else ""
    return (
        f"{_named(waters, first['recipe'])} scores above {_named(waters, first['other'])} by "
        f"{first['difference']:.1f} points ({first['lo']:.1f} to {first['hi']:.1f}){more}."
    )


def _named(waters: WaterDifferences, recipe: str) -> str:
    """A water's label with its levels of what was varied."""
    places = waters.means.set_index("recipe")[list(COORDINATES)]
    varied = [name for name in COORDINATES if places[name].nunique() > 1]
    levels = describe(places.loc[recipe], varied)
    return f"{recipe} ({levels})" if levels else recipe


def water_by_water(reading: Reading) -> str:
    """Which waters differ compared singly, and what that is worth beside the verdict.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    if reading.waters is None:
        return ""
    if not len(reading.waters.apart) or reading.verdict.kind is VerdictKind.FOUND:
        return say(reading.waters)
    return (
        f"Compared one by one: {say(reading.waters)} The reading as a whole does not confirm it: "
        "serve these two again before you rely on it."
    )


def warnings_of(reading: Reading) -> tuple[str, ...]:
    """What to mind of the curve, one sentence each.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    checks = reading.diagnostics
    if checks is None or reading.surface is None:
        return ()
    warnings = [*_misfit(checks), *_piled(checks)]
    if checks.alone and reading.surface.terms:
        warnings.append(
            f"At {', '.join(checks.alone)} the curve rests on that water's cups alone: a slip in "
            "mixing it would move the answer."
        )
    return tuple(warnings)


def _misfit(checks: Diagnostics) -> list[str]:
    if checks.lack_of_fit is None or not checks.misfits:
        return []
    return [
        "The curve misses something: single waters lie off it by more than chance "
        f"({p_text(checks.lack_of_fit.p_value)}). Trust the means of the waters more than the "
        "curve."
    ]


def _piled(checks: Diagnostics) -> list[str]:
    return [
        f"{percent(share)} of the scores are the {end} of the scale: larger differences could not "
        "be scored, and the curve is flattened."
        for share, end in ((checks.at_lowest, "lowest"), (checks.at_highest, "highest"))
        if share > PILED
    ]


@say.register
def _ordinal(check: OrdinalCheck) -> str:
    if check.outcome is Ordinal.NOT_MADE:
        return f"{check.n_levels} different scores: no ordinal check is made."
    if check.outcome is Ordinal.NOT_SETTLED:
        return "The ordinal check did not converge: too few scores per step of the scale."
    if check.outcome is Ordinal.MOVES and check.best is not None:
        return (
            "When only the order of scores counts, the best water moves to "
            f"{describe(check.best, check.factors)}: check how the scale was used."
        )
    return "The best water stays where it is when only the order of scores counts."


def trust_in(reading: Reading) -> tuple[str, ...]:
    """How far to trust the curve, one sentence each; empty without one.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    if reading.surface is None or reading.diagnostics is None:
        return ()
    fit = reading.diagnostics.lack_of_fit
    sentences = [
        "No water is left over to check the curve's shape."
        if fit is None
        else f"Single waters against the curve (lack of fit): {p_text(fit.p_value)}; below 0.05 "
        "the curve misses something."
    ]
    scale = SCALES.get(reading.scores.scale)
    if scale is not None and scale.step >= 1:
        sentences.append(say(ordinal_check(reading.surface)))
    own = reading.diagnostics.leverage.sort_values("own_share").iloc[-1]
    sentences.append(
        f"The curve rests most on {own['recipe']}: its own cups decide "
        f"{percent(own['own_share'])} of it there."
    )
    return tuple(sentences)
