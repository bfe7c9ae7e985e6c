"""Counts by water of a plan's cups, made with the key, as no reader of the plan could."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd


class Counted(NamedTuple):
    """As ``BalanceTables``, of the plan itself."""

    positions: pd.DataFrame
    follows: np.ndarray
    meetings: np.ndarray


def count_by_water(plan, passphrase):
    """How often each water stands where, follows which, and meets which before a taster."""
    key = pd.concat([sealed.open(passphrase).to_frame() for sealed in plan.keys])
    served = plan.servings.merge(
        key[["flight", "blind_code", "water"]], on=["flight", "blind_code"]
    ).sort_values(["flight", "taster", "position"])
    names = sorted(set(served["water"]), key=lambda label: (len(label), label))
    number = {name: i for i, name in enumerate(names)}
    follows = np.zeros((len(names), len(names)), dtype=int)
    meetings = np.zeros_like(follows)
    for _, cups in served.groupby(["flight", "taster"]):
        row = [number[water] for water in cups["water"]]
        np.add.at(follows, (row[:-1], row[1:]), 1)
        here = sorted(set(row))
        meetings[np.ix_(here, here)] += 1
    return Counted(pd.crosstab(served["water"], served["position"]), follows, meetings)
