"""How tests of two waters are said: what they showed, and before them what they would show."""

from __future__ import annotations

from html import escape

import numpy as np

from labkit.analysis import (
    ENOUGH,
    FEWEST_REPEATING,
    SMALL,
    Discrimination,
    Foreseen,
    PairReading,
    PreferenceTest,
    Similarity,
)
from labkit.present.asked import remarks, say, to_html
from labkit.present.html import notes, p_text
from labkit.tasting import CONFIRMING, DIFFERENCE_TESTS
from labkit.water import COORDINATES, SALT_SHARES, describe, levels_of, percent, share_text


@to_html.register
def _page(test: PairReading) -> str:
    method = f"{test.method[0].upper()}{test.method[1:]}"
    first, second = map(escape, pair_of(test))
    return (
        f"<p><strong>{escape(say(test))}</strong></p>"
        f'<p>{escape(method)}: {first} against {second}. Asked: "{escape(test.question)}"</p>'
        f"{notes(remarks(test))}"
    )


def pair_of(test: PairReading) -> tuple[str, str]:
    """The two waters in words, by what they differ in.

    Parameters
    ----------
    test : PairReading
        A pair test that was read.
    """
    one, two = map(levels_of, test.targets)
    apart = [name for name, a, b in zip(COORDINATES, one, two, strict=True) if a != b]
    salts = [name for name in SALT_SHARES if len({getattr(t, name) for t in test.targets}) > 1]
    first, second = (
        ", ".join(
            [
                *([describe(levels, apart)] if apart else []),
                *(_salt_words(name, getattr(target, name)) for name in salts),
            ]
        )
        for levels, target in zip((one, two), test.targets, strict=True)
    )
    return first, second


def _salt_words(name: str, share: float | None) -> str:
    return "salts as the bottles give them" if share is None else share_text(name, share)


@say.register
def _test(test: PairReading) -> str:
    found = test.result
    if found is None:
        if not test.n_answers:
            return "No answer was given: this test says nothing."
        who = "pairs" if test.method == CONFIRMING else "tasters"
        return f"No preference: all {test.n_counted} {who} liked both alike."
    if isinstance(found, PreferenceTest):
        return preference_between(found, pair_of(test))
    if test.similarity is None:
        return say(found)
    if test.detectable_share is None:
        return (
            f"{say(found)} So few answers cannot show any difference: not even all right would "
            "beat guessing."
        )
    guessing = DIFFERENCE_TESTS[test.method].guessing
    return (
        f"{say(found)} A difference that {percent(test.detectable_share)} of answers get right "
        f"(guessing gives {percent(guessing)}) would have been seen with 80 % "
        "chance; smaller ones may be there."
    )


@remarks.register
def _of_test(test: PairReading) -> tuple[str, ...]:
    """What was left out or must be minded."""
    found = test.result
    said = _of_difference(test, found) if isinstance(found, Discrimination) else []
    if test.method not in DIFFERENCE_TESTS and test.n_answers:
        said += _of_preference(test)
    left_out = test.sets.dropna(subset=["why_not"]).groupby("why_not").size()
    said += [
        f"{count} of {len(test.sets)} sets left out: {why}." for why, count in left_out.items()
    ]
    return tuple(said)


def _of_difference(test: PairReading, found: Discrimination) -> list[str]:
    return [_size(found)] + ([] if test.similarity is None else [say(test.similarity)])


def _of_preference(test: PairReading) -> list[str]:
    said = ["'No preference' is left out of the count, as declared before the test."]
    named, found = test.method == CONFIRMING, test.result
    if named:
        said.append(
            "The water expected to win was named beforehand, so the test is one-sided; every pair "
            "counts, and the result holds for this panel."
        )
    elif test.n_counted < test.n_answers:
        said.append(
            f"{test.n_counted} tasters gave {test.n_answers} answers: each counts once, for the "
            "water that they preferred more often."
        )
    if isinstance(found, PreferenceTest) and found.p_value >= 0.05:
        n = sum(found.counted)
        who = "answers" if named else "tasters"
        said.append(
            f"{n} {who} with a preference cannot show one, even if all agree."
            if test.needed is None
            else f"It would take {test.needed} of {n} for the same water to show a preference."
        )
    return said


def _size(found: Discrimination) -> str:
    """How large the difference is, with its interval where one can be given."""
    share = f"{percent(found.share)} right"
    if np.isnan(found.share_lo):
        return f"{share}; no interval can be given."
    shares = f"{share} (95 %: {100 * found.share_lo:.0f} to {percent(found.share_hi)})"
    if np.isinf(found.dprime):
        return f"{shares}; at least {found.dprime_lo:.1f} times one cup's noise apart (d')."
    high = "no upper end" if np.isinf(found.dprime_hi) else f"{found.dprime_hi:.1f}"
    return (
        f"{shares}; the waters lie {found.dprime:.1f} times one cup's noise apart (d', 95 %: "
        f"{found.dprime_lo:.1f} to {high})."
    )


@say.register
def _difference(found: Discrimination) -> str:
    text = f"{found.correct} of {found.n} right in a {found.method} test: "
    if found.p_value < 0.05:
        text += f"the cups can be told apart ({p_text(found.p_value)})."
    else:
        text += f"no more than guessing would give ({p_text(found.p_value)})."
    people = found.n_tasters
    if people == found.n:
        return text
    if np.isnan(found.share_lo):
        return (
            f"{text} {people} tasters answered more than once: the test holds for them, but an "
            f"interval for others would need at least {FEWEST_REPEATING} tasters."
        )
    return (
        f"{text} {people} tasters gave {found.n / people:.1f} answers each; the interval allows "
        "for that."
    )


@say.register
def _similarity(found: Similarity) -> str:
    share, p = percent(found.discriminators), p_text(found.p_value)
    if found.p_value < 0.05:
        return f"Fewer than {share} of such tasters tell the cups apart ({p})."
    return (
        f"It cannot be ruled out that {share} or more of such tasters tell the cups apart ({p}); "
        f"{found.n} answers may be too few."
    )


@say.register
def _preference(found: PreferenceTest) -> str:
    return preference_between(found, ("the first water", "the second water"))


def preference_between(found: PreferenceTest, names: tuple[str, str]) -> str:
    """What a preference test showed, of waters called so.

    Parameters
    ----------
    found : PreferenceTest
        The answers, counted and tested.
    names : tuple of str
        What the two waters are called.
    """
    one, two = found.counted
    p = p_text(found.p_value)
    without = f" {found.neither} had no preference ({found.rule})." if found.neither else ""
    if found.p_value < 0.05:
        favoured, count = (names[0], one) if one > two else (names[1], two)
        return f"Preferred: {favoured}, by {count} of {one + two} ({p}).{without}"
    return f"No preference shown: {one} for {names[0]}, {two} for {names[1]} ({p}).{without}"


@say.register
def _foreseen(seen: Foreseen) -> str:
    if seen.method == CONFIRMING:
        return _confirming(seen)
    if seen.method not in DIFFERENCE_TESTS:
        return _paired(seen)
    taken = f"(Assumed: a difference that {percent(seen.share)} of answers get right.)"
    wanted = "more than 5000" if seen.enough is None else str(seen.enough)
    if seen.needed is None:
        return (
            f"{seen.counted} answers in a {seen.method} test can show nothing: not even all right "
            f"would beat guessing. It takes {wanted} answers. {taken}"
        )
    if seen.chance < SMALL:
        other = "" if seen.method.endswith("AFC") else ", or name the attribute and use 2-AFC"
        return (
            f"{seen.counted} answers in a {seen.method} test have little chance "
            f"({percent(seen.chance)}) of showing this difference; {wanted} would have 80 %. Let "
            f"tasters answer several times{other}. {taken}"
        )
    return (
        f"{seen.needed} of {seen.counted} right show a difference; chance to see this one "
        f"{percent(seen.chance)}. {taken}"
    )


def _paired(seen: Foreseen) -> str:
    if seen.needed is None:
        return (
            f"{seen.counted} tasters in a paired preference can show nothing: not even all for the "
            "same water would beat chance. It takes 6, and each counts once however often they "
            "answer."
        )
    said = f"{seen.needed} of {seen.counted} for the same water show a preference."
    chance = f"if three in four prefer it, the chance to see that is {percent(seen.chance)}"
    if seen.chance >= ENOUGH:
        return f"{said} {chance[0].upper()}{chance[1:]}."
    lead = "Too few tasters to rely on" if seen.chance < SMALL else "Not reliable"
    return f"{said} {lead}: {chance}; {seen.enough} tasters would have 80 %."


def _confirming(seen: Foreseen) -> str:
    if seen.needed is None:
        return f"{seen.counted} pairs can confirm nothing, not even all for the leader: it takes 5."
    lead = "" if seen.chance >= ENOUGH else "too few pairs to rely on: "
    return (
        f"{seen.needed} of {seen.counted} pairs for the leader confirm it; {lead}if it is "
        f"preferred in three of four, the chance of that is {percent(seen.chance)}."
    )
