"""
Bulk rate, memory and restart, with the shipped networks.

Targets: two workers at least 1.8 times one; at least 0.85 of (workers x rate of a single-photo session);
memory of a worker grows at most 5 % after its first 100 photos over 2,000; restart on a finished folder of
2,000 under 10 s. All rates come from the same photos in the same run; say what else the machine was doing.

usage: python tests/benchmarks/screening_rate.py PHOTO_FOLDER [--rate 60] [--memory 2000] [--manifest FILE]
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.screening.pool import pin_threads
from crestgauge.inference.screening.run import ScreenOptions, screen
from crestgauge.inference.screening.sources import Item, find_photos


def own_copies(sources: list[Path], folder: Path, count: int) -> None:
    """
    ``count`` files with bytes of their own: a comment behind the end marker changes the hash, not the
    picture.
    """
    folder.mkdir()
    for k in range(count):
        source = sources[k % len(sources)]
        (folder / f"{k:05d}{source.suffix}").write_bytes(source.read_bytes() + b"\0" * 4 + str(k).encode())


def resident_mb(pid: int) -> float:
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def children() -> list[int]:
    return [int(p) for p in Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text().split()]


def timed_screen(
    folder: Path, options: ReadOptions, workers: int, place: Path
) -> tuple[float, list[tuple[int, float]]]:
    """
    Photos per second, from the first finished photo on (starting workers is not reading), and worker memory.
    """
    marks: list[tuple[int, float]] = []
    memory: list[tuple[int, float]] = []
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    before = used.ru_utime + used.ru_stime
    with Ledger(str(place)) as ledger:

        def tell(progress) -> None:
            marks.append((progress.read, time.perf_counter()))
            if progress.read % 25 == 0:
                readers = [p for p in children() if "spawn_main" in Path(f"/proc/{p}/cmdline").read_text()]
                memory.append((progress.read, max((resident_mb(p) for p in readers), default=0.0)))

        progress = screen(
            find_photos([str(folder)]), ledger, ScreenOptions(read=options, workers=workers), on_progress=tell
        )
        assert progress.failed == 0, progress.refused[:3]
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = (used.ru_utime + used.ru_stime - before) / progress.read
    print(f"  {workers} workers: {cpu:.2f} CPU s a photo, start included")
    first, last = marks[workers], marks[-1]
    return (last[0] - first[0]) / (last[1] - first[1]), memory


def single_rate(folder: Path, options: ReadOptions) -> float:
    """Photos per second of one Reader in this process, one thread."""
    from dataclasses import replace

    from crestgauge.inference.screening.outcome import read_item

    pin_threads()
    reader = Reader(replace(options, threads=1))
    items = [Item(location=str(path)) for path in sorted(folder.iterdir())]
    read_item(reader, items[0])
    started, cpu = time.perf_counter(), time.process_time()
    for item in items[1:]:
        assert read_item(reader, item).kind == "reading"
    print(f"  single session: {(time.process_time() - cpu) / (len(items) - 1):.2f} CPU s a photo")
    return (len(items) - 1) / (time.perf_counter() - started)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("--rate", type=int, default=60)
    parser.add_argument("--memory", type=int, default=2000)
    parser.add_argument("--manifest", type=Path)
    asked = parser.parse_args()
    options = ReadOptions(manifest=asked.manifest)
    sources = sorted(p for p in asked.photos.iterdir() if p.suffix.lower() in (".jpg", ".jpeg", ".png"))
    with tempfile.TemporaryDirectory() as work:
        base = Path(work)
        own_copies(sources, base / "rate", asked.rate)
        sizes = [p.stat().st_size / 2**20 for p in (base / "rate").iterdir()]
        print(
            f"{asked.rate} photos, {statistics.median(sizes):.2f} MiB each; load {os.getloadavg()[0]:.1f}",
            flush=True,
        )
        single = single_rate(base / "rate", options)
        one, _ = timed_screen(base / "rate", options, 1, base / "one.db")
        two, _ = timed_screen(base / "rate", options, 2, base / "two.db")
        again = single_rate(base / "rate", options)
        print(f"session {single:.2f} and {again:.2f} photos/s, one worker {one:.2f}, two {two:.2f}")
        mean = (single + again) / 2
        print(
            f"two / one {two / one:.2f} (1.8 asked); two / (2 x session) {two / (2 * mean):.2f} (0.85 asked)"
        )
        print(f"load {os.getloadavg()[0]:.1f}", flush=True)
        if asked.memory:
            shutil.rmtree(base / "rate")
            own_copies(sources, base / "many", asked.memory)
            _, memory = timed_screen(base / "many", options, 2, base / "many.db")
            early = max(mb for count, mb in memory if count <= 200)  # 100 a worker
            late = max(mb for count, mb in memory)
            grown = 100 * (late / early - 1)
            print(f"worker memory {early:.0f} MB after 100 photos, {late:.0f} MB at most: {grown:+.1f} %")


if __name__ == "__main__":
    sys.exit(main())
