"""
Accessibility by an engine of others: axe-core (Deque Systems, MPL-2.0), which the package
axe-playwright-python carries. Rules: WCAG 2.0 to 2.2, levels A and AA, and the engine's best practices.
"""

from __future__ import annotations

import pytest
from review_axe import ALL_RULES, COLOURS, violations

from crestgauge.cli.review.jobs import JobView
from crestgauge.cli.review.site import page_templates
from crestgauge.inference.confirm.station import STAGES

SIZES = {"phone": {"width": 360, "height": 740}, "desk": {"width": 1280, "height": 800}}
OPEN = ("/queue?todo=all", "/photo/1", "/photo/3", "/new", "/reader", "/specimen/AF-103", "/nothing")
BLIND = ("/queue?todo=all", "/photo/1", "/specimen/AF-103")


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("mode", ["open", "blind"])
def test_no_page_violates_a_rule(visit, size, mode):
    """All rules in light, those of colour again in dark; everything that can be opened is open."""
    visitor = visit(viewport=SIZES[size], color_scheme="light")
    page = visitor.page
    visitor.read_as("Axel Test", blind=mode == "blind")
    for path in OPEN if mode == "open" else BLIND:
        page.emulate_media(color_scheme="light")
        visitor.open(path)
        page.evaluate("document.querySelectorAll('main details').forEach(each => { each.open = true; })")
        assert violations(page, ALL_RULES) == [], path
        page.emulate_media(color_scheme="dark")
        assert page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
        assert violations(page, COLOURS) == [], f"{path}, dark"


def test_the_list_of_keys_and_an_answer_violate_none(visit):
    """Two states that no address shows: the dialog, and a page with a person's edges in it."""
    desk = visit()
    page = desk.page
    desk.read_as("Axel Test")
    desk.open("/photo/1")
    desk.ready()
    page.locator("[data-help]").click()
    assert violations(page, ALL_RULES) == []
    page.keyboard.press("Escape")
    page.locator(".handle[data-edge='1']").first.focus()
    page.keyboard.press("Shift+ArrowLeft")
    page.locator("#said .mine-said").wait_for()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert violations(page, COLOURS) == []


def job(state: str, stage: int, **more: object) -> JobView:
    """A picture on its way."""
    said = {"words": "Reading the teeth …", "error": "", "photo_id": None} | more
    return JobView(job="shown", state=state, stage=stage, stages=STAGES, specimen_id="AF-105", **said)


JOBS = (
    job("waiting", 1, words="The photo is safe on the computer; 3 before it."),
    job("reading", 2),
    job("done", len(STAGES), words="Filed under AF-105.", photo_id=1),
    job("failed", 2, words="", error="shot.jpg: not enough memory to read it."),
)


@pytest.mark.parametrize("view", JOBS, ids=lambda view: view.state)
def test_a_picture_on_its_way_violates_none(visit, view):
    """
    Every state of the page on which a picture is read. The server would pass through them in a second, so its
    page is answered here from the same template, and stays.
    """
    phone = visit(viewport=SIZES["phone"])
    template = page_templates().get_template("job.html")
    html = template.render(job=view, csrf="", reader="Axel Test", mode="open")

    def answer(route):
        if route.request.headers.get("accept") == "application/json":
            route.fulfill(json=view.to_dict())
        else:
            route.fulfill(body=html, content_type="text/html; charset=utf-8")

    phone.page.route("**/new/shown", answer)
    phone.open("/new/shown")
    for scheme in ("light", "dark"):
        phone.page.emulate_media(color_scheme=scheme)
        assert violations(phone.page, ALL_RULES if scheme == "light" else COLOURS) == []
    assert phone.faults == []
