"""The lab book as files: a backup, what to take away, where to bring something in."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import ipywidgets as widgets

from labkit.book import LabBook, Topic, data_folder, found_books, make_backup, zip_tables
from labkit.errors import BookError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.handover import SHEET_TYPE, HandOver, file_name
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook

MOST_HANDED: Final = 1_500_000
"""Bytes of a file that still goes to the browser: the server between drops what comes faster than
3 MB in three seconds. A larger one is written into the data folder."""

_ALL: Final = ""
"""What stands for all clients."""


class BookFiles(NeedsBook, widgets.VBox):
    """Backs up the lab book, and hands out what is in it.

    Parameters
    ----------
    book : LabBook
        Which one.
    bring_in : callable
        Goes to where scores from paper and files are taken in.

    Attributes
    ----------
    backing : Form
        Makes the backup.
    away : Form
        What to take away, for one client or all.
    """

    def __init__(self, book: LabBook, bring_in: Callable[[], Any]) -> None:
        self._book, self.hands = book, HandOver()
        back_up = fields.button("Back up now")
        back_up.on_click(lambda _b: self._back_up())
        self.backing = Form({}, buttons=[back_up])
        self.away = Form(
            {"client": fields.choice("Of which client", self._clients(), _ALL)},
            buttons=[
                self._button("Scores, a row each (CSV)", "scores", "csv", "tidy"),
                self._button("Scores, a row a cup (CSV)", "cups", "csv", "wide"),
                self._button("Scores, a row a cup (xlsx)", "cups", "xlsx", "wide"),
                self._tables_button(),
            ],
        )
        bring = fields.button("Scores from paper or a file")
        bring.on_click(lambda _b: bring_in())
        super().__init__(
            [
                self.backing,
                widgets.HTML(
                    said(
                        "Files to take away. Waters are in them only where a key is open, and with "
                        "a client chosen nothing of another client is."
                    )
                ),
                self.away,
                self.hands,
                widgets.HTML(said("Bring scores in, or a whole lab book ('Change the lab book').")),
                fields.side_by_side(bring),
            ]
        )
        follow_book(self, book, self._hear, Topic.PEOPLE)
        self._say_last()

    def _hear(self) -> None:
        follow_choices(self.away.fields["client"], self._clients())

    def _clients(self) -> list[tuple[str, str]]:
        return [("all", _ALL), *((one.name, one.name) for one in self._book.people.clients())]

    # ------------------------------------------------------------------------------- backup

    def _say_last(self) -> None:
        stem = Path(self._book.name).stem
        times = [
            one.changed_at
            for one in found_books()
            if one.is_copy and one.path.stem.startswith(f"{stem}-")
        ]
        last = f"{max(times):%Y-%m-%d %H:%M}" if times else ""
        self.backing.say(f"The last backup is of {last}." if last else "There is no backup yet.")

    def _back_up(self) -> None:
        done, copy = self.backing.press(lambda: make_backup(self._book))
        if done:
            self.backing.say(
                f"Backed up: '{copy}'. Put a copy of that file on another disk as well; "
                "'Change the lab book' lists it."
            )

    # --------------------------------------------------------------------------------- away

    def _button(self, label: str, what: str, ending: str, shape: Any) -> widgets.Button:
        def write(client: str | None) -> bytes:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / f"scores.{ending}"
                self._book.scores.export_scores(path, shape=shape, client=client)
                return path.read_bytes()

        button = fields.button(label)
        kind = "text/csv" if ending == "csv" else SHEET_TYPE
        button.on_click(lambda _b: self._hand(what, ending, kind, write))
        return button

    def _tables_button(self) -> widgets.Button:
        def write(client: str | None) -> bytes:
            return zip_tables(self._book, client=client)

        button = fields.button("Every table (zip of CSV)")
        button.on_click(lambda _b: self._hand("tables", "zip", "application/zip", write))
        return button

    def _hand(
        self, what: str, ending: str, kind: str, write: Callable[[str | None], bytes]
    ) -> None:
        def work() -> Path | None:
            client = self.away.fields["client"].value or None
            content = write(client)
            day = f"{datetime.now().astimezone():%Y%m%d-%H%M%S}"
            name = file_name(client or Path(self._book.name).stem, f"{what}-{day}", ending)
            if len(content) <= MOST_HANDED:
                note = f"Of client '{client}' only." if client else "Of all clients."
                self.hands.hand(content, name=name, note=note, media_type=kind)
                return None
            return _keep(content, name)

        done, kept = self.away.press(work)
        if done and kept is not None:
            self.away.say(f"Too large for a download: it is in '{kept}'.")


def _keep(content: bytes, name: str) -> Path:
    file = data_folder().resolve() / "exports" / name
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
    except OSError as error:
        msg = f"{file} could not be written: {error.strerror}; check the folder and the disk."
        raise BookError(msg) from error
    return file
