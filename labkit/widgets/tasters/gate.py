"""Who may come in to the tasters' page: links by the lab book, guessing slowed down, own names.

Imported only by the process that serves.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import socket
from collections import defaultdict, deque
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from tornado.httputil import HTTPServerRequest, split_host_and_port
from tornado.routing import Matcher

from labkit.errors import UnknownLinkError
from labkit.language import N_
from labkit.widgets.tasters.seats import AWAY_S

WRONG_CODES_A_MINUTE = 10
"""Wrong codes that one device may try in a minute."""

FORBIDDEN, TOO_MANY, AWAY, MISDIRECTED = 403, 429, 503, 421
"""Statuses of HTTP, by name."""

UNKNOWN_LINK = N_("This link is not known, or a newer one replaced it; ask the lead for yours.")
BOOK_AWAY = N_("The lead's laptop cannot read the lab book just now. What you gave is not lost.")
TOO_MANY_CODES = N_("Too many wrong codes came from this device. Wait a minute and try again.")

_log = logging.getLogger("labkit.tasters")


class Gate:
    """Who may come in: knows the links by the lab book, and slows guessing down.

    An outage is nobody's fault: it counts against no device and names nothing.
    """

    def __init__(
        self,
        opens: Callable[[str], object],
        clock: Callable[[], float],
        looks: Callable[[], object] = lambda: None,
    ) -> None:
        self._opens, self._looks, self._clock = opens, looks, clock
        self._wrong: defaultdict[str, deque[float]] = defaultdict(deque)
        self._away_until = -1.0
        # One at a time, and never on the server's own thread: a server that is away may keep one
        # waiting, and nobody else's page should stand still for it.
        self._line = ThreadPoolExecutor(1, thread_name_prefix="gate")

    async def asks(self, code: str, device: str) -> tuple[int, str] | None:
        """As `refusal`, without holding anybody up."""
        return await asyncio.get_running_loop().run_in_executor(
            self._line, self.refusal, code, device
        )

    async def finds_book(self) -> bool:
        """Whether the lab book can be read now."""
        return await asyncio.get_running_loop().run_in_executor(self._line, self.is_book_there)

    def refusal(self, code: str, device: str) -> tuple[int, str] | None:
        """Status and sentence for a visitor who may not come in; None for one who may."""
        wrong = self._wrong[device]
        while wrong and wrong[0] < self._clock() - 60:
            wrong.popleft()
        if len(wrong) >= WRONG_CODES_A_MINUTE:
            return TOO_MANY, TOO_MANY_CODES
        try:
            is_there = self._reaches(lambda: self._opens(code))
        except UnknownLinkError:
            wrong.append(self._clock())
            return FORBIDDEN, UNKNOWN_LINK
        return None if is_there else (AWAY, BOOK_AWAY)

    def is_book_there(self) -> bool:
        """Whether the lab book can be read now."""
        return self._reaches(self._looks)

    def _reaches(self, ask: Callable[[], object]) -> bool:
        if self._clock() < self._away_until:
            return False
        try:
            ask()
        except UnknownLinkError:
            raise
        except Exception as error:
            self._away_until = self._clock() + AWAY_S
            _log.error("the lab book cannot be read: %s", error)
            return False
        return True


class ForeignHost(Matcher):
    """Requests that ask for another machine than this one.

    A page of another site can make its own name point here (DNS rebinding), and would then count as
    this one to the browser. The name that the browser asked for gives it away.
    """

    def __init__(self, names: Collection[str]) -> None:
        self._names = {name.lower().rstrip(".") for name in names}

    def match(self, request: HTTPServerRequest) -> dict[str, Any] | None:
        """Nothing for a request that may pass, by Tornado's rules for what matches."""
        return None if self.is_own(request.host, _reached_at(request)) else {}

    def is_own(self, host: str, reached_at: str) -> bool:
        """Whether a Host header names this machine, reached at that address of its own."""
        name = split_host_and_port(host.lower())[0].rstrip(".").strip("[]")
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return name in self._names
        return address.is_loopback or name in self._names or address == _plain_address(reached_at)


def own_names(set_by_lead: str = "") -> set[str]:
    """Names and addresses that this machine goes by."""
    host = socket.gethostname().lower()
    short = host.partition(".")[0]
    return {"localhost", host, short, f"{short}.local", *filter(None, set_by_lead.split(","))}


def _plain_address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


def _reached_at(request: HTTPServerRequest) -> str:
    """Which address of this machine a request came in by."""
    try:
        return str(request.connection.stream.socket.getsockname()[0])  # type: ignore[union-attr]
    except (AttributeError, OSError, TypeError):
        return ""
