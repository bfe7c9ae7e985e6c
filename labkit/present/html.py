"""Small semantic HTML, readable on light and dark pages."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pandas as pd

_TABLE = (
    "border-collapse:collapse;color:inherit;font:inherit;font-variant-numeric:tabular-nums;"
    "margin:0.4em 0"
)
_CAPTION = "text-align:left;font-weight:bold;padding-bottom:0.2em"
_CELL = "padding:0.15em clamp(0.25em,1vw,0.7em);vertical-align:top;text-align:"
_RULE = ";border-bottom:1px solid color-mix(in srgb, currentColor 35%, transparent)"
_NUMBER = re.compile(r"[+−-]?\d|none$|out of reach$|$")
_LONGEST_LINE = 60
_FEW, _SHORT = 4, 30
"""Columns that a phone shows side by side, or letters of all headings together; of a wider table it
shows each row as a list, the headings beside the figures."""

ROWS_AS_LISTS: Final = """@media screen and (max-width: 40rem) {
table.lk-many, .lk-many > :is(caption, tbody), .lk-many tr, .lk-many :is(th, td)
  {display: block; min-width: 0 !important}
.lk-many thead {position: absolute; width: 1px; height: 1px; overflow: hidden;
  clip-path: inset(50%)}
.lk-many tbody tr {padding: .35rem 0;
  border-top: 1px solid color-mix(in srgb, currentColor 35%, transparent)}
.lk-many tbody th {font-weight: 600 !important}
.lk-many td {display: flex; justify-content: space-between; gap: 1rem; text-align: right !important}
.lk-many td::before {content: attr(data-head); text-align: left}
.lk-many td:empty {display: none}
}
"""
"""The style by which it does."""


def table(caption: str, head: Sequence[object], rows: Iterable[Sequence[object]]) -> str:
    """A captioned table; columns of figures are set right, columns of words left.

    Parameters
    ----------
    caption : str
        What the table shows, plain text.
    head : sequence
        Names of the columns.
    rows : iterable of sequence
        Cells, as many in each row as there are columns.

    Returns
    -------
    str
        HTML.
    """
    body = [[str(cell) for cell in row] for row in rows]
    sides = [
        "right" if n and all(_NUMBER.match(row[n]) for row in body) else "left"
        for n in range(len(head))
    ]
    top = "".join(
        f'<{cell} style="{_CELL}{side}{_RULE};font-size:.85em">{escape(str(text))}</{cell[:2]}>'
        for text, side in zip(head, sides, strict=True)
        # Over the names of the rows stands no heading, and none that is empty.
        for cell in (('th scope="col"' if str(text) else "td"),)
    )
    names = [str(text) for text in head]
    is_wide = len(names) > _FEW and sum(map(len, names)) > _SHORT
    heads = names if is_wide else [""] * len(names)
    lines = "".join(f"<tr>{_line(row, sides, heads)}</tr>" for row in body)
    # As wide as its caption where there is room; on a phone no figure is pushed out of sight.
    wide = f";min-width:min(100%,{0.55 * min(len(caption), _LONGEST_LINE):.0f}em)"
    many = ' class="lk-many"' * is_wide
    return (
        f'<table{many} style="{_TABLE}{wide}">'
        f'<caption style="{_CAPTION}">{escape(caption)}</caption>'
        f"<thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table>"
    )


def _line(row: Sequence[str], sides: Sequence[str], heads: Sequence[str]) -> str:
    first = f'<th scope="row" style="{_CELL}left;font-weight:normal">{escape(row[0])}</th>'
    rest = (
        f'<td{head and f" data-head={_quoted(head)}"} style="{_CELL}{side}'
        f'{";white-space:nowrap" * (side == "right")}">{escape(text)}</td>'
        for text, side, head in zip(row[1:], sides[1:], heads[1:], strict=True)
    )
    return first + "".join(rest)


def _quoted(text: str) -> str:
    return f'"{escape(text)}"'


def with_index(frame: pd.DataFrame) -> str:
    """A pandas table with its row names, over which stands no empty heading.

    Parameters
    ----------
    frame : DataFrame
        Rounded as it is to be read.

    Returns
    -------
    str
        HTML.
    """
    return str(frame.to_html()).replace("<th></th>", "<td></td>")


def notes(lines: Iterable[str]) -> str:
    """Remarks below a table, one a line; empty if there are none.

    Parameters
    ----------
    lines : iterable of str
        Plain text.

    Returns
    -------
    str
        HTML.
    """
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<ul style="margin:0.3em 0;padding-left:1.4em">{items}</ul>' if items else ""


def beware(cautions: Iterable[str]) -> str:
    """Cautions beside what is handled, never folded.

    Parameters
    ----------
    cautions : iterable of str
        Plain text, one sentence or two each.

    Returns
    -------
    str
        HTML.
    """
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in cautions)
    return (
        '<div role="note" style="max-width:46rem;border-left:.3rem solid currentColor;'
        'padding:.2rem 0 .2rem .8rem;margin:.6rem 0"><b>Before you handle it</b>'
        f'<ul style="margin:.2rem 0 0 0;padding-left:1.1rem;line-height:1.4">{items}</ul></div>'
    )


def folded(summary: str, inner: str) -> str:
    """What most readers skip, behind one line.

    Parameters
    ----------
    summary : str
        The line, plain text.
    inner : str
        HTML that opens below it.

    Returns
    -------
    str
        HTML.
    """
    return f"<details><summary>{escape(summary)}</summary>{inner}</details>"


def p_text(p: float) -> str:
    """A p-value as it is printed: ``'p = 0.03'``, ``'p < 0.001'``.

    Parameters
    ----------
    p : float
        Between 0 and 1.
    """
    if p < 0.001:
        return "p < 0.001"
    return f"p = {p:.3f}" if p < 0.05 else f"p = {p:.2f}"
