"""
How long one photo takes: 12-megapixel JPEG file to reading, warm and cold, and how much memory.

    python tests/benchmarks/bench_read.py [PHOTO] [--threads 2] [--runs 5] [--manifest FILE]

Not a test: it checks its result, then times it. Without PHOTO, the shipped examples are enlarged to 12
megapixels; some of them need a second pass of the fine network, as in life.
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

PIXELS = 4032 * 3024
LIMITS = {
    "median warm [s]": 1.5,
    "over decoding + sessions": 1.4,
    "peak memory [MB]": 600.0,
    "cold start of read [s]": 3.0,
    "import crestgauge.inference.pipeline [s]": 0.7,
}


def twelve_megapixels(folder: Path) -> list[Path]:
    """The shipped examples at the size of a phone's photo."""
    paths = []
    for example in sorted(Path(str(files("crestgauge.inference").joinpath("examples"))).glob("*.jpg")):
        pixels = read_photo(example).pixels
        scale = (PIXELS / (pixels.shape[0] * pixels.shape[1])) ** 0.5
        size = round(pixels.shape[1] * scale), round(pixels.shape[0] * scale)
        large = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
        paths.append(folder / example.name)
        Image.fromarray(large).save(paths[-1], quality=92)
    return paths


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


def warm(photos: list[Path], options: ReadOptions, runs: int) -> tuple[list[float], list[float]]:
    """
    Seconds of whole reads, and of decoding plus session calls inside the same reads: per photo, the median of
    ``runs``.
    """
    sessions = Stopwatch()
    Network.run = sessions.around(Network.run)
    reader = Reader(options)
    whole, needed = [], []
    for photo in photos:
        first = reader.read(photo).reading
        times = []
        for _ in range(runs):
            sessions.seconds = 0.0
            started = time.perf_counter()
            loaded = read_photo(photo)
            decoded = time.perf_counter() - started
            again = reader.read(loaded).reading
            times.append((time.perf_counter() - started, decoded + sessions.seconds))
            if again != first:
                raise SystemExit("two reads of one photo differ: nothing to time")
        seconds, least = sorted(times)[len(times) // 2]
        size = f"{first.photo.width} x {first.photo.height}"
        print(f"{photo.name:24} {size:12} {first.outcome:11}{first.age_class or '-':6}{seconds:6.2f} s")
        whole.append(seconds)
        needed.append(least)
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
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--manifest", type=Path)
    settings = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        photos = [settings.photo] if settings.photo else twelve_megapixels(Path(folder))
        more = ["--manifest", str(settings.manifest)] if settings.manifest else []
        read = [
            sys.executable,
            "-m",
            "crestgauge.cli",
            "read",
            str(photos[len(photos) // 2]),
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
        whole, needed = warm(photos, options, settings.runs)
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
