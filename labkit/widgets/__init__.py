"""What is touched: the forms of the workbook and the tasters' score sheet.

Each name loads its module when first used, so that the tasters' page stays small.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_MODULE_OF = {
    "AcrossForm": "across_form",
    "BalanceForm": "across_form",
    "BookChoice": "book_choice",
    "BaseWaterForm": "jug_form",
    "CardForm": "card_form",
    "ConcentrateForm": "bottle_forms",
    "ConfirmForm": "confirm_form",
    "JugForm": "jug_form",
    "LeadView": "lead_view",
    "MeterForm": "meter_form",
    "NextFlightView": "next_flight",
    "OneWaterForm": "across_form",
    "OpenForm": "open_form",
    "PaperForm": "paper_form",
    "PeopleForm": "people_form",
    "PlanForm": "plan_form",
    "PlanningView": "planning_view",
    "ReadingView": "reading_view",
    "ReplanForm": "replan_form",
    "ReportForm": "report_form",
    "ScoreSheet": "score_sheet",
    "ScoringDesk": "scoring_desk",
    "StockForm": "stock_form",
    "StrengthForm": "bottle_forms",
    "SweepForm": "sweep_form",
    "WordsForm": "across_form",
    "best_levels": "coffees",
    "coffee_choices": "coffees",
}

__all__ = list(_MODULE_OF)


def __getattr__(name: str) -> Any:
    """Load a form's module when it is first asked for."""
    if name not in _MODULE_OF:
        raise AttributeError(f"labkit.widgets has no name {name!r}.")
    return getattr(import_module(f"labkit.widgets.{_MODULE_OF[name]}"), name)
