"""How it is said whether the salts of a water matter at the same hardness and alkalinity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Final

import numpy as np

from labkit.analysis import Reading, SaltsReading, VerdictKind
from labkit.present.asked import say, to_html
from labkit.present.html import p_text, table
from labkit.water import SALT_SHARE, describe, levels_of, share_text

_PAIR: Final[Mapping[str, str]] = MappingProxyType(
    {"sulfate_share": "chloride and sulfate", "potassium_share": "sodium and potassium"}
)


@say.register
def _salts(found: SaltsReading) -> str:
    """Whether there is a difference, which is best, how sure; what is not told is said so."""
    pair = _PAIR[found.share]
    where = _where(found)
    if found.kind is VerdictKind.UNKNOWN:
        return (
            f"These cups cannot tell {pair} apart ({where}; {found.n_scores} scores of "
            f"{len(found.levels)} waters): taste them again."
        )
    if found.kind is VerdictKind.NOTHING:
        return f"{_nothing(found)} ({where}; {_p(found)}). {_would_show(found)}"
    best, told = _level(found, found.best), found.told_from
    head = (
        f"It matters whether the salts are of {pair.replace(' and ', ' or ')} ({where}; "
        f"{_p(found)}): "
    )
    if not len(told):
        return (
            f"{head}{best} scored highest, but compared with all at once no other water here "
            f"is clearly below it. More cups must show which is best.{_mixed_once(found)}"
        )
    leads = [
        f"{row['difference']:.1f} points ({row['lo']:.1f} to {row['hi']:.1f}) above "
        f"{_level(found, row['other_level'])}"
        for row in told.to_dict("records")
    ]
    text = f"{head}{best} is best, {_listed(leads, 'and')}."
    if found.not_told_from:
        others = [_level(found, one) for one in found.not_told_from]
        text += f" It is not clearly above {_listed(others, 'or')}."
    return text + _mixed_once(found)


@to_html.register
def _salts_page(found: SaltsReading) -> str:
    """The sentence, and each water with its mean."""
    has_interval = "lo" in found.levels.columns
    rows = [
        (
            _level(found, row["level"]) + (", control" if row["is_control"] else ""),
            row["recipe"],
            row["n_scores"],
            f"{row['mean']:.1f}"
            + (f" ({row['lo']:.1f} to {row['hi']:.1f})" if has_interval else ""),
        )
        for row in found.levels.to_dict("records")
    ]
    caption = f"{SALT_SHARE[found.share].title}, by charge; the rest as in {found.at.text}"
    return f"<p>{say(found)}</p>" + table(caption, ("", "water", "scores", "mean (95 %)"), rows)


def salts_html(reading: Reading) -> str:
    """What comparisons of salts say, apart from the curve; empty where there were none.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    if not reading.salts:
        return ""
    head = "<p>The salts, compared at the same hardness and alkalinity:</p>"
    return head + "".join(map(to_html, reading.salts))


def _mixed_once(found: SaltsReading) -> str:
    if not found.mixed_once:
        return ""
    return (
        " Each water was mixed and brewed once, and a slip in a jug looks like its salts: taste "
        "them once more, mixed anew, before you rely on it."
    )


def _where(found: SaltsReading) -> str:
    held = [share_text(name, share) for name, share in found.at.salt_shares.items()]
    return ", ".join([describe(levels_of(found.at)), *held])


def _level(found: SaltsReading, level: float | None) -> str:
    return "" if level is None else share_text(found.share, round(level, 3))


def _p(found: SaltsReading) -> str:
    return "" if found.p_value is None else p_text(found.p_value)


def _nothing(found: SaltsReading) -> str:
    who = "this taster" if found.n_tasters == 1 else "this panel"
    return f"No difference that {who} can see between {_PAIR[found.share]}"


def _would_show(found: SaltsReading) -> str:
    size = found.detectable_points
    if size is None or not np.isfinite(size):
        return "These cups are too few to show one: taste with more tasters, or more flights."
    return (
        f"With these cups, a difference of {size:.1f} points between any two of them would have "
        "been seen with 80 % chance; none was seen. Smaller ones may be there."
    )


def _listed(parts: Sequence[str], last: str) -> str:
    if len(parts) == 1:
        return parts[0]
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"
