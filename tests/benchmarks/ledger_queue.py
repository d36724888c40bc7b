"""
How long opening the queue of a 10,000-row ledger takes, sorted by doubt; target: under 50 ms.

3,000 calls by three people are in it. "wall" is what a person waits; "cpu" is what it takes on a quiet
machine.

usage: python tests/benchmarks/ledger_queue.py [--rows 10000] [--url postgresql://...]
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from built_readings import READINGS

from crestgauge.inference.ledger.paging import PageQuery, QueueIndex
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


def fill_calls(ledger: Ledger, photos: int, calls: int) -> None:
    """Calls by three people, some photos called twice."""
    rng = random.Random(2)
    empty = dict.fromkeys(
        (
            "replaces",
            "specimen_id",
            "reading_id",
            "experience",
            "confidence",
            "saw_detail",
            "method",
            "reason",
        )
    )
    with ledger.writing() as connection:
        for _ in range(calls):
            made = {"photo_id": rng.randint(1, photos), "person": rng.choice("ABC"), "decision": "own"}
            seen = {"age_class": rng.choice(("2.5", "3.5")), "saw": "photo", "decided_on": None}
            ledger.add(connection, "calls", {**empty, **made, **seen})


def timed(name: str, action: Callable[[], Any], repeats: int = 15) -> Any:
    """Run an action some times and print how long it took; its last result."""
    wall, cpu = [], []
    for _ in range(repeats):
        clock, own = time.perf_counter(), time.process_time()
        result = action()
        wall.append(1000 * (time.perf_counter() - clock))
        cpu.append(1000 * (time.process_time() - own))
    print(f"{name}: wall median {statistics.median(wall):.1f} ms, cpu median {statistics.median(cpu):.1f} ms")
    return result


def pages(ledger: Ledger) -> None:
    """The queue as the review page opens it: counts of all heaps and one page, checked, then timed."""
    everything = PageQuery(person="A", limit=50)
    page = timed("page of 50 with all counts, index made anew", lambda: QueueIndex(ledger).page(everything))
    doubts = [row["doubt"] for row in page.rows if row["outcome"] == "borderline"]
    assert doubts == sorted(doubts, reverse=True)
    assert page.total == sum(page.todo.values())
    deep = PageQuery(person="A", limit=50, offset=page.total - 50)
    assert len(timed("last page, index made anew", lambda: QueueIndex(ledger).page(deep)).rows) == 50
    index = QueueIndex(ledger)
    index.page(everything)
    timed("page of 50 with all counts, index kept", lambda: index.page(everything))
    searched = PageQuery(person="A", search="A-12")
    assert timed("search, index kept", lambda: index.page(searched)).total > 0
    blind = PageQuery(person="A", by_hash=True)
    timed("blind page, index kept", lambda: index.page(blind))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--url")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Ledger(asked.url or f"{folder}/l.db") as ledger:
        fill(ledger, asked.rows)
        fill_calls(ledger, asked.rows, (3 * asked.rows) // 10)
        ledger.close()
        pages(ledger)
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
