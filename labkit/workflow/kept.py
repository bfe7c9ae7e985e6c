"""What was read of each coffee, taken from the lab book as long as its scores are the same.

Only what has changed is read, and kept for the next time: for anybody who opens the book.
"""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final, TypeVar

from labkit.analysis import (
    CoffeeReading,
    CoffeeSums,
    EarlierCoffee,
    HeadStart,
    Whole,
    analysis_version,
    coffee_sums,
    earlier_coffee,
    head_start_from,
    not_opened,
    pack_coffee_sums,
    pack_earlier,
    pack_head_start,
    pack_reading,
    read_across,
    unpack_coffee_sums,
    unpack_earlier,
    unpack_head_start,
    unpack_reading,
)
from labkit.book import LabBook
from labkit.errors import BookError
from labkit.steps import note_step

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")

Key = tuple[str, str]
"""Client and name of a coffee."""

_log = logging.getLogger(__name__)

_ACROSS: Final = "overall, across"
"""What is kept of a coffee's own reading."""

KEEP_EVERY: Final = 20
"""Coffees whose scores are loaded together, and kept once they are read: who stops waiting loses no
more, and the memory holds no more."""


def readings_of(book: LabBook, *, client: str | None = None) -> list[CoffeeReading]:
    """Every coffee of a lab book, or of one client, read or taken from what was kept.

    Parameters
    ----------
    book : LabBook
        The lab book.
    client : str, optional
        Only the coffees of this client.
    """
    coffees = [(one.client, one.name) for one in book.people.coffees(client=client)]

    def take(content: bytes, key: Key) -> CoffeeReading:
        return unpack_reading(
            content, client=key[0], coffee=key[1], read_whole=lambda: _whole(book, key)
        )

    def read(frame: pd.DataFrame, key: Key) -> CoffeeReading:
        return _reading(book, frame, key)

    marks = book.readings.marks(client=client)
    known = _kept(book, _ACROSS, marks, take=take, read=read, pack=pack_reading, client=client)
    return [known[key] if key in known else not_opened(*key) for key in coffees]


def reading_of(book: LabBook, key: Key, *, is_kept: bool = False) -> CoffeeReading | None:
    """One coffee, read or taken from what was kept; None if no score of it is open.

    Parameters
    ----------
    book : LabBook
        The lab book.
    key : (client, coffee)
        Which coffee.
    is_kept : bool
        Whether it is only taken from what was kept: None if nothing that fits was.
    """
    client, coffee = key
    marks = book.readings.marks(client=client, coffee=coffee)
    made_by = analysis_version()
    contents = book.readings.take(_ACROSS, marks, made_by=made_by, client=client, coffee=coffee)
    if key in contents:
        return unpack_reading(
            contents[key], client=client, coffee=coffee, read_whole=lambda: _whole(book, key)
        )
    if is_kept or key not in marks:
        return None
    reading = _reading(book, _chosen(book, key), key)
    _keep(book, _ACROSS, {key: pack_reading(reading)}, marks)
    return reading


def kept_head_start(
    book: LabBook, key: Key, about: pd.DataFrame, *, brew_method: str
) -> HeadStart | None:
    """What the other coffees of a lab book lend to one, as long as none of them changed.

    Parameters
    ----------
    book : LabBook
        The lab book.
    key : (client, coffee)
        The one.
    about : DataFrame
        What is known of the coffees, by ``client, coffee``.
    brew_method : str
        How it is brewed.
    """
    kind, made_by = f"head start, {brew_method}", analysis_version()
    marks = {one: mark for one, mark in book.readings.marks().items() if one != key}
    told = [sorted(marks.items()), about.to_dict("split")]
    mark = {key: hashlib.sha256(json.dumps(told, default=str).encode()).hexdigest()}
    client, coffee = key
    contents = book.readings.take(kind, mark, made_by=made_by, client=client, coffee=coffee)
    if key in contents:
        return unpack_head_start(contents[key])
    others = _earlier_coffees(book, marks, brew_method)
    start = head_start_from(others, key, about)
    _keep(book, kind, {key: pack_head_start(start)}, mark)
    return start


def sums_of(book: LabBook, *, client: str | None = None) -> list[CoffeeSums]:
    """What each coffee adds to the history of its panel, summed or taken from what was kept.

    Parameters
    ----------
    book : LabBook
        The lab book.
    client : str, optional
        Only the coffees of this client.
    """

    def take(content: bytes, key: Key) -> CoffeeSums:
        return unpack_coffee_sums(content, client=key[0], coffee=key[1])

    def read(frame: pd.DataFrame, key: Key) -> CoffeeSums:
        return coffee_sums(frame, *key)

    marks = book.readings.marks(client=client)
    known = _kept(
        book, "overall, panel", marks, take=take, read=read, pack=pack_coffee_sums, client=client
    )
    return [known[key] for key in sorted(known)]


def _earlier_coffees(
    book: LabBook, marks: Mapping[Key, str], brew_method: str
) -> list[EarlierCoffee]:
    """What each of some coffees has to say to one that comes after it."""

    def take(content: bytes, key: Key) -> EarlierCoffee:
        return unpack_earlier(content, client=key[0], coffee=key[1])

    def read(frame: pd.DataFrame, key: Key) -> EarlierCoffee:
        return earlier_coffee(frame, *key, brew_method=brew_method)

    kind = f"overall, best places, {brew_method}"
    known = _kept(book, kind, marks, take=take, read=read, pack=pack_earlier)
    return [known[key] for key in sorted(known)]


def _kept(
    book: LabBook,
    kind: str,
    marks: Mapping[Key, str],
    *,
    take: Callable[[bytes, Key], T],
    read: Callable[[pd.DataFrame, Key], T],
    pack: Callable[[T], bytes],
    client: str | None = None,
) -> dict[Key, T]:
    """By coffee what is kept and fits; what does not is read, and kept."""
    contents = book.readings.take(kind, marks, made_by=analysis_version(), client=client)
    known = {key: take(content, key) for key, content in contents.items() if key in marks}
    missing = [key for key in marks if key not in known]
    fresh: dict[Key, bytes] = {}
    for place, (key, frame) in enumerate(_frames(book, missing)):
        note_step(place, len(missing))
        known[key] = read(frame, key)
        fresh[key] = pack(known[key])
        if len(fresh) >= KEEP_EVERY:
            _keep(book, kind, fresh, marks)
            fresh = {}
    _keep(book, kind, fresh, marks)
    return known


def _keep(
    book: LabBook, kind: str, contents: Mapping[Key, bytes], marks: Mapping[Key, str]
) -> None:
    try:
        book.readings.keep(kind, contents, marks, made_by=analysis_version())
    except BookError as error:  # what was read is true all the same
        _log.warning("what was read could not be kept: %s", error)


def _frames(book: LabBook, keys: Iterable[Key]) -> Iterable[tuple[Key, pd.DataFrame]]:
    """The scores of each coffee that are read, those of a few coffees in memory at a time."""
    wanted = list(keys)
    for start in range(0, len(wanted), KEEP_EVERY):
        some = wanted[start : start + KEEP_EVERY]
        frame = book.sessions.keep_chosen(book.scores.opened_scores(coffees=some))
        by_key = dict(iter(frame.groupby(["client", "coffee"], sort=False)))
        for key in some:
            yield key, by_key.get(key, frame.iloc[:0])


def _chosen(book: LabBook, key: Key) -> pd.DataFrame:
    client, coffee = key
    return book.sessions.keep_chosen(book.scores.opened_scores(coffee=coffee, client=client))


def _reading(book: LabBook, frame: pd.DataFrame, key: Key) -> CoffeeReading:
    """A coffee's own reading; one of which only words were given has no score to read."""
    readings = read_across(frame).readings
    reading = readings[0] if readings else not_opened(*key)
    return replace(reading, read_whole=lambda: _whole(book, key))


def _whole(book: LabBook, key: Key) -> Whole:
    frame = _chosen(book, key)
    readings = read_across(frame).readings
    return readings[0].read_whole() if readings else Whole(scores=None, surface=None)
