"""One browser and one season for all browser tests, a server for each file, a window for each test."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from review_help import CHROMIUM_FLAGS, Served, chromium, screened, until

DESK = {"width": 1280, "height": 800}
PHONE = {"width": 360, "height": 740}


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Debian's Chromium, headless."""
    where = chromium()
    if where is None:
        pytest.skip(
            "no Chromium on this machine (apt-get install chromium, or CRESTGAUGE_TEST_CHROMIUM=PATH)"
        )
    sync_api = pytest.importorskip("playwright.sync_api", reason="needs the package playwright")
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=where, args=list(CHROMIUM_FLAGS))
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def season(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger with three photos that were read; copied, never used itself."""
    return screened(tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="module")
def served(season: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """The server on a copy of the season, for one file of tests."""
    folder = tmp_path_factory.mktemp("served")
    shutil.copy(season, folder / "season.db")
    server = Served(folder / "season.db").start()
    yield server
    server.kill()


class Visitor:
    """A browser window with what went wrong in it, and every address it asked for."""

    def __init__(self, page: Any, address: str) -> None:
        self.page = page
        self.address = address
        self.faults: list[str] = []
        self.asked: list[str] = []
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("console", lambda line: self.faults.append(line.text) if line.type == "error" else None)
        page.on("request", lambda request: self.asked.append(request.url))

    def open(self, path: str) -> Any:
        """Go to a page of the server; with script, wait until it is ready for use."""
        return self.page.goto(self.address + path)

    def ready(self) -> None:
        """Wait until the jaw page can be used."""
        until(self.page, "document.documentElement.dataset.ready !== undefined")

    def read_as(self, person: str, *, blind: bool = False) -> None:
        """Give a name, as a person does once a session."""
        self.open("/reader")
        self.page.get_by_label("Your name").fill(person)
        self.page.get_by_label("Blind" if blind else "With the proposal").check()
        self.page.get_by_role("button", name="Go to the queue").click()
        self.page.wait_for_url("**/queue*")

    def open_jaw(self, specimen: str) -> None:
        """Open an animal's photo from the queue."""
        self.open("/queue?todo=all")
        self.page.get_by_role("link", name=specimen, exact=True).click()
        self.page.wait_for_url("**/photo/*")


@pytest.fixture
def visit(browser: Any, served: Served) -> Iterator[Any]:
    """Open a window: ``visit()``, or with options of a Playwright context."""
    contexts = []

    def make(**options: Any) -> Visitor:
        context = browser.new_context(**({"viewport": DESK, "reduced_motion": "reduce"} | options))
        context.set_default_timeout(10_000)
        contexts.append(context)
        return Visitor(context.new_page(), served.address)

    yield make
    for context in contexts:
        context.close()
