"""Waters to start from, and how far a measured strength can be trusted."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add a table and a column."""
    op.create_table(
        "base_waters",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sampled_on", sa.Date(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("analysis", sa.JSON(), nullable=False),
        sa.Column("fill_gap", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["client_id"], ["clients.id"], name="fk_base_waters_client_id_clients"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_base_waters"),
        sa.UniqueConstraint("name", name="uq_base_waters_name"),
    )
    op.add_column(
        "bottle_measurements", sa.Column("uncertainty_percent", sa.Double(), nullable=True)
    )
