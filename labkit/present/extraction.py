"""How it is said whether a difference between waters may be one of extraction."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

from labkit.analysis import Extraction, ExtractionKind, Reading
from labkit.present.asked import say
from labkit.present.html import folded, p_text, table
from labkit.water import counted

_WORDS: Final[Mapping[str, tuple[str, int]]] = MappingProxyType(
    {"strength_percent": ("brew strength", 2), "extraction_percent": ("extraction yield", 1)}
)
"""What each covariate is called, and its decimals."""

_BREW_ALIKE: Final = "Brew each water to the same {name} and taste again to tell the two apart."


@say.register
def _extraction(found: Extraction) -> str:
    name, digits = _WORDS[found.covariate.name]
    if found.kind is ExtractionKind.TOO_FEW:
        none = f", and in no cup of {', '.join(found.unmeasured)}" if found.unmeasured else ""
        cups = counted(found.n_cups, "cup")
        return (
            f"{_upper(name)} was measured in {cups}{none}: too few to say whether the waters "
            "differ by it."
        )
    lowest, highest = found.waters["lowest"].min(), found.waters["highest"].max()
    if found.kind is ExtractionKind.ALIKE:
        return (
            f"All cups had the same {name} ({lowest:.{digits}f} to {highest:.{digits}f} %): no "
            "difference between the waters comes from it."
        )
    if found.kind is ExtractionKind.TOGETHER or found.without is None or found.equal is None:
        return (
            f"The {name} changed with the water ({lowest:.{digits}f} to {highest:.{digits}f} %): "
            "these cups cannot say which of the two moved the scores. "
            + _BREW_ALIKE.format(name=name)
        )
    without, equal = p_text(found.without.p_value), p_text(found.equal.p_value)
    if found.kind is ExtractionKind.OWN:
        said = (
            f"At equal {name} the waters differ too ({equal}; {without} without it): the "
            f"difference is not one of {name} alone."
        )
    elif found.kind is ExtractionKind.SHARED:
        said = (
            f"The difference between the waters may be one of {name}: at equal {name} it is no "
            f"longer seen ({equal}; {without} without it). A water that extracts more is not the "
            "same as one that tastes better. " + _BREW_ALIKE.format(name=name)
        )
    else:
        said = (
            f"No difference between the waters is seen, with {name} allowed for or not ({equal}; "
            f"{without} without it)."
        )
    return f"{said} {_of_step(found, name)}"


def _of_step(found: Extraction, name: str) -> str:
    """What a little more strength is worth."""
    if found.effect is None:
        return ""
    low, high = found.effect.interval()
    step = f"{found.covariate.step:g} percentage point{'s' * (found.covariate.step != 1)}"
    return (
        f"{step} more {name} moved the score by {found.effect.estimate:+.1f} points ({low:+.1f} to "
        f"{high:+.1f})."
    )


def extraction_html(reading: Reading) -> str:
    """Whether differences may be ones of extraction, with both estimates; empty if not measured.

    Parameters
    ----------
    reading : Reading
        What the scores of one brew method say.
    """
    return "".join(_table(one) for one in reading.extraction if one.equal is not None)


def _table(found: Extraction) -> str:
    name, digits = _WORDS[found.covariate.name]
    against = "the mean of these waters" if found.against is None else found.against
    rows = [
        (
            row["recipe"],
            row["n_cups"],
            f"{row['level']:.{digits}f}",
            *(
                "" if row["recipe"] == found.against else _points(row, end)
                for end in ("", "_equal")
            ),
        )
        for row in found.waters.to_dict("records")
    ]
    head = ("water", "cups", f"{name}, %", "as tasted", f"at {found.centre:.{digits}f} %")
    caption = f"Points above {against} as tasted, and at equal {name} (95 % for all at once)"
    return folded(f"The waters at equal {name}", table(caption, head, rows))


def _points(row: Mapping[Any, Any], end: str) -> str:
    middle, low, high = (row[f"{name}{end}"] for name in ("difference", "lo", "hi"))
    return f"{middle:+.1f} ({low:+.1f} to {high:+.1f})"


def _upper(name: str) -> str:
    return name[0].upper() + name[1:]
