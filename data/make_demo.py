"""Make the demo scenario anew: invented clients, their coffees, six simulated tasters.

    python data/make_demo.py

writes ``data/demo/*.csv``. The planted truths stand below and in data/README.md; tests move them
and look whether the workbook follows. Two coffees are at work; the others were tasted in the months
before, and are what notebook 7 sets side by side.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from labkit.analysis import PlantedPeak, SimulatedPanel, read_coffee
from labkit.book import Attribute, Held, LabBook
from labkit.tasting import (
    SCALES,
    alkalinity_dial,
    hardness_dial,
    ratio_hardness_grid,
    ratio_sweep,
)
from labkit.water import Target
from labkit.workflow import lock_flights, open_flights, plan_session, record_scores

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

WORDS = {
    # word: how readily it is checked, and how much more so per half the range of each coordinate
    "fruity": (-0.6, (1.3, 0.0, 0.0)),
    "floral": (-1.4, (0.9, 0.0, 0.0)),
    "chocolate": (-0.7, (1.1, 0.0, 0.0)),  # against the saying, so that one is contradicted
    "heavy": (-0.9, (0.0, 1.1, 0.0)),
    "sharp": (-0.8, (0.0, 0.0, -1.4)),
    "flat": (-1.0, (0.0, 0.0, 1.4)),
    "clean": (-0.4, (0.0, 0.0, 0.0)),
}
EARLIER = (
    Attribute(name="overall", scale=SCALES["liking 1-9"]),
    Attribute(name="acidity balance", scale=SCALES["just about right"]),
    Attribute(name="words", kind="descriptors", choices=tuple(WORDS)),
)
"""What was asked about the coffees tasted earlier."""


@dataclass(frozen=True, kw_only=True)
class Earlier:
    """A coffee tasted in the months before."""

    client: str
    name: str
    about: Mapping[str, str]
    peak: PlantedPeak
    balance: float
    """Alkalinity at which its acidity is planted as just right."""
    sessions: Mapping[str, str]
    """What each session varied, and its day."""


def _earlier(
    client: str,
    name: str,
    about: tuple[str, str, str],
    best: tuple[float, float, float],
    balance: float,
    sessions: Mapping[str, str],
    effect: float = 2.8,
) -> Earlier:
    return Earlier(
        client=client,
        name=name,
        about=dict(zip(("origin", "process", "roast_level"), about, strict=True)),
        peak=PlantedPeak(best=best, effect_points=effect),
        balance=balance,
        sessions=sessions,
    )


SANDFIRTH, WENDLOW = "Sandfirth Coffee", "Wendlow Coffee Bar"
HISTORIES = (
    _earlier(
        *(CLIENT, "Pellunara, honey", ("Tindavale", "honey", "medium"), (0.55, 120.0, 30.0), 32.0),
        {"grid": "2026-02-10", "dial": "2026-02-17"},
    ),
    _earlier(
        *(SANDFIRTH, "Ravendo, washed", ("Kessaro hills", "washed", "light")),
        *((0.85, 90.0, 20.0), 25.0),
        {"grid": "2026-03-10", "dial": "2026-03-17"},
    ),
    _earlier(
        *(SANDFIRTH, "Tamsoro, natural", ("Kessaro hills", "natural", "light")),
        *((0.40, 110.0, 40.0), 38.0),
        {"grid": "2026-04-14"},
    ),
    _earlier(
        *(SANDFIRTH, "Ulbrai, washed", ("Marrowick coast", "washed", "medium")),
        *((0.50, 100.0, 35.0), 35.0),
        {"grid": "2026-05-12"},
        effect=0.0,
    ),
    _earlier(
        *(SANDFIRTH, "Zindra, honey", ("Tindavale", "honey", "light"), (0.60, 110.0, 30.0), 30.0),
        {},
    ),
    _earlier(
        *(WENDLOW, "Guest filter", ("Marrowick coast", "washed", "light"), (0.75, 80.0, 20.0)),
        *(20.0, {"ratio": "2026-07-07"}),
    ),
    _earlier(
        *(WENDLOW, "House blend", ("two origins", "natural", "dark"), (0.20, 140.0, 45.0), 45.0),
        {"grid": "2026-06-09", "dial": "2026-06-16"},
    ),
)
"""Tasted earlier: one that any water suits, one never tasted, one at one alkalinity only."""


class Tasting:
    """One coffee's panel at work on a lab book."""

    client, attributes = CLIENT, ATTRIBUTES

    def __init__(
        self, book: LabBook, coffee: str, peak: PlantedPeak, *, rng: np.random.Generator
    ) -> None:
        self.book, self.coffee, self.rng = book, coffee, rng
        self.panels = self.draw_panels(peak)

    def draw_panels(self, peak: PlantedPeak) -> list[SimulatedPanel]:
        """One simulated panel for each number that is scored."""
        rng = self.rng
        overall = SimulatedPanel.draw(TASTERS, peak, seed=rng, scale=SCALES["liking 1-9"])
        return [overall] + [
            dataclasses.replace(
                SimulatedPanel.draw(TASTERS, surface, seed=rng, scale=SCALES["intensity 0-15"]),
                attribute=name,
            )
            for name, surface in INTENSITIES.items()
        ]

    def words_on(self, served: pd.DataFrame) -> list[list[str]]:
        """The words checked on each cup served; none are asked for."""
        del served
        return []

    def run(
        self,
        targets: Sequence[Target],
        day: dt.date,
        *,
        cups_per_flight: int,
        flights: int,
        scored_by: Sequence[str] = TASTERS,
    ) -> None:
        """Plan, serve and score a session; lock and open it if everybody has scored."""
        planned = plan_session(
            self.book,
            self.coffee,
            targets,
            client=self.client,
            tasters=TASTERS,
            passphrase=PASSPHRASE,
            even_if_short=True,  # other truths are planted by tests, and may want more calcium
            attributes=self.attributes,
            control="middle",
            cups_per_flight=cups_per_flight,
            flights=flights,
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
            recent_codes={},  # the demo's draw must not depend on what was tasted before
            seed=self.rng,
        )
        contents = pd.concat([opened.to_frame() for opened in planned.preparation.opened])
        served = planned.servings.merge(contents, on=["flight", "blind_code"], how="left")
        began = pd.Timestamp.combine(day, dt.time(9, 30)).tz_localize("UTC")
        minutes = 20 * served["flight"] + 2 * served["position"]
        cups = ["flight", "taster", "blind_code"]
        served["given_at"] = began + pd.to_timedelta(minutes, unit="min")
        scores = [panel.taste(served, seed=self.rng) for panel in self.panels]
        taken = [one[[*cups, "attribute", "score"]] for one in scores]
        taken = [one[one["taster"].isin(scored_by)] for one in taken]
        words = self.words_on(served)
        if words:
            taken.append(served[cups].assign(attribute="words", score=words))
        frame = pd.concat(taken).merge(served[[*cups, "given_at"]], on=cups, how="left")
        record_scores(self.book, planned, frame.assign(device="simulated"), source="sheet")
        if set(scored_by) == set(TASTERS):
            lock_flights(self.book, planned)
            open_flights(self.book, planned, PASSPHRASE, done_by=LEAD)

    def best(self) -> Mapping[str, float]:
        """The coordinates that the fit so far calls best."""
        reading = read_coffee(self.book.scores.opened_scores(coffee=self.coffee))
        target = reading.best.target
        return {
            "mg_share": round(target.mg_share / 0.05) * 0.05,
            "hardness_mg_l_caco3": round(target.hardness_mg_l_caco3, -1),
        }


class EarlierTasting(Tasting):
    """The panel at work on a coffee of the months before, with words and a just-right question."""

    attributes = EARLIER

    def __init__(self, book: LabBook, coffee: Earlier, *, rng: np.random.Generator) -> None:
        self.client, self.balance = coffee.client, coffee.balance
        self.readiness = rng.normal(0, 0.6, len(TASTERS))
        super().__init__(book, coffee.name, coffee.peak, rng=rng)

    def draw_panels(self, peak: PlantedPeak) -> list[SimulatedPanel]:
        """Liking, and whether acidity is too little or too much."""
        overall = SimulatedPanel.draw(TASTERS, peak, seed=self.rng, scale=SCALES["liking 1-9"])
        acidity = SimulatedPanel.draw(
            TASTERS,
            lambda waters: (self.balance - waters[:, 2]) / 18,
            seed=self.rng,
            scale=SCALES["just about right"],
            level=3.0,
            attribute="acidity balance",
        )
        return [overall, acidity]

    def words_on(self, served: pd.DataFrame) -> list[list[str]]:
        """Words checked by chance, as readily as WORDS and the taster have it."""
        waters = served[["mg_share", "hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]].to_numpy()
        away = (waters - (0.5, 110.0, 35.0)) / (0.4, 50.0, 20.0)
        own = self.readiness[[TASTERS.index(name) for name in served["taster"]]]
        chances = {
            word: 1 / (1 + np.exp(-(base + own + away @ np.array(pull))))
            for word, (base, pull) in WORDS.items()
        }
        drawn = {word: self.rng.random(len(p)) < p for word, p in chances.items()}
        return [[word for word in WORDS if drawn[word][row]] for row in range(len(served))]


def add_histories(book: LabBook, *, seed: int = 20260210) -> None:
    """Add the coffees tasted in the months before to a lab book."""
    rng = np.random.default_rng(seed)
    # Nine of the 27 combinations of three levels: each pair of levels meets once.
    nine = [
        Target(mg_share=share, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=alkalinity)
        for i, share in enumerate((0.1, 0.5, 0.9))
        for j, hardness in enumerate((60.0, 110.0, 160.0))
        for alkalinity in ((15.0, 35.0, 55.0)[(i + j) % 3],)
    ]
    for client in (SANDFIRTH, WENDLOW):
        book.people.add_client(client)
    for coffee in HISTORIES:
        book.people.add_coffee(coffee.name, client=coffee.client, **coffee.about)
        panel = EarlierTasting(book, coffee, rng=rng)
        for varied, day in coffee.sessions.items():
            targets: Sequence[Target] = nine
            if varied == "ratio":
                targets = ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=20).targets
            if varied == "dial":
                targets = alkalinity_dial((15, 25, 35, 45, 55), **panel.best()).targets
            one_flight = len(targets) < len(nine)
            panel.run(
                targets,
                dt.date.fromisoformat(day),
                cups_per_flight=6 if one_flight else 5,
                flights=2 if one_flight else 4,
            )


def build(
    book: LabBook, planted: Mapping[str, PlantedPeak] | None = None, *, seed: int = 20261125
) -> None:
    """Fill a new lab book with the scenario; `planted` moves or flattens the truths."""
    truths = dict(PLANTED) | dict(planted or {})
    rng = np.random.default_rng(seed)
    book.people.add_client(CLIENT)
    book.people.add_tasters(TASTERS)
    for name, salt_label, grams, purity in BOTTLES:
        book.stock.add_bottle(
            name,
            salt=salt_label,
            purity=purity,
            weighed_g=grams,
            volume_ml=1000.0,
            made_on=dt.date(2026, 9, 14),
            keeper=PREPARER,
        )
    ratio, grid = truths
    book.people.add_coffee(ratio, client=CLIENT, lot="lot 7", process="washed", roast_level="light")
    book.people.add_coffee(grid, client=CLIENT, lot="lot 3", process="natural", roast_level="light")

    first = Tasting(book, ratio, truths[ratio], rng=rng)
    sweep = ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)
    first.run(sweep.targets, dt.date(2026, 9, 15), cups_per_flight=6, flights=2)
    dial = hardness_dial(
        (40, 80, 120, 160, 200),
        mg_share=first.best()["mg_share"],
        alkalinity_mg_l_caco3=40,
    )
    first.run(dial.targets, dt.date(2026, 9, 22), cups_per_flight=6, flights=2)

    second = Tasting(book, grid, truths[grid], rng=rng)
    waters = ratio_hardness_grid((0.1, 0.5, 0.9), (60, 120, 180), alkalinity_mg_l_caco3=40)
    second.run(waters.targets, dt.date(2026, 10, 6), cups_per_flight=5, flights=4)
    last = alkalinity_dial((10, 25, 40, 55), **second.best())
    second.run(
        last.targets,
        dt.date(2026, 10, 13),
        cups_per_flight=5,
        flights=1,
        scored_by=TASTERS[:2],
    )


def main() -> None:
    """Write the scenario as CSV files."""
    with tempfile.TemporaryDirectory() as folder, LabBook(Path(folder) / "demo.db") as book:
        build(book)
        add_histories(book)
        book.export_folder(HERE / "demo", overwrite=True)
    sys.stdout.write(f"wrote {HERE / 'demo'}\n")


if __name__ == "__main__":
    main()
