"""Bad calls of what scripts call end in a sentence that names the argument, or in a right answer.

A few fixed ones run here; ``python -m tests.benchmarks.fuzz_public`` draws them by the thousand.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from labkit.errors import LabkitError
from tests.fuzz.calls import MADE_BY_PEOPLE, lacks
from tests.fuzz.drawing import bad_calls, everything, is_everyday
from tests.fuzz.judging import FINE, Kind, judge
from tests.fuzz.place import WATERS, Place

BY_THE_CODE = {"object", "object | None", "Any", "ArrayLike"}
BY_THE_CODE |= {"float", "int", "float | None", "int | None"}
BY_THE_CODE |= {"attributes", "asked", "doses", "entries", "serving", "kind", "secret"}
BY_THE_CODE |= {"book.people.name", "book.value", "book.scores.value"}
"""Annotations, and arguments, of which the code itself may say what is wrong, with its bounds."""


def test_a_good_call_is_known_of_every_verb_and_name_of_the_everyday_path():
    """A new one wants a value for each of its arguments in tests/fuzz/calls.py."""
    known = [one for one in everything() if is_everyday(one.name)]
    assert len(known) > 100
    assert {one.name: lacks(one) for one in known if lacks(one)} == {}


def test_what_scripts_call_is_checked_where_they_call_it():
    """Every verb, part of the lab book, name of labkit itself and value that people make."""
    through = []
    with Place() as here:
        for one in everything():
            _, *rest = one.name.split(".")
            if is_everyday(one.name) or rest[0] in MADE_BY_PEOPLE:
                for name, parameter in one.parameters.items():
                    where = ".".join([*one.name.split(".")[:-1], name])
                    if BY_THE_CODE & {name, where, str(parameter.annotation)}:
                        continue
                    try:
                        one.find(here)(**{name: object()} | needed(one, but=name))
                    except LabkitError as error:
                        if error.field == name:
                            continue
                        through.append(f"{one.name}.{name}: {error}")
                    except Exception as error:
                        through.append(f"{one.name}.{name}: {error!r}")
                    else:
                        through.append(f"{one.name}.{name}: no error")
    assert through == []


def needed(call, but):
    """Whatever else has to be given: the wrong argument stands first, so it is not looked at."""
    rest = [name for name, it in call.parameters.items() if it.default is it.empty and name != but]
    return dict.fromkeys(rest)


@settings(
    max_examples=30,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(bad_calls(is_everyday))
def test_a_bad_call_ends_in_a_sentence_or_a_right_answer(outcome):
    found = outcome()
    assert found.kind in FINE, str(found)


def sheet(**cells):
    def damage(here: Place) -> pd.DataFrame:
        scores = here.to_score().astype(object)
        for name, cell in cells.items():
            scores[name] = cell
        return scores

    return damage


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        # Stored as something else than what was said, before it was refused.
        ("workflow.record_scores", {"scores": sheet(flight=1.5)}),
        ("workflow.record_scores", {"scores": sheet(position=2.7)}),
        ("workflow.next_flight", {"path": "walking"}),
        # Tracebacks of pandas, numpy and the database.
        ("workflow.record_scores", {"scores": sheet(given_at="yesterday")}),
        ("workflow.record_scores", {"scores": sheet(flight="one")}),
        ("workflow.read", {"coffee": "\ud800"}),
        ("workflow.plan_session", {"waters": [WATERS[0], None]}),
        ("workflow.plan_session", {"tasted_on": "2026-11-28"}),
        ("workflow.lock_flights", {"flights": 10**30}),
        ("water.find_water", {"water": np.zeros((0, 3))}),
        ("analysis.Region", {"steps": {"mg_share": 1e-300}}),
    ],
)
def test_what_was_found_stays_mended(name, bad):
    (call,) = [one for one in everything() if one.name == name]
    with Place() as here:
        given_ = {one: it(here) if callable(it) else it for one, it in bad.items()}
        found = judge(call, here, given_, set())
    assert found.kind is Kind.REFUSED, str(found)
