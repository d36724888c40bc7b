"""The overlay picture and the sheet: what was measured is on them, and nothing private or foreign."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from painted_jaws import result
from PIL import Image

from crestgauge.inference.overlay import ORANGE, SKY, WIDTH, YELLOW, close_ups, draw_overlay, write_picture
from crestgauge.inference.sheet import AXIS_END, ratio_chart, sheet_html, sheet_item

NAMES = ["adult", "borderline", "fawn", "bare", "cut", "small"]


@pytest.mark.parametrize("name", NAMES)
def test_every_result_has_an_overlay_of_one_width(name):
    picture = draw_overlay(result(name))
    assert picture.dtype == np.uint8 and picture.shape[1:] == (WIDTH, 3)


def count(picture: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((np.abs(picture.astype(int) - colour).max(axis=2) < 8).sum())


def test_lines_edges_and_numbers_are_drawn():
    """Each colour of the drawing has come in by hundreds of pixels; none of it on a photo without a jaw."""
    drawn = np.concatenate(close_ups(result("adult")))
    assert len(close_ups(result("adult"))) == 2
    for colour in (ORANGE, SKY, YELLOW):
        assert count(drawn, colour) > 500, colour
    assert count(draw_overlay(result("bare")), YELLOW) == 0


def test_a_crest_line_runs_where_it_was_measured():
    """On the photo part of the overlay: the pixel at the middle of each crest line is orange."""
    found = result("adult")
    picture = draw_overlay(found)
    scale = WIDTH / found.photo.width
    head = picture.shape[0] - sum(len(part) for part in close_ups(found)) - round(found.photo.height * scale)
    for tooth in found.row.teeth:
        for crest in tooth.crests:
            x, y = crest.line[len(crest.line) // 2] * scale
            near = picture[head + round(y) - 2 : head + round(y) + 3, round(x) - 2 : round(x) + 3]
            assert count(near, ORANGE) > 0


def test_the_written_picture_carries_only_pixels(tmp_path):
    write_picture(tmp_path / "o.jpg", draw_overlay(result("adult")))
    with Image.open(tmp_path / "o.jpg") as picture:
        assert not picture.getexif() and not {"icc_profile", "exif", "comment"} & set(picture.info)


class Page(HTMLParser):
    """Collects tags, addresses and text, and checks that tags are closed in order."""

    VOID = frozenset({"meta", "img", "br", "link", "input", "hr", "line", "circle", "path"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.words = ""
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for key, value in attrs if key in ("href", "src", "srcset", "action")]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words += data


@pytest.fixture(scope="module")
def page() -> tuple[str, Page]:
    items = [sheet_item(result(name), overlay=f"{name} 1.overlay.jpg") for name in NAMES]
    text = sheet_html(items, ["b<d>.jpg: 0 bytes; needs a photo."])
    return text, Page(text)


def test_the_sheet_asks_nothing_of_any_network(page):
    text, parsed = page
    own = re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "", text)
    for address in parsed.addresses:
        assert address.startswith("data:image/jpeg;base64,") or re.fullmatch(
            r"[\w%.]+\.overlay\.jpg", address
        )
    assert not re.search(r"(?i)https?:|//[a-z]|@import|url\(|<script|<link|<iframe", own)


def test_the_sheet_says_class_steps_advice_and_caution(page):
    _, parsed = page
    words = " ".join(parsed.words.split())
    assert "2 clear, 1 borderline, 3 retake, 1 not readable" in words
    assert "b<d>.jpg: 0 bytes" in words  # escaped in the source, whole in the text
    assert words.count("proposal for a trained person to confirm") == 1 + 3
    for name in NAMES:
        reading = result(name).reading
        assert reading.photo.file in words
        for step in reading.steps:
            assert step.question in words
        for item in reading.retake:
            assert item.advice in words
    assert parsed.tags.count("svg") == 5  # every photo with teeth 4 to 6; none without a jaw


def test_the_chart_places_ratios_on_one_axis():
    svg = ratio_chart(result("adult").reading)
    circles = [float(x) for x in re.findall(r'<circle class="\w+" cx="([\d.]+)"', svg)]
    one = float(re.search(r'class="one" x1="([\d.]+)"', svg).group(1))
    axis = re.search(r'class="axis" x1="([\d.]+)" y1="\d+" x2="([\d.]+)"', svg)
    left, right = float(axis.group(1)), float(axis.group(2))
    crests = [c for t in result("adult").reading.teeth if t.position >= 4 for c in t.crests]
    for x, crest in zip(circles, crests, strict=True):
        # 0.06 user units: places are written with one decimal
        assert x == pytest.approx(left + (right - left) * crest.ratio.value / AXIS_END, abs=0.06)
        assert (x > one) == (crest.ratio.value > 1)


def test_pictures_on_the_sheet_carry_only_pixels():
    item = sheet_item(result("adult"))
    for data in (item.photo, item.close_up):
        assert not Image.open(io.BytesIO(data)).getexif()
    assert sheet_item(result("bare")).close_up == b""
