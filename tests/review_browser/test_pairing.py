"""A phone on the network types the code of the computer's screen, once."""

from __future__ import annotations

import re
import shutil

import pytest
from review_axe import ALL_RULES, COLOURS, violations
from review_help import Served


@pytest.fixture
def served(season, tmp_path):
    """The server for a network; asked here over the loopback address only."""
    shutil.copy(season, tmp_path / "season.db")
    server = Served(tmp_path / "season.db", options=("--host", "0.0.0.0")).start()
    server.address = f"http://127.0.0.1:{server.address.rpartition(':')[2]}"
    yield server
    server.kill()


def test_a_phone_is_paired_once(visit, served):
    phone = visit(viewport={"width": 360, "height": 740})
    page = phone.page
    phone.open("/queue")
    page.wait_for_url("**/pair")
    assert violations(page, ALL_RULES) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page, COLOURS) == []
    page.locator("#code").fill("WRONGONE")
    page.get_by_role("button", name="Pair").click()
    assert page.get_by_role("alert").is_visible()
    page.wait_for_timeout(200)
    code = next(filter(None, (re.search(r"code=([\w-]+)", line) for line in served.lines))).group(1)
    page.locator("#code").fill(code)
    page.get_by_role("button", name="Pair").click()
    page.wait_for_url("**/reader")
    phone.open("/queue")
    assert page.locator("h1").inner_text() == "What needs an eye first"
    other = visit()
    other.open(f"/pair?code={code}")
    other.page.get_by_role("button", name="Pair").click()
    assert other.page.get_by_role("alert").is_visible()  # a code is good for one device
