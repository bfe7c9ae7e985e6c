"""Remakes the locks from pyproject.toml, and the table of wheels that the tests check them by.

Run ``python -m tests.setup.relock`` in an environment that has ``uv``, ``pip`` and ``packaging``;
it asks the package index that pip and uv are set up for, and writes no host down. ``--wheels``
remakes only the table.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tempfile
from pathlib import Path

from labkit.setup.layout import RUN_LOCK, TEST_LOCK
from tests.setup.platforms import PATCH, PYTHONS, SYSTEMS, Pin, System, read_lock

PROJECT = Path(__file__).resolve().parents[2]
WHEELS = Path(__file__).with_name("wheels.csv")


def compile_lock(target: Path, *options: str) -> None:
    """Write a lock that fits every system from Python 3.11 on."""
    command = ["uv", "pip", "compile", "--universal", "--generate-hashes", "--no-emit-index-url"]
    command += ["--no-header", "--no-annotate", "--python-version", "3.11", "--quiet"]
    command += [*options, "--output-file", str(target), "pyproject.toml"]
    subprocess.run(command, cwd=PROJECT, check=True, stdout=subprocess.DEVNULL)


def relock() -> None:
    """Remake both locks; the second one holds only what the tests need on top."""
    run, test = PROJECT / RUN_LOCK, PROJECT / TEST_LOCK
    compile_lock(run)
    with tempfile.TemporaryDirectory() as folder:
        both = Path(folder) / "both"
        both.write_text(run.read_text() + test.read_text())  # uv keeps the versions it finds there
        compile_lock(both, "--extra", "test", "--constraint", str(run))
        known = set(entries(run.read_text()))
        test.write_text("".join(entry for entry in entries(both.read_text()) if entry not in known))


def entries(lock: str) -> list[str]:
    """The lock's text, cut before each package."""
    cut: list[str] = []
    for line in lock.splitlines(keepends=True):
        if line.startswith(" "):
            cut[-1] += line
        else:
            cut.append(line)
    return cut


def wheels_for(pins: list[Pin], system: System, python: tuple[int, int]) -> dict[str, str]:
    """The wheel that pip would take for each package there, and its hash."""
    with tempfile.TemporaryDirectory() as folder:
        wanted, report = Path(folder) / "wanted.txt", Path(folder) / "report.json"
        # pip judges markers by the machine it runs on, so they are judged here instead.
        wanted.write_text(
            "".join(
                f"{pin.name}=={pin.version} "
                + " ".join(f"--hash=sha256:{mark}" for mark in sorted(pin.sha256))
                + "\n"
                for pin in pins
                if pin.needed(system, python)
            )
        )
        command = [sys.executable, "-m", "pip", "install", "--dry-run", "--ignore-installed"]
        command += ["--quiet", "--no-deps", "--require-hashes", "--only-binary", ":all:"]
        command += ["--target", folder, "--implementation", "cp", "--report", str(report)]
        command += ["--python-version", f"{python[0]}.{python[1]}.{PATCH}", "-r", str(wanted)]
        for platform in system.platforms:
            command += ["--platform", platform]
        subprocess.run(command, check=True)
        found = json.loads(report.read_text())["install"]
    return {
        entry["download_info"]["url"].rpartition("/")[2]: entry["download_info"]["archive_info"][
            "hashes"
        ]["sha256"]
        for entry in found
    }


def list_wheels() -> None:
    """Write down, for each system and Python, which file each package comes in."""
    pins = [*read_lock(PROJECT / RUN_LOCK), *read_lock(PROJECT / TEST_LOCK)]
    wheels: dict[str, str] = {}
    for system in SYSTEMS:
        for python in PYTHONS:
            wheels |= wheels_for(pins, system, python)
    with WHEELS.open("w", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["wheel", "sha256"])
        table.writerows(sorted(wheels.items(), key=lambda row: row[0].lower()))


if __name__ == "__main__":
    if "--wheels" not in sys.argv[1:]:
        relock()
    list_wheels()
