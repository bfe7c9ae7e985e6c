"""The everyday path stands in README.md, in code; it runs as it stands, on a fresh lab book."""

from __future__ import annotations

import ast
import re

import pandas as pd
import pytest

import labkit
from labkit.errors import LabkitError
from tests.project import PROJECT

README = (PROJECT / "README.md").read_text(encoding="utf-8")
SECTION = README[README.index("## In code\n") :].split("\n## ", 1)[0]
ONCE, DAY = re.findall(r"```python\n(.*?)```", SECTION, re.DOTALL)
BEST = 0.75
"""The Mg share that the panel of this test likes best."""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty folder to work in."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def like(planned):
    """Fill in scores.csv as a panel that likes one Mg share best, whatever its codes are."""
    scores = pd.read_csv("scores.csv")
    cups = {
        row.blind_code: row.target.mg_share
        for opened in planned.preparation.opened
        for row in opened.rows
    }
    share = scores["blind_code"].map(lambda code: cups[str(code)])
    own = scores["taster"].map({"Ines": 0, "Jonas": 1, "Kesia": 0, "Liv": -1})
    scores["overall"] = (7 + own - 8 * (share - BEST) ** 2).round()
    scores.to_csv("scores.csv", index=False)


def run(code, names):
    exec(compile(code, "README.md, In code", "exec"), names)


def test_the_day_in_the_readme_runs_and_finds_what_the_panel_likes(folder):
    names = {}
    run(ONCE, names)
    before, after = re.split(r"(?=^lk\.record_scores)", DAY, flags=re.MULTILINE)

    run(before, names)
    like(names["planned"])
    run(after, names)

    book = names["book"]
    (session,) = book.sessions.all()
    assert [one.state for one in book.sessions.flights(session.name)] == ["opened", "opened"]
    assert names["reading"].water.mg_share == pytest.approx(BEST, abs=0.25)
    assert len(names["flight"].targets) > 1
    assert names["card"].wanted == names["reading"].water  # one water, not rounded on the way
    assert names["flight"].recommended.water == names["reading"].water
    for name in ("planned", "reading", "flight", "card"):
        assert "<" in names[name]._repr_html_(), name  # each shows itself as a cell's last line

    # The next day goes on from the last one, by the same names.
    again = labkit.plan_session(
        book,
        names["coffee"],
        names["flight"],
        tasters=names["tasters"],
        passphrase=names["secret"],
        cups_per_flight=6,
    )
    assert again.session.attributes == session.attributes
    book.close()


def test_the_day_takes_ten_lines_and_only_names_of_labkit_itself():
    lines = [line for line in ast.parse(DAY).body if not isinstance(line, ast.Import)]
    imported = {
        name.name
        for line in ast.walk(ast.parse(ONCE + DAY))
        if isinstance(line, ast.Import | ast.ImportFrom)
        for name in line.names
    }

    assert len(lines) == 10
    assert imported == {"LabBook", "pandas", "labkit"}


def test_a_day_is_not_planned_for_a_coffee_that_nobody_added(folder):
    names = {}
    run(ONCE, names)

    with pytest.raises(LabkitError, match="'Ravendo, washed'"):
        run(DAY.replace('"Ravendo, washed"', '"Ravendo, natural"'), names)

    assert names["book"].sessions.all() == ()
    names["book"].close()
