"""The chooser at the head of every notebook: which lab book the workbook works on."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import ipywidgets as widgets

from labkit.book import (
    AbsentBook,
    FoundBook,
    LabBook,
    chosen_url,
    data_folder,
    found_books,
    open_book,
    open_copy,
)
from labkit.errors import BookError, LabkitError
from labkit.present import book_words
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.listening import follow_choices, follow_presence

TO_THE_PAGE = (
    '<a class="lk-to-page" href="/voila/render/0-today.ipynb" target="_blank">'
    "Everything on one page, without code: Today</a>"
)
"""The way from a notebook to the page, by the server that shows both; the page hides it."""


class BookChoice(widgets.VBox):
    """The demo or an own lab book; the choice holds for all notebooks until it is changed.

    A lab book that cannot be reached is said here, once: then the choice lies open, with the books
    and copies that are on this machine. One that goes away meanwhile is said here as well, until it
    is back.

    Parameters
    ----------
    book : LabBook or AbsentBook
        The lab book in use, or what stands for one that could not be opened.
    choose : callable
        Takes the URL or path of a lab book, or None for the demo, and remembers the choice
        (``labkit.choose_book``).
    reopen : callable
        Opens the book that was chosen once more; raises if it still cannot be opened.
    beside : sequence of widget
        Further folds, on the line of this one.

    Attributes
    ----------
    said : HTML
        Which lab book it is, by its name, and what is amiss with it.
    where : HTML
        The whole path or URL of it, in the fold that changes it.
    again : Button
        Tries to reach it once more; there while it cannot be reached.
    trying : Form
        Holds that button, and says what came of it.
    change : Fold
        Holds the choice of another.
    found : Form
        The books and copies on this machine.
    own : Form
        A book by its name, the demo, or one from a file.
    """

    def __init__(
        self,
        book: LabBook | AbsentBook,
        choose: Callable[[str | Path | None], LabBook],
        reopen: Callable[[], LabBook] = open_book,
        beside: Sequence[widgets.Widget] = (),
    ) -> None:
        self._book, self._choose, self._reopen = book, choose, reopen
        self.said, self.where = widgets.HTML(), widgets.HTML()
        self.said.add_class("lk-which")
        self.again = fields.button("Try again")
        self.again.on_click(lambda _b: self.try_again())
        self.trying = Form({}, buttons=[self.again])
        use = fields.button("Use this one")
        use.on_click(lambda _b: self._use_found())
        self.found = Form({"found": fields.choice("On this machine", [])}, buttons=[use])
        name = fields.text("Name of your lab book", placeholder="such as our-lab")
        own = fields.button("Use my own lab book")
        own.on_click(lambda _b: self.use(name.value.strip()))
        demo = fields.button("Use the demo")
        demo.on_click(lambda _b: self.use(None))
        self.upload = widgets.FileUpload(
            accept=".db,.sqlite,.sqlite3,.zip",
            multiple=False,
            description="From a file",
            layout=widgets.Layout(width="auto", min_width="10rem", height="2.75rem"),
        )
        self.upload.observe(lambda _change: self._take_file(), "value")
        self.own = Form({"name": name}, buttons=[own, demo, self.upload])
        hint = "A name that is new makes an empty lab book; a copy becomes a lab book of its own."
        is_absent = isinstance(book, AbsentBook)
        self.change = Fold(
            "Change the lab book",
            [self.where, self.found, widgets.HTML(said(hint)), self.own],
            is_open=is_absent,
        )
        line = fields.side_by_side(self.said, self.trying, self.change, *beside)
        line.add_class("lk-folds")
        super().__init__([line])
        self.add_class("lk-book-choice")
        self.change.observe(lambda change: self._look() if change["new"] else None, "is_open")
        self._look()
        self._show(book.why if isinstance(book, AbsentBook) else book.changes.away)
        follow_presence(self, book, self._show)

    def use(self, name: str | Path | None) -> None:
        """Use another lab book from now on; one that cannot be used is said and changes nothing.

        Parameters
        ----------
        name : str, Path or None
            What it is called, or where it is; None for the demo.
        """

        def work() -> LabBook:
            if name == "":
                msg = "name must be typed first, got ''. Any name will do."
                raise BookError(msg, field="name")
            is_name = isinstance(name, str) and not set(name) & set("/\\:")
            ending = "" if str(name).endswith(".db") else ".db"
            return self._choose(data_folder() / f"{name}{ending}" if is_name else name)

        self._take(self.own, work)

    def try_again(self) -> None:
        """Try to reach the lab book once more."""
        book = self._book
        if isinstance(book, LabBook):
            self.trying.press(book.changes.look)
            return
        done, found = self.trying.press(self._reopen)
        if done:
            self._say_used(found)

    def _use_found(self) -> None:
        one = self.found.fields["found"].value

        def work() -> LabBook:
            if one is None:
                raise BookError("found must be chosen: there is none yet.", field="found")
            return self._choose(open_copy(one.path) if one.is_copy else one.path)

        self._take(self.found, work)

    def _take_file(self) -> None:
        if not self.upload.value:
            return
        chosen = self.upload.value[0]
        self.upload.value = ()

        def work() -> LabBook:
            with tempfile.TemporaryDirectory() as folder:
                # Its name alone: a path in it would lead out of the folder.
                file = Path(folder) / (Path(str(chosen["name"]).replace("\\", "/")).name or "file")
                file.write_bytes(bytes(chosen["content"]))
                return self._choose(open_copy(file))

        self._take(self.own, work)

    def _take(self, form: Form, work: Callable[[], LabBook]) -> None:
        done, chosen = form.press(work)
        if done:
            self._say_used(chosen)

    def _say_used(self, chosen: LabBook) -> None:
        self.said.value = said(
            f"From now on the workbook uses {book_words(chosen.name)}. This notebook shows the "
            "former lab book until it is run again."
        )
        self.again.layout.display = self.trying.layout.display = "none"

    def _show(self, why: str) -> None:
        """Say which lab book it is, or why it cannot be reached."""
        book = self._book
        self.again.layout.display = self.trying.layout.display = "" if why else "none"
        self.trying.message.value = ""
        if isinstance(book, AbsentBook):
            self.said.value = _amiss(f"No lab book is open: {book.why}")
        elif why:
            self.said.value = _amiss(
                f"The lab book cannot be reached: {why} What is typed here stays, and the work "
                "goes on by itself once it is back."
            )
        else:
            self.said.value = _which(book)
        if isinstance(book, LabBook):
            self.where.value = said(f"It is at '{book.name}'.")

    def _look(self) -> None:
        """Offer what is on this machine now; of the copies, those of this book come first."""
        wanted = _wanted(self._book)
        is_open = isinstance(self._book, LabBook)
        stem = wanted.stem if wanted is not None else ""
        others = [one for one in found_books(wanted) if not (is_open and one.path == wanted)]
        others.sort(
            key=lambda one: one.is_copy + (not one.path.stem.startswith(stem)) * one.is_copy
        )
        options: list[tuple[str, Any]] = [(_label(one), one) for one in others]
        chooser: Any = self.found.fields["found"]
        follow_choices(chooser, options)
        self.found.layout.display = "" if options else "none"


def _wanted(book: LabBook | AbsentBook) -> Path | None:
    """The file of the lab book that is, or should be, in use; None if it is on a server."""
    try:
        where = book.name if isinstance(book, LabBook) else chosen_url()
    except LabkitError:
        return None
    if where is None or "://" in where.removeprefix("sqlite:///"):
        return None
    is_path = not where.startswith("sqlite:///")
    return Path(where if is_path else unquote(where.removeprefix("sqlite:///")))


def _amiss(sentence: str) -> str:
    style = "max-width:46rem;line-height:1.4;padding-left:.6rem;border-left:4px solid currentColor"
    return f'<div role="alert" style="{style}"><b>{escape(sentence)}</b></div>'


def _label(one: FoundBook) -> str:
    of = f"{one.name}, {one.changed_at:%Y-%m-%d %H:%M}"
    return f"copy: {of}" if one.is_copy else of


def _which(book: LabBook) -> str:
    """Which lab book it is, and what is amiss with it."""
    try:
        doubt = book.doubt
    except LabkitError as error:
        doubt = str(error)
    amiss = said(doubt, wrong=True) if doubt else ""
    return said(f"Lab book: {book_words(book.name)}") + amiss + TO_THE_PAGE
