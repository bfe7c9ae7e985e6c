"""The verbs that read: what they take by name, what they refuse, and that recorded choices hold."""

from __future__ import annotations

import pytest

from labkit.book import LabBook, LeftOut
from labkit.book.demo import ensure_demo_book
from labkit.errors import BookError, DosingError, ReadingError
from labkit.water import StartWater, Target
from labkit.workflow import (
    confirm,
    make_card,
    make_recipes,
    next_flight,
    opened,
    read,
    waters_to_test,
)
from tests.project import copy_data

COFFEE, CLIENT = "Osmeni, natural", "Quillmoor Roastery"
WANTED = Target(mg_share=0.25, hardness_mg_l_caco3=80.0, alkalinity_mg_l_caco3=40.0)


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A copy of the demo's lab book."""
    url = ensure_demo_book(copy_data(tmp_path_factory.mktemp("book")))
    with LabBook(url) as book:
        yield book


def test_a_coffee_is_found_by_its_name_alone_and_a_stranger_is_refused(book):
    assert opened(book, COFFEE).client == CLIENT
    with pytest.raises(BookError, match="Nobody"):
        read(book, "Nobody's coffee")


def test_a_choice_on_record_holds_until_another_is_given(book):
    everyone = read(book, COFFEE, left_out=LeftOut())
    who = str(everyone.scores["taster"].iloc[0])
    assert everyone.effect is None
    book.sessions.leave_out(COFFEE, client=CLIENT, tasters=[who], seen="overall", reason="a cold")
    without = read(book, COFFEE)

    assert who not in set(without.reading.scores.tasters)
    assert without.effect["n_scores"].tolist() == [
        len(everyone.reading.scores.score),
        len(without.reading.scores.score),
    ]
    again = read(book, COFFEE, left_out=LeftOut())
    assert again.reading.recommended == everyone.reading.recommended


def test_a_score_that_nobody_gave_lists_those_that_there_are(book):
    with pytest.raises(
        ReadingError, match=r"got 'aroma', which nobody scored\. Choose among: .*overall"
    ):
        read(book, COFFEE, attribute="aroma")


def test_the_water_that_should_win_comes_first_and_then_the_control(book):
    found = read(book, COFFEE)
    first, second, *rest = waters_to_test(found.reading)

    assert first.target == found.water
    assert second.is_control
    assert len({one.target for one in (first, second, *rest)}) == 2 + len(rest)
    assert waters_to_test(None) == ()
    assert confirm(book, COFFEE).test.leader == found.water


def test_a_card_of_a_typed_water_speaks_of_no_scores(book, tmp_path):
    card = make_card(book, WANTED, volumes_l=(1.0, 5.0))

    assert (card.wanted, card.found) == (WANTED, None)
    assert card.recipes == make_recipes(
        WANTED, concentrates=book.stock.concentrates(), volumes_l=(1.0, 5.0), base=StartWater()
    )
    weighed = make_card(book, WANTED, salts=("CaCl2·2H2O", "MgCl2·6H2O", "KHCO3"))
    assert weighed.changes == ()
    with LabBook(tmp_path / "new.db") as new, pytest.raises(DosingError, match="no bottle"):
        make_card(new, WANTED)


def test_a_first_flight_needs_no_scores_and_is_not_called_waiting(book):
    book.people.add_coffee("Untasted", client=CLIENT)
    first = next_flight(book, "Untasted", cups=4, earlier=None)

    assert len(first.targets) == 4
    assert (first.advice, first.control, first.is_waiting) == (None, None, False)
    assert first.recommended is None
