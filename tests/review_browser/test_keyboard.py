"""Everything by keyboard, with shortcuts that can be switched off (WCAG 2.2, 2.1.1 and 2.1.4)."""

from __future__ import annotations

import sqlite3


def focused(page):
    return page.evaluate(
        "document.activeElement.id || document.activeElement.className || document.activeElement.tagName"
    )


def calls(served):
    with sqlite3.connect(served.ledger) as connection:
        return connection.execute("SELECT count(*) FROM calls").fetchone()[0]


def test_from_the_queue_to_a_call_without_a_mouse(visit, served):
    desk = visit()
    page = desk.page
    desk.open("/reader")
    page.keyboard.press("Tab")
    assert "skip" in focused(page)  # first stop: past the head of the page
    for _ in range(12):
        if focused(page) == "person":
            break
        page.keyboard.press("Tab")
    page.keyboard.type("Key Reader")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    page.keyboard.press("j")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    desk.ready()
    before = calls(served)
    page.keyboard.press("j")
    assert page.evaluate("document.activeElement.matches('#ladder a.look')")
    page.keyboard.press("p")
    assert focused(page) == "stage"
    moved = page.locator(".world").get_attribute("transform")
    page.keyboard.press("+")
    page.keyboard.press("ArrowRight")
    assert page.locator(".world").get_attribute("transform") != moved
    page.keyboard.press("e")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "slider"
    page.keyboard.press("c")
    assert focused(page) == "confirm"
    assert calls(served) == before  # the key alone decides nothing
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert calls(served) == before + 1
    assert desk.faults == []


def test_keys_rest_while_typing_and_can_be_switched_off(visit, served):
    desk = visit()
    page = desk.page
    desk.read_as("Key Reader")
    desk.open_jaw("AF-104")
    desk.ready()
    page.keyboard.press("x")
    assert page.evaluate("document.activeElement.name") == "age_class"
    box = page.locator("#change textarea")
    box.focus()
    page.keyboard.type("crux")
    assert box.input_value() == "crux" and page.evaluate("document.activeElement.tagName") == "TEXTAREA"
    page.locator("h1").click()
    page.keyboard.press("?")
    assert page.locator("#help").is_visible()
    page.locator("#keys-on").uncheck()
    page.keyboard.press("Escape")
    page.locator("h1").click()
    page.keyboard.press("c")
    assert focused(page) != "confirm"
    page.reload()
    desk.ready()
    page.keyboard.press("c")
    assert focused(page) != "confirm"  # the choice lasts


def test_the_focus_is_never_under_the_bar_of_actions(visit):
    """WCAG 2.2, 2.4.11: what has the focus is not wholly covered, here by the bar at the bottom."""
    desk = visit()
    page = desk.page
    desk.read_as("Key Reader")
    desk.open_jaw("AF-103")
    desk.ready()
    covered = """() => { const a = document.activeElement;
        if (a.closest('#quick') || a === document.body) return false;
        const r = a.getBoundingClientRect(), q = document.getElementById('quick').getBoundingClientRect();
        return r.height > 0 && r.top >= q.top && q.height > 0; }"""
    seen = set()
    for _ in range(90):
        page.keyboard.press("Tab")
        assert not page.evaluate(covered), focused(page)
        seen.add(focused(page))
    assert len(seen) > 15
