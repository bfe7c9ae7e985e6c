"""The web server of the tasters' page: Voila on one notebook, behind a gate that knows the links.

Voila's own doors to files, logins and shutdown are left out; every page request is checked before
a kernel starts. Imported only by the process that serves: it is heavy.
"""

from __future__ import annotations

import asyncio
import html
import ipaddress
import json
import logging
import os
import re
import socket
import struct
import time
import uuid
from collections import defaultdict, deque
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from jupyter_server.base.handlers import FileFindHandler
from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from jupyter_server.utils import ensure_async
from tornado.httputil import HTTPServerRequest, split_host_and_port
from tornado.routing import Matcher, Rule
from tornado.web import GZipContentEncoding, RequestHandler
from traitlets.config import Config
from voila.app import Voila
from voila.static_file_handler import MultiStaticFileHandler
from voila.tornado.handler import TornadoVoilaHandler
from voila.tornado.kernel_websocket_handler import VoilaKernelWebsocketHandler

from labkit.book import LabBook
from labkit.book.records import Guest
from labkit.errors import UnknownLinkError
from labkit.widgets.tasters_sheet import (
    ALIVE_VARIABLE,
    BOOK_VARIABLE,
    NAMES_VARIABLE,
    PATIENCE_S,
    code_in_query,
)

WRONG_CODES_A_MINUTE = 10
"""Wrong codes that one device may try in a minute."""

PAGES_A_TASTER = 4
"""Pages that one taster may have open at once, each a process of some 50 to 75 MB."""

OPENING_A_TASTER = 3
"""Pages of one taster that may be on their way at once: asked for, and not yet connected."""

OPENING_S = 20.0
"""How long a page is on its way; one that is not connected by then makes room for another."""

PAGES_IN_ALL = 64
"""Pages that the server runs at once, those of tasters and those that they have just left."""

AWAY_S = 2.0
"""How long nobody asks for a lab book that could not be read: a dozen phones would wait in line."""

LEFT_AFTER_S = 600
"""Idle time after which the kernel of a page that nobody is connected to ends. A phone may sleep
between two flights; waking up later costs it a reload, never a score."""

TOO_MANY, AWAY, GONE, MISDIRECTED = 429, 503, 410, 421
"""Statuses of HTTP, by name."""

BOOK_AWAY = "The lead's laptop cannot read the lab book just now. What you gave is not lost."

_log = logging.getLogger("labkit.tasters")
_KEEP = "private, max-age=3600"
_CODE = re.compile(r"code=[^&\s'\"]*")
_LEFT_OUT = {"AllowListFileHandler", "VoilaShutdownKernelHandler", "VoilaLoginHandler"}
_LEFT_OUT |= {"LogoutHandler", "LoginHandler", "LegacyLoginHandler"}

SECURITY_HEADERS = {
    # Nothing comes from another machine; inline scripts are Voila's, blob: is the sheet's own.
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data:; font-src 'self' data:; "
        "connect-src 'self' ws: blob:; frame-ancestors 'none'; base-uri 'none'; form-action 'self'"
    ),
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


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
            return "Your sheet is being opened several times already. One of these will do."
        ending = self._left(own)[: max(0, len(own) + 1 - PAGES_A_TASTER)]
        if len(own) - len(ending) >= PAGES_A_TASTER:
            return "Your sheet is open in too many places. Close one of them."
        others = [page for page in self.pages.values() if page not in ending]
        ending += self._left(others)[: max(0, len(others) + 1 - PAGES_IN_ALL)]
        if len(self.pages) - len(ending) >= PAGES_IN_ALL:
            return "More sheets are open than this laptop can bear. Close those not in use."
        new = Page(code, str(uuid.uuid4()))
        for page in ending:
            del self.pages[page.kernel_id]
        self.pages[new.kernel_id] = new
        for page in ending:
            await self._end(page.kernel_id)
        return new

    async def start_kernel(self, **options: Any) -> str:  # type: ignore[override]
        """Start the kernel of a page that has its place already."""
        kernel_id = _PLACE.get()
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


_PLACE: ContextVar[str] = ContextVar("place")
"""Takes a page's kernel id from the handler to the kernel manager, through Voila between them."""


class Door:
    """The lab book as the server sees it: opened when first asked, never made."""

    def __init__(self, where: str) -> None:
        self._where = where
        self._book: LabBook | None = None

    def _open(self) -> LabBook:
        if self._book is None:
            self._book = LabBook(self._where, must_exist=True, patience_s=PATIENCE_S)
        return self._book

    def guest(self, code: str) -> Guest:
        """Whose code this is; an UnknownLinkError if nobody's, other errors if it is away."""
        return self._open().guest_of_link(code)

    def look(self) -> None:
        """Read a little; an error if the book is away."""
        self._open().facts()


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
            return (
                TOO_MANY,
                "Too many wrong codes came from this device. Wait a minute and try again.",
            )
        try:
            is_there = self._reaches(lambda: self._opens(code))
        except UnknownLinkError as error:
            wrong.append(self._clock())
            sentence = str(error)
            return 403, sentence[:1].upper() + sentence[1:]
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


class GatedPage(TornadoVoilaHandler):
    """The page of one taster, for those with a link; a place to type the code for others."""

    page: Page | None = None
    may_wait = False

    async def prepare(self) -> None:
        """Let nobody reach a kernel, whatever the method, before their link is known."""
        await super().prepare()
        refusal = await self._refusal()
        if refusal is not None:
            status, sentence = refusal
            self.set_status(status)
            self.set_header("Cache-Control", "no-store")
            if self.may_wait:
                self.set_header("Retry-After", "5")
            self.finish(waiting_room(sentence) if self.may_wait else entrance(sentence))

    async def get(self, path: str | None = None) -> None:
        """Send the page."""
        assert self.page is not None
        _PLACE.set(self.page.kernel_id)
        try:
            await super().get(path)
        finally:
            self.page.is_making = False

    async def _refusal(self) -> tuple[int, str] | None:
        """Status and sentence for a request that gets no sheet; the bare address gets a form."""
        if self.request.path != "/" or self.request.method != "GET":
            return 404, "There is nothing here. Open your own link, or type your code."
        if not self.request.query:
            return 200, ""
        code = code_in_query(self.request.query)
        if not code:
            return 403, "This code is not complete. It has ten signs: look at your card again."
        refusal: tuple[int, str] | None
        refusal = await self.settings["gate"].asks(code, self.request.remote_ip or "")
        if refusal is not None:
            self.may_wait = refusal[0] == AWAY
            return refusal
        place = await self.kernel_manager.make_room(code)
        if isinstance(place, str):
            self.may_wait = True
            return TOO_MANY, place
        self.page = place
        return None


class PageSocket(VoilaKernelWebsocketHandler):
    """The socket between a page and its kernel."""

    def write_message(self, message: bytes | str | dict[str, Any], binary: bool = False) -> Any:
        """Let through what makes a sheet work, and nothing that a kernel prints or fails with."""
        if kind_of(message, is_v1=bool(self.selected_subprotocol)) in _TO_A_PAGE:
            return super().write_message(message, binary)
        return None

    def write_error(self, status_code: int, **options: Any) -> None:
        """Say no in a word: Jupyter's error page lacks its pictures here, and would fail."""
        self.finish("no")


_TO_A_PAGE = {"comm_open", "comm_msg", "comm_close", "comm_info_reply", "kernel_info_reply"}
_TO_A_PAGE |= {"status", "shutdown_reply"}


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


class KeptScripts(MultiStaticFileHandler):
    """Voila's scripts, kept by the phone for an hour: reloading a page should cost little."""

    def set_extra_headers(self, path: str) -> None:
        """Let the phone keep the file."""
        self.set_header("Cache-Control", _KEEP)


class KeptExtensions(FileFindHandler):
    """The widgets' scripts, kept likewise."""

    def set_headers(self) -> None:
        """Let the phone keep the file, which Voila would not."""
        super().set_headers()
        self.set_header("Cache-Control", _KEEP)


class Alive(RequestHandler):
    """Answers anybody, so that a page can tell whether the server and its kernel are there."""

    async def get(self) -> None:
        """Say yes; "gone" to a page whose kernel will never answer again.

        "later" to both while the lab book is away: reloading would be in vain.
        """
        self.set_header("Cache-Control", "no-store")
        kernel_id = self.get_query_argument("kernel", "")
        asks_for_book = bool(kernel_id or self.get_query_argument("book", ""))
        if asks_for_book and not await self.settings["gate"].finds_book():
            self.set_status(AWAY)
            self.finish("later")
        elif kernel_id and not await self.settings["kernel_manager"].runs(kernel_id):
            self.set_status(GONE)
            self.finish("gone")
        else:
            self.finish("yes")


_OWN: dict[type, type] = {
    TornadoVoilaHandler: GatedPage,
    VoilaKernelWebsocketHandler: PageSocket,
    MultiStaticFileHandler: KeptScripts,
    FileFindHandler: KeptExtensions,
}
"""What stands in for Voila's own handlers."""


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


class Misdirected(RequestHandler):
    """The answer to requests for another machine."""

    def prepare(self) -> None:
        """Say so, whatever is asked."""
        self.set_status(MISDIRECTED)
        self.finish("This page is not here. Open the address on your card.")


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


class TastersServer(Voila):
    """Voila with the gate in front and nothing else to reach."""

    gate: Gate
    names: Collection[str] = ()

    def init_settings(self) -> dict[str, Any]:
        """Add the gate, headers, and a log without the links."""
        settings: dict[str, Any] = super().init_settings()
        headers = {**settings.get("headers", {}), **SECURITY_HEADERS}
        added = {"gate": self.gate, "headers": headers, "log_function": log_request}
        return {**settings, **added}

    def init_handlers(self) -> list[Any]:
        """Replace the page by the gated one, and leave out what tasters do not need."""
        kept = []
        for pattern, handler, *options in super().init_handlers():
            if handler.__name__ in _LEFT_OUT:
                continue
            kept.append((pattern, _OWN.get(handler, handler), *options))
        return [(r"/alive", Alive), *kept]

    def listen(self) -> None:
        """Serve, compressed: 5 MB become 1.4."""
        self.app.add_transform(GZipContentEncoding)
        router = self.app.default_router
        router.rules.insert(0, router.process_rule(Rule(ForeignHost(self.names), Misdirected)))
        super().listen()


def keep_links_out_of_logs() -> None:
    """Blot every code out of whatever is logged, by whichever library."""
    make = logging.getLogRecordFactory()

    def blotted(*args: Any, **options: Any) -> logging.LogRecord:
        record = make(*args, **options)
        record.msg, record.args = _CODE.sub("code=(a link)", record.getMessage()), None
        return record

    logging.setLogRecordFactory(blotted)


def log_request(handler: RequestHandler) -> None:
    """Write down what was asked for, without its query: there the link's secret is."""
    request: HTTPServerRequest = handler.request
    status = handler.get_status()
    level = logging.WARNING if status >= 400 else logging.INFO
    logging.getLogger("labkit.tasters").log(
        level,
        "%s %s %s from %s, %.0f ms",
        status,
        request.method,
        request.path,
        request.remote_ip,
        1000 * request.request_time(),
    )


def entrance(sentence: str) -> str:
    """The page for those without a link: type the code, or read why it did not open."""
    said = f'<p role="alert">{html.escape(sentence)}</p>' if sentence else ""
    return _ENTRANCE.replace("<!--said-->", said)


def waiting_room(sentence: str) -> str:
    """The page for those who may come in as soon as it is possible: it tries again by itself."""
    return _WAITING.replace("<!--said-->", html.escape(sentence))


def settings(port: int) -> Config:
    """What keeps visitors to the one page, and kernels to those who have it open."""
    return Config(
        {
            "Voila": {
                "ip": "0.0.0.0",
                "port": port,
                "port_retries": 0,
                "open_browser": False,
                "config_file_paths": [],
            },
            "VoilaConfiguration": {
                "template": "tasters",
                "allow_template_override": "NO",
                "allow_theme_override": "NO",
                "file_allowlist": [],
                "show_tracebacks": False,
                "extension_allowlist": [
                    "anywidget",
                    "@jupyter-widgets/jupyterlab-manager",
                    "@voila-dashboards/widgets-manager8",
                ],
                "multi_kernel_manager_class": TastersKernels,
            },
            # A kernel started again would have no sheet: the page asks for a new one instead.
            "KernelManager": {"autorestart": False},
            "MappingKernelManager": {
                "cull_idle_timeout": LEFT_AFTER_S,
                "cull_interval": 60,
                "cull_connected": False,
            },
        }
    )


def main(port: int, notebook: str) -> None:
    """Serve until a signal comes."""
    keep_links_out_of_logs()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    door = Door(os.environ[BOOK_VARIABLE])
    server = TastersServer(config=settings(port))
    server.gate = Gate(door.guest, time.monotonic, door.look)
    server.names = own_names(os.environ.get(NAMES_VARIABLE, ""))
    server.initialize([notebook])
    server.start()


_HEAD = """<!doctype html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex"><title>Blind tasting</title><style>
:root { color-scheme: light dark; }
body { font: 1rem/1.4 system-ui, -apple-system, "Segoe UI", Roboto, sans-serif; margin: 15vh auto 0;
  max-width: 26rem; padding: 0 1rem; background: #fbfaf6; color: #1f2a2d; }
input, button { box-sizing: border-box; width: 100%; min-height: 3.25rem; font: inherit;
  border-radius: .375rem; border: 1px solid #8a969a; margin: .25rem 0 .75rem; }
input { font-size: 1.5rem; letter-spacing: .08em; text-align: center; text-transform: uppercase;
  background: #fff; color: #1f2a2d; }
button { font-weight: 600; background: #1f4f5c; color: #fff; border-color: #1f4f5c; }
:focus-visible { outline: 3px solid #1f4f5c; outline-offset: 2px; }
[role=alert] { border: 2px solid #7a3b12; border-radius: .375rem; padding: .75rem; }
@media (prefers-color-scheme: dark) { body { background: #141a1c; color: #eceeea; }
  input { background: #232c2f; color: #eceeea; } button { background: #a9d3da; color: #10191b; }
  :focus-visible { outline-color: #a9d3da; } [role=alert] { border-color: #f0b890; } }
</style></head>
"""

_ENTRANCE = (
    _HEAD
    + """<body><main><h1>Blind tasting</h1><!--said-->
<form method="get" action="/"><label for="code">The code on your card</label>
<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false"
 required maxlength="16" placeholder="ABCDE-FGHJK"><button>Open my sheet</button></form>
</main></body></html>
"""
)

_WAITING = (
    _HEAD
    + """<body><main><h1>Blind tasting</h1><p role="alert"><!--said-->
This page tries again by itself.</p></main><script>
setInterval(async () => {
  try {
    if ((await fetch("/alive?book=1", { cache: "no-store" })).ok) location.reload();
  } catch { /* the network is away as well */ }
}, 5000);
</script></body></html>
"""
)
