"""The pages that phones get: the sheet, the entrance and the waiting room, each in one piece.

A page that arrives is whole: its script and its style stand in it, allowed by their hash, so that
no weak network leaves half of it, and no browser runs anything else.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from labkit.language import ENGLISH, N_, Language
from labkit.widgets.sheet.taster_sheet import SCRIPTS, script

_STATIC = Path(__file__).parent / "static"
_HOST = re.compile(r"[\w.:\[\]-]+", re.ASCII)
_MESSAGE = re.compile(r"{{(\w+)}}")
_MESSAGES = {
    "title": N_("Blind tasting"),
    "code": N_("The code on your card"),
    "open": N_("Open my sheet"),
    "again": N_("This page tries again by itself."),
    "opening": N_("Opening your sheet…"),
}


def policy(host: str, *, is_secure: bool) -> str:
    """Content-Security-Policy of every page: its own scripts and styles, and its own line.

    Parameters
    ----------
    host : str
        What the browser calls this machine: older phones do not count a socket as 'self'.
    is_secure : bool
        Whether it came by https.
    """
    line = f"{'wss' if is_secure else 'ws'}://{host}" if _HOST.fullmatch(host) else ""
    scripts = " ".join(_source(text) for text in (_sheet_script(), _file("waiting.js")))
    styles = " ".join(_source(text) for text in (_sheet_style(), _file("door.css")))
    return (
        f"default-src 'none'; script-src {scripts}; style-src {styles}; img-src data:; "
        f"connect-src 'self' {line}; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
    )


def sheet_page(plan: Mapping[str, Any], reader: Language = ENGLISH) -> str:
    """The page of one taster.

    Parameters
    ----------
    plan : mapping
        What the sheet shows (`TasterSheet.plan`).
    reader : Language
        Of what stands there before the sheet does.
    """
    # As data, not as script; no sign in it ends the element that holds it.
    data = json.dumps({**plan, "mark": mark_of(plan)}).replace("<", "\\u003c")
    page = _in_words(_SHEET, reader)
    for name, text in (("plan", data), ("style", _sheet_style()), ("script", _sheet_script())):
        page = page.replace(f"<!--{name}-->", text)
    return page


def mark_of(plan: Mapping[str, Any]) -> str:
    """Mark of all that a page shows and does, but for how things stand at the moment."""
    shown = json.dumps({name: part for name, part in plan.items() if name != "look"})
    return hashlib.sha256(f"{shown}{_sheet_script()}".encode()).hexdigest()[:12]


def entrance(sentence: str, reader: Language = ENGLISH) -> str:
    """The page for those without a link: type the code, or read why it did not open."""
    said = f'<p role="alert">{html.escape(reader.gettext(sentence))}</p>' if sentence else ""
    return _door(_ENTRANCE, reader, said)


def waiting_room(sentence: str, reader: Language = ENGLISH) -> str:
    """The page for those who may come in as soon as it is possible: it tries again by itself."""
    return _door(_WAITING, reader, html.escape(reader.gettext(sentence)))


def _door(page: str, reader: Language, said: str) -> str:
    page = _in_words(page, reader).replace("<!--said-->", said)
    page = page.replace("<!--script-->", _file("waiting.js"))
    return page.replace("<!--style-->", _file("door.css"))


def _in_words(page: str, reader: Language) -> str:
    """A page whose words in double braces are said in its reader's language."""
    page = _MESSAGE.sub(lambda found: html.escape(reader.gettext(_MESSAGES[found[1]])), page)
    return page.replace("<!--language-->", reader.code)


@cache
def _file(name: str) -> str:
    return (_STATIC / name).read_text(encoding="utf-8")


@cache
def _sheet_script() -> str:
    return script(*SCRIPTS) + _file("page.js")


@cache
def _sheet_style() -> str:
    return script("sheet.css") + _file("page.css")


@cache
def _source(text: str) -> str:
    """What names a script or a style that stands in a page (Content Security Policy, level 2)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


_HEAD = """<!doctype html><html lang="<!--language-->"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex"><meta name="color-scheme" content="light dark">
<link rel="icon" href="data:;base64,="><title>{{title}}</title><style><!--style--></style></head>
"""

_SHEET = (
    _HEAD
    + """<body><main id="sheet"><p class="loading" role="status">{{opening}}</p>
<noscript>This page needs JavaScript: allow it for this address.</noscript></main>
<script type="application/json" id="plan"><!--plan--></script>
<script type="module"><!--script--></script></body></html>
"""
)

_ENTRANCE = (
    _HEAD
    + """<body><main><h1>{{title}}</h1><!--said-->
<form method="get" action="/"><label for="code">{{code}}</label>
<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false"
 required maxlength="16" placeholder="ABCDE-FGHJK"><button>{{open}}</button></form>
</main></body></html>
"""
)

_WAITING = (
    _HEAD
    + """<body><main><h1>{{title}}</h1><p role="alert"><!--said-->
{{again}}</p></main><script><!--script--></script></body></html>
"""
)
