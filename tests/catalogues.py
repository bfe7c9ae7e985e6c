"""Keeps the message catalogues in step with the source.

``python -m tests.catalogues`` (with ``.venv``'s Python) writes what is new in the source into every
catalogue, drops what is gone, and compiles them; ``python -m tests.catalogues fr`` begins another
language. What is not translated yet is said, and a test fails until it is.
"""

from __future__ import annotations

import io
import sys
from datetime import UTC, datetime

from babel.messages import Catalog
from babel.messages.extract import extract
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from labkit.language import CATALOGUES, DOMAIN
from tests.project import PROJECT

KEYWORDS = {"_": None, "N_": None, "gettext": None, "ngettext": (1, 2)}
SOURCES = (
    ("python", "labkit/**/*.py", {}),
    ("javascript", "labkit/widgets/sheet/static/*.js", {}),
    ("jinja2.ext:babel_extract", "labkit/bench/paper/templates/*.html", {"trimmed": "true"}),
)
_UNDATED = datetime(2026, 1, 1, tzinfo=UTC)


def source_messages():
    """Every message in the source, with the files that say it."""
    found = Catalog(project="labkit", version="0", creation_date=_UNDATED, revision_date=_UNDATED)
    for method, pattern, options in SOURCES:
        for file in sorted(PROJECT.glob(pattern)):
            name = file.relative_to(PROJECT).as_posix()
            with file.open("rb") as source:
                for _line, message, comments, context in extract(
                    method, source, KEYWORDS, (), options
                ):
                    found.add(
                        message, locations=[(name, 0)], auto_comments=comments, context=context
                    )
    return found


def read(code):
    """The catalogue of a language, as it is kept."""
    with (CATALOGUES / code / "LC_MESSAGES" / f"{DOMAIN}.po").open("rb") as source:
        return read_po(source, locale=code)


def compiled(catalogue):
    """A catalogue as the standard library reads it."""
    out = io.BytesIO()
    write_mo(out, catalogue)
    return out.getvalue()


def languages():
    """Codes of the languages that have a catalogue."""
    return sorted(file.parts[-3] for file in CATALOGUES.glob(f"*/LC_MESSAGES/{DOMAIN}.po"))


def untranslated(catalogue):
    """Messages without a translation, or with one that somebody must look at."""
    return [
        message.id
        for message in catalogue
        if message.id
        and (
            message.fuzzy
            or not all(message.string if isinstance(message.string, tuple) else [message.string])
        )
    ]


def write(code):
    """Bring one catalogue up to date, and compile it."""
    folder = CATALOGUES / code / "LC_MESSAGES"
    file = folder / f"{DOMAIN}.po"
    folder.mkdir(parents=True, exist_ok=True)
    kept = read(code) if file.exists() else Catalog(locale=code, project="labkit", version="0")
    kept.update(source_messages(), no_fuzzy_matching=True)
    kept.obsolete.clear()
    kept.creation_date = kept.revision_date = _UNDATED
    kept.last_translator = kept.language_team = kept.msgid_bugs_address = "labkit"
    with file.open("wb") as out:
        write_po(out, kept, width=100, sort_by_file=True, include_lineno=False, omit_header=False)
    (folder / f"{DOMAIN}.mo").write_bytes(compiled(kept))
    return kept


if __name__ == "__main__":
    for language in sys.argv[1:] or languages():
        for missing in untranslated(write(language)):
            sys.stdout.write(f"{language}: not translated yet: {missing!r}\n")
