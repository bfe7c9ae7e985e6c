"""DEVELOPERS.md and README.md hold: their code runs, their tables are those of the project."""

from __future__ import annotations

import importlib
import inspect
import re
import tomllib

import matplotlib.pyplot as plt
import pytest

from labkit import LabBook, open_book
from tests.project import PROJECT, copy_data

GUIDE = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (PROJECT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"\*\*(A [a-z]+)\*\*(?:(?!\n\*\*).)*?```python\n(.*?)```", GUIDE, re.DOTALL)
ROOMS = ("water", "tasting", "book", "analysis", "workflow", "present", "bench", "widgets")


def listed(heading):
    """Names in the first column of the first table after the heading."""
    table = GUIDE[GUIDE.index(heading) :].split("|---|", 1)[1].split("\n\n", 1)[0]
    cells = [line.split("|")[1] for line in table.splitlines()[1:]]
    return {name.strip().lower() for cell in cells for name in cell.split(",")}


def required(requirements):
    return {re.match(r"[\w.-]+", one)[0].lower() for one in requirements}


@pytest.mark.parametrize(("what", "code"), BLOCKS, ids=[what for what, _ in BLOCKS])
def test_what_the_guide_says_of_adding_something_works(what, code):
    exec(compile(code, f"DEVELOPERS.md, {what}", "exec"), {})
    plt.close("all")


def test_the_guide_says_how_to_add_a_salt_a_scale_a_language_a_design_and_a_plot():
    assert [what for what, _ in BLOCKS] == ["A salt", "A scale", "A language", "A design", "A plot"]
    assert all("assert" in code for _, code in BLOCKS)
    assert GUIDE.count("```python") == len(BLOCKS)


def test_backing_up_and_moving_work_as_the_readme_says(tmp_path, monkeypatch):
    monkeypatch.setenv("LABKIT_DATA", str(copy_data(tmp_path)))
    (tmp_path / "workbook").mkdir()
    monkeypatch.chdir(tmp_path / "workbook")

    section = README[README.index("## Where your data lives\n") :].split("\n## ", 1)[0]
    for code in re.findall(r"```python\n(.*?)```", section, re.DOTALL):
        exec(compile(code, "README.md", "exec"), {})

    books = (open_book(), LabBook("../data/our-lab-copy.db"), LabBook("../data/moved.db"))
    scores = [
        book.scores.opened_scores(coffee="Osmeni, natural")["score"].tolist() for book in books
    ]
    for book in books:
        book.close()
    assert scores[0] == scores[1] == scores[2] != []


def test_every_dependency_has_its_reason():
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]

    assert listed("Each dependency, and why") == required(project["dependencies"])
    for_tests = project["optional-dependencies"]["test"]
    assert listed("For the tests:") == required(for_tests)


def test_every_notebook_is_in_the_table_of_the_readme():
    there = sorted(path.stem for path in (PROJECT / "workbook").glob("*.ipynb"))

    assert re.findall(r"^\| `([\w-]+)` \|", README, re.MULTILINE) == there


@pytest.mark.parametrize("text", [GUIDE, README], ids=["DEVELOPERS.md", "README.md"])
def test_files_that_are_named_are_there(text):
    """Names with a folder or an ending; of labkit's rooms the folder may be left out."""
    inside = ("labkit", "labkit/water/data", "labkit/widgets/sheet/static", "tests", "tests/setup")
    roots = ["", *(f"{folder}/" for folder in (*inside, "tests/benchmarks"))]
    roots += [f"labkit/{room}/" for room in ROOMS]
    quoted = re.findall(r"`([\w./*-]+\.(?:py|js|csv|ipynb|md|toml|lock)|[\w./-]+/)`", text)
    quoted += re.findall(r"\]\((?!http)([^)#]+)\)", text)
    # A server's own, one of its addresses, and a folder that comes with the first backup.
    elsewhere = {"jupyterhub_config.py", "/voila/alive/", "data/backups/"}

    missing = [
        name
        for name in quoted
        if name not in elsewhere
        and not any(list(PROJECT.glob(f"{root}{name}".rstrip("/"))) for root in roots)
    ]
    assert missing == []


@pytest.mark.parametrize("room", ROOMS)
def test_every_public_name_says_what_it_is(room):
    """A docstring of its own on classes and functions, and on what they offer."""
    module = importlib.import_module(f"labkit.{room}")
    silent = []
    for name in module.__all__:
        public = getattr(module, name)
        if not (inspect.isclass(public) or inspect.isfunction(public)):
            continue
        offered = {name: public}
        if inspect.isclass(public):
            offered |= {
                f"{name}.{own}": getattr(made, "fget", getattr(made, "__func__", made))
                for own, made in vars(public).items()
                if not own.startswith("_")
                and isinstance(made, property | classmethod | staticmethod | type(listed))
            }
        # A dataclass without a docstring is given its signature for one.
        silent += [
            where
            for where, what in offered.items()
            if len((what.__doc__ or "").split()) < 2 or what.__doc__.startswith(f"{name}(")
        ]
    assert silent == []
