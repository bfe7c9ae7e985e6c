"""The sealed key of a flight: which code is which water, encrypted with the preparer's passphrase.

A token is a header in clear, then the ciphertext. The header holds the format's version, the cost
of the key derivation, the session's salt, the nonce and a check value. The master key of a
session comes from passphrase and salt by scrypt; each flight has a key of its own, derived from
it. Session, flight and header are bound to the ciphertext, so that a key moved to another flight
does not open. All from the `cryptography` library; nothing here is our own cipher.
"""

from __future__ import annotations

import hmac
import json
import secrets
import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import pandas as pd
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey, X25519PublicKey
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.hpke import AEAD, KDF, KEM, Suite
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from labkit.boundary import checked
from labkit.errors import PlanError, SealError
from labkit.tasting.passphrases import check_passphrase, normal
from labkit.water import COORDINATES, SALT_SHARES, Target

_MAGIC: Final = b"LKEY"
_VERSION: Final = 1
# 128 MiB, and 0.35 s a try on a server of 2024, about 1 s on a slow laptop: RFC 7914 gives the
# parameters' meaning. A key keeps the cost that it was sealed with. Public, as tests lower it.
SCRYPT_LOG2_N: Final = 17
SCRYPT_R: Final = 8
_HEADER: Final = struct.Struct(">4sBBB16s12s8s")
_ROW_BYTES: Final = 320
_BASE_BYTES: Final = 1024
_DOSES_BYTES: Final = 4096
_BY_PLAN: Final = ""  # no bottle's name is empty
# Hybrid public key encryption, RFC 9180: whoever mixes writes, only the passphrase reads.
_DOSES_SUITE: Final = Suite(KEM.X25519, KDF.HKDF_SHA256, AEAD.CHACHA20_POLY1305)


@checked(PlanError)
@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """What one blind code stands for; exists only inside a seal or after opening it."""

    blind_code: str
    """Three digits, unique in the session."""

    jug: str
    """The jug that was mixed and brewed, unique in the session; a duplicate is another jug."""

    bowl: str
    """The vessel tasted from: one a jug when shared, else one a cup."""

    water: str
    """Label of the water in the session's list, such as W3."""

    target: Target
    """The recipe's coordinates."""

    is_control: bool
    """True for the water that is in every flight."""

    is_duplicate: bool
    """True for a jug that repeats a water of its flight."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedFlight:
    """The key of one flight, readable."""

    session: str
    """The session the flight belongs to."""

    flight: int
    """Number of the flight in its session, from 1."""

    rows: tuple[KeyRow, ...]
    """One row a code, by code."""

    def to_frame(self) -> pd.DataFrame:
        """One row a code: session, flight, code, jug, bowl, water, coordinates, both flags.

        The shares of its salts come last, if any is asked for.
        """
        columns = ["session", "flight", "blind_code", "jug", "bowl", "water", *COORDINATES]
        columns += ["is_control", "is_duplicate"]
        columns += [name for name in SALT_SHARES if any(_asks(row, name) for row in self.rows)]
        records = [
            {"session": self.session, "flight": self.flight} | _flat(row) for row in self.rows
        ]
        return pd.DataFrame(records, columns=columns)


@checked(SealError)
@dataclass(frozen=True, slots=True, kw_only=True)
class SealedKey:
    """The key of one flight, unreadable without the passphrase."""

    session: str
    """The session it belongs to, bound to the token."""

    flight: int
    """The flight it belongs to, bound to the token."""

    token: bytes = field(repr=False)
    """Header and ciphertext, as stored in the lab book."""

    dose_lock: bytes | None = field(default=None, repr=False)
    """Public key to which doses taken for the flight are sealed; None in a key of labkit before."""

    def open(self, passphrase: str) -> OpenedFlight:
        """Decrypt with the preparer's passphrase.

        This only turns a key. Whether it may be turned now (after the lock, or for the bench
        sheet) is for the lab book to allow and to record.

        Parameters
        ----------
        passphrase : str
            The preparer's.

        Raises
        ------
        SealError
            If the passphrase is wrong, or the token was changed or belongs to another flight.
        """
        return self._open_with(passphrase, {})

    def _open_with(self, passphrase: str, masters: dict[tuple[int, bytes], bytes]) -> OpenedFlight:
        """Open with the master keys derived so far, by cost and salt."""
        header, ciphertext = self.token[: _HEADER.size], self.token[_HEADER.size :]
        log2_n, salt, nonce, check = _read_header(header, self.flight)
        master = masters.get((log2_n, salt)) or master_key(passphrase, salt, log2_n)
        masters[log2_n, salt] = master
        if not hmac.compare_digest(check, _derive(master, b"check", 8)):
            raise SealError(
                f"passphrase must be the one that sealed flight {self.flight} of session "
                f"'{self.session}', got another (or the head of the key was changed since). "
                "Try again, or read the waters off the printed bench sheet.",
                field="passphrase",
            )
        cipher = ChaCha20Poly1305(_derive(master, _name(self.session, self.flight), 32))
        try:
            padded = cipher.decrypt(nonce, ciphertext, _bound(header, self.session, self.flight))
        except InvalidTag as error:
            raise SealError(
                f"The key of flight {self.flight} of session '{self.session}' was changed after "
                "it was sealed, or belongs to another flight: the passphrase is right. Restore "
                "the lab book from a backup, or read the waters off the printed bench sheet."
            ) from error
        return _from_json(padded.rstrip(b" "))

    def seal_doses(self, doses: Mapping[str, float], *, by_plan: bool = False) -> bytes:
        """Encrypt what was taken for the flight so that only the key's passphrase reads it.

        No passphrase is needed for this. The doses of a flight's jugs, bottle by bottle, would tell
        its waters. The length tells nothing of them.

        Parameters
        ----------
        doses : mapping of str to float
            Bottle -> millilitres.
        by_plan : bool
            Whether they are what the bench sheet says, and nobody has typed what was taken.

        Raises
        ------
        SealError
            If the key is of a version that takes no doses.
        """
        if self.dose_lock is None:
            raise SealError(
                f"The key of flight {self.flight} is of an earlier labkit and takes no doses. "
                "Write them down once it is open."
            )
        header = self.token[: _HEADER.size]
        kept = {_BY_PLAN: dict(doses)} if by_plan else dict(doses)
        content = json.dumps(kept, ensure_ascii=False).encode()
        padded = content.ljust(-(-len(content) // _DOSES_BYTES) * _DOSES_BYTES, b" ")
        info = _bound(header, self.session, self.flight)
        lock = X25519PublicKey.from_public_bytes(self.dose_lock)
        return header + _DOSES_SUITE.encrypt(padded, lock, info)

    def open_doses(
        self,
        token: bytes,
        passphrase: str,
        *,
        masters: dict[tuple[int, bytes], bytes] | None = None,
    ) -> tuple[dict[str, float], bool]:
        """Decrypt what :meth:`seal_doses` gave, for this key or the one that it replaced.

        Parameters
        ----------
        token : bytes
            What :meth:`seal_doses` gave.
        passphrase : str
            The preparer's.
        masters : dict, optional
            What :func:`open_keys` derived so far, as deriving it again takes time.

        Returns
        -------
        doses : dict of str to float
            Bottle -> what was taken (mL).
        by_plan : bool
            Whether that is what the bench sheet says, and was not typed.

        Raises
        ------
        SealError
            If the passphrase is another than the key had then, or the token was changed.
        """
        header, ciphertext = token[: _HEADER.size], token[_HEADER.size :]
        log2_n, salt, _, _ = _read_header(header, self.flight)
        known = {} if masters is None else masters
        master = known.get((log2_n, salt)) or master_key(passphrase, salt, log2_n)
        known[log2_n, salt] = master
        private = _dose_key(master)
        try:
            content = _DOSES_SUITE.decrypt(
                ciphertext, private, _bound(header, self.session, self.flight)
            )
        except InvalidTag as error:
            raise SealError(
                f"The doses of flight {self.flight} of session '{self.session}' were sealed with "
                "another passphrase, or changed since. Write them down again."
            ) from error
        read: dict[str, Any] = json.loads(content)
        return (read[_BY_PLAN], True) if _BY_PLAN in read else (read, False)


@checked(SealError)
def open_keys(
    keys: Iterable[SealedKey],
    passphrase: str,
    *,
    masters: dict[tuple[int, bytes], bytes] | None = None,
) -> list[OpenedFlight]:
    """Open several keys; what one session has in common is derived once, as it costs time.

    Parameters
    ----------
    keys : iterable of SealedKey
        Sealed with the same passphrase.
    passphrase : str
        The preparer's.
    masters : dict, optional
        Takes what is derived, for the doses sealed to the same keys.

    Returns
    -------
    list of OpenedFlight
        In the same order.

    Raises
    ------
    SealError
        If one does not open.
    """
    known: dict[tuple[int, bytes], bytes] = {} if masters is None else masters
    return [key._open_with(passphrase, known) for key in keys]


class Sealer:
    """The session's salt and master key while its flights are being sealed; never stored."""

    def __init__(self, session: str, passphrase: str, *, has_sealed: bool = False) -> None:
        """Derive the master key; a passphrase that has sealed this plan before is not judged."""
        if not has_sealed:
            check_passphrase(passphrase)
        self._session = session
        self._salt = secrets.token_bytes(16)
        self._log2_n = SCRYPT_LOG2_N
        self._master = master_key(passphrase, self._salt, self._log2_n)

    def seal(self, flight: int, rows: tuple[KeyRow, ...]) -> SealedKey:
        """Encrypt the key of one flight.

        The length of the token depends on the number of codes alone, which is no secret.
        """
        nonce = secrets.token_bytes(12)
        header = _HEADER.pack(
            _MAGIC,
            _VERSION,
            self._log2_n,
            SCRYPT_R,
            self._salt,
            nonce,
            _derive(self._master, b"check", 8),
        )
        content = _to_json(self._session, flight, rows)
        size = _BASE_BYTES + _ROW_BYTES * len(rows)
        if len(content) > size:
            raise SealError(
                f"session must have a name short enough to seal, got {len(self._session)} "
                "characters. Shorten the session's name.",
                field="session",
            )
        cipher = ChaCha20Poly1305(_derive(self._master, _name(self._session, flight), 32))
        bound = _bound(header, self._session, flight)
        token = header + cipher.encrypt(nonce, content.ljust(size, b" "), bound)
        return SealedKey(
            session=self._session,
            flight=flight,
            token=token,
            dose_lock=_dose_key(self._master).public_key().public_bytes_raw(),
        )


def _asks(row: KeyRow, name: str) -> bool:
    return name in row.target.salt_shares


def _flat(row: KeyRow) -> dict[str, Any]:
    """A row with the target's coordinates in its place."""
    return {
        "blind_code": row.blind_code,
        "jug": row.jug,
        "bowl": row.bowl,
        "water": row.water,
        **{name: getattr(row.target, name) for name in COORDINATES},
        **row.target.salt_shares,  # not there where nothing is asked, as in keys of labkit before
        "is_control": row.is_control,
        "is_duplicate": row.is_duplicate,
    }


def _to_json(session: str, flight: int, rows: tuple[KeyRow, ...]) -> bytes:
    by_code = sorted(rows, key=lambda row: row.blind_code)
    content = {"session": session, "flight": flight, "rows": [_flat(row) for row in by_code]}
    return json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()


def _from_json(content: bytes) -> OpenedFlight:
    read = json.loads(content)
    rows = []
    for flat in read["rows"]:
        asked = {name: flat.pop(name) for name in SALT_SHARES if name in flat}
        target = Target(**{name: flat.pop(name) for name in COORDINATES}, **asked)
        rows.append(KeyRow(target=target, **flat))
    return OpenedFlight(session=read["session"], flight=read["flight"], rows=tuple(rows))


def _name(session: str, flight: int) -> bytes:
    return json.dumps(["flight", session, flight]).encode()


def _bound(header: bytes, session: str, flight: int) -> bytes:
    return header + _name(session, flight)


def master_key(passphrase: str, salt: bytes, log2_n: int) -> bytes:
    """The key that a passphrase and a salt give; slow on purpose."""
    kdf = Scrypt(salt=salt, length=32, n=2**log2_n, r=SCRYPT_R, p=1)
    return kdf.derive(normal(passphrase).encode())


def _derive(master: bytes, purpose: bytes, length: int) -> bytes:
    kdf = HKDF(algorithm=SHA256(), length=length, salt=None, info=b"labkit key " + purpose)
    return kdf.derive(master)


def _dose_key(master: bytes) -> X25519PrivateKey:
    """The private half of the lock for doses; like everything else it comes from the passphrase."""
    return X25519PrivateKey.from_private_bytes(_derive(master, b"doses", 32))


def _read_header(header: bytes, flight: int) -> tuple[int, bytes, bytes, bytes]:
    """Cost, salt, nonce and check value of a header that this version can read."""
    if len(header) < _HEADER.size or header[:4] != _MAGIC:
        raise SealError(
            f"The key of flight {flight} is not a sealed key or was cut off. Restore the lab book "
            "from a backup, or read the waters off the printed bench sheet."
        )
    _, version, log2_n, r, salt, nonce, check = _HEADER.unpack(header)
    if version > _VERSION:
        raise SealError(
            f"version of the key of flight {flight} must be at most {_VERSION}, got {version}. "
            "Open it with a newer labkit."
        )
    # A changed cost could ask for all the memory there is, so it is not even tried.
    if version < 1 or not 1 <= log2_n <= 20 or r != SCRYPT_R:
        raise SealError(
            f"The head of the key of flight {flight} was changed after it was sealed. Restore the "
            "lab book from a backup, or read the waters off the printed bench sheet."
        )
    return log2_n, salt, nonce, check
