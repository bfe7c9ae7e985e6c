"""How Alembic runs here: on the connection that the lab book hands over, in its transaction."""

from __future__ import annotations

from alembic import context

from labkit.book.store.schema import Base

# The name under which Alembic loads this file; any other import (doctest's) must do nothing.
if __name__ == "env_py":
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=Base.metadata,
        # SQLite cannot alter most of a table in place; Alembic then copies it.
        render_as_batch=True,
    )
    context.run_migrations()
