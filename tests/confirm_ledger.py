"""Photos with built readings in a ledger, for tests of pages."""

from __future__ import annotations

from dataclasses import replace

from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, add_sighting, link_photo


def digest(k):
    """A content hash whose order is not that of the photos."""
    return f"{(k * 7919) % 9973:064x}"


def keep(ledger, k, reading, *, specimen_id=None):
    """Photo k with one reading; (photo id, reading id)."""
    own = replace(reading, photo=replace(reading.photo, sha256=digest(k), file=f"jaw-{k}.jpg"))
    with ledger.writing() as connection:
        facts = PhotoFacts(sha256=digest(k), width=4032, height=3024, format="JPEG", picture_hash=f"{k:064x}")
        photo = add_photo(connection, ledger, facts)
        add_sighting(connection, ledger, digest(k), f"season/jaw-{k}.jpg")
        if specimen_id is not None:
            link_photo(connection, ledger, digest(k), specimen_id, source="list")
        return photo, add_reading(connection, ledger, photo, own.to_dict(), own.to_json())
