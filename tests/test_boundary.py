"""What users hand over is refused where they call, in one sentence that names it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import pytest

from labkit.boundary import checked
from labkit.errors import PlanError
from labkit.tasting import ratio_sweep
from labkit.water import Target

WATER = Target(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)


@checked(PlanError)
def plan(
    waters: Sequence[Target] = (),
    tasters: str | Sequence[str] = (),
    *,
    volume_ml: float = float("inf"),
    cups: int | None = None,
    names: Iterable[str] = (),
    on: date | None = None,
    at: datetime | None = None,
    control: Literal["middle", "none"] = "middle",
    levels: Mapping[str, float] | None = None,
    scores: pd.DataFrame | None = None,
    where: Path | None = None,
    alone: bool = False,
    seed: int | np.random.Generator | None = None,
) -> str:
    return "planned"


@pytest.mark.parametrize(
    "right",
    [
        {"waters": [WATER], "tasters": "Ines", "cups": np.int64(3), "volume_ml": np.float64(2)},
        {"waters": np.array([WATER]), "tasters": pd.Series(["Ines"]), "volume_ml": 3},
        {"names": iter(["Ines"]), "on": date(2026, 11, 28), "at": datetime(2026, 11, 28, 9)},
        {"levels": {"mg_share": 0.5}, "scores": pd.DataFrame(), "where": "x", "seed": 3},
        {"alone": np.True_, "seed": np.random.default_rng(1), "control": "none"},
        {"volume_ml": float("inf"), "cups": None},  # what is there if nothing is said
    ],
)
def test_what_fits_passes(right):
    assert plan(**right) == "planned"


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"waters": ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)}, "its targets"),
        ({"waters": [WATER, None]}, "None"),
        ({"waters": {WATER}}, "list of Target"),  # in which order?
        ({"tasters": ["Ines", 3]}, "3"),
        ({"names": "Ines"}, "square brackets"),
        ({"volume_ml": "2,0"}, "without quotes"),
        ({"volume_ml": float("nan")}, "nan"),
        ({"volume_ml": 1e308}, "beyond"),
        ({"volume_ml": 10**400}, "beyond"),
        ({"volume_ml": True}, "True"),
        ({"cups": 2.5}, "whole number"),
        ({"cups": "3"}, "without quotes"),
        ({"on": "2026-11-28"}, r"datetime\.date"),
        ({"on": datetime(2026, 11, 28, 9)}, r"\.date\(\)"),
        ({"on": pd.NaT}, "NaT"),
        ({"at": pd.NaT}, "NaT"),
        ({"control": "none "}, "'middle' or 'none'"),
        ({"levels": {"mg_share": "half"}}, "mg_share"),
        ({"levels": [1]}, "mapping"),
        ({"scores": pd.DataFrame([[1, 2]], columns=["a", "a"])}, "twice"),
        ({"scores": [[1]]}, "DataFrame"),
        ({"tasters": "Ines\0"}, "cannot be stored"),
        ({"tasters": "\ud800"}, "cannot be stored"),
        ({"where": 3}, "path"),
        ({"alone": "no"}, "True or False"),
        ({"seed": -1}, "whole number"),
        ({"seed": 0.5}, "Generator"),
    ],
)
def test_what_does_not_fit_is_named_with_what_would_be_right(wrong, told):
    (name,) = wrong
    with pytest.raises(PlanError, match=rf"(?s)^{name} must be .*{told}") as refused:
        plan(**wrong)
    assert refused.value.field == name
    assert len(str(refused.value)) < 300


def test_a_wrong_value_whose_own_words_fail_is_named_by_its_type():
    class Broken:
        def __repr__(self):
            raise RuntimeError

    with pytest.raises(PlanError, match="got a Broken"):
        plan(volume_ml=Broken())
