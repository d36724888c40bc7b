"""
How long opening the queue of a 10,000-row ledger takes, sorted by doubt; target: under 50 ms.

usage: python tests/benchmarks/ledger_queue.py [--rows 10000] [--url postgresql://...]
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from built_readings import READINGS

from crestgauge.inference.ledger.queries import heaps, queue
from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, add_sighting, link_photo
from crestgauge.inference.ledger.store import Ledger


def fill(ledger: Ledger, rows: int) -> None:
    """Real readings of all kinds, two photos an animal, in one transaction."""
    rng = random.Random(1)
    kinds = list(READINGS.values())
    with ledger.writing() as connection:
        for k in range(rows):
            sha256 = f"{k:064x}"
            facts = PhotoFacts(sha256=sha256, width=4032, height=3024, format="JPEG", picture_hash="0" * 64)
            photo = add_photo(connection, ledger, facts)
            add_sighting(connection, ledger, sha256, f"season/{k}.jpg")
            link_photo(connection, ledger, sha256, f"A-{k // 2}", source="list")
            reading = rng.choice(kinds)
            add_reading(connection, ledger, photo, reading.to_dict(), reading.to_json())


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--url")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Ledger(asked.url or f"{folder}/l.db") as ledger:
        fill(ledger, asked.rows)
        ledger.close()
        for name, limit in (("first page of 50", 50), ("all", None)):
            times = []
            for _ in range(9):
                started = time.perf_counter()
                found = queue(ledger, outcomes=("borderline", "clear"), limit=limit)
                times.append(1000 * (time.perf_counter() - started))
                doubts = [row["doubt"] for row in found if row["outcome"] == "borderline"]
                assert doubts == sorted(doubts, reverse=True)
                assert len(found) == (limit or len(found))
            middle = statistics.median(times)
            print(f"queue, {name}, {len(found)} rows: median {middle:.1f} ms, most {max(times):.1f} ms")
        started = time.perf_counter()
        ledger.close()
        with Ledger(asked.url or f"{folder}/l.db") as again:
            queue(again, outcomes=("borderline",), limit=50)
        took = 1000 * (time.perf_counter() - started)
        print(f"open the file and the first page: {took:.1f} ms; {heaps(ledger)}")


if __name__ == "__main__":
    main()
