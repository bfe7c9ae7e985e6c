"""The form that turns waters into a sealed cup plan, and hands the preparer the bench sheet."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

import ipywidgets as widgets

from labkit.book import LabBook, TastingSession, Topic
from labkit.errors import PlanError
from labkit.tasting import (
    SCALES,
    CupPlan,
    SessionWater,
    Sweep,
    TasterNoise,
    Vessels,
    session_waters,
)
from labkit.water import StartWater, Target, find_water, water_numbers
from labkit.widgets.parts import fields
from labkit.widgets.parts.bench_sheets import hand_bench_sheet
from labkit.widgets.parts.dials import LARGE, dial, numbers
from labkit.widgets.parts.fields import Form, as_html, fold
from labkit.widgets.parts.handover import HandOver
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.passphrase_offer import PassphraseOffer
from labkit.widgets.parts.taster_ticks import TasterTicks, refuse_nobody
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.plan.asked import as_asked, asked_attributes, asked_fields
from labkit.widgets.steps.plan.conditions_form import ConditionsForm
from labkit.widgets.steps.plan.power_view import panel_noise, view_plan
from labkit.workflow import PlannedSession, Usual, plan_session, usual_of

_STAGES = [("once", ()), ("hot, warm and cool", ("hot", "warm", "cool"))]

_CONTROLS = [("the middle water", "middle"), ("none", "none")]

_SHAPING = (
    "alone",
    "flights",
    "duplicates",
    "add_to",
    "cups_per_flight",
    "control",
    "serving",
    "vessel_ml",
    "jug_volume_ml",
    "stages",
    "overall_scale",
)
"""Choices that what is shown of the plan depends on."""


class WaterSource(Protocol):
    """What the plan is made for: the sweep form, or the view that proposes the next flight."""

    @property
    def coffee(self) -> tuple[str, str] | None:
        """Client and name of the coffee."""

    @property
    def waters(self) -> tuple[Target, ...]:
        """The waters to taste."""

    @property
    def sweep(self) -> Sweep | None:
        """The sweep they make, if they make one."""

    @property
    def control(self) -> Target | None:
        """The water that the coffee's days have in common; None for that of its last session."""

    def on_change(self, follow: Callable[[], Any]) -> None:
        """Call ``follow`` after every change."""


class PlanForm(NeedsBook, widgets.VBox):
    """Who tastes these waters and how, and what that would likely see; one button plans and seals.

    Parameters
    ----------
    book : LabBook
        Where the session and its sealed plan go.
    source : WaterSource
        Where coffee and waters come from.
    bench_sheet : callable
        Takes the opened flights and the concentrates, ``start``, ``jug_volume_ml`` and
        ``lab_book``, and returns the preparer's sheet with its ``html``.
    base : BaseWaterForm, optional
        The water that the doses go into; pure water if not given. It starts from that of the
        coffee's last session, and is recorded with the session.
    on_sealed : callable, optional
        Called after a plan was sealed, to offer its sheets.
    """

    def __init__(
        self,
        book: LabBook,
        source: WaterSource,
        bench_sheet: Callable[..., Any],
        *,
        base: BaseWaterForm | None = None,
        on_sealed: Callable[[], Any] | None = None,
    ) -> None:
        self._book, self.source, self._bench_sheet = book, source, bench_sheet
        self.base, self._on_sealed = base, on_sealed
        self.plan: CupPlan | None = None
        self._coffee: tuple[str, str] | None = None
        self._noise: dict[tuple[str, str], TasterNoise] = {}
        self._viewed: tuple[Any, str] = (None, "")
        self.button = fields.button("Plan and seal", main=True)
        self.button.on_click(lambda _b: self._press())
        self.hands = HandOver()
        self.sealed = widgets.HTML()
        self.form = self._make_form()
        self.offer = PassphraseOffer(self.form)
        self.conditions = ConditionsForm(book, self._serving, self._start)
        *rows, folded, buttons, message, result, style = self.form.children
        self.form.children = (
            *rows[:-2],
            result,
            folded,
            self.conditions,
            *rows[-2:],
            self.offer,
            buttons,
            message,
            style,
        )
        self.form.fields["tasters"].observe(lambda _change: self._offer_alone(), "value")
        self._offer_alone()
        self._follow()
        self.form.compute_with(self._view)
        self.form.fields["serving"].observe(lambda _change: self.conditions.refresh(), "value")
        self.conditions.on_change(self.form.refresh)
        source.on_change(self._follow)
        if base is not None:
            base.on_change(self.conditions.refresh)
        super().__init__([widgets.HTML(LARGE), self.form, self.hands, self.sealed])
        follow_book(self, book, self._hear, Topic.PEOPLE, Topic.SESSIONS)

    def _make_form(self) -> Form:
        names = self._book.people.tasters()
        return Form(
            {
                "tasters": TasterTicks("Who tastes?", names, names),
                "alone": fields.tick("I am alone", False),
                "flights": dial("Flights", [("as few as fit", 0), *numbers(1, 4)]),
                "duplicates": dial("Hidden duplicates", numbers(0, 3), 1),
                "passphrase": fields.secret("Preparer's passphrase"),
                "again": fields.secret("Repeat passphrase"),
            },
            folded={
                "add_to": fields.choice("Goes into", [("a new session", None)], None),
                "session": fields.text("Name of the session", placeholder="tasters see it"),
                "new_tasters": fields.text("More tasters", placeholder="names, with commas"),
                "cups_per_flight": fields.whole("At most side by side (cups)", 5),
                "control": fields.choice("Hidden control", _CONTROLS, "middle"),
                "serving": fields.choice("Cups", ["shared bowls", "a cup each"], "shared bowls"),
                "vessel_ml": fields.number("Each bowl or cup (mL)", 200.0, step=10),
                "jug_volume_ml": fields.number("Each jug (mL)", 1000.0, step=100),
                "stages": fields.choice("Each cup is scored", _STAGES, ()),
                **asked_fields(),
            },
            fold_title="Session, cups, hidden control, scales",
            buttons=[self.button],
        )

    def _offer_alone(self) -> None:
        """Ask for tasting alone only where one person is ticked."""
        alone = self.form.fields["alone"]
        one = len(self.form.fields["tasters"].value) == 1
        alone.layout.display = "" if one else "none"
        if not one:
            alone.value = False

    def _hear(self) -> None:
        with keeping_messages(self.form):
            self.form.fields["tasters"].follow(self._book.people.tasters())
            if list(self.form.fields["add_to"].options) != self._sessions():
                self._follow()

    def _sessions(self) -> list[tuple[str, str | None]]:
        """A new session, or one of the coffee's that more flights may go into."""
        coffee = self.source.coffee
        sessions = self._book.sessions.all(client=coffee[0], coffee=coffee[1]) if coffee else ()
        names = [one.name for one in reversed(sessions) if not one.is_pair_test]
        return [("a new session", None), *((name, name) for name in names)]

    def _follow(self) -> None:
        """Take over what changed in the form above: coffee, its sessions, number of waters."""
        coffee = self.source.coffee
        self._noise.clear()
        self._viewed = (None, "")
        follow_choices(self.form.fields["add_to"], self._sessions())
        usual = usual_of(self._book, coffee[1], coffee[0]) if coffee else None
        self._offer_control(usual)
        if coffee != self._coffee:
            self._coffee = coffee
            self.conditions.begin_from(usual)
            self._begin_from(usual)
        self.form.refresh()

    def _offer_control(self, usual: Usual | None) -> None:
        """Take the coffee's own control first, so that its days stay comparable."""
        chooser = self.form.fields["control"]
        so_far = self.source.control or (usual.control if usual else None)
        offered = [] if so_far is None else [(f"as so far, {so_far.text}", so_far)]
        options = [*offered, *_CONTROLS]
        if follow_choices(chooser, options):
            chooser.index = 0

    def _begin_from(self, usual: Usual | None) -> None:
        """Score and serve as in the coffee's last session with scores, if it had one."""
        if usual is None or usual.scored is None:
            return
        self.form.fields["serving"].value = usual.serving
        if self.base is not None and usual.held.base_water:
            self.base.choose(self._book.stock.start_water(usual.held))
        for name, value in as_asked(usual.attributes).items():
            self.form.fields[name].value = value

    def _serving(self) -> Vessels:
        chosen: Vessels = self.form.fields["serving"].value
        return chosen

    def _start(self) -> StartWater:
        return StartWater() if self.base is None else self.base.start

    def _new(self, now: dict[str, Any]) -> list[str]:
        return [name.strip() for name in now["new_tasters"].split(",") if name.strip()]

    def _session(self, now: dict[str, Any]) -> TastingSession | None:
        return None if now["add_to"] is None else self._book.sessions.session(now["add_to"])

    def _waters(
        self, now: dict[str, Any], session: TastingSession | None
    ) -> tuple[SessionWater, ...]:
        known = session.waters if session else ()
        return session_waters(self.source.waters, control=now["control"], known=known)

    def _view(self, **now: Any) -> str:
        brew_method = self.conditions.fields["brew_method"].value
        people, targets = [*now["tasters"], *self._new(now)], self.source.waters
        asked = (len(people), targets, brew_method, *(now[name] for name in _SHAPING))
        if self._viewed[0] == asked:
            return self._viewed[1]
        refuse_nobody(people, self._book.people.tasters())
        waters = self._waters(now, self._session(now))
        tasted = len(set(water_numbers(targets)))
        control = next((w.target for w in waters if w.is_control), None)
        free_control = control is not None and find_water(control, targets) is not None
        scale = SCALES[now["overall_scale"]]
        if (scale.name, brew_method) not in self._noise:
            noise = panel_noise(self._book, self.source.coffee, scale, brew_method)
            self._noise[scale.name, brew_method] = noise
        shown = view_plan(
            tasted - free_control,
            len(people),
            noise=self._noise[scale.name, brew_method],
            scale=scale,
            sweep=self.source.sweep,
            has_control=control is not None,
            free_control=free_control,
            duplicates=now["duplicates"],
            cups_per_flight=now["cups_per_flight"],
            flights=now["flights"] or None,
            serving=now["serving"],
            alone=now["alone"],
            stages=max(1, len(now["stages"])),
            vessel_ml=now["vessel_ml"],
            jug_volume_ml=now["jug_volume_ml"],
        )
        self._viewed = (asked, shown)
        return shown

    def _press(self) -> None:
        done, planned = self.form.press(self._plan)
        if not done:
            return
        self.plan = plan = planned.plan
        self.offer.clear()
        self._follow()
        self.sealed.value = fold("Codes in each taster's order", as_html(plan))
        paper = "in notebook 2, under Paper" if self._on_sealed is None else "below, under Paper"
        self.form.say(
            f"Sealed and in the lab book as '{plan.session}'. Print the bench sheet now: it is the "
            f"only way to the waters if the passphrase is lost. Cup labels and score sheets are "
            f"{paper}; score in notebook 3."
        )
        if self._on_sealed is not None:
            self._on_sealed()

    def _plan(self) -> PlannedSession:
        now = self.form.values()
        if now["passphrase"] != now["again"]:
            raise PlanError(
                "again must match the passphrase, but the two differ. Type both again.",
                field="again",
            )
        if self.source.coffee is None:
            raise PlanError(
                "coffee must be chosen, but the lab book has none. "
                "Add a client and a coffee first.",
                field="coffee",
            )
        client, coffee = self.source.coffee
        planned = plan_session(
            self._book,
            coffee,
            self.source.waters,
            client=client,
            tasters=now["tasters"],
            new_tasters=self._new(now),
            passphrase=now["passphrase"],
            name=now["session"],
            add_to=now["add_to"],
            attributes=asked_attributes(now),
            stages=now["stages"],
            control=now["control"],
            duplicates=now["duplicates"],
            flights=now["flights"] or None,
            cups_per_flight=now["cups_per_flight"],
            serving=now["serving"],
            alone=now["alone"],
            brew_method=self.conditions.fields["brew_method"].value,
            held=self.conditions.held,
            start=self._start(),
            jug_volume_ml=now["jug_volume_ml"],
        )
        hand_bench_sheet(self.hands, planned, self._bench_sheet)
        return planned
