"""A visitor of the tasters' page who tries to get more than their own sheet."""

from __future__ import annotations

import json
import re
import time
import urllib.error
import urllib.parse
import urllib.request
import uuid
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest
from websocket import WebSocketTimeoutException, create_connection

from labkit.book import LabBook
from labkit.widgets.tasters.gate import WRONG_CODES_A_MINUTE
from labkit.widgets.tasters.kernels import OPENING_A_TASTER
from tests.widgets.serving import kept, serving
from tests.widgets.tables import PASSPHRASE, SESSION, lay_table

pytestmark = pytest.mark.slow

ANSWER_S = 30
"""How long an answer that must come is waited for."""


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


@pytest.fixture(scope="module")
def kernel(html):
    """Id of the kernel behind Ines's page: the one thing that her page must know."""
    return re.search(r'"kernelId": "([0-9a-f-]{36})"', html).group(1)


class Socket:
    """The page's own socket, in the hands of an attacker."""

    def __init__(self, place, kernel):
        self.session = uuid.uuid4().hex
        url = f"ws://127.0.0.1:{place.port}/api/kernels/{kernel}/channels"
        self.socket = create_connection(
            f"{url}?session_id={self.session}", timeout=ANSWER_S, origin=place.url.rstrip("/")
        )

    def send(self, kind, content, channel="shell", version="2.1.0"):
        header = {
            "msg_id": uuid.uuid4().hex,
            "msg_type": kind,
            "session": self.session,
            "username": "",
            "version": "5.3",
        }
        message = {
            "header": header,
            "parent_header": {},
            "metadata": {"version": version},
            "content": content,
            "channel": channel,
            "buffers": [],
        }
        self.socket.send(json.dumps(message))
        return header["msg_id"]

    def answers(self, number=None):
        """Everything that comes back; only answers to one message, if named.

        A harmless question is asked last: the kernel takes up what is on its shell in order, so
        that once this is answered, and the kernel idle after it, all the rest has been.
        """
        found, last = [], self.send("kernel_info_request", {})
        ends = {"kernel_info_reply", "idle"}
        while ends:
            message = json.loads(self.socket.recv())
            if message["parent_header"].get("msg_id") == last:
                ends -= {message["msg_type"], message["content"].get("execution_state")}
            elif number is None or message["parent_header"].get("msg_id") == number:
                found.append(message)
        return found

    def answers_within(self, seconds, numbers):
        """Answers to these messages on any channel, until it is quiet for so long."""
        self.socket.settimeout(seconds)
        found = []
        while True:
            try:
                message = json.loads(self.socket.recv())
            except WebSocketTimeoutException:
                return found
            if message["parent_header"].get("msg_id") in numbers:
                found.append(message)


@pytest.fixture
def socket(place, kernel):
    opened = Socket(place, kernel)
    opened.answers()  # it is answered at all
    yield opened
    opened.socket.close()


def test_the_page_holds_no_source_no_file_and_nobody_else(place, html):
    for secret in ("tasters_sheet", "import ", str(place.book_path), "book.db", "Jonas", "13.5"):
        assert secret not in html


FORBIDDEN = (
    ("execute_request", {"code": "open('/tmp/pwned','w')", "silent": False}),
    ("inspect_request", {"code": "tasters_sheet", "cursor_pos": 3, "detail_level": 1}),
    ("complete_request", {"code": "import o", "cursor_pos": 8}),
    ("history_request", {"hist_access_type": "tail", "n": 9, "output": True, "raw": True}),
    ("debug_request", {"type": "request", "seq": 1, "command": "debugInfo"}),
    ("interrupt_request", {}),
    ("input_reply", {"value": "x"}),
)


def test_the_socket_runs_and_tells_nothing(socket):
    asked = {
        socket.send(kind, content, channel): (kind, channel)
        for channel in ("shell", "control", "stdin")
        for kind, content in FORBIDDEN
    }

    answers = socket.answers_within(2, asked)
    assert [(asked[one["parent_header"]["msg_id"]], one["msg_type"]) for one in answers] == []
    socket.socket.settimeout(ANSWER_S)
    socket.answers()  # and it still answers what it may


def all_states(socket):
    """The state of every widget of the kernel, asked for as any front end may."""
    comm = uuid.uuid4().hex
    opening = {"comm_id": comm, "target_name": "jupyter.widget.control", "data": {}}
    socket.send("comm_open", opening, version="1.0.0")
    socket.send("comm_msg", {"comm_id": comm, "data": {"method": "request_states"}})
    told = [m["content"].get("data", {}).get("states", {}) for m in socket.answers()]
    return {name: model for states in told for name, model in states.items()}


def model_of(socket, kind):
    """Name and state of the one widget of a kind."""
    ((name, model),) = [
        (name, model) for name, model in all_states(socket).items() if model["model_name"] == kind
    ]
    return name, model["state"]


def test_no_widget_in_the_kernel_holds_a_secret(place, socket):
    told = json.dumps(all_states(socket))

    assert "2026-11-21 Fennmark" in told, "the sheet itself is told"
    codes = [link.code for link in place.links().values()]
    for secret in (
        "Jonas",
        "book.db",
        "hardness",
        "alkalinity",
        "mg_share",
        "jug",
        PASSPHRASE,
        *codes,
    ):
        assert secret not in told


def test_a_browser_makes_no_widgets_of_its_own(socket):
    state = {
        "_model_module": "@jupyter-widgets/controls",
        "_model_module_version": "2.0.0",
        "_model_name": "FileUploadModel",
        "_view_module": "@jupyter-widgets/controls",
        "_view_module_version": "2.0.0",
        "_view_name": "FileUploadView",
    }
    comm = uuid.uuid4().hex
    socket.send(
        "comm_open", {"comm_id": comm, "target_name": "jupyter.widget", "data": {"state": state}}
    )
    socket.answers()
    number = socket.send("comm_msg", {"comm_id": comm, "data": {"method": "request_state"}})

    assert [m for m in socket.answers(number) if m["msg_type"] == "comm_msg"] == []


def test_what_a_visitor_sends_by_hand_is_checked_like_a_score(place, socket):
    comm, state = model_of(socket, "AnyModel")
    own = state["plan"]["look"]["cups"][0]
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
    content = {"kind": "scores", "number": 1, "known": "", "scores": evil}
    socket.send("comm_msg", {"comm_id": comm, "data": {"method": "custom", "content": content}})
    update = {"method": "update", "state": {"plan": {"taster": "Jonas"}}, "buffer_paths": []}
    socket.send("comm_msg", {"comm_id": comm, "data": update})
    told = json.dumps(socket.answers())

    assert kept(place.book_path, SESSION) == before
    assert "Traceback" not in told
    assert "score_sheet.py" not in told
    assert model_of(socket, "AnyModel")[1]["plan"]["taster"] == "Ines"


def test_garbage_on_the_socket_brings_no_traceback(place, socket):
    comm, _ = model_of(socket, "AnyModel")
    for data in (
        {},
        {"method": "custom"},
        {"method": "update", "state": {"layout": 3}},
        {"method": 7},
        None,
        "x",
        [None],
    ):
        socket.send("comm_msg", {"comm_id": comm, "data": data})
    socket.send("comm_msg", {"comm_id": comm})
    socket.send("comm_open", {"comm_id": uuid.uuid4().hex, "target_name": "x", "data": None})
    control = uuid.uuid4().hex
    opening = {"comm_id": control, "target_name": "jupyter.widget.control", "data": {}}
    socket.send("comm_open", opening, version="1.0.0")
    socket.send("comm_msg", {"comm_id": control, "data": None})
    socket.send("comm_close", {"comm_id": control, "data": None})
    socket.send("comm_info_request", {"target_name": [1]})
    socket.send("comm_msg", {"comm_id": "nobody", "data": {"method": "update", "state": {}}})
    layout, _ = model_of(socket, "LayoutModel")
    bad = {"method": "update", "state": {"width": [1, 2]}, "buffer_paths": []}
    socket.send("comm_msg", {"comm_id": layout, "data": bad})
    socket.send("comm_msg", {"comm_id": layout, "data": None})
    answers = socket.answers()
    told = json.dumps(answers)

    assert "Traceback" not in told
    assert ".py" not in told
    # What a kernel prints, is given to run or fails with is none of a visitor's business.
    assert {message["msg_type"] for message in answers} <= {
        *("status", "comm_open", "comm_msg", "comm_close"),
        *("comm_info_reply", "kernel_info_reply"),
    }
    deadline = time.monotonic() + ANSWER_S
    while "Exception in comm_msg" not in place.log.read_text() and time.monotonic() < deadline:
        time.sleep(0.1)
    assert "Exception in comm_msg" in place.log.read_text(), "it is logged for the lead"


@pytest.mark.parametrize(
    "path",
    [
        "api/kernels",
        "api/sessions",
        "api/contents",
        "api/contents/score_sheet.ipynb",
        "api/terminals",
        "api/kernelspecs",
        "lab",
        "tree",
        "login",
        "files/score_sheet.ipynb",
        "voila/tree",
        "voila/render/score_sheet.ipynb",
        "voila/files/score_sheet.ipynb",
        "voila/files/x.png",
        "voila/files/..%2f..%2f..%2fetc%2fpasswd",
        "voila/files/../../labkit/errors.py",
        "voila/static/..%2f..%2f..%2f..%2fetc%2fpasswd",
        "voila/static/../../../../etc/passwd",
        "voila/templates/tasters/..%2f..%2f..%2fetc%2fpasswd",
        "voila/templates/tasters/index.html.j2",
        "voila/labextensions/..%2f..%2f..%2f..%2fetc%2fpasswd",
        "voila/api/themes/..%2f..%2f..%2f..%2fetc%2fpasswd",
        "..%2f..%2fdata%2fbook.db",
    ],
)
def test_paths_lead_nowhere(place, path):
    before = set(place.kernels())
    for query in ("", f"?code={place.links()['Mirela'].code}"):
        status, text = get(place, path + query)

        assert status >= 400 or "The code on your card" in text
        for secret in (
            "root:",
            "nbformat",
            "cell_type",
            "LabkitError",
            "SQLite format",
            'kernelspecs":',
        ):
            assert secret not in text
    assert set(place.kernels()) == before, "no kernel was started for it"


def test_a_visitor_cannot_end_or_find_another_kernel(place, kernel):
    for method, path in [
        ("DELETE", f"api/kernels/{kernel}"),
        ("POST", f"voila/api/shutdown/{kernel}"),
        ("POST", f"api/kernels/{kernel}/restart"),
        ("GET", f"api/kernels/{uuid.uuid4()}"),
    ]:
        assert get(place, path, method)[0] >= 400
    assert get(place, f"api/kernels/{kernel}")[0] == 200, "it is still there"


def test_a_socket_from_another_site_is_turned_away(place, kernel):
    with pytest.raises(Exception, match="403"):
        create_connection(
            f"ws://127.0.0.1:{place.port}/api/kernels/{kernel}/channels",
            origin="http://evil.example",
            timeout=ANSWER_S,
        )


def test_another_sites_frame_and_script_are_forbidden_by_headers(place):
    request = urllib.request.Request(place.url)
    with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request) as answer:
        policy = answer.headers["Content-Security-Policy"]

    assert "frame-ancestors 'none'" in policy
    assert "default-src 'self'" in policy
    assert "http" not in policy


def test_links_are_nobodys_but_their_tasters(place):
    old = place.links()["Tamsin"].code
    with LabBook(place.book_path) as book:
        book.sessions.issue_link(SESSION, "Tamsin", secret="ABCDEFGHJK")

    status, text = get(place, f"?code={old}")

    assert status == 403
    assert "a newer one replaced it" in text


def test_a_link_opens_its_own_tasters_sheet_whatever_else_it_asks_for(place):
    own, other = (place.links()[name].code for name in ("Ines", "Jonas"))
    with LabBook(place.book_path) as book:
        codes = {cup.blind_code for cup in book.sessions.served_cups(SESSION, 1, "Jonas")}
    assert codes, "Jonas has cups, and 13.5 as a score"

    for query in (f"?code={own}&code={other}", f"?code={other}&code={own}"):
        assert get(place, query)[0] == 403, "two codes name nobody"
    for extra in ("taster=Jonas", f"Code={other}", f"session={SESSION}&taster=Jonas"):
        status, text = get(place, f"?code={own}&{urllib.parse.quote(extra, safe='=&')}")
        assert status in (200, 429), "the sheet of Ines, or too many of them"
        found = re.search(r'"kernelId": "([0-9a-f-]{36})"', text)
        if found:
            socket = Socket(place, found.group(1))
            _, state = model_of(socket, "AnyModel")
            socket.socket.close()
            assert state["plan"]["taster"] == "Ines"
            assert 13.5 not in state["plan"]["look"]["values"].values()


def test_one_link_starts_no_more_than_a_few_kernels(place):
    """Fourteen requests at once that never connect, then a visitor who means it."""
    before = set(place.kernels())
    with ThreadPoolExecutor(14) as pool:
        ask = [pool.submit(get, place, f"?code={place.links()['Mirela'].code}") for _ in range(14)]
        answers = [asked.result() for asked in ask]
    started = set(place.kernels()) - before

    assert 1 <= len(started) <= OPENING_A_TASTER
    assert Counter(status for status, _ in answers) == {200: len(started), 429: 14 - len(started)}
    assert all("tries again by itself" in text for status, text in answers if status == 429)
    assert get(place, f"?code={place.links()['Tamsin'].code}")[0] in (200, 403), "nobody else waits"


@pytest.mark.parametrize("path", ["", "alive", "voila/static/voila.js", "api/kernels/x/channels"])
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
    assert "code=(a link)" in text


def test_nothing_in_a_link_is_taken_for_sql_or_a_path(place):
    for evil in ("' OR 1=1 --", "../../book.db", "%00", "<script>alert(1)</script>"):
        status, text = get(place, f"?code={urllib.parse.quote(evil)}")

        assert status in (403, 429)
        assert "<script>alert" not in text
