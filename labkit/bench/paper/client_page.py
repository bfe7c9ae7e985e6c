"""The first page of a report, for the client: the finding before everything that led to it."""

from __future__ import annotations

from datetime import date
from html import escape
from typing import Final

from labkit.analysis import VerdictKind
from labkit.bench.paper.card_table import recipe_frame
from labkit.bench.paper.cards import bands_of, made_rows, pour_rows, steps_of
from labkit.bench.plots.pictures import main_picture
from labkit.present import (
    best_of,
    cautions_for,
    confirmation_of,
    made_figures,
    notes,
    remarks,
    say,
    sure_of,
    table,
)
from labkit.release import made_with
from labkit.water import DROP_KITS, Recipe, TankMixing, Target, Water
from labkit.workflow import Report

FIRST_STYLE: Final = (
    ".first header{display:flex;justify-content:space-between;gap:2em;border-top:4px solid;"
    "padding-top:.4em;align-items:baseline}.first h1{margin:0;font-size:1.7em}"
    ".first h2{font-size:1.15em;margin:.8em 0 .2em}.first .who{text-align:right}"
    ".first .verdict{font-size:1.1em;margin:.5em 0}.first p,.first ul{margin:.3em 0}"
    ".first .wanted{display:flex;flex-wrap:wrap;gap:.3em 2em;border:solid #111;"
    "border-width:1px 0;padding:.4em 0}.first .wanted div{font-size:.85em;color:#444}"
    ".first .wanted b{display:block;font-size:1.7em;line-height:1.2;color:#111}"
    ".first .two{display:grid;grid-template-columns:minmax(0,1fr) minmax(0,1fr);gap:0 2em;"
    "align-items:start}.first figure{width:100%!important;margin:.3em 0!important}"
    ".first figure img{min-width:0!important}.first ul,.first ol{padding-left:1.2em}"
    ".first table{font-size:.9em}.first td{white-space:normal!important}"
    ".first .small{font-size:.8em;color:#444}"
    "@media screen and (max-width:640px){.first:not(.fitted) .two{grid-template-columns:"
    "minmax(0,1fr)}}"
    # As it prints: measured so, too, while the screen's styles still hold.
    ".fitted{font-size:13.5px;line-height:1.4}"
    "@media print{.first{break-after:page}}"
)

FIT: Final = (
    "<script>{"
    'const page=document.querySelector(".first"),mm=96/25.4;'
    "const tall=zoom=>{page.style.width=182/zoom+'mm';"
    "return page.getBoundingClientRect().height/mm*zoom};"
    'addEventListener("beforeprint",()=>{page.classList.add("fitted");let zoom=1;'
    "while(zoom>.6&&tall(zoom)>246)zoom-=.01;page.style.zoom=zoom});"
    'addEventListener("afterprint",()=>{page.classList.remove("fitted");'
    'page.removeAttribute("style")})}</script>'
)
"""One page is one page, on A4 and on Letter: letters shrink until it fits."""


def client_page_html(report: Report) -> str:
    """Verdict, recipe, how sure, confirmation and picture of one coffee, on one page."""
    about, reading, card = report.coffee, report.reading, report.card
    head, _, rest = say(reading).partition(". ")
    water: Target | Water | None = None if reading.best is None else reading.best.target
    water = card.recipes[-1].reached if card is not None else water
    wanted = card.recipes[-1].target if card is not None else water
    salts = wanted.salts_text if isinstance(wanted, Target) else ""
    return (
        '<section class="first"><header><div><p class="small">report</p>'
        f"<h1>{escape(about.name)}</h1></div>"
        f'<p class="who">{escape(about.client)}<br>{date.today():%Y-%m-%d}</p></header>'
        f'<p class="verdict"><strong>{escape(head)}{"." if rest else ""}</strong> '
        f"{escape(rest)}</p>"
        + _wanted_html(water, salts)
        + '<div class="two"><div>'
        + _recipe_html(report)
        + "</div><div><h2>How sure that is</h2>"
        + notes(sure_of(report.found))
        + "<h2>Confirmation</h2>"
        + notes(confirmation_of(report.found))
        + main_picture(reading)
        + "</div></div>"
        f'<p class="small">The appendix has the sessions, how blind they were, the panel, the '
        f"model and the raw scores: all that it takes to redo this. {escape(made_with())}</p>"
        "</section>"
    )


def _wanted_html(water: Target | Water | None, salts: str) -> str:
    """The water that the recipe makes, or without one that is wanted, and its salts if asked."""
    if water is None:
        return ""
    made = made_figures(water)
    figures = (
        (water.ca_mg_ratio_text, "Ca:Mg, by moles"),
        (water.ca_mg_text, "mg/L as CaCO3"),
        (made["hardness"], "hardness, mg/L as CaCO3"),
        (made["alkalinity"], "alkalinity, mg/L as CaCO3"),
        *([(salts, "of the salts, by charge")] if salts else []),
    )
    return (
        '<div class="wanted">'
        + "".join(f"<div><b>{escape(one)}</b>{escape(what)}</div>" for one, what in figures)
        + "</div>"
    )


def _recipe_html(report: Report) -> str:
    reading, card = report.reading, report.card
    head = "<h2>The recipe</h2>"
    if reading.best is None and card is None:
        return head + notes([f"No recipe follows from these scores: {say(reading)}"])
    said = []
    if reading.best is not None and reading.verdict.kind is not VerdictKind.FOUND:
        said.append(
            f"The scores show no best water: this is a choice, not a finding. {best_of(reading)}"
        )
    if card is None:
        water = "" if reading.best is None else f"{reading.best.target.text}. "
        return head + notes([*said, f"{water}{report.no_card}"])
    return head + notes([*said, *remarks(card)]) + doses_html(card.recipes, card.base_name)


def doses_html(recipes: tuple[Recipe, ...], base_name: str) -> str:
    """What to pour for each volume, how, what to read then, and the cautions beside both."""
    salts = isinstance(recipes[-1], TankMixing)
    frame = recipe_frame(recipes, kits=list(DROP_KITS.values())[:1])
    rows = [
        (row["item"], *(amount.replace(" ", "\N{NO-BREAK SPACE}") for amount in row["amounts"]))
        for row in pour_rows(recipes, base_name)
    ]
    rows += made_rows(recipes)
    steps = "".join(f"<li>{escape(one)}</li>" for one in steps_of(recipes[-1], base_name))
    return (
        table(
            "Weigh, g" if salts else "Pour, mL",
            ("to make", *(f"{one.volume_l:g} L" for one in recipes)),
            rows,
        )
        + f"<ol>{steps}</ol>"
        + table("Check before use", ("reading", "expect (right if)"), bands_of(frame))
        + '<div class="small">'
        + notes(cautions_for("tank" if salts else "mixing", recipes[-1:]))
        + "</div>"
    )
