"""Moving a band edge, marking a crest, and what the key then says; the machine's reading stays as it was."""

from __future__ import annotations

import json
import math
import sqlite3

import pytest
from review_help import until


def reading(served, specimen):
    with sqlite3.connect(served.ledger) as connection:
        return connection.execute(
            "SELECT r.reading FROM readings r JOIN photos p ON p.id = r.photo_id JOIN photo_links l "
            "ON l.sha256 = p.sha256 WHERE l.specimen_id = ?", [specimen]
        ).fetchone()[0]  # fmt: skip


def measurements(served):
    with sqlite3.connect(served.ledger) as connection:
        return connection.execute("SELECT count(*) FROM measurements").fetchone()[0]


def answered(page, before):
    until(page, "n => Number(document.documentElement.dataset.answered || 0) > n", before)
    page.wait_for_timeout(250)  # the last of several questions may still be on its way


def drag(page, lobe, edge, by):
    grip = page.locator(f"#crest-4-{lobe} .handle[data-edge='{edge}'] .grip")
    grip.scroll_into_view_if_needed()
    box = grip.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by, y, steps=3)
    page.mouse.up()


@pytest.fixture
def jaw(visit):
    """The borderline jaw, open to its reader, with both crests of tooth 4 to be seen."""
    desk = visit()
    desk.read_as("Ida Brook")
    desk.open_jaw("AF-103")
    desk.ready()
    for lobe in (1, 2):
        if not desk.page.locator(f"#crest-4-{lobe}").get_attribute("open") is not None:
            desk.page.locator(f"#crest-4-{lobe} summary").click()
    return desk


def test_dragging_an_edge_changes_the_class(jaw, served):
    """
    The example lies between 2.5 and 3.5 with dentine narrower than enamel on tooth 4; with the dentine drawn
    half as wide again, at the cost of the enamel, it passes that question.
    """
    page = jaw.page
    machine = reading(served, "AF-103")
    assert json.loads(machine)["age_class"] == "2.5"
    assert page.locator("#said .class").inner_text() == "2.5"
    for lobe in (1, 2):
        drag(page, lobe, 1, -30)
        drag(page, lobe, 2, 30)
    answered(page, 0)
    assert page.locator("#said .mine-said .class").inner_text() != "2.5"
    assert "2.5" in page.locator("#said").inner_text()  # the machine's, beside it
    assert "machine" in page.locator("#ladder .other").first.inner_text()
    with page.expect_navigation():
        page.get_by_role("button", name="Keep as my measurement").click()
    jaw.ready()
    assert page.locator("#said .mine-said .class").inner_text() != "2.5"
    assert measurements(served) >= 2
    assert reading(served, "AF-103") == machine
    assert jaw.faults == []


def test_an_edge_moves_by_keys_by_a_tap_and_by_buttons(visit, served):
    """The same edge without dragging (WCAG 2.2, 2.1.1 and 2.5.7)."""
    desk = visit()
    page = desk.page
    desk.read_as("Finn Alder")
    desk.open_jaw("AF-103")
    desk.ready()
    handle = page.locator("#crest-4-1 .handle[data-edge='1']")
    values = [float(handle.get_attribute("aria-valuenow"))]
    handle.focus()
    page.keyboard.press("Shift+ArrowLeft")
    values.append(float(handle.get_attribute("aria-valuenow")))
    page.locator("#crest-4-1 [data-nudge=left]").click()
    values.append(float(handle.get_attribute("aria-valuenow")))
    assert values == sorted(values) and len(set(values)) == 3
    plot = page.locator("#crest-4-1 .plot")
    box = plot.bounding_box()
    page.mouse.click(box["x"] + 0.45 * box["width"], box["y"] + 60)
    low, high = (
        float(page.locator("#crest-4-1 .profile").get_attribute(f"data-{end}")) for end in ("low", "high")
    )
    tapped = high - 0.45 * (high - low)
    assert abs(float(handle.get_attribute("aria-valuenow")) - tapped) < 0.02 * (high - low)
    answered(page, 0)
    page.locator("#crest-4-1 [data-nudge=back]").click()
    until(page, "document.querySelector('#said .mine-said') === null")
    assert desk.faults == []


def test_a_crest_that_is_not_usable_does_not_count(visit):
    desk = visit()
    page = desk.page
    desk.read_as("Finn Alder")
    desk.open_jaw("AF-103")
    desk.ready()
    before = page.locator("#ladder").inner_text()
    page.locator("#crest-4-1").get_by_text("is not usable").click()
    answered(page, 0)
    assert page.locator("#ladder").inner_text() != before


def test_two_points_on_a_ruler_give_a_scale(visit):
    """Two taps in the photo and a length; the coordinates are those of the photo."""
    desk = visit()
    page = desk.page
    desk.read_as("Finn Alder")
    desk.open_jaw("AF-104")
    desk.ready()
    page.locator("#teeth-by-hand summary").click()
    page.locator("[data-ruler]").click()
    stage = page.locator(".stage").bounding_box()
    for share in (0.25, 0.75):
        page.mouse.click(stage["x"] + share * stage["width"], stage["y"] + stage["height"] / 2)
    page.locator("#ruler_mm").fill("40")
    page.locator("#ruler_mm").press("Tab")
    answered(page, 0)
    x1, y1, x2, y2 = (float(page.locator(f"#ruler_{n}").input_value()) for n in ("x1", "y1", "x2", "y2"))
    matrix = page.evaluate("(m => [m.a, m.b])(document.querySelector('.world').getScreenCTM())")
    scale = math.hypot(*matrix)
    length = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5
    assert length * scale == pytest.approx(stage["width"] / 2, rel=0.01)  # taps are whole pixels
    assert desk.faults == []


def test_what_was_changed_outlives_a_server_that_dies(visit, served):
    """The server is killed while edges are moved; it comes back, and so do the change and the session."""
    desk = visit()
    page = desk.page
    desk.read_as("Ida Brook")
    desk.open_jaw("AF-103")
    desk.ready()
    served.kill()
    drag(page, 1, 1, -25)
    until(page, "!document.getElementById('measure-error').hidden")
    moved = page.locator("#crest-4-1 .handle[data-edge='1']").get_attribute("aria-valuenow")
    served.start()
    answered(page, 0)
    page.reload()
    desk.ready()
    assert page.locator("#crest-4-1 .handle[data-edge='1']").get_attribute("aria-valuenow") == moved
    answered(page, 0)
    assert page.locator(".head .reader").inner_text().endswith("Ida Brook")
    with page.expect_navigation():
        page.locator("#confirm").click()
    with sqlite3.connect(served.ledger) as connection:
        assert connection.execute("SELECT person FROM calls ORDER BY id DESC LIMIT 1").fetchone() == (
            "Ida Brook",
        )
