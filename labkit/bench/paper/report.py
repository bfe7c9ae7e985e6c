"""The report of one coffee: a page for the client, and what a stranger needs to redo it."""

from __future__ import annotations

import base64
import hashlib
import platform
from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import date
from html import escape
from importlib.metadata import version
from typing import Final

import pandas as pd

from labkit.analysis import PairReading
from labkit.bench.paper.client_page import FIRST_STYLE, FIT, client_page_html
from labkit.bench.paper.redo import redo_html
from labkit.bench.paper.sheet import Sheet
from labkit.bench.plots.pictures import reading_pictures
from labkit.book import Attribute, LabBook, MeasuredCup, frame_csv
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import (
    CAUTIONS,
    ROWS_AS_LISTS,
    folded,
    in_words,
    notes,
    say,
    table,
    to_html,
)
from labkit.release import made_with
from labkit.tasting import MEASURED
from labkit.water import portray
from labkit.workflow import Findings, Report, SessionRecord, make_report

_PACKAGES: Final = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib")

_HELD: Final = {
    "roast_date": "roasted on",
    "dose_g": "dose, g",
    "brew_ratio_g_l": "brew ratio, g/L",
    "water_temperature_c": "water poured at, °C",
    "contact_time_s": "time, s",
}
"""What held conditions are called here, where their own name does not say it."""

_SAID_ALREADY: Final = frozenset({"base_water", "base_share_percent"})

_STYLE: Final = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#111;background:#fff;max-width:56rem;"
    "margin:1.5rem auto;padding:0 1rem;overflow-wrap:break-word}code{overflow-wrap:anywhere}"
    "h1,h2{line-height:1.2}table{font-size:.9rem}pre{overflow-x:auto;background:#f3f3f3;padding:1rem}"
    ".wide{overflow-x:auto}@page{size:auto;margin:14mm}figure,tr,li{break-inside:avoid}"
    "h2,h3,caption,summary,p:has(+ul){break-after:avoid}pre{orphans:6;widows:6}"
    # On paper two columns, so that narrow tables and pictures stand side by side.
    "@media print{body{font-size:12px;line-height:1.4;margin:0;padding:0}"
    ".wide{overflow:visible;columns:2;column-gap:8mm}table{break-inside:avoid}"
    ".wide details table{break-inside:auto}td{white-space:normal!important}"
    ".one{columns:1}.wide table{font-size:11px!important}.wide details th{white-space:nowrap}"
    "figure{width:88mm!important;margin:0 2mm 2mm 0!important}figure img{min-width:0!important}"
    "pre{white-space:pre-wrap;font-size:9.5px;line-height:1.3;padding:.5rem}}"
)

_UNFOLD: Final = (
    '<script>addEventListener("beforeprint",()=>'
    'document.querySelectorAll("details").forEach(one=>one.open=true))</script>'
)
"""Paper cannot be unfolded by its reader."""


@checked(SheetError)
def coffee_report(book: LabBook, coffee: str, *, client: str) -> Sheet:
    """Verdict, recipe, how sure, confirmation and picture on one page; the rest in an appendix.

    There stand what was tasted, how blind, the panel, the model, versions and raw scores. A taster
    or session left out by a recorded choice is named, with the reason and both readings.

    Parameters
    ----------
    book : LabBook
        Where the coffee is; nothing of another coffee or client is read.
    coffee, client : str
        Whose coffee, and which.

    Returns
    -------
    Sheet
        One self-contained page; the raw scores are within it, as a CSV to download.

    Raises
    ------
    BookError
        If there is no such coffee.
    ReadingError
        If nothing of it was opened yet.
    """
    report = make_report(book, coffee, client=client)
    about, scores, blind, found = report.coffee, report.scores, report.blind, report.found
    read, reading = found.scores, report.reading
    keys = ["session", "flight"]
    is_blind = scores.set_index(keys).index.isin(blind.set_index(keys).index)
    facts = [
        ("coffee", about.name),
        ("client", about.client),
        *(
            (name, str(value))
            for name, value in (
                ("lot", about.lot),
                ("origin", about.origin),
                ("process", about.process),
                ("roast", about.roast_level),
                ("roasted on", about.roast_date),
            )
            if value
        ),
        ("scores opened", f"{len(scores)}, of which {len(scores) - len(blind)} unblinded"),
        ("written on", f"{date.today():%Y-%m-%d}"),
    ]
    parts = [
        client_page_html(report),
        "<h1>Appendix</h1>",
        _blind_html(report.sessions),
        "<h2>What was found, and how sure it is</h2>",
        "<p>Overall score; scores of unblinded flights are left out here and attached apart.</p>",
        _left_out_html(found),
        str(reading._repr_html_()),
        folded("Pictures", reading_pictures(reading, for_paper=True, with_main=False)),
        *(_test_html(test) for test in found.tests),
        _water_html(report),
        "<h2>What was tasted</h2>",
        table("Coffee", ("", ""), facts),
        *(_session_html(one, scores) for one in report.sessions),
        "<h2>Redo the analysis</h2>",
        folded(
            "The model, and code that fits it again",
            redo_html(reading, _file(f"{about.client}-{about.name}-scores")),
        ),
        f"<div class='wide'>{table('Versions', ('', ''), _versions())}</div>",
        _attached("the raw scores that were read", read, f"{about.client}-{about.name}-scores"),
        _attached(
            "the raw scores left out by choice, which were not read",
            blind[~blind.index.isin(read.index)],
            f"{about.client}-{about.name}-left-out",
        ),
        _attached(
            "the raw scores of unblinded flights, which were not read",
            scores[~is_blind],
            f"{about.client}-{about.name}-unblinded",
        ),
    ]
    title = f"Report: {about.name}"
    return Sheet(
        title=title,
        html=(
            '<!doctype html><html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{escape(title)}</title><style>{_STYLE}{FIRST_STYLE}{ROWS_AS_LISTS}"
            "</style></head><body>"
            + "".join(parts)
            + f"<footer><p>{escape(made_with())}</p></footer>{_UNFOLD}{FIT}</body></html>"
        ),
    )


def _blind_html(sessions: Sequence[SessionRecord]) -> str:
    """How blind the cups were, in sentences; every flight that was not is named with its story."""
    said = []
    for one in sessions:
        for flight in one.flights:
            if not flight.is_unblinded:
                continue
            story = "; ".join(
                f"{e.kind} {e.happened_at:%Y-%m-%d %H:%M} UTC"
                + (f" by {e.done_by}" if e.done_by else "")
                + (f", because {e.reason}" if e.reason else "")
                for e in one.events
                if e.flight == flight.number and "plan" not in e.kind and "first" not in e.kind
            )
            said.append(
                f"Flight {flight.number} of '{one.session.name}' was not blind: its key was opened "
                "early, or it was unlocked after the key was open or the codes under its cups were "
                f"read ({story}). Its scores are not read and are attached apart."
            )
    lead = (
        "Cups carried three-digit codes; which code is which water lay in a key for each flight, "
        "sealed until the flight was locked. "
        + ("All flights were scored blind." if not said else "The exceptions:")
    )
    return f"<p>{escape(lead)}</p>" + notes(said)


def _left_out_html(found: Findings) -> str:
    """Who was left out by choice, why, and what was found with and without them."""
    if found.effect is None and not found.no_effect:
        return ""
    said = [say(found.left_out)]
    if found.effect is not None:
        rows = [in_words(row) for row in found.effect.to_dict("records")]
        said += [f"{one[0].upper()}{one[1:]}." for one in rows]
    else:
        said.append(f"The two readings cannot be compared: {found.no_effect}")
    return notes(said)


def _session_html(one: SessionRecord, scores: pd.DataFrame) -> str:
    session, held = one.session, one.session.held
    facts: list[Sequence[object]] = [
        ("day", session.tasted_on),
        ("tasters", ", ".join(session.tasters)),
        ("brew method", session.brew_method),
        ("served as", session.serving),
        ("scored", ", ".join(session.stages) or "once"),
        ("water the doses went into", one.start.text),
    ]
    for field in fields(held):
        value = getattr(held, field.name)
        if value not in {None, ""} and field.name not in _SAID_ALREADY:
            facts.append((_HELD.get(field.name, field.name.replace("_", " ")), value))
    if session.note:
        facts.append(("note", session.note))
    waters = [
        (
            f"{water.label}, control" if water.is_control else water.label,
            water.target.ca_mg_ratio_text,
            ", ".join(filter(None, (water.target.ca_mg_text, water.target.salts_text))),
            f"{water.target.hardness_mg_l_caco3:g}",
            f"{water.target.alkalinity_mg_l_caco3:g}",
        )
        for water in session.waters
    ]
    own = scores[scores["session"] == session.name]
    flights = []
    for flight in one.flights:
        some = own[own["flight"] == flight.number]
        flights.append(
            (
                flight.number,
                flight.state,
                "not blind" if flight.is_unblinded else "blind",
                some["blind_code"].nunique(),
                some["taster"].nunique(),
                len(some),
            )
        )
    scales = [
        (each.name, each.kind, each.scale_name or ", ".join(each.choices), _ends(each))
        for each in session.attributes
    ]
    events = [
        (f"{e.happened_at:%Y-%m-%d %H:%M}", e.flight or "", e.kind, e.reason, e.done_by)
        for e in one.events
    ]
    shown = "".join(
        (
            table("Held", ("", ""), facts),
            table(
                "Waters, mg/L as CaCO3",
                ("water", "Ca:Mg", "Ca and Mg", "hardness", "alkalinity"),
                waters,
            ),
            table("Scored", ("attribute", "kind", "scale", "from, to"), scales),
            table(
                "Flights",
                ("flight", "state", "blinding", "codes", "tasters", "scores opened"),
                flights,
            ),
            _measured_html(one.measured),
            folded(
                "Locks and openings, one by one",
                table("UTC", ("when", "flight", "what", "why", "by"), events),
            ),
        )
    )
    return folded(session.name, f"<div class='wide'>{shown}</div>")


def _measured_html(cups: Sequence[MeasuredCup]) -> str:
    """What the preparer measured, cup by cup by its code; late entries are marked."""
    if not cups:
        return ""
    names = [name for name in MEASURED if any(name in cup.values for cup in cups)]
    rows = [
        (
            cup.flight,
            cup.blind_code,
            *(_number(cup.values.get(name), MEASURED[name].digits) for name in names),
            _number(cup.extraction_percent, 1),
            cup.measured_by,
            "after the key was open" if cup.is_key_open else "before",
        )
        for cup in cups
    ]
    head = [f"{MEASURED[name].words} {MEASURED[name].unit}".rstrip() for name in names]
    columns = ("flight", "code", *head, "yield %", "by", "entered")
    return folded("Measured in the cups", table("Measured in the cups", columns, rows))


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"


def _ends(attribute: Attribute) -> str:
    scale = attribute.scale
    return "" if scale is None else f"{scale.lowest:g} to {scale.highest:g}"


def _test_html(test: PairReading) -> str:
    head = f"<h3>Test of two waters, {escape(test.session)}</h3>"
    return head + str(test._repr_html_()) + reading_pictures(test)


def _water_html(report: Report) -> str:
    """What is in the recipe's water, and what that means for a machine."""
    if report.card is None:
        return ""
    machine = notes(CAUTIONS["machine"])
    shown = to_html(portray(report.card.recipes[-1].reached))
    return f"<h2>The recipe's water</h2><div class='wide'>{shown}{machine}</div>"


def _file(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name) + ".csv"


def _attached(what: str, scores: pd.DataFrame, name: str) -> str:
    if scores.empty:
        return ""
    csv = frame_csv(scores).encode()
    return (
        f'<p><a download="{escape(_file(name))}" '
        f'href="data:text/csv;base64,{base64.b64encode(csv).decode()}">Download {what}</a> '
        f"({len(scores)} rows, SHA-256 <code>{hashlib.sha256(csv).hexdigest()}</code>).</p>"
    )


def _versions() -> Iterable[tuple[str, str]]:
    return (
        ("labkit", made_with().removeprefix("labkit ")),
        ("Python", platform.python_version()),
        *((package, version(package)) for package in _PACKAGES),
    )
