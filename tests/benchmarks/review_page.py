"""
How fast the review page is, in a real browser against the real server.

Targets: the jaw page of a 12-megapixel photo that is read already can be used in under 400 ms on two cores;
an edge that moves is answered in under 100 ms (median). The page that is timed is checked first: it shows the
class of the ledger, and moving an edge changes a ratio. Say what else the machine was doing. The photos are
the borderline example, enlarged to 4032 pixels, with bytes of their own: one opened by its address just after
the start, the others from the queue three seconds after it was opened, and all of them again.

usage: python tests/benchmarks/review_page.py [--times 15]
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from review_help import BORDERLINE, CHROMIUM_FLAGS, EXAMPLES, Served, chromium, crestgauge, until

PHOTOS = 6
LOOK_S = 3
NAVIGATION = """() => { const t = performance.getEntriesByType('navigation')[0];
    return [Number(document.documentElement.dataset.ready), t.responseEnd, t.transferSize]; }"""


def quantiles(values: list[float]) -> str:
    """Median and worst of some times."""
    return f"median {statistics.median(values):.0f} ms, worst {max(values):.0f} ms of {len(values)}"


def time_visits(page: Any, addresses: list[str], words: str) -> None:
    """From the click to a page that can be used."""
    ready, answered = [], []
    for address in addresses:
        page.goto(address)
        until(page, "document.documentElement.dataset.ready !== undefined")
        got = page.evaluate(NAVIGATION)
        ready.append(got[0])
        answered.append(got[1])
    print(f"jaw page, {words}: usable, {quantiles(ready)}; server, {quantiles(answered)}")
    assert page.locator("#said .class").inner_text() == "2.5", "not the class of the example"


def time_page(page: Any, address: str, times: int) -> None:
    """The three ways to a jaw page."""
    photos = [f"{address}/photo/{k + 1}" for k in range(PHOTOS)]
    time_visits(page, photos[-1:], "just after the start, nothing ready")
    page.goto(f"{address}/queue?todo=all")
    page.wait_for_timeout(LOOK_S * 1000)
    time_visits(page, photos[:-1], "from the queue")
    time_visits(page, photos * max(times // PHOTOS, 1), "again")
    print(f"jaw page: {page.evaluate(NAVIGATION)[2] / 1000:.0f} kB of HTML")


def time_edge(page: Any, times: int) -> None:
    """From a key on an edge to the answer on the page."""
    handle = page.locator(".handle[data-edge='1']").first
    before = page.locator("#ratios .value").all_inner_texts()
    handle.focus()
    took = []
    for k in range(times):
        answered = page.evaluate("Number(document.documentElement.dataset.answered || 0)")
        page.keyboard.press("ArrowLeft" if k % 2 else "Shift+ArrowLeft")
        until(page, "n => Number(document.documentElement.dataset.answered || 0) > n", answered)
        took.append(float(page.evaluate("document.documentElement.dataset.took")))
    assert page.locator("#ratios .value").all_inner_texts() != before, "moving an edge changed no ratio"
    print(f"edge to answer: {quantiles(took)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[1])
    parser.add_argument("--times", type=int, default=18)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        folder = Path(scratch)
        with Image.open(EXAMPLES / BORDERLINE) as small:
            large = small.resize((4032, round(4032 * small.height / small.width)), Image.Resampling.BICUBIC)
        shots = folder / "shots"
        shots.mkdir()
        for k in range(PHOTOS):
            large.save(shots / f"{k}.jpg", quality=92, comment=f"shot {k}")
        print(f"photos: {large.width} x {large.height} px")
        ledger = folder / "season.db"
        reading = crestgauge("screen", str(shots), "--ledger", str(ledger), "--quiet")
        subprocess.run(reading, check=True, capture_output=True)
        served = Served(ledger).start()
        browser = playwright.chromium.launch(executable_path=chromium(), args=list(CHROMIUM_FLAGS))
        try:
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
            time_page(page, served.address, asked.times)
            time_edge(page, asked.times)
        finally:
            browser.close()
            served.kill()


if __name__ == "__main__":
    main()
