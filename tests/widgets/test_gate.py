"""Who gets through to a taster's page."""

from __future__ import annotations

import logging
import re

import pytest

from labkit.errors import BookAwayError, UnknownLinkError
from labkit.widgets.tasters.gate import WRONG_CODES_A_MINUTE, ForeignHost, Gate, own_names
from labkit.widgets.tasters.pages import entrance, policy, sheet_page, waiting_room
from labkit.widgets.tasters.seats import AWAY_S
from labkit.widgets.tasters.server import keep_links_out_of_logs


class Clock:
    now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def gate(clock):
    def opens(code):
        if code != "K7M2QX9PWD":
            raise UnknownLinkError("nobody of that code")

    return Gate(opens, clock)


def test_a_known_code_comes_in(gate):
    assert gate.refusal("K7M2QX9PWD", "phone") is None


def test_a_wrong_code_gets_one_sentence(gate):
    assert gate.refusal("ABCDEFGHJK", "phone") == (
        403,
        "This link is not known, or a newer one replaced it; ask the lead for yours.",
    )


def test_guessing_is_slowed_down_even_when_it_hits(gate, clock):
    for _ in range(WRONG_CODES_A_MINUTE):
        assert gate.refusal("ABCDEFGHJK", "laptop")[0] == 403

    assert gate.refusal("K7M2QX9PWD", "laptop")[0] == 429
    assert gate.refusal("K7M2QX9PWD", "phone") is None, "others are not held up"
    clock.now += 61
    assert gate.refusal("K7M2QX9PWD", "laptop") is None


def test_an_outage_is_not_a_wrong_code(clock):
    """Ten phones that reload while the book is away must come in as soon as it is back."""
    trouble = [BookAwayError("postgresql://labkit@10.0.0.7/tasting could not be read (refused).")]

    def opens(_code):
        if trouble:
            raise trouble[0]

    gate = Gate(opens, clock, lambda: opens(""))
    for _ in range(WRONG_CODES_A_MINUTE + 1):
        status, sentence = gate.refusal("K7M2QX9PWD", "phone")
        clock.now += 0.1
        assert status == 503
        assert "10.0.0.7" not in sentence
    assert not gate.is_book_there()
    trouble[0] = ValueError("something that nobody foresaw")
    clock.now += AWAY_S
    assert gate.refusal("K7M2QX9PWD", "phone")[0] == 503
    trouble.clear()
    clock.now += AWAY_S
    assert gate.is_book_there()
    assert gate.refusal("K7M2QX9PWD", "phone") is None


@pytest.mark.parametrize(
    ("host", "reached_at", "is_own"),
    [
        ("192.168.1.7:8866", "192.168.1.7", True),
        ("192.168.1.7:8866", "::ffff:192.168.1.7", True),
        ("192.168.1.8:8866", "192.168.1.7", False),
        ("[fe80::1]:8866", "fe80::1", True),
        ("tasting.example", "192.168.1.7", True),
        ("192.168.1.7.evil.example", "192.168.1.7", False),
        ("", "192.168.1.7", False),
    ],
)
def test_a_host_is_this_machine_by_name_or_by_the_address_it_is_reached_at(
    host, reached_at, is_own
):
    names = own_names("Tasting.example")

    assert ForeignHost(names).is_own(host, reached_at) == is_own


def test_the_entrance_shows_words_as_words():
    assert "<img" not in entrance("<img src=x onerror=alert(1)>")


def test_a_page_is_whole_and_runs_nothing_but_its_own_script():
    rules = policy("192.0.2.7:8866", is_secure=False)

    assert "unsafe" not in rules
    assert "connect-src 'self' ws://192.0.2.7:8866;" in rules
    evil = "</script><script>alert(1)</script>"
    for page in (sheet_page({"session": evil}), entrance(evil), waiting_room(evil)):
        assert "alert(1)</script>" not in page
        assert not re.search(r"<!--\w+-->|{{\w+}}|<[^>]* (src|style|on\w+)=", page)
        assert page.count("</script>") == page.count("<script")
        assert page.count("</style>") == page.count("<style") == 1


def test_a_host_cannot_add_to_the_policy():
    assert "*" not in policy("[::1%;script-src *]:80", is_secure=True)


def test_a_link_is_blotted_out_of_what_any_library_logs(caplog):
    make = logging.getLogRecordFactory()
    try:
        keep_links_out_of_logs()
        logging.getLogger("somebody").error("GET %s failed", "/line?code=K7M2QX9PWD&x=1")
    finally:
        logging.setLogRecordFactory(make)

    assert caplog.messages == ["GET /line?code=(a link)&x=1 failed"]
