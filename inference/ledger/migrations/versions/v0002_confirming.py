"""Measurements by people, second readers, settlements; an index that holds all that a queue shows."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TABLES = ("measurements", "second_reads", "settlements")


def upgrade() -> None:
    op.create_table(
        "measurements",
        sa.Column("replaces", ROW_ID, nullable=True),
        sa.Column("reading_id", ROW_ID, nullable=False),
        sa.Column("person", sa.String(length=120), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("tooth", sa.Integer(), nullable=True),
        sa.Column("lobe", sa.Integer(), nullable=True),
        sa.Column("value", sa.Text(), nullable=False),
        *_stamp(),
        sa.CheckConstraint(
            "kind IN ('edges', 'crest', 'tooth', 'side', 'ruler')", name=op.f("ck_measurements_kind")
        ),
        sa.CheckConstraint(
            "(kind IN ('edges', 'crest')) = (lobe IS NOT NULL)", name=op.f("ck_measurements_lobe")
        ),
        sa.CheckConstraint(
            "(kind IN ('side', 'ruler')) = (tooth IS NULL)", name=op.f("ck_measurements_tooth")
        ),
        *_keys("measurements", reading_id="readings"),
    )
    op.create_index("ix_measurements_reading_id", "measurements", ["reading_id", "id"], unique=False)
    op.create_table(
        "second_reads",
        sa.Column("replaces", ROW_ID, nullable=True),
        sa.Column("photo_id", ROW_ID, nullable=False),
        sa.Column("person", sa.String(length=120), nullable=False),
        sa.Column("wanted", sa.Boolean(), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        *_stamp(),
        *_keys("second_reads", photo_id="photos"),
    )
    op.create_index("ix_second_reads_photo_id", "second_reads", ["photo_id", "id"], unique=False)
    op.create_table(
        "settlements",
        sa.Column("replaces", ROW_ID, nullable=True),
        sa.Column("photo_id", ROW_ID, nullable=False),
        sa.Column("person", sa.String(length=120), nullable=False),
        sa.Column("call_id", ROW_ID, nullable=False),
        sa.Column("first_call_id", ROW_ID, nullable=False),
        sa.Column("second_call_id", ROW_ID, nullable=False),
        *_stamp(),
        sa.CheckConstraint(
            "call_id <> first_call_id AND call_id <> second_call_id AND first_call_id <> second_call_id",
            name=op.f("ck_settlements_three_calls"),
        ),
        *_keys(
            "settlements",
            photo_id="photos",
            call_id="calls",
            first_call_id="calls",
            second_call_id="calls",
        ),
    )
    op.create_index("ix_settlements_photo_id", "settlements", ["photo_id", "id"], unique=False)
    op.drop_index("ix_readings_queue", table_name="readings")
    op.create_index(
        "ix_readings_queue_page",
        "readings",
        ["outcome", "doubt", "id", "photo_id", "age_class", "side", "model_version", "criteria_version"],
        unique=False,
    )
    if op.get_bind().dialect.name == "postgresql":
        _guard_postgresql()
    else:
        _guard_sqlite()


def _stamp() -> list[sa.Column[object]]:
    return [
        sa.Column("id", ROW_ID, autoincrement=True, nullable=False),
        sa.Column("recorded_at", sa.String(length=32), nullable=False),
        sa.Column("recorded_by", sa.String(length=120), nullable=False),
        sa.Column("clock_back", sa.Boolean(), nullable=False),
    ]


def _keys(table: str, **foreign: str) -> list[sa.Constraint]:
    """Primary key, the unique ``replaces``, and the foreign keys, with the names of the models."""
    return [
        *(
            sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))
            for column, target in {"replaces": table, **foreign}.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
        sa.UniqueConstraint("replaces", name=op.f(f"uq_{table}_replaces")),
    ]


def _guard_sqlite() -> None:
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
    """The function is that of step 0001."""
    for table in TABLES:
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION crestgauge_append_only()"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION crestgauge_append_only()"
        )
