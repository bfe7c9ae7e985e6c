"""A recipe card as the files that are handed over: A4 page, phone page, CSV and JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from labkit.bench.paper.card_table import check_recipes, table_of
from labkit.bench.paper.cards import card_page, card_texts, usual_base_name
from labkit.bench.paper.sheet import Sheet
from labkit.book import frame_csv
from labkit.boundary import checked
from labkit.errors import SheetError
from labkit.present import CAUTIONS, cautions_for
from labkit.release import made_with
from labkit.water import DROP_KITS, DropKit, Recipe, TankMixing, portray


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFiles:
    """One recipe card in every form that it is handed over in."""

    name: str
    """What the water is called."""

    a4: Sheet
    """For paper, A4 or Letter: the card, and a log for the batches made by it."""

    phone: Sheet
    """For the width of a phone."""

    text: str
    """As plain text; the paper's QR code holds as much of it as it can, which a phone shows without
    any server."""

    table: pd.DataFrame
    """Everything on the card, a row a figure."""

    csv: str
    """The table as CSV."""

    json: str
    """The table as JSON, with what the water is called, made from and made for."""

    def _repr_html_(self) -> str:
        return self.a4._repr_html_()


@checked(SheetError)
def card_files(
    recipes: Sequence[Recipe],
    *,
    name: str,
    made_for: str = "",
    base_name: str = "",
    kits: Sequence[DropKit] | None = None,
    tds_factor: float | None = None,
    differs: Sequence[str] = (),
    known: Sequence[str] = (),
    lab_book: str = "",
) -> CardFiles:
    """A card in every form that it is handed over in.

    Parameters
    ----------
    recipes : sequence of Recipe
        One water in one volume or several.
    name : str
        What to call the water.
    made_for : str
        Coffee, client or machine it is for.
    base_name : str
        What the base water is called there; pure or base water if not given.
    kits : sequence of DropKit, optional
        The drop kits at that place; one of 1 °dH a drop if not given.
    tds_factor : float, optional
        Factor of a meter that shows dissolved solids (mg/L per µS/cm), from its manual.
    differs : sequence of str
        How this water differs from the one that was tasted, in sentences.
    known : sequence of str
        What the scores tell of this water and what they do not, in sentences.
    lab_book : str
        Name of the lab book, for the footer.

    Returns
    -------
    CardFiles
        All forms hold the same figures.
    """
    chosen = [next(iter(DROP_KITS.values()))] if kits is None else list(kits)
    check_recipes(recipes)
    portrait = portray(recipes[-1].reached)
    table = table_of(recipes, portrait, kits=chosen, tds_factor=tds_factor)
    pages: tuple[Literal["A4", "phone"], ...] = ("A4", "phone")
    a4, phone = (
        card_page(
            recipes,
            portrait,
            table,
            name=name,
            made_for=made_for,
            base_name=base_name,
            page=page,
            differs=differs,
            known=known,
            lab_book=lab_book,
        )
        for page in pages
    )
    last = recipes[-1]
    head = {
        "name": name,
        "made_for": made_for,
        "made_from": base_name or usual_base_name(last),
        "wanted": {
            "mg_share": last.target.mg_share,
            "hardness_mg_l_caco3": last.target.hardness_mg_l_caco3,
            "alkalinity_mg_l_caco3": last.target.alkalinity_mg_l_caco3,
            **last.target.salt_shares,
        },
        "differs": list(differs),
        "known": list(known),
        "cautions": [
            *cautions_for("tank" if isinstance(last, TankMixing) else "mixing", [last]),
            *CAUTIONS["testing"],
            *CAUTIONS["machine"],
        ],
        "made_with": made_with(),
    }
    rows = json.loads(table.to_json(orient="records", double_precision=15))
    return CardFiles(
        name=name,
        a4=a4,
        phone=phone,
        text=card_texts(recipes, table, name=name, made_for=made_for, base_name=base_name)[0],
        table=table,
        csv=frame_csv(table),
        json=json.dumps(head | {"rows": rows}, ensure_ascii=False, indent=1),
    )
