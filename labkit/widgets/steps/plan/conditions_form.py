"""What is held constant while only the water changes: remembered, and a note where it changes."""

from __future__ import annotations

import html
from collections.abc import Callable
from dataclasses import fields as fields_of
from dataclasses import replace
from datetime import date
from typing import Any, get_args

import ipywidgets as widgets

from labkit.book import BrewMethod, Held, LabBook, TastingSession
from labkit.errors import BookError
from labkit.language import LANGUAGES
from labkit.present import say
from labkit.tasting import Change, ChangeKind, Vessels, compare_conditions
from labkit.water import StartWater
from labkit.widgets.parts import fields
from labkit.widgets.parts.fields import Form, said
from labkit.workflow import Usual

_LABELS = {
    "roast_date": "Roast date",
    "dose_g": "Dose (g)",
    "brew_ratio_g_l": "Brew ratio (g/L)",
    "grind": "Grind",
    "water_temperature_c": "Water temperature (°C)",
    "contact_time_s": "Contact time (s)",
    "vessel": "Vessel",
    "lead": "Lead",
    "preparer": "Preparer",
    "language": "Language of the score sheets",
}
_OF_WATER = ("base_water", "base_share_percent")
_NUMBERS = ("dose_g", "brew_ratio_g_l", "water_temperature_c", "contact_time_s")


class ConditionsForm(Form):
    """What is held constant, folded; it starts from the coffee's last session.

    Parameters
    ----------
    book : LabBook
        Where the last session is remembered.
    serving : callable
        Says how the session planned is served.
    start : callable
        Gives the water that the doses go into.
    """

    def __init__(
        self,
        book: LabBook,
        serving: Callable[[], Vessels],
        start: Callable[[], StartWater] = StartWater,
    ) -> None:
        self._book, self._serving, self._start = book, serving, start
        self._last: TastingSession | None = None
        made: dict[str, widgets.Widget] = {
            "brew_method": fields.choice("Brewed as", get_args(BrewMethod), "cupping"),
            "roast_date": fields.day(_LABELS["roast_date"]),
        }
        languages = [("each taster's own", "")]
        languages += [(language.name, code) for code, language in LANGUAGES.items()]
        for name, label in _LABELS.items():
            if name not in made:
                is_choice = name == "language"
                made[name] = (
                    fields.choice(label, languages, "") if is_choice else fields.text(label)
                )
        super().__init__({}, folded=made, fold_title="What is held constant")
        self.compute_with(self._notes_of_change)

    def begin_from(self, usual: Usual | None) -> None:
        """Start from what is usual for a coffee: its last session, or else its roast."""
        self._last = usual.last if usual else None
        held, brewed = (usual.held, usual.brew_method) if usual else (Held(), "cupping")
        if usual is not None and usual.last is None and usual.before is not None:
            # As the lab last brewed, whatever coffee: the roast and the water are this one's own.
            own = {name: getattr(held, name) for name in ("roast_date", *_OF_WATER)}
            held, brewed = replace(usual.before.held, **own), usual.before.brew_method
        self.fields["brew_method"].value = brewed
        for name in _LABELS:
            kept = getattr(held, name)
            if name == "roast_date":
                self.fields[name].value = kept
            elif name == "language":
                self.fields[name].value = kept if kept in LANGUAGES else ""
            else:
                self.fields[name].value = f"{kept:g}" if isinstance(kept, float) else kept or ""
        self.refresh()

    @property
    def held(self) -> Held:
        """What is held, as it stands in the form.

        Raises
        ------
        LabkitError
            If a number cannot be read, or the base water makes no sense.
        """
        now = self.values()
        now.pop("brew_method")
        start = self._start()
        now |= {"base_water": start.name, "base_share_percent": start.share_percent}
        for name in _NUMBERS:
            now[name] = _number(name, now[name])
        return Held(**{field.name: now[field.name] for field in fields_of(Held)})

    def _notes_of_change(self, *, brew_method: BrewMethod, **_typed: Any) -> str:
        held = self.held
        if self._last is None:
            return said(
                "No earlier session of this coffee: note what will be held, so that the next day "
                "can be alike."
            )
        now = replace(
            self._last,
            name="this session",
            tasted_on=date.today(),
            brew_method=brew_method,
            serving=self._serving(),
            held=held,
        )
        return _changes(compare_conditions(self._last, now), self._last.name)


def _changes(changes: tuple[Change, ...], last: str) -> str:
    """What changed in sight; what one session did not record, folded."""
    unseen = [say(change) for change in changes if change.kind is ChangeKind.UNRECORDED]
    seen = [say(change) for change in changes if change.kind is not ChangeKind.UNRECORDED]
    shown = "".join(f"<li>{html.escape(text)}</li>" for text in seen)
    folded = "".join(f"<li>{html.escape(text)}</li>" for text in unseen)
    parts = [f"<b>Changed since the last session:</b><ul>{shown}</ul>"] if seen else []
    if unseen:
        parts.append(
            f"<details><summary>{len(unseen)} conditions are not recorded</summary>"
            f"<ul>{folded}</ul></details>"
        )
    if not parts:
        return said(f"Everything is as in '{last}'.")
    return f'<div role="status" style="max-width:46rem;line-height:1.4">{"".join(parts)}</div>'


def _number(name: str, typed: str) -> float | None:
    text = typed.strip().replace(",", ".")
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 < number < 1e5:
        raise BookError(
            f"{name} must be a number above 0, got {typed!r}. Leave it empty if unknown.",
            field=name,
        )
    return number
