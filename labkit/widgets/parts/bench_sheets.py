"""The bench sheet of what was just planned, on its way to the preparer's downloads."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from labkit.widgets.parts.handover import HandOver, file_name
from labkit.workflow import PlannedSession


def hand_bench_sheet(
    handover: HandOver,
    planned: PlannedSession,
    bench_sheet: Callable[..., Any],
    *,
    note: str = "Preparer only: it names the waters. Print it, then delete it.",
) -> bool:
    """Hand the sheet over, and say whether there is a new one."""
    if planned.preparation is None:
        return False
    handover.hand(
        planned.preparation.sheet(bench_sheet).html,
        name=file_name(planned.session.name, "bench-sheet"),
        note=note,
    )
    return True
