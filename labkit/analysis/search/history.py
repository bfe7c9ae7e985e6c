"""What was tasted so far, flight by flight, as the search for the next flight sees it."""

from __future__ import annotations

import pandas as pd

from labkit.analysis.model.scores import Scores
from labkit.analysis.region import water_target

COLUMNS = ("session", "flight", "cups", "tasters", "scores", "mean", "best_water", "best_mean")


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
        scores; ``best_water, best_mean``: the water with the highest mean in it, in words, and
        that mean. Means compare within a flight only: days and moods differ.
    """
    frame = scores.frame.assign(
        _score=scores.score, _water=[water_target(water).text for water in scores.waters]
    )
    rows = []
    for (session, flight), tasted in frame.groupby(["session", "flight"], sort=False):
        means = tasted.groupby("_water", sort=False)["_score"].mean()
        rows.append(
            (
                session,
                flight,
                tasted["jug"].nunique(),
                tasted["taster"].nunique(),
                len(tasted),
                float(tasted["_score"].mean()),
                str(means.idxmax()),
                float(means.max()),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))
