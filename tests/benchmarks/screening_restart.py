"""
How long a finished folder of 2,000 photos takes to be found finished; target: under 10 s, bound by hashing.

The ledger is filled directly with a reading for each file's hash, so that nothing has to be read by the
networks.

usage: python tests/benchmarks/screening_restart.py [--photos 2000] [--megabytes 3]
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from built_readings import READINGS
from painted import write_manifest

from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, add_sighting
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.screening.run import ScreenOptions, screen
from crestgauge.inference.screening.sources import find_photos


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--photos", type=int, default=2000)
    parser.add_argument("--megabytes", type=float, default=3.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as work, Ledger(f"{work}/l.db") as ledger:
        options = ReadOptions(manifest=write_manifest(Path(work)))
        reading = replace(READINGS["clear"], versions=Reader(options).versions)
        folder = Path(work) / "photos"
        folder.mkdir()
        with ledger.writing() as connection:
            for k in range(asked.photos):
                data = os.urandom(int(asked.megabytes * 2**20))
                path = folder / f"{k:05d}.jpg"
                path.write_bytes(data)
                sha256 = hashlib.sha256(data).hexdigest()
                facts = PhotoFacts(sha256=sha256, width=9, height=9, format="JPEG", picture_hash="0" * 64)
                photo = add_photo(connection, ledger, facts)
                add_sighting(connection, ledger, sha256, str(path))
                add_reading(connection, ledger, photo, reading.to_dict(), reading.to_json())
        started = time.perf_counter()
        for path in sorted(folder.iterdir()):
            hashlib.sha256(path.read_bytes()).hexdigest()
        hashing = time.perf_counter() - started
        started, cpu = time.perf_counter(), time.process_time()
        progress = screen(find_photos([str(folder)]), ledger, ScreenOptions(read=options, workers=2))
        took, cpu = time.perf_counter() - started, time.process_time() - cpu
        assert (progress.read, progress.done_before) == (0, asked.photos)
        print(f"{asked.photos} photos of {asked.megabytes:g} MiB; load {os.getloadavg()[0]:.1f}")
        print(
            f"hashing alone, one thread {hashing:.1f} s; restart {took:.1f} s, {cpu:.1f} CPU s (target 10 s)"
        )


if __name__ == "__main__":
    main()
