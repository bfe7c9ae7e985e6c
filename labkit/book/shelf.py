"""What stands on the shelf, as the jug needs it: concentrates to mix from, a table to look at."""

from __future__ import annotations

from typing import TYPE_CHECKING

from labkit.book.stock import Stock

if TYPE_CHECKING:
    import pandas as pd

    from labkit.water import Concentrate


class Shelf(Stock):
    """The part of the lab book that hands bottles to the jug."""

    def concentrates(self) -> tuple[Concentrate, ...]:
        """The newest bottle of each salt, by the strength that counts (:attr:`Bottle.counts`)."""
        newest = {bottle.salt: bottle for bottle in reversed(self.bottles())}
        return tuple(bottle.in_use for bottle in newest.values())

    def shelf(self) -> pd.DataFrame:
        """Every bottle on the shelf: what it is, how strong, what is left, until when it keeps."""
        import pandas as pd  # loaded when first used: the tasters' page does without

        rows = []
        for bottle in self.bottles():
            measured = bottle.concentrate_as_measured
            rows.append(
                {
                    "bottle": bottle.name,
                    "salt": bottle.salt,
                    "made_on": bottle.made_on,
                    "weighed_mg_l_caco3_per_ml": _strength(bottle.concentrate),
                    "measured_mg_l_caco3_per_ml": _strength(measured) if measured else None,
                    "counts": bottle.counts,
                    "left_ml": bottle.left_ml,
                    "use_by": bottle.use_by,
                }
            )
        return pd.DataFrame(rows)


def _strength(concentrate: Concentrate) -> float:
    return round(concentrate.strength_mg_l_caco3_per_ml, 4)
