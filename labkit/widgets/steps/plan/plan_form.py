"""The form that turns waters into a sealed cup plan, and hands the preparer the bench sheet."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Protocol

import ipywidgets as widgets

from labkit.book import LabBook, TastingSession, Topic
from labkit.errors import LabkitError, PlanError, StockError
from labkit.present import say, what_it_buys
from labkit.tasting import (
    COMFORTABLE_CUPS,
    SCALES,
    USUAL_MINUTES,
    CupPlan,
    PlanChoice,
    PlanChoices,
    Scale,
    SessionWater,
    Sweep,
    TasterNoise,
    Vessels,
    session_waters,
)
from labkit.water import StartWater, Target, find_water, water_numbers
from labkit.widgets.parts import fields
from labkit.widgets.parts.bench_sheets import hand_bench_sheet
from labkit.widgets.parts.dials import LARGE, dial, lines, numbers
from labkit.widgets.parts.fields import Form, as_html, fold, said
from labkit.widgets.parts.handover import HandOver, file_name, zipped
from labkit.widgets.parts.listening import follow_book, follow_choices, keeping_messages
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.widgets.parts.passphrase_offer import PassphraseOffer
from labkit.widgets.parts.taster_ticks import TasterTicks
from labkit.widgets.steps.bottles.jug_form import BaseWaterForm
from labkit.widgets.steps.plan.asked import as_asked, asked_attributes, asked_fields
from labkit.widgets.steps.plan.conditions_form import ConditionsForm
from labkit.widgets.steps.plan.paper_form import PaperForm
from labkit.widgets.steps.plan.power_view import view_plan
from labkit.workflow import (
    PlannedSession,
    Usual,
    flight_cost,
    panel_noise,
    plan_session,
    propose_plan,
    served_as_placed,
    usual_of,
)

_STAGES = [("once", ()), ("hot, warm and cool", ("hot", "warm", "cool"))]

_CONTROLS = [("the middle water", "middle"), ("none", "none")]

_DIALS = ("flights", "repeats", "duplicates", "control")
"""What makes one plan of several for the same waters and people."""

_PLACED, _RECOMMENDED, _OWN = "placed", "recommended", "own"

_SHAPING = (
    "alone",
    *_DIALS,
    "minutes",
    "add_to",
    "cups_per_flight",
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
    """Who tastes, how long, how many cups at once: a plan is proposed; one button seals it.

    Of the plans that could be made for these waters, the recommended one and what others would
    buy are there to choose from; each detail can be set in the fold.

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
    paper : PaperForm, optional
        Makes the tasters' sheets: then all paper comes in one file if that is ticked.
    """

    def __init__(
        self,
        book: LabBook,
        source: WaterSource,
        bench_sheet: Callable[..., Any],
        *,
        base: BaseWaterForm | None = None,
        on_sealed: Callable[[], Any] | None = None,
        paper: PaperForm | None = None,
    ) -> None:
        self._book, self.source, self._bench_sheet = book, source, bench_sheet
        self.base, self._on_sealed, self._paper = base, on_sealed, paper
        self.choices: PlanChoices | None = None
        self._proposed: Any = None
        self._placed: tuple[Target, ...] = ()
        self._taking = False
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
        *rows, papers, secret, again, short, folded, buttons, message, result, style = (
            self.form.children
        )
        self._short = short
        short.layout.display = "none"  # asked only once something is short
        papers.layout.display = "none" if paper is None else ""
        self.form.children = (
            *rows,
            result,
            folded,
            self.conditions,
            self.offer,
            secret,
            again,
            papers,
            short,
            buttons,
            message,
            style,
        )
        self.form.also(*(one for one in (source, base) if isinstance(one, widgets.Widget)))
        for name in ("tasters", "new_tasters"):
            self.form.fields[name].observe(lambda _change: self._offer_alone(), "value")
        self.form.fields["plan"].observe(lambda _change: self._choose_plan(), "value")
        for name in _DIALS:
            self.form.fields[name].observe(lambda _change: self._own_plan(), "value")
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
        self._names = names = self._book.people.tasters()
        return Form(
            {
                "tasters": TasterTicks("Who tastes?", names, names),
                "new_tasters": fields.text("Who tastes?", placeholder="names, with commas"),
                "alone": fields.tick("I am alone", False),
                "minutes": fields.number("At the table (minutes)", USUAL_MINUTES, step=5),
                "cups_per_flight": fields.whole("At most side by side (cups)", COMFORTABLE_CUPS),
                "plan": lines("Plan", [("not known yet", _OWN)]),
                "all_paper": fields.tick("All paper, in one zip file", False),
                "passphrase": fields.secret("Preparer's passphrase"),
                "again": fields.secret("Repeat passphrase"),
                "even_if_short": fields.tick("Seal anyway: I will make what is short first", False),
            },
            folded={
                "flights": dial("Flights", [("as few as fit", 0), *numbers(1, 4)]),
                "repeats": dial("Each water in (flights)", _repeats(4)),
                "duplicates": dial("Hidden duplicates", numbers(0, 3), 1),
                "add_to": fields.choice("Goes into", [("a new session", None)], None),
                "session": fields.text("Name of the session", placeholder="tasters see it"),
                "control": fields.choice("Hidden control", _CONTROLS, "middle"),
                "serving": fields.choice("Cups", ["shared bowls", "a cup each"], "shared bowls"),
                "vessel_ml": fields.number("Each bowl or cup (mL)", 200.0, step=10),
                "jug_volume_ml": fields.jug(),
                "stages": fields.choice("Each cup is scored", _STAGES, ()),
                **asked_fields(),
            },
            fold_title="Flights, hidden cups, session, scales",
            buttons=[self.button],
        )

    def _offer_alone(self) -> None:
        """Ask for tasting alone only where one person tastes."""
        alone = self.form.fields["alone"]
        one = len(self._people(self.form.values())) == 1
        alone.layout.display = "" if one else "none"
        if not one:
            alone.value = False

    def _hear(self) -> None:
        with keeping_messages(self.form):
            self._offer_tasters()
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
        self._offer_tasters()
        with self._quietly():
            follow_choices(self.form.fields["add_to"], self._sessions())
        usual = usual_of(self._book, coffee[1], coffee[0]) if coffee else None
        self._offer_control(usual)
        if coffee != self._coffee:
            self._coffee = coffee
            with self._quietly():
                self.conditions.begin_from(usual)
                self._begin_from(usual)
        self.form.refresh()

    def _offer_tasters(self, ticked: Sequence[str] | None = None) -> None:
        """Offer who is in the lab book; who is new there is ticked, unless it is said who is."""
        ticks, more = (self.form.fields[name] for name in ("tasters", "new_tasters"))
        names = self._book.people.tasters()
        if ticked is None and names != self._names:
            ticked = [name for name in names if name in ticks.value or name not in self._names]
        if ticked is not None:
            self._names = names
            ticks.offer(names, ticked)
        ticks.layout.display = "" if names else "none"
        more.description = "More tasters" if names else "Who tastes?"

    def _offer_control(self, usual: Usual | None) -> None:
        """Take the coffee's own control first, so that its days stay comparable."""
        chooser = self.form.fields["control"]
        so_far = self.source.control or (usual.control_for(self._targets()) if usual else None)
        offered = [] if so_far is None else [(f"as before, {so_far.text}", so_far)]
        options = [*offered, *_CONTROLS]
        with self._quietly():
            if follow_choices(chooser, options):
                chooser.index = 0

    def _targets(self) -> tuple[Target, ...]:
        """The waters as they stand above; none while what is typed there makes none."""
        try:
            return self.source.waters
        except LabkitError:
            return ()

    def _begin_from(self, usual: Usual | None) -> None:
        """Score and serve as in the coffee's last session with scores, and with whom it was."""
        if usual is None:
            return
        self.form.fields["cups_per_flight"].value = usual.cups_per_flight
        self.form.fields["minutes"].value = usual.minutes
        if usual.before is not None:
            self._offer_tasters(usual.before.tasters)
            laid_out = self._book.sessions.label_paper(usual.before.name)
            self.form.fields["all_paper"].value = bool(laid_out) and self._paper is not None
        if usual.scored is None:
            return
        self.form.fields["serving"].value = usual.serving
        if usual.scored.stages in [stages for _, stages in _STAGES]:
            self.form.fields["stages"].value = usual.scored.stages
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

    def _people(self, now: dict[str, Any]) -> list[str]:
        return [*now["tasters"], *self._new(now)]

    def _session(self, now: dict[str, Any]) -> TastingSession | None:
        return None if now["add_to"] is None else self._book.sessions.session(now["add_to"])

    def _waters(
        self, now: dict[str, Any], session: TastingSession | None
    ) -> tuple[SessionWater, ...]:
        known = session.waters if session else ()
        return session_waters(self.source.waters, control=now["control"], known=known)

    def _view(self, **now: Any) -> str:
        if self._taking:  # one change of several: what comes of them is shown once
            return self._viewed[1]
        people, targets = self._people(now), self.source.waters
        brew_method = self.conditions.fields["brew_method"].value
        if not people:
            return said("Tick who tastes, or type a name." if self._names else "Type who tastes.")
        if self.source.coffee is None:
            return said("Add a client and a coffee first.")
        self._propose(now, len(people))
        now = self.form.values()
        asked = (len(people), targets, brew_method, *(now[name] for name in _SHAPING))
        if self._viewed[0] == asked:
            return self._viewed[1]
        waters = self._waters(now, self._session(now))
        tasted = len(set(water_numbers(targets)))
        control = next((w.target for w in waters if w.is_control), None)
        free_control = control is not None and find_water(control, targets) is not None
        if now["plan"] == _PLACED and not free_control:
            control = None  # it is poured only where the search placed it
        scale = SCALES[now["overall_scale"]]
        shown = view_plan(
            tasted - free_control,
            len(people),
            noise=self._noise_on(scale),
            scale=scale,
            sweep=self.source.sweep,
            has_control=control is not None,
            free_control=free_control,
            duplicates=now["duplicates"],
            cups_per_flight=now["cups_per_flight"],
            flights=now["flights"] or None,
            repeats=now["repeats"] or None,
            serving=now["serving"],
            alone=now["alone"],
            stages=max(1, len(now["stages"])),
            vessel_ml=now["vessel_ml"],
            jug_volume_ml=now["jug_volume_ml"],
        )
        self._viewed = (asked, shown)
        return shown

    def _noise_on(self, scale: Scale) -> TasterNoise:
        """The panel's noise on a scale, looked up once for each brew method."""
        brewed = self.conditions.fields["brew_method"].value
        if (scale.name, brewed) not in self._noise:
            noise = panel_noise(self._book, self.source.coffee, scale, brewed)
            self._noise[scale.name, brewed] = noise
        return self._noise[scale.name, brewed]

    def _propose(self, now: dict[str, Any], n_tasters: int) -> None:
        """Weigh the plans anew where people, time, cups or waters changed; take the best one."""
        if self.source.coffee is None:
            raise _no_coffee()
        client, coffee = self.source.coffee
        scale = SCALES[now["overall_scale"]]
        control = self.form.fields["control"].options[0][1]
        brewed = self.conditions.fields["brew_method"].value
        waters = self.source.sweep or self.source.waters
        self._placed = served_as_placed(self.source, now["cups_per_flight"])
        asked: dict[str, Any] = {
            "tasters": n_tasters,
            "control": control,
            "serving": now["serving"],
            "scale": scale,
            "brew_method": brewed,
        } | {
            name: now[name]
            for name in ("minutes", "cups_per_flight", "add_to", "stages", "vessel_ml")
        }
        wanted = (client, coffee, waters, self._placed, asked)
        if self._proposed == wanted:
            return
        self._proposed = None
        self.choices = propose_plan(
            self._book, coffee, waters, client=client, noise=self._noise_on(scale), **asked
        )
        self._proposed = wanted
        chooser = self.form.fields["plan"]
        is_own = chooser.value == _OWN and len(chooser.options) > 1
        with self._quietly():
            chooser.options = self._lines(self.choices, n_tasters)
            first = _PLACED if self._placed else _RECOMMENDED
            chooser.value = _OWN if is_own else first
            if not is_own and self._placed:
                self._take_placed()
            elif not is_own:
                self._take(self.choices.recommended)

    def _lines(self, choices: PlanChoices, n_tasters: int) -> list[tuple[str, str]]:
        """What there is to choose from: what a search placed, what is laid out anew, one's own."""
        best = choices.recommended
        cost = flight_cost(len(self._placed), n_tasters)
        placed = [(f"Recommended. {say(cost)}", _PLACED)] if self._placed else []
        others = [
            (what_it_buys(one, best, minutes=choices.minutes), str(n))
            for n, one in enumerate(choices.alternatives)
        ]
        laid_out = "Laid out anew" if placed else "Recommended"
        return [
            *placed,
            (f"{laid_out}. {say(choices)}", _RECOMMENDED),
            *others,
            ("As set below, under 'Flights, hidden cups'", _OWN),
        ]

    def _choose_plan(self) -> None:
        """Set the details as the plan chosen has them."""
        chosen = self.form.fields["plan"].value
        if self._taking or self.choices is None or chosen in (None, _OWN):
            return
        with self._quietly():
            if chosen == _PLACED:
                self._take_placed()
            elif chosen == _RECOMMENDED:
                self._take(self.choices.recommended)
            else:
                self._take(self.choices.alternatives[int(chosen)])
        self.form.refresh()

    def _take_placed(self) -> None:
        """Set the dials in the fold to the flight as the search placed its cups."""
        dials, cups = self.form.fields, self._placed
        dials["flights"].value = dials["repeats"].value = 1
        dials["duplicates"].value = len(cups) - len(set(water_numbers(cups)))
        offered = [value for _, value in dials["control"].options]
        so_far = next((one for one in offered if isinstance(one, Target)), None)
        is_poured = so_far is None or find_water(so_far, cups) is not None
        dials["control"].value = offered[0] if is_poured else "none"

    def _take(self, choice: PlanChoice) -> None:
        """Set the dials in the fold to a plan."""
        dials = self.form.fields
        most = max(4, choice.flights)
        dials["flights"].options = [("as few as fit", 0), *numbers(1, most)]
        dials["repeats"].options = _repeats(most)
        for name in ("flights", "repeats", "duplicates"):
            dials[name].value = getattr(choice, name)
        control = dials["control"]
        if not choice.has_control:
            control.value = "none"
        elif control.value == "none":
            control.index = 0

    def _own_plan(self) -> None:
        """A detail was set by hand: the plan is one's own."""
        if not self._taking and self.choices is not None:
            with self._quietly():
                self.form.fields["plan"].value = _OWN

    @contextmanager
    def _quietly(self) -> Iterator[None]:
        """Change fields without computing or deciding anything in between."""
        before, self._taking = self._taking, True
        try:
            yield
        finally:
            self._taking = before

    def _press(self) -> None:
        done, planned = self.form.press(self._plan)
        if not done:
            return
        self.form.fields["even_if_short"].value = False
        self._short.layout.display = "none"
        self.plan = plan = planned.plan
        self.offer.served(f"'{plan.session}'")
        self.form.fields["new_tasters"].value = ""
        self._offer_tasters(plan.tasters)
        self._follow()
        self.sealed.value = fold("Codes in each taster's order", as_html(plan))
        is_below = self._on_sealed is not None or self._paper is not None
        paper = "below, under Paper" if is_below else "under Plan"
        self.form.say(
            f"Sealed and in the lab book as '{plan.session}'. Print the bench sheet now: it is the "
            f"only way to the waters if the passphrase is lost. Cup labels and score sheets are "
            f"{paper}; score under Taste."
        )
        if self._on_sealed is not None:
            self._on_sealed()
        self._hand_over(planned)

    def _hand_over(self, planned: PlannedSession) -> None:
        """The bench sheet, alone or with all other paper of these flights."""
        if self._paper is not None:
            self._paper.fill()
        if self._paper is None or not self.form.fields["all_paper"].value:
            hand_bench_sheet(self.hands, planned, self._bench_sheet)
            return
        if planned.preparation is None:
            return
        name = planned.session.name
        done, files = self._paper.form.attempt(self._paper.for_tasters)
        bench = {
            f"preparer-only-{file_name(name, 'bench-sheet')}": planned.preparation.sheet(
                self._bench_sheet
            ).html
        }
        self.hands.hand(
            zipped(bench | (files if done else {})),
            name=file_name(name, "paper", "zip"),
            note="Unpack and print. Preparer only: the bench sheet in it names the waters.",
            media_type="application/zip",
        )

    def _plan(self) -> PlannedSession:
        now = self.form.values()
        if self.source.coffee is None:
            raise _no_coffee()
        client, coffee = self.source.coffee
        try:
            return self._seal(now, client, coffee)
        except StockError:
            self._short.layout.display = ""
            raise

    def _seal(self, now: dict[str, Any], client: str, coffee: str) -> PlannedSession:
        placed = self._placed if self.form.fields["plan"].value == _PLACED else ()
        # What is not poured here stays the coffee's control all the same.
        kept = placed and now["control"] == "none"
        return plan_session(
            self._book,
            coffee,
            placed or self.source.waters,
            as_listed=bool(placed),
            client=client,
            tasters=now["tasters"],
            new_tasters=self._new(now),
            passphrase=self.offer.passphrase(),
            name=now["session"],
            add_to=now["add_to"],
            attributes=asked_attributes(now),
            stages=now["stages"],
            control=None if kept else now["control"],
            duplicates=now["duplicates"],
            flights=now["flights"] or None,
            repeats=now["repeats"] or None,
            cups_per_flight=now["cups_per_flight"],
            minutes=now["minutes"],
            serving=now["serving"],
            alone=now["alone"],
            brew_method=self.conditions.fields["brew_method"].value,
            held=self.conditions.held,
            start=self._start(),
            jug_volume_ml=now["jug_volume_ml"] or None,
            vessel_ml=now["vessel_ml"],
            even_if_short=now["even_if_short"],
        )


def _repeats(most: int) -> list[tuple[str, int]]:
    return [("as many as fit", 0), *numbers(1, most)]


def _no_coffee() -> PlanError:
    return PlanError(
        "coffee must be chosen, but the lab book has none. Add a client and a coffee first.",
        field="coffee",
    )
