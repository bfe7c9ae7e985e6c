"""The report of one coffee: complete, of that coffee alone, and enough to redo the analysis."""

from __future__ import annotations

import base64
import hashlib
import io
import re

import pandas as pd
import pytest

from labkit.analysis import read_coffee
from labkit.bench.report import coffee_report
from labkit.book import LabBook
from labkit.book.demo import ensure_demo_book


@pytest.fixture(scope="module")
def book():
    with LabBook(ensure_demo_book()) as book:
        yield book


@pytest.fixture(scope="module")
def reported(book):
    coffee = next(
        c for c in book.coffees() if len(book.opened_scores(coffee=c.name, client=c.client))
    )
    return coffee, coffee_report(book, coffee.name, client=coffee.client).html


def attached(html):
    found = re.search(r'href="data:text/csv;base64,([^"]+)"', html)
    return base64.b64decode(found[1])


def test_a_stranger_redoes_the_analysis_from_the_scores_in_the_page(book, reported):
    coffee, html = reported
    raw = attached(html)
    assert hashlib.sha256(raw).hexdigest() in html
    scores = pd.read_csv(io.BytesIO(raw), dtype={"blind_code": str})
    ours = read_coffee(book.opened_scores(coffee=coffee.name, client=coffee.client), "overall")
    assert read_coffee(scores, "overall").verdict.text == ours.verdict.text


def test_nothing_of_another_coffee_or_client_is_in_it(book, reported):
    coffee, html = reported
    scores = pd.read_csv(io.BytesIO(attached(html)))
    assert set(scores["coffee"]) == {coffee.name}
    assert set(scores["client"]) == {coffee.client}
    for other in book.coffees():
        if other.name != coffee.name:
            assert other.name not in html
        if other.client != coffee.client:
            assert other.client not in html


def test_it_says_how_blind_how_sure_and_with_what(reported):
    _, html = reported
    for words in (
        "how blind",
        "Flights",
        "Locks and openings",
        "The recipe",
        "Versions",
        "SHA-256",
    ):
        assert words in html
    assert not re.search(r'(?:src|href)="https?:', html)
