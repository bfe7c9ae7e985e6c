"""How fast the water tables are: ``python tests/benchmarks/water_speed.py``.

Composition and dosing of 10 000 waters shall take under 0.5 s; the full chemistry of 1 000 (pH as
mixed and in air, calcite saturation at three temperatures, conductivity) shall be at least 5 times
faster than PHREEQC (Python package phreeqc 1.1.1) called once a water in the same run. Processor
time is counted, so that other work on the machine does not blur the ratio. Ends with status 1 if
missed.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

from labkit.water import Concentrate, WaterTable, dose_table, salt  # noqa: E402
from tests.water.engine import Engine  # noqa: E402

MOST_SECONDS = 0.5
LEAST_RATIO = 5.0
REPEATS = 5


def seconds(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median processor time of some work (s), after one run to warm up."""
    work()
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return float(np.median(taken))


def main() -> int:
    """Measure, print, and judge."""
    rng = np.random.default_rng(7)
    bottles = [
        Concentrate.of_strength(salt=salt(formula))
        for formula in ("CaCl2·2H2O", "MgSO4·7H2O", "KHCO3")
    ]
    n = 10_000
    targets = np.column_stack([rng.random(n), rng.uniform(0, 400, n), rng.uniform(0, 250, n)])

    def compose() -> WaterTable:
        table = dose_table(targets, bottles).reached
        table.composition()
        return table

    dosing = seconds(compose)
    waters = WaterTable(ions_mmol_l=compose().ions_mmol_l[:1000])
    ours = seconds(waters.chemistry)

    engine = Engine("1982")
    theirs = seconds(lambda: [engine.chemistry(ions) for ions in waters.ions_mmol_l], repeats=1)
    ratio = theirs / ours
    lines = (
        f"composition and dosing of 10 000 waters: {dosing:.3f} s (at most {MOST_SECONDS} s)",
        f"full chemistry of 1 000 waters: labkit {ours:.3f} s, PHREEQC {theirs:.3f} s",
        f"ratio: {ratio:.1f} (at least {LEAST_RATIO:.0f})",
    )
    sys.stdout.write("\n".join(lines) + "\n")
    return int(dosing > MOST_SECONDS or ratio < LEAST_RATIO)


if __name__ == "__main__":
    sys.exit(main())
