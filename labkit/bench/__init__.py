"""What is looked at and printed: plots and A4 sheets, each loaded when first used."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from labkit.bench.paper.card_table import recipe_frame
    from labkit.bench.paper.cards import make_recipes, recipe_card
    from labkit.bench.paper.for_preparer import bench_sheet, weighing_sheet
    from labkit.bench.paper.for_tasters import score_sheets, tray_map
    from labkit.bench.paper.hand_over import CardFiles, card_files, read_card_json
    from labkit.bench.paper.labels import (
        LABEL_PAPERS,
        LabelPaper,
        bottle_labels,
        cup_labels,
    )
    from labkit.bench.paper.report import coffee_report
    from labkit.bench.paper.sheet import Sheet
    from labkit.bench.paper.tables import SweepDoses, sweep_doses
    from labkit.bench.plots.across import (
        across_picture,
        losses_picture,
        plot_across,
        plot_losses,
    )
    from labkit.bench.plots.attributes import plot_attributes
    from labkit.bench.plots.minerals import (
        balance_picture,
        plot_balance,
        plot_words,
        words_picture,
    )
    from labkit.bench.plots.next_flight import next_picture, plot_next
    from labkit.bench.plots.panel import plot_panel, plot_residuals
    from labkit.bench.plots.pictures import reading_pictures
    from labkit.bench.plots.plan import plan_picture, plot_plan
    from labkit.bench.plots.scores import plot_score, plot_tasters
    from labkit.bench.plots.surface import plot_surface

__all__ = [
    "LABEL_PAPERS",
    "CardFiles",
    "LabelPaper",
    "Sheet",
    "SweepDoses",
    "across_picture",
    "balance_picture",
    "bench_sheet",
    "bottle_labels",
    "card_files",
    "coffee_report",
    "cup_labels",
    "losses_picture",
    "make_recipes",
    "next_picture",
    "plan_picture",
    "plot_across",
    "plot_attributes",
    "plot_balance",
    "plot_losses",
    "plot_next",
    "plot_panel",
    "plot_plan",
    "plot_residuals",
    "plot_score",
    "plot_surface",
    "plot_tasters",
    "plot_words",
    "read_card_json",
    "reading_pictures",
    "recipe_card",
    "recipe_frame",
    "score_sheets",
    "sweep_doses",
    "tray_map",
    "weighing_sheet",
    "words_picture",
]

_HOMES = {
    "across_picture": "plots.across",
    "losses_picture": "plots.across",
    "plot_across": "plots.across",
    "plot_losses": "plots.across",
    "balance_picture": "plots.minerals",
    "plot_balance": "plots.minerals",
    "plot_words": "plots.minerals",
    "words_picture": "plots.minerals",
    "coffee_report": "paper.report",
    "CardFiles": "paper.hand_over",
    "card_files": "paper.hand_over",
    "read_card_json": "paper.hand_over",
    "make_recipes": "paper.cards",
    "recipe_card": "paper.cards",
    "recipe_frame": "paper.card_table",
    "bench_sheet": "paper.for_preparer",
    "weighing_sheet": "paper.for_preparer",
    "score_sheets": "paper.for_tasters",
    "tray_map": "paper.for_tasters",
    "LABEL_PAPERS": "paper.labels",
    "LabelPaper": "paper.labels",
    "bottle_labels": "paper.labels",
    "cup_labels": "paper.labels",
    "Sheet": "paper.sheet",
    "SweepDoses": "paper.tables",
    "plot_attributes": "plots.attributes",
    "next_picture": "plots.next_flight",
    "plot_next": "plots.next_flight",
    "plan_picture": "plots.plan",
    "plot_panel": "plots.panel",
    "plot_plan": "plots.plan",
    "plot_residuals": "plots.panel",
    "plot_score": "plots.scores",
    "plot_surface": "plots.surface",
    "reading_pictures": "plots.pictures",
    "sweep_doses": "paper.tables",
    "plot_tasters": "plots.scores",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
