"""A hundred faults in one go: programs, lab book, phones and clocks fail while scores are given.

Run by hand (some 10 s a fault)::

    nice -n 15 python -m tests.benchmarks.hundred_faults --seed 1 --faults 100 [--postgres]

Two or three phones score in bursts, and a lead types scores from paper in a kernel of a real
JupyterLab, while what the seed says fails, alone or two at a time. After each round every score
given must be in the lab book once, with its value, in the order of its page; what was acknowledged
is counted apart; what was refused must have been refused with a sentence. It stops at the first
round after which that does not hold, with what the programs said in the folder that it names.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.conftest import CHROMIUM_FLAGS, find_chromium
from tests.faults.lead import Lead
from tests.faults.room import Room, stepping_clock
from tests.postgresql import a_postgresql_server
from tests.widgets.serving import serving
from tests.widgets.tables import SESSION, lay_table


def say(text: str) -> None:
    """Print at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--faults", type=int, default=100)
    parser.add_argument("--postgres", action="store_true")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="labkit-faults-"))
    with ExitStack() as running:
        clock = running.enter_context(stepping_clock(folder))
        postgresql = running.enter_context(a_postgresql_server()) if asked.postgres else None
        where = folder / "book.db" if postgresql is None else postgresql.url
        lay_table(where)
        place = running.enter_context(serving(where, SESSION, folder))
        lead = Lead(folder / "lead", str(where), SESSION, "Tamsin")
        running.callback(lead.end)
        chromium = running.enter_context(sync_playwright()).chromium.launch(
            executable_path=find_chromium(), args=list(CHROMIUM_FLAGS)
        )
        running.callback(chromium.close)
        room = Room(
            place,
            chromium.new_context,
            ("Ines", "Jonas", "Mirela"),
            clock,
            asked.seed,
            lead=lead,
            postgresql=postgresql,
        )
        say(f"seed {asked.seed}, load {os.getloadavg()[0]:.0f}, in {folder}")
        counts = room.go_through(asked.faults, say)
    if not counts.holds:
        raise SystemExit(f"a score is lost, doubled or out of order: see {folder}")


if __name__ == "__main__":
    main()
