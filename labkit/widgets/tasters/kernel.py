"""What runs in the kernel of one taster's page: who they are, and their sheet.

Kept small on purpose: twelve of these run on one laptop, so no plots, no statistics, no server.
"""

from __future__ import annotations

import html
import logging
import os
import sys
from typing import Any
from urllib.parse import parse_qs

import ipywidgets
from IPython.core.getipython import get_ipython

from labkit.book import LabBook
from labkit.errors import BookAwayError, UnknownLinkError
from labkit.language import N_, preferred
from labkit.widgets.sheet.score_sheet import UNSEEN_TROUBLE, CupSheet
from labkit.widgets.sheet.sheet_desk import BookDesk
from labkit.widgets.tasters.links import read_code

BOOK_VARIABLE = "LABKIT_TASTERS_BOOK"
"""Environment variable through which the server names the lab book to the pages' kernels."""

ALIVE_VARIABLE = "LABKIT_TASTERS_ALIVE"
"""Environment variable with the address at which a page asks whether its kernel still runs."""

NAMES_VARIABLE = "LABKIT_TASTERS_NAMES"
"""Environment variable with more names by which phones may reach the server, comma between."""

LANGUAGE_VARIABLE = "HTTP_ACCEPT_LANGUAGE"
"""Environment variable with the languages that the page's browser asked for, as CGI calls it."""

PATIENCE_S = 2.5
"""How long a page's process waits for the lab book: it must answer before the sheet, which asks
again by itself, calls it dead (PATIENCE_MS in outbox.js)."""

UNKNOWN_LINK = N_("This link is not known, or a newer one replaced it; ask the lead for yours.")
BOOK_WILL_BE_BACK = N_("The laptop cannot read the lab book now and will retry.")

_log = logging.getLogger(__name__)


def code_in_query(query: str) -> str:
    """The code that a link's query carries; "" unless it carries exactly one.

    Used by the gate and here alike: two readings of one link could name two tasters.
    """
    try:
        codes = parse_qs(query, max_num_fields=8).get("code", [])
    except ValueError:
        return ""
    return read_code(codes[0]) if len(codes) == 1 else ""


def tasters_sheet() -> ipywidgets.Widget:
    """The sheet of the taster whose link opened this page, or a sentence.

    Never a default taster: without a link that the lab book knows there is no sheet.
    """
    where = os.environ.get(BOOK_VARIABLE)
    if where is None:
        return _sentence("Tasters open this page by their link: 'python3 -m labkit tasting'.")
    _keep_quiet()
    try:
        book = LabBook(where, must_exist=True, patience_s=PATIENCE_S)
        guest = book.sessions.guest_of_link(code_in_query(os.environ.get("QUERY_STRING", "")))
        desk = BookDesk(book, guest.session, guest.taster, device="the tasters' page")
        alive_url = os.environ.get(ALIVE_VARIABLE, "/alive")
        return CupSheet(desk, is_page=True, alive_url=alive_url)
    except UnknownLinkError:
        return _sentence(UNKNOWN_LINK)
    except BookAwayError as error:
        # The sentence names the lab book's place, which is not for phones.
        _log.error("a taster's page has to wait: %s", error)
        return _sentence(BOOK_WILL_BE_BACK, again=True)
    except Exception:
        _log.exception("a taster's page could not be made")
        return _sentence(UNSEEN_TROUBLE, again=True)


def _keep_quiet() -> None:
    """Tell the visitor's browser nothing but what the sheet says.

    What a kernel prints, logs or fails with goes to every socket of the page, source lines
    included; and a browser may ask a kernel to make any widget that ipywidgets knows.
    """
    shell: Any = get_ipython()
    if shell is None:
        return  # in a test, without a kernel
    # ipykernel reads whatever is written to 1 and 2, and sends it on: back to the server's log.
    log_end = getattr(sys.stderr, "_original_stdstream_copy", None)
    if log_end is not None:
        for standard in (1, 2):
            os.dup2(log_end, standard)
    sys.stdout, sys.stderr = sys.__stdout__, sys.__stderr__
    logging.basicConfig(stream=sys.__stderr__, level=logging.WARNING, force=True)
    shell.showtraceback = lambda *args, **options: _log.error(
        "an error in a taster's page", exc_info=True
    )
    shell.kernel.comm_manager.targets.pop("jupyter.widget", None)


def _sentence(text: str, *, again: bool = False) -> ipywidgets.HTML:
    """A sentence instead of a sheet; the page's own script tries `again`."""
    kind = ' class="lk-again"' if again else ""
    said = preferred(os.environ.get(LANGUAGE_VARIABLE, "")).gettext(text)
    return ipywidgets.HTML(f'<p role="alert"{kind}>{html.escape(said)}</p>')
