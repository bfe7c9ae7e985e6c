"""How often is a panel told that salts matter, where they do and where they do not?

Run in the clone as ``OMP_NUM_THREADS=1 python -m tests.benchmarks.salt_alarms --panels 200`` (a
few minutes). What it printed stands in DEVELOPERS.md. Tasters score waters from chloride to sulfate
in ``flights`` flights, by shared bowls. Liking falls by ``effect`` points along the share (tasters
differ in it as in any sensitivity, and by ``taster_slope``, SD, of their own).
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
import pandas as pd

from labkit.analysis.model.scores import gather_both
from labkit.analysis.reading.salts import SaltsReading, read_salts
from labkit.analysis.reading.verdict import VerdictKind
from labkit.analysis.search.simulate import SimulatedPanel
from labkit.tasting.scales import Scale

SCALE = Scale(
    name="half points 1-9", lowest=1, highest=9, step=0.5, words=((1, "poor"), (9, "excellent"))
)
SEED = 20_261_128


def tasted(
    rng: np.random.Generator,
    *,
    shares: tuple[float, ...] = (0.0, 0.5, 1.0),
    effect: float = 0.0,
    taster_slope: float = 0.5,
    n_tasters: int = 4,
    flights: int = 2,
    session: str = "salts",
) -> pd.DataFrame:
    """Scores of one coffee; the share stands in the place of the Mg share while it is tasted."""
    own = rng.normal(0, taster_slope, n_tasters)
    panels = [
        SimulatedPanel.draw(
            [f"T{n + 1}"],
            lambda waters, slope=slope: (slope - effect) * (waters[:, 0] - 0.5),
            seed=rng,
            scale=SCALE,
            level=5.5,
        )
        for n, slope in enumerate(own)
    ]
    jugs = rng.normal(0, 0.15, (flights, len(shares)))  # a bowl's slips are everybody's
    rows = []
    for flight in range(1, flights + 1):
        for panel in panels:
            cups = pd.DataFrame(
                [
                    {
                        "session": session,
                        "flight": flight,
                        "taster": panel.tasters[0].name,
                        "position": position,
                        "jug": f"{session}{flight}J{cup}",
                        "water": f"{session}W{cup + 1}",
                        "mg_share": shares[cup],
                        "hardness_mg_l_caco3": 80.0,
                        "alkalinity_mg_l_caco3": 40.0,
                        "is_control": cup == 1,
                    }
                    for position, cup in enumerate(rng.permutation(len(shares)), start=1)
                ]
            )
            scored = panel.taste(cups, seed=rng)
            place = [shares.index(one) for one in scored["mg_share"]]
            rows.append(scored.assign(score=scored["score"] + jugs[flight - 1, place]))
    frame = pd.concat(rows, ignore_index=True)
    score = (2 * frame["score"]).round() / 2
    return frame.assign(
        score=score.clip(SCALE.lowest, SCALE.highest),
        sulfate_share=frame["mg_share"],
        mg_share=0.5,
    )


def read(frame: pd.DataFrame) -> SaltsReading:
    """What is read of one such panel."""
    _, scores = gather_both(frame)
    if scores is None:
        raise ValueError("no flight of this frame compares salts")
    (found,) = read_salts(scores, rng=np.random.default_rng(1))
    return found


def told(frame: pd.DataFrame, *, effect: float) -> dict[str, float]:
    """What is said of one panel, and whether its intervals hold the truth."""
    found = read(frame)
    if found.kind is VerdictKind.UNKNOWN:
        return {"told": 0.0}
    truth = -effect * (found.pairs["level"] - found.pairs["other_level"])
    inside = (found.pairs["lo"] <= truth) & (truth <= found.pairs["hi"])
    is_told = found.kind is VerdictKind.FOUND
    return {
        "told": 1.0,
        "salts matter": float(is_told),
        "best is right": float(is_told and found.best == found.levels["level"].min()),
        "pairs told apart": float((found.pairs["p"] < 0.05).any()),
        "intervals hold all pairs": float(inside.all()),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--panels", type=int, default=200)
    panels = parser.parse_args().panels
    five = (0.0, 0.25, 0.5, 0.75, 1.0)
    worlds = {
        "three waters, no effect": {},
        "three waters, one flight, no effect": {"flights": 1},
        "five waters, no effect": {"shares": five},
        "five waters, no effect, tasters alike": {"shares": five, "taster_slope": 0.0},
        "two waters, no effect": {"shares": (0.0, 1.0)},
        "three waters, 1.5 points": {"effect": 1.5},
        "five waters, 1.5 points": {"shares": five, "effect": 1.5},
        "five waters, 1.5 points, eight tasters": {
            "shares": five,
            "effect": 1.5,
            "n_tasters": 8,
        },
    }
    for name, world in worlds.items():
        rng = np.random.default_rng(SEED)
        effect = float(world.get("effect", 0.0))
        rows = [told(tasted(rng, **world), effect=effect) for _ in range(panels)]  # type: ignore[arg-type]
        table = pd.DataFrame(rows)
        share = 100 * table.mean()
        sys.stdout.write(
            f"{name}: " + "; ".join(f"{what} {share[what]:.1f} %" for what in table) + "\n"
        )
        sys.stdout.flush()


if __name__ == "__main__":
    main()
