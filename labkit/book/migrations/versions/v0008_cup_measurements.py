"""What was measured in a cup: strength, beverage, dose, temperature, pH."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "cup_measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("cup_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("measured_by", sa.Text(), nullable=False),
        sa.Column("entered_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("is_key_open", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["cup_id"], ["cups.id"], name="fk_cup_measurements_cup_id_cups"),
        sa.PrimaryKeyConstraint("id", name="pk_cup_measurements"),
    )
    op.create_index("ix_cup_measurements_cup_id", "cup_measurements", ["cup_id"], unique=False)
