"""How often is a panel told of a water's own effect where liking follows strength only?

Run in the clone as ``OMP_NUM_THREADS=1 python -m tests.benchmarks.extraction_alarms --panels 200``
(a few minutes). What it printed stands in DEVELOPERS.md. Four tasters score five waters of a ratio
sweep in three flights. Water moves strength: by ``shift`` percentage points from one end of the
sweep to the other. Each bowl (or each cup, where everyone has their own) is besides stronger or
weaker by chance, SD 0.05. Liking rises with strength by 0.6 points for each 0.1 percentage points
(tasters differ in it as in any sensitivity), and by ``own`` points with the water itself. The
refractometer errs with SD ``error``.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
import pandas as pd

from labkit.analysis.model.scores import gather_scores
from labkit.analysis.reading.extraction import ExtractionKind, check_extraction
from labkit.analysis.search.simulate import PanelNoise, SimulatedPanel
from labkit.tasting.scales import Scale

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
SCALE = Scale(
    name="half points 1-9", lowest=1, highest=9, step=0.5, words=((1, "poor"), (9, "excellent"))
)
SLOPE = 6.0
"""Points a percentage point of strength."""

SEED = 20_261_128


def tasted(
    rng: np.random.Generator,
    *,
    shift: float = 0.2,
    own: float = 0.0,
    error: float = 0.0,
    spread: float = 0.05,
    serving: str = "shared bowls",
    n_tasters: int = 4,
    flights: int = 3,
    slope: float = SLOPE,
) -> pd.DataFrame:
    """Scores of one coffee; strength stands in the place of alkalinity while it is tasted."""
    panel = SimulatedPanel.draw(
        [f"T{n + 1}" for n in range(n_tasters)],
        lambda waters: slope * (waters[:, 2] - 1.3) + own * waters[:, 0],
        seed=rng,
        scale=SCALE,
        level=5.5,
        noise=PanelNoise(shift_sd=0.0),
    )
    rows = []
    for flight in range(1, flights + 1):
        bowls = 1.3 + shift * (np.array(SHARES) - 0.5) + rng.normal(0, spread, len(SHARES))
        for number, taster in enumerate(panel.tasters):
            for position, cup in enumerate(rng.permutation(len(SHARES)), start=1):
                strength = bowls[cup]
                if serving == "a cup each":
                    strength = 1.3 + shift * (SHARES[cup] - 0.5) + rng.normal(0, spread)
                code = f"{flight}{number if serving == 'a cup each' else 0}{cup}"
                rows.append(
                    {
                        "flight": flight,
                        "taster": taster.name,
                        "position": position,
                        "blind_code": code,
                        "jug": f"F{flight}J{cup}",
                        "water": f"W{cup + 1}",
                        "mg_share": SHARES[cup],
                        "hardness_mg_l_caco3": 80.0,
                        "alkalinity_mg_l_caco3": strength,
                        "is_control": cup == 2,
                        "serving": serving,
                    }
                )
    frame = panel.taste(pd.DataFrame(rows), seed=rng)
    true = frame["alkalinity_mg_l_caco3"].to_numpy()
    keys = ["flight", "blind_code"]
    off = dict.fromkeys(frame[keys].itertuples(index=False, name=None))
    errors = {key: rng.normal(0, error) for key in off}
    read = true + [errors[key] for key in frame[keys].itertuples(index=False, name=None)]
    return frame.assign(strength_percent=read, alkalinity_mg_l_caco3=20.0)


def told(frame: pd.DataFrame, *, own: float, slope: float = SLOPE) -> dict[str, float]:
    """What is said of one panel, and whether its intervals hold the truth."""
    scores = gather_scores(frame)
    (found,) = check_extraction(scores, rng=np.random.default_rng(1))
    if found.equal is None or found.without is None or found.effect is None:
        return {"told": 0.0}
    low, high = found.effect.interval()
    waters = found.waters[found.waters["recipe"] != found.against]
    truth = own * (waters["mg_share"] - 0.5)
    inside = (waters["lo_equal"] <= truth) & (truth <= waters["hi_equal"])
    return {
        "told": 1.0,
        "own effect": float(found.kind is ExtractionKind.OWN),
        "may be extraction": float(found.kind is ExtractionKind.SHARED),
        "differ without strength": float(found.without.p_value < 0.05),
        "intervals hold the waters": float(inside.all()),
        "interval holds the slope": float(low <= slope / 10 <= high),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=200)
    panels = parser.parse_args().panels
    worlds = {
        "shared bowls": {},
        "shared bowls, water does not move strength": {"shift": 0.0},
        "a cup each": {"serving": "a cup each"},
        "a cup each, refractometer errs by 0.02": {"serving": "a cup each", "error": 0.02},
        "shared bowls, strength of the water alone": {"spread": 0.005},
        "shared bowls, six tasters": {"n_tasters": 6},
        "a cup each, own effect of 1 point": {"serving": "a cup each", "own": 1.0},
    }
    for name, world in worlds.items():
        rng = np.random.default_rng(SEED)
        own = float(world.get("own", 0.0))
        rows = [told(tasted(rng, **world), own=own) for _ in range(panels)]  # type: ignore[arg-type]
        table = pd.DataFrame(rows)
        share = 100 * table.mean()
        sys.stdout.write(
            f"{name}: " + "; ".join(f"{what} {share[what]:.1f} %" for what in table) + "\n"
        )


if __name__ == "__main__":
    main()
