"""What is kept of a coffee as JSON, squeezed, and back: values only, so that it runs nothing."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np

from labkit.analysis.across.coffees import CoffeeReading, Facts, Whole
from labkit.analysis.across.panel_history import CoffeeSums
from labkit.analysis.model.coding import Floats
from labkit.analysis.reading.best import Best
from labkit.analysis.reading.verdict import Verdict
from labkit.analysis.search.recommendation import Recommendation

Unpack = Callable[[Any], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Packed:
    """What of a reading is packed: its names stand beside it, and the whole is read when asked."""

    facts: Facts | None
    best: Best | None
    recommended: Recommendation | None
    verdict: Verdict


def pack_reading(reading: CoffeeReading) -> bytes:
    """What a reading says, without its names, scores and surface.

    Parameters
    ----------
    reading : CoffeeReading
        What to pack.
    """
    parts = {one.name: getattr(reading, one.name) for one in fields(_Packed)}
    return _squeezed(_Packed(**parts))


def unpack_reading(
    content: bytes, *, client: str, coffee: str, read_whole: Callable[[], Whole]
) -> CoffeeReading:
    """The reading that was packed.

    Parameters
    ----------
    content : bytes
        Of :func:`pack_reading`, of this version of the analysis.
    client, coffee : str
        Whose coffee, and its name.
    read_whole : callable
        Gives the scores and the surface.
    """
    packed = _unpacker(_Packed)(_loosened(content))
    parts = {one.name: getattr(packed, one.name) for one in fields(_Packed)}
    return CoffeeReading(client=client, coffee=coffee, read_whole=read_whole, **parts)


def pack_coffee_sums(one: CoffeeSums) -> bytes:
    """What a coffee adds to a panel's history, without the coffee's names.

    Parameters
    ----------
    one : CoffeeSums
        What to pack.
    """
    return _squeezed(replace(one, client="", coffee=""))


def unpack_coffee_sums(content: bytes, *, client: str, coffee: str) -> CoffeeSums:
    """The sums that were packed.

    Parameters
    ----------
    content : bytes
        Of :func:`pack_coffee_sums`, of this version of the analysis.
    client, coffee : str
        Whose coffee, and its name.
    """
    sums: CoffeeSums = _unpacker(CoffeeSums)(_loosened(content))
    return replace(sums, client=client, coffee=coffee)


def _squeezed(value: Any) -> bytes:
    return zlib.compress(json.dumps(_plain(value), separators=(",", ":")).encode(), 6)


def _loosened(content: bytes) -> Any:
    return json.loads(zlib.decompress(content))


def _plain(value: Any) -> Any:
    if isinstance(value, Enum):
        return value.name
    if is_dataclass(value):
        return [_plain(getattr(value, one.name)) for one in fields(value)]
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    if isinstance(value, np.generic):
        return value.item()
    return value


@cache
def _unpacker(kind: Any) -> Unpack:
    """What makes a value of a type from plain ones; made once a type."""
    arguments = get_args(kind)
    if get_origin(kind) in (Union, UnionType):
        (some,) = (one for one in arguments if one is not NoneType)
        inner = _unpacker(some)
        return lambda value: None if value is None else inner(value)
    if kind == Floats:
        return lambda value: np.array(value, dtype=np.float64)
    if get_origin(kind) is tuple:
        if arguments[-1] is Ellipsis:
            each = _unpacker(arguments[0])
            return lambda value: tuple(map(each, value))
        each_own = tuple(map(_unpacker, arguments))
        return lambda value: tuple(make(one) for make, one in zip(each_own, value, strict=True))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return lambda value: kind[value]
    made_of = get_origin(kind) or kind
    if isinstance(made_of, type) and is_dataclass(made_of):
        stands_for = dict(zip(getattr(made_of, "__parameters__", ()), arguments, strict=True))
        hints = get_type_hints(made_of)
        names = [one.name for one in fields(made_of)]
        makers = [_unpacker(stands_for.get(hints[name], hints[name])) for name in names]

        def made(value: Any) -> Any:
            parts = zip(names, makers, value, strict=True)
            return made_of(**{name: make(one) for name, make, one in parts})

        return made
    return lambda value: value
