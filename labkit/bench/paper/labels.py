"""Labels for cups and bottles, laid out in millimetres on a sheet of label paper."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Literal

from labkit.bench.paper.for_tasters import chosen_flights
from labkit.bench.paper.sheet import Sheet, render
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.language import ENGLISH, Language
from labkit.tasting import CupPlan

if TYPE_CHECKING:
    from labkit.book import Bottle

_SHEETS_MM: Final = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height of a sheet (mm): ISO 216; ANSI/ASME Y14.1, 8.5 by 11 inches."""

_INCH_MM: Final = 25.4
_SLACK_MM: Final = 0.3

BOTTLE_CAUTION: Final = "Concentrate. Not for drinking. Keep from children."


@checked(SheetError, own_numbers=True)
@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPaper:
    """Where the labels lie on a sheet, as its packet says."""

    columns: int
    """Labels side by side."""

    rows: int
    """Labels one below the other."""

    label_width_mm: float
    """Width of one label (mm)."""

    label_height_mm: float
    """Height of one label (mm)."""

    left_mm: float
    """From the sheet's left edge to the first label (mm)."""

    top_mm: float
    """From the sheet's top edge to the first label (mm)."""

    pitch_x_mm: float
    """From a label's left edge to that of the next (mm)."""

    pitch_y_mm: float
    """From a label's top edge to that of the one below (mm)."""

    sheet: Literal["A4", "Letter"] = "A4"
    """What the sheet measures."""

    def __post_init__(self) -> None:
        for name in ("columns", "rows"):
            if getattr(self, name) < 1:
                raise SheetError(
                    f"{name} must be at least 1, got {getattr(self, name)}. Count the labels.",
                    field=name,
                )
        for name in ("label_width_mm", "label_height_mm"):
            if not getattr(self, name) >= 8:
                raise SheetError(
                    f"{name} must be at least 8 mm to be read, got {getattr(self, name):g}. "
                    "Measure a label in millimetres.",
                    field=name,
                )
        wide, high = self.sheet_mm
        for start, pitch, size, count, edge, name in (
            ("left_mm", "pitch_x_mm", "label_width_mm", self.columns, wide, "columns"),
            ("top_mm", "pitch_y_mm", "label_height_mm", self.rows, high, "rows"),
        ):
            first, step, width = (float(getattr(self, field)) for field in (start, pitch, size))
            if not first >= 0:
                raise SheetError(
                    f"{start} must be at least 0, got {first:g}. Measure it in mm.", field=start
                )
            if count > 1 and not step >= width:
                raise SheetError(
                    f"{pitch} must be at least {size} ({width:g}), or labels overlap, got "
                    f"{step:g}. Measure from edge to edge of neighbouring labels.",
                    field=pitch,
                )
            end = first + (count - 1) * step + width
            if end > edge + _SLACK_MM:
                raise SheetError(
                    f"{name} must fit on {self.sheet} ({edge:g} mm), got {count} that end at "
                    f"{end:g} mm. Check {start}, {pitch} and {size}.",
                    field=name,
                )

    @classmethod
    def centred(
        cls,
        columns: int,
        rows: int,
        label_width_mm: float,
        label_height_mm: float,
        gap_x_mm: float = 0.0,
        gap_y_mm: float = 0.0,
        sheet: Literal["A4", "Letter"] = "A4",
    ) -> LabelPaper:
        """Labels in the middle of the sheet, with the same gap between all.

        Parameters
        ----------
        columns, rows : int
            Labels across and down the sheet.
        label_width_mm, label_height_mm : float
            Size of a label (mm).
        gap_x_mm, gap_y_mm : float
            Between labels, across and down (mm).
        sheet : str
            'A4' or 'Letter'.
        """
        wide, high = _SHEETS_MM[sheet]
        pitch_x_mm, pitch_y_mm = label_width_mm + gap_x_mm, label_height_mm + gap_y_mm
        return cls(
            columns=columns,
            rows=rows,
            label_width_mm=label_width_mm,
            label_height_mm=label_height_mm,
            left_mm=max(0.0, (wide - columns * pitch_x_mm + gap_x_mm) / 2),
            top_mm=max(0.0, (high - rows * pitch_y_mm + gap_y_mm) / 2),
            pitch_x_mm=pitch_x_mm,
            pitch_y_mm=pitch_y_mm,
            sheet=sheet,
        )

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """Width and height of the sheet (mm)."""
        return _SHEETS_MM[self.sheet]

    @property
    def n_labels(self) -> int:
        """Labels on a sheet."""
        return self.columns * self.rows

    @property
    def text(self) -> str:
        """What to look for on the packet."""
        return self.text_in(ENGLISH)

    def text_in(self, language: Language) -> str:
        """What to look for on the packet, in a language.

        Parameters
        ----------
        language : Language
            What the reader reads; inches stand beside the millimetres of a Letter sheet.
        """
        measures = (self.label_width_mm, self.label_height_mm)
        size = " × ".join(language.number(one) for one in measures) + " mm"
        if self.sheet == "Letter":
            inches = " × ".join(language.number(round(one / _INCH_MM, 2)) for one in measures)
            size = language.gettext("{inches} in ({millimetres})").format(
                inches=inches, millimetres=size
            )
        return language.gettext("{labels} labels of {size} on {sheet}, {columns} × {rows}").format(
            labels=self.n_labels, size=size, sheet=self.sheet, columns=self.columns, rows=self.rows
        )

    def place(self, index: int) -> tuple[int, float, float]:
        """Where a label lies.

        Parameters
        ----------
        index : int
            Number of the label, counted from 0 along the rows.

        Returns
        -------
        sheet : int
            Counted from 0.
        left_mm, top_mm : float
            Its edges from those of the sheet (mm).
        """
        sheet, on_sheet = divmod(index, self.n_labels)
        row, column = divmod(on_sheet, self.columns)
        left = self.left_mm + column * self.pitch_x_mm
        return sheet, round(left, 3), round(self.top_mm + row * self.pitch_y_mm, 3)


LABEL_PAPERS: Final[Mapping[str, LabelPaper]] = MappingProxyType(
    {
        paper.text: paper
        for paper in (
            LabelPaper.centred(5, 13, 38.1, 21.2, 2.5),
            LabelPaper.centred(4, 10, 48.5, 25.4),
            LabelPaper.centred(3, 8, 70.0, 37.0),
            LabelPaper.centred(3, 7, 63.5, 38.1, 2.5),
            LabelPaper.centred(2, 7, 99.1, 38.1, 2.5),
            LabelPaper.centred(2, 4, 99.1, 67.7, 2.5),
            LabelPaper.centred(3, 10, 66.7, 25.4, 3.15, sheet="Letter"),
            LabelPaper.centred(2, 10, 101.6, 25.4, 4.8, sheet="Letter"),
            LabelPaper.centred(2, 7, 101.6, 33.9, 4.8, sheet="Letter"),
            LabelPaper.centred(2, 5, 101.6, 50.8, 4.8, sheet="Letter"),
            LabelPaper.centred(2, 3, 101.6, 84.7, 4.8, sheet="Letter"),
        )
    }
)
"""Common label sheets by their size (common practice): measure yours before printing."""

_BOTTLE_MM: Final = (60.0, 30.0)


def _holds_a_bottle(paper: LabelPaper) -> bool:
    """Whether all that a bottle's label must say has room."""
    return paper.label_width_mm >= _BOTTLE_MM[0] and paper.label_height_mm >= _BOTTLE_MM[1]


SMALL_LABELS: Final = LabelPaper.centred(4, 10, 48.5, 25.4)
LARGE_LABELS: Final = LabelPaper.centred(2, 7, 99.1, 38.1, 2.5)
BOTTLE_PAPERS: Final[Mapping[str, LabelPaper]] = MappingProxyType(
    {
        LARGE_LABELS.text: LARGE_LABELS,
        **{text: paper for text, paper in LABEL_PAPERS.items() if _holds_a_bottle(paper)},
    }
)
"""Those whose labels hold all that must stand on a bottle, the usual one first."""


@checked(SheetError)
def cup_labels(
    plan: CupPlan,
    *,
    paper: LabelPaper = SMALL_LABELS,
    flights: Sequence[int] | None = None,
    copies: int = 1,
    first_free: int = 1,
    lab_book: str = "",
    language: Language = ENGLISH,
) -> Sheet:
    """A label for each code, in numeric order within the flight, so that order tells nothing.

    Parameters
    ----------
    plan : CupPlan
        The codes; it holds no water.
    paper : LabelPaper
        The label sheet in the printer.
    flights : sequence of int, optional
        Only these; all of the plan if not given.
    copies : int
        Labels of each code.
    first_free : int
        First label not yet used on the first sheet, from 1 along the rows.
    lab_book : str
        Name of the lab book, for the note on the screen.
    language : Language
        What tasters read.

    Raises
    ------
    SheetError
        If a number is off.
    """
    if copies < 1:
        raise SheetError(
            f"copies must be at least 1, got {copies}. Ask for one label a code.", field="copies"
        )
    labels = [
        {
            "kind": "cup",
            "code": code,
            "under": language.gettext("flight {flight}").format(flight=flight),
        }
        for flight in chosen_flights(plan, flights)
        for code in plan.codes(flight)
        for _ in range(copies)
    ]
    title = language.gettext("Cup labels, session {session}").format(session=plan.session)
    return _labels(labels, paper, first_free, plan.session, lab_book, title, language)


@checked(SheetError)
def bottle_labels(
    bottles: Sequence[Bottle],
    *,
    paper: LabelPaper = LARGE_LABELS,
    first_free: int = 1,
    lab_book: str = "",
) -> Sheet:
    """A label for each bottle: name, caution, strength, made on, use by.

    Parameters
    ----------
    bottles : sequence of Bottle
        As in the lab book.
    paper : LabelPaper
        The label sheet in the printer; labels at least 60 × 30 mm, to hold all that must stand.
    first_free : int
        First label not yet used on the first sheet, from 1 along the rows.
    lab_book : str
        Name of the lab book, for the note on the screen.

    Raises
    ------
    SheetError
        If the labels are too small or a number is off.
    """
    if not _holds_a_bottle(paper):
        raise SheetError(
            f"paper must have labels of at least {_BOTTLE_MM[0]:g} × {_BOTTLE_MM[1]:g} mm for "
            f"bottles, or the caution is cut off, got {paper.label_width_mm:g} × "
            f"{paper.label_height_mm:g} mm. Choose larger labels.",
            field="paper",
        )
    labels = [
        {
            "kind": "bottle",
            "name": bottle.name,
            "lines": _bottle_lines(bottle),
            "caution": BOTTLE_CAUTION,
        }
        for bottle in bottles
    ]
    return _labels(labels, paper, first_free, "", lab_book, "Bottle labels", ENGLISH)


def _bottle_lines(bottle: Bottle) -> list[str]:
    liquid = bottle.in_use
    adds = []
    if liquid.hardness_mg_l_caco3_per_ml:
        adds.append(f"{liquid.hardness_mg_l_caco3_per_ml:.3g} mg/L hardness")
    if liquid.alkalinity_mg_l_caco3_per_ml:
        adds.append(f"{liquid.alkalinity_mg_l_caco3_per_ml:.3g} mg/L alkalinity")
    # Of the salt as labelled, as the shelf and a measurement say it: impurities left out.
    weighed = bottle.concentrate.strength_g_l * bottle.purity
    strength = f"{liquid.salt.label}, {weighed:.3f} g/L"
    if bottle.measurements:
        last = bottle.measurements[-1]
        which = " (counts)" if bottle.counts == "measured" else ""
        strength += f" weighed, {last.strength_g_l:.3f} measured {last.measured_on:%d %b}{which}"
    made = [f"made {bottle.made_on:%d %b %Y}" + (f" by {bottle.keeper}" if bottle.keeper else "")]
    if bottle.lot:
        made.append(f"lot {bottle.lot}")
    kept = "keeps for months" if bottle.use_by is None else f"use by {bottle.use_by:%d %b %Y}"
    lines = [
        strength,
        " · ".join(made),
        f"{kept}, in the cold",
    ]
    if adds:
        lines.insert(1, f"1 mL in 1 L adds {' and '.join(adds)} as CaCO3")
    return lines


def _labels(
    labels: Sequence[dict[str, Any]],
    paper: LabelPaper,
    first_free: int,
    session: str,
    lab_book: str,
    title: str,
    language: Language,
) -> Sheet:
    if not 1 <= first_free <= paper.n_labels:
        raise SheetError(
            f"first_free must be 1 to {paper.n_labels} on this paper, got {first_free}. "
            "Count along the rows from the top left.",
            field="first_free",
        )
    if not labels:
        raise SheetError(
            "at least one label must be asked for, got none. Choose what to label.", field="labels"
        )
    pages: list[list[dict[str, Any]]] = []
    for index, label in enumerate(labels, start=first_free - 1):
        sheet, x, y = paper.place(index)
        while len(pages) <= sheet:
            pages.append([])
        pages[sheet].append(label | {"x": x, "y": y})
    room = min(paper.label_width_mm / 2.6, paper.label_height_mm * 0.52)
    return render(
        "labels.html",
        title=title,
        session=session,
        lab_book=lab_book,
        values={
            "label_pages": pages,
            "stock": paper,
            "stock_text": paper.text_in(language),
            "inset": 2 if min(paper.label_width_mm, paper.label_height_mm) >= 20 else 1,
            "code_mm": math.floor(10 * room) / 10,
            "text_mm": round(min(4.0, max(1.9, paper.label_height_mm / 11.5)), 2),
        },
        language=language,
    )
