"""The web server of the tasters' page: Voila on one notebook, behind a gate that knows the links.

Voila's own doors to files, logins and shutdown are left out; every page request is checked before
a kernel starts. Imported only by the process that serves: it is heavy.
"""

from __future__ import annotations

import html
import logging
import os
import re
import time
from collections.abc import Collection
from contextvars import ContextVar
from typing import Any

from jupyter_server.base.handlers import FileFindHandler
from tornado.httputil import HTTPServerRequest
from tornado.routing import Rule
from tornado.web import GZipContentEncoding, RequestHandler
from traitlets.config import Config
from voila.app import Voila
from voila.static_file_handler import MultiStaticFileHandler
from voila.tornado.handler import TornadoVoilaHandler
from voila.tornado.kernel_websocket_handler import VoilaKernelWebsocketHandler

from labkit.language import ENGLISH, N_, Language, preferred
from labkit.widgets.tasters.gate import (
    AWAY,
    GONE,
    MISDIRECTED,
    TOO_MANY,
    Door,
    ForeignHost,
    Gate,
    own_names,
)
from labkit.widgets.tasters.kernel import BOOK_VARIABLE, NAMES_VARIABLE, code_in_query
from labkit.widgets.tasters.kernels import PLACE, TO_A_PAGE, Page, TastersKernels, kind_of

LEFT_AFTER_S = 600
"""Idle time after which the kernel of a page that nobody is connected to ends. A phone may sleep
between two flights; waking up later costs it a reload, never a score."""


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
            page = waiting_room if self.may_wait else entrance
            self.finish(page(sentence, self._reader()))

    def _reader(self) -> Language:
        """The language that the browser asks for."""
        self.set_header("Vary", "Accept-Language")
        return preferred(self.request.headers.get("Accept-Language", ""))

    async def get(self, path: str | None = None) -> None:
        """Send the page."""
        assert self.page is not None
        PLACE.set(self.page.kernel_id)
        READER.set(self._reader())
        try:
            await super().get(path)
        finally:
            self.page.is_making = False

    async def _refusal(self) -> tuple[int, str] | None:
        """Status and sentence for a request that gets no sheet; the bare address gets a form."""
        if self.request.path != "/" or self.request.method != "GET":
            return 404, N_("There is nothing here. Open your own link, or type your code.")
        if not self.request.query:
            return 200, ""
        code = code_in_query(self.request.query)
        if not code:
            return 403, N_("This code is not complete. It has ten signs: look at your card again.")
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
        if kind_of(message, is_v1=bool(self.selected_subprotocol)) in TO_A_PAGE:
            return super().write_message(message, binary)
        return None

    def write_error(self, status_code: int, **options: Any) -> None:
        """Say no in a word: Jupyter's error page lacks its pictures here, and would fail."""
        self.finish("no")


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


class Misdirected(RequestHandler):
    """The answer to requests for another machine."""

    def prepare(self) -> None:
        """Say so, whatever is asked."""
        self.set_status(MISDIRECTED)
        self.finish("This page is not here. Open the address on your card.")


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


READER: ContextVar[Language] = ContextVar("reader", default=ENGLISH)
"""Takes a page's language from the handler to the page's words, through Voila between them."""

_OPENING = {
    "opening": N_("Opening your sheet…"),
    "slow": N_("Opening your sheet takes longer than usual. It goes on by itself."),
    "away": N_("The lead's laptop does not answer. Are you in the right network?"),
}


def words_of_page(page_config: dict[str, Any], **_asked: Any) -> dict[str, Any]:
    """Add what a page says before its sheet is there, in its reader's language."""
    reader = READER.get()
    words = {name: reader.gettext(message) for name, message in _OPENING.items()}
    return {**page_config, "labkitWords": {"language": reader.code, **words}}


def entrance(sentence: str, reader: Language = ENGLISH) -> str:
    """The page for those without a link: type the code, or read why it did not open."""
    said = f'<p role="alert">{html.escape(reader.gettext(sentence))}</p>' if sentence else ""
    return _in_words(_ENTRANCE, reader, said)


def waiting_room(sentence: str, reader: Language = ENGLISH) -> str:
    """The page for those who may come in as soon as it is possible: it tries again by itself."""
    return _in_words(_WAITING, reader, html.escape(reader.gettext(sentence)))


def _in_words(page: str, reader: Language, said: str) -> str:
    """A page with its sentence, and with what stands in double braces in its reader's language."""
    page = _MESSAGE.sub(lambda found: html.escape(reader.gettext(_MESSAGES[found[1]])), page)
    return page.replace("<!--language-->", reader.code).replace("<!--said-->", said)


_MESSAGE = re.compile(r"{{(\w+)}}")
_MESSAGES = {
    "title": N_("Blind tasting"),
    "code": N_("The code on your card"),
    "open": N_("Open my sheet"),
    "again": N_("This page tries again by itself."),
}


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
                "http_header_envs": ["Accept-Language"],
                "page_config_hook": words_of_page,
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


_HEAD = """<!doctype html><html lang="<!--language-->"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="robots" content="noindex"><title>{{title}}</title><style>
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
    + """<body><main><h1>{{title}}</h1><!--said-->
<form method="get" action="/"><label for="code">{{code}}</label>
<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false"
 required maxlength="16" placeholder="ABCDE-FGHJK"><button>{{open}}</button></form>
</main></body></html>
"""
)

_WAITING = (
    _HEAD
    + """<body><main><h1>{{title}}</h1><p role="alert"><!--said-->
{{again}}</p></main><script>
setInterval(async () => {
  try {
    if ((await fetch("/alive?book=1", { cache: "no-store" })).ok) location.reload();
  } catch { /* the network is away as well */ }
}, 5000);
</script></body></html>
"""
)
