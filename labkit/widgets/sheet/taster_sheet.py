"""One taster's sheet: what it shows, and what becomes of what its browser sends.

Nothing that the browser says is believed here: whose sheet it is stays in Python, and each score is
checked before it is kept. Without widgets, as the tasters' page has none.
"""

from __future__ import annotations

import hashlib
import json
import logging
import re
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from labkit.book import Attribute, Score
from labkit.errors import BookAwayError, LabkitError, LockError, ScaleError, StaleError
from labkit.language import ENGLISH, LANGUAGES, N_
from labkit.tasting import METHODS, Scale, title_of, words_of
from labkit.widgets.sheet.sheet_desk import SheetDesk, SheetLook

_log = logging.getLogger(__name__)
_STATIC = Path(__file__).parent / "static"
_ENTRY_ID = re.compile(r"[0-9a-zA-Z-]{16,64}")
_DEVICE = re.compile(r"[0-9a-f]{8}")
MOST_AT_ONCE = 200
"""Scores that one message may carry."""

ANSWER_WITHIN_S = 1.0
"""After so long a message is answered with what was kept so far, and the browser sends the rest
again: one that waits longer than PATIENCE_MS (outbox.js) for a slow disk would take it for dead."""

_ABSENT = object()
TRIES = 3
"""How often a score is tried that fails in a way that nobody foresaw."""

UNSEEN_TROUBLE = N_("something went wrong here; it is logged and will be retried")
BOOK_LATER = N_("the laptop cannot save it now and will retry. Tell the lead.")
LOST_TROUBLE = N_("something went wrong here, and it is logged: please give this score again.")

_NO_ID = N_("this score has no valid id; reload the page.")
_NOT_SCORED = N_("this is not scored in this session; reload the page.")
_NO_STAGE = N_("this stage of cooling is not scored; reload the page.")
_NOT_YOURS = N_("this cup is not one of yours (any more); reload the page.")
_TO_TASTERS: Mapping[type[LabkitError], str] = {
    LockError: N_("the flight is locked: scores can no longer be changed; tell the lead."),
    StaleError: N_(
        "it was changed later, on another device or by the lead, and that stands; give it here "
        "again if that is wrong."
    ),
}
_NEVER_KEPT = N_("it cannot be kept as it is; tell the lead.")
"""What tasters of another language read instead of an error's English sentence, by its kind."""


def script(*names: str) -> str:
    """Join scripts of ``static/`` into the one module that a widget takes."""
    return "\n".join((_STATIC / name).read_text(encoding="utf-8") for name in names)


SCRIPTS = ("words.js", "outbox.js", "controls.js", "keys.js", "sheet.js")
_MESSAGE = re.compile(r"""\b_\(\s*("(?:[^"\\]|\\.)*")""")


@cache
def messages_of_scripts() -> tuple[str, ...]:
    """Every message that the sheet's scripts say, in English."""
    return tuple(dict.fromkeys(json.loads(found) for found in _MESSAGE.findall(script(*SCRIPTS))))


def answer_to(message: Mapping[str, Any], *, later: str = "") -> dict[str, Any]:
    """The answer to a message in which nothing was kept or refused yet.

    Parameters
    ----------
    message : mapping
        What a browser sent.
    later : str
        Why all of it must be sent again, in English; empty if nothing is known of that.
    """
    number = message.get("number")
    language = LANGUAGES.get(str(message.get("language")), ENGLISH)
    return {
        "kind": "answer",
        "number": number if isinstance(number, int) else 0,
        "kept": [],
        "refused": [],
        "later": language.gettext(later) if later else "",
        "look": None,
    }


class TasterSheet:
    """The sheet of one taster.

    Parameters
    ----------
    desk : SheetDesk
        What is on the table, and who keeps the scores.
    is_page : bool
        Whether the sheet is a page of its own (the tasters' page), which follows the phone's light
        or dark and is told nothing of the laptop, or a cell of a notebook.
    """

    def __init__(self, desk: SheetDesk, *, is_page: bool = False) -> None:
        self._desk = desk
        self._is_page = is_page
        self._cups: Mapping[tuple[object, object], str | None] = {}
        self._failed: Counter[str] = Counter()
        self._language = ENGLISH
        self.plan: dict[str, Any] = {
            "owner": desk.owner,
            "session": desk.session,
            "taster": desk.taster,
            "attributes": [_attribute_out(attribute) for attribute in desk.attributes],
            "stages": list(desk.stages),
            "is_page": is_page,
            "words": {"session": desk.language, "offered": _words_of(desk.attributes)},
            "look": self._look(),
        }

    def answer(self, message: Mapping[str, Any]) -> dict[str, Any]:
        """Keep the scores of a message and say what became of each.

        Parameters
        ----------
        message : mapping
            ``number`` of the message, ``known`` mark of what the browser shows, ``scores``,
            ``device`` that the browser calls itself, ``now`` by its clock.

        Returns
        -------
        answer : dict
            ``kept`` and ``refused`` scores by id, of which some may be missing, to be sent again;
            ``later``, why that would be in vain for a while; ``look``, how things stand, if that is
            not what the browser shows.
        """
        answer = answer_to(message)
        self._language = LANGUAGES.get(str(message.get("language")), ENGLISH)
        sent = message.get("scores")
        sent = sent[:MOST_AT_ONCE] if isinstance(sent, list) else []
        sender, answer_at = _Sender.of(message), time.monotonic() + ANSWER_WITHIN_S
        try:
            for raw in sent:
                # Stops at the first that must wait: the order of scores decides what is current.
                if not self._take(raw, sender, answer) or time.monotonic() > answer_at:
                    break
            if not sent:
                self._desk.sign_of_life()
            if not sent or answer["refused"] or answer["later"]:
                look = self._look()
                answer["look"] = look if look["mark"] != message.get("known") else None
        except LabkitError as error:
            answer["later"] = self._trouble(error)
        except Exception:
            _log.exception("the sheet of %s failed", self._desk.taster)
            answer["later"] = self._language.gettext(UNSEEN_TROUBLE)
        return answer

    def _look(self) -> dict[str, Any]:
        """How things stand now, as it goes to the browser."""
        look = self._desk.look()
        self._cups = {(cup.flight, cup.position): cup.blind_code for cup in look.cups}
        return _look_out(look)

    def _take(self, raw: object, sender: _Sender, answer: dict[str, Any]) -> bool:
        """Keep or refuse one score; False if it must be sent again later.

        Only what may pass makes it wait: a score that can never be kept would hold all the others
        back for ever.
        """
        entry_id = raw.get("id") if isinstance(raw, dict) else None
        if not isinstance(raw, dict) or not isinstance(entry_id, str):
            return True  # without an id there is nobody to answer
        try:
            score = self._read(raw, entry_id, sender)
            kept_at = self._desk.take(score)
        except BookAwayError as error:
            answer["later"] = self._trouble(error)
            return False
        except LabkitError as error:
            answer["refused"].append({"id": entry_id, "sentence": self._refusal(error)})
        except Exception:
            _log.exception("a score on the sheet of %s failed", self._desk.taster)
            self._failed[entry_id] += 1
            if self._failed[entry_id] < TRIES:
                answer["later"] = self._language.gettext(UNSEEN_TROUBLE)
                return False
            sentence = self._language.gettext(LOST_TROUBLE)
            answer["refused"].append({"id": entry_id, "sentence": sentence})
        else:
            answer["kept"].append({"id": entry_id, "at": kept_at.isoformat()})
        return True

    def _trouble(self, error: LabkitError) -> str:
        """Why a score must wait; phones are not told where the lab book lies and what ails it."""
        if not self._is_page:
            return str(error)
        _log.error("a score of %s has to wait: %s", self._desk.taster, error)
        return self._language.gettext(BOOK_LATER)

    def _refusal(self, error: LabkitError) -> str:
        """Why a score is never kept; what the database itself said is not for phones either."""
        if self._is_page and error.__cause__ is not None:
            _log.error("a score of %s is refused: %s", self._desk.taster, error)
            return self._language.gettext(LOST_TROUBLE)
        if self._language == ENGLISH:
            return str(error)
        if isinstance(error, _NotOnTheSheetError):
            return self._language.gettext(str(error))
        said = (text for kind, text in _TO_TASTERS.items() if isinstance(error, kind))
        return self._language.gettext(next(said, _NEVER_KEPT))

    def _read(self, raw: Mapping[str, Any], entry_id: str, sender: _Sender) -> Score:
        """Check a score against this taster's own cups and scales."""
        if not _ENTRY_ID.fullmatch(entry_id):
            raise _NotOnTheSheetError(_NO_ID)
        attribute = next((a for a in self._desk.attributes if a.name == raw.get("attribute")), None)
        if attribute is None:
            raise _NotOnTheSheetError(_NOT_SCORED)
        stage = raw.get("stage") or None
        if stage not in (self._desk.stages or (None,)):
            raise _NotOnTheSheetError(_NO_STAGE)
        cup = (raw.get("flight"), raw.get("position"))
        code = raw.get("code")
        if not self._is_own(cup, code):
            raise _NotOnTheSheetError(_NOT_YOURS)
        return Score(
            session=self._desk.session,
            taster=self._desk.taster,
            flight=int(str(cup[0])),
            position=int(str(cup[1])),
            blind_code=code,
            stage=stage,
            attribute=attribute.name,
            value=_value_in(attribute, raw.get("value")),
            given_at=sender.moment_of(raw.get("at")),
            entry_id=entry_id,
            device=sender.device,
        )

    def _is_own(self, cup: tuple[object, object], code: object) -> bool:
        """Whether this taster gets that cup with that code."""
        if not all(type(number) is int for number in cup):
            return False
        if self._cups.get(cup, _ABSENT) != code:
            self._look()  # a flight may have been planned a moment ago
        return self._cups.get(cup, _ABSENT) == code


class _NotOnTheSheetError(LabkitError, ValueError):
    """A score that no sheet of this taster could have made."""


def _attribute_out(attribute: Attribute) -> dict[str, Any]:
    scale = attribute.scale
    return {
        "name": attribute.name,
        "kind": attribute.kind,
        "choices": list(attribute.choices),
        "scale": scale
        and {
            "lowest": scale.lowest,
            "highest": scale.highest,
            "step": scale.step,
            "options": list(scale.options),
            "words": [[score, word] for score, word in scale.words],
            "is_words_only": len(scale.words) == len(scale.options)
            and (scale.middle_is_best or scale.marks_one_of_set),
            "marks_one_of_set": scale.marks_one_of_set,
            "set": _set_out(scale),
        },
    }


def _set_out(scale: Scale) -> dict[str, Any]:
    """How a set is asked about: whether the first cup is a reference, and none may be marked."""
    method = METHODS.get(scale.name)
    return {
        "has_reference": method is not None and method.has_reference,
        "may_be_none": method is None or not method.has_right_answer,
    }


def _words_of(attributes: Sequence[Attribute]) -> dict[str, dict[str, Any]]:
    """What the sheet says in each language: messages, titles and words of the scales."""
    return {
        code: {
            "messages": {message: language.gettext(message) for message in messages_of_scripts()},
            "titles": {each.name: title_of(each, language) for each in attributes},
            "words": {
                each.name: [list(pair) for pair in words_of(each.scale, language)]
                for each in attributes
                if each.scale is not None
            },
        }
        for code, language in LANGUAGES.items()
        if language != ENGLISH
    }


def _look_out(look: SheetLook) -> dict[str, Any]:
    out: dict[str, Any] = {
        "cups": [
            {"flight": c.flight, "position": c.position, "code": c.blind_code} for c in look.cups
        ],
        "flights": {str(number): state for number, state in look.states.items()},
        "values": {str(place): value for place, value in look.values.items()},
    }
    text = json.dumps(out, sort_keys=True, default=list)
    return out | {"mark": hashlib.sha256(text.encode()).hexdigest()[:12]}


def _value_in(attribute: Attribute, value: object) -> float | str | tuple[str, ...] | None:
    """A value as its attribute takes it.

    Raises
    ------
    ScaleError
        If it is of another kind, or not on the scale.
    """
    if value is None:
        return None
    if attribute.scale is not None and isinstance(value, int | float):
        if not isinstance(value, bool):
            return attribute.scale.check(value)
    elif attribute.kind == "note" and isinstance(value, str):
        return _storable(value)
    elif attribute.kind == "descriptors" and isinstance(value, list):
        return _words_in(attribute, value)
    raise ScaleError(f"{attribute.name} cannot be {value!r} on this sheet; choose what it offers.")


def _storable(note: str) -> str:
    """A note without what no database can hold, should a page have left it in (cleanText).

    A taster can hardly retype what cannot be seen.
    """
    halves = note.replace("\0", "").encode("utf-16", "surrogatepass")
    return halves.decode("utf-16", "replace")


def _words_in(attribute: Attribute, words: Sequence[object]) -> tuple[str, ...]:
    odd = [word for word in words if word not in attribute.choices]
    if odd:
        raise ScaleError(f"{attribute.name} has no word {odd[0]!r}; choose what the sheet offers.")
    return tuple(choice for choice in attribute.choices if choice in words)


@dataclass(frozen=True, slots=True)
class _Sender:
    """The browser that sends scores, by its own account."""

    device: str
    """What it calls itself, to be told from another one with the same link; empty if unknown."""

    now_ms: float | None
    """Its clock at sending; None where it makes no sense."""

    @classmethod
    def of(cls, message: Mapping[str, Any]) -> _Sender:
        """Read a message's head."""
        name = message.get("device")
        is_name = isinstance(name, str) and _DEVICE.fullmatch(name) is not None
        return cls(str(name) if is_name else "", _milliseconds(message.get("now")))

    def moment_of(self, at: object) -> datetime | None:
        """When a score was given, as best known; None (now) where its time makes no sense.

        By our clock, less what has passed on the device's since: the device's may be wrong.
        """
        at_ms = _milliseconds(at)
        if at_ms is None:
            return None
        if self.now_ms is None:
            return datetime.fromtimestamp(at_ms / 1000, UTC)
        passed = timedelta(milliseconds=max(0.0, self.now_ms - at_ms))
        return datetime.now(UTC) - passed


def _milliseconds(given: object) -> float | None:
    """Milliseconds since 1970 that are a moment of the last or next millennia."""
    return given if isinstance(given, int | float) and 0 < given < 1e14 else None
