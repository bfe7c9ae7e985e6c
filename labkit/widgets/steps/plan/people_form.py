"""The form that adds clients, coffees and tasters to the lab book."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, Literal

import ipywidgets as widgets

from labkit.book import LabBook, Topic, name_key
from labkit.errors import BookError
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form
from labkit.widgets.parts.folds import Fold
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook

Named = tuple[Literal["taster", "client", "coffee"], str, str]
"""What a name is of, whose it is (of a coffee: the client), and the name."""

_MENDED: Final = "In the lab book; the forms list it now."

_ADDED: Final = "Added; the forms list it now."


class CoffeeForm(Form):
    """A client's coffee; its button adds it, and the client if it is new.

    Parameters
    ----------
    book : LabBook
        Where they are kept.
    on_added : callable
        Takes client and name of a coffee once it is in the lab book.
    """

    def __init__(self, book: LabBook, on_added: Callable[[tuple[str, str]], Any]) -> None:
        self._book, self._on_added = book, on_added
        add = fields.button("Add this coffee", main=True)
        add.on_click(lambda _b: self._add())
        super().__init__(
            {
                "client": fields.text("Client", placeholder="whose coffee it is"),
                "coffee": fields.text("Coffee"),
                "lot": fields.text("Lot"),
            },
            folded={
                "origin": fields.text("Origin"),
                "process": fields.text("Process"),
                "roast_level": fields.text("Roast level"),
                "roast_date": fields.day("Roast date"),
            },
            fold_title="Origin, process, roast",
            buttons=[add],
        )

    def _add(self) -> None:
        now = self.values()
        client = now.pop("client").strip()
        people = self._book.people

        def work() -> tuple[str, str]:
            if not client:
                raise BookError(
                    "client must have a name, got ''. Type whose coffee it is.", field="client"
                )
            if name_key(client) not in {name_key(one.name) for one in people.clients()}:
                people.add_client(client)
            added = people.add_coffee(now.pop("coffee"), client=client, **now)
            return added.client, added.name

        done, added = self.press(work)
        if done:
            for name, field in self.fields.items():
                if name != "client":  # the next coffee has a lot and a roast of its own
                    field.value = None if name == "roast_date" else ""
            self.say(_ADDED)
            self._on_added(added)


class PeopleForm(NeedsBook, widgets.VBox):
    """A client's coffee, and the people who taste; each button adds once. Wrong names are mended.

    Parameters
    ----------
    book : LabBook
        Where they are kept.
    adds_coffees : bool
        Whether coffees are added here; the page Today does so at its head.
    """

    def __init__(self, book: LabBook, *, adds_coffees: bool = True) -> None:
        self._book = book
        add_tasters = fields.button("Add tasters")
        self.coffee_form = CoffeeForm(book, self._go_on)
        self.taster_form = Form(
            {"tasters": fields.text("Tasters", placeholder="names, with commas")},
            buttons=[add_tasters],
        )
        add_tasters.on_click(lambda _b: self._add_tasters())
        self.listed = widgets.HTML()
        is_new = not (book.people.coffees() and book.people.tasters())
        fold = (
            Fold("Add a coffee or tasters", [self.coffee_form, self.taster_form], is_open=is_new)
            if adds_coffees
            else Fold("Add tasters", [self.taster_form])
        )
        rename, merge = fields.button("Rename"), fields.button("Merge")
        remove = fields.button("Remove")
        self.mend_form = Form(
            {
                "which": fields.choice("Which name", []),
                "to": fields.text("Its right name", placeholder="to rename it"),
                "into": fields.choice("Is the same as", []),
            },
            buttons=[rename, merge, remove],
        )
        self.mend_form.fields["which"].observe(lambda _change: self._offer_others(), "value")
        rename.on_click(lambda _b: self._mend(self._rename))
        merge.on_click(lambda _b: self._mend(self._merge))
        remove.on_click(lambda _b: self._mend(self._remove))
        note = fields.said(
            "Scores stay as they are: they follow the name, and each session keeps a note of what "
            "was renamed or merged. Only an unused name can be removed."
        )
        mend = Fold("Rename, merge or remove", [widgets.HTML(note), self.mend_form])
        super().__init__([self.listed, fold, mend])
        self.fill()
        follow_book(self, book, self.fill, Topic.PEOPLE)

    def fill(self) -> None:
        """Look up who and what is in the lab book."""
        coffees = "; ".join(
            f"{coffee.name} ({coffee.client})" for coffee in self._book.people.coffees()
        )
        people = ", ".join(self._book.people.tasters())
        which = self.mend_form.fields["which"]
        follow_choices(which, [(_told(one), one) for one in self._names()], start=None)
        self._offer_others()
        self.listed.value = fields.said(
            f"Coffees: {coffees or 'none yet'}. Tasters: {people or 'none yet'}."
        )

    def _names(self) -> list[Named]:
        """Every name that can be mended."""
        tasters: list[Named] = [("taster", "", name) for name in self._book.people.tasters()]
        clients: list[Named] = [("client", "", one.name) for one in self._book.people.clients()]
        coffees: list[Named] = [
            ("coffee", one.client, one.name) for one in self._book.people.coffees()
        ]
        return [*tasters, *coffees, *clients]

    def _offer_others(self) -> None:
        """Offer what the name chosen may be the same as."""
        chosen: Named | None = self.mend_form.fields["which"].value
        into = self.mend_form.fields["into"]
        others = [
            (_told(one), one[2])
            for one in self._names()
            if chosen is not None and one[:2] == chosen[:2] and one != chosen
        ]
        follow_choices(into, others, start=None)

    def _mend(self, change: Callable[[Named], object]) -> None:
        chosen: Named | None = self.mend_form.fields["which"].value

        def work() -> None:
            if chosen is None:
                raise BookError(
                    "which must be chosen, got nothing. Choose the name first.", field="which"
                )
            change(chosen)

        done, _ = self.mend_form.press(work)
        if done:
            self.mend_form.fields["to"].value = ""
            self.mend_form.say(_MENDED)
            self.fill()

    def _rename(self, chosen: Named) -> None:
        kind, client, name = chosen
        to = self.mend_form.fields["to"].value
        if not to.strip():
            raise BookError("to must have a name, got ''. Type the right one.", field="to")
        if kind == "coffee":
            self._book.people.rename_coffee(name, to, client=client)
        else:
            (
                self._book.people.rename_taster
                if kind == "taster"
                else self._book.people.rename_client
            )(name, to)

    def _merge(self, chosen: Named) -> None:
        kind, client, name = chosen
        into = self.mend_form.fields["into"].value
        if into is None:
            raise BookError(
                "into must be chosen, got nothing. Choose whose name is right.", field="into"
            )
        if kind == "coffee":
            self._book.people.merge_coffees(name, into, client=client)
        else:
            merge = (
                self._book.people.merge_tasters
                if kind == "taster"
                else self._book.people.merge_clients
            )
            merge(name, into)

    def _remove(self, chosen: Named) -> None:
        kind, client, name = chosen
        if kind == "coffee":
            self._book.people.remove_coffee(name, client=client)
        else:
            (
                self._book.people.remove_taster
                if kind == "taster"
                else self._book.people.remove_client
            )(name)

    def _go_on(self, _added: tuple[str, str]) -> None:
        self.coffee_form.go_to("coffee")
        self.fill()

    def _add_tasters(self) -> None:
        names = [name for name in self.taster_form.values()["tasters"].split(",") if name.strip()]
        done, _ = self.taster_form.press(lambda: self._book.people.add_tasters(names))
        if done:
            self.taster_form.fields["tasters"].value = ""
            self.taster_form.say(_ADDED)
            self.taster_form.go_to("tasters")
            self.fill()


def _told(one: Named) -> str:
    kind, client, name = one
    return f"{kind} {name} ({client})" if client else f"{kind} {name}"
