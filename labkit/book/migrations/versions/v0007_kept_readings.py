"""What was read of a coffee is kept until its scores change, so that nobody waits for it twice."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the table; it fills as coffees are read."""
    op.create_table(
        "kept_readings",
        sa.Column("coffee_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("made_from", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Text(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["coffee_id"], ["coffees.id"], name="fk_kept_readings_coffee_id_coffees"
        ),
        sa.PrimaryKeyConstraint("coffee_id", "kind", name="pk_kept_readings"),
    )
