"""Doses of a flight are sealed to its key, and until it opens a bound stands on the shelf."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add a table and two columns; keys so far take no doses, and doses so far stay as written."""
    op.create_table(
        "sealed_doses",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("flight_id", sa.Integer(), nullable=False),
        sa.Column("used_on", sa.Date(), nullable=False),
        sa.Column("token", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["flight_id"], ["flights.id"], name="fk_sealed_doses_flight_id_flights"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_sealed_doses"),
    )
    op.create_index("ix_sealed_doses_flight_id", "sealed_doses", ["flight_id"], unique=False)
    op.add_column("sealed_keys", sa.Column("dose_lock", sa.LargeBinary(), nullable=True))
    op.add_column(
        "bottle_uses",
        sa.Column("is_bound", sa.Boolean(), nullable=False, server_default=sa.false()),
    )
