"""Alembic's steps from each version of the schema to the next."""
