"""What a water's salts were asked for: shares of sulfate and of potassium, or nothing."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the columns; of no water so far was anything asked."""
    for table in ("session_waters", "opened_cups"):
        for share in ("sulfate_share", "potassium_share"):
            op.add_column(table, sa.Column(share, sa.Double(), nullable=True))
