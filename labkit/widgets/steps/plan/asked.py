"""What the score sheet asks: the fields in which the lead lists it, and what they make of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import ipywidgets as widgets

from labkit.book import Attribute
from labkit.errors import PlanError
from labkit.tasting import JUST_RIGHT, SCALES
from labkit.widgets.parts import fields
from labkit.workflow import USUAL_SHEET, attributes_of

WORDS: Final = "words that fit"
"""What the list of words is called on the sheet and in the lab book."""

_LISTS: Final = {"intensities": "intensity 0-15", "just_right": "just about right"}
"""The scale of the attributes that are listed in a field."""

_RIGHT: Final = JUST_RIGHT.removeprefix("{attribute}")
"""Ends the name of what is asked on both scales, its strength and whether that is right."""


def asked_fields() -> dict[str, widgets.Widget]:
    """The fields, with what is usually asked in them."""
    usual = as_asked(attributes_of(USUAL_SHEET))
    return {
        "overall_scale": fields.choice(
            "Overall score", ["liking 1-9", "quality 6-10"], usual["overall_scale"]
        ),
        "intensities": fields.text("Attributes, 0 to 15", usual["intensities"]),
        "just_right": fields.text(
            "Too little, right or too much?", placeholder="such as bitterness"
        ),
        "words": fields.text("Words to check if they fit", placeholder="such as floral, nutty"),
    }


def as_asked(attributes: Sequence[Attribute]) -> dict[str, str]:
    """What the fields would say to ask for these attributes once more."""
    said = {
        field: ", ".join(
            one.name.removesuffix(_RIGHT) for one in attributes if one.scale_name == scale
        )
        for field, scale in _LISTS.items()
    }
    for one in attributes:
        if one.name == "overall" and one.scale_name in SCALES:
            said["overall_scale"] = one.scale_name
    lists = [one.choices for one in attributes if one.kind == "descriptors"]
    return {**said, "words": ", ".join(lists[0]) if lists else ""}


def asked_attributes(now: Mapping[str, Any]) -> dict[str, str | list[str]]:
    """What a session asks, as planning takes it: name -> scale, or the words to check.

    How strong something is and whether that is just right are two questions: the second then has
    a name of its own.

    Raises
    ------
    PlanError
        If one is asked twice.
    """
    asked: dict[str, str | list[str]] = {"overall": now["overall_scale"]}
    for field, scale in _LISTS.items():
        strengths = {name.casefold() for name, on in asked.items() if on == _LISTS["intensities"]}
        for given in _listed(now[field]):
            name = given + _RIGHT * (given.casefold() in strengths)
            if name.casefold() in {*map(str.casefold, asked), WORDS}:
                raise PlanError(
                    f"{field} must not ask the same thing twice, got {given!r} again. "
                    "Take it out of one list, or call it something else.",
                    field=field,
                )
            asked[name] = scale
    words = _listed(now["words"])
    return asked | ({WORDS: words} if words else {})


def _listed(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]
