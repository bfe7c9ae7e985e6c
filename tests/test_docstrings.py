"""Every public function says in its docstring what it takes.

A parameter is named at the head of an entry of the section Parameters (NumPy style), with its type
and a line below. Where it is the only one and one sentence says all of it, that sentence may name
it in double backticks instead: Call ``follow`` after every change.
"""

import dataclasses
import importlib
import inspect
import re

import pytest

from tests.api_reference import public_names
from tests.project import PROJECT

NAMED_ELSEWHERE = {
    "_Absent.__init__": "AbsentBook, which is what users make, names it in its own docstring",
}
"""What is not asked to name its parameters, and why."""

SECTION = re.compile(r"^Parameters\n-+\n(.*?)(?=\n\n[A-Z][A-Za-z ]*\n-+\n|\Z)", re.DOTALL | re.M)

REFERENCE = re.compile(r":(?:class|data|func|meth):`~?(labkit\.\w+\.[\w.]+)`")


def entries(text):
    """Names, type and description of each entry of the section Parameters."""
    section = SECTION.search(inspect.cleandoc(text))
    found = []
    for line in section[1].splitlines() if section else ():
        if line and not line.startswith(" "):
            names, _, kind = line.partition(" : ")
            found.append([[name.strip("* ") for name in names.split(",")], kind, ""])
        elif line.strip():
            found[-1][2] += line.strip()
    return found


def parameters(function):
    """What a caller gives it."""
    return [name for name in inspect.signature(function).parameters if name not in ("self", "cls")]


def unnamed(function, text):
    """The parameters that a docstring does not name."""
    asked = parameters(function)
    if len(asked) == 1 and f"``{asked[0]}``" in text.partition("\n\n")[0]:
        return []
    told = {name for names, _, _ in entries(text) for name in names}
    return [name for name in asked if name not in told]


def public_functions():
    """Name, function and docstring of all that can be called through a door, inherited ones too."""
    found = {}
    for door, names in public_names().items():
        for name in names:
            offered = getattr(importlib.import_module(door), name)
            if inspect.isfunction(offered):
                found[f"{offered.__module__}.{name}"] = (offered, offered.__doc__)
            for owner in inspect.getmro(offered) if inspect.isclass(offered) else ():
                if owner.__module__.startswith("labkit."):
                    found |= methods(owner)
    return found


def methods(owner):
    """Public methods of a class, and its constructor unless that is made from its fields."""
    found = {}
    for name, kept in vars(owner).items():
        function = getattr(kept, "__func__", kept)
        is_constructor = name == "__init__" and not dataclasses.is_dataclass(owner)
        if inspect.isfunction(function) and (is_constructor or not name.startswith("_")):
            text = owner.__doc__ if is_constructor else function.__doc__
            found[f"{owner.__module__}.{owner.__qualname__}.{name}"] = (function, text)
    return found


@pytest.fixture(scope="module")
def functions():
    return public_functions()


def test_every_public_function_names_each_of_its_parameters(functions):
    silent = {
        name: missing
        for name, (function, text) in functions.items()
        if (missing := unnamed(function, text or ""))
        and ".".join(name.split(".")[-2:]) not in NAMED_ELSEWHERE
    }

    assert silent == {}


def test_no_docstring_names_a_parameter_that_is_not_there(functions):
    told = {
        name: set().union(*(names for names, _, _ in entries(text or "")))
        for name, (_, text) in functions.items()
    }

    gone = {name: told[name] - set(parameters(functions[name][0])) for name in told}
    assert {name: names for name, names in gone.items() if names} == {}


def test_every_parameter_that_is_named_has_a_type_and_a_description(functions):
    bare = [
        (name, names)
        for name, (_, text) in functions.items()
        for names, kind, description in entries(text or "")
        if not (kind and description)
    ]

    assert bare == []


def test_what_docstrings_refer_to_stands_at_a_door():
    """Or the API reference cannot link it, and a reader would import past the door."""
    offered = public_names()
    dangling = [
        (source.relative_to(PROJECT).as_posix(), target)
        for source in (PROJECT / "labkit").rglob("*.py")
        for target in REFERENCE.findall(source.read_text(encoding="utf-8"))
        if target.split(".")[2] not in offered[".".join(target.split(".")[:2])]
    ]

    assert dangling == []


def test_nothing_is_excused_that_need_not_be(functions):
    ends = {".".join(name.split(".")[-2:]): name for name in functions}

    assert all(unnamed(*functions[ends[short]]) for short in NAMED_ELSEWHERE)


def test_a_parameter_that_is_not_named_is_found():
    def pour(dose_ml, jug, *, on=None):
        """Pour a dose into ``jug``.

        Parameters
        ----------
        dose_ml : float
            What to pour (mL).

        Returns
        -------
        on : bool
            Not a parameter.
        """

    def call(follow):
        """Call ``follow`` later."""

    assert unnamed(pour, pour.__doc__) == ["jug", "on"]
    assert unnamed(call, call.__doc__) == []
    assert unnamed(call, "Call it later.") == ["follow"]
