"""The processes behind the tasters' pages: how many a link has, and what they may say.

Imported only by the process that serves.
"""

from __future__ import annotations

import json
import struct
import time
import uuid
from collections.abc import Sequence
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from jupyter_server.utils import ensure_async

from labkit.language import N_
from labkit.widgets.tasters.kernel import ALIVE_VARIABLE

PAGES_A_TASTER = 4
"""Pages that one taster may have open at once, each a process of some 50 to 75 MB."""

OPENING_A_TASTER = 3
"""Pages of one taster that may be on their way at once: asked for, and not yet connected."""

OPENING_S = 20.0
"""How long a page is on its way; one that is not connected by then makes room for another."""

PAGES_IN_ALL = 64
"""Pages that the server runs at once, those of tasters and those that they have just left."""


@dataclass(eq=False, slots=True)
class Page:
    """A page of a taster, from the moment when it is asked for."""

    code: str
    """Whose it is."""

    kernel_id: str
    """The process behind it."""

    asked_at: float = field(default_factory=time.monotonic)
    """When it was asked for."""

    is_started: bool = False
    """Whether that process has been started."""

    is_making: bool = True
    """Whether the answer to the browser is still being made."""

    was_connected: bool = False
    """Whether its browser has ever been connected to the process."""

    @property
    def is_opening(self) -> bool:
        """Whether its browser may still be loading it."""
        return not self.was_connected and time.monotonic() - self.asked_at < OPENING_S


class TastersKernels(AsyncMappingKernelManager):
    """Kernels that know whose they are, so that neither reloading nor spite piles them up."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)  # type: ignore[no-untyped-call]
        self.pages: dict[str, Page] = {}

    async def make_room(self, code: str) -> Page | str:
        """Give a new page of a taster its place, or say why there is none now.

        Pages that were left end first; one that is connected never does.
        """
        await self.end_left_pages(code)
        # From here to the entry nothing is awaited: of many requests at once each counts the rest.
        own = [page for page in self.pages.values() if page.code == code]
        if sum(page.is_opening for page in own) >= OPENING_A_TASTER:
            return N_("Your sheet is being opened several times already. One of these will do.")
        ending = self._left(own)[: max(0, len(own) + 1 - PAGES_A_TASTER)]
        if len(own) - len(ending) >= PAGES_A_TASTER:
            return N_("Your sheet is open in too many places. Close one of them.")
        others = [page for page in self.pages.values() if page not in ending]
        ending += self._left(others)[: max(0, len(others) + 1 - PAGES_IN_ALL)]
        if len(self.pages) - len(ending) >= PAGES_IN_ALL:
            return N_("More sheets are open than this laptop can handle. Close those not in use.")
        new = Page(code, str(uuid.uuid4()))
        for page in ending:
            del self.pages[page.kernel_id]
        self.pages[new.kernel_id] = new
        for page in ending:
            await self._end(page.kernel_id)
        return new

    async def start_kernel(self, **options: Any) -> str:  # type: ignore[override]
        """Start the kernel of a page that has its place already."""
        kernel_id = PLACE.get()
        options["env"][ALIVE_VARIABLE] = f"/alive?kernel={kernel_id}"
        await super().start_kernel(kernel_id=kernel_id, **options)
        self.pages[kernel_id].is_started = True
        return kernel_id

    def notify_connect(self, kernel_id: str) -> None:
        """Note that a browser is there."""
        super().notify_connect(kernel_id)  # type: ignore[no-untyped-call]
        if kernel_id in self.pages:
            self.pages[kernel_id].was_connected = True

    async def runs(self, kernel_id: str) -> bool:
        """Whether a page's kernel is there, and has not died."""
        return kernel_id in self and await ensure_async(self.is_alive(kernel_id))

    def connections(self, kernel_id: str) -> int:
        """Sockets that are open to a kernel."""
        return int(self._kernel_connections.get(kernel_id, 0))

    async def end_left_pages(self, code: str) -> None:
        """End kernels of a code that died, or that no page has been connected to for a while."""
        for page in list(self.pages.values()):
            if page.kernel_id not in self:
                if not page.is_making:
                    self.pages.pop(page.kernel_id, None)  # ended for being idle
            elif page.code == code and page.is_started:
                idle = datetime.now(UTC) - self.get_kernel(page.kernel_id).last_activity  # type: ignore[attr-defined]
                is_old = not page.is_opening and idle > timedelta(seconds=OPENING_S)
                is_left = is_old and not page.is_making and not self.connections(page.kernel_id)
                if is_left or not await self.runs(page.kernel_id):
                    self.pages.pop(page.kernel_id, None)
                    await self._end(page.kernel_id)

    def _left(self, pages: Sequence[Page]) -> list[Page]:
        """Pages that may end now, the oldest first."""
        return [
            page
            for page in pages
            if not (page.is_making or page.is_opening or self.connections(page.kernel_id))
        ]

    async def _end(self, kernel_id: str) -> None:
        if kernel_id in self:
            await self.shutdown_kernel(kernel_id, now=True)  # type: ignore[no-untyped-call]


PLACE: ContextVar[str] = ContextVar("place")
"""Takes a page's kernel id from the handler to the kernel manager, through Voila between them."""


TO_A_PAGE = {"comm_open", "comm_msg", "comm_close", "comm_info_reply", "kernel_info_reply"}
TO_A_PAGE |= {"status", "shutdown_reply"}


def kind_of(message: bytes | str | dict[str, Any], *, is_v1: bool) -> str:
    """Kind of a kernel's message as it goes out; "" if that cannot be read.

    Three forms: a dictionary or its text; text with buffers behind it; with the newer protocol,
    parts with the header first. Both of the latter begin with places where the parts begin.
    """
    try:
        if isinstance(message, bytes):
            n_parts, *begins = struct.unpack_from("<4Q" if is_v1 else ">3I", message)
            if is_v1:  # name of the channel, header, and so on
                header = json.loads(message[begins[1] : begins[2]])
            else:  # all but the buffers
                end = begins[1] if n_parts > 1 else None
                header = json.loads(message[begins[0] : end])["header"]
        else:
            header = (json.loads(message) if isinstance(message, str) else message)["header"]
        return str(header["msg_type"])
    except (ValueError, KeyError, TypeError, struct.error):
        return ""
