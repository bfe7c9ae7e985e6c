"""Many coffees at once: what each says, one water for several, words and acidity."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from labkit.analysis import (
    ABOUT,
    Across,
    Balance,
    CoffeeReading,
    OneWater,
    Region,
    WordReadings,
    balance_acidity,
    makeable,
    read_words,
    right_questions,
    set_side_by_side,
)
from labkit.analysis import one_water as least_loss
from labkit.book import LabBook
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import SCALES
from labkit.workflow.kept import readings_of

if TYPE_CHECKING:
    import pandas as pd

Key = tuple[str, str]
"""Client and name of a coffee."""


@checked(ReadingError)
def read_all(book: LabBook, *, client: str | None = None) -> Across:
    """Every coffee of a lab book, or of one client, as its own verdict reads it.

    With a client named, nothing of another client is read from the lab book at all. What was read
    of a coffee is kept in the lab book until its scores or decisions change.

    Parameters
    ----------
    book : LabBook
        The lab book.
    client : str, optional
        Only the coffees of this client.
    """
    import pandas as pd

    facts = [
        {"client": one.client, "coffee": one.name, **{name: getattr(one, name) for name in ABOUT}}
        for one in book.people.coffees(client=client)
    ]
    about = pd.DataFrame(facts, columns=["client", "coffee", *ABOUT])
    return set_side_by_side(readings_of(book, client=client), about)


@checked(ReadingError)
def one_water(
    book: LabBook,
    coffees: Sequence[CoffeeReading] | None = None,
    *,
    client: str | None = None,
    sold: Mapping[Key, float] | None = None,
    region: Region | None = None,
) -> OneWater:
    """The water that costs several coffees least.

    Parameters
    ----------
    book : LabBook
        Whose bottles say which waters can be made.
    coffees : sequence of CoffeeReading, optional
        Of :func:`read_all`; all coffees of the lab book, or of the client, unless given.
    client : str, optional
        Whose coffees.
    sold : mapping of (client, coffee) to float, optional
        How much of each is sold; alike unless given.
    region : Region, optional
        Waters that can be made; those of the bottles on the shelf unless given.

    Raises
    ------
    ReadingError
        If no coffee can be told, or none reaches a water that can be made.
    """
    if coffees is None:
        coffees = read_all(book, client=client).readings
    if not coffees:
        raise ReadingError(
            "coffees must be at least one, got none. Choose those of the tank.", field="coffees"
        )
    if region is None:
        region = Region(allowed=makeable(book.stock.concentrates()))
    return least_loss(coffees, region, sold=sold)


@checked(ReadingError)
def words_of(
    book: LabBook, coffees: Iterable[Key], sayings: pd.DataFrame, *, client: str | None = None
) -> WordReadings:
    """What the words checked on some coffees have to do with the minerals.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffees : iterable of Key
        Client and name of each coffee.
    sayings : DataFrame
        The words that were checked, one row a cup and taster.
    client : str, optional
        Only the coffees of this client.
    """
    frame = _of(book.scores.opened_words(client=client), coffees)
    return read_words(book.sessions.keep_chosen(frame), sayings)


@checked(ReadingError)
def asked_for_acidity(
    book: LabBook, coffees: Iterable[Key], *, client: str | None = None
) -> tuple[Key, ...]:
    """Those of some coffees whose acidity was asked for on a just-about-right scale.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffees : iterable of Key
        Client and name of each coffee.
    client : str, optional
        Only the coffees of this client.
    """
    # Of the book's scores only these few are fetched: all of ten years are 300 MB.
    middle = [name for name, scale in SCALES.items() if scale.middle_is_best]
    scores = _of(book.scores.opened_scores(client=client, scales=middle), coffees)
    asked = scores[scores["attribute"].isin(right_questions(scores))]
    return tuple(sorted(set(zip(asked["client"], asked["coffee"], strict=True))))


@checked(ReadingError)
def acidity_of(book: LabBook, coffee: str, *, client: str | None = None) -> Balance:
    """At which alkalinity a coffee's acidity is neither too sharp nor too flat.

    Parameters
    ----------
    book : LabBook
        The lab book.
    coffee : str
        Which coffee.
    client : str, optional
        Whose coffee it is; needed where two clients have one of that name.
    """
    about = book.people.coffee(coffee, client=client)
    scores = book.scores.opened_scores(coffee=about.name, client=about.client)
    return balance_acidity(book.sessions.keep_chosen(scores))


def _of(frame: pd.DataFrame, coffees: Iterable[Key]) -> pd.DataFrame:
    return frame[frame.set_index(["client", "coffee"]).index.isin(list(coffees))]
