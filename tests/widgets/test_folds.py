"""A fold in Python: what its line says, and that line and fold agree on whether it is open."""

from __future__ import annotations

import ipywidgets as widgets

from labkit.widgets.parts.folds import Fold
from tests.widgets.plans.helpers import all_widgets


def line(fold):
    """The part of a fold that is pressed."""
    return next(one for one in all_widgets(fold) if one.has_trait("title"))


def test_line_and_fold_agree_on_whether_it_is_open():
    fold = Fold("More", [widgets.Text()])
    heard = []
    fold.observe(lambda change: heard.append(change["new"]), "is_open")
    assert not line(fold).is_open

    line(fold).is_open = True  # as the browser says it
    assert fold.is_open
    fold.is_open = False
    assert not line(fold).is_open
    assert heard == [True, False]


def test_a_fold_keeps_its_own_widgets_and_takes_more():
    first, second = widgets.Text(), widgets.Button()
    fold = Fold("More", [first], is_open=True)

    fold.add(second)

    assert fold.inside == (first, second)
    assert line(fold).title == "More"
    assert line(fold).is_open
