"""What the tests of the forms around a blind plan share."""

from __future__ import annotations

from datetime import date

from labkit.bench import LABEL_PAPERS, bench_sheet, cup_labels, score_sheets, tray_map
from labkit.book import Held
from labkit.widgets import PaperForm

PASSPHRASE = "only the preparer"
HELD = Held(
    roast_date=date(2026, 10, 1),
    dose_g=11.0,
    brew_ratio_g_l=57.0,
    grind="setting 24",
    water_temperature_c=94.0,
    contact_time_s=240.0,
    vessel="bowl",
    lead="Ada",
    preparer="Odile",
)


TAP = {"Ca": (32.0, "mg/L"), "alkalinity": (40.03, "mg/L CaCO3"), "Cl": (28.36, "mg/L")}
"""0.8 mmol/L each of calcium, bicarbonate and chloride: hardness 80 mg/L as CaCO3."""


def fill(book, roast_date=None):
    """A coffee, tasters and three bottles."""
    book.people.add_client("Client A")
    book.people.add_coffee("Coffee A", client="Client A", roast_date=roast_date)
    book.people.add_tasters(["Ada", "Bo", "Cy", "Di"])
    for name, salt, grams in (
        ("calcium", "CaCl2·2H2O", 1.47),
        ("magnesium", "MgCl2·6H2O", 2.03),
        ("bicarbonate", "KHCO3", 2.0),
    ):
        book.stock.add_bottle(name, salt=salt, weighed_g=grams, volume_ml=1000)


def paper_of(book):
    """The form that hands out the sheets."""
    return PaperForm(
        book,
        score_sheets=score_sheets,
        cup_labels=cup_labels,
        tray_map=tray_map,
        bench_sheet=bench_sheet,
        papers=LABEL_PAPERS,
    )


def catch(form):
    """Keep what a form hands to the browser."""
    handed = []
    form.hands.hand = lambda content, **about: handed.append((content, about))
    return handed


def type_passphrase(form):
    for name in ("passphrase", "again"):
        form.form.fields[name].value = PASSPHRASE


def choose(form, **values):
    for name, value in values.items():
        form.form.fields[name].value = value


def sealed(form):
    """Press, and give the session's name."""
    form.button.click()
    assert form.form.message.value.count("Sealed"), form.form.message.value
    return form.plan.session


def all_widgets(root):
    """A widget and all it shows."""
    yield root
    for child in getattr(root, "children", ()):
        yield from all_widgets(child)


def state_of(*roots):
    return repr([w.get_state() for root in roots for w in all_widgets(root)])


def score_all(book, session, flight=1, *, attributes=("overall",)):
    for taster in book.sessions.session(session).tasters:
        for cup in book.sessions.served_cups(session, flight, taster):
            for attribute in attributes:
                book.scores.record_score(
                    session, flight, taster, attribute, 6, position=cup.position
                )


def press(form, label):
    button = next(w for w in all_widgets(form) if getattr(w, "description", "") == label)
    button.click()
