"""
A check station: twenty phones send a photo each at the same moment; then a jaw page, and a dragged edge.

Targets: no error and no lost photo, with bounded memory; a jaw page with its first picture under 0.4 s for a
12-megapixel photo that was read, also where the server has just started; a dragged edge answered in under
0.1 s (median). The server is the real one, in a process of its own; requests come from this one, on the same
machine. Say what else the machine was doing.

usage: python tests/benchmarks/review_station.py PHOTO_FOLDER [--phones 20] [--quality 97]
"""

from __future__ import annotations

import argparse
import atexit
import io
import json
import os
import re
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import httpx2
from PIL import Image

PIXELS = (4000, 3000)
DRAGS = 60
LOOK_S = 0.3


def phone_photos(folder: Path, count: int, quality: int) -> list[bytes]:
    """Photos of 12 megapixels, weighing what phones write; each with one pixel of its own."""
    sources = sorted(folder.glob("*.jpg"))
    found = []
    for k in range(count):
        picture = Image.open(sources[k % len(sources)]).convert("RGB")
        if picture.size != PIXELS:
            picture = picture.resize(PIXELS, Image.Resampling.BICUBIC)
        picture.paste((k % 256, 0, 0), (0, 0, 8, 8))
        data = io.BytesIO()
        picture.save(data, "JPEG", quality=quality)
        found.append(data.getvalue())
    return found


class Server:
    """``crestgauge review`` in a process of its own, with its memory watched."""

    def __init__(self, ledger: Path, port: int = 0) -> None:
        words = [
            sys.executable,
            "-m",
            "crestgauge.cli",
            "review",
            "--ledger",
            str(ledger),
            "--port",
            str(port),
        ]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        atexit.register(self.process.kill)
        assert self.process.stdout is not None
        found = re.search(r":(\d+)", self.process.stdout.readline())
        assert found is not None
        self.port = int(found.group(1))
        self.here = f"http://127.0.0.1:{self.port}"
        self.peaks = {"server": 0.0, "reader": 0.0}
        self._watch = threading.Event()
        self._watcher = threading.Thread(target=self._look, daemon=True)
        self._watcher.start()

    def _look(self) -> None:
        while not self._watch.wait(0.05):
            own = self.process.pid
            # A child belongs to the thread that made it. Python's resource tracker is one too, a small one.
            sizes = [resident_mb(pid) for pid in children(own)]
            self.peaks["server"] = max(self.peaks["server"], resident_mb(own))
            self.peaks["reader"] = max(self.peaks["reader"], max(sizes, default=0.0))

    def stop(self) -> None:
        self._watch.set()
        self.process.send_signal(signal.SIGINT)
        self.process.wait(timeout=60)
        assert self.process.stdout is not None
        self.process.stdout.close()


def children(pid: int) -> list[int]:
    found: list[int] = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(word) for word in path.read_text().split()]
        except OSError:
            continue  # the thread has ended meanwhile
    return found


def resident_mb(pid: int) -> float:
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def token(client: httpx2.Client) -> str:
    found = re.search(r'name="csrf" value="(\w+)"', client.get("/reader").text)
    assert found is not None
    return found.group(1)


def send(here: str, k: int, data: bytes, start: threading.Barrier) -> tuple[float, float]:
    """One phone: send, then ask until it is filed. Seconds until taken in, and until filed."""
    with httpx2.Client(base_url=here, timeout=300.0) as client:
        csrf = token(client)
        start.wait()
        began = time.perf_counter()
        answer = client.post(
            "/new",
            data={"csrf": csrf, "specimen_id": f"STATION-{k:03d}"},
            files={"photo": ("IMG_0001.JPG", data, "image/jpeg")},
            headers={"accept": "application/json"},
        )
        assert answer.status_code == 202, answer.text
        taken = time.perf_counter() - began
        while True:
            job = client.get(f"/new/{answer.json()['job']}", headers={"accept": "application/json"}).json()
            if job["state"] == "done":
                return taken, time.perf_counter() - began
            assert job["state"] != "failed", job
            time.sleep(0.5)


def phones(server: Server, ledger: Path, photos: list[bytes]) -> None:
    start = threading.Barrier(len(photos))
    with ThreadPoolExecutor(len(photos)) as pool:
        jobs = [pool.submit(send, server.here, k, data, start) for k, data in enumerate(photos)]
        times = [job.result() for job in jobs]
    with closing(sqlite3.connect(ledger)) as connection:
        count = connection.execute("SELECT count(DISTINCT specimen_id) FROM photo_links").fetchone()[0]
        read = connection.execute("SELECT count(*) FROM readings").fetchone()[0]
    assert count == read == len(photos), (count, read)
    taken, filed = zip(*times, strict=True)
    size = statistics.mean(len(data) for data in photos) / 1e6
    print(f"{len(photos)} phones at once, {size:.1f} MB each: no error; {read} readings for {count} animals")
    print(f"  taken in after {statistics.median(taken):.2f} s (median), {max(taken):.2f} s (last)")
    print(f"  filed after {statistics.median(filed):.1f} s (median), {max(filed):.1f} s (last)")
    print(f"  memory at most: server {server.peaks['server']:.0f} MB, reader {server.peaks['reader']:.0f} MB")


def jaw_pages(here: str, name: str, photo_ids: list[int]) -> None:
    """Page and first picture, one after the other, as a browser needs them."""
    times = []
    with httpx2.Client(base_url=here, timeout=60.0) as client:
        token(client)
        for photo in photo_ids:
            began = time.perf_counter()
            page = client.get(f"/photo/{photo}")
            picture = client.get(f"/photo/{photo}/image?w=1600")
            times.append(time.perf_counter() - began)
            assert page.status_code == picture.status_code == 200
            time.sleep(LOOK_S)
    print(f"jaw page with its picture, {name}: {summary(times)}")


def drags(here: str, photos: list[int]) -> None:
    """One edge of the first crest, moved step by step, each step answered by the rule layer."""
    with httpx2.Client(base_url=here, timeout=60.0) as client:
        headers = {"x-csrf-token": token(client), "content-type": "application/json", "accept": "text/html"}
        pages = [(photo, client.get(f"/photo/{photo}.json").json()) for photo in photos]
        photo, crest = next((photo, c) for photo, page in pages for c in page["crests"] if c["edges_px"])
        a, b, c, d = crest["edges_px"]
        times, classes = [], set()
        for k in range(DRAGS):
            moved = [a, b - (b - c) * k / DRAGS, c, d]
            edges = {
                "tooth": crest["tooth"],
                "lobe": crest["lobe"],
                "at": 0.5,
                "edges_px": moved,
                "zoom": 4.0,
            }
            body = {"schema": "crestgauge.corrections/1", "edges": [edges], "crests": [], "teeth": []}
            began = time.perf_counter()
            answer = client.post(
                f"/photo/{photo}/answer",
                content=json.dumps(body | {"side": None, "ruler": None}),
                headers=headers,
            )
            times.append(time.perf_counter() - began)
            assert answer.status_code == 200, answer.text
            classes.add(re.search(r'data-shown="(\w+)"', answer.text).group(1))
    assert len(classes) == DRAGS  # every step was answered anew
    print(f"edge dragged in {DRAGS} steps, each answered: {summary(times)}")


def summary(times: list[float]) -> str:
    ms = sorted(1000 * t for t in times)
    return f"median {statistics.median(ms):.0f} ms, slowest {ms[-1]:.0f} ms, n = {len(ms)}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("photos", type=Path)
    parser.add_argument("--phones", type=int, default=20)
    parser.add_argument("--quality", type=int, default=97)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        ledger = Path(folder) / "season.db"
        photos = phone_photos(options.photos, options.phones, options.quality)
        print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        server = Server(ledger)
        phones(server, ledger, photos)
        server.stop()
        with closing(sqlite3.connect(ledger)) as connection:
            query = "SELECT photo_id FROM readings WHERE outcome != 'retake' ORDER BY id"
            good = [row[0] for row in connection.execute(query)]
        assert good, "no photo of the folder gets a class"
        server = Server(ledger)
        jaw_pages(server.here, "within a second of the start", good[:1])
        jaw_pages(server.here, "photo not looked at before", good[1:9])
        jaw_pages(server.here, "photo looked at before", good[:8])
        drags(server.here, good)
        print(f"  memory at most: server {server.peaks['server']:.0f} MB; load {os.getloadavg()[0]:.1f}")
        server.stop()


if __name__ == "__main__":
    main()
