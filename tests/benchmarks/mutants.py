"""Do the tests notice when the arithmetic is wrong? Mutants of the numerical rooms, in a sample.

cosmic-ray's operators change constants, signs, comparisons and loops, one at a time; it cannot pick
the tests that fit a line nor change a module without writing to the clone, so that is done here. In
an environment of its own that sees this one's packages (see DEVELOPERS.md), in the clone::

    python -m tests.benchmarks.mutants dosing jugs --sample 60 --seed 1 --kept /tmp/mutants

Each test file of the room runs once under coverage (what it touched is kept in ``--kept`` for the
next run: delete what has changed). Then each mutant runs in a process forked from this one, on the
tests that touch its line, the quickest first, until one fails. A mutant is seen if a test fails,
crashes or does not come to an end. What nobody saw is printed as a change of its line, to be looked
at one by one: an equivalent is no fault. Three runs without any change stand beside each sample:
they must pass.

Whole numbers are taken one up and one down, others a tenth up (below 1e-4: a thousand times up, as
these bound rounding). Annotations, decorators, the words of errors and ``strict=`` are left alone.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import difflib
import gc
import importlib.machinery
import importlib.util
import io
import json
import os
import random
import re
import resource
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cosmic_ray.plugins
import coverage
import parso
import pytest
from cosmic_ray.ast import ast_nodes, get_ast, is_number
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from scipy import stats

PROJECT = Path(__file__).resolve().parents[2]

OURS = {"labkit", "tests", "conftest"}

LIBRARIES = "scipy.optimize, scipy.stats, scipy.sparse.csgraph, statsmodels.api, sqlalchemy.orm"
"""Imported once, before the processes are forked."""

ROOMS = {
    "chemistry": (
        "water/chemistry water/units.py water/salts/formula.py",
        "water: equilibrium conductivity portraits against_phreeqc salts waters dosing supply jugs",
    ),
    "dosing": (
        "water/dosing",
        "water: dosing nearest salt_shares waters portraits supply",
    ),
    "jugs": ("water/jugs", "water: jugs slips"),
    "tasting": (
        "tasting/detectable.py tasting/orders.py tasting/power.py tasting/balance.py",
        "tasting: detectable orders power blocks balance",
    ),
    "model": (
        "analysis/model/kenward_roger.py analysis/model/reml.py analysis/model/mixed.py "
        "analysis/model/coding.py analysis/model/structure.py",
        "analysis: mixed_models model odd_shapes odd_designs surface region extraction",
    ),
    "pair tests": (
        "analysis/pair_tests",
        "analysis: discrimination discrimination_answers; present: pair_tests",
    ),
    "reading": (
        "analysis/reading/agreement.py analysis/reading/panel.py analysis/reading/repeat_noise.py",
        "analysis: panel repeat_noise reading diagnostics discrimination_answers",
    ),
    "search": (
        "analysis/search/acquisition.py analysis/search/belief.py analysis/search/cups.py "
        "analysis/search/earlier_prior.py analysis/search/estimate.py "
        "analysis/search/posterior.py analysis/search/recommendation.py "
        "analysis/search/shape_average.py analysis/search/shape_library.py "
        "analysis/search/shapes.py analysis/search/shifts.py analysis/search/stopping.py",
        "analysis/search: batch cups head_start planning reasons recommend shapes simulate "
        "stopping suggest suggest_shapes walk water_map",
    ),
}
"""Of each room the modules (below ``labkit``), and the test files that concern them beside the
references. Examples in docstrings see no mutant: pytest loads their module from its file."""

SWAPS = {
    "ReplaceBinaryOperator": "Add_Sub Sub_Add Mul_Div Div_Mul Pow_Mul FloorDiv_Div Mod_Mul",
    "ReplaceComparisonOperator": (
        "Lt_LtE Lt_GtE LtE_Lt LtE_Gt Gt_GtE Gt_LtE GtE_Gt GtE_Lt Eq_NotEq NotEq_Eq Is_IsNot "
        "IsNot_Is"
    ),
    "ReplaceUnaryOperator": "Delete_USub Delete_Invert Delete_Not",
}
OTHERS = (
    "AddNot", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr",
    "ReplaceOrWithAnd", "ReplaceBreakWithContinue", "ReplaceContinueWithBreak",
    "ZeroIterationForLoop",
)  # fmt: skip

LEFT_ALONE = {"strict", "frozen", "slots", "kw_only", "dtype"}
"""Arguments of calls that are no arithmetic."""

TINY = 1e-4
"""Below this a constant bounds rounding."""


SEEN = re.compile(r"^  (\S+):\d+ (\w+) (\d+): seen", re.MULTILINE)
"""A line of the output: path, operator, occurrence."""


class MoveNumber(Operator):
    """Takes a whole number one up and one down, any other a tenth (a tiny one: far) up."""

    def mutation_positions(self, node: Any) -> Iterator[Any]:
        """Two of a whole number, one of any other."""
        if is_number(node):
            for _ in range(2 if isinstance(ast.literal_eval(node.value), int) else 1):
                yield node.start_pos, node.end_pos

    def mutate(self, node: Any, index: int) -> Any:
        """The number that takes its place."""
        value = ast.literal_eval(node.value)
        if isinstance(value, int):
            value += (1, -1)[index]
        else:
            value = value * (1000 if abs(value) < TINY else 1.1) if value else 0.1
        return parso.python.tree.Number(f"{value!r}", node.start_pos, node.prefix)

    @classmethod
    def examples(cls) -> tuple[()]:
        """None: cosmic-ray's own tests ask for them."""
        return ()


def operators() -> dict[str, Operator]:
    """All that is tried, by name."""
    names = [f"{kind}_{swap}" for kind, swaps in SWAPS.items() for swap in swaps.split()]
    found = {name: cosmic_ray.plugins.get_operator(f"core/{name}")() for name in [*names, *OTHERS]}
    return {**found, "MoveNumber": MoveNumber()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change of one module."""

    path: Path
    operator: str
    occurrence: int
    line: int

    @property
    def module(self) -> str:
        """Its name as Python imports it."""
        return ".".join(self.path.relative_to(PROJECT).with_suffix("").parts)

    @property
    def named(self) -> tuple[str, str, str]:
        """As the output names it."""
        path = self.path.relative_to(PROJECT / "labkit")
        return str(path), self.operator, str(self.occurrence)

    def code(self, known: dict[str, Operator]) -> str:
        """The module with the change; with none for an occurrence below 0."""
        source = self.path.read_text()
        if self.occurrence < 0:
            return source
        mutated: str = mutate_code(source, known[self.operator], self.occurrence)
        return mutated

    def change(self, known: dict[str, Operator]) -> str:
        """The lines that differ."""
        before, after = self.path.read_text().splitlines(), self.code(known).splitlines()
        lines = list(difflib.unified_diff(before, after, lineterm="", n=0))[3:]
        return "\n".join(f"      {line}" for line in lines)


def mutants_of(path: Path, known: dict[str, Operator]) -> list[Mutant]:
    """Every change of a module that is tried."""
    source = path.read_text()
    tree = ast.parse(source)
    left_alone, heads = _spans_left_alone(tree), _heads(tree)
    nodes = list(ast_nodes(get_ast(source)))
    found = []
    for name, operator in known.items():
        places = (place for node in nodes for place in operator.mutation_positions(node))
        for occurrence, (start, _) in enumerate(places):
            is_star = "Operator" in name and start[0] in heads  # the bare * of a signature
            if not is_star and not any(first <= start < last for first, last in left_alone):
                one = Mutant(path=path, operator=name, occurrence=occurrence, line=start[0])
                found.append(one)
    return found


def _heads(tree: ast.AST) -> set[int]:
    """Lines of the signatures of functions."""
    functions = [one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)]
    return {line for one in functions for line in range(one.lineno, one.body[0].lineno)}


def _spans_left_alone(tree: ast.AST) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    spans = []
    for node in ast.walk(tree):
        out: list[ast.AST | None] = [
            getattr(node, name, None) for name in ("annotation", "returns")
        ]
        out += getattr(node, "decorator_list", [])
        if isinstance(node, ast.Raise | ast.JoinedStr):
            out.append(node)
        if isinstance(node, ast.keyword) and node.arg in LEFT_ALONE:
            out.append(node)
        spans += [
            ((one.lineno, one.col_offset), (one.end_lineno or 0, one.end_col_offset or 0))
            for one in out
            if isinstance(one, ast.expr | ast.stmt | ast.keyword)
        ]
    return spans


@dataclass(frozen=True, slots=True, kw_only=True)
class Touched:
    """Which tests touch which line, and how long each takes."""

    by_line: dict[str, dict[int, set[str]]]
    seconds: dict[str, float]

    def tests_of(self, mutant: Mutant) -> list[str]:
        """Tests of the statement that is changed, the quickest first; of all its module if it is
        run while that is imported."""
        lines = self.by_line.get(str(mutant.path.relative_to(PROJECT)), {})
        own, in_function = _statement(mutant)
        found = {test for line in own for test in lines.get(line, ())}
        if not in_function:
            found |= {test for tests in lines.values() for test in tests}
        return sorted(found - {""}, key=lambda test: (self.seconds.get(test, 0.0), test))


def _statement(mutant: Mutant) -> tuple[range, bool]:
    """Lines of the smallest statement around a change (of a block its head, of a signature the
    function's body), and whether it lies in a function."""
    lines, in_function = range(mutant.line, mutant.line + 1), False
    size = 10**9
    for node in ast.walk(ast.parse(mutant.path.read_text())):
        if not isinstance(node, ast.stmt):
            continue
        body = getattr(node, "body", None)
        last = body[0].lineno - 1 if body else (node.end_lineno or node.lineno)
        if isinstance(node, ast.FunctionDef) and (
            node.lineno <= mutant.line <= (node.end_lineno or 0)
        ):
            if mutant.line < node.body[0].lineno:
                return range(node.body[0].lineno, (node.end_lineno or 0) + 1), True
            in_function = True
        if node.lineno <= mutant.line <= last and last - node.lineno < size:
            size, lines = last - node.lineno, range(node.lineno, last + 1)
    return lines, in_function


class _Recorder:
    """Tells coverage which test runs, and times it.

    What is done while fixtures are set up counts for all tests of the file, as they may share them.
    """

    def __init__(self, cov: coverage.Coverage) -> None:
        self.cov = cov
        self.seconds: dict[str, float] = {}

    def pytest_runtest_setup(self, item: Any) -> None:
        self.cov.switch_context(item.nodeid.partition("::")[0] + "::")

    def pytest_runtest_call(self, item: Any) -> None:
        self.cov.switch_context(item.nodeid)

    def pytest_runtest_logfinish(self) -> None:
        self.cov.switch_context("")

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration


class _Failure:
    """The first test that fails, and how."""

    def __init__(self) -> None:
        self.said = ""

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed and not self.said:
            crash = getattr(report.longrepr, "reprcrash", None)
            said = crash.message.splitlines()[0] if crash else str(report.longrepr)[-100:]
            self.said = f"{report.nodeid}: {said}"


def warm_up() -> None:
    """Import libraries and plugins once, and nothing of ours: 0.15 s a fork instead of 2."""
    exec(f"import {LIBRARIES}")
    with contextlib.redirect_stdout(io.StringIO()):
        pytest.main(["--collect-only", "-q", "-p", "no:cacheprovider", "tests/analysis"])
    for name in [name for name in sys.modules if name.split(".")[0] in OURS]:
        del sys.modules[name]
    gc.collect()
    gc.freeze()


def touched_by(tests: list[str], kept: Path) -> Touched:
    """What each test file touches, run once under coverage and kept."""
    by_line: dict[str, dict[int, set[str]]] = {}
    seconds: dict[str, float] = {}
    for test in tests:
        data, times = (kept / f"{test.replace('/', '_')}.{end}" for end in ("cov", "json"))
        if not times.exists():
            status, said = in_a_fork(lambda d=data, t=times, f=test: _record(d, t, f), limit=1800)
            if status:
                raise SystemExit(f"{test} must pass before mutants are tried: {status} {said}")
        read = coverage.CoverageData(basename=str(data))
        read.read()
        own = json.loads(times.read_text())
        seconds |= own
        for file in read.measured_files():
            lines = by_line.setdefault(str(Path(file).relative_to(PROJECT)), {})
            for line, contexts in read.contexts_by_lineno(file).items():
                shared = any(one.endswith("::") for one in contexts)
                lines.setdefault(line, set()).update(own if shared else contexts)
    return Touched(by_line=by_line, seconds=seconds)


def _record(data: Path, times: Path, test: str) -> tuple[int, str]:
    cov = coverage.Coverage(data_file=str(data), source=[str(PROJECT / "labkit")])
    recorder = _Recorder(cov)
    cov.start()
    status = _pytest([test], recorder)
    cov.stop()
    cov.save()
    if not status:
        times.write_text(json.dumps(recorder.seconds))
    return status, ""


def _pytest(tests: list[str], plugin: object) -> int:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *tests], plugins=[plugin]))


def _run(code: str, mutant: Mutant, tests: list[str]) -> tuple[int, str]:
    class Loader(importlib.machinery.SourceFileLoader):
        def get_code(self, fullname: str) -> Any:
            return compile(code, str(mutant.path), "exec", dont_inherit=True)

    class Finder:
        @staticmethod
        def find_spec(name: str, path: object = None, target: object = None) -> Any:
            if name != mutant.module:
                return None
            loader = Loader(name, str(mutant.path))
            return importlib.util.spec_from_file_location(name, mutant.path, loader=loader)

    sys.meta_path.insert(0, Finder)  # type: ignore[arg-type]
    failure = _Failure()
    status = _pytest(tests, failure)
    return status, failure.said


def in_a_fork(work: Any, *, limit: float) -> tuple[int, str]:
    """Do it in a process of its own: its status and words.

    The limit is in seconds of processor: a loop without end is killed by the system.
    """
    reader, writer = os.pipe()
    child = os.fork()
    if not child:
        os.close(reader)
        resource.setrlimit(resource.RLIMIT_CPU, (int(limit), int(limit) + 1))
        try:
            status, said = work()
        except BaseException as error:
            status, said = 99, repr(error)
        os.write(writer, said.encode()[:4000])
        os._exit(status)
    os.close(writer)
    with os.fdopen(reader) as words:
        said = words.read()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rooms", nargs="+", choices=list(ROOMS))
    parser.add_argument("--sample", type=int, default=60, help="mutants a room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kept", type=Path, default=Path("/tmp/labkit-mutants"))
    parser.add_argument("--beside", type=Path, help="an output whose seen mutants are not retried")
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of tests a mutant")
    chosen = parser.parse_args(arguments)
    chosen.kept.mkdir(parents=True, exist_ok=True)
    # What a mutant fails on is no example for the clone.
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(chosen.kept / "hypothesis")
    os.chdir(PROJECT)
    warm_up()
    known, out = operators(), sys.stdout.write
    for room in chosen.rooms:
        places, named = ROOMS[room]
        tests = [
            f"tests/{folder.strip()}/test_{name}.py"
            for folder, _, names in (part.partition(":") for part in named.split(";"))
            for name in names.split()
        ]
        files = [
            file
            for place in places.split()
            for file in sorted((PROJECT / "labkit" / place).glob("*.py") or [])
            or [PROJECT / "labkit" / place]
        ]
        touched = touched_by([*tests, "tests/test_references.py"], chosen.kept)
        every = [one for file in files for one in mutants_of(file, known)]
        rng = random.Random(f"{room} {chosen.seed}")
        sample = rng.sample(every, min(chosen.sample, len(every)))
        known_seen: set[tuple[str, ...]] = set()
        if chosen.beside is not None:
            known_seen = set(SEEN.findall(chosen.beside.read_text()))
        unchanged = [
            Mutant(path=one.path, operator="", occurrence=-1, line=one.line) for one in sample[:3]
        ]
        seen = 0
        out(f"\n{room}: {len(sample)} of {len(every)} mutants, seed {chosen.seed}\n")
        for mutant in [*([] if known_seen else unchanged), *sample]:
            if mutant.named in known_seen:
                seen += 1
                continue
            picked = touched.tests_of(mutant)
            spent, within = 0.0, []
            for test in picked:
                cost = touched.seconds.get(test, 0.0)
                if not within or spent + cost <= chosen.budget:
                    within.append(test)
                    spent += cost
            code, status, said = mutant.code(known), 0, "no test touches it"
            if within:
                status, said = in_a_fork(
                    lambda c=code, m=mutant, t=within: _run(c, m, t), limit=20 + 2 * spent
                )
            if status in (5, 99) or (status and mutant.occurrence < 0):
                raise SystemExit(f"the tests could not be run: {status} {mutant} {said}")
            if mutant.occurrence < 0:
                continue
            seen += bool(status)
            where = f"{mutant.path.relative_to(PROJECT / 'labkit')}:{mutant.line}"
            how = f"seen ({status}) by {said}" if status else f"NOT SEEN by {len(within)} {said}"
            out(f"  {where} {mutant.operator} {mutant.occurrence}: {how}\n")
            if not status:
                out(f"{mutant.change(known)}\n")
            sys.stdout.flush()
        low, high = stats.binomtest(seen, len(sample)).proportion_ci(method="wilson")
        share = f"{100 * seen / len(sample):.1f} % ({100 * low:.1f} to {100 * high:.1f})"
        out(f"{room}: {seen} of {len(sample)} seen, {share}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
