"""What pip says, turned into one line: packages done of all."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from typing import TextIO

_NAME = re.compile(r"^(?:Collecting|Requirement already satisfied:) ([A-Za-z0-9._-]+)")


@dataclass(slots=True, kw_only=True)
class PipProgress:
    """Counts what pip has fetched and installed."""

    n_requirements: int
    """Requirements in the locks, those meant for other systems included."""

    n_ignored: int = 0
    """Requirements that pip leaves out on this system."""

    seen: set[str] = field(default_factory=set)
    """Packages that pip has fetched, or is fetching."""

    latest: str = ""
    """The package named last."""

    installing: bool = False
    """Whether all is fetched and pip now unpacks."""

    @property
    def n_packages(self) -> int:
        """Packages that this system needs."""
        return self.n_requirements - self.n_ignored

    def read(self, line: str) -> None:
        """Take in one line that pip printed."""
        if line.startswith("Ignoring "):
            self.n_ignored += 1
        elif match := _NAME.match(line):
            self.latest = match[1].partition("==")[0]
            self.seen.add(self.latest.lower())
        elif line.startswith("Installing collected packages:"):
            self.installing = True

    def text(self, n_installed: int) -> str:
        """Say how far it is, given how many packages lie in the environment already."""
        if self.installing:
            done = min(n_installed, self.n_packages)
            return f"installing {done} of {self.n_packages} packages"
        return f"fetching {len(self.seen)} of {self.n_packages} packages: {self.latest}"


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
