"""Two screening runs that write the same photos into one ledger at the same time."""

from __future__ import annotations

import threading

import sqlalchemy as sa
from built_readings import READINGS

from crestgauge.inference.ledger.record import PhotoFacts
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.screening.outcome import Outcome, keep
from crestgauge.inference.screening.sources import Item


def outcome_of(k):
    facts = PhotoFacts(sha256=f"{k:064x}", width=9, height=9, format="JPEG", picture_hash="0" * 64)
    text = READINGS["clear"].to_json()
    return Outcome(location=f"{k}.jpg", kind="reading", sha256=facts.sha256, facts=facts, reading=text)


def test_every_reading_is_kept_once(place):
    """Each of 25 photos is new to exactly one of four writers, on SQLite and PostgreSQL."""
    with Ledger(place):
        pass  # made before the race, which is about rows
    start, verdicts, errors = threading.Barrier(4), [], []

    def write() -> None:
        try:
            with Ledger(place) as ledger:
                start.wait()
                for k in range(25):
                    item = Item(location=f"{k}.jpg", specimen_id=f"A-{k}")
                    verdicts.append((k, keep(ledger, item, outcome_of(k), model="m", criteria="c")))
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert sorted(k for k, verdict in verdicts if verdict == "new") == list(range(25))
    with Ledger(place) as ledger, ledger.reading() as connection:
        for table in ("photos", "readings", "sightings", "photo_links"):
            count = sa.select(sa.func.count()).select_from(Base.metadata.tables[table])
            assert connection.execute(count).scalar() == 25, table
