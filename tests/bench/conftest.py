"""A small tasting, planned and opened, and readings of planted panels, for the sheets and plots."""

from __future__ import annotations

from datetime import date

import matplotlib as mpl
import numpy as np
import pytest

from labkit.book.stock.stock import Bottle
from labkit.tasting import (
    SCALES,
    CupPlan,
    KeyRow,
    OpenedFlight,
    SealedKey,
    Serving,
    plan_tasting,
)
from labkit.water import Concentrate, Target, salt

mpl.use("agg")

PASSPHRASE = "three grey kettles"
TASTERS = ("Ana", "Bo", "Cy")
TARGETS = tuple(
    Target(mg_share=share, hardness_mg_l_caco3=83, alkalinity_mg_l_caco3=37)
    for share in (0.0, 0.25, 0.5, 1.0)
)
MADE_ON = date(2026, 11, 20)


@pytest.fixture(autouse=True)
def _close_figures():
    import matplotlib.pyplot as plt

    yield
    plt.close("all")


@pytest.fixture(scope="session")
def bottles():
    return [
        Concentrate.of_strength(salt=salt(formula))
        for formula in ("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3")
    ]


@pytest.fixture(scope="session")
def shelf():
    """Bottles of the lab book: calcium, magnesium and bicarbonate, 1 mg/L as CaCO3 per mL."""
    return [
        Bottle(
            name=name, salt=name, weighed_g=grams, volume_ml=1000, made_on=MADE_ON, keeps_days=days
        )
        for name, grams, days in (
            ("CaCl2·2H2O", 1.469, None),
            ("MgCl2·6H2O", 2.031, None),
            ("KHCO3", 2.001, 4),
        )
    ]


def make_plan(serving):
    return plan_tasting(
        TARGETS,
        TASTERS,
        session="Tuesday bench",
        passphrase=PASSPHRASE,
        cups_per_flight=5,
        serving=serving,
        seed=np.random.default_rng(11),
    )


@pytest.fixture(scope="session", params=["shared bowls", "a cup each"])
def plan(request):
    return make_plan(request.param)


@pytest.fixture(scope="session")
def opened(plan):
    return [key.open(PASSPHRASE) for key in plan.keys]


@pytest.fixture(scope="session")
def fixed_plan():
    """A plan written by hand, so that snapshots do not hang on the draw."""
    orders = {"Ana": ("417", "902", "563"), "Bo": ("902", "563", "417")}
    cups = tuple(
        Serving(flight=1, taster=taster, position=position, blind_code=code)
        for taster, codes in orders.items()
        for position, code in enumerate(codes, start=1)
    )
    design = make_plan("shared bowls").design
    return CupPlan(
        session="Tuesday bench",
        tasters=("Ana", "Bo"),
        serving="shared bowls",
        cups=cups,
        keys=(SealedKey(session="Tuesday bench", flight=1, token=b"not needed"),),
        design=design,
    )


@pytest.fixture(scope="session")
def fixed_opened():
    """What the key of `fixed_plan` would say."""
    rows = (
        ("417", "J1.2", "W1", TARGETS[0], False, False),
        ("563", "J1.3", "W2", TARGETS[1], True, False),
        ("902", "J1.1", "W1", TARGETS[0], False, True),
    )
    return [
        OpenedFlight(
            session="Tuesday bench",
            flight=1,
            rows=tuple(
                KeyRow(
                    blind_code=code,
                    jug=jug,
                    bowl=jug.replace("J", "B"),
                    water=water,
                    target=target,
                    is_control=control,
                    is_duplicate=duplicate,
                )
                for code, jug, water, target, control, duplicate in rows
            ),
        )
    ]


@pytest.fixture(scope="session")
def attributes():
    from labkit.book.store.records import Attribute

    return (
        Attribute(name="overall", scale=SCALES["liking 1-9"]),
        Attribute(name="acidity", scale=SCALES["intensity 0-15"]),
        Attribute(name="acidity, just right?", scale=SCALES["just about right"]),
        Attribute(name="words", kind="descriptors", choices=("floral", "nutty")),
        Attribute(name="note", kind="note"),
    )
