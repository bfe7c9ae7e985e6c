"""A sheet of paper: HTML that prints on A4, shows itself in a notebook and saves to a file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from labkit.language import ENGLISH, Language
from labkit.present import book_words
from labkit.release import made_with

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Something to print."""

    title: str
    """What the browser's tab and the print dialogue call it."""

    html: str
    """The whole page, styles included; nothing is fetched from anywhere."""

    def _repr_html_(self) -> str:
        """The page in a frame of its own, so that its styles stay off the notebook."""
        return (
            f'<iframe title="{escape(self.title)}" sandbox="allow-scripts allow-modals" '
            'style="box-sizing:border-box;width:100%;height:48rem;border:1px solid #888;'
            'background:#fff" '
            f'srcdoc="{escape(self.html)}"></iframe>'
        )

    def save(self, path: str | Path) -> Path:
        """Write the page to a file.

        Parameters
        ----------
        path : str or path
            The file to write; one of that name is replaced.

        Returns
        -------
        Path
            The file written; folders are made as needed.
        """
        file = Path(path)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(self.html, encoding="utf-8")
        return file


@cache
def _templates(language: Language) -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    made.install_gettext_callables(language.gettext, language.ngettext, newstyle=False)  # type: ignore[attr-defined]
    made.globals["language"] = language.code
    return made


def render(
    template: str,
    *,
    title: str,
    session: str,
    lab_book: str,
    values: Mapping[str, Any],
    language: Language = ENGLISH,
) -> Sheet:
    """Fill a template; the footer names session, lab book, version and commit.

    The lab book by its name only: a sheet that is handed over tells nothing of where it lies.
    """
    book = book_words(lab_book)
    _ = language.gettext
    footer = [
        session and _("session {session}").format(session=session),
        book and _("lab book {book}").format(book=book),
    ]
    html = (
        _templates(language)
        .get_template(template)
        .render(
            title=title,
            footer=" · ".join([*filter(None, footer), made_with()]),
            **values,
        )
    )
    return Sheet(title=title, html=html)
