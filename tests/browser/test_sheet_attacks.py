"""A visitor of the tasters' page who tries to get more than their own sheet."""

from __future__ import annotations

import json
import re
import struct
import urllib.error
import urllib.parse
import urllib.request
import uuid
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from itertools import product

import pytest
from websocket import ABNF, WebSocketException, create_connection

from labkit.book import LabBook
from labkit.widgets.tasters.gate import WRONG_CODES_A_MINUTE
from labkit.widgets.tasters.server import ANEW, MOST_BYTES, NOT_NOW, PAGES_A_TASTER
from tests.widgets.serving import kept, serving
from tests.widgets.tables import PASSPHRASE, SESSION, lay_table

pytestmark = pytest.mark.slow

ANSWER_S = 30
"""How long an answer that must come is waited for."""

TOO_BIG = 1009
"""Ends a line on which a message is too long (RFC 6455)."""


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A tasters' page with a picture and a notebook lying beside the lab book."""
    folder = tmp_path_factory.mktemp("tasting")
    lay_table(folder / "book.db")
    with LabBook(folder / "book.db") as book:
        cup = book.sessions.served_cups(SESSION, 1, "Jonas")[0]
        book.scores.record_score(SESSION, 1, "Jonas", "acidity", 13.5, blind_code=cup.blind_code)
    with serving(folder / "book.db", SESSION, folder) as running:
        yield running


def get(place, path, method="GET", **headers):
    """Status and text of an answer."""
    request = urllib.request.Request(place.url + path, method=method, headers=headers)
    direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with direct.open(request, timeout=60) as answer:
            return answer.status, answer.read().decode("utf-8", "replace")
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode("utf-8", "replace")


@pytest.fixture(scope="module")
def html(place):
    """Page of Ines, as any browser gets it."""
    status, text = get(place, f"?code={place.links()['Ines'].code}")
    assert status == 200
    return text


def plan_in(html):
    """What a page shows."""
    return json.loads(re.search(r'id="plan">(.*)</script>', html).group(1))


class Line:
    """The page's own line, in the hands of an attacker."""

    def __init__(self, place, code, **options):
        options = {"origin": place.url.rstrip("/"), "timeout": ANSWER_S} | options
        self.socket = create_connection(f"ws://127.0.0.1:{place.port}/line?code={code}", **options)

    def ask(self, message):
        """What comes back for a message; the code of the end if the line ends."""
        self.socket.send(message if isinstance(message, str) else json.dumps(message))
        return self.heard()

    def heard(self):
        kind, data = self.socket.recv_data()
        return struct.unpack("!H", data[:2])[0] if kind == ABNF.OPCODE_CLOSE else json.loads(data)


@pytest.fixture
def dial(place):
    """Opens lines, and closes them all."""
    opened = []

    def call(code, **options):
        opened.append(Line(place, code, **options))
        return opened[-1]

    yield call
    for line in opened:
        line.socket.shutdown()


@pytest.fixture
def line(place, dial):
    """The line of Ines."""
    return dial(place.links()["Ines"].code)


def test_the_page_holds_no_source_no_file_and_nobody_else(place, html):
    codes = [link.code for link in place.links().values()]
    secrets = ("import ", ".py", str(place.book_path), "book.db", "Jonas", PASSPHRASE)
    for secret in (*secrets, *codes):
        assert secret not in html
    shown = json.dumps({**plan_in(html), "words": None})
    assert "2026-11-21 Fennmark" in shown, "the sheet itself is told"
    assert plan_in(html)["look"]["values"] == {}
    for secret in ("hardness", "alkalinity", "mg_share", "jug", "water"):
        assert secret not in shown


def test_what_a_visitor_sends_by_hand_is_checked_like_a_score(place, html, line):
    plan = plan_in(html)
    own = plan["look"]["cups"][0]
    with LabBook(place.book_path) as book:
        other = book.sessions.served_cups(SESSION, 1, "Jonas")
    before = kept(place.book_path, SESSION)

    def score(**changes):
        cup = {"flight": 1, "position": own["position"], "code": own["code"]}
        rest = {"id": uuid.uuid4().hex, "stage": "", "attribute": "acidity", "value": 1, "at": 0}
        return cup | rest | changes

    evil = [
        score(value=15.5),
        score(value="1; DROP TABLE scores"),
        score(attribute="overall'; DROP TABLE scores; --"),
        score(taster="Jonas", position=other[0].position, code="000"),
        score(position=99),
        score(id="../../../../etc/passwd"),
    ]
    answer = line.ask({"number": 1, "page": plan["mark"], "known": "", "scores": evil})

    assert kept(place.book_path, SESSION) == before
    assert len(answer["refused"]) == len(evil)
    assert answer["kept"] == []
    told = json.dumps(answer)
    assert "Traceback" not in told
    assert ".py" not in told
    asked_for = {"session": "another", "taster": "Jonas", "method": "update", "plan": {}}
    answer = line.ask({"number": 2, "page": plan["mark"], "scores": [score(value=2)], **asked_for})
    assert len(answer["kept"]) == 1
    assert kept(place.book_path, SESSION)[-1] == ("Ines", own["position"], "acidity", 2)


def test_garbage_on_the_line_brings_no_traceback_and_ends_it_at_worst(place, html, dial):
    mark, code = plan_in(html)["mark"], place.links()["Ines"].code
    deep = "[" * 100_000
    for message in ("", "x", "[]", "7", "null", deep, '"\\ud800"', "\0", "NaN"):
        line = dial(code)
        assert line.ask(message) == NOT_NOW
    line = dial(code)
    for told in (
        {},
        {"scores": "x"},
        {"scores": [None, 7, {"id": []}]},
        {"number": {}},
        {"now": []},
    ):
        answer = line.ask({"page": mark, **told})
        assert (answer["kept"], answer["later"]) == ([], "")
        assert ".py" not in json.dumps(answer)
    with suppress(ConnectionError):  # it may be cut before the whole of it is sent
        assert line.ask({"page": mark, "scores": [{"id": "x" * MOST_BYTES}]}) == TOO_BIG
    with pytest.raises((ConnectionError, WebSocketException)):
        line.ask({"page": mark, "scores": []})
    assert get(place, "alive")[1] == "yes"


def test_a_page_that_shows_what_is_no_longer_so_is_loaded_anew(line):
    assert line.ask({"page": "of another day", "scores": []}) == ANEW


@pytest.mark.parametrize(
    "path",
    [
        "api/kernels",
        "api/contents",
        "lab",
        "login",
        "static/page.js",
        "files/..%2f..%2f..%2fetc%2fpasswd",
        "../../../../etc/passwd",
        "..%2f..%2fdata%2fbook.db",
        "line",  # no socket
    ],
)
def test_paths_lead_nowhere(place, path):
    with_link = f"{path}?code={place.links()['Mirela'].code}"
    for asked, method in product((path, with_link), ("GET", "POST", "DELETE", "PROPFIND")):
        status, text = get(place, asked, method)

        assert status >= 400
        for secret in ("root:", "LabkitError", "SQLite format", "Traceback", ".py"):
            assert secret not in text


def test_the_page_is_only_read(place):
    for method in ("POST", "PUT", "DELETE"):
        assert get(place, f"?code={place.links()['Mirela'].code}", method)[0] == 405


def test_a_line_from_another_site_or_without_a_link_is_turned_away(place, dial):
    with pytest.raises(Exception, match="403"):
        dial(place.links()["Ines"].code, origin="http://evil.example")
    for code in ("", "AAAAABBBBB", "x&code=y"):
        assert dial(code).heard() == ANEW, "the page is loaded anew, and asks for the code"


def test_another_sites_frame_and_script_are_forbidden_by_headers(place):
    request = urllib.request.Request(place.url)
    with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request) as answer:
        policy = answer.headers["Content-Security-Policy"]

    assert "frame-ancestors 'none'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy


def test_links_are_nobodys_but_their_tasters(place):
    old = place.links()["Tamsin"].code
    with LabBook(place.book_path) as book:
        book.sessions.issue_link(SESSION, "Tamsin", secret="ABCDEFGHJK")

    status, text = get(place, f"?code={old}")

    assert status == 403
    assert "a newer one replaced it" in text


def test_a_link_opens_its_own_tasters_sheet_whatever_else_it_asks_for(place, dial):
    own, other = (place.links()[name].code for name in ("Ines", "Jonas"))
    with LabBook(place.book_path) as book:
        codes = {cup.blind_code for cup in book.sessions.served_cups(SESSION, 1, "Jonas")}
        codes_of_ines = {c.blind_code for c in book.sessions.served_cups(SESSION, 1, "Ines")}
    assert codes, "Jonas has cups, and 13.5 as a score"

    for query in (f"?code={own}&code={other}", f"?code={other}&code={own}"):
        assert get(place, query)[0] == 403, "two codes name nobody"
    for extra in ("taster=Jonas", f"Code={other}", f"session={SESSION}&taster=Jonas"):
        asked = f"{own}&{urllib.parse.quote(extra, safe='=&')}"
        plan = plan_in(get(place, f"?code={asked}")[1])
        assert plan["taster"] == "Ines"
        assert 13.5 not in plan["look"]["values"].values()
        line = dial(asked)
        answer = line.ask({"page": plan["mark"], "scores": []})
        assert {
            cup["code"] for cup in answer["look"]["cups"] if cup["flight"] == 1
        } == codes_of_ines
        assert 13.5 not in answer["look"]["values"].values()


def test_one_link_keeps_no_more_than_a_few_lines_and_holds_up_nobody(place, dial):
    """Fourteen requests at once, and as many lines as a link may have, all of them in use."""
    code = place.links()["Mirela"].code
    with ThreadPoolExecutor(14) as pool:
        answers = list(pool.map(lambda _n: get(place, f"?code={code}"), range(14)))
    assert {status for status, _ in answers} <= {200, 429}
    assert all("tries again by itself" in text for status, text in answers if status == 429)
    mark = plan_in(next(text for status, text in answers if status == 200))["mark"]
    lines = [dial(code) for _ in range(PAGES_A_TASTER)]
    for line in lines:
        assert line.ask({"page": mark, "scores": []})["later"] == ""

    assert dial(code).heard() == ANEW
    status, text = get(place, f"?code={code}")
    assert status == 429
    assert "open in too many places" in text
    for line in lines:
        assert line.ask({"page": mark, "scores": []})["later"] == "", "nobody was put out"
    assert get(place, f"?code={place.links()['Jonas'].code}")[0] == 200, "nobody else waits"


@pytest.mark.parametrize("path", ["", "alive", "line", "nothing/here"])
@pytest.mark.parametrize(
    ("host", "is_own"),
    [
        ("localhost", True),
        ("127.0.0.1", True),
        ("[::1]", True),
        ("LOCALHOST.", True),
        ("tasting.example", True),  # set by the lead
        ("evil.example", False),
        ("127.0.0.1.evil.example", False),
        ("192.0.2.7", False),
    ],
)
def test_only_this_machines_own_names_are_answered(place, path, host, is_own):
    status, text = get(place, path, Host=f"{host}:{place.port}")

    assert (status != 421) == is_own
    if not is_own:
        assert text == "This page is not here. Open the address on your card."


def test_guessing_is_slowed_down(place):
    statuses = [get(place, "?code=BBBBBBBBBB")[0] for _ in range(WRONG_CODES_A_MINUTE + 2)]

    assert statuses[-1] == 429
    assert statuses[0] in (403, 429)


def test_the_log_holds_no_link(place):
    text = place.log.read_text()

    for link in place.links().values():
        assert link.code not in text
    assert "GET /line from" in text


def test_nothing_in_a_link_is_taken_for_sql_or_a_path(place):
    for evil in ("' OR 1=1 --", "../../book.db", "%00", "<script>alert(1)</script>"):
        status, text = get(place, f"?code={urllib.parse.quote(evil)}")

        assert status in (403, 429)
        assert "<script>alert" not in text
