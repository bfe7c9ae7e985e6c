"""Scores from paper sheets and files, looked through before they are taken; scores to take away."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

import ipywidgets as widgets

from labkit.book import ImportPreview, ImportRow, LabBook
from labkit.errors import ImportFileError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.handover import SHEET_TYPE, HandOver, file_name

MOST_SHOWN = 200
"""Rows of one table of the preview; more would drown the page."""


class FilesForm(widgets.VBox):
    """Takes paper sheets and files into one session, and hands its scores out.

    Nothing is taken before the preview has named every refused row and why; what the lab book has
    already is corrected only where that is asked, and stays in the history.

    Parameters
    ----------
    book : LabBook
        Where the scores go and come from.
    session : str
        Which session.
    """

    def __init__(self, book: LabBook, *, session: str) -> None:
        self._book, self._session = book, session
        self.hands = HandOver()
        self.preview: ImportPreview | None = None
        self.upload = widgets.FileUpload(
            accept=".csv,.txt,.tsv,.xlsx,.xlsm",
            multiple=False,
            description="Choose a file",
            layout=widgets.Layout(width="auto", min_width="10rem", height="2.75rem"),
        )
        table = fields.button("Empty table for paper sheets")
        table.on_click(lambda _b: self._hand_table())
        self.shown = widgets.HTML()
        self.take_all = fields.button("Take all or none", main=True)
        self.take_good = fields.button("Take the good rows")
        self.take_all.on_click(lambda _b: self._take("all or none"))
        self.take_good.on_click(lambda _b: self._take("good rows"))
        self.form = Form(
            {
                "entered_by": fields.text("Who typed it", book.sessions.session(session).held.lead),
                "source": fields.choice(
                    "Comes from",
                    [("paper sheets", "paper"), ("another program", "import")],
                    "paper",
                ),
                "with_corrections": fields.tick("Correct scores that differ", False),
            },
            buttons=[table, self.upload],
        )
        taking = fields.side_by_side(self.take_all, self.take_good)
        self.away = Form(
            {},
            buttons=[
                self._away_button("One row a score", "tidy", self._write_tidy),
                self._away_button("One row a cup", "wide", self._write_wide),
                self._away_button("Every change", "history", self._write_history),
            ],
        )
        super().__init__(
            [
                widgets.HTML("<h3>Paper sheets and files</h3>"),
                widgets.HTML(
                    said(
                        "The empty table has a row for each cup, by taster and code. Type the "
                        "paper sheets into it, leave empty what is empty, and choose the file."
                    )
                ),
                self.form,
                self.shown,
                taking,
                widgets.HTML("<h3>The scores as files</h3>"),
                widgets.HTML(
                    said(
                        "The files show what was given, flights still being tasted included. "
                        "Waters are in them only where a key is open."
                    )
                ),
                self.away,
                self.hands,
            ]
        )
        self.add_class("lf-view")
        self.upload.observe(lambda _change: self._look(), "value")
        for name in ("source", "with_corrections", "entered_by"):
            self.form.fields[name].observe(lambda _change: self._look(), "value")
        self._show()

    # ----------------------------------------------------------------------------------- in

    def _look(self) -> None:
        """Look through the chosen file, taking nothing."""
        self.preview = None
        self.form.attempt(self._read)
        self._show()

    def _read(self) -> None:
        if not self.upload.value:
            return
        chosen = self.upload.value[0]
        with tempfile.TemporaryDirectory() as folder:
            # Its name alone: a path in it would lead out of the folder.
            file = Path(folder) / (Path(str(chosen["name"]).replace("\\", "/")).name or "file")
            file.write_bytes(bytes(chosen["content"]))
            self.preview = self._book.scores.preview_import(
                file, self._session, **self.form.values()
            )

    def _show(self) -> None:
        preview = self.preview
        n_good = preview.count("new") + preview.count("correction") if preview else 0
        self.take_all.disabled = n_good == 0 or bool(preview and preview.refused)
        self.take_good.disabled = n_good == 0
        self.shown.value = "" if preview is None else preview_html(preview)

    def _take(self, take: Any) -> None:
        def work() -> int:
            if self.preview is None:
                raise ImportFileError("the file must be chosen first; press 'Choose a file'.")
            if not self.form.fields["entered_by"].value.strip():
                msg = "entered_by must have a name, got ''. It is recorded who typed the scores."
                raise ImportFileError(msg, field="entered_by")
            return self._book.scores.import_scores(self.preview, take=take)

        done, taken = self.form.press(work)
        if not done:
            return
        left = len(self.preview.refused) if self.preview else 0
        self._look()  # what was taken is there already now
        rest = f" Refused and left out: {left}." if left else ""
        self.form.say(f"Taken into the lab book: {taken}.{rest}")

    def _hand_table(self) -> None:
        name = file_name(self._session, "paper", "xlsx")
        self._hand(
            self.form,
            name,
            lambda path: self._book.scores.write_paper_table(path, self._session),
            note="It holds codes, and no water.",
            media_type=SHEET_TYPE,
        )

    # ---------------------------------------------------------------------------------- out

    def _away_button(
        self, label: str, what: str, write: Callable[[Path], object]
    ) -> widgets.Button:
        button = fields.button(label)
        name = file_name(self._session, what, "csv")
        note = "CSV, for a spreadsheet or a program."
        button.on_click(
            lambda _b: self._hand(self.away, name, write, note=note, media_type="text/csv")
        )
        return button

    def _write_tidy(self, path: Path) -> object:
        return self._book.scores.export_scores(path, shape="tidy", session=self._session)

    def _write_wide(self, path: Path) -> object:
        return self._book.scores.export_scores(path, shape="wide", session=self._session)

    def _write_history(self, path: Path) -> object:
        return self._book.scores.export_history(path, self._session)

    def _hand(
        self,
        form: Form,
        name: str,
        write: Callable[[Path], object],
        *,
        note: str,
        media_type: str,
    ) -> None:
        def work() -> None:
            with tempfile.TemporaryDirectory() as folder:
                file = Path(folder) / name
                write(file)
                content = file.read_bytes()
            self.hands.hand(content, name=name, note=note, media_type=media_type)

        form.press(work)


def preview_html(preview: ImportPreview) -> str:
    """What would become of a file, refused rows first, each with its line and why."""
    n_new, n_corrected = preview.count("new"), preview.count("correction")
    n_there, n_refused = preview.count("already there"), preview.count("refused")
    sentence = (
        f"{preview.file}: {n_new} new, {n_corrected} corrections, {n_there} already there, "
        f"{n_refused} refused." + (" Nothing is taken yet." if n_new + n_corrected else "")
    )
    if not preview.rows:
        sentence = f"{preview.file} has no score in it: every row is empty."
    others = [row for row in preview.rows if row.verdict in ("new", "correction")]
    return (
        said(sentence)
        + (said(preview.said_of_columns) if preview.left_out else "")
        + _rows("Refused", preview.refused, is_open=True)
        + _rows("To take", others, is_open=False)
    )


def _rows(title: str, rows: Any, *, is_open: bool) -> str:
    if not rows:
        return ""
    head = "".join(
        f'<th scope="col" style="text-align:left">{name}</th>'
        for name in ("Line", "What it says", "Why" if is_open else "Remark")
    )
    body = "".join(_row(row) for row in rows[:MOST_SHOWN])
    more = f"<p>and {len(rows) - MOST_SHOWN} more.</p>" if len(rows) > MOST_SHOWN else ""
    return (
        f"<details{' open' if is_open else ''}><summary>{title}: {len(rows)}</summary>"
        '<table style="border-spacing:.9rem .3rem;margin-left:-.9rem;line-height:1.35;'
        'vertical-align:top">'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>{more}</details>"
    )


def _row(row: ImportRow) -> str:
    says = ", ".join(cell for cell in row.cells.values() if cell)
    why = row.why or row.verdict
    return (
        f'<tr style="vertical-align:top">'
        f"<td>{row.line}</td><td>{escape(says)}</td><td>{escape(why)}</td></tr>"
    )
