"""A phone at the station: 360 px wide, by touch, with targets for wet gloves."""

from __future__ import annotations

import math
import sqlite3

import pytest

PHONE = {"viewport": {"width": 360, "height": 740}, "has_touch": True, "is_mobile": True}
LEAST_TARGET = 48
"""[CSS px] Twice what WCAG 2.2 (2.5.8) asks for."""
SMALL = """least => [...document.querySelectorAll(
    'main :is(button, select, summary, .button, input:not([type=hidden]), [role=slider]), .head a')]
  .filter(e => !e.closest('[hidden], dialog:not([open])') && e.checkVisibility())
  .map(e => e.closest('label') || document.querySelector(`label.button[for="${e.id}"]`)
    || e.querySelector('.grip') || e)
  .filter(e => { const r = e.getBoundingClientRect();
    return r.width && (r.height < least - .5 || r.width < least - .5); })
  .map(e => e.outerHTML.slice(0, 90))"""


@pytest.mark.parametrize("path", ["/queue?todo=all", "/new", "/reader", "/photo/1", "/specimen/AF-104"])
def test_targets_are_large_and_nothing_runs_off_the_side(visit, path):
    phone = visit(**PHONE)
    phone.read_as("Wet Gloves")
    phone.open(path)
    for closed in phone.page.locator("details:not([open]) > summary").all():
        if closed.is_visible():
            closed.click()
    assert phone.page.evaluate(SMALL, LEAST_TARGET) == []
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 360


def touch(session, kind, *points):
    session.send(
        "Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in points]}
    )


def scale(page):
    return math.hypot(*page.evaluate("(m => [m.a, m.b])(document.querySelector('.world').getScreenCTM())"))


def test_two_fingers_enlarge_and_one_moves(visit):
    phone = visit(**PHONE)
    page = phone.page
    phone.read_as("Wet Gloves")
    phone.open_jaw("AF-103")
    phone.ready()
    stage = page.locator(".stage").bounding_box()
    x, y = stage["x"] + stage["width"] / 2, stage["y"] + stage["height"] / 2
    session = page.context.new_cdp_session(page)
    before = scale(page)
    touch(session, "touchStart", (x - 20, y), (x + 20, y))
    for gap in (30, 45, 60):
        touch(session, "touchMove", (x - gap, y), (x + gap, y))
    touch(session, "touchEnd")
    assert scale(page) == pytest.approx(3 * before, rel=0.15)  # fingers from 40 to 120 px apart
    moved = page.locator(".world").get_attribute("transform")
    touch(session, "touchStart", (x, y))
    touch(session, "touchMove", (x - 40, y - 30))
    touch(session, "touchMove", (x - 60, y - 40))
    touch(session, "touchEnd")
    assert page.locator(".world").get_attribute("transform") != moved
    assert page.evaluate("scrollY") == 0  # enlarged, a finger moves the photo and not the page
    assert phone.faults == []


def test_a_call_in_two_taps(visit, served):
    """Open from the queue, confirm at the bottom of the screen, without scrolling."""
    phone = visit(**PHONE)
    page = phone.page
    phone.read_as("Wet Gloves")
    phone.open("/queue?todo=all")
    page.get_by_role("link", name="AF-104", exact=True).tap()
    page.wait_for_url("**/photo/*")
    phone.ready()
    button = page.locator("#quick [data-confirm]")
    box = button.bounding_box()
    assert box["y"] + box["height"] <= 740
    with page.expect_navigation():
        button.tap()
    with sqlite3.connect(served.ledger) as connection:
        last = connection.execute("SELECT decision, person FROM calls ORDER BY id DESC LIMIT 1").fetchone()
    assert last == ("confirmed", "Wet Gloves")


def test_what_is_under_the_finger_stays_there(visit):
    """While an edge is moved, the answer above may grow; the page does not jump."""
    phone = visit(**PHONE)
    page = phone.page
    phone.read_as("Wet Gloves")
    phone.open_jaw("AF-103")
    phone.ready()
    handle = page.locator("#crest-4-1 .handle[data-edge='1']")
    handle.scroll_into_view_if_needed()
    handle.focus()
    top = handle.bounding_box()["y"]
    for _ in range(6):
        page.keyboard.press("Shift+ArrowLeft")
    page.locator("#said .mine-said").wait_for()
    page.wait_for_timeout(300)
    assert handle.bounding_box()["y"] == pytest.approx(top, abs=2)  # scrolling is in whole pixels
