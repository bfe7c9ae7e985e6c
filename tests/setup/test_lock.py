"""The locks fit pyproject.toml and every system that the README promises.

wheels.csv names the file of each package for each system; ``python -m tests.setup.relock`` asked
the package index for it. So the tags of real wheels are checked here, offline; installing was
tried on Linux x86-64 only.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name, parse_wheel_filename

from labkit.setup.layout import RUN_LOCK, TEST_LOCK
from tests.project import PROJECT
from tests.setup.platforms import PYTHONS, SYSTEMS, read_lock

RUN = list(read_lock(PROJECT / RUN_LOCK))
TEST = list(read_lock(PROJECT / TEST_LOCK))
ALL = RUN + TEST


@pytest.fixture(scope="module")
def wheels():
    """Each known wheel: name, version, tags, hash."""
    with Path(__file__).with_name("wheels.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    found = []
    for row in rows:
        name, version, _, tags = parse_wheel_filename(row["wheel"])
        found.append((name, str(version), tags, row["sha256"]))
    return found


@pytest.mark.parametrize("python", PYTHONS, ids=lambda python: ".".join(map(str, python)))
@pytest.mark.parametrize("system", SYSTEMS, ids=lambda system: system.name)
def test_every_package_has_a_ready_made_wheel(system, python, wheels):
    """Platform compatibility tags: PEP 425, 600 (manylinux) and their packaging.tags reading."""
    takes = system.tags(python)

    missing = [
        f"{pin.name}=={pin.version}"
        for pin in ALL
        if pin.needed(system, python)
        and not any(
            name == canonicalize_name(pin.name)
            and version == pin.version
            and sha256 in pin.sha256
            and not tags.isdisjoint(takes)
            for name, version, tags, sha256 in wheels
        )
    ]

    assert missing == []


@pytest.mark.parametrize("python", PYTHONS, ids=lambda python: ".".join(map(str, python)))
@pytest.mark.parametrize("system", SYSTEMS, ids=lambda system: system.name)
def test_each_package_is_locked_to_one_version_per_machine(system, python):
    names = [pin.name for pin in ALL if pin.needed(system, python)]

    assert sorted(names) == sorted(set(names))


def test_every_entry_has_hashes():
    assert all(pin.sha256 for pin in ALL)


@pytest.mark.parametrize("system", SYSTEMS, ids=lambda system: system.name)
def test_the_locks_hold_what_pyproject_asks_for(system):
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    asked = [(text, RUN) for text in project["dependencies"]]
    asked += [(text, ALL) for text in project["optional-dependencies"]["test"]]
    python = PYTHONS[0]

    for text, lock in asked:
        wanted = Requirement(text)
        if wanted.marker and not wanted.marker.evaluate(system.marker_environment(python)):
            continue
        locked = [
            pin.version
            for pin in lock
            if canonicalize_name(pin.name) == canonicalize_name(wanted.name)
            and pin.needed(system, python)
        ]
        assert len(locked) == 1, f"{text}: remake the locks (python -m tests.setup.relock)"
        assert wanted.specifier.contains(locked[0]), text


@pytest.mark.parametrize("name", [RUN_LOCK, TEST_LOCK])
def test_a_lock_names_no_host(name):
    assert "//" not in (PROJECT / name).read_text()
