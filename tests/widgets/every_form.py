"""Every form of the workbook on one lab book, wired to one another as the notebooks wire them."""

from __future__ import annotations

from labkit.analysis import trade_sayings
from labkit.bench import (
    LABEL_PAPERS,
    batch_sheet,
    bench_sheet,
    bottle_labels,
    card_files,
    coffee_report,
    cup_labels,
    score_sheets,
    sweep_doses,
    tray_map,
)
from labkit.widgets import (
    AcrossForm,
    BalanceForm,
    BaseWaterForm,
    BatchForm,
    BookChoice,
    CardForm,
    ConcentrateForm,
    ConfirmForm,
    JugForm,
    MeterForm,
    NextFlightView,
    OneWaterForm,
    OpenForm,
    PanelForm,
    PaperForm,
    PeopleForm,
    PlanForm,
    PlanningView,
    ReadingView,
    ReplanForm,
    ReportForm,
    ScoringDesk,
    StockForm,
    StrengthForm,
    SweepForm,
    WordsForm,
    coffee_choices,
    levels_by_coffee,
)
from labkit.widgets.parts.book_files import BookFiles


def no_picture(*_read, **_about):
    """In place of a picture."""
    return ""


def at_the_bottles(book):
    """The forms of notebook 1."""
    base = BaseWaterForm(book)
    return {
        "book choice": BookChoice(book, lambda _name: book),
        "concentrate": ConcentrateForm(keep=book.stock.add_bottle),
        "strength": StrengthForm(book),
        "base water": base,
        "jug": JugForm(book, base),
        "stock": StockForm(book, bottle_labels),
        "book files": BookFiles(book, lambda: None),
    }


def at_the_plan(book):
    """The forms of notebook 2."""
    base = BaseWaterForm(book)
    sweep = SweepForm(
        coffee_choices(book),
        check=lambda sweep: sweep_doses(sweep, book.stock.concentrates(), base=base.start),
        best_of=levels_by_coffee(book),
        base=base,
    )
    paper = PaperForm(
        book,
        score_sheets=score_sheets,
        cup_labels=cup_labels,
        tray_map=tray_map,
        bench_sheet=bench_sheet,
        papers=LABEL_PAPERS,
    )
    return {
        "people": PeopleForm(book),
        "planning": PlanningView(book, no_picture),
        "base water of the plan": base,
        "sweep": sweep,
        "plan": PlanForm(book, sweep, bench_sheet, base=base, on_sealed=paper.fill),
        "paper": paper,
        "replan": ReplanForm(book, bench_sheet),
    }


def at_the_scores(book):
    """The forms of notebooks 3 and 4."""
    reading = ReadingView(book, no_picture)
    base = BaseWaterForm(book)
    return {
        "desk": ScoringDesk(book),
        "open": OpenForm(book, on_open=reading.refresh),
        "reading": reading,
        "next flight": NextFlightView(book, reading, no_picture, base=base),
        "confirm": ConfirmForm(book, reading, bench_sheet, base=base),
    }


def handing_over(book):
    """The forms of notebooks 6 and 7."""
    base = BaseWaterForm(book)
    card = CardForm(book, card_files, base)
    across = AcrossForm(book, no_picture)
    sayings = trade_sayings()
    return {
        "card": card,
        "meter": MeterForm(book, card),
        "batch": BatchForm(book, batch_sheet, base, card),
        "report": ReportForm(book, coffee_report),
        "across": across,
        "one water": OneWaterForm(book, across, no_picture),
        "panel": PanelForm(book, across),
        "words": WordsForm(book, across, sayings, no_picture),
        "balance": BalanceForm(book, across, no_picture),
    }


STEPS = {
    "bottles": at_the_bottles,
    "plan": at_the_plan,
    "scores": at_the_scores,
    "hand over": handing_over,
}
