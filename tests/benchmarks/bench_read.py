"""
How long one photo takes: 12-megapixel JPEG file to reading, warm and cold, and how much memory.

    python tests/benchmarks/bench_read.py [PHOTO] [--threads 2] [--runs 9] [--manifest FILE]

Not a test: it checks its result, then times it. Without PHOTO, a shipped example is enlarged to 4032 x 3024.
Ends with status 1 where a limit is missed.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from crestgauge.inference.networks import Network
from crestgauge.inference.photo import read_photo
from crestgauge.inference.pipeline import Reader, ReadOptions

SIZE = (4032, 3024)
LIMITS = {
    "median warm [s]": 1.5,
    "over decoding + sessions": 1.4,
    "peak memory [MB]": 600.0,
    "cold start of read [s]": 3.0,
    "import crestgauge.inference.pipeline [s]": 0.7,
}


def twelve_megapixels(folder: Path) -> Path:
    """A shipped example at the size of a phone's photo."""
    examples = sorted(Path(str(files("crestgauge.inference").joinpath("examples"))).glob("*.jpg"))
    pixels = read_photo(examples[0]).pixels
    path = folder / "photo.jpg"
    large = np.asarray(cv2.resize(pixels, SIZE, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
    Image.fromarray(large).save(path, quality=92)
    return path


class Stopwatch:
    """Adds up the time inside wrapped calls."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*arguments: Any, **options: Any) -> Any:
            started = time.perf_counter()
            try:
                return call(*arguments, **options)
            finally:
                self.seconds += time.perf_counter() - started

        return timed


def warm(photo: Path, options: ReadOptions, runs: int) -> tuple[list[float], list[float]]:
    """Seconds of whole reads, and of decoding plus session calls inside the same reads."""
    sessions = Stopwatch()
    Network.run = sessions.around(Network.run)  # type: ignore[method-assign]
    reader = Reader(options)
    first = reader.read(photo).reading
    whole, needed = [], []
    for _ in range(runs):
        sessions.seconds = 0.0
        started = time.perf_counter()
        loaded = read_photo(photo)
        decoded = time.perf_counter() - started
        again = reader.read(loaded).reading
        whole.append(time.perf_counter() - started)
        needed.append(decoded + sessions.seconds)
        if again != first:
            raise SystemExit("two reads of one photo differ: nothing to time")
    print(f"{photo.name}: {first.photo.width} x {first.photo.height}, {first.outcome}, {first.age_class}")
    return whole, needed


def seconds_of(command: list[str]) -> float:
    """Best of three: what the machine needs when nothing else disturbs it."""
    times = []
    for _ in range(3):
        started = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - started)
    return min(times)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("photo", nargs="?", type=Path)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--runs", type=int, default=9)
    parser.add_argument("--manifest", type=Path)
    settings = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        photo = settings.photo or twelve_megapixels(Path(folder))
        more = ["--manifest", str(settings.manifest)] if settings.manifest else []
        read = [
            sys.executable,
            "-m",
            "crestgauge.cli",
            "read",
            str(photo),
            "--threads",
            str(settings.threads),
            *more,
        ]
        bare = seconds_of([sys.executable, "-c", "pass"])
        found = {
            "cold start of read [s]": seconds_of(read),
            "import crestgauge.inference.pipeline [s]": seconds_of(
                [sys.executable, "-c", "import crestgauge.inference.pipeline"]
            )
            - bare,
        }
        # A process of its own, so that the memory is that of reading alone.
        subprocess.run(read, check=True, capture_output=True)
        found["peak memory [MB]"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        options = ReadOptions(threads=settings.threads, manifest=settings.manifest)
        whole, needed = warm(photo, options, settings.runs)
        found["median warm [s]"] = statistics.median(whole)
        found["over decoding + sessions"] = statistics.median(
            w / n for w, n in zip(whole, needed, strict=True)
        )
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {settings.threads} threads")
    for name, limit in LIMITS.items():
        print(f"{name:45} {found[name]:8.2f}   limit {limit:g}{'' if found[name] <= limit else '   MISSED'}")
    return int(any(found[name] > limit for name, limit in LIMITS.items()))


if __name__ == "__main__":
    sys.exit(main())
