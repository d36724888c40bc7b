"""What pages look up in a ledger: the newest reading of a photo, the photos of an animal. Edge module."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from crestgauge.inference.errors import LedgerError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base, standing

_T = Base.metadata.tables


def newest_reading(ledger: Ledger, photo_id: int) -> Mapping[str, Any]:
    """
    The newest reading of a photo: id, photo_id, reading (JSON text), sha256, specimen_id (or None).

    Raises
    ------
    LedgerError
        If there is no such photo, or it has no reading.
    """
    readings, photos, links = _T["readings"], _T["photos"], _T["photo_links"]
    query = (
        sa.select(
            readings.c.id, readings.c.photo_id, readings.c.reading, photos.c.sha256, links.c.specimen_id
        )
        .join(photos, photos.c.id == readings.c.photo_id)
        .outerjoin(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
        .where(readings.c.photo_id == photo_id)
        .order_by(readings.c.id.desc())
        .limit(1)
    )
    with ledger.reading() as connection:
        found = connection.execute(query).mappings().first()
    if found is None:
        raise LedgerError(f"photo {photo_id}: is not in the ledger, or has no reading yet.")
    return dict(found)


def animal_photos(ledger: Ledger, specimen_id: str) -> list[dict[str, Any]]:
    """Photos linked to an animal with what their newest reading says, oldest photo first."""
    readings, photos, links = _T["readings"], _T["photos"], _T["photo_links"]
    later = readings.alias()
    query = (
        sa.select(
            readings.c.photo_id, readings.c.outcome, readings.c.age_class, readings.c.side, readings.c.reading
        )
        .join(photos, photos.c.id == readings.c.photo_id)
        .join(links, sa.and_(links.c.sha256 == photos.c.sha256, standing("photo_links")))
        .where(links.c.specimen_id == specimen_id)
        .where(~sa.exists().where(later.c.photo_id == readings.c.photo_id, later.c.id > readings.c.id))
        .order_by(readings.c.photo_id)
    )
    with ledger.reading() as connection:
        rows = [dict(found) for found in connection.execute(query).mappings()]
    for found in rows:
        reading = json.loads(found.pop("reading"))
        found |= {"file": reading["photo"]["file"], "possible": tuple(reading["possible"])}
    return rows
