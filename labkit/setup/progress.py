"""What pip says, turned into one line: packages done of all."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from typing import TextIO

_IGNORED = re.compile(r"Ignoring ([\w.-]+):")
_TAKEN = re.compile(r"(?:Collecting|Requirement already satisfied:) ([\w.-]+)")


def packages_in(lock: str) -> set[str]:
    """Names of the packages that a lock's text names."""
    return {_plain(name) for name in re.findall(r"^([\w.-]+)==", lock, re.MULTILINE)}


def _plain(name: str) -> str:
    """Spell a package's name in the one way that all spellings share."""
    return re.sub(r"[-_.]+", "-", name).lower()


@dataclass(slots=True, kw_only=True)
class PipProgress:
    """Counts what pip has fetched and installed."""

    wanted: set[str]
    """Packages that the locks name; what is meant for other systems leaves it as pip says so."""

    seen: set[str] = field(default_factory=set)
    """Those that pip has fetched, or is fetching."""

    latest: str = ""
    """The package named last."""

    installing: bool = False
    """Whether all is fetched and pip now unpacks."""

    def read(self, line: str) -> None:
        """Take in one line that pip printed."""
        if match := _IGNORED.match(line):
            self.wanted.discard(_plain(match[1]))
        elif match := _TAKEN.match(line):
            if _plain(match[1]) in self.wanted:
                self.latest = match[1]
                self.seen.add(_plain(match[1]))
        elif line.startswith("Installing collected packages:"):
            self.installing = True

    def text(self, n_installed: int) -> str:
        """Say how far it is, given how many packages lie in the environment already."""
        if self.installing:
            done = min(n_installed, len(self.wanted))
            return f"installing {done} of {len(self.wanted)} packages"
        latest = f" (now {self.latest})" if self.latest else ""
        return f"fetching {len(self.seen)} of {len(self.wanted)} packages{latest}"


class ProgressLine:
    """One line on a terminal, rewritten in place; elsewhere a line now and then."""

    def __init__(self, stream: TextIO, *, every: int = 20) -> None:
        self._stream = stream
        self._in_place = stream.isatty()
        self._every = every
        self._shown = ""
        self._n_hidden = 0

    def show(self, text: str) -> None:
        """Show how far it is."""
        if text == self._shown:
            return
        self._shown = text
        if self._in_place:
            width = shutil.get_terminal_size().columns - 1
            self._stream.write("\r" + f"  {text}"[:width].ljust(width))
        elif self._n_hidden % self._every == 0:
            self._stream.write(f"  {text}\n")
        self._n_hidden += 1
        self._stream.flush()

    def clear(self) -> None:
        """Leave the terminal as if no line had been there."""
        if self._in_place and self._shown:
            width = shutil.get_terminal_size().columns - 1
            self._stream.write("\r" + " " * width + "\r")
            self._stream.flush()
