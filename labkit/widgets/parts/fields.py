"""Parts that every form of the workbook is made of: labelled fields, messages, a result below."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

import ipywidgets as widgets
import traitlets

from labkit.errors import LabkitError
from labkit.present import ROWS_AS_LISTS
from labkit.widgets.parts.browser_half import STATIC, BrowserHalf
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.secret import Secret

LABEL_WIDTH: Final = "13rem"
"""Room for what a field is called; a longer label goes on below."""

NOT_YET: Final = "Not yet:"
"""Marks in words what is wrong."""


def _labelled(kind: type[Any], label: str, **options: Any) -> Any:
    """A field with its label; each has a layout of its own: a shared one hides all at once."""
    return kind(
        description=label,
        layout=widgets.Layout(width="min(35rem, 98%)"),
        style={"description_width": LABEL_WIDTH},
        _dom_classes=["lk-field"],
        **options,
    )


def number(label: str, value: float, *, step: float | None = None) -> widgets.FloatText:
    """A number to type; the unit stands in the label."""
    return _labelled(widgets.FloatText, label, value=value, step=step, continuous_update=False)


def jug(label: str = "Each jug (mL)") -> widgets.FloatText:
    """The volume of a jug; 0 stands for what its vessels take, with a rinse and the meter."""
    return number(f"{label}, 0 for what is poured", 0.0, step=10)


def whole(label: str, value: int) -> widgets.IntText:
    """A whole number to type."""
    return _labelled(widgets.IntText, label, value=value, continuous_update=False)


def text(label: str, value: str = "", *, placeholder: str = "") -> widgets.Text:
    """A line of text to type."""
    return _labelled(
        widgets.Text, label, value=value, placeholder=placeholder, continuous_update=False
    )


def secret(label: str) -> Secret:
    """A line that is not shown while it is typed; a form forgets it once it was used."""
    return Secret(
        description=label,
        label_width=LABEL_WIDTH,
        layout=widgets.Layout(width="min(35rem, 98%)"),
        _dom_classes=["lk-field", "jupyter-widgets", "widget-inline-hbox", "widget-text"],
    )


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
        _dom_classes=["lk-press"],
    )


def side_by_side(*parts: widgets.Widget) -> widgets.HBox:
    """Parts in a row that breaks where the screen is narrow."""
    return widgets.HBox(list(parts), layout=widgets.Layout(flex_flow="row wrap"))


def said(sentence: str, *, wrong: bool = False) -> str:
    """A sentence as HTML that screen readers announce; ``wrong`` also marks it in words."""
    if not sentence:
        return ""
    mark = f"<b>{NOT_YET}</b> " if wrong else ""
    role = "alert" if wrong else "status"
    style = "max-width:46rem;line-height:1.4"
    return f'<div role="{role}" style="{style}">{mark}{html.escape(sentence)}</div>'


class Guide(BrowserHalf):
    """The browser's half of a form: names and marks on fields, one press at a time, the focus.

    It shows nothing itself and stands last in its form.

    Parameters
    ----------
    labels : mapping of str to str
        What each field is called on the page, by its name.
    """

    _esm = (STATIC / "form.js").read_text(encoding="utf-8")
    _css = (STATIC / "form.css").read_text(encoding="utf-8") + ROWS_AS_LISTS

    labels = traitlets.Dict().tag(sync=True)
    wrong = traitlets.Dict().tag(sync=True)
    busy = traitlets.Bool(False).tag(sync=True)

    def __init__(self, labels: Mapping[str, str]) -> None:
        super().__init__(labels=dict(labels), layout=widgets.Layout(display="none"))

    def go_to(self, field: str | None) -> None:
        """Move the focus into a field, or to what was said; nowhere on a page out of sight.

        Parameters
        ----------
        field : str or None
            Its name; None for the sentence beside the buttons.
        """
        self.send({"kind": "focus", "field": field})


class Form(widgets.VBox):
    """Fields, folded fields, buttons, and below them what came out or what is wrong.

    On a wide page what came out stands to the right of the fields.

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
    fold : Fold or None
        Holds the folded fields.
    message, result : HTML
        What was done or is wrong, and what came out.
    guide : Guide
        What moves the focus and marks fields in the browser.
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
        # What is only written to looks alike: each layout and style would be a message to the page.
        self.message = widgets.HTML(_dom_classes=["lk-message"])
        alike = {"layout": self.message.layout, "style": self.message.style}
        self.result = widgets.HTML(_dom_classes=["lk-result"], **alike)
        self.notes = {name: widgets.HTML(_dom_classes=["lk-note"], **alike) for name in self.fields}
        self._compute: Callable[..., Any] | None = None
        self._followers: list[Callable[[], Any]] = []
        self._others: list[widgets.Widget] = []
        self._refused: dict[str, Form] = {}
        self._holds = False
        self._is_new = True
        self._n_waiting, self._is_due = 0, False
        self.fold: Fold | None = None
        self._folded: frozenset[str] = frozenset()
        self.guide = Guide({name: self._label(name) for name in self.fields})
        rows: list[widgets.Widget] = [self._row(name) for name in fields]
        if folded:
            self.fold = Fold(fold_title, [self._row(name) for name in folded])
            rows.append(self.fold)
            self._folded = frozenset(folded)
        if buttons:
            rows.append(side_by_side(*buttons))
        self._asking = tuple(rows)
        super().__init__([*rows, self.message, self.result, self.guide], _dom_classes=["lk-form"])
        for name, field in self.fields.items():
            if "value" in field.traits():
                field.observe(lambda _change, name=name: self._changed(name), "value")
            if "description" in field.traits():
                field.observe(lambda _change: self._name_fields(), "description")

    def _row(self, name: str) -> widgets.VBox:
        """A field, and below it room for what is wrong with it."""
        classes = ["lk-row", f"lk-at-{name.replace(' ', '-')}"]
        return widgets.VBox([self.fields[name], self.notes[name]], _dom_classes=classes)

    def _label(self, name: str) -> str:
        """What a field is called on the page."""
        return str(getattr(self.fields[name], "description", "") or name)

    def _name_fields(self) -> None:
        self.guide.labels = {name: self._label(name) for name in self.fields}

    def _changed(self, name: str) -> None:
        """Take back what a press said, of a field once it is mended, and compute again."""
        if name in self._refused:
            self._refused.pop(name).message.value = ""
            self._mark({})
        if isinstance(self.fields[name], Secret):
            return  # nothing that is shown depends on it
        if self._compute is not None:
            self._holds = False
        self.refresh()

    def also(self, *others: widgets.Widget) -> None:
        """Name forms that a press here depends on: what is wrong with their fields stands there.

        Parameters
        ----------
        *others : widget
            Looked through in this order, after this form, for forms that have the field.
        """
        self._others += others

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

    @contextmanager
    def computing_once(self) -> Iterator[None]:
        """Change several fields and compute but once, at the end.

        Within what the form computes, nothing more is computed for the fields that it fills.
        """
        self._n_waiting += 1
        try:
            yield
        finally:
            self._n_waiting -= 1
            if not self._n_waiting and self._is_due:
                self._is_due = False
                self.refresh()

    def refresh(self) -> None:
        """Compute again from the fields and show what came out."""
        if self._compute is None:
            return
        if self._n_waiting:
            self._is_due = True
            return
        compute, is_new = self._compute, self._is_new
        self._is_new = False
        self.result.add_class("lk-working")
        self._n_waiting += 1
        try:
            value, wrong = compute(**self.values()), None
        except LabkitError as error:
            value, wrong = "", error
        finally:
            self._n_waiting -= 1
            self._is_due = False
            self.result.remove_class("lk-working")
        self.result.value = as_html(value)
        if not self._holds:
            self.message.value = ""
        self._mark({})
        if wrong is not None:
            self._say_wrong(wrong, is_new=is_new)
        for follow in self._followers:
            follow()

    def attempt(self, work: Callable[[], Any]) -> tuple[bool, Any]:
        """Run something; a :class:`LabkitError` is said at its field, or else under the buttons.

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
        self._clear()
        try:
            return True, work()
        except LabkitError as error:
            self._say_wrong(error)
            self._holds = True
            return False, None

    def press(self, work: Callable[[], Any]) -> tuple[bool, Any]:
        """Run what a button does; whatever comes of it, no secret stays in its field.

        What is wrong is said beside the button and at its field, whose fold opens and which gets
        the focus; both stay until the field is changed or a button is pressed again.

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
        self._clear()
        self.guide.busy = True
        try:
            return True, work()
        except LabkitError as error:
            refused = error
        finally:
            for field in self.fields.values():
                if isinstance(field, Secret):
                    field.empty()
            self.guide.busy = False
        self.refuse(refused)
        return False, None

    def refuse(self, error: LabkitError) -> None:
        """Say why a press did nothing: beside the button and at the field, which gets the focus.

        Parameters
        ----------
        error : LabkitError
            What is wrong; its ``field`` says where.
        """
        self._clear()
        self._holds = True
        form = next((one for one in self._forms() if error.field in one.notes), None)
        if form is None or error.field is None:
            self.message.value = said(str(error), wrong=True)
            self.guide.go_to(None)
            return
        sentence = form._labelled(error.field, str(error))
        self.message.value = said(sentence, wrong=True)
        form._refused = {error.field: self}
        form._mark({error.field: sentence})
        form.go_to(error.field)

    def ask_for_something(self, does: bool) -> None:
        """Show the fields and buttons, or only what the last press said: it keeps the focus.

        Parameters
        ----------
        does : bool
            Whether there is anything to fill in or press now.
        """
        for row in self._asking:
            row.layout.display = "" if does else "none"

    def go_to(self, name: str) -> None:
        """Move the focus into a field, where the work goes on; its fold opens.

        Parameters
        ----------
        name : str
            Its parameter name.
        """
        if self.fold is not None and name in self._folded:
            self.fold.is_open = True
        self.guide.go_to(name)

    def _forms(self) -> Iterator[Form]:
        """All forms that a press may speak of: this one, those within it, those named to it."""
        yield from _forms_in(self)
        for other in self._others:
            yield from _forms_in(other)

    def _clear(self) -> None:
        """Take back what was said so far, also at the fields of other forms."""
        self._holds = False
        self.message.value = ""
        for form in self._forms():
            if form is self or self in form._refused.values():
                form._refused = {}
                form._mark({})

    def _say_wrong(self, error: LabkitError, *, is_new: bool = False) -> None:
        """Say what is wrong, at its field or under the buttons; to a new form it is but a hint."""
        name = error.field
        if name is None or name not in self.notes:
            sentence, place = str(error), self.result if self._holds else self.message
            hint = sentence[:1].upper() + sentence[1:]
            place.value = said(hint) if is_new else said(sentence, wrong=True)
            return
        self._mark({name: self._labelled(name, str(error))})
        if self.fold is not None and name in self._folded:
            self.fold.is_open = True  # a sentence nobody sees helps nobody

    def _mark(self, wrong: Mapping[str, str]) -> None:
        """Mark these fields as wrong, each with its sentence, beside those that a press refused."""
        self.guide.wrong = {
            name: name in self._refused for name in self.fields if name in {*wrong, *self._refused}
        }
        for name, note in self.notes.items():
            if name in wrong:
                note.value = f"<div><b>{NOT_YET}</b> {html.escape(wrong[name])}</div>"
            elif name not in self._refused:
                note.value = ""

    def _labelled(self, name: str, sentence: str) -> str:
        """A sentence that calls a field as the screen does, where it begins with its name."""
        label = self._label(name).rstrip("?")
        return label + sentence[len(name) :] if sentence.startswith(f"{name} ") else sentence

    def say(self, sentence: str) -> None:
        """Show a sentence under the buttons until a field is changed or a button is pressed.

        Parameters
        ----------
        sentence : str
            Plain text.
        """
        self._holds = bool(sentence)
        self.message.value = said(sentence)


def _forms_in(widget: widgets.Widget) -> Iterator[Form]:
    """A widget's forms, from the outside inwards."""
    if isinstance(widget, Form):
        yield widget
    for child in getattr(widget, "children", ()):
        yield from _forms_in(child)


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
