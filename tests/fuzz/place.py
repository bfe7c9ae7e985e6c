"""Where a call is made: a lab book with flights in every state, and all that good calls take."""

from __future__ import annotations

import io
import shutil
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from datetime import date
from functools import cache, cached_property
from pathlib import Path
from typing import Any, Self

import numpy as np
import pandas as pd

from labkit import analysis, tasting, water, workflow
from labkit.book import Attribute, LabBook
from labkit.tasting import scale
from tests.tasted import PASSPHRASE, at_shares

CLIENT = "A roastery"
TASTERS = ("Ines", "Jonas", "Kesia", "Liv")
WATERS = at_shares(0.0, 0.25, 0.5, 0.75, 1.0)
BOTTLES = (("calcium", "CaCl2·2H2O", 1.47), ("magnesium", "MgCl2·6H2O", 2.03), ("bic", "KHCO3", 2))


@cache
def template() -> dict[str, Any]:
    """The lab book as bytes, and the plans that are in it."""
    plans: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(prefix="labkit-") as folder:
        path = Path(folder) / "book.db"
        with LabBook(path) as book:
            _fill(book, plans)
        return {"bytes": path.read_bytes(), "plans": plans}


def _fill(book: LabBook, plans: dict[str, Any]) -> None:
    for name, salt, grams in BOTTLES:
        book.stock.add_bottle(name, salt=salt, weighed_g=grams, volume_ml=1000)
    book.stock.add_base_water(
        "tap", analysis={"Ca": (20.0, "mg/L"), "HCO3": (61.0, "mg/L")}, fill_gap=True
    )
    book.people.add_client(CLIENT)
    book.people.add_client("Nobody's")
    book.people.add_tasters([*TASTERS, "Mara"])
    book.people.add_tasters(["Nils"])
    for coffee in ("Ravendo", "Solara", "Unscored", "Untasted", "Sharp"):
        book.people.add_coffee(coffee, client=CLIENT)
    for name, coffee, flights in (
        ("first", "Ravendo", 2), ("other", "Solara", 1), ("begun", "Unscored", 1),
        ("locked", "Unscored", 1), ("planned", "Unscored", 2), ("alone", "Unscored", 1),
        ("sharp", "Sharp", 1),
    ):  # fmt: skip
        alone = name == "alone"
        asked: dict[str, Any] = {"overall": "liking 1-9", "words": ["nutty", "sour"]}
        if name == "sharp":
            asked["acidity"] = "just about right"
        plans[name] = workflow.plan_session(
            book, coffee, WATERS[:4] if name != "first" else WATERS, name=name,
            tasters=TASTERS[:1] if alone else TASTERS, passphrase=PASSPHRASE, flights=flights,
            alone=alone, attributes=asked,
            held=None, seed=np.random.default_rng(len(name)), even_if_short=True,
        )  # fmt: skip
    for name in ("first", "other", "begun", "locked", "sharp"):
        workflow.record_scores(book, name, scored(plans[name], acidity=name == "sharp"))
    for name in ("first", "other", "locked", "sharp"):
        workflow.lock_flights(book, name)
    for name in ("first", "other", "sharp"):
        workflow.open_flights(book, name, PASSPHRASE)


def scored(planned: Any, *, acidity: bool = False) -> pd.DataFrame:
    """Every cup with a score, in a shape that the waters in it explain."""
    share = {
        row.blind_code: row.target.mg_share
        for one in planned.preparation.opened
        for row in one.rows
    }
    cups = planned.servings
    wanted = cups["blind_code"].map(share).astype(float)
    own = cups["taster"].map({name: place for place, name in enumerate(TASTERS)})
    noise = np.random.default_rng(3).normal(0, 0.7, len(cups))
    overall = (6.5 + 0.3 * own - 5 * (wanted - 0.6) ** 2 + noise).round().clip(1, 9)
    told = cups.assign(overall=overall, words=["nutty" if w > 0.5 else "" for w in wanted])
    return told.assign(acidity=(5 - 4 * wanted).round().clip(1, 5)) if acidity else told


class Place:
    """One call's own copy of everything it may change, in a folder of its own."""

    def __init__(self) -> None:
        self._kept = ExitStack()
        self.folder = Path(tempfile.mkdtemp(prefix="labkit-fuzz-"))
        self._kept.callback(shutil.rmtree, self.folder, ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._kept.close()

    @property
    def path(self) -> Path:
        """Of the lab book."""
        return self.folder / "book.db"

    @cached_property
    def book(self) -> LabBook:
        """A copy of the template."""
        self.path.write_bytes(template()["bytes"])
        book = LabBook(self.path, patience_s=1)
        self._kept.callback(book.close)
        return book

    def plan(self, name: str = "planned") -> Any:
        """A sealed plan that is in the lab book."""
        return template()["plans"][name].plan

    def opened_flights(self, name: str = "planned") -> Any:
        return template()["plans"][name].preparation.opened

    def to_score(self) -> pd.DataFrame:
        """The sheet of a session that nobody has scored."""
        return scored(template()["plans"]["planned"])

    def measured(self) -> pd.DataFrame:
        codes = sorted(self.plan("begun").codes(1))
        return pd.DataFrame(
            {"blind_code": codes, "strength_percent": 1.35, "beverage_g": 220.0, "dose_g": 15.0}
        )

    def csv(self) -> str:
        """A file of scores, as it is imported."""
        path = self.folder / "scores.csv"
        self.to_score().drop(columns="words").to_csv(path, index=False)
        return str(path)

    def exported(self) -> str:
        """A folder of tables, as it is imported."""
        return str(self.book.export_folder(self.folder / "tables"))

    @property
    def frame(self) -> pd.DataFrame:
        return some_scores().copy()

    def frame_of_ranks(self) -> pd.DataFrame:
        rows = [
            (who, f"W{place}", 1 + (place + turn) % 4 if turn < 1 else 1 + place)
            for turn, who in enumerate(TASTERS)
            for place in range(4)
        ]
        return pd.DataFrame(rows, columns=["taster", "water", "rank"])

    def frame_of_ticks(self) -> pd.DataFrame:
        rows = [
            (who, f"W{place}", term, bool((place + turn) % 2 and term == "nutty"))
            for turn, who in enumerate(TASTERS)
            for place in range(3)
            for term in ("nutty", "sour")
        ]
        return pd.DataFrame(rows, columns=["taster", "water", "term", "ticked"])

    def frame_of_right(self) -> pd.DataFrame:
        rows = [
            (who, f"W{place}", "acidity", 1 + (place + turn) % 5, 5.0 + place)
            for turn, who in enumerate(TASTERS)
            for place in range(3)
        ]
        return pd.DataFrame(rows, columns=["taster", "water", "attribute", "score", "liking"])

    def frame_of_acidity(self) -> pd.DataFrame:
        return _acidity_scores().copy()

    @property
    def words(self) -> pd.DataFrame:
        with Place() as other:
            return other.book.scores.opened_words(coffee="Ravendo")


@cache
def some_scores() -> pd.DataFrame:
    with Place() as place:
        return place.book.scores.opened_scores(coffee="Ravendo")


@cache
def _acidity_scores() -> pd.DataFrame:
    with Place() as place:
        return place.book.scores.opened_scores(coffee="Sharp")


def once(make: Callable[[], Any]) -> Callable[[Place], Any]:
    """What is dear to make and is not changed by who takes it."""
    kept = cache(make)
    return lambda _place: kept()


reading = once(lambda: analysis.read_coffee(some_scores()))
belief = once(lambda: analysis.believe(some_scores(), n_tasters=None))
gathered = once(lambda: analysis.gather_scores(some_scores()))
surface = once(lambda: analysis.fit_surface(analysis.gather_scores(some_scores())))
reading_of_two = once(lambda: analysis.read_coffee(_of_two()))


def _of_two() -> pd.DataFrame:
    """Scores of a panel that tasted waters of two coordinates."""
    frame = some_scores().copy()
    frame["hardness_mg_l_caco3"] = 60 + 30.0 * (frame["blind_code"].rank(method="dense") % 3)
    return frame


@cache
def findings() -> Any:
    with Place() as place:
        return workflow.read(place.book, "Ravendo")


def bottles() -> tuple[water.Concentrate, ...]:
    return tuple(
        water.Concentrate(salt=water.salt(salt), strength_g_l=grams, name=name)
        for name, salt, grams in BOTTLES
    )


def mixing() -> water.Mixing:
    return water.mix(WATERS[1], bottles())


def pair() -> tuple[Any, Any]:
    return WATERS[1], WATERS[3]


def tap() -> water.Supply:
    return water.read_analysis({"Ca": (20.0, "mg/L"), "HCO3": (61.0, "mg/L")}, fill_gap=True)


def orders() -> Any:
    return tasting.williams_orders(4)


OVERALL = Attribute(name="overall", scale=scale("liking 1-9"))
TODAY = date(2026, 11, 28)


def as_file(frame: pd.DataFrame) -> io.StringIO:
    return io.StringIO(frame.to_csv(index=False))
