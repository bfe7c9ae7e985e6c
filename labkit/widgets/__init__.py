"""What is touched: the forms of the workbook and the tasters' score sheet.

Each name loads its module when first used, so that the tasters' page stays small.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_MODULE_OF = {
    "AcrossForm": "steps.across.across_form",
    "BalanceForm": "steps.across.across_form",
    "BookChoice": "parts.book_choice",
    "BaseWaterForm": "steps.bottles.jug_form",
    "CardForm": "steps.hand_over.card_form",
    "ConcentrateForm": "steps.bottles.bottle_forms",
    "ConfirmForm": "steps.verdict.confirm_form",
    "JugForm": "steps.bottles.jug_form",
    "LeadView": "steps.taste.lead_view",
    "MeterForm": "steps.bottles.meter_form",
    "NextFlightView": "steps.verdict.next_flight",
    "OneWaterForm": "steps.across.across_form",
    "OpenForm": "steps.verdict.open_form",
    "PaperForm": "steps.plan.paper_form",
    "PeopleForm": "steps.plan.people_form",
    "PlanForm": "steps.plan.plan_form",
    "PlanningView": "steps.plan.planning_view",
    "ReadingView": "steps.verdict.reading_view",
    "ReplanForm": "steps.plan.replan_form",
    "ReportForm": "steps.hand_over.report_form",
    "ScoreSheet": "sheet.score_sheet",
    "ScoringDesk": "steps.taste.scoring_desk",
    "StockForm": "steps.bottles.stock_form",
    "StrengthForm": "steps.bottles.bottle_forms",
    "SweepForm": "steps.plan.sweep_form",
    "WordsForm": "steps.across.across_form",
    "best_levels": "parts.coffees",
    "coffee_choices": "parts.coffees",
}

__all__ = list(_MODULE_OF)


def __getattr__(name: str) -> Any:
    """Load a form's module when it is first asked for."""
    if name not in _MODULE_OF:
        raise AttributeError(f"labkit.widgets has no name {name!r}.")
    return getattr(import_module(f"labkit.widgets.{_MODULE_OF[name]}"), name)
