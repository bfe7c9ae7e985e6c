"""The form that turns waters into a sealed cup plan, and hands the preparer the bench sheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import ipywidgets as widgets

from labkit.book import Attribute, LabBook
from labkit.errors import PlanError
from labkit.tasting import (
    SCALES,
    CupPlan,
    OpenedFlight,
    plan_tasting,
    session_waters,
)
from labkit.tasting.sizes import size_flights
from labkit.water import Target
from labkit.widgets import fields
from labkit.widgets.fields import Form, as_html, said
from labkit.widgets.handover import HandOver


class PlanForm(widgets.VBox):  # type: ignore[misc]  # ipywidgets ships no types
    """Who tastes these waters and how; one button plans, seals and stores.

    Parameters
    ----------
    book : LabBook
        Where the session and its sealed plan go.
    waters : callable
        Returns the targets to taste, as they stand in the sweep form.
    bench_sheet : callable
        Takes the opened flights and returns the preparer's sheet as HTML.
    title : callable, optional
        Returns words for the session's name, such as the sweep's kind.
    """

    def __init__(
        self,
        book: LabBook,
        waters: Callable[[], Sequence[Target]],
        bench_sheet: Callable[[Sequence[OpenedFlight]], str],
        *,
        title: Callable[[], str] = lambda: "tasting",
    ) -> None:
        self._book, self._waters, self._bench_sheet, self._title = book, waters, bench_sheet, title
        self.plan: CupPlan | None = None
        coffees = [(f"{c.name} ({c.client})", (c.client, c.name)) for c in book.coffees()]
        self._button = fields.button("Plan and seal", main=True)
        self._button.on_click(lambda _b: self._press())
        self._handover = HandOver()
        self.form = Form(
            {
                "coffee": fields.choice("Coffee", coffees, coffees[0][1] if coffees else None),
                "tasters": fields.several("Tasters", book.tasters(), book.tasters()),
                "passphrase": fields.secret("Preparer's passphrase"),
                "again": fields.secret("The same once more"),
            },
            folded={
                "session": fields.text("Name of the session", placeholder="made from the sweep"),
                "new_tasters": fields.text("More tasters", placeholder="names, with commas"),
                "cups_per_flight": fields.whole("Cups side by side", 6),
                "flights": fields.whole("Flights (0: as few as fit)", 0),
                "duplicates": fields.whole("Hidden duplicates", 1),
                "control": fields.choice(
                    "Hidden control",
                    [("the middle water", "middle"), ("none", "none")],
                    "middle",
                ),
                "serving": fields.choice("Cups", ["shared bowls", "a cup each"], "shared bowls"),
                "brew_method": fields.choice(
                    "Brewed as", ["cupping", "filter", "espresso"], "cupping"
                ),
                "overall_scale": fields.choice(
                    "Overall score", ["liking 1-9", "quality 6-10"], "liking 1-9"
                ),
                "intensities": fields.text("Attributes, 0 to 15", "acidity, sweetness, body"),
            },
            fold_title="Flights, hidden cups, scales",
            buttons=[self._button],
        )
        self.form.compute_with(self._sizes)
        super().__init__([self.form, self._handover])

    def _people(self, now: dict[str, Any]) -> list[str]:
        more = [name.strip() for name in now["new_tasters"].split(",") if name.strip()]
        return [*now["tasters"], *more]

    def _sizes(self, **now: Any) -> str:
        waters = session_waters(self._waters(), control=now["control"])
        with_control = any(water.is_control for water in waters)
        sizes = size_flights(
            len(waters) - with_control,
            has_control=with_control,
            duplicates=now["duplicates"],
            cups_per_flight=now["cups_per_flight"],
            flights=now["flights"] or None,
        )
        people = len(self._people(now))
        return said(
            f"{sizes.flights} flight{'s' * (sizes.flights > 1)} of {sizes.cups} cups: "
            f"{sizes.flights * sizes.cups * people} cups to taste for {people} tasters, "
            f"{sizes.duplicates} of the {sizes.flights * sizes.cups} jugs a hidden duplicate, "
            f"{sizes.flights if with_control else 0} the hidden control."
        )

    def _press(self) -> None:
        done, plan = self.form.attempt(self._plan)
        if not done:
            return
        self.plan = plan
        for name in ("passphrase", "again"):
            self.form.fields[name].value = ""
        self.form.result.value = as_html(plan)
        self.form.say(
            f"Sealed and in the lab book as «{plan.session}». Print the bench sheet now: it is the "
            "only way to the waters if the passphrase is lost."
        )

    def _plan(self) -> CupPlan:
        now = self.form.values()
        if now["passphrase"] != now["again"]:
            raise PlanError(
                "again must be the same passphrase, but the two differ. Type both once more."
            )
        if now["coffee"] is None:
            raise PlanError(
                "coffee must be chosen, but the lab book has none. Add a client and a coffee first."
            )
        client, coffee = now["coffee"]
        name = now["session"].strip() or f"{coffee}, {self._title()}, {date.today():%Y-%m-%d}"
        targets = self._waters()
        waters = session_waters(targets, control=now["control"])
        people = self._people(now)
        today = date.today()
        plan = plan_tasting(
            targets,
            people,
            session=name,
            passphrase=now["passphrase"],
            cups_per_flight=now["cups_per_flight"],
            flights=now["flights"] or None,
            control=now["control"],
            duplicates=now["duplicates"],
            serving=now["serving"],
            recent_codes=self._book.codes_served(since=today - timedelta(days=60)),
        )
        sheet = self._bench_sheet([key.open(now["passphrase"]) for key in plan.keys])
        names = [n.strip() for n in now["intensities"].split(",") if n.strip()]
        self._book.start_session(
            name,
            coffee=coffee,
            client=client,
            attributes=[
                Attribute(name="overall", scale=SCALES[now["overall_scale"]]),
                *(Attribute(name=n, scale=SCALES["intensity 0-15"]) for n in names),
            ],
            tasters=people,
            waters=waters,
            serving=now["serving"],
            brew_method=now["brew_method"],
        )
        self._book.store_plan(plan, waters=waters)
        self._handover.hand(
            sheet,
            name="".join(c if c.isalnum() else "-" for c in name) + "-bench-sheet.html",
            note="Preparer only: it names the waters. Print it now.",
        )
        return plan
