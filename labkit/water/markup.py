"""Small semantic HTML for values shown in a notebook, readable on light and dark pages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

_TABLE = "border-collapse:collapse;font-variant-numeric:tabular-nums;margin:0.4em 0"
_CELL = "padding:0.15em 0.7em;text-align:{side};vertical-align:top"
_RULE = ";border-bottom:1px solid color-mix(in srgb, currentColor 35%, transparent)"


def _cell(text: object, *, head: bool, first: bool) -> str:
    side = "left" if first else "right"
    style = _CELL.format(side=side) + (_RULE if head else "")
    if head:
        return f'<th scope="col" style="{style}">{escape(str(text))}</th>'
    if first:
        return f'<th scope="row" style="{style};font-weight:normal">{escape(str(text))}</th>'
    return f'<td style="{style}">{escape(str(text))}</td>'


def table(caption: str, head: Sequence[object], rows: Iterable[Sequence[object]]) -> str:
    """A captioned table; the first column names the row, the others are set right."""
    top = "".join(_cell(text, head=True, first=not n) for n, text in enumerate(head))
    body = "".join(
        "<tr>"
        + "".join(_cell(text, head=False, first=not n) for n, text in enumerate(row))
        + "</tr>"
        for row in rows
    )
    return (
        f'<table style="{_TABLE}"><caption style="text-align:left;font-weight:bold">'
        f"{escape(caption)}</caption><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    )


def notes(lines: Iterable[str]) -> str:
    """Remarks below a table, one a line; empty if there are none."""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<ul style="margin:0.3em 0;padding-left:1.4em">{items}</ul>' if items else ""


def folded(summary: str, inner: str) -> str:
    """What most readers skip, behind one line."""
    return f"<details><summary>{escape(summary)}</summary>{inner}</details>"


def figure(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, without an exponent.

    >>> figure(1468.8), figure(0.0123456), figure(0.0), figure(80.0)
    ('1469', '0.0123', '0', '80')
    """
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")
    text = f"{value:.0f}" if abs(rounded) >= 10 ** (digits - 1) else f"{rounded:.10f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
