"""The report of one coffee: complete, of that coffee alone, and enough to redo the analysis."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from html import unescape
from unicodedata import normalize

import numpy as np
import pandas as pd
import pytest
from pypdf import PdfReader
from statsmodels.formula.api import mixedlm

from labkit.analysis import read_coffee
from labkit.bench.paper.report import coffee_report
from labkit.book import Attribute, LabBook
from labkit.book.demo import ensure_demo_book
from labkit.book.store.records import Held
from labkit.present import say
from labkit.release import made_with
from labkit.tasting import SCALES
from labkit.water import COORDINATES
from tests.bench.conftest import PASSPHRASE, TARGETS
from tests.tasted import begin, lock_and_open, score


@pytest.fixture(scope="module")
def book():
    with LabBook(ensure_demo_book()) as book:
        yield book


@pytest.fixture(scope="module")
def reported(book):
    coffee = next(
        c
        for c in book.people.coffees()
        if len(book.scores.opened_scores(coffee=c.name, client=c.client))
    )
    return coffee, coffee_report(book, coffee.name, client=coffee.client).html


def report_of(book, factors):
    """The report of the first coffee in which so many factors were varied."""
    for coffee in book.people.coffees():
        scores = book.scores.opened_scores(coffee=coffee.name, client=coffee.client)
        if (scores[list(COORDINATES)].nunique() > 1).sum() != factors:
            continue  # not worth a reading
        surface = read_coffee(scores, "overall").surface
        if surface is not None and len(surface.coding.names) == factors:
            return coffee_report(book, coffee.name, client=coffee.client).html
    pytest.fail(f"no coffee of the demo varies {factors} factors")


def attached(html):
    found = re.search(r'href="data:text/csv;base64,([^"]+)"', html)
    return base64.b64decode(found[1])


def test_a_stranger_redoes_the_analysis_from_the_scores_in_the_page(book, reported):
    coffee, html = reported
    raw = attached(html)
    assert hashlib.sha256(raw).hexdigest() in html
    scores = pd.read_csv(io.BytesIO(raw), dtype={"blind_code": str})
    ours = read_coffee(
        book.scores.opened_scores(coffee=coffee.name, client=coffee.client), "overall"
    )
    assert read_coffee(scores, "overall").verdict == ours.verdict


def test_nothing_of_another_coffee_or_client_is_in_it(book, reported):
    coffee, html = reported
    scores = pd.read_csv(io.BytesIO(attached(html)))
    assert set(scores["coffee"]) == {coffee.name}
    assert set(scores["client"]) == {coffee.client}
    for other in book.people.coffees():
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
        "How sure that is",
        "Confirmation",
        made_with(),
        "Versions",
        "SHA-256",
    ):
        assert words in html
    assert not re.search(r'(?:src|href)="https?:', html)


def test_the_code_in_the_page_run_on_the_attached_scores_gives_the_same_answer(
    book, reported, tmp_path, monkeypatch
):
    """What a stranger does: save the attachment under its name, paste the code, run it."""
    coffee, html = reported
    name = unescape(re.search(r'<a download="([^"]+)"', html)[1])
    (tmp_path / name).write_bytes(attached(html))
    code = unescape(re.search(r"<pre>(.*?)</pre>", html, re.DOTALL)[1])
    *before, last = code.strip().splitlines()
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec("\n".join([*before, f"answer = {last}"]), names)
    ours = read_coffee(
        book.scores.opened_scores(coffee=coffee.name, client=coffee.client), "overall"
    )
    theirs = names["answer"]
    assert theirs.verdict == ours.verdict
    assert say(theirs) in unescape(re.sub(r"<[^>]+>", "", html))
    assert theirs.best.target == ours.best.target
    target = [ours.best.target]
    pd.testing.assert_frame_equal(theirs.predict(target), ours.predict(target))


def printed_coefficients(html):
    rows = re.search(r"Coefficients, coded.*?</table>", html, re.DOTALL)[0].split("<tr>")[1:]
    cells = [[unescape(one) for one in re.findall(r">([^<>]+)</t[dh]>", row)] for row in rows]
    return {name: float(value.replace("−", "-")) for name, value, _ in cells if name != "term"}


def test_plain_libraries_give_the_printed_coefficients_and_best_water(
    book, reported, tmp_path, monkeypatch
):
    """The second code of the page, without labkit, on the attachment alone."""
    coffee, html = reported
    (tmp_path / unescape(re.search(r'<a download="([^"]+)"', html)[1])).write_bytes(attached(html))
    code = unescape(re.findall(r"<pre>(.*?)</pre>", html, re.DOTALL)[1])
    assert "labkit" not in code
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(code, names)
    assert names["found"] == pytest.approx(list(printed_coefficients(html).values()), abs=6e-5)
    best = read_coffee(
        book.scores.opened_scores(coffee=coffee.name, client=coffee.client), "overall"
    ).best.highest
    for factor, level in names["best"].items():
        assert level == pytest.approx(getattr(best, factor))


def test_a_mixed_model_of_ones_own_finds_the_printed_coefficients(reported):
    """Osmeni by the words of the page alone: its own coding, statsmodels' MixedLM by formula, the
    variances estimated anew. Four flights have levels of their own, all else is within tasters."""
    _, html = reported
    scores = pd.read_csv(io.BytesIO(attached(html)))
    d = scores[scores["attribute"] == "overall"].copy()
    ends = {one: (d[one].min(), d[one].max()) for one in ("mg_share", "hardness_mg_l_caco3")}
    d["m"], d["h"] = (2 * (d[one] - low) / (high - low) - 1 for one, (low, high) in ends.items())
    d["block"] = d["session"] + d["flight"].astype(str)
    fit = mixedlm(
        "score ~ m + h + I(m * m) + I(h * h) + m:h + C(block, Sum)",
        d,
        groups="taster",
        re_formula="1",
        vc_formula={"answers": "0 + h", "flight": "0 + C(block)"},
    ).fit(method="powell")
    printed = printed_coefficients(html)
    mine = [fit.params[one] for one in ("Intercept", "m", "h", "I(m * m)", "I(h * h)", "m:h")]
    assert mine == pytest.approx(list(printed.values()), abs=0.01)
    at = np.linspace(-1, 1, 41)
    m, h = np.meshgrid(at, at, indexing="ij")
    mean = mine[0] + mine[1] * m + mine[2] * h + mine[3] * m * m + mine[4] * h * h + mine[5] * m * h
    top = np.unravel_index(np.argmax(mean), mean.shape)
    share, hardness = (
        low + (high - low) * (coded[top] + 1) / 2
        for coded, (low, high) in zip((m, h), ends.values(), strict=True)
    )
    said = re.search(r"Highest point of this surface[^<]*", unescape(html))[0]
    assert f"Mg share {share:.2f}" in said
    assert f"hardness {hardness:.0f} mg/L" in said
    assert f"it expects {mean.max():.1f} there" in said


def test_it_holds_recipe_conditions_scales_and_checks(reported):
    words = unescape(reported[1])
    for part in (
        "brew method",
        "cupping",
        "water the doses went into",
        "brew ratio, g/L",
        "1 to 9",
        "20 L",
        "right if",
        "conductivity",
        "All flights were scored blind",
        "maker's limits and a technician",
    ):
        assert part in words


@pytest.fixture
def two_clients(tmp_path):
    """Two clients at one lab, each word of the second one marked; a flight opened early."""
    mark = "Zweck"
    with LabBook(tmp_path / "book.db") as book:
        for name, label, grams in (
            ("calcium", "CaCl2·2H2O", 1.469),
            ("magnesium", "MgCl2·6H2O", 2.031),
            ("bicarbonate", "KHCO3", 2.001),
        ):
            book.stock.add_bottle(
                name, salt=label, weighed_g=grams, volume_ml=1000, note=f"for {mark}"
            )
        for client, coffee, extra in (("Ours", "Ormel", ""), (f"{mark} client", mark, mark)):
            book.people.add_client(client)
            book.people.add_coffee(
                coffee, client=client, lot=f"{extra}1", origin=extra, note=extra, process=extra
            )
            book.stock.add_base_water(
                f"{extra}tap", {"Ca": (10, "mg/L")}, fill_gap=True, client=client
            )
            for day in (1, 2):
                session = f"{coffee} {day}"
                plan = begin(
                    book,
                    session,
                    client=client,
                    coffee=coffee,
                    targets=TARGETS[:3],
                    tasters=["Ada", f"Bo{extra}"],
                    planning={"passphrase": PASSPHRASE},
                    seed=day,
                    attributes=[Attribute(name="overall", scale=SCALES["liking 1-9"])],
                    note=extra,
                    held=Held(grind="coarse", lead=f"Lea{extra}", vessel=f"{extra}bowl"),
                )
                if day == 2:
                    book.sessions.open_flights(
                        session, [1], PASSPHRASE, early_because="a spilt bowl", done_by="Lea"
                    )
                score(book, plan, lambda cup, _water: {"overall": 4 + cup.position}, PASSPHRASE)
                if day == 1:
                    lock_and_open(book, plan, PASSPHRASE)
                else:
                    book.sessions.lock_flights(session, plan.flights)
        yield book, mark


def test_a_flight_opened_early_is_named_and_its_scores_are_not_read(two_clients):
    book, _ = two_clients
    html = coffee_report(book, "Ormel", client="Ours").html
    words = unescape(html)
    assert "Flight 1 of 'Ormel 2' was not blind" in words
    assert "because a spilt bowl" in words
    assert "All flights were scored blind" not in words
    read, not_read = (
        pd.read_csv(io.BytesIO(base64.b64decode(data)))
        for data in re.findall(r'href="data:text/csv;base64,([^"]+)"', html)
    )
    assert set(read["session"]) == {"Ormel 1"}
    assert set(not_read["session"]) == {"Ormel 2"}


def words_of(html):
    """The page without the bytes of its pictures, in which a short word turns up by chance."""
    return re.sub(r"data:image/png;base64,[^\"]+", "", html)


def test_no_word_of_another_client_is_in_the_page_or_in_what_is_attached(two_clients):
    book, mark = two_clients
    html = words_of(coffee_report(book, "Ormel", client="Ours").html)
    attachments = [
        base64.b64decode(data).decode()
        for data in re.findall(r'href="data:text/csv;base64,([^"]+)"', html)
    ]
    assert len(attachments) == 2
    assert all(mark not in text for text in [html, *attachments])
    theirs = words_of(coffee_report(book, mark, client=f"{mark} client").html)
    assert "Ormel" not in theirs


@pytest.mark.browser
@pytest.mark.parametrize("factors", [2, 3])
def test_the_paper_is_short_and_no_table_runs_out_of_its_column(book, factors, new_page):
    """Twelve pages took the demo's report in one column; half of each lay blank.

    The client's page is one on either paper, and nothing of the appendix stands on it.
    """
    html = report_of(book, factors)
    page = new_page(width=round(182 * 96 / 25.4), height=1000)
    for paper, size in (("A4", (595.3, 841.9)), ("Letter", (612.0, 792.0))):
        page.set_content(html)
        assert page.evaluate("document.documentElement.scrollHeight") < 6000
        printed = page.pdf(format=paper, prefer_css_page_size=True)
        pages = PdfReader(io.BytesIO(printed)).pages
        assert len(pages) <= 8
        assert [float(x) for x in pages[0].mediabox[2:]] == pytest.approx(size, abs=1.5)
        first, second = (normalize("NFKC", one.extract_text()) for one in pages[:2])
        for words in ("The recipe", "How sure that is", "Confirmation", made_with()):
            assert words in " ".join(first.split())
        assert "Appendix" not in first
        assert second.lstrip().startswith("Appendix")
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.set_viewport_size({"width": round(182 * 96 / 25.4), "height": 1000})
    page.emulate_media(media="print")
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    over = page.evaluate(
        """() => [...document.querySelectorAll('.wide')].flatMap(wide => {
            const half = (wide.clientWidth - 8 * 96 / 25.4) / 2;
            const column = wide.matches('.one') ? wide.clientWidth : half;
            return [...wide.querySelectorAll('table')].map(
                table => [table.caption.textContent, table.offsetWidth - column]);
        }).filter(([, over]) => over > 1)"""
    )
    assert over == []
