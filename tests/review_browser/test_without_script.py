"""Confirming, measuring and sending a picture in a browser whose script is off."""

from __future__ import annotations

import sqlite3

from review_help import CLEAR, EXAMPLES

OFF = {"java_script_enabled": False}


def one(served, question):
    with sqlite3.connect(served.ledger) as connection:
        return connection.execute(question).fetchone()


def test_confirming_needs_no_script(visit, served):
    plain = visit(**OFF)
    plain.read_as("Plain Reader")
    plain.open_jaw("AF-104")
    assert plain.page.locator("#ladder li").count() >= 3
    assert plain.page.locator(".layer-crests polyline").count() > 0  # the overlay is there as well
    plain.page.locator("#confirm").click()
    assert one(served, "SELECT decision, age_class, person FROM calls ORDER BY id DESC LIMIT 1") == (
        "confirmed", "4.5", "Plain Reader",
    )  # fmt: skip


def test_layers_switch_without_script(visit):
    plain = visit(**OFF)
    plain.open_jaw("AF-104")
    layer = plain.page.locator(".layer-numbers")
    assert layer.is_visible()
    plain.page.locator("[data-layer=numbers]").uncheck()
    assert not layer.is_visible()


def test_widths_typed_by_hand_are_answered(visit, served):
    """
    Three widths instead of dragging: dentine twice the enamel on both crests of tooth 4 passes its question.

    Typed widths count as placed by hand at natural size (1.6 px an edge), so they are large here.
    """
    plain = visit(**OFF)
    page = plain.page
    plain.read_as("Plain Reader")
    plain.open_jaw("AF-103")
    assert page.locator("#said .class").inner_text() == "2.5"
    for lobe in (1, 2):
        for part, width in (("dentine", "40"), ("outer", "20"), ("inner", "20")):
            page.locator(f"#{part}-4-{lobe}").fill(width)
    page.get_by_role("button", name="Keep as my measurement").click()
    page.wait_for_load_state()
    assert page.locator("#said .mine-said .class").inner_text() == "3.5"
    assert one(served, "SELECT count(*) FROM measurements WHERE person = 'Plain Reader'")[0] >= 2


def test_a_picture_is_sent_without_script(visit):
    """The page of a picture on its way reloads itself, and then leads to the answer."""
    plain = visit(**OFF)
    page = plain.page
    plain.read_as("Plain Reader")
    plain.open("/new")
    page.get_by_label("Specimen id").fill("AF-104")
    page.locator("#photo").set_input_files(str(EXAMPLES / CLEAR))  # known already, so it takes no reading
    page.get_by_role("button", name="Read this jaw").click()
    page.get_by_role("link", name="See the answer").click(timeout=30_000)
    assert page.locator("h1").inner_text() == "AF-104"
