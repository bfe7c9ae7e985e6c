"""The map of a coffee's waters that can be touched: hover, tap or arrow keys, and what is there.

The browser's half is in ``static/``: plain JavaScript, no build step. The numbers go out once; what
to pour for a water is asked when one is chosen. It shows opened flights only.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import traitlets

from labkit.analysis import Floats, WaterMap
from labkit.errors import LabkitError
from labkit.present import SHADES_FROM, map_words, said_of_handing
from labkit.water import COORDINATE, COORDINATES, Target, as_coordinates, percent
from labkit.widgets.parts.browser_half import STATIC, BrowserHalf

_log = logging.getLogger(__name__)

TROUBLE: Final = "something went wrong here, and it is logged."


class WaterMapView(BrowserHalf):
    """One coffee's map of waters; empty until ``show`` gives it one.

    Parameters
    ----------
    pour : callable, optional
        Takes a :class:`Target` and returns in words what to pour for it; nothing is said of it
        without one, or where it returns an empty text.
    """

    _esm = (STATIC / "water_map.js").read_text(encoding="utf-8")
    _css = (STATIC / "water_map.css").read_text(encoding="utf-8")
    data = traitlets.Dict().tag(sync=True)
    following: traitlets.List[Any] = traitlets.List().tag(sync=True)
    offers: traitlets.List[Any] = traitlets.List().tag(sync=True)

    def __init__(self, *, pour: Callable[[Target], str] | None = None) -> None:
        self._pour = pour
        self._doing: dict[str, Callable[[Target], Any]] = {}
        self._found: WaterMap | None = None
        self._order: tuple[int, ...] = (0, 1, 2)
        super().__init__()
        self.on_msg(lambda _widget, content, _buffers: self.send(self.answer(content)))

    def on_taste_next(self, call: Callable[[Target], Any]) -> None:
        """Offer a button that hands the chosen water to be tasted next.

        Parameters
        ----------
        call : callable
            Takes the :class:`Target`; a :class:`LabkitError` is said beside the button.
        """
        self._offer("taste", call)

    def on_card(self, call: Callable[[Target], Any]) -> None:
        """Offer a button that hands the chosen water to be made a card.

        Parameters
        ----------
        call : callable
            Takes the :class:`Target`; a :class:`LabkitError` is said beside the button.
        """
        self._offer("card", call)

    def _offer(self, what: str, call: Callable[[Target], Any]) -> None:
        self._doing[what] = call
        self.offers = [one for one in ("taste", "card") if one in self._doing]

    def show(self, found: WaterMap | None, *, coffee: str = "") -> None:
        """Show another map, or none.

        Parameters
        ----------
        found : WaterMap or None
            Of one coffee.
        coffee : str
            Its name.
        """
        if found is self._found and (found is None or self.data.get("coffee") == coffee):
            return
        self._found = found
        # Two that vary go over the map and the third on the slider: the ratio and hardness first.
        self._order = tuple(
            sorted(range(3), key=lambda at: found is not None and len(found.levels[at]) < 2)
        )
        self.following = []
        self.data = {} if found is None else _data(found, coffee, self._order)

    def show_next(self, waters: Sequence[Target]) -> None:
        """Mark the waters of the next flight, numbered.

        Parameters
        ----------
        waters : sequence of Target
            In their order.
        """
        shown = () if self._found is None else waters
        self.following = [_ordered(water, self._order) for water in shown]

    def answer(self, message: object) -> dict[str, Any]:
        """What is said to a message of the browser.

        Parameters
        ----------
        message : mapping
            ``kind`` (``pour``, ``taste`` or ``card``) and ``at``, a place among the map's levels.

        Returns
        -------
        answer : dict
            ``kind`` and ``at`` as asked; ``text`` to show, and whether it is ``wrong``.
        """
        asked = message if isinstance(message, Mapping) else {}
        kind, at = asked.get("kind"), asked.get("at")
        answer = {"kind": kind, "at": at, "text": "", "wrong": False}
        try:
            water = self._water_at(at)
            if water is None:
                return answer
            if kind == "pour" and self._pour is not None:
                answer["text"] = self._pour(water)
            elif kind in self._doing:
                self._doing[str(kind)](water)
                answer["text"] = said_of_handing(str(kind), water)
        except LabkitError as error:
            answer |= {"text": str(error), "wrong": True}
        except Exception:
            _log.exception("the map of waters failed at %r", kind)
            answer |= {"text": TROUBLE, "wrong": True}
        return answer

    def _water_at(self, at: object) -> Target | None:
        """The water at a place that the browser names; None if there is no such."""
        found = self._found
        if found is None or not isinstance(at, list) or len(at) != 3:
            return None
        place = [0, 0, 0]
        for axis, index in zip(self._order, at, strict=True):
            if type(index) is not int or not 0 <= index < len(found.levels[axis]):
                return None
            place[axis] = index
        return found.water((place[0], place[1], place[2]))


def _data(found: WaterMap, coffee: str, order: tuple[int, ...]) -> dict[str, Any]:
    """The map as it goes to the browser: levels and numbers as they are stated, and words."""
    best, control = found.recommended.water, found.recommended.control
    share, hardness = found.levels[0], found.levels[1]
    middle = float(np.median(hardness))
    return {
        "coffee": coffee,
        "axes": [_axis(found, at) for at in order],
        "ratios": [
            Target(
                mg_share=float(one), hardness_mg_l_caco3=middle, alkalinity_mg_l_caco3=0
            ).ca_mg_ratio_text
            for one in share
        ],
        # Rounded as Python states them elsewhere: a browser rounds halves otherwise.
        "expected": [f"{score:.2f}" for score in _flat(found.expected, order)],
        "low": [f"{score:.2f}" for score in _flat(found.low, order)],
        "high": [f"{score:.2f}" for score in _flat(found.high, order)],
        "near": _flat(_whole(found.chance_near_best), order),
        "above_best": _flat(_whole(found.chance_above_best), order),
        # Rounded down, as wherever this chance is stated: 96.9 is not yet 97, and none is 100.
        "above_control": None
        if found.chance_above_control is None
        else _flat(np.floor(100 * found.chance_above_control).clip(max=99), order),
        "best": _place(found, best, order),
        "control": None if control is None else _place(found, control, order),
        "tasted": [_ordered(water, order) for water in found.tasted],
        "shades": [int(percent(chance).split()[0]) for chance in SHADES_FROM],
        "words": map_words(found),
    }


def _axis(found: WaterMap, at: int) -> dict[str, Any]:
    one = COORDINATE[COORDINATES[at]]
    levels = found.levels[at]
    return {
        "name": one.name,
        "words": one.words,
        "title": f"{one.words}, {one.unit} as CaCO3" if one.unit else one.title,
        "levels": levels.tolist(),
        "stated": [one.state(float(level)) for level in levels],
        "ticks": [f"{level:.{one.digits}f}" for level in levels],
    }


def _whole(chances: Floats) -> Floats:
    """Chances in whole per cent, as ``percent`` states them."""
    stated = {chance: int(percent(chance).split()[0]) for chance in np.unique(chances).tolist()}
    whole: Floats = np.vectorize(stated.__getitem__, otypes=[float])(chances)
    return whole


def _flat(values: Floats, order: tuple[int, ...]) -> list[float]:
    flat: list[float] = np.transpose(values, order).ravel().tolist()
    return flat


def _place(found: WaterMap, water: Target, order: tuple[int, ...]) -> list[int]:
    place = found.place(water)
    return [place[at] for at in order]


def _ordered(water: Target, order: tuple[int, ...]) -> list[float]:
    levels = as_coordinates(water)[0]
    return [float(levels[at]) for at in order]
