"""What is said of doses: how a jug or a tank is made, and what another salt changes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from labkit.present.asked import remarks, say, to_html
from labkit.present.bottles import may_cloud
from labkit.present.cautions import cautions_for
from labkit.present.html import beware, notes, table
from labkit.water import (
    NOTABLE_STEP_PERCENT,
    SALT_SHARE,
    DayBatch,
    Dose,
    IonChange,
    Mixing,
    Reach,
    Spread,
    TankMixing,
    Target,
    Water,
    WaterTable,
    digits_of,
    figure,
    ion_table,
    litres,
    percent,
    share_text,
    up,
)

_ORDER: Final = (
    "Pour most of the water first, then bottle after bottle, bicarbonate last; swirl each time."
)
"""Calcium and bicarbonate meet only when both are thin."""

_MADE_TO: Final = 1
"""Decimals of what doses make (mg/L as CaCO3, %): finer than any drop test, none for show."""

ROWS_SHOWN: Final = 12
"""Rows of a table that a notebook shows."""

_TITLES: Final = {
    "mg_share": "Mg share",
    "hardness_mg_l_caco3": "hardness, mg/L as CaCO3",
    "alkalinity_mg_l_caco3": "alkalinity, mg/L as CaCO3",
    "charge_balance_meq_l": "charge balance, meq/L",
    "sum_of_ions_mg_l": "sum of ions, mg/L",
    "dry_residue_180c_mg_l": "dry residue, mg/L",
}


@remarks.register
def _mixing_remarks(mixing: Mixing) -> tuple[str, ...]:
    coarse = tuple(_coarse(mixing, dose) for dose in mixing.coarse)
    return (*coarse, *map(may_cloud, mixing.clouding))


def _coarse(mixing: Mixing, dose: Dose) -> str:
    step, name = "balance" if mixing.balance_g is not None else "pipette", dose.concentrate.name
    if not dose.volume_ml:
        return (
            f"The dose of {name} ({dose.exact_ml:.3f} mL) is below the {step}'s step: "
            f"{_more(mixing)}, or use a weaker bottle."
        )
    return (
        f"One step of the {step} is {mixing.step_percent(dose):.0f} % of the dose of {name}: "
        f"{_more(mixing)}, use a weaker bottle, or a finer tool."
    )


def _more(mixing: Mixing) -> str:
    """The volume at which the tool tells every dose well enough."""
    enough = mixing.mending_volume_ml or mixing.volume_ml
    return f"mix at least {enough:.0f} mL, where it is {NOTABLE_STEP_PERCENT:g} %"


@to_html.register
def _mixing(mixing: Mixing) -> str:
    rows = [(dose.concentrate.name, _amount(mixing, dose)) for dose in mixing.in_order]
    rows += [(name, litres(ml)) for name, ml in mixing.base_parts]
    total = "made up to" if mixing.filling == "made up to" else "gives"
    rows.append((total, f"{figure(mixing.volume_ml, 6)} mL"))
    return (
        table(f"Mix: {say(mixing.target)}", ("pour", "amount"), rows)
        + _reached(mixing.target, mixing.reached, mixing.uncertainty)
        + notes((_ORDER, *remarks(mixing)))
        + beware(cautions_for("mixing", [mixing]))
    )


def _amount(mixing: Mixing, dose: Dose) -> str:
    if mixing.balance_g is not None:
        return f"{dose.mass_g:.{digits_of(mixing.balance_g)}f} g"
    return f"{ml_of(mixing, dose)} mL"


def ml_of(mixing: Mixing, dose: Dose) -> str:
    """A dose in mL to the pipette's last digit, as form and paper print it.

    Parameters
    ----------
    mixing : Mixing
        One water.
    dose : Dose
        One of its doses.
    """
    return f"{dose.volume_ml:.{digits_of(mixing.pipette_ml)}f}"


def made_figures(water: Water | Target) -> dict[str, str]:
    """What doses make, as form and paper state it: ``hardness``, ``alkalinity``, ``Mg share, %``.

    Parameters
    ----------
    water : Water or Target
        As reached with the rounded doses, or as wanted.

    Returns
    -------
    dict of str to str
        Hardness and alkalinity in mg/L as CaCO3.
    """
    return {
        "hardness": f"{water.hardness_mg_l_caco3:.{_MADE_TO}f}",
        "alkalinity": f"{water.alkalinity_mg_l_caco3:.{_MADE_TO}f}",
        "Mg share, %": f"{100 * water.mg_share:.{_MADE_TO}f}",
    }


def _reached(target: Target, reached: Water, uncertainty: Spread) -> str:
    """The wanted and the reached water side by side."""
    got = made_figures(reached)
    rows = [
        (
            "hardness, mg/L as CaCO3",
            target.hardness_mg_l_caco3,
            got["hardness"],
            uncertainty.hardness_mg_l_caco3,
        ),
        (
            "alkalinity, mg/L as CaCO3",
            target.alkalinity_mg_l_caco3,
            got["alkalinity"],
            uncertainty.alkalinity_mg_l_caco3,
        ),
    ]
    if target.hardness_mg_l_caco3:
        share = (100 * target.mg_share, got["Mg share, %"], 100 * uncertainty.mg_share)
        rows.append(("Mg share, %", *share))
    asked = [
        (f"{SALT_SHARE[name].words}, %", f"{100 * share:.1f}", f"{100 * got:.1f}", "")
        for name, share in target.salt_shares.items()
        for got in [reached.salt_shares[name]]
    ]
    return table(
        "Water reached",
        ("", "wanted", "reached", "± (95 %)"),
        [
            (name, f"{wanted:.{_MADE_TO}f}", stated, f"{spread:.{_MADE_TO}f}")
            for name, wanted, stated, spread in rows
        ]
        + asked,
    )


@to_html.register
def _batch(batch: DayBatch) -> str:
    """Base waters, then bottle after bottle, then each water as it comes out."""
    jugs = list(batch.jugs)
    first = next(iter(batch.jugs.values()))
    rows = [
        (
            f"{n}. {one.bottle.name}",
            *(_amount(first, doses[name]) if name in doses else "" for name in jugs),
            f"{figure(one.total_ml, 5)} mL",
        )
        for n, one in enumerate(batch.rounds, start=1)
        for doses in [dict(one.doses)]
    ]
    for part, total in batch.base_parts:
        poured = [dict(mixing.base_parts).get(part) for mixing in batch.jugs.values()]
        amounts = ("" if ml is None else litres(ml) for ml in poured)
        rows.append((part, *amounts, litres(total)))
    reached = [
        (name, f"{figure(mixing.volume_ml, 6)} mL", *made_figures(mixing.reached).values())
        for name, mixing in batch.jugs.items()
    ]
    said = {remark: None for mixing in batch.jugs.values() for remark in remarks(mixing)}
    order = (
        "Pour most of the water into every jug first. Then one bottle into all jugs, the smallest "
        f"dose first, and rinse the pipette before the next: {batch.rinses} times. Swirl each time."
    )
    return (
        table("Mix together", ("pour", *jugs, "in all"), rows)
        + table("Waters reached", ("", "volume", "hardness", "alkalinity", "Mg share, %"), reached)
        + notes((order, *said))
        + beware(cautions_for("mixing", list(batch.jugs.values())))
    )


@remarks.register
def _tank_remarks(tank: TankMixing) -> tuple[str, ...]:
    standing = tuple(map(may_cloud, tank.clouding))
    mend, worst = tank.mending_volume_l, tank.smallest
    if mend is None or worst is None:
        return standing
    return (
        f"One digit of the balance is {100 * tank.balance_g / worst.exact_g:.0f} % of the "
        f"{worst.exact_g:.{digits_of(tank.balance_g) + 1}f} g of {worst.salt.label}: make at "
        f"least {figure(up(mend), 2)} L, weigh on a finer balance, or use a concentrate.",
        *standing,
    )


@to_html.register
def _tank(tank: TankMixing) -> str:
    digits = digits_of(tank.balance_g)
    rows = [(p.salt.label, f"{p.mass_g:.{digits}f} g") for p in tank.portions if p.exact_g]
    rows += [(name, litres(ml)) for name, ml in tank.base_parts if len(tank.base_parts) > 1]
    rows.append(("water", f"to make {figure(tank.volume_l, 4)} L"))
    return (
        table(f"Weigh into the tank: {say(tank.target)}", ("", "amount"), rows)
        + _reached(tank.target, tank.reached, tank.uncertainty)
        + notes(remarks(tank))
        + beware(cautions_for("tank", [tank]))
    )


@to_html.register
def _waters(waters: WaterTable) -> str:
    return _columns(f"{len(waters)} waters", waters.composition())


def _columns(caption: str, columns: dict[str, NDArray[np.float64]]) -> str:
    length = len(next(iter(columns.values())))
    shown = min(length, ROWS_SHOWN)
    rows = [(n, *(figure(float(column[n])) for column in columns.values())) for n in range(shown)]
    said = [f"{length - shown} more rows are not shown."] if length > shown else []
    head = [_TITLES.get(name, name.replace("_", " ")) for name in columns]
    return table(caption, ("", *head), rows) + notes(said)


@remarks.register
def _reach_remarks(reach: Reach) -> tuple[str, ...]:
    """How far the water to make lies from the wanted one; nothing if it is the same."""
    if reach.is_exact:
        return ()
    got, wanted = reach.target, reach.wanted
    parts = [
        _step("hardness", got.hardness_mg_l_caco3, wanted.hardness_mg_l_caco3),
        _step("alkalinity", got.alkalinity_mg_l_caco3, wanted.alkalinity_mg_l_caco3),
    ]
    if abs(got.mg_share - wanted.mg_share) >= 0.005 and got.hardness_mg_l_caco3 > 0:
        parts.append(f"Mg share {percent(got.mg_share)} instead of {percent(wanted.mg_share)}")
    parts += [
        f"{share_text(name, got.salt_shares[name])} instead of {share_text(name, share)}"
        for name, share in wanted.salt_shares.items()
        if name in got.salt_shares and abs(got.salt_shares[name] - share) >= 0.005
    ]
    said = "; ".join(part for part in parts if part)
    return (f"The wanted water is out of reach: the nearest within reach has {said}.",)


def _step(name: str, got: float, wanted: float) -> str:
    if abs(got - wanted) < 0.05:
        return ""
    side = "more" if got > wanted else "less"
    return (
        f"{name} {figure(got)} mg/L as CaCO3, {figure(abs(got - wanted), 2)} {side} than the "
        f"{figure(wanted)} wanted"
    )


@say.register
def _change(change: IonChange) -> str:
    name = ion_table()[change.symbol].name
    gone = change.instead_of
    if gone is None:
        more = "more" if change.after_mg_l > change.before_mg_l else "less"
        return f"{name.capitalize()} {more}: {_amounts(change)}."
    lost = ion_table()[gone.symbol].name
    return (
        f"{name.capitalize()} instead of {lost}: {name} {_amounts(change)}, "
        f"{lost} {_amounts(gone)}."
    )


def _amounts(change: IonChange) -> str:
    return f"{change.before_mg_l:.0f} to {change.after_mg_l:.0f} mg/L"


def taste_may_differ(changes: Sequence[IonChange]) -> tuple[str, ...]:
    """What another salt changes, a sentence each, and that the taste may differ; none if nothing.

    Parameters
    ----------
    changes : sequence of IonChange
        As :func:`labkit.water.differences` finds them.
    """
    if not changes:
        return ()
    return (
        *map(say, changes),
        "The two waters were not tasted against each other, and may taste different: a triangle "
        "test tells.",
    )
