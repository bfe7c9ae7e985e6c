"""Bad calls of every public function: ``python -m tests.benchmarks.fuzz_public --examples N``.

Each example takes a public callable, a good call of it, and one or two of its arguments replaced by
something bad. Counts what came of it: an answer, a sentence, or what must not be. ``--only TEXT``
looks at the callables whose name holds it, ``--seed S`` draws others, ``--list`` prints all that
must not be (else one a place), ``--everyday`` the names of labkit itself and the verbs alone. Ends
with status 1 if anything must not be.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Callable

from hypothesis import HealthCheck, Phase, given, seed, settings


def main(arguments: list[str] | None = None) -> int:
    """Draw bad calls, judge them, count."""
    parser = argparse.ArgumentParser(prog="fuzz_public")
    parser.add_argument("--examples", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--everyday", action="store_true")
    asked = parser.parse_args(arguments)
    os.environ["LABKIT_DATA"] = tempfile.mkdtemp(prefix="labkit-fuzz-data-")
    os.environ["MPLBACKEND"] = "agg"

    from labkit.tasting import seal
    from tests.fuzz.calls import lacks
    from tests.fuzz.drawing import bad_calls, everything, is_everyday
    from tests.fuzz.judging import FINE, Outcome

    seal.SCRYPT_LOG2_N = 1
    unknown = sorted(one.name for one in everything() if lacks(one))
    sys.stdout.write(f"no good call known of: {', '.join(unknown) or 'none'}\n")
    counts: Counter[str] = Counter()
    wrong: dict[str, list[Outcome]] = {}

    def chosen(name: str) -> bool:
        return asked.only in name and (not asked.everyday or is_everyday(name))

    @seed(asked.seed)
    @settings(
        max_examples=asked.examples,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(bad_calls(chosen))
    def look(outcome: Callable[[], Outcome]) -> None:
        found = outcome()
        counts[found.kind] += 1
        if found.kind not in FINE:
            place = f"{found.kind} {found.call.split('(')[0]} {found.where}"
            wrong.setdefault(place, []).append(found)
            sys.stderr.write(f"{found}\n")

    look()
    for found in wrong.values():
        for one in found if asked.list else found[:1]:
            sys.stdout.write(f"{len(found):4d} x {one}\n")
    total = sum(counts.values())
    for kind, number in counts.most_common():
        sys.stdout.write(f"{number:6d}  {100 * number / total:5.1f} %  {kind}\n")
    return int(bool(wrong))


if __name__ == "__main__":
    raise SystemExit(main())
