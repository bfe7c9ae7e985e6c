"""The scores frame: the table that the lab book gives out, and that analysis reads.

Its columns stand here, below both, as neither may know the other.
"""

from __future__ import annotations

from typing import Final

SCORES_COLUMNS: Final = (
    "client",
    "coffee",
    "session",
    "flight",
    "taster",
    "position",
    "blind_code",
    "jug",
    "water",
    "attribute",
    "scale",
    "score",
    "stage",
    "mg_share",
    "hardness_mg_l_caco3",
    "alkalinity_mg_l_caco3",
    "is_control",
    "is_duplicate",
    "serving",
    "brew_method",
    "given_at",
    "strength_percent",
    "extraction_percent",
    "sulfate_share",
    "potassium_share",
)
"""Columns of the frame, one row a score; hardness and alkalinity in mg/L as CaCO3. Brew strength
and extraction yield are those of the cup, NaN where nobody measured them; the shares of the salts
are NaN where none was asked for."""
