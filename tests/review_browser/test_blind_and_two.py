"""A blind reader learns nothing before their call; two readers nothing of each other before both called."""

from __future__ import annotations

import json
import re
import sqlite3

import pytest

JAW = "AF-103"
HEADERS = {"Accept": "application/json"}


def photo_of(served, specimen):
    with sqlite3.connect(served.ledger) as connection:
        return connection.execute(
            "SELECT p.id, r.reading FROM readings r JOIN photos p ON p.id = r.photo_id JOIN photo_links l "
            "ON l.sha256 = p.sha256 WHERE l.specimen_id = ?", [specimen]
        ).fetchone()  # fmt: skip


def telling(reading):
    """Texts that give the reading away: its outcome, what it measured, and the step that decided."""
    said = json.loads(reading)
    words = {said["outcome"], said["deciding"], "infundibulum_left", "dentine_px", 'age_class": "'}
    for tooth in said["teeth"]:
        for crest in tooth["crests"]:
            if crest["ratio"] and crest["ratio"]["value"]:
                words |= {f"{crest['ratio']['value']:.2f}", f"{crest['ratio']['value']}"}
    return sorted(words)


def holds(body, word):
    """Whether a text holds a word; a number as one of its own, not as the first digits of another."""
    edges = (r"(?<![\d.])", r"(?!\d)") if re.fullmatch(r"[\d.]+", word) else ("", "")
    return re.search(edges[0] + re.escape(word) + edges[1], body) is not None


def test_a_number_is_found_as_one_of_its_own():
    assert (
        holds('{"ratio":0.65}', "0.65")
        and holds("0.65 times", "0.65")
        and holds("a dentine_px", "dentine_px")
    )
    assert not holds('{"matrix":[0.6512,10.65]}', "0.65")


def test_blind_leaks_nothing(visit, served):
    """
    Neither page, nor JSON, nor picture of a blind reader differs with, or holds, what the machine said.

    Everything that the window loaded is searched, and every address of this photo is asked outright.
    """
    photo, reading = photo_of(served, JAW)
    blind = visit()
    page = blind.page
    blind.read_as("Blythe Fern", blind=True)
    bodies: list[str] = []
    page.on(
        "response",
        lambda answer: (
            bodies.append(answer.text())
            if "image" not in answer.headers.get("content-type", "") and answer.status == 200
            else None
        ),
    )
    blind.open_jaw(JAW)
    blind.ready()
    asked = page.context.request
    for path in (
        f"/photo/{photo}",
        "/queue",
        "/queue?heap=clear",
        "/queue?class=2.5",
        "/queue?todo=all",
        f"/specimen/{JAW}",
    ):
        for headers in ({}, HEADERS):
            answer = asked.get(served.address + path, headers=headers)
            assert answer.status < 500
            bodies.append(answer.text())
    scripts = [body for body in bodies if "export " in body or "addEventListener" in body]
    told = [body for body in bodies if body not in scripts and not body.lstrip().startswith(("/*", ":root"))]
    assert len(told) >= 8
    for word in telling(reading):
        for body in told:
            assert not holds(body, word), word
    empty = {
        "schema": "crestgauge.corrections/1",
        "edges": [],
        "crests": [],
        "teeth": [],
        "side": None,
        "ruler": None,
    }
    csrf = page.locator(".jaw").get_attribute("data-csrf")
    probe = asked.post(
        f"{served.address}/photo/{photo}/answer", data=empty, headers=HEADERS | {"X-CSRF-Token": csrf}
    )
    assert probe.status >= 400
    assert asked.get(f"{served.address}/photo/{photo}/crest/4-1.jpg").status >= 400
    assert page.locator(".layer-bands, .layer-crests, #said, #ladder, #ratios, #correct").count() == 0
    seen = asked.get(f"{served.address}/photo/{photo}/image?w=800").body()
    other = visit()
    other.read_as("Opal Reed")
    assert other.page.context.request.get(f"{served.address}/photo/{photo}/image?w=800").body() == seen
    assert blind.faults == []


def test_a_blind_call_stands_before_the_proposal_is_shown(visit, served):
    blind = visit()
    page = blind.page
    blind.read_as("Blythe Fern", blind=True)
    blind.open_jaw(JAW)
    blind.ready()
    page.locator("#own").get_by_text("3.5", exact=True).click()
    with page.expect_navigation():
        page.locator("#own button.main").click()
    blind.open_jaw(JAW)
    blind.ready()
    assert page.locator("#said .class").inner_text() == "2.5"
    with sqlite3.connect(served.ledger) as connection:
        last = connection.execute(
            "SELECT decision, age_class, saw FROM calls ORDER BY id DESC LIMIT 1"
        ).fetchone()
    assert last == ("own", "3.5", "photo")


@pytest.fixture
def two(visit):
    """Two readers in two windows; the first has called and asked for a second."""
    first, second = visit(), visit()
    first.read_as("Ada Pike")
    first.open_jaw("AF-104")
    with first.page.expect_navigation():
        first.page.locator("#leave").click()
    first.open_jaw("AF-104")
    with first.page.expect_navigation():
        first.page.locator("#confirm").click()
    second.read_as("Ben Holt")
    return first, second


def test_two_readers_and_a_third_to_settle(two, visit, served):
    """Neither sees the other's call before both have called; they differ; a third settles."""
    first, second = two
    second.open_jaw("AF-104")
    shown = second.page.content()
    assert "Ada Pike" not in shown
    second.page.locator("#change summary").click()
    second.page.locator("#change").get_by_text("3.5", exact=True).click()
    second.page.locator("#change textarea").fill("tooth 5 is narrower")
    with second.page.expect_navigation():
        second.page.locator("#change button.main").click()
    second.open_jaw("AF-104")
    assert "Ada Pike" in second.page.locator("#call").inner_text()
    third = visit()
    third.read_as("Cleo Marsh")
    third.open_jaw("AF-104")
    third.page.locator("#settle").get_by_text("4.5", exact=True).click()
    third.page.locator("#settle textarea").fill("bands agree with the photo")
    with third.page.expect_navigation():
        third.page.locator("#settle button.main").click()
    first.open("/queue?todo=all")
    row = first.page.locator(".jaws li", has=first.page.get_by_role("link", name="AF-104", exact=True))
    assert re.search("settled", row.inner_text())
    assert first.faults == second.faults == third.faults == []
