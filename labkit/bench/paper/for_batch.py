"""The sheet for a day's batch: several waters, poured bottle after bottle instead of jug by jug."""

from __future__ import annotations

from labkit.bench.paper.sheet import Sheet, render
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import cautions_for, made_figures, ml_of, remarks
from labkit.water import DayBatch, digits_of, litres, meter_of


@checked(SheetError)
def batch_sheet(batch: DayBatch, *, made_for: str = "", lab_book: str = "") -> Sheet:
    """What to pour for several waters in one go, in the order with least rinsing.

    Parameters
    ----------
    batch : DayBatch
        The waters, as :func:`labkit.water.mix_batch` has them.
    made_for : str
        Whom or what day it is for.
    lab_book : str
        Name of the lab book, for the footer.

    Returns
    -------
    Sheet
        One page: base waters, rounds of doses with a box to tick each, and what each water reads.
    """
    mixings = list(batch.jugs.values())
    parts = [name for name, _ in batch.base_parts]
    digits = digits_of(mixings[0].pipette_ml)
    return render(
        "batch.html",
        title="Several waters in one go",
        session="",
        lab_book=lab_book,
        values={
            "made_for": made_for,
            "pipette": f"{mixings[0].pipette_ml:g}",
            "parts": [(name, litres(volume_ml)) for name, volume_ml in batch.base_parts],
            "rounds": [
                {
                    "bottle": one.bottle.name,
                    "total": f"{one.total_ml:.{digits}f}",
                    "doses": [(jug, ml_of(batch.jugs[jug], dose)) for jug, dose in one.doses],
                }
                for one in batch.rounds
            ],
            "waters": [
                {
                    "name": name,
                    "volume": litres(mixing.volume_ml),
                    "parts": [
                        litres(poured[part]) if part in poured else "–"
                        for poured in [dict(mixing.base_parts)]
                        for part in parts
                    ],
                    "made": list(made_figures(mixing.reached).values()),
                    "meter": f"{meter.shown:.0f}",
                    "band": f"{meter.low:.0f} to {meter.high:.0f}",
                }
                for name, mixing in batch.jugs.items()
                for meter in [meter_of(mixing)]
            ],
            "remarks": sorted({remark for mixing in mixings for remark in remarks(mixing)}),
            "cautions_for": cautions_for("mixing", mixings),
        },
    )
