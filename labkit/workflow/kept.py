"""What was read of each coffee, taken from the lab book as long as its scores are the same.

Only what has changed is read, and kept for the next time: for anybody who opens the book.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Final, TypeVar

from labkit.analysis import (
    CoffeeReading,
    EarlierCoffee,
    Whole,
    analysis_version,
    earlier_coffee,
    not_opened,
    pack_earlier,
    pack_reading,
    read_across,
    unpack_earlier,
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

KEEP_EVERY: Final = 20
"""Coffees after which what was read is kept: who stops waiting loses no more."""

MOST_ONE_BY_ONE: Final = 20
"""Coffees up to which the scores of each are asked for by themselves."""


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
        return replace(_reading(frame), read_whole=lambda: _whole(book, key))

    known = _kept(book, "overall, across", client, take=take, read=read, pack=pack_reading)
    return [known[key] if key in known else not_opened(*key) for key in coffees]


def earlier_coffees(book: LabBook, *, but: Key, brew_method: str) -> list[EarlierCoffee]:
    """What the other coffees of a lab book have to say to one.

    Parameters
    ----------
    book : LabBook
        The lab book.
    but : (client, coffee)
        The one.
    brew_method : str
        How it is brewed.
    """

    def take(content: bytes, key: Key) -> EarlierCoffee:
        return unpack_earlier(content, client=key[0], coffee=key[1])

    def read(frame: pd.DataFrame, key: Key) -> EarlierCoffee:
        return earlier_coffee(frame, *key, brew_method=brew_method)

    kind = f"overall, best places, {brew_method}"
    known = _kept(book, kind, None, take=take, read=read, pack=pack_earlier, but=but)
    return [known[key] for key in sorted(known)]


def _kept(
    book: LabBook,
    kind: str,
    client: str | None,
    *,
    take: Callable[[bytes, Key], T],
    read: Callable[[pd.DataFrame, Key], T],
    pack: Callable[[T], bytes],
    but: Key | None = None,
) -> dict[Key, T]:
    """By coffee what is kept and fits; what does not is read, and kept."""
    marks = book.readings.marks(client=client)
    marks = {key: mark for key, mark in marks.items() if key != but}
    contents = book.readings.take(kind, marks, made_by=analysis_version(), client=client)
    known = {key: take(content, key) for key, content in contents.items() if key in marks}
    missing = [key for key in marks if key not in known]
    fresh: dict[Key, bytes] = {}
    for place, (key, frame) in enumerate(_frames(book, missing, client)):
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


def _frames(
    book: LabBook, keys: Iterable[Key], client: str | None
) -> Iterable[tuple[Key, pd.DataFrame]]:
    """The scores of each coffee that are read, as few of others loaded as may be."""
    wanted = list(keys)
    if len(wanted) <= MOST_ONE_BY_ONE:
        for key in wanted:
            yield key, _chosen(book, key)
        return
    frame = book.sessions.keep_chosen(book.scores.opened_scores(client=client))
    by_key = dict(iter(frame.groupby(["client", "coffee"], sort=True)))
    for key in wanted:
        yield key, by_key[key] if key in by_key else _chosen(book, key)


def _chosen(book: LabBook, key: Key) -> pd.DataFrame:
    client, coffee = key
    return book.sessions.keep_chosen(book.scores.opened_scores(coffee=coffee, client=client))


def _reading(frame: pd.DataFrame) -> CoffeeReading:
    (reading,) = read_across(frame).readings
    return reading


def _whole(book: LabBook, key: Key) -> Whole:
    return _reading(_chosen(book, key)).read_whole()
