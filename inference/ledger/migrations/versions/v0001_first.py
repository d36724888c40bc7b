"""First schema: seven tables to which rows are only added."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLES = ("specimens", "photos", "sightings", "photo_links", "readings", "failures", "calls")


def upgrade() -> None:
    op.create_table(
        "failures",
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("location", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("model_version", sa.String(length=120), nullable=False),
        sa.Column("criteria_version", sa.String(length=120), nullable=False),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.CheckConstraint("kind IN ('photo', 'bug', 'killed')", name=op.f("ck_failures_kind")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_failures")),
    )
    op.create_index("ix_failures_sha256", "failures", ["sha256"], unique=False)
    op.create_table(
        "photo_links",
        sa.Column("replaces", ROW_ID, nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("specimen_id", sa.String(length=64), nullable=False),
        sa.Column("source", sa.String(length=10), nullable=False),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.CheckConstraint("source IN ('card', 'list', 'person')", name=op.f("ck_photo_links_source")),
        sa.ForeignKeyConstraint(
            ["replaces"], ["photo_links.id"], name=op.f("fk_photo_links_replaces_photo_links")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo_links")),
        sa.UniqueConstraint("replaces", name=op.f("uq_photo_links_replaces")),
    )
    op.create_index("ix_photo_links_sha256", "photo_links", ["sha256", "id"], unique=False)
    op.create_index("ix_photo_links_specimen_id", "photo_links", ["specimen_id", "id"], unique=False)
    op.create_index(
        "uq_photo_links_first",
        "photo_links",
        ["sha256"],
        unique=True,
        sqlite_where=sa.text("replaces IS NULL"),
        postgresql_where=sa.text("replaces IS NULL"),
    )
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("format", sa.String(length=8), nullable=False),
        sa.Column("picture_hash", sa.String(length=64), nullable=False),
        sa.Column("row_hash", sa.String(length=64), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
        sa.UniqueConstraint("sha256", name=op.f("uq_photos_sha256")),
    )
    op.create_table(
        "sightings",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("location", sa.Text(), nullable=False),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sightings")),
    )
    op.create_index("uq_sightings_place", "sightings", ["sha256", "location"], unique=True)
    op.create_table(
        "specimens",
        sa.Column("replaces", ROW_ID, nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.Column("specimen_id", sa.String(length=64), nullable=False),
        sa.Column("sex", sa.String(length=10), nullable=True),
        sa.Column("harvest_date", sa.String(length=10), nullable=True),
        sa.Column("area", sa.Text(), nullable=True),
        sa.Column("weight", sa.Float(), nullable=True),
        sa.Column("weight_kind", sa.String(length=10), nullable=True),
        sa.Column("weight_unit", sa.String(length=4), nullable=True),
        sa.Column("lactating", sa.Boolean(), nullable=True),
        sa.Column("points_left", sa.Integer(), nullable=True),
        sa.Column("points_right", sa.Integer(), nullable=True),
        sa.Column("beam_left_mm", sa.Float(), nullable=True),
        sa.Column("beam_right_mm", sa.Float(), nullable=True),
        sa.Column("base_left_mm", sa.Float(), nullable=True),
        sa.Column("base_right_mm", sa.Float(), nullable=True),
        sa.Column("spread_mm", sa.Float(), nullable=True),
        sa.Column("jaw_side", sa.String(length=10), nullable=True),
        sa.Column("age_years", sa.Float(), nullable=True),
        sa.Column("age_kind", sa.String(length=10), nullable=True),
        sa.Column("age_basis", sa.Text(), nullable=True),
        sa.Column("cementum_age", sa.Integer(), nullable=True),
        sa.Column("cementum_certainty", sa.String(length=1), nullable=True),
        sa.Column("cementum_low", sa.Integer(), nullable=True),
        sa.Column("cementum_high", sa.Integer(), nullable=True),
        sa.Column("disease_sample", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["replaces"], ["specimens.id"], name=op.f("fk_specimens_replaces_specimens")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_specimens")),
        sa.UniqueConstraint("replaces", name=op.f("uq_specimens_replaces")),
    )
    op.create_index("ix_specimens_specimen_id", "specimens", ["specimen_id", "id"], unique=False)
    op.create_index(
        "uq_specimens_first",
        "specimens",
        ["specimen_id"],
        unique=True,
        sqlite_where=sa.text("replaces IS NULL"),
        postgresql_where=sa.text("replaces IS NULL"),
    )
    op.create_table(
        "readings",
        sa.Column("photo_id", ROW_ID, nullable=False),
        sa.Column("tool_version", sa.String(length=120), nullable=False),
        sa.Column("model_version", sa.String(length=120), nullable=False),
        sa.Column("criteria_version", sa.String(length=120), nullable=False),
        sa.Column("outcome", sa.String(length=12), nullable=False),
        sa.Column("age_class", sa.String(length=8), nullable=True),
        sa.Column("side", sa.String(length=8), nullable=True),
        sa.Column("doubt", sa.Float(), nullable=True),
        sa.Column("reading", sa.Text(), nullable=False),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.CheckConstraint("outcome IN ('clear', 'borderline', 'retake')", name=op.f("ck_readings_outcome")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_readings_photo_id_photos")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
    )
    op.create_index("ix_readings_photo_id", "readings", ["photo_id", "id"], unique=False)
    op.create_index("ix_readings_queue", "readings", ["outcome", "doubt", "id"], unique=False)
    op.create_index(
        "uq_readings_key", "readings", ["photo_id", "model_version", "criteria_version"], unique=True
    )
    op.create_table(
        "calls",
        sa.Column("replaces", ROW_ID, nullable=True),
        sa.Column("specimen_id", sa.String(length=64), nullable=True),
        sa.Column("photo_id", ROW_ID, nullable=True),
        sa.Column("reading_id", ROW_ID, nullable=True),
        sa.Column("person", sa.String(length=120), nullable=False),
        sa.Column("experience", sa.String(length=120), nullable=True),
        sa.Column("decision", sa.String(length=10), nullable=False),
        sa.Column("age_class", sa.String(length=8), nullable=True),
        sa.Column("confidence", sa.String(length=1), nullable=True),
        sa.Column("saw", sa.String(length=10), nullable=False),
        sa.Column("saw_detail", sa.Text(), nullable=True),
        sa.Column("method", sa.String(length=120), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("decided_on", sa.String(length=32), nullable=True),
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
        sa.CheckConstraint(
            "(decision IN ('none', 'withdrawn')) = (age_class IS NULL)", name=op.f("ck_calls_age_class")
        ),
        sa.CheckConstraint("confidence IN ('H', 'M', 'L')", name=op.f("ck_calls_confidence")),
        sa.CheckConstraint(
            "decision IN ('confirmed', 'changed', 'own', 'none', 'withdrawn')", name=op.f("ck_calls_decision")
        ),
        sa.CheckConstraint("saw IN ('nothing', 'photo', 'proposal', 'jaw')", name=op.f("ck_calls_saw")),
        sa.CheckConstraint("specimen_id IS NOT NULL OR photo_id IS NOT NULL", name=op.f("ck_calls_subject")),
        sa.ForeignKeyConstraint(["photo_id"], ["photos.id"], name=op.f("fk_calls_photo_id_photos")),
        sa.ForeignKeyConstraint(["reading_id"], ["readings.id"], name=op.f("fk_calls_reading_id_readings")),
        sa.ForeignKeyConstraint(["replaces"], ["calls.id"], name=op.f("fk_calls_replaces_calls")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calls")),
        sa.UniqueConstraint("replaces", name=op.f("uq_calls_replaces")),
    )
    op.create_index("ix_calls_photo_id", "calls", ["photo_id", "id"], unique=False)
    op.create_index("ix_calls_specimen_id", "calls", ["specimen_id", "id"], unique=False)
    if op.get_bind().dialect.name == "postgresql":
        _guard_postgresql()
    else:
        _guard_sqlite()


def _guard_sqlite() -> None:
    """
    UPDATE, DELETE and the delete hidden in INSERT OR REPLACE are refused for everybody, other programs
    included.
    """
    for table in TABLES:
        words = f"'{table}: rows are only added; write a correction as a new row that replaces the old one'"
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, {words}); END"
            )
        op.execute(
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id) BEGIN SELECT RAISE(ABORT, {words}); END"
        )


def _guard_postgresql() -> None:
    op.execute(
        "CREATE FUNCTION crestgauge_append_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION '%: rows are only added; write a correction as a new row "
        "that replaces the old one', TG_TABLE_NAME; "
        "END $$"
    )
    for table in TABLES:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION crestgauge_append_only()"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION crestgauge_append_only()"
        )
