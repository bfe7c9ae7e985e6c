"""An invented small roastery and its tasting, for the tests of the lab book."""

from __future__ import annotations

from datetime import date
from functools import cache

import numpy as np

from labkit.book import Attribute
from labkit.tasting import SCALES, plan_tasting, session_waters
from tests.tasted import PASSPHRASE, at_shares

CLIENT, COFFEE, SESSION = "Quorrin & Velt", "Ysmeral washed", "2026-11-20 Ysmeral"
TARGETS = at_shares(0, 0.5, 1, hardness=80)
OVERALL = Attribute(name="overall", scale=SCALES["quality 6-10"])
ACIDITY = Attribute(name="acidity", scale=SCALES["intensity 0-15"])
WORDS = Attribute(name="words", kind="descriptors", choices=("floral", "nutty", "papery"))
NOTE = Attribute(name="note", kind="note")


@cache
def sample_plan(session, tasters):
    """Plan two flights; kept, because sealing takes a while."""
    return plan_tasting(
        TARGETS,
        tasters,
        session=session,
        passphrase=PASSPHRASE,
        repeats=2,
        seed=np.random.default_rng(7),
    )


def add_all_bottles(book):
    """Bottles of which 1 mL in 1 L adds 1 mg/L of hardness or alkalinity as CaCO3."""
    for name, label, grams in (
        ("calcium", "CaCl2·2H2O", 1.469),
        ("magnesium", "MgCl2·6H2O", 2.031),
        ("bicarbonate", "KHCO3", 2.001),
    ):
        book.stock.add_bottle(name, salt=label, weighed_g=grams, volume_ml=1000)


def start_tasting(book, **changes):
    """Add a client, a coffee, a session of three tasters, and the plan of two flights."""
    if CLIENT not in {client.name for client in book.people.clients()}:
        book.people.add_client(CLIENT)
        book.people.add_coffee(COFFEE, client=CLIENT, lot="L7", roast_date=date(2026, 11, 10))
    waters = session_waters(TARGETS)
    options = {
        "coffee": COFFEE,
        "attributes": [OVERALL, ACIDITY, WORDS, NOTE],
        "tasters": ["Ada", "Béla", "Chen"],
        "waters": waters,
        "tasted_on": date(2026, 11, 20),
    } | changes
    name = options.pop("name", SESSION)
    session = book.sessions.start_session(name, **options)
    plan = sample_plan(session.name, session.tasters)
    book.sessions.store_plan(plan)
    return plan


def score_all(book, session=SESSION, flight=1, attribute="overall", value=7.5):
    """Give every cup of a flight the same score."""
    for taster in book.sessions.session(session).tasters:
        for cup in book.sessions.served_cups(session, flight, taster):
            book.scores.record_score(
                session, flight, taster, attribute, value, blind_code=cup.blind_code
            )
