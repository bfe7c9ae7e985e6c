"""Forms at the balance and at the jug: what to weigh, how strong it became, what to pour."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from html import escape
from typing import Any

from labkit.water import (
    CAUTIONS,
    PURE_WATER,
    SALTS,
    Concentrate,
    Target,
    Water,
    grams_to_weigh,
    mix,
    salt,
)
from labkit.widgets import fields
from labkit.widgets.fields import Form, as_html, said


def cautions_html(situation: str) -> str:
    """The cautions for a situation as a short list, to stand beside masses and doses."""
    items = "".join(f"<li>{escape(sentence)}</li>" for sentence in CAUTIONS[situation])
    return (
        '<div role="note" style="max-width:46rem;border-left:.3rem solid currentColor;'
        'padding:.2rem 0 .2rem .8rem;margin:.6rem 0"><b>Before you handle it</b>'
        f'<ul style="margin:.2rem 0 0 0;padding-left:1.1rem;line-height:1.4">{items}</ul></div>'
    )


class ConcentrateForm(Form):
    """One bottle: grams to weigh for a wanted strength, and the strength really weighed.

    Parameters
    ----------
    keep : callable, optional
        Takes the bottle's name, then salt, purity, weighed_g and volume_ml as keywords, and stores
        it (``book.add_bottle``); called when the button is pressed.
    """

    def __init__(self, keep: Callable[..., Any] | None = None) -> None:
        self._keep = keep
        self._button = fields.button("Keep this bottle in the lab book", main=True)
        self._button.on_click(lambda _b: self._store())
        labels = [(f"{s.name} ({label})", label) for label, s in SALTS.items()]
        super().__init__(
            {
                "salt_label": fields.choice("Salt, as the label says", labels, "CaCl2·2H2O"),
                "volume_ml": fields.number("Bottle, made up to (mL)", 1000.0),
                "weighed_g": fields.number("Really weighed (g)", 0.0, step=0.01),
            },
            folded={
                "purity": fields.number("Purity on the label (0 to 1)", 1.0, step=0.001),
                "strength_mg_l_caco3_per_ml": fields.number(
                    "1 mL in 1 L adds (mg/L CaCO3)", 1.0, step=0.1
                ),
                "name": fields.text("Name on the bottle", placeholder="calcium, magnesium, ..."),
            },
            fold_title="Strength, purity, name",
            buttons=[self._button] if keep else [],
        )
        self.compute_with(self._describe)

    @property
    def bottle(self) -> Concentrate:
        """The bottle as weighed.

        Raises
        ------
        LabkitError
            If what stands in the form is no bottle.
        """
        now = self.values()
        return Concentrate.from_weighing(
            salt=salt(now["salt_label"]),
            weighed_g=now["weighed_g"],
            volume_ml=now["volume_ml"],
            purity=now["purity"],
            name=now["name"].strip(),
        )

    def _describe(
        self,
        salt_label: str,
        volume_ml: float,
        weighed_g: float,
        purity: float,
        strength_mg_l_caco3_per_ml: float,
        name: str,
    ) -> list[Any]:
        grams = grams_to_weigh(
            salt=salt(salt_label),
            volume_ml=volume_ml,
            strength_mg_l_caco3_per_ml=strength_mg_l_caco3_per_ml,
            purity=purity,
        )
        shown: list[Any] = [
            '<p style="font-size:1.3em;margin:.5rem 0">Weigh '
            f"<b>{grams:.3f} g</b> of {escape(salt_label)}, dissolve it in part of the water, "
            f"make up to <b>{volume_ml:g} mL</b>.</p>",
            cautions_html("weighing"),
        ]
        if weighed_g:
            shown.append(self.bottle)
        return shown

    def _store(self) -> None:
        now = self.values()
        if not now["weighed_g"]:
            self.message.value = said(
                "type what you really weighed first; the bottle is kept as it is, not as planned.",
                wrong=True,
            )
            return
        keep = self._keep
        assert keep is not None  # the button exists only with it
        name = now["name"].strip() or f"{now['salt_label']}, {date.today():%Y-%m-%d}"
        done, _ = self.attempt(
            lambda: keep(
                name,
                salt=now["salt_label"],
                purity=now["purity"],
                weighed_g=now["weighed_g"],
                volume_ml=now["volume_ml"],
            )
        )
        if done:
            self.fields["weighed_g"].value = 0.0  # a second press cannot keep it twice
            self.say(f"Kept as «{name}»: {now['weighed_g']:g} g in {now['volume_ml']:g} mL.")


class JugForm(Form):
    """One jug: mL of each concentrate for a wanted water, and the water really reached.

    Parameters
    ----------
    concentrates : sequence of Concentrate or callable
        The bottles at hand, or what fetches them.
    base : Water
        What the doses go into.
    """

    def __init__(
        self,
        concentrates: Sequence[Concentrate] | Callable[[], Sequence[Concentrate]],
        *,
        base: Water = PURE_WATER,
    ) -> None:
        self._concentrates = concentrates
        self._base = base
        super().__init__(
            {
                "mg_share": fields.number("Mg share of hardness (0 to 1)", 0.5, step=0.05),
                "hardness_mg_l_caco3": fields.number("Hardness (mg/L CaCO3)", 80.0, step=10),
                "alkalinity_mg_l_caco3": fields.number("Alkalinity (mg/L CaCO3)", 40.0, step=5),
            },
            folded={
                "volume_ml": fields.number("Jug, made up to (mL)", 1000.0, step=100),
                "pipette_ml": fields.choice(
                    "Smallest step of the pipette",
                    [(f"{step:g} mL", step) for step in (0.01, 0.05, 0.1, 0.5, 1.0)],
                    0.1,
                ),
            },
            fold_title="Jug and pipette",
        )
        self.compute_with(self._mix)

    def _mix(self, *, volume_ml: float, pipette_ml: float, **coordinates: float) -> list[Any]:
        at_hand = self._concentrates() if callable(self._concentrates) else self._concentrates
        target = Target(**coordinates)
        mixing = mix(target, at_hand, volume_ml=volume_ml, base=self._base, pipette_ml=pipette_ml)
        ions = as_html(mixing.reached)
        return [mixing, f"<details><summary>All ions of this water</summary>{ions}</details>"]


__all__ = ["ConcentrateForm", "JugForm", "cautions_html"]
