"""What came of a call: an answer, one clear sentence, or something that must not be."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import math
import os
import re
import signal
import traceback
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import pandas as pd

from labkit.book import LabBook, import_folder
from labkit.errors import LabkitError
from tests.fuzz.calls import Public, good
from tests.fuzz.place import Place
from tests.project import PROJECT

CPU_S, WALL_S = 20.0, 120.0
"""How long a call may take, of processor and by the clock."""


class Kind(StrEnum):
    """What came of a call."""

    ANSWERED = "answered"
    REFUSED = "refused by labkit"
    REFUSED_NAMED = "refused: TypeError or ValueError that names the argument"
    BELOW = "error from below"
    NOT_FINITE = "NaN or infinity in the answer"
    WARNED = "warning from below"
    ENDLESS = "took too long"
    UNREADABLE = "stored, cannot be read again"
    NO_GOOD_CALL = "what ought to be a good call fails"


FINE = {Kind.ANSWERED, Kind.REFUSED, Kind.REFUSED_NAMED}


@dataclass(frozen=True)
class Outcome:
    """What came of one call."""

    kind: Kind
    call: str
    why: str = ""
    where: str = ""

    def __str__(self) -> str:
        return f"{self.kind}: {self.call}\n    {self.why[:300]} {self.where}"


class TooLong(BaseException):
    """A call did not end in its time."""


@contextlib.contextmanager
def _limited() -> Iterator[None]:
    def stop(*_: object) -> None:
        raise TooLong

    before = signal.signal(signal.SIGPROF, stop), signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_PROF, CPU_S)
    signal.setitimer(signal.ITIMER_REAL, WALL_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGPROF, before[0])
        signal.signal(signal.SIGALRM, before[1])


def told(call: Public, bad: Mapping[str, Any]) -> str:
    """The call in one line."""
    return f"{call.name}({', '.join(f'{name}={_short(it)}' for name, it in bad.items())})"


def _short(it: Any) -> str:
    if isinstance(it, pd.DataFrame):
        return f"DataFrame{it.shape} {[str(c) for c in it.columns][:12]}"
    said = ascii(it)
    return said if len(said) < 90 else said[:87] + "..."


def judge(call: Public, here: Place, bad: Mapping[str, Any], known: set[str]) -> Outcome:
    """Make a call with bad arguments among its good ones, and say what came of it."""
    said = told(call, bad)
    arguments = {**good(call, here), **bad}
    work = call.find(here)
    before = _stamp(here)
    # What is printed, and where one works, is no matter of this.
    folder = os.getcwd()
    os.chdir(here.folder)
    try:
        with warnings.catch_warnings(), _limited(), contextlib.redirect_stderr(io.StringIO()):
            warnings.simplefilter("error")
            answer = work(**arguments)
            if hasattr(answer, "__next__"):
                answer = list(answer)
    except TooLong:
        frames = traceback.extract_stack()
        return Outcome(Kind.ENDLESS, said, "", frames[-1].name)
    except Warning as warning:
        return Outcome(Kind.WARNED, said, f"{type(warning).__name__}: {warning}", _where(warning))
    except LabkitError as error:
        return Outcome(Kind.REFUSED, said, str(error), error.field or "")
    except Exception as error:
        names = [name for name in bad if re.search(rf"\b{name}\b", str(error))]
        is_named = isinstance(error, TypeError | ValueError) and names
        kind = Kind.REFUSED_NAMED if is_named else Kind.BELOW
        return Outcome(kind, said, f"{type(error).__name__}: {error}", _where(error))
    finally:
        os.chdir(folder)
    wrong = [] if call.name in BLANKS else sorted({*not_finite(answer)} - known)
    if wrong:
        return Outcome(Kind.NOT_FINITE, said, ", ".join(wrong[:4]))
    if "book" in here.__dict__ and _stamp(here) != before:
        try:
            read_again(here)
        except Exception as error:
            why = f"{type(error).__name__}: {error}"
            return Outcome(Kind.UNREADABLE, said, why, _where(error))
    return Outcome(Kind.ANSWERED, said)


def _where(error: BaseException) -> str:
    """The last line of labkit that it passed."""
    frames = list(traceback.extract_tb(error.__traceback__))
    ours = [one for one in frames if f"{PROJECT}/labkit" in one.filename]
    one = (ours or frames)[-1]
    return f"[{one.filename.removeprefix(f'{PROJECT}/')}:{one.lineno}]"


def _stamp(here: Place) -> Any:
    if "book" not in here.__dict__:
        return None
    files = [here.path, here.path.with_name("book.db-wal")]
    return [(one.stat().st_mtime_ns, one.stat().st_size) for one in files if one.exists()]


def read_again(here: Place) -> None:
    """Read everything in the lab book, here and from its export, and show it."""
    with LabBook(here.path) as book:
        book.people.clients(), book.people.coffees(), book.people.tasters()
        book.stock.bottles(include_emptied=True), book.stock.base_waters()
        book.stock.concentrates()
        for session in book.sessions.all():
            repr(session)
            book.sessions.events(session.name), book.sessions.flights(session.name)
            book.scores.history(session.name), book.sessions.sheet(session.name)
            book.scores.measured_cups(session.name), book.sessions.progress(session.name)
        for coffee in book.people.coffees():
            book.sessions.decisions(coffee.name, client=coffee.client)
        opened = book.scores.opened_scores(include_unblinded=True)
        value = opened["value"].dropna() if "value" in opened else pd.Series(dtype=float)
        assert np.isfinite(value.astype(float)).all(), "a score is not finite"
        folder = book.export_folder(here.folder / "again")
    copy = here.folder / "again.db"
    import_folder(folder, copy)
    with LabBook(copy) as book:
        book.sessions.all(), book.stock.bottles(include_emptied=True)


def not_finite(it: Any, path: str = "", depth: int = 7) -> Iterator[str]:
    """Where in an answer there is NaN or infinity."""
    if depth < 0:
        return
    if isinstance(it, bool | int | str | bytes | type(None)):
        return
    if isinstance(it, float | np.floating):
        if not math.isfinite(it):
            yield f"{path} = {it}"
    elif isinstance(it, np.ndarray):
        if it.dtype.kind == "f" and not np.isfinite(it).all():
            yield f"{path} (array)"
    elif isinstance(it, pd.DataFrame):
        for column in it.columns:
            yield from not_finite(it[column].to_numpy(), f"{path}[{column}]", depth - 1)
    elif isinstance(it, Mapping):
        for value in list(it.values())[:50]:
            yield from not_finite(value, f"{path}[]", depth - 1)
    elif isinstance(it, tuple | list):
        for value in it[:50]:
            yield from not_finite(value, f"{path}[]", depth - 1)
    elif dataclasses.is_dataclass(it) and not isinstance(it, type):
        for field in dataclasses.fields(it):
            value = getattr(it, field.name, None)
            yield from not_finite(value, f"{path}.{field.name}", depth - 1)


BLANKS = frozenset({"analysis.read_across", "workflow.read_all"})
"""What answers with a table whose rows stay blank where a coffee cannot be read."""


def allowed(call: Public) -> set[str]:
    """Where the answer to a good call holds NaN or infinity, which then stand for something."""
    with Place() as here, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with contextlib.redirect_stderr(io.StringIO()):
            return set(not_finite(call.find(here)(**good(call, here))))
