"""The form that turns waters into a sealed cup plan, and hands the preparer the bench sheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any, Protocol

import ipywidgets as widgets

from labkit.book import Attribute, LabBook
from labkit.errors import PlanError
from labkit.tasting import SCALES, CupPlan, plan_tasting, session_waters
from labkit.tasting.sizes import size_flights
from labkit.water import Target
from labkit.widgets import fields
from labkit.widgets.fields import Form, as_html, said
from labkit.widgets.handover import HandOver

_CODES_REST = timedelta(days=60)
"""How far back codes are looked up; planning itself lets them rest for a fortnight."""


class WaterSource(Protocol):
    """What the plan is made for: the sweep form, or the view that proposes the next flight."""

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee."""

    @property
    def waters(self) -> tuple[Target, ...]:
        """The waters to taste."""

    @property
    def title(self) -> str:
        """Words for the session's name."""

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""


class PlanForm(widgets.VBox):
    """Who tastes these waters and how; one button plans, seals and stores.

    Parameters
    ----------
    book : LabBook
        Where the session and its sealed plan go.
    source : WaterSource
        Where coffee and waters come from.
    bench_sheet : callable
        Takes the opened flights and the concentrates, ``jug_volume_ml`` and ``lab_book``, and
        returns the preparer's sheet with its ``html``.
    """

    def __init__(self, book: LabBook, source: WaterSource, bench_sheet: Callable[..., Any]) -> None:
        self._book, self._source, self._bench_sheet = book, source, bench_sheet
        self.plan: CupPlan | None = None
        self._button = fields.button("Plan and seal", main=True)
        self._button.on_click(lambda _b: self._press())
        self._handover = HandOver()
        self.form = Form(
            {
                "tasters": fields.several("Tasters", book.tasters(), book.tasters()),
                "passphrase": fields.secret("Preparer's passphrase"),
                "again": fields.secret("The same once more"),
            },
            folded={
                "add_to": fields.choice("Goes into", [("a new session", None)], None),
                "session": fields.text("Name of the session", placeholder="made from the sweep"),
                "new_tasters": fields.text("More tasters", placeholder="names, with commas"),
                "cups_per_flight": fields.whole("Cups side by side", 6),
                "flights": fields.whole("Flights (0: as few as fit)", 0),
                "duplicates": fields.whole("Hidden duplicates", 1),
                "control": fields.choice(
                    "Hidden control", [("the middle water", "middle"), ("none", "none")], "middle"
                ),
                "serving": fields.choice("Cups", ["shared bowls", "a cup each"], "shared bowls"),
                "jug_volume_ml": fields.number("Each jug (mL)", 1000.0, step=100),
                "brew_method": fields.choice(
                    "Brewed as", ["cupping", "filter", "espresso"], "cupping"
                ),
                "overall_scale": fields.choice(
                    "Overall score", ["liking 1-9", "quality 6-10"], "liking 1-9"
                ),
                "intensities": fields.text("Attributes, 0 to 15", "acidity, sweetness, body"),
            },
            fold_title="Session, flights, hidden cups, scales",
            buttons=[self._button],
        )
        self._follow()
        self.form.compute_with(self._sizes)
        source.on_change(self._follow)
        super().__init__([self.form, self._handover])

    def _follow(self) -> None:
        """Take over what changed in the form above: the coffee's sessions, the waters' number."""
        chooser, coffee = self.form.fields["add_to"], self._source.coffee
        names = (
            [s.name for s in self._book.sessions(client=coffee[0], coffee=coffee[1])]
            if (coffee)
            else []
        )
        options = [("a new session", None), *((name, name) for name in reversed(names))]
        if list(chooser.options) != options:
            chooser.options = options
        self.form.refresh()

    def _people(self, now: dict[str, Any]) -> list[str]:
        more = [name.strip() for name in now["new_tasters"].split(",") if name.strip()]
        return [*now["tasters"], *more]

    def _sizes(self, **now: Any) -> str:
        waters = session_waters(self._source.waters, control=now["control"])
        with_control = any(water.is_control for water in waters)
        sizes = size_flights(
            len(waters) - with_control,
            has_control=with_control,
            duplicates=now["duplicates"],
            cups_per_flight=now["cups_per_flight"],
            flights=now["flights"] or None,
        )
        people = len(self._people(now))
        jugs = sizes.flights * sizes.cups
        return said(
            f"{sizes.flights} flight{'s' * (sizes.flights > 1)} of {sizes.cups} cups: "
            f"{jugs * people} cups to taste for {people} tasters. Of the {jugs} jugs "
            f"{sizes.duplicates} hold a hidden duplicate and "
            f"{sizes.flights if with_control else 0} the hidden control."
        )

    def _press(self) -> None:
        done, plan = self.form.attempt(self._plan)
        if not done:
            return
        self.plan = plan
        for name in ("passphrase", "again"):
            self.form.fields[name].value = ""
        self._follow()
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
        if self._source.coffee is None:
            raise PlanError(
                "coffee must be chosen, but the lab book has none. Add a client and a coffee first."
            )
        client, coffee = self._source.coffee
        people, targets = self._people(now), self._source.waters
        added = now["add_to"] is not None
        title = f"{coffee}, {self._source.title}, {date.today():%Y-%m-%d}"
        name = now["add_to"] or now["session"].strip() or title
        session = self._book.session(name) if added else None
        known = session.waters if session else ()
        waters = session_waters(targets, control=now["control"], known=known)
        plan = plan_tasting(
            targets,
            people,
            session=name,
            passphrase=now["passphrase"],
            cups_per_flight=now["cups_per_flight"],
            flights=now["flights"] or None,
            control=now["control"],
            duplicates=now["duplicates"],
            serving=session.serving if session else now["serving"],
            known=known,
            after=self._book.plan(name) if session else None,
            recent_codes=self._book.codes_served(since=date.today() - _CODES_REST),
        )
        sheet = self._bench_sheet(
            [key.open(now["passphrase"]) for key in plan.keys],
            self._book.concentrates(),
            jug_volume_ml=now["jug_volume_ml"],
            lab_book=self._book.name,
        )
        if session is None:
            self._start_session(name, client, coffee, people, now)
        self._book.store_plan(plan, waters=waters)
        self._handover.hand(
            sheet.html,
            name="".join(c if c.isalnum() else "-" for c in name) + "-bench-sheet.html",
            note="Preparer only: it names the waters. Print it now.",
        )
        return plan

    def _start_session(
        self, name: str, client: str, coffee: str, people: Sequence[str], now: dict[str, Any]
    ) -> None:
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
            serving=now["serving"],
            brew_method=now["brew_method"],
        )
