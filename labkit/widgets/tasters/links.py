"""Personal links of tasters: a short code, the address that carries it, and cards to hand out."""

from __future__ import annotations

import html
import json
import os
import secrets
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from labkit.errors import BookError
from labkit.language import ENGLISH, N_, Language
from labkit.present import qr_svg

if TYPE_CHECKING:
    from labkit.book import LabBook

ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""No 0 and O, no 1, I and L: they are mistaken for each other when typed from a card."""

CODE_LENGTH = 10
"""31 signs to the power of 10: 49.5 bits. At the ten guesses a minute that the page allows one
device, hitting one of twelve codes takes some six million years."""


LISTENERS = (
    "this is plain http: anyone in the same network can listen, and read links (with one they can "
    "score in that taster's name), codes, scores and notes, but never which water is in a cup. Use "
    "the laptop's own hotspot or a router of your own, or https (README, 'by https')."
)
"""What the lead must know while nothing is encrypted."""

SECURE = (
    "this is https: nobody in the network can read or change what phones and laptop say to each "
    "other, so long as each phone took the certificate without a warning."
)
"""What the lead may rely on with a certificate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TasterLink:
    """How one taster gets to their sheet."""

    taster: str
    """Who."""

    code: str
    """What they may type, without the dash that it is shown with."""

    address: str
    """The whole address, for the QR code."""

    @property
    def typed(self) -> str:
        """The code as it is shown, in two halves."""
        half = CODE_LENGTH // 2
        return f"{self.code[:half]}-{self.code[half:]}"


def new_code() -> str:
    """Draw a code."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))


def read_code(typed: str) -> str:
    """The code in what somebody typed: case, dashes and blanks do not matter.

    Anything that cannot be a code gives "", so that nothing else ever reaches the lab book.
    """
    code = "".join(sign for sign in typed.upper() if sign not in "- \t")
    is_code = len(code) == CODE_LENGTH and all(sign in ALPHABET for sign in code)
    return code if is_code else ""


def code_in_query(query: str) -> str:
    """The code that a link's query carries; "" unless it carries exactly one.

    The one reading of a link: two readings could name two tasters.
    """
    try:
        codes = parse_qs(query, max_num_fields=8).get("code", [])
    except ValueError:
        return ""
    return read_code(codes[0]) if len(codes) == 1 else ""


def give_links(
    book: LabBook, session: str, base_address: str, *, keep_in: Path, renew: bool = False
) -> tuple[TasterLink, ...]:
    """Give every taster of a session a link; those given before stay the same.

    The lab book knows only a hash of each code, so the codes lie in a file of the lead's own
    (readable by nobody else), to be shown again after a restart.

    Parameters
    ----------
    base_address : str
        Address of the page, such as "http://192.168.1.7:8866/".
    keep_in : path
        The file.
    renew : bool
        Whether everybody gets a new code and old ones stop working.
    """
    kept = _read(keep_in)
    known = {} if renew else dict(kept.get(session, {}))
    for taster in book.sessions.session(session).tasters:
        if not _still_opens(book, session, taster, known.get(taster)):
            known[taster] = book.sessions.issue_link(session, taster, secret=new_code())
    _write(keep_in, {**kept, session: known})
    return tuple(
        TasterLink(taster=taster, code=code, address=f"{base_address}?code={code}")
        for taster, code in known.items()
    )


def own_address() -> str:
    """Address of this machine on the local network, as far as it can be told without asking it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Sends nothing: it only makes the system choose the way out (RFC 5737 test address).
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def cards(
    session: str,
    links: tuple[TasterLink, ...],
    base_address: str,
    language: Language = ENGLISH,
) -> str:
    """A page of cards to cut out, one per taster; whoever sees a card can score as that taster.

    Only what stands on a card is said in the tasters' language.
    """
    says = SECURE if base_address.startswith("https:") else LISTENERS
    type_it = html.escape(language.gettext(N_("or open {address} and type")))
    type_it = type_it.replace("{address}", f"<b>{html.escape(base_address)}</b>")
    shown = "".join(
        f'<li lang="{language.code}"><h2>{html.escape(link.taster)}</h2>{qr_svg(link.address)}'
        f"<p>{type_it}</p>"
        f'<p class="code">{html.escape(link.typed)}</p></li>'
        for link in links
    )
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>Links, {html.escape(session)}</title><style>{_CARD_STYLE}</style>"
        f"<main><h1>{html.escape(session)}: one card for each taster</h1>"
        "<p>Give each taster only their own: a link stands for its taster's name. Phone and laptop "
        f"must be in the same network; {html.escape(says)}</p>"
        f"<ul>{shown}</ul></main></html>"
    )


_CARD_STYLE = """
body { font: 1rem/1.4 system-ui, sans-serif; color: #1f2a2d; background: #fff; margin: 1.5rem; }
ul { display: grid; grid-template-columns: repeat(auto-fill, minmax(15rem, 1fr)); padding: 0;
     list-style: none; }
li { border: 1px dashed #8a969a; padding: 1rem; text-align: center; break-inside: avoid; }
h1 { font-size: 1.25rem; } h2 { font-size: 1.25rem; margin: 0; } p { margin: .25rem 0; }
svg { width: 11rem; height: 11rem; }
.code { font: 700 1.5rem ui-monospace, monospace; letter-spacing: .05em; }
@media print { body { margin: 0; } main > p { max-width: none; } }
"""


def _still_opens(book: LabBook, session: str, taster: str, code: str | None) -> bool:
    if code is None:
        return False
    try:
        guest = book.sessions.guest_of_link(code)
    except BookError:
        return False
    return (guest.session, guest.taster) == (session, taster)


def _read(file: Path) -> dict[str, dict[str, str]]:
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return kept if isinstance(kept, dict) else {}


def _write(file: Path, links: Mapping[str, Mapping[str, str]]) -> None:
    """Write for the owner's eyes only, whole or not at all."""
    file.parent.mkdir(parents=True, exist_ok=True)
    new = file.with_name(file.name + ".new")
    with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as out:
        json.dump(links, out, ensure_ascii=False, indent=1)
    new.replace(file)
