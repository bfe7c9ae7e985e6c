"""Who gets through to a taster's page."""

from __future__ import annotations

import pytest

from labkit.errors import BookError

pytest.importorskip("voila")

from labkit.widgets.tasters.server import (
    WRONG_CODES_A_MINUTE,
    Gate,
    entrance,
    settings,
)


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
            raise BookError("this link is not known; ask the lead for yours.")

    return Gate(opens, clock)


def test_a_known_code_comes_in(gate):
    assert gate.refusal("K7M2QX9PWD", "phone") is None


def test_a_wrong_code_gets_one_sentence(gate):
    assert gate.refusal("ABCDEFGHJK", "phone") == (
        403,
        "This link is not known; ask the lead for yours.",
    )


def test_guessing_is_slowed_down_even_when_it_hits(gate, clock):
    for _ in range(WRONG_CODES_A_MINUTE):
        assert gate.refusal("ABCDEFGHJK", "laptop")[0] == 403

    assert gate.refusal("K7M2QX9PWD", "laptop")[0] == 429
    assert gate.refusal("K7M2QX9PWD", "phone") is None, "others are not held up"
    clock.now += 61
    assert gate.refusal("K7M2QX9PWD", "laptop") is None


def test_the_entrance_shows_words_as_words():
    assert "<img" not in entrance("<img src=x onerror=alert(1)>")


def test_visitors_reach_no_files_and_choose_no_template():
    voila = settings(8866).VoilaConfiguration

    assert voila.file_allowlist == []
    assert voila.allow_template_override == voila.allow_theme_override == "NO"
    assert voila.show_tracebacks is False
    assert "preheat_kernel" not in voila, "with it, a notebook runs before the visitor is known"
