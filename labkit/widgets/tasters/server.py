"""The web server of the tasters' page: one process that sends the sheets and takes the touches.

Every page and every line is checked by the gate first. Nothing waits for the lab book on the
server's own thread: nobody else's page should stand still for it.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import re
import signal
import ssl
import sys
import time
from collections import Counter
from collections.abc import Callable, Collection
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any, TypeVar

from tornado.httpserver import HTTPServer
from tornado.httputil import HTTPServerRequest
from tornado.routing import Rule
from tornado.web import Application, RequestHandler
from tornado.websocket import WebSocketClosedError, WebSocketHandler

from labkit.errors import BookAwayError, UnknownLinkError
from labkit.language import N_, Language, preferred
from labkit.widgets.sheet.taster_sheet import BOOK_LATER, UNSEEN_TROUBLE, TasterSheet, answer_to
from labkit.widgets.tasters.certificates import context_with
from labkit.widgets.tasters.gate import (
    AWAY,
    BOOK_AWAY,
    FORBIDDEN,
    MISDIRECTED,
    TOO_MANY,
    UNKNOWN_LINK,
    ForeignHost,
    Gate,
    own_names,
)
from labkit.widgets.tasters.links import code_in_query
from labkit.widgets.tasters.page import BOOK_VARIABLE, NAMES_VARIABLE
from labkit.widgets.tasters.pages import entrance, mark_of, policy, sheet_page, waiting_room
from labkit.widgets.tasters.seats import Seats

PAGES_A_TASTER = 4
"""Pages that one taster may have open at once."""

OPENING_A_TASTER = 3
"""Pages of one taster that may be made at once."""

PAGES_IN_ALL = 64
"""Pages that may be open at once; each has one message in work at most, and a thread for it."""

LEFT_AFTER_S = 15
"""Silence after which a page counts as left, and makes room for another: one that is looked at
says something every five seconds (PULSE_MS in outbox.js), one that comes back opens a line anew."""

MOST_BYTES = 1_000_000
"""Longest message of a sheet: fifty scores (outbox.js), each a note of two thousand signs."""

ANEW = 4000
"""Ends a line whose page must be loaded anew (page.js): something else is to be shown there."""

NOT_NOW = 1013
"""Ends a line that may be tried again later (RFC 6455, as registered)."""

PING_S = 20
"""How often a silent line is tried; one whose phone has gone ends after as long again."""

SWITCH_S = 0.0005
"""How long a thread may hold up the others: no score should wait while a page is made."""

Made = TypeVar("Made")
_CODE = re.compile(r"code=[^&\s'\"]*")
_log = logging.getLogger("labkit.tasters")


class House:
    """What all requests share: the gate, the seats, and which pages are open.

    Parameters
    ----------
    gate : Gate
        Who may come in.
    seats : Seats
        The lab book.
    """

    def __init__(self, gate: Gate, seats: Seats) -> None:
        self.gate = gate
        self.seats = seats
        self.lines: list[Line] = []
        self.opening: Counter[str] = Counter()
        self._pool = ThreadPoolExecutor(PAGES_IN_ALL, thread_name_prefix="sheet")

    async def apart(self, work: Callable[[], Made]) -> Made:
        """Do what may have to wait for the lab book, while others go on."""
        return await asyncio.get_running_loop().run_in_executor(self._pool, work)

    def why_full(self, code: str) -> str:
        """Why there is no room for another page of this code; empty if there is.

        Pages that were left end first; one that is looked at never does.
        """
        own = [line for line in self.lines if line.code == code]
        if not self._has_room(own, PAGES_A_TASTER):
            return N_("Your sheet is open in too many places. Close one of them.")
        if not self._has_room(self.lines, PAGES_IN_ALL):
            return N_("More sheets are open than this laptop can handle. Close those not in use.")
        return ""

    def _has_room(self, lines: list[Line], most: int) -> bool:
        left = sorted((line for line in lines if line.is_left), key=lambda line: line.heard_at)
        too_many = len(lines) + 1 - most
        for line in left[: max(0, too_many)]:
            self.lines.remove(line)
            line.close(NOT_NOW)
        return too_many <= len(left)

    def close(self) -> None:
        """Answer what waits, and let go of the lab book."""
        self.seats.close()
        self._pool.shutdown()


class Answer(RequestHandler):
    """What all answers have in common."""

    @property
    def house(self) -> House:
        """What all requests share."""
        house: House = self.settings["house"]
        return house

    def set_default_headers(self) -> None:
        """Let nothing come from elsewhere, and nothing stay in a cache: a link opens all of it."""
        is_secure = self.request.protocol == "https"
        rules = policy(self.request.host, is_secure=is_secure)
        self.set_header("Content-Security-Policy", rules)
        self.set_header("Referrer-Policy", "no-referrer")
        self.set_header("X-Content-Type-Options", "nosniff")
        self.set_header("Cache-Control", "no-store")
        self.clear_header("Server")

    def say_no(self, status: int, sentence: str, *, may_wait: bool = False) -> None:
        """A place to type a code; for those who may come in soon, one that tries by itself."""
        self.set_status(status)
        if may_wait:
            self.set_header("Retry-After", "5")
        page = waiting_room if may_wait else entrance
        self.finish(page(sentence, self.reader()))

    def reader(self) -> Language:
        """The language that the browser asks for."""
        self.set_header("Vary", "Accept-Language")
        return preferred(self.request.headers.get("Accept-Language", ""))


class Page(Answer):
    """The page of one taster, for those with a link; a place to type the code for others."""

    async def get(self) -> None:
        """Send the page."""
        if not self.request.query:
            self.say_no(200, "")
            return
        code = code_in_query(self.request.query)
        if not code:
            sentence = N_("This code is not complete. It has ten signs: look at your card again.")
            self.say_no(FORBIDDEN, sentence)
            return
        refusal = await self.house.gate.asks(code, self.request.remote_ip or "")
        if refusal is not None:
            self.say_no(*refusal, may_wait=refusal[0] == AWAY)
            return
        full = self.house.why_full(code)
        if self.house.opening[code] >= OPENING_A_TASTER:
            full = N_("Your sheet is being opened several times already. One of these will do.")
        if full:
            self.say_no(TOO_MANY, full, may_wait=True)
            return
        await self._send_sheet(code)

    async def _send_sheet(self, code: str) -> None:
        self.house.opening[code] += 1
        try:
            sheet = await self.house.apart(lambda: self.house.seats.sheet(code))
            self.finish(sheet_page(sheet.plan, self.reader()))
        except UnknownLinkError:  # replaced a moment ago
            self.say_no(FORBIDDEN, UNKNOWN_LINK)
        except BookAwayError as error:
            # The sentence names the lab book's place, which is not for phones.
            _log.error("a taster's page has to wait: %s", error)
            self.say_no(AWAY, BOOK_AWAY, may_wait=True)
        finally:
            self.house.opening[code] -= 1
            self.house.opening += Counter()  # forget codes at zero


class Line(WebSocketHandler):
    """The line between a page and this laptop: scores come in, and what became of them goes out.

    One message is in work at a time; the next is read from the line once it is answered.
    """

    code = ""
    is_known = False
    heard_at = 0.0
    sheet: TasterSheet | None = None
    mark = ""

    @property
    def house(self) -> House:
        """What all requests share."""
        house: House = self.settings["house"]
        return house

    @property
    def is_left(self) -> bool:
        """Whether nobody seems to look at the page."""
        return time.monotonic() - self.heard_at > LEFT_AFTER_S

    async def open(self, *_args: str, **_options: str) -> None:
        """Let in whoever has a link, and while the lab book is away whoever seems to have one."""
        self.heard_at = time.monotonic()
        self.code = code_in_query(self.request.query)
        if self.house.why_full(self.code):
            self.close(ANEW)
            return
        self.house.lines.append(self)
        await self._ask_for_entry()

    def on_close(self) -> None:
        """Make room."""
        with suppress(ValueError):
            self.house.lines.remove(self)

    async def on_message(self, message: str | bytes) -> None:
        """Answer a message; one that is none of a sheet's ends the line."""
        self.heard_at = time.monotonic()
        try:
            told = json.loads(message)
        except (ValueError, RecursionError):
            told = None
        if not isinstance(told, dict):
            self.close(NOT_NOW)
        elif self.is_known or await self._ask_for_entry():
            answer = await self.house.apart(lambda: self._answer(told))
            await self._send(answer)
        else:
            await self._send(answer_to(told, later=BOOK_LATER))

    async def _ask_for_entry(self) -> bool:
        """Whether the gate knows this link; the line ends if it does not."""
        refusal = await self.house.gate.asks(self.code, self.request.remote_ip or "")
        self.is_known = refusal is None
        if refusal is not None and refusal[0] != AWAY:
            # Where a device guesses too much it may be another one's phone: its sheet stays.
            self.close(NOT_NOW if refusal[0] == TOO_MANY else ANEW)
        return self.is_known

    async def _send(self, answer: dict[str, Any] | None) -> None:
        """Send an answer; None: the page must be loaded anew."""
        if answer is None:
            self.close(ANEW)
            return
        with suppress(WebSocketClosedError):  # asked again by the phone when it is back
            await self.write_message(json.dumps(answer))

    def _answer(self, told: dict[str, Any]) -> dict[str, Any] | None:
        """What goes back; runs beside the server's thread."""
        try:
            if self.sheet is None:
                sheet = self.house.seats.sheet(self.code)
                self.sheet, self.mark = sheet, mark_of(sheet.plan)
            return self.sheet.answer(told) if told.get("page") == self.mark else None
        except UnknownLinkError:
            return None
        except BookAwayError as error:
            _log.error("a taster's sheet has to wait: %s", error)
            return answer_to(told, later=BOOK_LATER)
        except Exception:
            _log.exception("a taster's sheet failed")
            return answer_to(told, later=UNSEEN_TROUBLE)


class Alive(Answer):
    """Answers anybody, so that a page can tell whether the server is there, and the lab book."""

    async def get(self) -> None:
        """Say yes; "later" to who asks for the lab book while that is away."""
        asks_for_book = bool(self.get_query_argument("book", ""))
        if asks_for_book and not await self.house.gate.finds_book():
            self.set_status(AWAY)
            self.finish("later")
        else:
            self.finish("yes")


class Nothing(Answer):
    """The answer where there is nothing."""

    def prepare(self) -> None:
        """Say so, whatever is asked."""
        self.say_no(404, N_("There is nothing here. Open your own link, or type your code."))


class Misdirected(RequestHandler):
    """The answer to requests for another machine."""

    def prepare(self) -> None:
        """Say so, whatever is asked."""
        self.set_status(MISDIRECTED)
        self.finish("This page is not here. Open the address on your card.")


def application(house: House, names: Collection[str]) -> Application:
    """What is served.

    Parameters
    ----------
    house : House
        What all requests share.
    names : collection of str
        What this machine is called.
    """
    app = Application(
        [("/", Page), ("/line", Line), ("/alive", Alive)],
        default_handler_class=Nothing,
        log_function=log_request,
        compress_response=True,
        websocket_max_message_size=MOST_BYTES,
        websocket_ping_interval=PING_S,
        websocket_ping_timeout=PING_S,
        house=house,
    )
    router = app.default_router
    router.rules.insert(0, router.process_rule(Rule(ForeignHost(names), Misdirected)))
    return app


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
    _log.log(
        logging.WARNING if status >= 400 else logging.INFO,
        "%s %s %s from %s, %.0f ms",
        status,
        request.method,
        request.path,
        request.remote_ip,
        1000 * request.request_time(),
    )


async def serve_until_a_signal(
    port: int, where: str, names: Collection[str], tls: ssl.SSLContext | None
) -> None:
    """Serve until somebody stops it.

    Parameters
    ----------
    port : int
        Port on this machine.
    where : str
        The lab book.
    names : collection of str
        What this machine is called.
    tls : SSLContext, optional
        How https is spoken; plain http without it.
    """
    loop, stopped = asyncio.get_running_loop(), asyncio.Event()

    def stop(_signal: int, _frame: FrameType | None) -> None:
        loop.call_soon_threadsafe(stopped.set)

    for each in (signal.SIGTERM, signal.SIGINT):
        signal.signal(each, stop)
    seats = Seats(where)
    house = House(Gate(seats.guest, time.monotonic, seats.look), seats)
    server = HTTPServer(
        application(house, names),
        ssl_options=tls,
        idle_connection_timeout=60,
        max_body_size=MOST_BYTES,
    )
    server.listen(port)
    await stopped.wait()
    server.stop()
    await loop.run_in_executor(None, house.close)
    await server.close_all_connections()


def main(port: int, *https: str) -> None:
    """Serve until a signal comes, by https if a certificate and its key are named.

    What is to be kept to oneself comes by the environment.
    """
    keep_links_out_of_logs()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    sys.setswitchinterval(SWITCH_S)
    names = own_names(os.environ.get(NAMES_VARIABLE, ""))
    tls = context_with(*map(Path, https)) if https else None
    asyncio.run(serve_until_a_signal(port, os.environ[BOOK_VARIABLE], names, tls))


if __name__ == "__main__":
    main(int(sys.argv[1]), *sys.argv[2:])
