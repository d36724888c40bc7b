"""
What people measured or corrected of a reading: added beside it, never over it.

One part of a correction is one row; a newer row of the same person on the same part replaces the older one,
and a row without a value takes it back.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection
from sqlalchemy.exc import IntegrityError

from crestgauge.inference.errors import InputError, LedgerError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base

KINDS: Final = ("edges", "crest", "tooth", "side", "ruler")
_T = Base.metadata.tables
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """
    One part of what a person corrected.

    Parameters
    ----------
    reading_id : int
        The machine's reading that it stands beside.
    person : str
    kind : str
        One of `KINDS`; the parts of ``crestgauge.corrections/1``.
    tooth, lobe : int or None
        For "edges" and "crest" both, for "tooth" the tooth alone.
    value : mapping or None
        The part as JSON values; None takes the replaced row back.

    Raises
    ------
    InputError
        If kind, tooth and lobe do not fit together, or the person has no name.
    """

    reading_id: int
    person: str
    kind: str
    tooth: int | None = None
    lobe: int | None = None
    value: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        if not self.person.strip() or len(self.person) > 120:
            raise InputError(f"person {self.person!r}: needs a name of 1 to 120 characters.")
        if self.kind not in KINDS:
            raise InputError(f"measurement {self.kind!r}: needs one of {', '.join(KINDS)}.")
        wants = (self.kind not in ("side", "ruler"), self.kind in ("edges", "crest"))
        if (self.tooth is not None, self.lobe is not None) != wants:
            raise InputError(
                f"measurement {self.kind!r} of tooth {self.tooth}, lobe {self.lobe}: needs "
                "tooth and lobe for edges and crest, the tooth alone for tooth, neither for side and ruler."
            )


def add_measurement(ledger: Ledger, measurement: Measurement, *, replaces: int | None = None) -> int:
    """
    Keep one measurement in a transaction of its own; see `put_measurement`.

    Raises
    ------
    LedgerError
        If the reading is not there, or the replaced row is not there, is of another person or part, or has
        been replaced already.
    """
    try:
        with ledger.writing() as connection:
            return put_measurement(connection, ledger, measurement, replaces=replaces)
    except IntegrityError as error:
        raise LedgerError(
            f"measurements row {replaces}: has been replaced already, from another window meanwhile. "
            "Load the page again."
        ) from error


def put_measurement(
    connection: Connection, ledger: Ledger, measurement: Measurement, *, replaces: int | None = None
) -> int:
    """Keep one measurement within the caller's transaction; raises as `add_measurement`."""
    readings, table = _T["readings"], _T["measurements"]
    if (
        connection.execute(sa.select(readings.c.id).where(readings.c.id == measurement.reading_id)).first()
        is None
    ):
        raise LedgerError(f"readings row {measurement.reading_id}: is not in the ledger.")
    subject = ("reading_id", "person", "kind", "tooth", "lobe")
    if replaces is not None:
        old = connection.execute(sa.select(table).where(table.c.id == replaces)).mappings().first()
        if old is None:
            raise LedgerError(f"measurements row {replaces}: is not in the ledger.")
        if any(old[name] != getattr(measurement, name) for name in subject):
            raise LedgerError(f"measurements row {replaces}: is another person's, or of another part.")
    elif measurement.value is None:
        raise LedgerError("a measurement without a value takes one back; it must name the row.")
    values = {name: getattr(measurement, name) for name in subject}
    text = json.dumps(measurement.value, separators=(",", ":"), allow_nan=False)
    return ledger.add(connection, "measurements", {**values, "value": text, "replaces": replaces})


def measurements_of(
    ledger: Ledger, reading_id: int, *, person: str | None = None, history: bool = False
) -> list[Row]:
    """
    Measurements beside a reading, oldest first, ``value`` as JSON values.

    Parameters
    ----------
    person : str or None
        Of one person only.
    history : bool
        Also rows that were replaced or taken back.
    """
    with ledger.reading() as connection:
        rows = _rows(connection, reading_id)
    if person is not None:
        rows = [row for row in rows if row["person"] == person]
    return rows if history else _standing(rows)


def locked_measurements(connection: Connection, reading_id: int, person: str) -> list[Row]:
    """
    Standing measurements of one person, within the caller's transaction, which nobody else's can change
    before it ends: two windows of one reader come one after the other.
    """
    readings = _T["readings"]
    # SQLite holds the write lock of the whole file already, and knows no other.
    connection.execute(sa.select(readings.c.id).where(readings.c.id == reading_id).with_for_update())
    return [row for row in _standing(_rows(connection, reading_id)) if row["person"] == person]


def _rows(connection: Connection, reading_id: int) -> list[Row]:
    table = _T["measurements"]
    query = sa.select(table).where(table.c.reading_id == reading_id).order_by(table.c.id)
    found = connection.execute(query).mappings()
    return [{**row, "value": json.loads(row["value"])} for row in found]


def _standing(rows: Sequence[Row]) -> list[Row]:
    replaced = {row["replaces"] for row in rows}
    return [row for row in rows if row["id"] not in replaced and row["value"] is not None]


def all_measurements(ledger: Ledger) -> list[Row]:
    """
    Every standing measurement of the ledger, oldest first, with the photo's sha256: for export as labels.
    """
    table, later = _T["measurements"], _T["measurements"].alias()
    readings, photos = _T["readings"], _T["photos"]
    query = (
        sa.select(table, photos.c.sha256, photos.c.id.label("photo_id"))
        .join(readings, readings.c.id == table.c.reading_id)
        .join(photos, photos.c.id == readings.c.photo_id)
        .where(~sa.exists().where(later.c.replaces == table.c.id))
        .order_by(table.c.id)
    )
    with ledger.reading() as connection:
        rows = [dict(row) for row in connection.execute(query).mappings()]
    for row in rows:
        row["value"] = json.loads(row["value"])
    return [row for row in rows if row["value"] is not None]
