"""Names typed wrong are found again, mended, put together and removed; no score changes for it."""

from __future__ import annotations

import pytest

from labkit.errors import BookError
from tests.book.samples import CLIENT, COFFEE, PASSPHRASE, SESSION, score_all, start_tasting

DOTTED = "Zoe\N{COMBINING DIAERESIS}"


@pytest.mark.parametrize("again", ["ann lee", "ANN LEE", " Ann   Lee ", "Ann\N{NO-BREAK SPACE}Lee"])
def test_one_name_written_otherwise_is_no_second_taster_client_or_coffee(book, again):
    book.people.add_tasters(["Ann Lee"])
    book.people.add_client("Ann Lee")
    book.people.add_coffee("Ann Lee", client=again)
    with pytest.raises(BookError, match="must be new, but 'Ann Lee'"):
        book.people.add_tasters([again])
    with pytest.raises(BookError, match="must be new, but 'Ann Lee'"):
        book.people.add_client(again)
    with pytest.raises(BookError, match="must be new, but 'Ann Lee'"):
        book.people.add_coffee(again, client="Ann Lee")
    assert (book.people.tasters(), len(book.people.clients()), len(book.people.coffees())) == (
        ("Ann Lee",),
        1,
        1,
    )
    assert book.people.coffee(again, client=again).name == "Ann Lee"


def test_letters_with_marks_are_one_however_they_are_coded(book):
    book.people.add_tasters([DOTTED])
    with pytest.raises(BookError, match="must be new"):
        book.people.add_tasters(["ZO\N{LATIN CAPITAL LETTER E WITH DIAERESIS}"])


def test_one_name_is_not_read_letter_by_letter(book):
    assert book.people.add_tasters("Ann") == ("Ann",)
    assert book.people.tasters() == ("Ann",)


def test_tasters_are_added_all_or_none(book):
    with pytest.raises(BookError, match="'Ann'"):
        book.people.add_tasters(["Ann", "Bo", "ann"])
    assert book.people.tasters() == ()


def test_a_session_and_a_score_take_a_name_however_it_is_written(book):
    book.people.add_tasters(["Ada", "Chen"])
    start_tasting(book, tasters=["Ada", "Béla", "Chen"])
    receipt = book.scores.record_score(SESSION, 1, "ADA ", "overall", 7, position=1, entry_id="one")
    again = book.scores.record_score(SESSION, 1, "ada", "overall", 7, position=1, entry_id="one")

    assert receipt.taster == "Ada"
    assert not again.is_new
    assert len(book.scores.current_scores(SESSION, 1, "aDA")) == 1
    assert book.people.tasters() == ("Ada", "Béla", "Chen")
    with pytest.raises(BookError, match="must be in the lab book"):
        book.scores.record_score(SESSION, 1, "Adam", "overall", 7, position=1)


def test_one_person_under_two_spellings_is_refused_in_a_session(book):
    book.people.add_client(CLIENT)
    book.people.add_coffee(COFFEE, client=CLIENT)
    for tasters in (["Ann", "ann"], ["ANN", "ann"]):
        with pytest.raises(BookError, match=r"must be new, but '(Ann|ANN)'"):
            start_tasting(book, tasters=tasters)
    assert book.people.tasters() == ()
    assert book.sessions.all() == ()


def scores_by_cup(book):
    return {
        (e.flight, e.position, e.taster, e.attribute): e.value for e in book.scores.history(SESSION)
    }


def test_a_renamed_taster_keeps_every_score_and_what_was_recorded_of_them(book):
    start_tasting(book)
    score_all(book)
    book.sessions.lock_flights(SESSION, [1])
    book.sessions.open_flights(SESSION, [1], PASSPHRASE)
    book.sessions.leave_out(COFFEE, client=CLIENT, tasters=["Ada"], seen="overall", reason="a cold")
    before = scores_by_cup(book)

    assert book.people.rename_taster("ada", ' Ada  "Q" Lee ', done_by="lead") == 'Ada "Q" Lee'
    assert book.people.rename_taster('Ada "Q" Lee', "Eve") == "Eve"

    renamed = {(f, p, "Eve" if t == "Ada" else t, a): v for (f, p, t, a), v in before.items()}
    assert scores_by_cup(book) == renamed
    assert book.sessions.left_out(COFFEE, client=CLIENT).tasters == ("Eve",)
    events = [e for e in book.sessions.events(SESSION) if e.kind == "renamed"]
    assert events[0].reason == r'taster "Ada" is now "Ada \"Q\" Lee"'
    assert events[0].done_by == "lead"
    with pytest.raises(BookError, match="must be new"):
        book.people.rename_taster("Eve", "BÉLA")
    assert book.people.rename_taster("Eve", "EVE") == "EVE"  # its own name, written better


def test_a_name_does_not_change_while_its_owner_tastes(book):
    start_tasting(book)
    score_all(book)
    for change in (book.people.rename_taster, book.people.merge_tasters):
        with pytest.raises(BookError, match=r"flight 1 of .* is being tasted; lock it first"):
            change("Ada", "Chen" if change == book.people.merge_tasters else "Eve")


def test_two_entries_of_one_person_become_one_with_all_scores(book):
    start_tasting(book)
    start_tasting(book, name="second day", tasters=["Ida", "Béla", "Chen"])
    for session in (SESSION, "second day"):
        score_all(book, session)
        book.sessions.lock_flights(session, [1])
    for name, reason in (("Ada", "a cold"), ("Ida", "late")):
        book.sessions.leave_out(
            COFFEE, client=CLIENT, tasters=[name], seen="overall", reason=reason
        )
    secret = book.sessions.issue_link("second day", "Ida")
    before = book.scores.history("second day")

    book.people.merge_tasters("Ida", "Ada", done_by="lead")

    assert book.people.tasters() == ("Ada", "Béla", "Chen")
    after = book.scores.history("second day")
    assert [e.value for e in after] == [e.value for e in before]
    assert [e.taster for e in after] == [{"Ida": "Ada"}.get(e.taster, e.taster) for e in before]
    assert book.sessions.session("second day").tasters == ("Ada", "Béla", "Chen")
    assert book.sessions.guest_of_link(secret).taster == "Ada"  # the link goes on
    assert [d.taster for d in book.sessions.decisions(COFFEE)] == ["Ada", "Ada"]
    assert book.sessions.left_out(COFFEE, client=CLIENT).tasters == ("Ada",)
    event = next(e for e in book.sessions.events("second day") if e.kind == "merged")
    assert event.reason == 'taster "Ida" is now "Ada" in flights 1, 2'
    assert not [e for e in book.sessions.events(SESSION) if e.kind == "merged"]


def test_two_people_who_tasted_together_are_never_made_one(book):
    start_tasting(book)
    score_all(book)
    book.sessions.lock_flights(SESSION, [1])
    before = scores_by_cup(book)
    with pytest.raises(BookError, match="both were served in flight 1"):
        book.people.merge_tasters("Ada", "Chen")
    with pytest.raises(BookError, match="must be another one"):
        book.people.merge_tasters("Ada", "ada")
    assert scores_by_cup(book) == before


def test_only_what_nothing_hangs_on_is_removed(book):
    start_tasting(book)
    book.people.add_tasters(["Zed"])
    book.people.add_client("Typo & Co")
    book.people.add_coffee("Typo", client="Typo & Co")
    with pytest.raises(BookError, match="must be unused"):
        book.people.remove_taster("Ada")
    with pytest.raises(BookError, match="must be unused"):
        book.people.remove_coffee(COFFEE, client=CLIENT)
    with pytest.raises(BookError, match="must be unused"):
        book.people.remove_client("Typo & Co")
    book.people.remove_taster("zed")
    book.people.remove_coffee("typo", client="Typo & Co")
    book.people.remove_client("typo & co")
    assert book.people.tasters() == ("Ada", "Béla", "Chen")
    assert [c.name for c in book.people.clients()] == [CLIENT]


def test_clients_and_coffees_are_renamed_and_merged_with_their_sessions(book):
    start_tasting(book)
    book.people.add_client("Quorin")
    book.people.add_coffee("Ridge", client="Quorin")
    book.people.add_coffee(COFFEE, client="Quorin")
    with pytest.raises(BookError, match="both have a coffee"):
        book.people.merge_clients("Quorin", CLIENT)
    book.people.rename_coffee(COFFEE, "Ysmeral old", client="Quorin")
    book.people.merge_clients("Quorin", CLIENT)
    assert [c.name for c in book.people.coffees(CLIENT)] == ["Ridge", "Ysmeral old", COFFEE]

    book.sessions.leave_out(COFFEE, client=CLIENT, tasters=["Ada"], seen="overall", reason="a cold")
    book.people.merge_coffees(COFFEE, "ridge", client=CLIENT)
    assert book.sessions.left_out("Ridge", client=CLIENT).tasters == ("Ada",)
    assert book.people.rename_client(CLIENT, "Quorrin") == "Quorrin"
    (session,) = book.sessions.all()
    assert (session.client, session.coffee) == ("Quorrin", "Ridge")
    told = [e.reason for e in book.sessions.events(SESSION) if e.kind in {"merged", "renamed"}]
    assert told[0] == f'coffee "{COFFEE}" is now "Ridge"; it had lot "L7", roast_date "2026-11-10"'
    assert told[1] == f'client "{CLIENT}" is now "Quorrin"'
