"""The certificate of the tasters' page, looked at first: what will not do is one sentence."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from labkit.errors import SetUpError


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """A certificate and its key, good for serving."""

    file: Path
    """The certificate, with those that vouch for it behind it if there are any (PEM)."""

    key: Path
    """Its private key (PEM), without a passphrase."""

    names: tuple[str, ...]
    """Names and addresses that it is for, in its order."""

    def covers(self, host: str) -> bool:
        """Whether phones that reach this machine by a name or an address take it for that one.

        Parameters
        ----------
        host : str
            The name or the address.
        """
        host = host.lower().rstrip(".")
        parent = host.partition(".")[2]
        return any(name in (host, f"*.{parent}" if parent else host) for name in self.names)

    def host(self, address: str) -> str:
        """What phones should call this machine: its address, or else a name that this is for.

        Parameters
        ----------
        address : str
            Its address in the network.

        Raises
        ------
        SetUpError
            If it is for nothing that a phone could call.
        """
        named = [name for name in self.names if not name.startswith("*")]
        if self.covers(address):
            return address
        if named:
            return named[0]
        raise SetUpError(
            f"address must be given with certificate {self.file}, which is for {self.names[0]}: "
            "say what this machine is called there",
            field="address",
        )


def read_certificate(file: Path, key: Path) -> Certificate:
    """Look at a certificate and its key.

    Parameters
    ----------
    file, key : path
        The certificate and its key, in PEM.

    Raises
    ------
    SetUpError
        If one of them cannot be read or used, they do not belong together, or it is not valid now.
    """
    from cryptography import x509  # takes a while, and plain http does without

    for field, path in (("certificate", file), ("key", key)):
        try:
            path.read_bytes()
        except OSError as error:
            raise SetUpError(
                f"{field} {path} cannot be read ({error.strerror}): give a file in PEM form",
                field=field,
            ) from error
    try:
        own = x509.load_pem_x509_certificates(file.read_bytes())[0]
    except ValueError as error:
        raise SetUpError(
            f"certificate {file} must be in PEM form (it begins with BEGIN CERTIFICATE); in "
            "another form 'openssl x509' turns it into that",
            field="certificate",
        ) from error
    _check_dates(file, own.not_valid_before_utc, own.not_valid_after_utc)
    context_with(file, key)
    try:
        also = own.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound as error:
        raise SetUpError(
            f"certificate {file} must name the machine as 'subject alternative name', which phones "
            "read, and has none: make it anew with that",
            field="certificate",
        ) from error
    addresses = [str(one) for one in also.get_values_for_type(x509.IPAddress)]
    named = [one.lower() for one in also.get_values_for_type(x509.DNSName)]
    return Certificate(file=file, key=key, names=(*named, *addresses))


def context_with(file: Path, key: Path) -> ssl.SSLContext:
    """How the server speaks TLS.

    Parameters
    ----------
    file, key : path
        The certificate and its key, in PEM.

    Raises
    ------
    SetUpError
        If they cannot be used together.
    """

    def no_passphrase() -> str:
        raise SetUpError(
            f"key {key} must be without a passphrase, as nobody is there to type it at each start: "
            "'openssl pkey' takes it off; keep that file to yourself",
            field="key",
        )

    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(file, key, password=no_passphrase)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise SetUpError(
                f"key {key} must be the one that certificate {file} was made with, and is another",
                field="key",
            ) from error
        raise SetUpError(
            f"key {key} cannot be used with certificate {file} ({error.reason}): give the private "
            "key in PEM form (it begins with BEGIN PRIVATE KEY)",
            field="key",
        ) from error
    return context


def _check_dates(file: Path, begins: datetime, ends: datetime) -> None:
    now = datetime.now(UTC)
    if now > ends:
        raise SetUpError(
            f"certificate {file} must be valid now, and ended on {ends:%Y-%m-%d}: get a new one",
            field="certificate",
        )
    if now < begins:
        raise SetUpError(
            f"certificate {file} must be valid now, and begins on {begins:%Y-%m-%d}: wait for that "
            "day, or set this machine's clock right",
            field="certificate",
        )
