"""The systems that the locks promise to install on, and what a lock asks of each."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from packaging.markers import Marker
from packaging.tags import Tag, compatible_tags, cpython_tags, mac_platforms

PYTHONS = ((3, 11), (3, 12), (3, 13))
PATCH = 9  # some packages tell 3.11.0 from later ones


def _manylinux(machine: str) -> tuple[str, ...]:
    """glibc 2.28 (2018) and all before it."""
    named = {17: "manylinux2014", 12: "manylinux2010", 5: "manylinux1"}
    tags = []
    for minor in range(28, 4, -1):
        tags.append(f"manylinux_2_{minor}_{machine}")
        tags += [f"{named[minor]}_{machine}"] if minor in named else []
    return tuple(tags)


@dataclass(frozen=True, slots=True, kw_only=True)
class System:
    """A kind of machine."""

    name: str
    """As people call it."""

    platforms: tuple[str, ...]
    """Platform tags that it takes, best first."""

    markers: dict[str, str]
    """What environment markers see there."""

    def marker_environment(self, python: tuple[int, int]) -> dict[str, str]:
        """All that a marker may ask about."""
        version = ".".join(map(str, python))
        full_version = f"{version}.{PATCH}"
        return {
            "implementation_name": "cpython",
            "platform_python_implementation": "CPython",
            "python_version": version,
            "python_full_version": full_version,
            "implementation_version": full_version,
            "platform_release": "",
            "platform_version": "",
            **self.markers,
        }

    def tags(self, python: tuple[int, int]) -> set[Tag]:
        """Wheels that a CPython takes there."""
        interpreter = f"cp{python[0]}{python[1]}"
        return {
            *cpython_tags(python, platforms=self.platforms),
            *compatible_tags(python, interpreter=interpreter, platforms=self.platforms),
        }


def _markers(os_name: str, sys_platform: str, platform_system: str, machine: str) -> dict[str, str]:
    return {
        "os_name": os_name,
        "sys_platform": sys_platform,
        "platform_system": platform_system,
        "platform_machine": machine,
    }


SYSTEMS = (
    System(
        name="Linux on x86-64",
        platforms=_manylinux("x86_64"),
        markers=_markers("posix", "linux", "Linux", "x86_64"),
    ),
    System(
        name="Linux on ARM",
        platforms=_manylinux("aarch64"),
        markers=_markers("posix", "linux", "Linux", "aarch64"),
    ),
    System(
        name="macOS 14 on Apple silicon",
        platforms=tuple(mac_platforms((14, 0), "arm64")),
        markers=_markers("posix", "darwin", "Darwin", "arm64"),
    ),
    System(
        name="macOS 14 on Intel",
        platforms=tuple(mac_platforms((14, 0), "x86_64")),
        markers=_markers("posix", "darwin", "Darwin", "x86_64"),
    ),
    System(
        name="Windows on x86-64",
        platforms=("win_amd64",),
        markers=_markers("nt", "win32", "Windows", "AMD64"),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """One entry of a lock."""

    name: str
    """Package, spelled as the lock spells it."""

    version: str
    """The one version."""

    marker: str
    """Where it is needed; empty if everywhere."""

    sha256: frozenset[str]
    """Files that may stand for it."""

    def needed(self, system: System, python: tuple[int, int]) -> bool:
        """Whether that machine needs it."""
        return not self.marker or Marker(self.marker).evaluate(system.marker_environment(python))


_ENTRY = re.compile(r"(?P<name>[\w.-]+)==(?P<version>\S+)(?: ; (?P<marker>.+?))?(?=\s+--hash)")


def read_lock(path: Path) -> Iterator[Pin]:
    """Entries of a lock file."""
    for line in path.read_text().replace("\\\n", "").splitlines():
        entry = _ENTRY.match(line)
        if entry is None:
            msg = f"{path.name} must hold only name==version with hashes, got {line[:60]!r}"
            raise ValueError(msg)
        yield Pin(
            name=entry["name"],
            version=entry["version"],
            marker=entry["marker"] or "",
            sha256=frozenset(re.findall(r"--hash=sha256:([0-9a-f]{64})", line)),
        )
