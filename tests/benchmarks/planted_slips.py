"""Are planted slips named? ``python tests/benchmarks/planted_slips.py [jugs]``.

1,500 jugs, as many with one slip as with two, on pure and on blended water, read with a real meter
and no, one or two drop tests. The slip that was made shall be first or among the equals in 95 of
100, and another be called the only one in at most one of 100. Then as many jugs with two slips in
one of twenty, as the odds take it: of the likeliest waters, those said to be right with some odds
shall be right as often, by fifths and by readings, within two standard errors or .05. Ends with
status 1 if missed.
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
    missed = counts["all", "named"] < 0.95 * n or counts["all", "falsely sure"] > 0.01 * n
    return int(missed or not odds_are_kept(jugs))


def odds_are_kept(jugs: int) -> bool:
    """Say and compare how often the likeliest water is right."""
    rng = np.random.default_rng(29)
    groups: dict[str, list[tuple[float, bool]]] = {}
    for number in range(jugs):
        slips = 2 if number % 20 == 19 else 1
        jug = plant(rng, slips, blended=number % 4 >= 2)
        water, odds = jug.likeliest(jug.check())
        right = jug.is_(water)
        for group in (f"said {int(5 * odds - 1e-9) / 5:.1f} up", f"{len(jug.checks)} read", "all"):
            groups.setdefault(group, []).append((odds, right))
    kept = True
    for group, both in sorted(groups.items()):
        said, right = np.mean(both, axis=0)
        error = max(np.sqrt(right * (1 - right) / len(both)), 1 / len(both))
        kept &= bool(abs(said - right) <= max(2 * error, 0.05))
        sys.stdout.write(
            f"{group:12} {len(both):5} jugs, said {said:.2f}, right {right:.2f} ± {error:.2f}\n"
        )
    return kept


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1500))
