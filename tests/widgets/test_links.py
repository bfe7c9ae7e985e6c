"""Codes and cards of tasters, and the gate that asks for them."""

from __future__ import annotations

import html
import math
import os
import stat
import xml.etree.ElementTree as ET

import pytest

from labkit.book import LabBook
from labkit.errors import BookError
from labkit.present import qr_svg
from labkit.widgets.tasters.gate import WRONG_CODES_A_MINUTE
from labkit.widgets.tasters.links import (
    ALPHABET,
    CODE_LENGTH,
    LISTENERS,
    SECURE,
    cards,
    code_in_query,
    give_links,
    new_code,
    read_code,
)
from tests.widgets.tables import SESSION, TASTERS, lay_table

BASE = "http://192.0.2.7:8866/"


@pytest.fixture
def book(tmp_path):
    lay_table(tmp_path / "book.db")
    with LabBook(tmp_path / "book.db") as book:
        yield book


def test_a_code_holds_forty_nine_bits_and_no_sign_that_looks_like_another():
    assert math.log2(len(ALPHABET)) * CODE_LENGTH > 49
    assert not set(ALPHABET) & set("01ILO")
    assert len({new_code() for _ in range(1000)}) == 1000


def test_guessing_at_the_rate_that_is_allowed_takes_millions_of_years():
    a_year_s = 365.25 * 24 * 3600
    guesses_a_year = WRONG_CODES_A_MINUTE / 60 * a_year_s
    # On average half of all codes are tried before the first of twelve is hit, a thirteenth each.
    years = len(ALPHABET) ** CODE_LENGTH / 13 / guesses_a_year

    assert years > 6e6


@pytest.mark.parametrize("typed", ["k7m2q-x9pwd", " K7M2QX9PWD ", "K7M2Q X9PWD"])
def test_a_code_may_be_typed_carelessly(typed):
    assert read_code(typed) == "K7M2QX9PWD"


@pytest.mark.parametrize("typed", ["", "K7M2Q", "K7M2QX9PW0", "' OR 1=1 --", "K7M2QX9PWD" * 9])
def test_what_cannot_be_a_code_is_none(typed):
    assert read_code(typed) == ""


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("code=K7M2QX9PWD", "K7M2QX9PWD"),
        ("a=1&code=k7m2q-x9pwd", "K7M2QX9PWD"),
        ("code=K7M2QX9PWD&code=ABCDEFGHJK", ""),
        ("", ""),
        ("&".join(["x=1"] * 50), ""),
    ],
)
def test_a_link_names_one_taster_or_nobody(query, code):
    assert code_in_query(query) == code


def test_links_given_before_stay_the_same_after_a_restart(book, tmp_path):
    first = give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json")
    again = give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json")

    assert [link.taster for link in first] == list(TASTERS)
    assert first == again
    assert book.sessions.guest_of_link(first[0].code).taster == "Ines"


def test_renewing_makes_old_links_useless(book, tmp_path):
    (old, *_) = give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json")
    (new, *_) = give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json", renew=True)

    assert old.code != new.code
    with pytest.raises(BookError, match="not known"):
        book.sessions.guest_of_link(old.code)


def test_the_file_of_codes_is_the_leads_alone(book, tmp_path):
    file = tmp_path / "links.json"
    links = give_links(book, SESSION, BASE, keep_in=file)

    if os.name == "posix":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    stored = (tmp_path / "book.db").read_bytes()
    assert all(link.code.encode() not in stored for link in links)


def test_a_damaged_file_of_codes_gives_new_ones(book, tmp_path):
    (tmp_path / "links.json").write_text("{half")

    assert len(give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json")) == len(TASTERS)


def test_cards_show_each_taster_once_and_no_script(book, tmp_path):
    links = give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json")

    page = cards("<script>alert(1)</script>", links, BASE)

    assert page.count("<svg") == len(TASTERS)
    assert all(link.typed in page for link in links)
    assert "<script" not in page


def test_the_lead_reads_what_others_could_read_unless_it_is_https(book, tmp_path):
    links = give_links(book, SESSION, BASE, keep_in=tmp_path / "links.json")
    by_http, by_https = (cards(SESSION, links, base) for base in (BASE, BASE.replace("p:", "ps:")))

    assert html.escape(LISTENERS) in by_http
    assert html.escape(SECURE) in by_https
    assert LISTENERS[:20] not in by_https


def test_a_qr_code_is_a_drawing_that_needs_nothing_else():
    root = ET.fromstring(qr_svg(f"{BASE}?code=K7M2QX9PWD"))

    assert root.tag == "svg"
    assert "href" not in qr_svg(BASE)
