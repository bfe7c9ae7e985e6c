"""Are planted slips named? ``python tests/benchmarks/planted_slips.py [jugs]``.

1,500 jugs, as many with one slip as with two, on pure and on blended water, read with a real meter
and no, one or two drop tests. The slip that was made shall be first or among the equals in 95 of
100, and another be called the only one in at most one of 100. Ends with status 1 if missed.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

from tests.water.planted import plant  # noqa: E402


def main(jugs: int) -> int:
    """Plant, ask, count by number of slips, base and readings."""
    rng = np.random.default_rng(14)
    counts: Counter[tuple[str, str]] = Counter()
    for number in range(jugs):
        slips, blended = 1 + number % 2, number % 4 >= 2
        jug = plant(rng, slips, blended=blended)
        found = jug.check()
        kind = f"{slips} slip{'s' if slips == 2 else ''}, {'blend' if blended else 'pure'}"
        for group in (kind, f"{len(jug.checks)} readings, {slips}", "all"):
            counts[group, "jugs"] += 1
            counts[group, "named"] += jug.is_named(found)
            counts[group, "sure"] += found.is_sure
            counts[group, "falsely sure"] += jug.is_falsely_sure(found)
            counts[group, "equals"] += len(found.explanations)
    for group in sorted({group for group, _ in counts}):
        n = counts[group, "jugs"]
        sys.stdout.write(
            f"{group:22} {n:5} jugs, named {100 * counts[group, 'named'] / n:5.1f} %, "
            f"sure {100 * counts[group, 'sure'] / n:5.1f} %, "
            f"falsely sure {100 * counts[group, 'falsely sure'] / n:4.1f} %, "
            f"equals {counts[group, 'equals'] / n:6.1f}\n"
        )
    n = counts["all", "jugs"]
    return int(counts["all", "named"] < 0.95 * n or counts["all", "falsely sure"] > 0.01 * n)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1500))
