"""No form refuses what it begins with: nothing is marked wrong before anything was typed."""

from __future__ import annotations

import pytest

from labkit.book import LabBook, ensure_demo_book
from labkit.widgets.parts.fields import NOT_YET, Form
from tests.project import copy_data
from tests.tasted import copy_book, nothing
from tests.widgets.every_form import STEPS
from tests.widgets.plans.helpers import all_widgets, fill


@pytest.fixture(
    scope="module",
    params=["new", "bottles and people", pytest.param("demo", marks=pytest.mark.slow)],
)
def book(request, tmp_path_factory):
    """A lab book just made, one to plan the first session in, and the demo's."""
    folder = tmp_path_factory.mktemp("book")
    if request.param == "demo":
        with LabBook(ensure_demo_book(copy_data(folder))) as demo:
            yield demo
        return
    with LabBook(copy_book(folder / "book.db", nothing if request.param == "new" else fill)) as own:
        yield own


@pytest.mark.parametrize("step", STEPS)
def test_no_form_refuses_its_own_defaults(book, step):
    forms = [
        (name, one)
        for name, shown in STEPS[step](book).items()
        for one in all_widgets(shown)
        if isinstance(one, Form)
    ]

    marked = {
        (name, field): note.value
        for name, form in forms
        for field, note in form.notes.items()
        if note.value or form.guide.wrong
    }
    refused = {
        name: form.message.value
        for name, form in forms
        if NOT_YET in form.message.value + form.result.value
    }
    assert forms
    assert marked == {}
    assert refused == {}
