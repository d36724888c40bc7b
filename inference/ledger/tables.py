"""
The tables, as SQLAlchemy models. Rows are added, never changed: triggers made by the migrations refuse the
rest.

A correction is a new row whose ``replaces`` names the old one; ``replaces`` is unique, so a row is corrected
once and the corrections form a line. Order is the order of ``id``, never of the clock: clocks go backwards.
"""

from __future__ import annotations

from functools import cache

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    ColumnElement,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Text,
    exists,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

RowId = BigInteger().with_variant(Integer, "sqlite")

APPEND_ONLY = (
    "specimens",
    "photos",
    "sightings",
    "photo_links",
    "readings",
    "failures",
    "calls",
    "measurements",
    "second_reads",
    "settlements",
)
"""Tables that the triggers guard: all of them."""


class Base(DeclarativeBase):
    """Common base; constraint names are fixed so that migrations can name them on every database."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_N_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class Stamped:
    """
    Who added a row, and when by the clock of that machine (UTC, ISO 8601, microseconds).

    ``clock_back`` is true where that clock stood before the newest row that was there already.
    """

    id: Mapped[int] = mapped_column(RowId, primary_key=True, autoincrement=True)
    recorded_at: Mapped[str] = mapped_column(String(32))
    recorded_by: Mapped[str] = mapped_column(String(120))
    clock_back: Mapped[bool] = mapped_column(Boolean)


class SpecimenRow(Stamped, Base):
    """One animal, as `crestgauge.inference.ledger.specimen.Specimen` says."""

    __tablename__ = "specimens"

    replaces: Mapped[int | None] = mapped_column(ForeignKey("specimens.id"), unique=True)
    why: Mapped[str | None] = mapped_column(Text)
    specimen_id: Mapped[str] = mapped_column(String(64))
    sex: Mapped[str | None] = mapped_column(String(10))
    harvest_date: Mapped[str | None] = mapped_column(String(10))
    area: Mapped[str | None] = mapped_column(Text)
    weight: Mapped[float | None] = mapped_column(Float)
    weight_kind: Mapped[str | None] = mapped_column(String(10))
    weight_unit: Mapped[str | None] = mapped_column(String(4))
    lactating: Mapped[bool | None] = mapped_column(Boolean)
    points_left: Mapped[int | None] = mapped_column(Integer)
    points_right: Mapped[int | None] = mapped_column(Integer)
    beam_left_mm: Mapped[float | None] = mapped_column(Float)
    beam_right_mm: Mapped[float | None] = mapped_column(Float)
    base_left_mm: Mapped[float | None] = mapped_column(Float)
    base_right_mm: Mapped[float | None] = mapped_column(Float)
    spread_mm: Mapped[float | None] = mapped_column(Float)
    jaw_side: Mapped[str | None] = mapped_column(String(10))
    age_years: Mapped[float | None] = mapped_column(Float)
    age_kind: Mapped[str | None] = mapped_column(String(10))
    age_basis: Mapped[str | None] = mapped_column(Text)
    cementum_age: Mapped[int | None] = mapped_column(Integer)
    cementum_certainty: Mapped[str | None] = mapped_column(String(1))
    cementum_low: Mapped[int | None] = mapped_column(Integer)
    cementum_high: Mapped[int | None] = mapped_column(Integer)
    disease_sample: Mapped[str | None] = mapped_column(Text)
    note: Mapped[str | None] = mapped_column(Text)

    __table_args__ = (
        # One first row per id: two people who enter the same animal at once cannot both win.
        Index(
            "uq_specimens_first",
            "specimen_id",
            unique=True,
            sqlite_where=text("replaces IS NULL"),
            postgresql_where=text("replaces IS NULL"),
        ),
        Index("ix_specimens_specimen_id", "specimen_id", "id"),
    )


class PhotoRow(Stamped, Base):
    """One photo by the hash of its bytes. Nothing of its capture data: no position, no date, no camera."""

    __tablename__ = "photos"

    sha256: Mapped[str] = mapped_column(String(64), unique=True)
    width: Mapped[int] = mapped_column(Integer)
    height: Mapped[int] = mapped_column(Integer)
    format: Mapped[str] = mapped_column(String(8))
    picture_hash: Mapped[str] = mapped_column(String(64))
    row_hash: Mapped[str | None] = mapped_column(String(64))


class SightingRow(Stamped, Base):
    """
    Where the bytes of a photo were found. Several rows of one photo are the same bytes under several names.
    """

    __tablename__ = "sightings"

    sha256: Mapped[str] = mapped_column(String(64))
    location: Mapped[str] = mapped_column(Text)

    __table_args__ = (Index("uq_sightings_place", "sha256", "location", unique=True),)


class PhotoLinkRow(Stamped, Base):
    """Which animal a photo shows, and how that is known. A wrong link is replaced by a new one."""

    __tablename__ = "photo_links"

    replaces: Mapped[int | None] = mapped_column(ForeignKey("photo_links.id"), unique=True)
    why: Mapped[str | None] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    specimen_id: Mapped[str] = mapped_column(String(64))
    source: Mapped[str] = mapped_column(String(10))

    __table_args__ = (
        CheckConstraint("source IN ('card', 'list', 'person')", name="source"),
        Index(
            "uq_photo_links_first",
            "sha256",
            unique=True,
            sqlite_where=text("replaces IS NULL"),
            postgresql_where=text("replaces IS NULL"),
        ),
        Index("ix_photo_links_sha256", "sha256", "id"),
        Index("ix_photo_links_specimen_id", "specimen_id", "id"),
    )


class ReadingRow(Stamped, Base):
    """
    One reading, whole and as it was said (`reading` is the JSON text of ``crestgauge.reading/1``).

    The columns beside it are copies for sorting and searching. One row per photo, model and criteria.
    """

    __tablename__ = "readings"

    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    tool_version: Mapped[str] = mapped_column(String(120))
    model_version: Mapped[str] = mapped_column(String(120))
    criteria_version: Mapped[str] = mapped_column(String(120))
    outcome: Mapped[str] = mapped_column(String(12))
    age_class: Mapped[str | None] = mapped_column(String(8))
    side: Mapped[str | None] = mapped_column(String(8))
    doubt: Mapped[float | None] = mapped_column(Float)
    reading: Mapped[str] = mapped_column(Text)

    __table_args__ = (
        CheckConstraint("outcome IN ('clear', 'borderline', 'retake')", name="outcome"),
        Index("uq_readings_key", "photo_id", "model_version", "criteria_version", unique=True),
        Index("ix_readings_photo_id", "photo_id", "id"),
        # Holds all that a queue shows, so that sorting ten thousand rows never touches the long JSON texts.
        Index(
            "ix_readings_queue_page",
            "outcome",
            "doubt",
            "id",
            "photo_id",
            "age_class",
            "side",
            "model_version",
            "criteria_version",
        ),
    )


class FailureRow(Stamped, Base):
    """A file that could not be read as a photo, or made the reader stop, with the sentence that says why."""

    __tablename__ = "failures"

    sha256: Mapped[str | None] = mapped_column(String(64))
    location: Mapped[str] = mapped_column(Text)
    kind: Mapped[str] = mapped_column(String(10))
    message: Mapped[str] = mapped_column(Text)
    model_version: Mapped[str] = mapped_column(String(120))
    criteria_version: Mapped[str] = mapped_column(String(120))

    __table_args__ = (
        CheckConstraint("kind IN ('photo', 'bug', 'killed')", name="kind"),
        Index("ix_failures_sha256", "sha256"),
    )


class CallRow(Stamped, Base):
    """What a person decided: never mixed with what the tool proposed."""

    __tablename__ = "calls"

    replaces: Mapped[int | None] = mapped_column(ForeignKey("calls.id"), unique=True)
    specimen_id: Mapped[str | None] = mapped_column(String(64))
    photo_id: Mapped[int | None] = mapped_column(ForeignKey("photos.id"))
    reading_id: Mapped[int | None] = mapped_column(ForeignKey("readings.id"))
    person: Mapped[str] = mapped_column(String(120))
    experience: Mapped[str | None] = mapped_column(String(120))
    decision: Mapped[str] = mapped_column(String(10))
    age_class: Mapped[str | None] = mapped_column(String(8))
    confidence: Mapped[str | None] = mapped_column(String(1))
    saw: Mapped[str] = mapped_column(String(10))
    saw_detail: Mapped[str | None] = mapped_column(Text)
    method: Mapped[str | None] = mapped_column(String(120))
    reason: Mapped[str | None] = mapped_column(Text)
    decided_on: Mapped[str | None] = mapped_column(String(32))

    __table_args__ = (
        CheckConstraint("specimen_id IS NOT NULL OR photo_id IS NOT NULL", name="subject"),
        CheckConstraint("decision IN ('confirmed', 'changed', 'own', 'none', 'withdrawn')", name="decision"),
        CheckConstraint("saw IN ('nothing', 'photo', 'proposal', 'jaw')", name="saw"),
        CheckConstraint("confidence IN ('H', 'M', 'L')", name="confidence"),
        CheckConstraint("(decision IN ('none', 'withdrawn')) = (age_class IS NULL)", name="age_class"),
        Index("ix_calls_specimen_id", "specimen_id", "id"),
        Index("ix_calls_photo_id", "photo_id", "id"),
    )


class MeasurementRow(Stamped, Base):
    """
    What a person corrected of a reading, one part a row, beside the machine's reading and never over it.

    ``value`` is JSON: one part of ``crestgauge.corrections/1``, or null where the person took it back.
    """

    __tablename__ = "measurements"

    replaces: Mapped[int | None] = mapped_column(ForeignKey("measurements.id"), unique=True)
    reading_id: Mapped[int] = mapped_column(ForeignKey("readings.id"))
    person: Mapped[str] = mapped_column(String(120))
    kind: Mapped[str] = mapped_column(String(10))
    tooth: Mapped[int | None] = mapped_column(Integer)
    lobe: Mapped[int | None] = mapped_column(Integer)
    value: Mapped[str] = mapped_column(Text)

    __table_args__ = (
        CheckConstraint("kind IN ('edges', 'crest', 'tooth', 'side', 'ruler')", name="kind"),
        CheckConstraint("(kind IN ('edges', 'crest')) = (lobe IS NOT NULL)", name="lobe"),
        CheckConstraint("(kind IN ('side', 'ruler')) = (tooth IS NULL)", name="tooth"),
        Index("ix_measurements_reading_id", "reading_id", "id"),
    )


class SecondReadRow(Stamped, Base):
    """Somebody wants a second reader for a photo (``wanted``), or takes the wish back."""

    __tablename__ = "second_reads"

    replaces: Mapped[int | None] = mapped_column(ForeignKey("second_reads.id"), unique=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    person: Mapped[str] = mapped_column(String(120))
    wanted: Mapped[bool] = mapped_column(Boolean)
    why: Mapped[str | None] = mapped_column(Text)

    __table_args__ = (Index("ix_second_reads_photo_id", "photo_id", "id"),)


class SettlementRow(Stamped, Base):
    """A third reader's call that settles between two that disagree."""

    __tablename__ = "settlements"

    replaces: Mapped[int | None] = mapped_column(ForeignKey("settlements.id"), unique=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    person: Mapped[str] = mapped_column(String(120))
    call_id: Mapped[int] = mapped_column(ForeignKey("calls.id"))
    first_call_id: Mapped[int] = mapped_column(ForeignKey("calls.id"))
    second_call_id: Mapped[int] = mapped_column(ForeignKey("calls.id"))

    __table_args__ = (
        CheckConstraint(
            "call_id <> first_call_id AND call_id <> second_call_id AND first_call_id <> second_call_id",
            name="three_calls",
        ),
        Index("ix_settlements_photo_id", "photo_id", "id"),
    )


@cache
def standing(table: str) -> ColumnElement[bool]:
    """True for rows of a table that no later row replaces."""
    rows, later = Base.metadata.tables[table], Base.metadata.tables[table].alias()
    return ~exists().where(later.c.replaces == rows.c.id)
