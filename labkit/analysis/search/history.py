"""What was tasted so far, flight by flight, as the search for the next flight sees it."""

from __future__ import annotations

from typing import Final

import pandas as pd

from labkit.analysis.model.scores import Scores
from labkit.boundary import checked
from labkit.errors import ReadingError
from labkit.water import COORDINATES

BEST: Final = tuple(f"best_{name}" for name in COORDINATES)
COLUMNS: Final = ("session", "flight", "cups", "tasters", "scores", "mean", "best_mean", *BEST)


@checked(ReadingError)
def flight_history(scores: Scores) -> pd.DataFrame:
    """One row a flight, in the order of the sessions.

    Parameters
    ----------
    scores : Scores
        Of one attribute, of :func:`labkit.analysis.gather_scores`.

    Returns
    -------
    history : DataFrame
        Columns ``session, flight``; ``cups, tasters, scores``: how many; ``mean``: of the flight's
        scores; ``best_mean``: the highest mean of a water in it, and that water's coordinates,
        ``best_mg_share`` and so on. Means compare within a flight only: days and moods differ.
    """
    frame = scores.frame.assign(_score=scores.score, _place=range(len(scores.score)))
    rows = []
    for (session, flight), tasted in frame.groupby(["session", "flight"], sort=False):
        by_water = tasted.groupby("recipe", sort=False)
        means = by_water["_score"].mean()
        best = int(by_water["_place"].first().loc[str(means.idxmax())])
        rows.append(
            (
                session,
                flight,
                tasted["jug"].nunique(),
                tasted["taster"].nunique(),
                len(tasted),
                float(tasted["_score"].mean()),
                float(means.max()),
                *map(float, scores.waters[best]),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))
