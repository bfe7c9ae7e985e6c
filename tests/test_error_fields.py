"""An error that begins with the name of an argument carries it, so that a form can place it."""

from __future__ import annotations

import ast
import inspect
import pickle
import re
from collections.abc import Iterator
from pathlib import Path

from labkit import errors
from labkit.errors import BookError, LabkitError
from tests.project import PROJECT

ERRORS = {name for name, one in inspect.getmembers(errors, inspect.isclass) if "Error" in name}
MODULES = sorted((PROJECT / "labkit").rglob("*.py"))


def bare_errors(module: Path) -> Iterator[str]:
    """Errors whose message begins with an argument of where they are made, without its field."""
    yield from _bare_in(ast.parse(module.read_text(encoding="utf-8")), frozenset(), {})


def _bare_in(node: ast.AST, names: frozenset[str], assigned: dict[str, ast.expr]) -> Iterator[str]:
    if isinstance(node, ast.ClassDef):
        fields = (one.target for one in node.body if isinstance(one, ast.AnnAssign))
        names |= {one.id for one in fields if isinstance(one, ast.Name)}
    if isinstance(node, ast.FunctionDef):
        given = node.args
        names |= {one.arg for one in (*given.posonlyargs, *given.args, *given.kwonlyargs)}
        assigned = {}
    if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
        assigned[node.targets[0].id] = node.value
    if (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ERRORS
        and node.args
        and not any(one.arg == "field" for one in node.keywords)
    ):
        word = re.match(r"[a-z][a-z0-9_]*(?= )", _beginning(node.args[0], assigned))
        if word and word[0] in names:
            yield f"line {node.lineno}: {word[0]}"
    for child in ast.iter_child_nodes(node):
        yield from _bare_in(child, names, assigned)


def _beginning(message: ast.expr, assigned: dict[str, ast.expr]) -> str:
    """The words that a message begins with; nothing if it begins with a value."""
    if isinstance(message, ast.Name) and message.id in assigned:
        message = assigned[message.id]
    if isinstance(message, ast.JoinedStr) and message.values:
        message = message.values[0]
    return str(message.value) if isinstance(message, ast.Constant) else ""


def test_an_error_that_begins_with_an_argument_carries_it_as_its_field():
    bare = {str(module): list(bare_errors(module)) for module in MODULES}

    assert {module: found for module, found in bare.items() if found} == {}


def test_a_bare_error_is_found(tmp_path):
    module = tmp_path / "bare.py"
    module.write_text(
        "def pour(volume_ml, jug):\n"
        '    msg = f"jug must hold more, got {jug}."\n'
        "    if jug:\n"
        "        raise BookError(msg)\n"
        '    raise WaterError("volume_ml must be above 0.")\n'
    )
    assert list(bare_errors(module)) == ["line 4: jug", "line 5: volume_ml"]


def test_a_field_survives_the_way_to_another_process():
    error = pickle.loads(pickle.dumps(BookError("name must be new.", field="name")))

    assert isinstance(error, LabkitError)
    assert (str(error), error.field) == ("name must be new.", "name")
    assert LabkitError("no single argument is wrong.").field is None
