"""Make the demo scenario anew: an invented roastery, two coffees, six simulated tasters.

    python data/make_demo.py

writes ``data/demo/*.csv``. The planted truths stand below and in data/README.md; tests move them
and look whether the workbook follows.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from labkit.analysis import read_coffee
from labkit.analysis.simulate import PlantedPeak, SimulatedPanel
from labkit.book import Attribute, Held, LabBook, Touch
from labkit.tasting import (
    SCALES,
    Sweep,
    alkalinity_dial,
    hardness_dial,
    plan_tasting,
    ratio_hardness_grid,
    ratio_sweep,
    session_waters,
)

HERE = Path(__file__).parent
PASSPHRASE = "quillmoor demo"
CLIENT = "Quillmoor Roastery"
TASTERS = ("Ines", "Jonas", "Kesia", "Liv", "Marek", "Noor")
PREPARER, LEAD = "Odile", "Pavel"

PLANTED = {
    "Veltara, washed": PlantedPeak(best=(0.70, 110.0, 25.0), effect_points=2.6),
    "Osmeni, natural": PlantedPeak(best=(0.30, 130.0, 35.0), effect_points=2.6),
}
"""The truth of each coffee's overall score; what the workbook has to find."""

# Attributes follow the minerals in plain ways, so that their pictures have something to show.
INTENSITIES = {
    "acidity": PlantedPeak(best=(1.0, 120.0, 0.0), effect_points=3.0, reach=(0.6, 150.0, 30.0)),
    "sweetness": PlantedPeak(best=(0.5, 110.0, 30.0), effect_points=2.0, reach=(0.5, 80.0, 30.0)),
    "body": PlantedPeak(best=(0.0, 200.0, 40.0), effect_points=2.5, reach=(0.6, 120.0, 60.0)),
}
ATTRIBUTES = (
    Attribute(name="overall", scale=SCALES["liking 1-9"]),
    *(Attribute(name=name, scale=SCALES["intensity 0-15"]) for name in INTENSITIES),
)
BOTTLES = (
    # name, salt, grams weighed, purity on the label
    ("calcium", "CaCl2·2H2O", 1.48, 0.99),
    ("magnesium", "MgCl2·6H2O", 2.05, 0.99),
    ("bicarbonate", "KHCO3", 2.01, 0.995),
)


class Tasting:
    """One coffee's panel at work on a lab book."""

    def __init__(
        self, book: LabBook, coffee: str, peak: PlantedPeak, *, rng: np.random.Generator
    ) -> None:
        self.book, self.coffee, self.rng = book, coffee, rng
        overall = SimulatedPanel.draw(TASTERS, peak, rng=rng, scale=SCALES["liking 1-9"])
        self.panels = [overall] + [
            dataclasses.replace(
                SimulatedPanel.draw(TASTERS, surface, rng=rng, scale=SCALES["intensity 0-15"]),
                attribute=name,
            )
            for name, surface in INTENSITIES.items()
        ]

    def run(
        self,
        name: str,
        sweep: Sweep,
        day: dt.date,
        *,
        cups_per_flight: int,
        flights: int,
        scored_by: Sequence[str] = TASTERS,
    ) -> None:
        """Plan, serve and score a session; lock and open it if everybody has scored."""
        waters = session_waters(sweep.targets)
        self.book.start_session(
            name,
            coffee=self.coffee,
            client=CLIENT,
            attributes=ATTRIBUTES,
            tasters=TASTERS,
            waters=waters,
            tasted_on=day,
            held=Held(
                roast_date=day - dt.timedelta(days=9),
                dose_g=11.0,
                brew_ratio_g_l=57.0,
                grind="coarse, setting 24",
                water_temperature_c=94.0,
                contact_time_s=240.0,
                vessel="200 mL bowl",
                lead=LEAD,
                preparer=PREPARER,
            ),
        )
        plan = plan_tasting(
            sweep.targets,
            TASTERS,
            session=name,
            passphrase=PASSPHRASE,
            cups_per_flight=cups_per_flight,
            flights=flights,
            served_on=day,
            rng=self.rng,
        )
        self.book.store_plan(plan, waters=waters)
        contents = pd.concat([key.open(PASSPHRASE).to_frame() for key in plan.keys])
        served = plan.servings.merge(contents, on=["flight", "blind_code"], how="left")
        began = dt.datetime.combine(day, dt.time(9, 30), dt.UTC)
        for panel in self.panels:
            frame = panel.taste(served, rng=self.rng)
            frame = frame[frame["taster"].isin(scored_by)]
            self.book.record_scores(
                [
                    Touch(
                        session=name,
                        flight=int(row.flight),
                        taster=str(row.taster),
                        attribute=str(row.attribute),
                        value=float(row.score),
                        blind_code=str(row.blind_code),
                        given_at=began
                        + dt.timedelta(minutes=20 * int(row.flight) + 2 * int(row.position)),
                        device="simulated",
                    )
                    for row in frame.itertuples()
                ]
            )
        if set(scored_by) == set(TASTERS):
            for flight in plan.flights:
                self.book.lock_flight(name, flight, done_by=LEAD)
                self.book.open_flight(name, flight, PASSPHRASE, done_by=LEAD)

    def best(self) -> Mapping[str, float]:
        """The coordinates that the fit so far calls best."""
        reading = read_coffee(self.book.opened_scores(coffee=self.coffee))
        target = reading.best.target
        return {
            "mg_share": round(target.mg_share / 0.05) * 0.05,
            "hardness_mg_l_caco3": round(target.hardness_mg_l_caco3, -1),
        }


def build(
    book: LabBook, planted: Mapping[str, PlantedPeak] | None = None, *, seed: int = 20261125
) -> None:
    """Fill a new lab book with the scenario; `planted` moves or flattens the truths."""
    truths = dict(PLANTED) | dict(planted or {})
    rng = np.random.default_rng(seed)
    book.add_client(CLIENT)
    for name, salt_label, grams, purity in BOTTLES:
        book.add_bottle(
            name,
            salt=salt_label,
            purity=purity,
            weighed_g=grams,
            volume_ml=1000.0,
            made_on=dt.date(2026, 9, 14),
            keeper=PREPARER,
        )
    ratio, grid = truths
    book.add_coffee(ratio, client=CLIENT, lot="lot 7", process="washed", roast_level="light")
    book.add_coffee(grid, client=CLIENT, lot="lot 3", process="natural", roast_level="light")

    first = Tasting(book, ratio, truths[ratio], rng=rng)
    sweep = ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    first.run("Veltara ratio sweep", sweep, dt.date(2026, 9, 15), cups_per_flight=6, flights=2)
    dial = hardness_dial(
        (40, 80, 120, 160, 200),
        mg_share=first.best()["mg_share"],
        alkalinity_mg_l_caco3=40,
    )
    first.run("Veltara hardness dial", dial, dt.date(2026, 9, 22), cups_per_flight=6, flights=2)

    second = Tasting(book, grid, truths[grid], rng=rng)
    waters = ratio_hardness_grid((0.1, 0.5, 0.9), (60, 120, 180), alkalinity_mg_l_caco3=40)
    second.run("Osmeni grid", waters, dt.date(2026, 10, 6), cups_per_flight=5, flights=4)
    last = alkalinity_dial((10, 25, 40, 55), **second.best())
    second.run(
        "Osmeni alkalinity dial",
        last,
        dt.date(2026, 10, 13),
        cups_per_flight=5,
        flights=1,
        scored_by=TASTERS[:2],
    )


def main() -> None:
    """Write the scenario as CSV files."""
    with tempfile.TemporaryDirectory() as folder, LabBook(Path(folder) / "demo.db") as book:
        build(book)
        book.export_folder(HERE / "demo", overwrite=True)
    sys.stdout.write(f"wrote {HERE / 'demo'}\n")


if __name__ == "__main__":
    main()
