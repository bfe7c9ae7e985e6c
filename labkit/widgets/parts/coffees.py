"""The coffees of a lab book as forms need them: for a chooser, and what is known of each."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labkit.analysis import VerdictKind, read_coffee
from labkit.book import LabBook, keep_chosen
from labkit.errors import ReadingError


def coffee_choices(book: LabBook) -> list[tuple[str, tuple[str, str]]]:
    """What a chooser shows, with client and name of each coffee."""
    return [(f"{c.name} ({c.client})", (c.client, c.name)) for c in book.coffees()]


def best_levels(book: LabBook) -> Callable[[str, str], Mapping[str, float]]:
    """A function that gives, for client and coffee, the levels that its scores call best.

    Empty while nothing was tasted or this panel could see no difference.
    """

    def best_of(client: str, coffee: str) -> dict[str, float]:
        try:
            scores = book.opened_scores(coffee=coffee, client=client)
            reading = read_coffee(keep_chosen(book, scores), "overall")
        except ReadingError:
            return {}
        if reading.best is None or reading.verdict.kind is not VerdictKind.FOUND:
            return {}
        ranges = reading.best.ranges
        best = zip(ranges["factor"], ranges["best"].astype(float), strict=True)
        return {str(factor): round(level, 3) for factor, level in best}

    return best_of
