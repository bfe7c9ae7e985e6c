"""Who gets through to a taster's page."""

from __future__ import annotations

import json

import pytest

from labkit.errors import BookAwayError, UnknownLinkError

pytest.importorskip("voila")

from jupyter_server.services.kernels.connection.base import (
    serialize_binary_message,
    serialize_msg_to_ws_v1,
)

from labkit.widgets.tasters.gate import (
    AWAY_S,
    WRONG_CODES_A_MINUTE,
    ForeignHost,
    Gate,
    own_names,
)
from labkit.widgets.tasters.kernels import kind_of
from labkit.widgets.tasters.server import entrance, settings


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


def test_the_kind_of_a_message_is_read_in_every_form_that_goes_out():
    header = {"msg_type": "stream", "session": "x"}
    message = {"header": header, "content": {"text": "Traceback"}, "channel": "iopub"}
    parts = [json.dumps(part).encode() for part in (header, {}, {}, message["content"])]
    forms = [
        (message, False),
        (json.dumps(message), False),
        (serialize_binary_message({**message, "buffers": [b"x"]}), False),
        (serialize_msg_to_ws_v1(parts, "iopub"), True),
    ]
    for form, is_v1 in forms:
        assert kind_of(form, is_v1=is_v1) == "stream"
    for garbage in (b"", b"\0" * 40, "x", "{}", {}):
        assert kind_of(garbage, is_v1=isinstance(garbage, bytes)) == ""


def test_the_entrance_shows_words_as_words():
    assert "<img" not in entrance("<img src=x onerror=alert(1)>")


def test_visitors_reach_no_files_and_choose_no_template():
    voila = settings(8866).VoilaConfiguration

    assert voila.file_allowlist == []
    assert voila.allow_template_override == voila.allow_theme_override == "NO"
    assert voila.show_tracebacks is False
    assert "preheat_kernel" not in voila, "with it, a notebook runs before the visitor is known"
