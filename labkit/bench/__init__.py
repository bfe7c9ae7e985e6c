"""What is looked at and printed: plots and A4 sheets, each loaded when first used."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from labkit.bench.across_plots import (
        across_picture,
        losses_picture,
        plot_across,
        plot_losses,
    )
    from labkit.bench.card_table import recipe_frame
    from labkit.bench.cards import make_recipes, recipe_card
    from labkit.bench.compare_plots import plot_attributes
    from labkit.bench.for_preparer import bench_sheet, weighing_sheet
    from labkit.bench.for_tasters import score_sheets, tray_map
    from labkit.bench.hand_over import CardFiles, card_files, read_card_json
    from labkit.bench.labels import (
        LABEL_PAPERS,
        LabelPaper,
        bottle_labels,
        cup_labels,
    )
    from labkit.bench.mineral_plots import (
        balance_picture,
        plot_balance,
        plot_words,
        words_picture,
    )
    from labkit.bench.next_plots import next_picture, plot_next
    from labkit.bench.panel_plots import plot_panel, plot_residuals
    from labkit.bench.pictures import reading_pictures
    from labkit.bench.plan_plots import plan_picture, plot_plan
    from labkit.bench.report import coffee_report
    from labkit.bench.score_plots import plot_score, plot_tasters
    from labkit.bench.sheet import Sheet
    from labkit.bench.surface_plots import plot_surface
    from labkit.bench.tables import SweepDoses, sweep_doses

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
    "across_picture": "across_plots",
    "losses_picture": "across_plots",
    "plot_across": "across_plots",
    "plot_losses": "across_plots",
    "balance_picture": "mineral_plots",
    "plot_balance": "mineral_plots",
    "plot_words": "mineral_plots",
    "words_picture": "mineral_plots",
    "coffee_report": "report",
    "CardFiles": "hand_over",
    "card_files": "hand_over",
    "read_card_json": "hand_over",
    "make_recipes": "cards",
    "recipe_card": "cards",
    "recipe_frame": "card_table",
    "bench_sheet": "for_preparer",
    "weighing_sheet": "for_preparer",
    "score_sheets": "for_tasters",
    "tray_map": "for_tasters",
    "LABEL_PAPERS": "labels",
    "LabelPaper": "labels",
    "bottle_labels": "labels",
    "cup_labels": "labels",
    "Sheet": "sheet",
    "SweepDoses": "tables",
    "plot_attributes": "compare_plots",
    "next_picture": "next_plots",
    "plot_next": "next_plots",
    "plan_picture": "plan_plots",
    "plot_panel": "panel_plots",
    "plot_plan": "plan_plots",
    "plot_residuals": "panel_plots",
    "plot_score": "score_plots",
    "plot_surface": "surface_plots",
    "reading_pictures": "pictures",
    "sweep_doses": "tables",
    "plot_tasters": "score_plots",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
