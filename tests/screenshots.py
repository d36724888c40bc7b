"""
Pictures of the review page for README.md, from the real server and the shipped example photos.

usage: python tests/screenshots.py [FOLDER]     (default: tests/pictures; needs Chromium and the dev extra)
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import sync_playwright
from review_help import BORDERLINE, CHROMIUM_FLAGS, ROOT, SPECIMENS, Served, chromium, screened

MOST_BYTES = 200_000
"""A picture in the repository is no larger. [byte]"""
DESK = {"viewport": {"width": 1280, "height": 800}}
PHONE = {
    "viewport": {"width": 360, "height": 740},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}


def save(page: Any, path: Path) -> None:
    """The window as JPEG, as sharp as the limit allows."""
    page.wait_for_load_state("networkidle")
    image = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    for quality in (88, 80, 70, 60):
        image.save(path, "JPEG", quality=quality, optimize=True)
        if path.stat().st_size <= MOST_BYTES:
            print(f"{path}: {path.stat().st_size // 1000} kB")
            return
    raise SystemExit(f"{path}: more than {MOST_BYTES} bytes at the lowest quality")


def open_jaw(page: Any, address: str, name: str) -> None:
    """Give a reader's name and open an animal from the queue."""
    page.goto(f"{address}/reader")
    page.get_by_label("Your name").fill("Wren Harlow")
    page.get_by_role("button", name="Go to the queue").click()
    page.goto(f"{address}/queue?todo=all")
    page.get_by_role("link", name=SPECIMENS[name], exact=True).click()
    page.wait_for_url("**/photo/*")
    page.wait_for_selector(".viewer.live")


def take(browser: Any, address: str, folder: Path) -> None:
    """All pictures."""
    for name, options in (
        ("queue-desk-light", DESK | {"color_scheme": "light"}),
        ("jaw-desk-light", DESK | {"color_scheme": "light"}),
        ("corrected-desk-dark", DESK | {"color_scheme": "dark"}),
        ("jaw-phone-dark", PHONE | {"color_scheme": "dark"}),
        ("new-phone-light", PHONE | {"color_scheme": "light"}),
    ):
        context = browser.new_context(reduced_motion="reduce", **options)
        page = context.new_page()
        open_jaw(page, address, BORDERLINE)
        if name.startswith("queue"):
            page.goto(f"{address}/queue?todo=all")
        elif name.startswith("new"):
            page.goto(f"{address}/new")
        elif name.startswith("corrected"):
            for lobe in (1, 2):
                for edge, key in ((1, "ArrowLeft"), (2, "ArrowRight")):
                    page.locator(f"#crest-4-{lobe} .handle[data-edge='{edge}']").focus()
                    for _ in range(6):
                        page.keyboard.press(f"Shift+{key}")
            page.locator("#said .mine-said").wait_for()
            page.locator("#crest-4-1").scroll_into_view_if_needed()
            page.locator("#crest-4-1 .plot").scroll_into_view_if_needed()
        else:
            page.locator("#ladder li.stop a.look").evaluate("link => link.click()")
        save(page, folder / f"{name}.jpg")
        context.close()


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "tests" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    where = chromium()
    if where is None:
        raise SystemExit("no Chromium on this machine: apt-get install chromium")
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        served = Served(screened(Path(scratch))).start()
        browser = playwright.chromium.launch(executable_path=where, args=list(CHROMIUM_FLAGS))
        try:
            take(browser, served.address, folder)
        finally:
            browser.close()
            served.kill()


if __name__ == "__main__":
    main()
