"""What the panel showed over all coffees, for whoever plans with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from labkit.analysis import LIKING, PanelHistory, panel_history_from
from labkit.book import LabBook
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.tasting import SCALES, Scale
from labkit.workflow.kept import sums_of


@checked(ReadingError)
def panel_history(
    book: LabBook,
    tasters: Sequence[str] | None = None,
    *,
    client: str | None = None,
    scale: Scale | None = None,
) -> PanelHistory:
    """Each taster's level, slope and repeat noise over all coffees whose flights are open.

    A description, drawn towards the panel and what is usual, with 90 % intervals; nobody is left
    out by it. Sums of each coffee are kept in the lab book until its scores or decisions change.

    Parameters
    ----------
    book : LabBook
        The lab book.
    tasters : sequence of str, optional
        Whom to tell of, by name; everyone unless given. Others count for what is usual in it.
    client : str, optional
        Only the coffees of this client are read.
    scale : Scale, optional
        In whose points; the scale of most cups unless given. Scores on others count in proportion
        to their width.
    """
    sums = sums_of(book, client=client)
    if scale is None:
        cups: Counter[str] = Counter()
        for one in sums:
            cups[one.scale] += sum(each.cups * len(each.tasters) for each in one.shared)
        known = [name for name, _ in cups.most_common() if name in SCALES]
        scale = SCALES[known[0]] if known else LIKING
    return panel_history_from(sums, tasters=tasters, scale=scale)
