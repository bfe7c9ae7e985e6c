"""The report of one coffee: one page that holds what a stranger needs to redo the analysis."""

from __future__ import annotations

import base64
import hashlib
import platform
from collections.abc import Iterable, Sequence
from datetime import date
from html import escape
from importlib.metadata import version
from typing import Final

import pandas as pd

from labkit import __version__
from labkit.analysis import read_coffee
from labkit.analysis.reading import Reading
from labkit.bench.pictures import reading_pictures
from labkit.bench.sheet import Sheet
from labkit.book import LabBook, TastingSession
from labkit.errors import LabkitError
from labkit.water import mix
from labkit.water.markup import notes, table

_PACKAGES: Final = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib")

_STYLE: Final = (
    "body{font:16px/1.5 system-ui,sans-serif;color:#111;background:#fff;max-width:56rem;"
    "margin:1.5rem auto;padding:0 1rem;overflow-wrap:anywhere}"
    "h1,h2{line-height:1.2}table{font-size:.9rem}pre{overflow-x:auto;background:#f3f3f3;padding:1rem}"
    ".wide{overflow-x:auto}"
)


def coffee_report(book: LabBook, coffee: str, *, client: str) -> Sheet:
    """What was tasted, how blind, what was found, how sure, the recipe, versions, raw scores.

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
    about = book.coffee(coffee, client=client)
    scores = book.opened_scores(coffee=coffee, client=client, include_unblinded=True)
    blind = book.opened_scores(coffee=coffee, client=client)
    reading = read_coffee(blind, "overall")
    sessions = book.sessions(client=client, coffee=coffee)
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
        f"<h1>Report: {escape(about.name)}</h1>",
        table("Coffee", ("", ""), facts),
        "<h2>What was tasted, and how blind</h2>",
        *(_session_html(book, session) for session in sessions),
        "<h2>What was found, and how sure it is</h2>",
        "<p>Overall score; scores of unblinded flights are left out here and attached apart.</p>",
        str(reading._repr_html_()),
        reading_pictures(reading),
        "<h2>The recipe</h2>",
        _recipe_html(book, reading),
        "<h2>Redo the analysis</h2>",
        _redo_html(f"{about.client}-{about.name}"),
        _attached("the raw scores that were read", blind, f"{about.client}-{about.name}-scores"),
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
            f"<title>{escape(title)}</title><style>{_STYLE}</style></head><body>"
            + "".join(parts)
            + f"<footer><p>labkit {__version__}</p></footer></body></html>"
        ),
    )


def _session_html(book: LabBook, session: TastingSession) -> str:
    held = session.held
    facts: list[Sequence[object]] = [
        ("day", session.tasted_on),
        ("tasters", ", ".join(session.tasters)),
        ("served as", f"{session.brew_method}, {session.serving}"),
        *(
            (name, value)
            for name, value in (
                ("dose, g", held.dose_g),
                ("brew ratio, g/L", held.brew_ratio_g_l),
                ("grind", held.grind),
                ("water, °C", held.water_temperature_c),
                ("time, s", held.contact_time_s),
                ("vessel", held.vessel),
                ("lead", held.lead),
                ("preparer", held.preparer),
            )
            if value
        ),
    ]
    waters = [
        (
            water.label,
            f"{100 * water.target.mg_share:.0f} %",
            f"{water.target.hardness_mg_l_caco3:g}",
            f"{water.target.alkalinity_mg_l_caco3:g}",
            "yes" if water.is_control else "",
        )
        for water in session.waters
    ]
    flights = [
        (flight.number, flight.state, "unblinded" if flight.is_unblinded else "blind")
        for flight in book.flights(session.name)
    ]
    events = [
        (f"{e.happened_at:%Y-%m-%d %H:%M}", e.flight or "", e.kind, e.reason, e.done_by)
        for e in book.events(session.name)
    ]
    return f"<h3>{escape(session.name)}</h3><div class='wide'>" + "".join(
        (
            table("Held", ("", ""), facts),
            table(
                "Waters, mg/L as CaCO3",
                ("water", "Mg share", "hardness", "alkalinity", "control"),
                waters,
            ),
            table("Flights", ("flight", "state", "blinding"), flights),
            table("Locks and openings (UTC)", ("when", "flight", "what", "why", "by"), events),
            "</div>",
        )
    )


def _recipe_html(book: LabBook, reading: Reading) -> str:
    if reading.best is None:
        return notes([f"No recipe follows from these scores: {reading.verdict.text}"])
    lines: list[str] = []
    if reading.verdict.kind != "best found":
        lines.append(
            "The scores name no best water; what follows is the highest point of the curve, a "
            "choice rather than a finding."
        )
    shown = ""
    try:
        shown = str(mix(reading.best.target, book.concentrates())._repr_html_())
    except LabkitError as error:
        lines.append(f"{reading.best.target.text}. {error}")
    return notes([reading.best.sentence, *lines]) + shown


def _file(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name) + ".csv"


def _redo_html(name: str) -> str:
    code = (
        "import pandas as pd\nfrom labkit.analysis import read_coffee\n\n"
        f'file = "{_file(name + "-scores")}"\n'
        'scores = pd.read_csv(file, dtype={"blind_code": str})\n'
        'read_coffee(scores, "overall")'
    )
    return (
        "<p>One row is one score; mg_share, hardness and alkalinity are those of the water in the "
        "cup. The model: score by a second-order surface of the coordinates varied, with random "
        "effects of taster and bowl, by restricted maximum likelihood.</p>"
        f"<pre>{escape(code)}</pre>" + table("Versions", ("", ""), _versions())
    )


def _attached(what: str, scores: pd.DataFrame, name: str) -> str:
    if scores.empty:
        return ""
    csv = scores.to_csv(index=False).encode()
    return (
        f'<p><a download="{escape(_file(name))}" '
        f'href="data:text/csv;base64,{base64.b64encode(csv).decode()}">Download {what}</a> '
        f"({len(scores)} rows, SHA-256 <code>{hashlib.sha256(csv).hexdigest()}</code>).</p>"
    )


def _versions() -> Iterable[tuple[str, str]]:
    return (
        ("labkit", __version__),
        ("Python", platform.python_version()),
        *((package, version(package)) for package in _PACKAGES),
    )
