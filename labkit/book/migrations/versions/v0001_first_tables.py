"""The first tables, and the rule that scores are only ever added."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make every table of version 1."""
    op.create_table(
        "bottles",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("salt", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("purity", sa.Double(), nullable=False),
        sa.Column("weighed_g", sa.Double(), nullable=False),
        sa.Column("volume_ml", sa.Double(), nullable=False),
        sa.Column("made_on", sa.Date(), nullable=False),
        sa.Column("keeper", sa.Text(), nullable=False),
        sa.Column("keeps_days", sa.Integer(), nullable=True),
        sa.Column("emptied_on", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_bottles"),
        sa.UniqueConstraint("name", name="uq_bottles_name"),
    )
    op.create_table(
        "clients",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_clients"),
        sa.UniqueConstraint("name", name="uq_clients_name"),
    )
    op.create_table(
        "lab_book",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_lab_book"),
    )
    op.create_table(
        "tasters",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tasters"),
        sa.UniqueConstraint("name", name="uq_tasters_name"),
    )
    op.create_table(
        "bottle_measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bottle_id", sa.Integer(), nullable=False),
        sa.Column("measured_on", sa.Date(), nullable=False),
        sa.Column("strength_g_l", sa.Double(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("measured_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["bottle_id"], ["bottles.id"], name="fk_bottle_measurements_bottle_id_bottles"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_bottle_measurements"),
    )
    op.create_index(
        "ix_bottle_measurements_bottle_id", "bottle_measurements", ["bottle_id"], unique=False
    )
    op.create_table(
        "coffees",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("client_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("process", sa.Text(), nullable=False),
        sa.Column("roast_level", sa.Text(), nullable=False),
        sa.Column("roast_date", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["client_id"], ["clients.id"], name="fk_coffees_client_id_clients"),
        sa.PrimaryKeyConstraint("id", name="pk_coffees"),
        sa.UniqueConstraint("client_id", "name", name="uq_coffees_client_id_name"),
    )
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("coffee_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("tasted_on", sa.Date(), nullable=False),
        sa.Column("serving", sa.Text(), nullable=False),
        sa.Column("brew_method", sa.Text(), nullable=False),
        sa.Column("stages", sa.JSON(), nullable=False),
        sa.Column("held", sa.JSON(), nullable=False),
        sa.Column("design", sa.JSON(), nullable=False),
        sa.Column("plan_notes", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["coffee_id"], ["coffees.id"], name="fk_sessions_coffee_id_coffees"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_sessions"),
        sa.UniqueConstraint("name", name="uq_sessions_name"),
    )
    op.create_index("ix_sessions_coffee_id", "sessions", ["coffee_id"], unique=False)
    op.create_table(
        "bottle_uses",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bottle_id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=True),
        sa.Column("used_on", sa.Date(), nullable=False),
        sa.Column("volume_ml", sa.Double(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["bottle_id"], ["bottles.id"], name="fk_bottle_uses_bottle_id_bottles"
        ),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_bottle_uses_session_id_sessions"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_bottle_uses"),
    )
    op.create_index("ix_bottle_uses_bottle_id", "bottle_uses", ["bottle_id"], unique=False)
    op.create_table(
        "flights",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("is_unblinded", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_flights_session_id_sessions"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_flights"),
        sa.UniqueConstraint("session_id", "number", name="uq_flights_session_id_number"),
    )
    op.create_table(
        "session_attributes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("scale", sa.Text(), nullable=False),
        sa.Column("lowest", sa.Double(), nullable=True),
        sa.Column("highest", sa.Double(), nullable=True),
        sa.Column("step", sa.Double(), nullable=True),
        sa.Column("words", sa.JSON(), nullable=False),
        sa.Column("is_middle_best", sa.Boolean(), nullable=False),
        sa.Column("choices", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_session_attributes_session_id_sessions"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_session_attributes"),
        sa.UniqueConstraint("session_id", "name", name="uq_session_attributes_session_id_name"),
    )
    op.create_table(
        "session_tasters",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("taster_id", sa.Integer(), nullable=False),
        sa.Column("link_sha256", sa.Text(), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_session_tasters_session_id_sessions"
        ),
        sa.ForeignKeyConstraint(
            ["taster_id"], ["tasters.id"], name="fk_session_tasters_taster_id_tasters"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_session_tasters"),
        sa.UniqueConstraint(
            "session_id", "taster_id", name="uq_session_tasters_session_id_taster_id"
        ),
    )
    op.create_index(
        "ix_session_tasters_link_sha256", "session_tasters", ["link_sha256"], unique=False
    )
    op.create_table(
        "session_waters",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("mg_share", sa.Double(), nullable=False),
        sa.Column("hardness_mg_l_caco3", sa.Double(), nullable=False),
        sa.Column("alkalinity_mg_l_caco3", sa.Double(), nullable=False),
        sa.Column("is_control", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_session_waters_session_id_sessions"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_session_waters"),
        sa.UniqueConstraint("session_id", "label", name="uq_session_waters_session_id_label"),
    )
    op.create_table(
        "cups",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("flight_id", sa.Integer(), nullable=False),
        sa.Column("blind_code", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["flight_id"], ["flights.id"], name="fk_cups_flight_id_flights"),
        sa.PrimaryKeyConstraint("id", name="pk_cups"),
        sa.UniqueConstraint("flight_id", "blind_code", name="uq_cups_flight_id_blind_code"),
    )
    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("session_id", sa.Integer(), nullable=False),
        sa.Column("flight_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("done_by", sa.Text(), nullable=False),
        sa.Column("happened_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["flight_id"], ["flights.id"], name="fk_events_flight_id_flights"),
        sa.ForeignKeyConstraint(
            ["session_id"], ["sessions.id"], name="fk_events_session_id_sessions"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
    )
    op.create_index("ix_events_session_id", "events", ["session_id"], unique=False)
    op.create_table(
        "sealed_keys",
        sa.Column("flight_id", sa.Integer(), nullable=False),
        sa.Column("sealed_for", sa.Text(), nullable=False),
        sa.Column("token", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["flight_id"], ["flights.id"], name="fk_sealed_keys_flight_id_flights"
        ),
        sa.PrimaryKeyConstraint("flight_id", name="pk_sealed_keys"),
    )
    op.create_table(
        "opened_cups",
        sa.Column("cup_id", sa.Integer(), nullable=False),
        sa.Column("jug", sa.Text(), nullable=False),
        sa.Column("bowl", sa.Text(), nullable=False),
        sa.Column("water", sa.Text(), nullable=False),
        sa.Column("mg_share", sa.Double(), nullable=False),
        sa.Column("hardness_mg_l_caco3", sa.Double(), nullable=False),
        sa.Column("alkalinity_mg_l_caco3", sa.Double(), nullable=False),
        sa.Column("is_control", sa.Boolean(), nullable=False),
        sa.Column("is_duplicate", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["cup_id"], ["cups.id"], name="fk_opened_cups_cup_id_cups"),
        sa.PrimaryKeyConstraint("cup_id", name="pk_opened_cups"),
    )
    op.create_table(
        "servings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("flight_id", sa.Integer(), nullable=False),
        sa.Column("taster_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("cup_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["cup_id"], ["cups.id"], name="fk_servings_cup_id_cups"),
        sa.ForeignKeyConstraint(
            ["flight_id"], ["flights.id"], name="fk_servings_flight_id_flights"
        ),
        sa.ForeignKeyConstraint(
            ["taster_id"], ["tasters.id"], name="fk_servings_taster_id_tasters"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_servings"),
        sa.UniqueConstraint(
            "flight_id", "taster_id", "position", name="uq_servings_flight_id_taster_id_position"
        ),
    )
    op.create_index("ix_servings_cup_id", "servings", ["cup_id"], unique=False)
    op.create_index("ix_servings_taster_id", "servings", ["taster_id"], unique=False)
    op.create_table(
        "scores",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Text(), nullable=False),
        sa.Column("serving_id", sa.Integer(), nullable=False),
        sa.Column("attribute_id", sa.Integer(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("is_cleared", sa.Boolean(), nullable=False),
        sa.Column("given_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("entered_by", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["attribute_id"],
            ["session_attributes.id"],
            name="fk_scores_attribute_id_session_attributes",
        ),
        sa.ForeignKeyConstraint(
            ["serving_id"], ["servings.id"], name="fk_scores_serving_id_servings"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_scores"),
        sa.UniqueConstraint("entry_id", name="uq_scores_entry_id"),
    )
    op.create_index(
        "ix_scores_current", "scores", ["serving_id", "attribute_id", "stage", "id"], unique=False
    )
    _refuse_changes_to_scores()


def _refuse_changes_to_scores() -> None:
    """Make the database itself refuse to change or drop a score, whoever asks."""
    if op.get_context().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER scores_refuse_{verb.lower()} BEFORE {verb} ON scores "
                "BEGIN SELECT RAISE(ABORT, 'scores are only ever added'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION refuse_score_change() RETURNS trigger LANGUAGE plpgsql AS $$ "
        "BEGIN RAISE EXCEPTION 'scores are only ever added'; END $$"
    )
    op.execute(
        "CREATE TRIGGER scores_refuse_change BEFORE UPDATE OR DELETE ON scores "
        "FOR EACH ROW EXECUTE FUNCTION refuse_score_change()"
    )
