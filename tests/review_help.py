"""
What the tests of the review page stand on: a season read from example photos, the real server as a process of
its own, and Debian's Chromium.
"""

from __future__ import annotations

import csv
import os
import queue
import re
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
EXAMPLES = ROOT / "inference" / "examples"
BORDERLINE, CLEAR, REFUSED, FRESH = (f"alder-fork-{n}.jpg" for n in (103, 104, 107, 105))
"""Example photos by what the reading says of them; ``FRESH`` is kept back to be taken at the station."""
SPECIMENS = {BORDERLINE: "AF-103", CLEAR: "AF-104", REFUSED: "AF-107"}
CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome")
CHROMIUM_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
"""No sandbox, since tests may run as root; no network of the browser's own: every request is the page's."""


def chromium() -> str | None:
    """A browser on this machine: CRESTGAUGE_TEST_CHROMIUM, or one on the path; None without one."""
    named = os.environ.get("CRESTGAUGE_TEST_CHROMIUM")
    return named or next(filter(None, map(shutil.which, CHROMIUM_NAMES)), None)


def until(page: Any, expression: str, arg: Any = None, *, timeout_s: float = 10.0) -> None:
    """
    Wait until an expression is true in the page.

    Playwright's own wait evaluates text inside the page, which the page's Content-Security-Policy forbids.
    """
    end = time.monotonic() + timeout_s
    while not page.evaluate(expression, arg):
        assert time.monotonic() < end, f"never true: {expression}"
        page.wait_for_timeout(20)


def crestgauge(*arguments: str) -> list[str]:
    """The command line of the program under test."""
    return [sys.executable, "-m", "crestgauge.cli", *arguments]


def screened(folder: Path) -> Path:
    """A ledger with the three example photos of `SPECIMENS`, read by the real networks; about 3 s a photo."""
    photos = folder / "photos"
    photos.mkdir(parents=True)
    listed = folder / "photos.csv"
    with listed.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["photo", "specimen_id"])
        for name, specimen in SPECIMENS.items():
            shutil.copy(EXAMPLES / name, photos / name)
            rows.writerow([str(photos / name), specimen])
    ledger = folder / "season.db"
    subprocess.run(
        crestgauge("screen", str(listed), "--ledger", str(ledger), "--workers", "1", "--quiet"),
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    return ledger


@dataclass
class Served:
    """`crestgauge review` on one ledger, as a process; ``address`` stays the same over a restart."""

    ledger: Path
    options: tuple[str, ...] = ()
    address: str = ""
    lines: list[str] = field(default_factory=list)
    process: subprocess.Popen[str] | None = None
    listener: threading.Thread | None = None

    def start(self) -> Served:
        """Start it and wait for the address it prints."""
        port = self.address.rpartition(":")[2] or "0"
        self.process = subprocess.Popen(
            crestgauge("review", "--ledger", str(self.ledger), "--port", port, *self.options),
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        heard: queue.Queue[str] = queue.Queue()
        self.listener = threading.Thread(target=self._listen, args=(heard,), daemon=True)
        self.listener.start()
        while True:
            line = heard.get(timeout=60)
            found = re.search(r"http://[\w.\[\]:]+:\d+", line)
            if found:
                self.address = found.group()
                return self

    def _listen(self, heard: queue.Queue[str]) -> None:
        assert self.process is not None and self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)
            heard.put(line)
        heard.put("the server stopped: http://stopped:0")

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.process is not None and self.process.stdout is not None and self.listener is not None
        self.process.kill()
        self.process.wait(timeout=20)
        self.listener.join(timeout=20)
        self.process.stdout.close()
