"""Which strength of a bottle counts, its balance, and for which flight a dose was taken."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add a table and two columns; bottles so far count as weighed on a 0.01 g balance."""
    op.create_table(
        "bottle_answers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bottle_id", sa.Integer(), nullable=False),
        sa.Column("measurement_id", sa.Integer(), nullable=False),
        sa.Column("answered_on", sa.Date(), nullable=False),
        sa.Column("counts", sa.Text(), nullable=False),
        sa.Column("answered_by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["bottle_id"], ["bottles.id"], name="fk_bottle_answers_bottle_id_bottles"
        ),
        sa.ForeignKeyConstraint(
            ["measurement_id"],
            ["bottle_measurements.id"],
            name="fk_bottle_answers_measurement_id_bottle_measurements",
        ),
        sa.PrimaryKeyConstraint("id", name="pk_bottle_answers"),
    )
    op.create_index("ix_bottle_answers_bottle_id", "bottle_answers", ["bottle_id"], unique=False)
    op.add_column(
        "bottles", sa.Column("balance_g", sa.Double(), nullable=False, server_default="0.01")
    )
    op.add_column("bottle_uses", sa.Column("flight", sa.Integer(), nullable=True))
