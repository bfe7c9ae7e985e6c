"""The sealed key opens with its passphrase only, and shows when it was changed."""

import time
from dataclasses import replace

import numpy as np
import pytest

from labkit.errors import SealError
from labkit.tasting import seal
from labkit.tasting.seal import KeyRow, SealedKey, Sealer, open_keys
from labkit.water import Target

PASSPHRASE = "copper kettle, seven spoons"


def _rows(n=5, *, hardness=80.0, label="W"):
    return tuple(
        KeyRow(
            blind_code=str(300 + 7 * i),
            jug=f"J1.{i}",
            bowl=f"B1.{i}",
            water=f"{label}{i}",
            target=Target(mg_share=i / 10, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=30),
            is_control=i == 2,
            is_duplicate=i == 4,
        )
        for i in range(n)
    )


def test_what_was_sealed_comes_out_by_code():
    key = Sealer("spring", PASSPHRASE).seal(1, _rows()[::-1])

    opened = key.open(PASSPHRASE)

    assert (opened.session, opened.flight, opened.rows) == ("spring", 1, _rows())
    assert list(opened.to_frame()["blind_code"]) == ["300", "307", "314", "321", "328"]
    assert list(opened.to_frame().loc[2, ["is_control", "is_duplicate"]]) == [True, False]


def test_the_same_words_typed_on_another_keyboard_open():
    """Unicode writes one letter in two ways; NFKC makes them one."""
    key = Sealer("spring", "cafe\u0301 in the rain").seal(1, _rows())

    assert key.open(" caf\u00e9 in the rain ").rows == _rows()


@pytest.mark.parametrize("wrong", ["", "Copper kettle, seven spoons", "copper kettle"])
def test_a_wrong_passphrase_is_one_clear_sentence(wrong):
    key = Sealer("spring", PASSPHRASE).seal(1, _rows())

    with pytest.raises(SealError, match="passphrase must be the one that sealed flight 1"):
        key.open(wrong)


def test_a_short_passphrase_does_not_seal():
    with pytest.raises(SealError, match="passphrase must have at least 8 characters, got 5"):
        Sealer("spring", " short ")


def test_a_plan_sealed_with_a_weak_passphrase_before_can_still_be_changed():
    """It was let through once; what it sealed must not be lost."""
    key = Sealer("spring", "password", has_sealed=True).seal(1, _rows())

    assert key.open("password").rows == _rows()
    with pytest.raises(SealError, match="passphrase must be harder to guess"):
        Sealer("spring", "password")


def test_a_key_of_a_lower_cost_opens_at_that_cost(monkeypatch):
    monkeypatch.setattr(seal, "SCRYPT_LOG2_N", 3)
    key = Sealer("spring", PASSPHRASE).seal(1, _rows())
    monkeypatch.setattr(seal, "SCRYPT_LOG2_N", 5)

    assert key.token[5] == 3
    assert key.open(PASSPHRASE).rows == _rows()


def test_keys_of_one_session_are_opened_with_one_derivation(monkeypatch):
    sealer = Sealer("spring", PASSPHRASE)
    keys = [sealer.seal(1, _rows()), sealer.seal(2, _rows(4))]
    keys.append(Sealer("spring", PASSPHRASE).seal(3, _rows(3)))  # a salt of its own
    calls = []
    derive = seal.master_key
    monkeypatch.setattr(seal, "master_key", lambda *a: calls.append(1) or derive(*a))

    opened = open_keys(keys, PASSPHRASE)

    assert [(one.flight, one.rows) for one in opened] == [
        (1, _rows()),
        (2, _rows(4)),
        (3, _rows(3)),
    ]
    assert len(calls) == 2
    with pytest.raises(SealError, match="passphrase must be the one that sealed flight 1"):
        open_keys(keys, "another one of these")


def test_any_changed_byte_is_noticed():
    key = Sealer("spring", PASSPHRASE).seal(1, _rows(2))

    for place in range(0, len(key.token), 7):
        changed = bytearray(key.token)
        changed[place] ^= 1
        with pytest.raises(SealError):
            replace(key, token=bytes(changed)).open(PASSPHRASE)


def test_a_change_in_the_content_is_told_from_a_wrong_passphrase():
    key = Sealer("spring", PASSPHRASE).seal(1, _rows())

    with pytest.raises(SealError, match="was changed after it was sealed"):
        replace(key, token=key.token[:-1] + b"\0").open(PASSPHRASE)


def test_a_key_moved_to_another_flight_or_session_does_not_open():
    sealer = Sealer("spring", PASSPHRASE)
    one, two = sealer.seal(1, _rows()), sealer.seal(2, _rows())

    for moved in (replace(two, token=one.token), replace(one, session="autumn")):
        with pytest.raises(SealError, match="belongs to another flight"):
            moved.open(PASSPHRASE)


@pytest.mark.parametrize("token", [b"", b"LKEY", b"nothing like a key at all" * 9])
def test_what_is_no_key_is_said_to_be_none(token):
    with pytest.raises(SealError, match="is not a sealed key or was cut off"):
        SealedKey(session="spring", flight=1, token=token).open(PASSPHRASE)


def test_a_key_of_a_newer_labkit_asks_for_it():
    key = Sealer("spring", PASSPHRASE).seal(1, _rows())
    newer = key.token[:4] + bytes([2]) + key.token[5:]

    with pytest.raises(SealError, match="version of the key of flight 1 must be at most 1, got 2"):
        replace(key, token=newer).open(PASSPHRASE)


def test_a_changed_cost_does_not_eat_the_memory():
    key = Sealer("spring", PASSPHRASE).seal(1, _rows())

    with pytest.raises(SealError, match="head of the key of flight 1 was changed"):
        replace(key, token=key.token[:5] + bytes([40]) + key.token[6:]).open(PASSPHRASE)


def test_the_length_tells_the_number_of_codes_and_nothing_else():
    """Targets and labels of any length leave the token as long."""
    sealer = Sealer("spring", PASSPHRASE)
    short = sealer.seal(1, _rows(hardness=80.0))
    long = sealer.seal(2, _rows(hardness=80.12345678901234, label="W1234567"))

    assert len(short.token) == len(long.token)
    assert len(short.token) < len(sealer.seal(3, _rows(6)).token)


def test_sealing_twice_gives_nothing_in_common():
    """Fresh salt and nonce: equal content is not seen to be equal."""
    one = Sealer("spring", PASSPHRASE).seal(1, _rows()).token
    two = Sealer("spring", PASSPHRASE).seal(1, _rows()).token

    same = np.frombuffer(one[6:], np.uint8) == np.frombuffer(two[6:], np.uint8)
    assert same.mean() < 0.05  # 1/256 by chance


def test_nothing_readable_is_in_the_token():
    token = Sealer("spring", PASSPHRASE).seal(1, _rows()).token

    for word in (b"blind_code", b"spring", b"mg_share", b'"W1"', b'"307"', PASSPHRASE.encode()):
        assert word not in token


def test_neither_token_nor_passphrase_is_in_a_printed_key():
    assert "token" not in repr(Sealer("spring", PASSPHRASE).seal(1, _rows()))
    assert "copper" not in repr(Sealer("spring", PASSPHRASE))


def test_a_guess_costs_time_and_memory(monkeypatch, shipped_log2_n):
    """128 MiB a guess: 128 * r * N bytes (RFC 7914, section 2)."""
    assert 128 * seal.SCRYPT_R * 2**shipped_log2_n == 128 * 2**20
    monkeypatch.setattr(seal, "SCRYPT_LOG2_N", shipped_log2_n)

    start = time.process_time()
    key = Sealer("spring", PASSPHRASE).seal(1, _rows())
    assert time.process_time() - start > 0.02
    assert key.open(PASSPHRASE).rows == _rows()


def test_shares_asked_of_salts_are_sealed_and_their_number_shows_nowhere():
    plain = _rows()
    asked = tuple(
        replace(row, target=replace(row.target, sulfate_share=n / 3, potassium_share=1 / 3))
        for n, row in enumerate(plain[:4])
    )

    key = Sealer("spring", PASSPHRASE).seal(1, (*asked, plain[4]))

    assert key.open(PASSPHRASE).rows == (*asked, plain[4])
    assert len(key.token) == len(Sealer("spring", PASSPHRASE).seal(1, plain).token)
    frame = key.open(PASSPHRASE).to_frame()
    assert frame["sulfate_share"].isna().tolist() == [False] * 4 + [True]
    assert (
        "sulfate_share"
        not in Sealer("spring", PASSPHRASE).seal(1, plain).open(PASSPHRASE).to_frame()
    )
