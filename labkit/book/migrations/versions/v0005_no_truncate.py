"""On a PostgreSQL server, scores cannot be emptied out in one go either."""

from __future__ import annotations

from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Refuse to truncate scores, as changing and deleting one is refused; SQLite knows no such."""
    if op.get_context().dialect.name == "postgresql":
        op.execute(
            "CREATE TRIGGER scores_refuse_truncate BEFORE TRUNCATE ON scores "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_score_change()"
        )
