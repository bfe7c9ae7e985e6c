"""What stands on the shelf, as the jug needs it: concentrates to mix from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from labkit.book.stock.stock import Stock

if TYPE_CHECKING:
    from labkit.water import Concentrate


class Shelf(Stock):
    """The part of the lab book that hands bottles to the jug."""

    def concentrates(self) -> tuple[Concentrate, ...]:
        """The newest bottle of each salt, by the strength that counts (:attr:`Bottle.counts`)."""
        newest = {bottle.salt: bottle for bottle in reversed(self.bottles())}
        return tuple(bottle.in_use for bottle in newest.values())
