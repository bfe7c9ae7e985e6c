"""Sheets that tasters see: codes, positions and scales; made from values that hold no water."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from labkit.bench.paper.sheet import Sheet, render
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.language import ENGLISH, N_, Language
from labkit.present import CAUTIONS
from labkit.tasting import CupPlan, Scale, is_own_scale, title_of, words_of

if TYPE_CHECKING:
    from labkit.book import Attribute

_MOST_TO_RING = 11
_MOST_WITH_WORDS = 5
_PAGE_MM, _LINE_MM, _LINE_LETTERS = 227.0, 4.3, 112
_ROW_MM, _CUP_MM = 7.4, 3.0
"""Room for legend and cups on a page of A4 or Letter, a line of the legend (and its letters), a row
of a cup, and what a cup adds (mm)."""

_STAGES = {"hot": N_("hot"), "warm": N_("warm"), "cool": N_("cool")}
_TICK = {"step": 10, "whole": 18}


@checked(SheetError)
def score_sheets(
    plan: CupPlan,
    attributes: Sequence[Attribute],
    *,
    stages: Sequence[str] = (),
    tasters: Sequence[str] | None = None,
    flights: Sequence[int] | None = None,
    lab_book: str = "",
    language: Language = ENGLISH,
) -> Sheet:
    """Score sheets on paper, a page for each taster and flight.

    Parameters
    ----------
    plan : CupPlan
        Who tastes which code when; it holds no water.
    attributes : sequence of Attribute
        What is scored, in the order of the sheet, on the scales that the screen uses too.
    stages : sequence of str
        Stages of cooling that are scored apart; empty if each cup is scored once.
    tasters, flights : sequence, optional
        Only these; all of the plan if not given.
    lab_book : str
        Name of the lab book, for the footer.
    language : Language
        What tasters read; names and words that the lead typed stay as typed.

    Raises
    ------
    SheetError
        If nothing is scored, or a flight is not in the plan.
    PlanError
        If a taster is not in the plan.
    """
    if not attributes:
        raise SheetError(
            "attributes must hold at least one thing to score, got none. Choose what is scored.",
            field="attributes",
        )
    pages = []
    for flight in chosen_flights(plan, flights):
        for taster in plan.tasters if tasters is None else tasters:
            cups = plan.sheet(taster)
            cups = cups[cups["flight"] == flight].sort_values("position")
            listed = [
                {"position": position, "code": code}
                for position, code in zip(cups["position"], cups["blind_code"], strict=True)
            ]
            pages += [
                {"taster": taster, "flight": flight, "cups": some, "n_cups": len(listed)}
                for some in _by_page(listed, attributes, stages, language)
            ]
    _, sipping = language.gettext, CAUTIONS["brewing"][1]
    return render(
        "scores.html",
        title=_("Score sheets, session {session}").format(session=plan.session),
        session=plan.session,
        lab_book=lab_book,
        values={
            "pages_of": pages,
            "asked": [_asked(attribute, stages, language) for attribute in attributes],
            "scales": _legend(attributes, stages, language),
            "sipping_caution": _(sipping),
        },
        language=language,
    )


@checked(SheetError)
def tray_map(
    plan: CupPlan,
    *,
    flights: Sequence[int] | None = None,
    lab_book: str = "",
    language: Language = ENGLISH,
) -> Sheet:
    """Which code stands where: a row for each seat, cups in the order they are tasted.

    Parameters
    ----------
    plan : CupPlan
        The session's plan.
    flights : sequence of int, optional
        Which flights, a page each; all if not given.
    lab_book : str
        Name of the lab book, for the footer.
    language : Language
        What tasters read; names and words that the lead typed stay as typed.

    Raises
    ------
    SheetError
        If a flight is not in the plan.
    """
    pages = []
    for flight in chosen_flights(plan, flights):
        servings = plan.servings
        here = servings[servings["flight"] == flight]
        wide = here.pivot(index="taster", columns="position", values="blind_code")
        rows = [
            {"taster": taster, "codes": wide.loc[taster].dropna().to_dict()}
            for taster in plan.tasters
            if taster in wide.index
        ]
        pages.append({"number": flight, "positions": wide.columns.tolist(), "rows": rows})
    _ = language.gettext
    if plan.alone:
        how = _("alone: codes stay underneath; shuffle the cups, then set one on each place")
    elif plan.serving == "shared bowls":
        how = _("shared bowls: each taster goes round in the order of their row")
    else:
        how = _("a cup each: set before each seat from left to right, as tasted")
    return render(
        "tray.html",
        title=_("Tray map, session {session}").format(session=plan.session),
        session=plan.session,
        lab_book=lab_book,
        values={
            "flights": pages,
            "how": how,
        },
        language=language,
    )


def chosen_flights(plan: CupPlan, flights: Sequence[int] | None) -> Sequence[int]:
    """The flights asked for, all of the plan if none are; each must be in the plan."""
    if flights is None:
        return plan.flights
    for flight in flights:
        if flight not in plan.flights:
            known = ", ".join(map(str, plan.flights))
            raise SheetError(
                f"flights must be in the plan of session '{plan.session}' ({known}), got {flight}. "
                "Choose among these.",
                field="flights",
            )
    return flights


def _by_page(
    cups: list[dict[str, Any]],
    attributes: Sequence[Attribute],
    stages: Sequence[str],
    language: Language,
) -> list[list[dict[str, Any]]]:
    """The cups of one flight in parts that fit a page, as equal as can be."""
    legend = [" ".join(scale.values()) for scale in _legend(attributes, stages, language)]
    lines = sum(-(-len(text) // _LINE_LETTERS) for text in legend)
    room = _PAGE_MM - _LINE_MM * (3 + lines)
    n_fit = max(1, int(room // (_ROW_MM * max(2, len(attributes)) + _CUP_MM)))
    n_pages = -(-len(cups) // n_fit)
    share, more = divmod(len(cups), n_pages or 1)
    ends = [i * share + min(i, more) for i in range(n_pages + 1)]
    return [cups[start:end] for start, end in pairwise(ends)]


def _asked(attribute: Attribute, stages: Sequence[str], language: Language) -> dict[str, Any]:
    """One line of a cup's block: what is scored, and the room to do it."""
    row: dict[str, Any] = {"name": title_of(attribute, language), "scale": attribute.scale_name}
    if attribute.kind == "descriptors":
        return row | {"kind": "words", "words": attribute.choices}
    if attribute.scale is None:
        return row | {"kind": "line"}
    if stages:
        return row | {
            "kind": "boxes",
            "stages": tuple(language.gettext(_STAGES[stage]) for stage in stages),
        }
    if len(attribute.scale.options) <= _MOST_TO_RING:
        words = dict(words_of(attribute.scale, language))
        shown = words if len(attribute.scale.options) <= _MOST_WITH_WORDS else {}
        options = [(language.number(x), shown.get(x, "")) for x in attribute.scale.options]
        return row | {"kind": "ring", "options": options}
    return row | {"kind": "ruler", "ticks": _ticks(attribute.scale, language)}


def _ticks(scale: Scale, language: Language) -> list[dict[str, Any]]:
    """Marks of a ruler 960 wide, long ones with their number at whole scores."""
    options = scale.options
    whole = [option for option in options if option == round(option)]
    every = 1 + len(whole) // 17
    named = set(whole[::every])
    return [
        {
            "x": round(20 + 920 * i / (len(options) - 1), 1),
            "length": _TICK["whole" if option in named else "step"],
            "text": language.number(option) if option in named else "",
        }
        for i, option in enumerate(options)
    ]


def _legend(
    attributes: Sequence[Attribute], stages: Sequence[str], language: Language
) -> list[dict[str, str]]:
    """Each scale once, with its words and how to give a score on it."""
    _ = language.gettext
    lines = []
    scales = {a.scale.name: a.scale for a in attributes if a.scale is not None}
    for name, scale in scales.items():
        if stages:
            how = _("Write the score in the box of each stage.")
        elif len(scale.options) <= _MOST_TO_RING:
            how = _("Ring one.")
        else:
            how = _("Write the score in the box, in steps of {step}.").format(
                step=language.number(scale.step)
            )
        lines.append(
            {
                "used_for": ", ".join(
                    title_of(a, language)
                    for a in attributes
                    if a.scale is not None and a.scale.name == name
                ),
                "name": _(name) if is_own_scale(scale) else name,
                "words": ", ".join(
                    f"{language.number(score)} {word}" for score, word in words_of(scale, language)
                ),
                "how": how,
            }
        )
    return lines
