"""How long a lab book of twenty coffees and five thousand scores takes to show them side by side.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.across_speed

builds the book in a temporary folder first (a minute or two: 140 keys are sealed and opened), then
times each step from the lab book to the picture, the libraries being loaded.
"""

from __future__ import annotations

import datetime as dt
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from labkit.analysis.across.coffees import read_across
from labkit.analysis.across.shared_tank import one_water
from labkit.analysis.region import Region
from labkit.analysis.search.simulate import PlantedPeak, SimulatedPanel
from labkit.bench import across_picture
from labkit.book import Attribute, LabBook
from labkit.tasting import SCALES
from labkit.water import Target
from labkit.workflow import record_scores
from tests.tasted import PASSPHRASE, begin, lock_and_open

COFFEES, FLIGHTS, CUPS = 20, 7, 6
TASTERS = ("Ana", "Bo", "Cy", "Di", "Efe", "Fia")
DAY = dt.date(2026, 3, 2)
WATERS = [
    Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)
    for share, hardness, alkalinity in np.random.default_rng(1)
    .permutation(
        [(m, h, a) for m in (0.1, 0.5, 0.9) for h in (60, 110, 160) for a in (15, 35, 55)]
    )[:15]
    .tolist()
]


def build(book: LabBook) -> None:
    """Fill a book: a session a coffee, six tasters, seven flights of six cups."""
    rng = np.random.default_rng(2)
    for number in range(COFFEES):
        plan = begin(
            book,
            f"session {number}",
            client=f"client {number % 4}",
            coffee=f"coffee {number}",
            targets=WATERS,
            tasters=TASTERS,
            planning={"cups_per_flight": CUPS, "flights": FLIGHTS, "served_on": DAY},
            seed=number,
            attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
            tasted_on=DAY,
        )
        contents = pd.concat([key.open(PASSPHRASE).to_frame() for key in plan.keys])
        served = plan.servings.merge(contents, on=["flight", "blind_code"], how="left")
        peak = PlantedPeak(best=tuple(rng.uniform((0.1, 60, 15), (0.9, 160, 55))))
        scores = SimulatedPanel.draw(TASTERS, peak, seed=rng).taste(served, seed=rng)
        given = scores[["flight", "taster", "blind_code", "score"]].assign(attribute="overall")
        record_scores(book, plan.session, given)
        lock_and_open(book, plan)


def main() -> None:
    """Build, then time."""
    with tempfile.TemporaryDirectory() as folder, LabBook(Path(folder) / "book.db") as book:
        build(book)
        read_across(book.scores.opened_scores(coffee="coffee 0"))
        across_picture(read_across(book.scores.opened_scores(coffee="coffee 0")))
        clock = [(time.perf_counter(), time.process_time())]

        def lap() -> None:
            clock.append((time.perf_counter(), time.process_time()))

        frame = book.scores.opened_scores()
        lap()
        across = read_across(frame)
        lap()
        across_picture(across)
        lap()
        one_water(across.readings, Region())
        lap()
        read_across(book.scores.opened_scores())
        lap()
    steps = ("scores from the lab book", "reading", "picture", "one water for all", "read again")
    lines = [f"{len(frame)} scores of {len(across.readings)} coffees; seconds (of processor)"]
    lines += [
        f"{step:26s} {after[0] - before[0]:5.2f} ({after[1] - before[1]:.2f})"
        for step, before, after in zip(steps, clock, clock[1:], strict=False)
    ]
    whole = clock[3][0] - clock[0][0], clock[3][1] - clock[0][1]
    lines.append(f"{'book to picture':26s} {whole[0]:5.2f} ({whole[1]:.2f}); wanted: about 2")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
