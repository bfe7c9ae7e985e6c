"""What the preparer measured in the cups, typed by code or chosen as a file; all of it optional."""

from __future__ import annotations

import tempfile
from html import escape
from pathlib import Path
from typing import Final

import ipywidgets as widgets
import pandas as pd

from labkit.book import LabBook, Topic, frame_csv
from labkit.errors import BookError, ImportFileError
from labkit.tasting import MEASURED, MOST_EXTRACTED_PERCENT
from labkit.water import counted, read_number
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.workflow import measurement_table, record_measurements

_INTRO: Final = (
    "For the preparer only: tasters should not learn the strength before they are done. All of it "
    "is optional; what is left empty was not measured. Let the sample cool before you measure."
)
_YIELD: Final = (
    "Extraction yield is beverage mass times strength over dose. In a cupping bowl, or any brew "
    "that stays on its grounds, give as beverage mass all the water poured: what the grounds hold "
    "is as strong as the rest."
)


class MeasuredForm(widgets.VBox):
    """Keeps strength, masses, temperature and pH of each cup, and shows the yield.

    Parameters
    ----------
    book : LabBook
        Where it goes.
    session : str
        Whose cups.
    """

    def __init__(self, book: LabBook, *, session: str) -> None:
        self._book, self._session = book, session
        self.hands = HandOver()
        self.table = widgets.HTML()
        self.upload = widgets.FileUpload(
            accept=".csv,.txt,.tsv,.xlsx,.xlsm",
            multiple=False,
            description="Choose a file",
            layout=widgets.Layout(width="auto", min_width="10rem", height="2.75rem"),
        )
        self.keep = fields.button("Keep this cup", main=True)
        self.keep.on_click(lambda _b: self._keep())
        self.take = fields.button("Take the file")
        self.take.on_click(lambda _b: self._take())
        self.empty = fields.button("Table to fill in")
        self.empty.on_click(lambda _b: self._hand())
        cups = self._cups()
        self.form = Form(
            {
                "measured_by": fields.text("Measured by"),
                "cup": fields.choice("Cup", cups, cups[0][1] if cups else None),
                **{
                    one.name: fields.text(f"{one.words}{f', {one.unit}' if one.unit else ''}")
                    for one in MEASURED.values()
                },
            },
            buttons=[self.keep],
        )
        self.files = Form({}, buttons=[self.empty, self.upload, self.take])
        super().__init__(
            [
                widgets.HTML("<h3>Measured in the cups</h3>" + said(_INTRO)),
                self.form,
                widgets.HTML(said(_YIELD)),
                self.table,
                widgets.HTML("<h3>From a table</h3>"),
                self.files,
                self.hands,
            ]
        )
        self.add_class("lm-view")
        self.form.fields["cup"].observe(lambda _change: self._fill(), "value")
        self._fill()
        self.refresh()
        follow_book(self, book, self.refresh, Topic.SESSIONS)

    def refresh(self) -> None:
        """Show what stands in the lab book."""
        follow_choices(self.form.fields["cup"], self._cups())
        self.table.value = measured_html(measurement_table(self._book, self._session))

    def _cups(self) -> list[tuple[str, tuple[int, str]]]:
        plan = self._book.sessions.plan(self._session)
        return [
            (f"{code}, flight {flight}", (flight, code))
            for flight in plan.flights
            for code in plan.codes(flight)
        ]

    def _fill(self) -> None:
        """Show of the cup chosen what was measured already, so that it can be put right."""
        chosen = self.form.fields["cup"].value
        cups = self._book.scores.measured_cups(self._session)
        stands = {(one.flight, one.blind_code): one.values for one in cups}
        for name in MEASURED:
            value = stands.get(chosen, {}).get(name)
            self.form.fields[name].value = "" if value is None else f"{value:g}"

    def _keep(self) -> None:
        done, kept = self.form.press(self._write)
        if done:
            self.refresh()
            self.form.say(f"In the lab book: {counted(kept, 'value')} of this cup.")

    def _write(self) -> int:
        typed = self.form.values()
        if typed["cup"] is None:
            raise BookError("cup must be chosen. Choose the code that stands on it.", field="cup")
        flight, code = typed["cup"]
        values = {
            name: MEASURED[name].check(read_number(text, name)) if text else None
            for name in MEASURED
            for text in (typed[name].strip(),)
        }
        return self._book.scores.measure_cups(
            self._session, [(flight, code, values)], measured_by=typed["measured_by"]
        )

    def _take(self) -> None:
        done, kept = self.files.press(self._read)
        if done:
            self._fill()
            self.refresh()
            self.files.say(f"Taken into the lab book: {kept}.")

    def _read(self) -> int:
        if not self.upload.value:
            raise ImportFileError("the file must be chosen first; press 'Choose a file'.")
        chosen = self.upload.value[0]
        with tempfile.TemporaryDirectory() as folder:
            # Its name alone: a path in it would lead out of the folder.
            file = Path(folder) / (Path(str(chosen["name"]).replace("\\", "/")).name or "file")
            file.write_bytes(bytes(chosen["content"]))
            return record_measurements(
                self._book,
                self._session,
                file,
                measured_by=self.form.fields["measured_by"].value,
            )

    def _hand(self) -> None:
        def work() -> None:
            columns = ["flight", "blind_code", *MEASURED]
            table = measurement_table(self._book, self._session)[columns]
            self.hands.hand(
                frame_csv(table).encode(),
                name=file_name(self._session, "measured", "csv"),
                note="CSV, a row for each cup by its code. It holds no water.",
                media_type="text/csv",
            )

        self.files.press(work)


def measured_html(table: pd.DataFrame) -> str:
    """What was measured, cup by cup, and a remark on yields that cannot be."""
    names = list(MEASURED)
    rows = table[table[names].notna().any(axis=1)]
    if rows.empty:
        return said("Nothing was measured yet.")
    head = ["Flight", "Code", *(_head(one) for one in names), "Yield, %", "By"]
    cells = [
        [
            row["flight"],
            row["blind_code"],
            *(_cell(row[one], MEASURED[one].digits) for one in names),
            _cell(row["extraction_percent"], 1),
            row["measured_by"],
        ]
        for row in rows.to_dict("records")
    ]
    titles = "".join(f'<th scope="col" style="text-align:left">{name}</th>' for name in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in cells
    )
    # A narrow screen scrolls the table, not the page.
    shown = (
        '<div style="overflow-x:auto" tabindex="0" role="region" aria-label="Measured">'
        '<table style="border-spacing:.9rem .15rem;margin-left:-.9rem;text-align:left">'
        f"<thead><tr>{titles}</tr></thead><tbody>{body}</tbody></table></div>"
    )
    odd = rows.loc[rows["extraction_percent"] > MOST_EXTRACTED_PERCENT, "blind_code"]
    if len(odd):
        shown += said(
            f"More than {MOST_EXTRACTED_PERCENT:g} % of a coffee does not dissolve (common "
            f"practice): check strength, beverage mass and dose of {', '.join(odd)}."
        )
    return shown


def _head(name: str) -> str:
    one = MEASURED[name]
    return f"{one.words}{f', {one.unit}' if one.unit else ''}"


def _cell(value: float, digits: int) -> str:
    return "" if value != value else f"{value:.{digits}f}"
