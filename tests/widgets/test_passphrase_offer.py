"""Passphrases in forms: one is offered, the typed one is weighed, and none stays in a widget."""

from __future__ import annotations

import pytest

from labkit.errors import PlanError, SealError
from labkit.tasting.passphrases import N_WORDS, words
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form
from labkit.widgets.parts.passphrase_offer import PassphraseOffer, worth


@pytest.fixture
def form():
    return Form({"passphrase": fields.secret("Passphrase"), "again": fields.secret("Again")})


@pytest.fixture
def offer(form, monkeypatch):
    made = PassphraseOffer(form)
    made.sent = []
    monkeypatch.setattr(PassphraseOffer, "send", lambda self, content: self.sent.append(content))
    return made


def test_a_passphrase_is_offered_when_asked_for_and_is_in_no_widgets_state(form, offer):
    offer.answer({"kind": "suggest"})
    offer.answer({"kind": "suggest"})

    one, other = (message["passphrase"] for message in offer.sent)
    assert one != other
    assert set(one.split()) <= set(words())
    assert len(one.split()) == N_WORDS
    assert "worth about" in offer.sent[0]["text"]
    state = repr([w.get_state() for w in (offer, form, *form.fields.values())])
    assert one not in state
    assert form.fields["passphrase"].value == ""


@pytest.mark.parametrize("message", [None, {}, [], "suggest", {"kind": "worth"}])
def test_any_other_message_is_answered_by_nothing(offer, message):
    offer.answer(message)

    assert offer.sent == []


def test_what_is_typed_is_weighed_and_the_offer_can_be_taken_away(form, offer):
    form.fields["passphrase"].value = "password"
    form.fields["passphrase"].value = "seven small spoons"
    form.fields["passphrase"].value = ""
    offer.served("a plan")

    weak, good, none, gone = offer.sent
    assert weak["text"] == worth("password") != good["text"] == worth("seven small spoons")
    assert none["text"] == ""
    assert gone["passphrase"] == ""


def test_a_drawn_passphrase_seals_without_being_typed_and_stays_in_sight(form, offer):
    with pytest.raises(SealError, match="Press 'Suggest a passphrase'"):
        offer.passphrase()
    offer.answer({"kind": "suggest"})
    drawn = offer.sent[-1]["passphrase"]

    assert offer.passphrase() == drawn
    assert form.fields["again"].layout.display == "none"  # nothing is typed, nothing is repeated
    offer.served("'a plan'")
    assert offer.sent[-1]["passphrase"] == drawn
    assert offer.sent[-1]["used"]
    with pytest.raises(SealError):  # it seals one plan
        offer.passphrase()


def test_what_is_typed_counts_and_must_be_typed_twice(form, offer):
    offer.answer({"kind": "suggest"})
    form.fields["passphrase"].value = "seven small spoons"

    assert any(one.get("passphrase") == "" for one in offer.sent)  # the offer is withdrawn
    assert form.fields["again"].layout.display == ""
    with pytest.raises(PlanError, match="the two differ"):
        offer.passphrase()
    form.fields["again"].value = "seven small spoons"
    assert offer.passphrase() == "seven small spoons"


@pytest.mark.parametrize("outcome", ["done", "refused", "crashed"])
def test_whatever_comes_of_a_press_no_secret_stays_and_the_sentence_does(form, outcome):
    """Saved with the state of its widgets, a notebook would hold it in plain text."""
    seen = []
    form.compute_with(lambda **now: seen.append(now) or "")
    seen.clear()
    for field in form.fields.values():
        field.value = "seven small spoons"

    def work():
        assert form.values()["passphrase"] == "seven small spoons"
        if outcome == "refused":
            raise SealError("passphrase must be another one.", field="passphrase")
        if outcome == "crashed":
            raise RuntimeError
        return 1

    if outcome == "crashed":
        with pytest.raises(RuntimeError):
            form.press(work)
    else:
        assert form.press(work) == ((True, 1) if outcome == "done" else (False, None))
    assert {field.value for field in form.fields.values()} == {""}
    assert ("must be another one" in form.notes["passphrase"].value) == (outcome == "refused")
    assert seen == []  # nothing that is shown depends on a secret


def test_what_is_typed_into_a_secret_is_in_no_widgets_state():
    """A notebook is saved with that state, by whoever chose so, pressed or not."""
    secret = fields.secret("Passphrase")
    secret.hear({"kind": "typed", "text": "seven small spoons"})

    assert secret.value == "seven small spoons"
    assert "seven small spoons" not in str(secret.get_state())
    for nonsense in (None, {"kind": "typed"}, {"kind": "typed", "text": 7}, {"text": "x"}):
        secret.hear(nonsense)
    assert secret.value == "seven small spoons"
    secret.empty()
    assert secret.value == ""
