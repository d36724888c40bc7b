"""Places and profiles on drawn bands of known width, at any turn; the level view turns and never mirrors."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from built_readings import PHOTO, full, read
from evidence_rows import molar, row

from crestgauge.inference.build import CrestWidths
from crestgauge.inference.confirm.geometry import band_edges, level_view, measured_side, place
from crestgauge.inference.confirm.profiles import crest_profile, crest_profiles
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import Quantity

SIZE = 400
ENAMEL, DENTINE, GROUND = 220.0, 90.0, 40.0
OUTER_PX, DENTINE_PX, INNER_PX = 9.0, 14.0, 7.0
"""Widths of the drawn bands. [px]"""


def drawn(angle_deg, *, blur=1.0):
    """
    A straight crest through the middle of a picture: bands square to a direction, softened at their edges.

    Returns the picture, the crest line from front to back, and the unit vector towards the tongue for a jaw
    whose tongue side lies to the left of that direction (a left jaw).
    """
    t = math.radians(angle_deg)
    along, tongue = np.array([math.cos(t), math.sin(t)]), np.array([math.sin(t), -math.cos(t)])
    y, x = np.mgrid[:SIZE, :SIZE]
    across = (x - SIZE / 2) * tongue[0] + (y - SIZE / 2) * tongue[1]

    def step(at):
        return 0.5 * (1 + np.vectorize(math.erf)((across - at) / (math.sqrt(2) * blur)))

    edges = (-DENTINE_PX / 2 - INNER_PX, -DENTINE_PX / 2, DENTINE_PX / 2, DENTINE_PX / 2 + OUTER_PX)
    levels = (GROUND, ENAMEL, DENTINE, ENAMEL, GROUND)
    grey = np.full((SIZE, SIZE), levels[0])
    for at, (before, after) in zip(edges, itertools.pairwise(levels), strict=True):
        grey += step(at) * (after - before)
    pixels = np.repeat(np.rint(grey).astype(np.uint8)[:, :, None], 3, axis=2)
    middle = np.array([SIZE / 2, SIZE / 2])
    line = [tuple(middle + s * along) for s in np.linspace(-60, 60, 25)]
    return pixels, line, tongue


def reading_of(line, *, side="left", box=(100.0, 100.0, 300.0, 300.0)):
    """A reading whose tooth 4, lobe 1 has that line and the drawn widths."""
    measured = full(row(molar(4, 1.4)))
    u = 0.3
    widths = CrestWidths(
        dentine_px=Quantity(DENTINE_PX, u),
        enamel_outer_px=Quantity(OUTER_PX, u),
        enamel_inner_px=Quantity(INNER_PX, u),
        line=line,
    )
    measured = replace(
        measured,
        widths={**measured.widths, (4, 1): widths},
        side=side,
        boxes={position: box for position in range(1, 7)},
    )
    made = read(measured.evidence, measured=measured)
    return replace(made, photo=replace(PHOTO, width=SIZE, height=SIZE))


def crossings(profile, level):
    """Places where the brightness passes a level, by straight lines between samples. [px]"""
    # A sample that lies just on the level would cross it nowhere.
    grey = np.asarray(profile.grey) + 1e-3
    at = profile.start_px + profile.step_px * np.arange(grey.size)
    i = np.flatnonzero((grey[:-1] - level) * (grey[1:] - level) < 0)
    return at[i] + profile.step_px * (level - grey[i]) / (grey[i + 1] - grey[i])


@pytest.mark.parametrize("angle_deg", [0, 17, 90, 133, 180, 251])
def test_a_profile_shows_the_drawn_edges_where_they_are(angle_deg):
    """
    Mid-levels between the drawn plateaus lie on the drawn edges (bands of 7 blur sigmas: 1.00 of the truth,
    by the table of Gaussian-blurred bars in tests of `mid_level_width`). 0.1 px: lines between samples of
    half a pixel, 8-bit rounding, and a line written to 0.01 px.
    """
    pixels, line, tongue = drawn(angle_deg)
    reading = reading_of(line)
    profile = crest_profile(reading, pixels, 4, 1)
    assert profile.place.normal == pytest.approx(tuple(tongue), abs=2e-3)
    assert profile.place.centre == pytest.approx((SIZE / 2, SIZE / 2), abs=0.02)
    inner, outer = -DENTINE_PX / 2, DENTINE_PX / 2
    dentine = crossings(profile, (ENAMEL + DENTINE) / 2)
    assert dentine[(dentine > inner - 2) & (dentine < outer + 2)] == pytest.approx([inner, outer], abs=0.1)
    ends = crossings(profile, (ENAMEL + GROUND) / 2)
    assert [ends.min(), ends.max()] == pytest.approx([inner - INNER_PX, outer + OUTER_PX], abs=0.1)
    assert profile.edges_px == pytest.approx((outer + OUTER_PX, outer, inner, inner - INNER_PX), abs=0.5)
    assert profile.inside


@pytest.mark.parametrize("off_px", [-2.5, 1.5, 3.0])
def test_bands_are_laid_where_they_fit_the_brightness(off_px):
    """
    A line beside the dentine's middle: the bands go to the dentine, their widths stay. Half a sample: 0.25.
    """
    pixels, line, tongue = drawn(33)
    beside = [(x + off_px * tongue[0], y + off_px * tongue[1]) for x, y in line]
    profile = crest_profile(reading_of(beside), pixels, 4, 1)
    assert profile.moved_px == pytest.approx(-off_px, abs=0.3)
    a, b, c, d = profile.edges_px
    assert (a - b, b - c, c - d) == pytest.approx((OUTER_PX, DENTINE_PX, INNER_PX))


def test_bands_stay_on_the_line_where_the_picture_tells_nothing():
    _, line, _ = drawn(33)
    rng = np.random.default_rng(3)
    noise = np.repeat(rng.integers(118, 124, (SIZE, SIZE, 1), dtype=np.uint8), 3, axis=2)
    assert crest_profile(reading_of(line), noise, 4, 1).moved_px == 0.0


def test_a_right_jaw_has_its_tongue_on_the_other_side():
    pixels, line, tongue = drawn(0)
    right = crest_profile(reading_of(line, side="right"), pixels, 4, 1)
    left = crest_profile(reading_of(line, side="left"), pixels, 4, 1)
    assert left.place.normal == pytest.approx(tuple(tongue))
    assert right.place.normal == pytest.approx(tuple(-tongue))
    assert right.grey == left.grey[::-1]


@pytest.mark.parametrize(
    ("box", "side"), [((0.0, 195.0, 399.0, 399.0), "left"), ((0.0, 0.0, 399.0, 205.0), "right")]
)
def test_an_open_side_is_told_by_where_the_crests_lie(box, side):
    """
    The tongue-side crest lies on the tongue side of its crown: above the middle for a left jaw, as drawn.
    """
    _, line, _ = drawn(0)
    reading = reading_of(line, side=None, box=box)
    empty = tuple(
        replace(tooth, crests=tuple(replace(c, line=()) for c in tooth.crests))
        if tooth.position != 4
        else tooth
        for tooth in reading.teeth
    )
    fourth = replace(
        empty[3], crests=tuple(replace(c, line=c.line if c.lobe == 1 else ()) for c in empty[3].crests)
    )
    reading = replace(reading, teeth=(*empty[:3], fourth, *empty[4:]))
    assert measured_side(reading) == side


def test_along_the_line_by_arc_length():
    """A bent line: 0.25 of an L of 60 and 20 px lies 20 px along its first arm."""
    reading = reading_of([(100.0, 100.0), (160.0, 100.0), (160.0, 120.0)])
    tooth = reading.teeth[3]
    found = place(reading, tooth, tooth.crests[0], 0.25)
    assert found.centre == pytest.approx((120.0, 100.0))
    assert place(reading, tooth, tooth.crests[0], 1.0).centre == pytest.approx((160.0, 120.0))
    with pytest.raises(InputError, match="0 to 1"):
        place(reading, tooth, tooth.crests[0], 1.5)


def test_where_there_is_no_line_or_no_band_there_is_nothing_to_show():
    pixels, line, _ = drawn(0)
    reading = reading_of(line)
    bare = replace(reading.teeth[3].crests[0], line=(), enamel_inner_px=None)
    assert band_edges(bare) is None
    assert place(reading, reading.teeth[3], bare) is None
    with pytest.raises(InputError, match="no crest there"):
        crest_profile(reading, pixels, 4, 3)
    with pytest.raises(InputError, match="upright photo"):
        crest_profile(reading, pixels[:-1], 4, 1)
    assert (4, 1) in crest_profiles(reading, pixels)


def test_a_profile_beyond_the_border_says_so():
    pixels, _, _ = drawn(0)
    reading = reading_of([(10.0, 3.0), (90.0, 3.0)])
    assert not crest_profile(reading, pixels, 4, 1).inside


@pytest.mark.parametrize("angle_deg", [0, 30, 90, 180, -100])
def test_the_level_view_turns_the_row_and_never_mirrors(angle_deg):
    """Six square crowns in a row at a known turn: level, tooth 1 left, all inside, no stretching."""
    t = math.radians(angle_deg)
    centres = [(2000 + 300 * k * math.cos(t), 1500 + 300 * k * math.sin(t)) for k in range(-3, 3)]
    boxes = {k + 1: (x - 90.0, y - 90.0, x + 90.0, y + 90.0) for k, (x, y) in enumerate(centres)}
    measured = replace(full(row()), boxes=boxes)
    view = level_view(read(measured.evidence, measured=measured))
    matrix = np.asarray(view.matrix)
    assert view.found
    assert np.linalg.det(matrix[:, :2]) == pytest.approx(1.0, abs=1e-9)
    level = np.asarray(centres) @ matrix[:, :2].T + matrix[:, 2]
    # Boxes are written to 0.01 px.
    assert np.ptp(level[:, 1]) == pytest.approx(0.0, abs=0.05)
    assert np.diff(level[:, 0]) == pytest.approx(np.full(5, 300.0), abs=0.05)
    assert (level > 0).all()
    assert (level < view.size).all()
    assert (view.angle_deg + angle_deg) % 360 == pytest.approx(0.0, abs=0.02) or (
        view.angle_deg + angle_deg
    ) % 360 == pytest.approx(360.0, abs=0.02)


def test_without_a_row_the_view_is_the_whole_photo():
    measured = replace(full(row()), boxes={})
    view = level_view(read(measured.evidence, measured=measured))
    assert (view.found, view.size, view.angle_deg) == (False, (4032.0, 3024.0), 0.0)
