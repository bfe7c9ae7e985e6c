"""How fast the water tables are: ``python tests/benchmarks/water_speed.py``.

Composition of 10 000 waters shall take under 0.5 s; the full chemistry of 1 000 (pH as
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

from labkit.water import WaterTable, salt  # noqa: E402
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
    formulas = ("CaCl2·2H2O", "MgSO4·7H2O", "KHCO3")
    salts_mmol_l = rng.uniform(0, 4, (10_000, len(formulas)))
    ions_mmol_l = salts_mmol_l @ np.array([salt(formula).vector for formula in formulas])

    composing = seconds(lambda: WaterTable(ions_mmol_l=ions_mmol_l).composition())
    waters = WaterTable(ions_mmol_l=ions_mmol_l[:1000])
    ours = seconds(waters.chemistry)

    engine = Engine("1982")
    theirs = seconds(lambda: [engine.chemistry(ions) for ions in waters.ions_mmol_l], repeats=1)
    ratio = theirs / ours
    lines = (
        f"composition of 10 000 waters: {composing:.3f} s (at most {MOST_SECONDS} s)",
        f"full chemistry of 1 000 waters: labkit {ours:.3f} s, PHREEQC {theirs:.3f} s",
        f"ratio: {ratio:.1f} (at least {LEAST_RATIO:.0f})",
    )
    sys.stdout.write("\n".join(lines) + "\n")
    return int(composing > MOST_SECONDS or ratio < LEAST_RATIO)


if __name__ == "__main__":
    sys.exit(main())
