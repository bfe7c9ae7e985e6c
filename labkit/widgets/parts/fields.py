"""Parts that every form of the workbook is made of: labelled fields, messages, a result below."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import ipywidgets as widgets

from labkit.errors import LabkitError

_NARROW = """<style>.widget-html > .widget-html-content
  {min-width: 0; max-width: 100%; overflow-x: auto; overflow-y: hidden; line-height: 1.4}
.lk-working {position: relative}
.lk-working > .widget-html-content {animation: lk-fade .2s .4s both}
.lk-working::before {content: "Updating…"; position: absolute; top: 0; left: 0;
  z-index: 1; padding: .3rem .7rem; animation: lk-come 0s .4s both;
  color: var(--jp-ui-font-color1, #222); background: var(--jp-layout-color1, #fff);
  border: 1px solid var(--jp-border-color1, #bbb)}
@keyframes lk-fade {to {opacity: .3}}
@keyframes lk-come {from {visibility: hidden} to {visibility: visible}}
@media (max-width: 40rem) {
.lk-field.widget-inline-hbox {flex-wrap: wrap; height: auto}
.lk-field.widget-inline-hbox > .widget-label {flex: 0 0 100%; width: 100% !important;
  text-align: left; white-space: normal; line-height: 1.3; height: auto; padding: .4rem 0 .2rem}
.lk-field.widget-inline-hbox > .widget-label:empty, .lk-field .widget-label[style*="display: none"]
  {display: none}
.lk-field.widget-inline-hbox > :not(.widget-label) {flex: 1 1 12rem}
.lk-field input:not([type=checkbox]), .lk-field select:not([multiple])
  {min-height: 2.75rem; font-size: 1rem}
.jupyter-widgets.jupyter-widget-tab > .lm-TabBar .lm-TabBar-tab
  {flex: 1 1 auto; min-width: 0; height: auto; max-height: none}
.jupyter-widgets.jupyter-widget-tab > .lm-TabBar .lm-TabBar-tabLabel
  {white-space: normal; overflow: visible}
}</style>"""
"""On a phone the label stands above its field, the field is as high as a finger, and a wide table
scrolls by itself instead of cutting the sentences beside it. What is being computed anew for longer
than a moment fades, so that nobody takes it for the new answer."""


def _labelled(kind: type[Any], label: str, **options: Any) -> Any:
    """A field with its label; each has a layout of its own: a shared one hides all at once."""
    field = kind(
        description=label,
        layout=widgets.Layout(width="min(33rem, 98%)"),
        style={"description_width": "15rem"},
        **options,
    )
    field.add_class("lk-field")
    return field


def number(label: str, value: float, *, step: float | None = None) -> widgets.FloatText:
    """A number to type; the unit stands in the label."""
    return _labelled(widgets.FloatText, label, value=value, step=step, continuous_update=False)


def whole(label: str, value: int) -> widgets.IntText:
    """A whole number to type."""
    return _labelled(widgets.IntText, label, value=value, continuous_update=False)


def text(label: str, value: str = "", *, placeholder: str = "") -> widgets.Text:
    """A line of text to type."""
    return _labelled(
        widgets.Text, label, value=value, placeholder=placeholder, continuous_update=False
    )


def secret(label: str) -> widgets.Password:
    """A line that is not shown while it is typed; a form forgets it once it was used."""
    return _labelled(widgets.Password, label, continuous_update=False)


def choice(label: str, options: Sequence[Any], value: Any = None) -> widgets.Dropdown:
    """One of several; an option may stand for None."""
    made = _labelled(widgets.Dropdown, label, options=options)
    values = [option[1] if isinstance(option, tuple) else option for option in options]
    # Given by its place: a Dropdown takes the value None for none chosen.
    made.index = values.index(value) if value in values else None
    return made


def several(label: str, options: Sequence[Any]) -> widgets.SelectMultiple:
    """Any of several (Ctrl or Shift adds)."""
    rows = min(max(len(options), 2), 8)
    return _labelled(widgets.SelectMultiple, label, options=options, rows=rows)


def tick(label: str, value: bool) -> widgets.Checkbox:
    """Yes or no."""
    return _labelled(widgets.Checkbox, label, value=value, indent=True)


def day(label: str) -> widgets.DatePicker:
    """A day to pick; empty stands for today."""
    return _labelled(widgets.DatePicker, label)


def button(label: str, *, main: bool = False) -> widgets.Button:
    """Something that happens when pressed, and only then."""
    return widgets.Button(
        description=label,
        button_style="primary" if main else "",
        layout=widgets.Layout(width="auto", min_width="10rem", height="2.75rem"),
    )


def side_by_side(*parts: widgets.Widget) -> widgets.HBox:
    """Parts in a row that breaks where the screen is narrow."""
    return widgets.HBox(list(parts), layout=widgets.Layout(flex_flow="row wrap"))


def said(sentence: str, *, wrong: bool = False) -> str:
    """A sentence as HTML that screen readers announce; ``wrong`` also marks it in words."""
    if not sentence:
        return ""
    mark = "<b>Not yet:</b> " if wrong else ""
    role = "alert" if wrong else "status"
    style = "max-width:46rem;line-height:1.4"
    return f'<div role="{role}" style="{style}">{mark}{html.escape(sentence)}</div>'


class Form(widgets.VBox):
    """Fields, folded fields, buttons, and below them what came out or what is wrong.

    Parameters
    ----------
    fields : mapping of str to widget
        Shown at once, by parameter name.
    folded : mapping of str to widget
        Behind a line to open, for the choices that seldom change.
    fold_title : str
        What the line to open says.
    buttons : sequence of Button
        Below the fields.

    Attributes
    ----------
    fields : dict of str to widget
        All of them, by parameter name.
    notes : dict of str to HTML
        What is wrong with a field, below it.
    fold : Accordion or None
        Holds the folded fields.
    message, result : HTML
        What was done or is wrong, and what came out.
    """

    def __init__(
        self,
        fields: Mapping[str, widgets.Widget],
        *,
        folded: Mapping[str, widgets.Widget] | None = None,
        fold_title: str = "More choices",
        buttons: Sequence[widgets.Button] = (),
    ) -> None:
        self.fields: dict[str, widgets.Widget] = {**fields, **(folded or {})}
        self.notes = {name: widgets.HTML() for name in self.fields}
        self._compute: Callable[..., Any] | None = None
        self._followers: list[Callable[[], Any]] = []
        self.message = widgets.HTML()
        self.result = widgets.HTML()
        self.result.add_class("lk-result")
        self.fold: widgets.Accordion | None = None
        self._folded: frozenset[str] = frozenset()
        rows: list[widgets.Widget] = [
            widgets.VBox([self.fields[name], self.notes[name]]) for name in fields
        ]
        if folded:
            fold = widgets.Accordion(
                [widgets.VBox([widgets.VBox([folded[n], self.notes[n]]) for n in folded])]
            )
            fold.set_title(0, fold_title)
            fold.selected_index = None
            rows.append(fold)
            self.fold, self._folded = fold, frozenset(folded)
        if buttons:
            rows.append(side_by_side(*buttons))
        super().__init__([*rows, self.message, self.result, widgets.HTML(_NARROW)])
        self.add_class("lk-form")
        for field in self.fields.values():
            # What is shown never depends on a secret.
            if "value" in field.traits() and not isinstance(field, widgets.Password):
                field.observe(lambda _change: self.refresh(), "value")

    def compute_with(self, compute: Callable[..., Any]) -> None:
        """Show what comes of the fields, now and whenever one changes.

        A :class:`LabkitError` shows as a sentence beside its field and leaves everything typed as
        it is.

        Parameters
        ----------
        compute : callable
            Called with the values of all fields by name; returns HTML, or values with
            ``_repr_html_``.
        """
        self._compute = compute
        self.refresh()

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change, so that another form can use what this one holds."""
        self._followers.append(follow)

    def values(self) -> dict[str, Any]:
        """What stands in the fields now, by parameter name."""
        return {name: field.value for name, field in self.fields.items()}

    def refresh(self) -> None:
        """Compute again from the fields and show what came out."""
        if self._compute is None:
            return
        compute = self._compute
        self.result.add_class("lk-working")
        try:
            done, value = self.attempt(lambda: compute(**self.values()))
            self.result.value = as_html(value) if done else ""
        finally:
            self.result.remove_class("lk-working")
        for follow in self._followers:
            follow()

    def attempt(self, work: Callable[[], Any]) -> tuple[bool, Any]:
        """Run some work; a labkit error becomes a sentence beside the field that it names.

        Parameters
        ----------
        work : callable
            Without arguments.

        Returns
        -------
        done : bool
            Whether it ended without an error.
        value : Any
            What it returned; None after an error.
        """
        for note in self.notes.values():
            note.value = ""
        self.message.value = ""
        try:
            return True, work()
        except LabkitError as error:
            named = error.field
            if named is None or named not in self.notes:
                self.message.value = said(str(error), wrong=True)
            else:
                self.notes[named].value = said(self._labelled(named, str(error)), wrong=True)
                if self.fold is not None and named in self._folded:
                    self.fold.selected_index = 0  # a sentence nobody sees helps nobody
            return False, None

    def _labelled(self, name: str, sentence: str) -> str:
        """A sentence that calls a field as the screen does, where it begins with its name."""
        label = (self.fields[name].description or name).rstrip("?")
        return label + sentence[len(name) :] if sentence.startswith(f"{name} ") else sentence

    def press(self, work: Callable[[], Any]) -> tuple[bool, Any]:
        """Run what a button does; whatever comes of it, no secret stays in its field.

        A field's value is in the state of its widget, which a notebook may save in plain text.

        Parameters
        ----------
        work : callable
            Without arguments.

        Returns
        -------
        done : bool
            Whether it ended without an error.
        value : Any
            What it returned; None after an error.
        """

        def once() -> Any:
            try:
                return work()
            finally:
                for field in self.fields.values():
                    if isinstance(field, widgets.Password):
                        field.value = ""

        return self.attempt(once)

    def say(self, sentence: str) -> None:
        """Show a sentence under the buttons.

        Parameters
        ----------
        sentence : str
            Plain text.
        """
        self.message.value = said(sentence)


def as_html(value: Any) -> str:
    """HTML of a value: its own ``_repr_html_`` if it has one, else its text."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, list | tuple):
        return "".join(as_html(part) for part in value)
    render = getattr(value, "_repr_html_", None)
    return str(render()) if render else html.escape(str(value))


def fold(summary: str, inner: str) -> str:
    """HTML behind one line to open."""
    return f"<details><summary>{html.escape(summary)}</summary>{inner}</details>"
