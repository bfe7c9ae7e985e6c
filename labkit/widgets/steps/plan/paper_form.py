"""Paper: what tasters may see, and for the preparer the bench sheet once more, on record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import ipywidgets as widgets

from labkit.book import LabBook, Topic
from labkit.errors import SealError
from labkit.language import ENGLISH, LANGUAGES, Language
from labkit.tasting import CupPlan
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.widgets.parts.flight_names import flight_name
from labkit.widgets.parts.handover import HandOver, file_name, zipped
from labkit.widgets.parts.listening import follow_book, follow_choices
from labkit.widgets.parts.needs_book import NeedsBook
from labkit.workflow import mark_mixed, prepare_flights

_CAME_DOWN = said(
    "The bench sheet came down when the plan was sealed; the passphrase hands it over again. Once "
    "the jugs stand ready, say that the flight is mixed: the shelf then counts what it took."
)


class PaperForm(NeedsBook, widgets.VBox):
    """Buttons that hand sheets to the browser; none stays in the notebook.

    Parameters
    ----------
    book : LabBook
        Where plans are, and where a bench sheet given out is recorded.
    score_sheets, cup_labels, tray_map : callable
        Make the tasters' sheets from a plan, which holds no water.
    bench_sheet : callable
        Makes the preparer's sheet from opened flights, concentrates, ``start`` and
        ``jug_volume_ml``.
    papers : mapping
        What label packets say, and their measures.
    """

    def __init__(
        self,
        book: LabBook,
        *,
        score_sheets: Callable[..., Any],
        cup_labels: Callable[..., Any],
        tray_map: Callable[..., Any],
        bench_sheet: Callable[..., Any],
        papers: Mapping[str, Any],
    ) -> None:
        self._book, self._bench_sheet, self._papers = book, bench_sheet, papers
        self._score_sheets, self._cup_labels, self._tray_map = score_sheets, cup_labels, tray_map
        self.hands = HandOver()
        made = {
            "Score sheets": self._make_score_sheets,
            "Cup labels": self._make_cup_labels,
            "Tray map": self._make_tray_map,
        }
        buttons = [fields.button(label) for label in made]
        for button in buttons:
            button.on_click(lambda pressed: self._hand(made[pressed.description]))
        together = fields.button("All three, in a zip file")
        together.on_click(lambda _b: self._hand_together())
        last = book.sessions.label_paper()
        self.form = Form(
            {
                "session": fields.choice("Session", [], None),
                "flight": fields.choice("Flights", [("all", None)], None),
            },
            folded={
                "paper": fields.choice(
                    "Label paper", list(papers), last if last in papers else next(iter(papers))
                ),
                "copies": fields.whole("Labels of each code", 1),
                "first_free": fields.whole("First free label", 1),
            },
            fold_title="Label paper",
            buttons=[*buttons, together],
        )
        self.bench_button = fields.button("Hand over the bench sheet")
        self.bench_button.on_click(lambda _b: self._hand_bench_sheet())
        self.mixed_button = fields.button("These flights are mixed")
        self.mixed_button.on_click(lambda _b: self._mark_mixed())
        self.bench_form = Form(
            {},
            folded={
                "bench_passphrase": fields.secret("Passphrase of the plan"),
                "preparer": fields.text("Who asks for it"),
                "jug_volume_ml": fields.jug(),
            },
            fold_title="Preparer: doses and codes, on the bench sheet",
        )
        if self.bench_form.fold is not None:
            self.bench_form.fold.add(
                fields.side_by_side(self.bench_button, self.mixed_button), widgets.HTML(_CAME_DOWN)
            )
        self.form.fields["session"].observe(lambda _change: self._offer_flights(), "value")
        self.form.fields["flight"].observe(lambda _change: self._offer_mixed(), "value")
        self.fill()
        super().__init__([self.form, self.hands, self.bench_form])
        follow_book(self, book, self._hear, Topic.SESSIONS, Topic.STOCK)

    def fill(self) -> None:
        """Offer the sessions that have a plan, the latest first and chosen."""
        self._hear()
        chooser = self.form.fields["session"]
        chooser.index = 0 if chooser.options else None
        self.form.message.value = said(
            "" if chooser.options else "Nothing is planned yet. Plan and seal first."
        )

    def _hear(self) -> None:
        names = list(reversed(self._book.sessions.flights_by_session()))
        if names and not self.form.fields["session"].options:
            self.form.message.value = ""
        follow_choices(self.form.fields["session"], names)
        self._follow_flights()

    def _follow_flights(self) -> None:
        session = self.form.fields["session"].value
        flights = self._book.sessions.flights(session) if session else ()
        options = [(flight_name(f, short=True), f.number) for f in flights]
        follow_choices(self.form.fields["flight"], [("all", None), *options])
        self._offer_mixed()

    def mix(self, session: str, flight: int | None) -> None:
        """Go to where the doses of a flight are handed over.

        Parameters
        ----------
        session : str
            A planned one.
        flight : int or None
            Which of its flights; None for all.
        """
        for name, value in (("session", session), ("flight", flight)):
            chooser = self.form.fields[name]
            if value in [one[1] if isinstance(one, tuple) else one for one in chooser.options]:
                chooser.value = value
        self.bench_form.go_to("bench_passphrase")

    def _waiting(self) -> list[int]:
        """The flights chosen that nobody has mixed or begun."""
        session, flight = (self.form.fields[name].value for name in ("session", "flight"))
        waiting = [number for of, number, _ in self._book.stock.waiting_flights() if of == session]
        return [number for number in waiting if flight in (None, number)]

    def _offer_mixed(self) -> None:
        waiting = self._waiting()
        self.mixed_button.layout.display = "" if waiting else "none"
        self.mixed_button.description = (
            "This flight is mixed" if len(waiting) == 1 else "These flights are mixed"
        )

    def _mark_mixed(self) -> None:
        session, waiting = self.form.fields["session"].value, self._waiting()
        done, _ = self.bench_form.press(lambda: mark_mixed(self._book, session, waiting))
        if done:
            self._offer_mixed()
            which = " and ".join(map(str, waiting))
            self.bench_form.say(
                f"Flight{'s' * (len(waiting) > 1)} {which} of '{session}': mixed. What was "
                "reserved is taken."
            )

    def _offer_flights(self) -> None:
        session = self.form.fields["session"].value
        self._follow_flights()
        self.form.fields["flight"].index = 0  # "all" is shown, though its value is None
        if session:
            held = self._book.sessions.session(session).held
            self.bench_form.fields["preparer"].value = held.preparer or held.lead or "preparer"

    def _plan(self) -> tuple[CupPlan, list[int]]:
        session, flight = (self.form.fields[name].value for name in ("session", "flight"))
        if session is None:
            raise SealError(
                "session must be a planned one, but none is. Plan and seal first.", field="session"
            )
        plan = self._book.sessions.plan(session)
        return plan, list(plan.flights) if flight is None else [flight]

    def _language(self, plan: CupPlan) -> Language:
        """What the session's tasters read on paper."""
        return LANGUAGES.get(self._book.sessions.sheet(plan.session).language, ENGLISH)

    def _make_score_sheets(self) -> tuple[Any, str]:
        plan, flights = self._plan()
        session = self._book.sessions.session(self.form.fields["session"].value)
        return self._score_sheets(
            plan,
            session.attributes,
            stages=session.stages,
            flights=flights,
            lab_book=self._book.name,
            language=self._language(plan),
        ), "score-sheets"

    def _make_cup_labels(self) -> tuple[Any, str]:
        plan, flights = self._plan()
        now = self.form.values()
        labels = self._cup_labels(
            plan,
            paper=self._papers[now["paper"]],
            flights=flights,
            copies=now["copies"],
            first_free=now["first_free"],
            lab_book=self._book.name,
            language=self._language(plan),
        )
        self._book.sessions.record_labels(self.form.fields["session"].value, now["paper"])
        return labels, "cup-labels"

    def _make_tray_map(self) -> tuple[Any, str]:
        plan, flights = self._plan()
        tray = self._tray_map(
            plan, flights=flights, lab_book=self._book.name, language=self._language(plan)
        )
        return tray, "tray-map"

    def for_tasters(self) -> dict[str, str]:
        """Score sheets, labels and tray map of the session chosen, by the names of their files.

        Raises
        ------
        LabkitError
            If nothing is planned, or the labels do not fit their paper.
        """
        session = self.form.fields["session"].value
        made = (self._make_score_sheets, self._make_cup_labels, self._make_tray_map)
        return {file_name(session, what): sheet.html for sheet, what in (make() for make in made)}

    def _hand_together(self) -> None:
        done, files = self.form.attempt(self.for_tasters)
        if done:
            self.hands.hand(
                zipped(files),
                name=file_name(self.form.fields["session"].value, "paper", "zip"),
                note="Unpack it, open each file and print.",
                media_type="application/zip",
            )

    def _hand(self, make: Callable[[], tuple[Any, str]]) -> None:
        done, made = self.form.press(make)
        if not done:
            return
        sheet, what = made
        name = file_name(self.form.fields["session"].value, what)
        self.hands.hand(sheet.html, name=name, note="Open it and print.")

    def _hand_bench_sheet(self) -> None:
        done, sheet = self.bench_form.press(self._open_for_preparer)
        if not done:
            return
        self.hands.hand(
            sheet.html,
            name=file_name(self.form.fields["session"].value, "bench-sheet"),
            note="Preparer only: it names the waters. Print it, then delete it. That it was given "
            "out is in the lab book.",
        )

    def _open_for_preparer(self) -> Any:
        plan, flights = self._plan()
        now = self.bench_form.values()
        prepared = prepare_flights(
            self._book,
            plan.session,
            now["bench_passphrase"],
            flights,
            preparer=now["preparer"],
            jug_volume_ml=now["jug_volume_ml"] or None,
        )
        return prepared.sheet(self._bench_sheet)
