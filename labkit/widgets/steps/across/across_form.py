"""Forms over many coffees: which to set side by side, one water for several, words, acidity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from html import escape
from typing import Any, Final

import ipywidgets as widgets
import pandas as pd

from labkit.analysis import ABOUT, Across, Balance, OneWater, Region, WordReadings
from labkit.book import LabBook, Topic, frame_csv
from labkit.errors import ReadingError
from labkit.present import table_in_words
from labkit.water import COORDINATE
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form
from labkit.widgets.parts.figures import frame_html
from labkit.widgets.parts.handover import HandOver, file_name
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.long_work import LongWork
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.workflow import (
    acidity_of,
    asked_for_acidity,
    one_water,
    panel_history,
    read_all,
    words_of,
)

_ALL: Final = ""
"""What a chooser holds that does not filter."""

A_PAGE: Final = 30
"""Coffees that are drawn at once."""

MOST_CHOSEN: Final = 20
"""Coffees up to which all share a tank unless others are chosen."""

_LABELS: Final = {"origin": "Origin", "process": "Process", "roast_level": "Roast"}


class AcrossForm(NeedsBook, widgets.VBox):
    """Choose which coffees stand side by side, see the best water of each, take the table away.

    With a client chosen, nothing of another client is read from the lab book at all.

    Parameters
    ----------
    book : LabBook
        Where the coffees are.
    picture : callable
        Takes an :class:`Across` and returns its picture as HTML.
    """

    def __init__(self, book: LabBook, picture: Callable[[Across], str]) -> None:
        self._book, self._picture = book, picture
        self._of: str | None = None
        self._whole: Across | None = None
        self._stood: Any = None
        self._filling = False
        self.form: Form
        self.across: Across | None = None
        self.work = LongWork("Reading the coffees")
        self.hands = HandOver()
        clients = [("all", _ALL), *((one.name, one.name) for one in book.people.clients())]
        save = fields.button("Save the table")
        save.on_click(lambda _b: self.form.press(self._save))
        self.form = Form(
            {
                "client": fields.choice("Client", clients, _ALL),
                **{name: fields.choice(_LABELS[name], [("all", _ALL)], _ALL) for name in ABOUT},
                "sort_by": fields.choice(
                    "Sorted by",
                    [(one.title, name) for name, one in COORDINATE.items()],
                    "mg_share",
                ),
                "page": fields.choice("Shown", [("all", 0)], 0),
            },
            buttons=[save],
        )
        self.form.compute_with(self._show)
        super().__init__([self.form, self.work, self.hands])
        follow_book(self, book, self._hear, Topic.SESSIONS, Topic.PEOPLE)
        follow_book(self, book, self._read_again, Topic.DECISIONS)

    def _hear(self) -> None:
        """Read again once there are other coffees, or other scores of them can be read."""
        if self._stood != self._standing():
            self._read_again()

    def _read_again(self) -> None:
        with keeping_messages(self.form):
            self.refresh()

    def _standing(self) -> Any:
        """What changes as soon as anything else can be read of what is shown."""
        coffees = self._book.people.coffees(self.client)
        return coffees, self._book.sessions.opened_flights(client=self.client)

    @property
    def client(self) -> str | None:
        """The client chosen; None for all."""
        return self.form.fields["client"].value or None

    @property
    def stood(self) -> Any:
        """What changes as soon as anything else can be read of what is shown."""
        return self._stood

    @property
    def coffees(self) -> list[tuple[str, str]]:
        """Client and name of each coffee shown, in their order."""
        shown = self.across.readings if self.across is not None else ()
        return [(one.client, one.coffee) for one in shown]

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""
        self.form.on_change(follow)

    def refresh(self) -> None:
        """Read the lab book again."""
        self._whole = None
        self.work.forget()
        self.form.refresh()

    def _show(self, *, client: str, sort_by: str, page: int | None, **about: str) -> list[Any]:
        if self._filling:
            return []
        if self._whole is None or self._of != client:
            named = client or None
            stood = self._stood = self._standing()
            is_there, whole = self.work.result(
                (client, stood), lambda: read_all(self._book, client=named), self.form.refresh
            )
            if not is_there:
                self.across = None
                return []
            self._whole, self._of = whole, client
            about = self._offer(self._whole.table, about)
        if self._whole.table.empty and not client:
            self.across = self._whole
            return [fields.said("The lab book has no coffee yet: add one under Plan.")]
        chosen = {name: [value] for name, value in about.items() if value}
        self.across = self._whole.only(**chosen).sort(sort_by)
        shown = self._page(self.across, page or 0)
        return [self._picture(shown), *self._words(shown)]

    def _page(self, across: Across, page: int) -> Across:
        """Those that are drawn: hundreds in one picture nobody reads."""
        n_coffees = len(across.readings)
        starts = range(0, max(n_coffees, 1), A_PAGE)
        chooser = self.form.fields["page"]
        self._filling = True
        names = [f"{at + 1} to {min(at + A_PAGE, n_coffees)} of {n_coffees}" for at in starts]
        follow_choices(chooser, list(zip(names, starts, strict=True)))
        self._filling = False
        chooser.layout.display = "none" if len(starts) < 2 else ""
        first = page if page in starts else 0
        return replace(
            across,
            readings=across.readings[first : first + A_PAGE],
            table=across.table.iloc[first : first + A_PAGE].reset_index(drop=True),
        )

    def _offer(self, table: pd.DataFrame, about: dict[str, str]) -> dict[str, str]:
        """Fill the choosers with what these coffees have; a choice that is gone falls to all."""
        kept = {}
        self._filling = True  # filling a chooser must not draw anything yet
        # A client who is shown this page reads no other's name either: 'all' brings them back.
        chooser, chosen = self.form.fields["client"], self.form.fields["client"].value
        names = [chosen] if chosen else [one.name for one in self._book.people.clients()]
        follow_choices(chooser, [("all", _ALL), *((name, name) for name in names)])
        for name in ABOUT:
            known = [value for value in sorted(table[name].unique()) if value]
            kept[name] = about[name] if about[name] in known else _ALL
            options = [("all", _ALL), *((value, value) for value in known)]
            follow_choices(self.form.fields[name], options)
        self._filling = False
        return kept

    def _words(self, shown: Across) -> list[str]:
        if shown.table.empty:
            return []
        table = table_in_words(shown)
        told = table.assign(coffee=table["coffee"] + " (" + table["client"] + ")")
        lines = [
            f"<li><b>{escape(one['coffee'])}</b>: {escape(one['says'])}</li>"
            for one in told.to_dict("records")
        ]
        figures = table.drop(columns=["says", "cannot_tell"]).round(2)
        return [
            fields.fold("What each says in words", f"<ul>{''.join(lines)}</ul>"),
            fields.fold("The same as a table", frame_html("One row a coffee", figures)),
        ]

    def _save(self) -> None:
        if self.across is None or self.across.table.empty:
            raise ReadingError("there must be a coffee to save, got none. Choose others.")
        self.hands.hand(
            frame_csv(table_in_words(self.across)),
            name=file_name(self.client or "all", "coffees", "csv"),
            note="One row a coffee.",
            media_type="text/csv",
        )


class PanelForm(NeedsBook, widgets.VBox):
    """Each taster over the coffees shown above, read when this is opened.

    Parameters
    ----------
    book : LabBook
        Where the scores are.
    across : AcrossForm
        Whose coffees count: all, or one client's.
    """

    def __init__(self, book: LabBook, across: AcrossForm) -> None:
        self._book, self._across = book, across
        self._stood: Any = None
        self.work = LongWork("Reading the panel")
        self.form = Form({})
        self.form.compute_with(self._read)
        across.on_change(self._follow)
        super().__init__([self.form, self.work])
        follow_book(self, book, self._read_again, Topic.DECISIONS)

    def _follow(self) -> None:
        if self._stood != (self._across.client, self._across.stood):
            self.form.refresh()

    def _read_again(self) -> None:
        self.work.forget()
        self.form.refresh()

    def _read(self) -> list[Any]:
        client = self._across.client
        self._stood = client, self._across.stood
        is_there, history = self.work.result(
            self._stood, lambda: panel_history(self._book, client=client), self.form.refresh
        )
        return [history] if is_there else []


class OneWaterForm(NeedsBook, widgets.VBox):
    """Choose the coffees that share a tank, and see which water costs them least.

    Parameters
    ----------
    book : LabBook
        Whose bottles say which waters can be made.
    across : AcrossForm
        The coffees to choose from.
    picture : callable
        Takes a :class:`OneWater` and returns its picture as HTML.
    region : callable, optional
        Returns the waters that can be made; those of the bottles on the shelf unless given.
    """

    def __init__(
        self,
        book: LabBook,
        across: AcrossForm,
        picture: Callable[[OneWater], str],
        region: Callable[[], Region | None] | None = None,
    ) -> None:
        self._book, self._across, self._picture = book, across, picture
        self._region = region or (lambda: None)
        self._offered: list[tuple[str, str]] = []
        self._filling = False
        self.water: OneWater | None = None
        self.work = LongWork("Looking for one water")
        self.form = Form(
            {
                "coffees": fields.several("Coffees", []),
                "sold": fields.text("Cups sold", placeholder="one coffee 3; another 1"),
            }
        )
        self._follow()
        self.form.compute_with(self._find)
        across.on_change(self._follow)
        super().__init__([self.form, self.work])

    def _follow(self) -> None:
        shown = self._across.coffees
        if sorted(shown) == sorted(self._offered):
            return
        self._offered = shown
        chooser = self.form.fields["coffees"]
        self._filling = True
        all_chosen = len(chooser.value) == len(chooser.options)
        options = [(f"{name} ({client})", (client, name)) for client, name in shown]
        follow_choices(chooser, options)
        chooser.rows = min(max(len(shown), 2), 9)
        if len(shown) > MOST_CHOSEN:
            if all_chosen:
                chooser.value = ()  # nobody has that many in one tank
        elif all_chosen or not chooser.value:
            chooser.value = tuple(shown)
        self._filling = False
        self.form.refresh()

    def _find(self, *, coffees: Sequence[tuple[str, str]], sold: str) -> list[Any]:
        self.water = None
        if self._filling:
            return []
        if not coffees:
            return [fields.said("No coffee is chosen: choose those of the tank.")]
        whole = self._across.across
        readings = [
            one
            for one in (whole.readings if whole is not None else ())
            if (one.client, one.coffee) in coffees
        ]
        if not any(one.best for one in readings):
            return [
                fields.said(
                    "None of these coffees has scores that can be read yet: taste, lock and open a "
                    "flight first."
                )
            ]
        amounts, region = _sold(sold, coffees), self._region()
        bottles = repr((region, self._book.stock.concentrates()))
        asked = (tuple(sorted(coffees)), sold, bottles, self._across.stood)
        is_there, water = self.work.result(
            asked,
            lambda: one_water(self._book, readings, sold=amounts, region=region),
            self.form.refresh,
        )
        if not is_there:
            return []
        self.water = water
        return [self._picture(water), water]


def _sold(typed: str, coffees: Sequence[tuple[str, str]]) -> dict[tuple[str, str], float] | None:
    """Cups by coffee from 'House blend 3; Guest filter 1'; None if nothing was typed."""
    amounts: dict[tuple[str, str], float] = {}
    for part in filter(None, (part.strip() for part in typed.split(";"))):
        name, _, number = part.rpartition(" ")
        named = [key for key in coffees if key[1].lower() == name.strip().lower()]
        try:
            amount = float(number)
        except ValueError:
            named = []
        if not named:
            known = "; ".join(coffee for _, coffee in coffees)
            raise ReadingError(
                "sold must name a coffee chosen above and how much of it, separated by semicolons, "
                f"got {part!r}. Coffees: {known}.",
                field="sold",
            )
        amounts |= dict.fromkeys(named, amount)
    return amounts or None


class WordsForm(NeedsBook, widgets.VBox):
    """What the words checked on the shown coffees have to do with the minerals.

    Parameters
    ----------
    book : LabBook
        Where the words are.
    across : AcrossForm
        The coffees.
    sayings : DataFrame
        What the trade says, as :func:`labkit.analysis.trade_sayings` gives it.
    picture : callable
        Takes :class:`WordReadings` and returns their picture as HTML.
    """

    def __init__(
        self,
        book: LabBook,
        across: AcrossForm,
        sayings: pd.DataFrame,
        picture: Callable[[WordReadings], str],
    ) -> None:
        self._book, self._across, self._sayings, self._picture = book, across, sayings, picture
        self._of: list[tuple[str, str]] | None = None
        self.words: WordReadings | None = None
        self.form = Form({})
        self.form.compute_with(self._read)
        across.on_change(self._follow)
        super().__init__([self.form])

    def _follow(self) -> None:
        if sorted(self._across.coffees) != self._of:
            self.form.refresh()

    def _read(self) -> list[Any]:
        self.words = None
        self._of = sorted(self._across.coffees)
        shown = self._across
        self.words = words_of(self._book, shown.coffees, self._sayings, client=shown.client)
        return [self.words, self._picture(self.words)]


class BalanceForm(NeedsBook, widgets.VBox):
    """Choose a coffee and see at which alkalinity its acidity is neither too sharp nor too flat.

    Parameters
    ----------
    book : LabBook
        Where the answers are.
    across : AcrossForm
        The coffees to choose from.
    picture : callable
        Takes a :class:`Balance` and returns its picture as HTML.
    """

    def __init__(
        self, book: LabBook, across: AcrossForm, picture: Callable[[Balance], str]
    ) -> None:
        self._book, self._across, self._picture = book, across, picture
        self._filling = False
        self.balance: Balance | None = None
        self.form = Form({"coffee": fields.choice("Coffee", [])})
        self._offer()
        self.form.compute_with(self._read)
        across.on_change(self._offer)
        super().__init__([self.form])

    def _offer(self) -> None:
        shown = self._across
        keys = asked_for_acidity(self._book, shown.coffees, client=shown.client)
        chooser = self.form.fields["coffee"]
        options = [(f"{coffee} ({client})", (client, coffee)) for client, coffee in keys]
        if list(chooser.options) == options:
            return
        self._filling = True
        follow_choices(chooser, options)
        self._filling = False
        self.form.refresh()

    def _read(self, *, coffee: tuple[str, str] | None) -> list[Any]:
        self.balance = None
        if self._filling:
            return []
        if coffee is None:
            return [
                fields.said(
                    "No session of these coffees asked for acidity on a just-about-right scale."
                )
            ]
        client, name = coffee
        self.balance = acidity_of(self._book, name, client=client)
        return [self.balance, self._picture(self.balance)]
