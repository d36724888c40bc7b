"""From a picture to a call in the ledger, in a real browser against the real server."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path
from urllib.parse import urlsplit

from review_help import EXAMPLES, FRESH, until

ROWS = "SELECT decision, age_class, person, saw FROM calls ORDER BY id DESC LIMIT 1"


def last_call(ledger: Path) -> tuple[str, ...]:
    with sqlite3.connect(ledger) as connection:
        return connection.execute(ROWS).fetchone()


def count(ledger: Path, table: str) -> int:
    with sqlite3.connect(ledger) as connection:
        return connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]


def test_from_a_picture_to_a_confirmed_call(visit, served):
    """A worker takes a picture, sees how far it is, reads the answer, and confirms it by name."""
    station = visit()
    page = station.page
    station.read_as("Wren Harlow")
    station.open("/new")
    page.get_by_label("Specimen id").fill("AF-105")
    page.locator("#photo").set_input_files(str(EXAMPLES / FRESH))
    page.get_by_role("button", name="Read this jaw").click()
    page.wait_for_url(re.compile(r"/new/\w"), timeout=30_000)
    page.wait_for_url(re.compile(r"/photo/\d+"), timeout=60_000)
    station.ready()
    assert page.locator("h1").inner_text() == "AF-105"
    proposed = page.locator("#said .class").inner_text()
    with page.expect_navigation():
        page.locator("#confirm").click()
    assert last_call(served.ledger) == ("confirmed", proposed, "Wren Harlow", "proposal")
    assert station.faults == []
    assert {urlsplit(address).netloc for address in station.asked} == {urlsplit(served.address).netloc}


def test_the_queue_shows_what_needs_an_eye_first(visit, served):
    """Borderline before retake before clear; each with a thumbnail; found again by a part of its id."""
    desk = visit()
    desk.open("/queue?todo=all")
    page = desk.page
    shown = page.locator(".jaws .sign").all_inner_texts()
    order = [
        next(i for i, word in enumerate(("borderline", "retake", "clear")) if word in text) for text in shown
    ]
    assert order == sorted(order) and set(order) == {0, 1, 2}
    for picture in page.locator(".jaws img").all():
        picture.scroll_into_view_if_needed()
        until(page, "image => image.complete && image.naturalWidth > 100", picture.element_handle())
    page.get_by_label("Specimen id").fill("104")
    page.get_by_role("button", name="Find").click()
    page.wait_for_url("**q=104*")
    assert page.locator(".jaws a.open").all_inner_texts() == ["AF-104"]
    page.get_by_role("link", name=re.compile("retake")).click()
    page.wait_for_url("**heap=retake*")
    assert desk.faults == []


def test_each_step_of_the_key_shows_its_evidence(visit):
    """Choosing a question brings the tooth it asks about into the middle of the photo, and larger."""
    desk = visit()
    page = desk.page
    desk.open_jaw("AF-103")
    desk.ready()
    steps = page.locator("#ladder a.look")
    assert steps.count() >= 3
    scale = "Number(document.querySelector('.world').getAttribute('transform').match(/[-\\d.e]+/g)[0])"
    before = abs(page.evaluate(scale))
    steps.last.click()
    x0, y0, x1, y1 = (float(v) for v in steps.last.get_attribute("data-box").split(","))
    middle = page.evaluate(
        """([x, y]) => { const m = document.querySelector('.world').getScreenCTM();
           const s = document.querySelector('.stage').getBoundingClientRect();
           const [u, v] = [m.a * x + m.c * y + m.e, m.b * x + m.d * y + m.f];
           return [u - s.x - s.width / 2, v - s.y - s.height / 2]; }""",
        [(x0 + x1) / 2, (y0 + y1) / 2],
    )
    assert abs(middle[0]) < 2 and abs(middle[1]) < 2  # px of the screen
    assert abs(page.evaluate(scale)) > 1.5 * before
    assert desk.faults == []


def test_layers_can_be_switched_and_dimmed(visit):
    desk = visit()
    page = desk.page
    desk.open_jaw("AF-104")
    desk.ready()
    for layer in ("bands", "crests", "numbers", "hollows"):
        drawn = page.locator(f".layer-{layer}")
        assert drawn.evaluate("e => getComputedStyle(e).display") != "none"
        page.locator(f"[data-layer={layer}]").uncheck()
        assert drawn.evaluate("e => getComputedStyle(e).display") == "none"
    page.locator("[data-dim]").fill("20")
    assert page.locator(".stage svg").evaluate("e => getComputedStyle(e).opacity") == "0.2"


def test_another_class_needs_a_reason_and_can_be_taken_back(visit, served):
    desk = visit()
    page = desk.page
    desk.read_as("Ida Brook")
    desk.open_jaw("AF-104")
    desk.ready()
    page.locator("#change summary").click()
    page.locator("#change").get_by_text("5.5", exact=True).click()
    before = count(served.ledger, "calls")
    with page.expect_navigation():
        page.locator("#change button.main").click()
    assert count(served.ledger, "calls") == before  # no reason, no call
    assert page.locator("[role=alert]:visible").count() == 1
    page.locator("#change summary").click()
    page.locator("#change").get_by_text("5.5", exact=True).click()
    page.locator("#change textarea").fill("Jaw in hand: tooth 6 is in wear")
    with page.expect_navigation():
        page.locator("#change button.main").click()
    assert last_call(served.ledger)[:3] == ("changed", "5.5", "Ida Brook")
    desk.open_jaw("AF-104")
    with page.expect_navigation():
        page.locator("#undo").click()
    assert last_call(served.ledger)[0] == "withdrawn"
    assert count(served.ledger, "calls") == before + 2  # nothing was taken out
