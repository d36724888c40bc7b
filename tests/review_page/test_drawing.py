"""Places and lines that the templates draw, against geometry worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crestgauge.cli.review.drawing import (
    axis_place,
    axis_span,
    band_lines,
    level_box,
    lower_first,
    number_place,
    picture_widths,
    profile_ends,
    profile_line,
    profile_place,
    profile_stops,
    query,
    sign,
)
from crestgauge.inference.confirm.geometry import LevelView, Place
from crestgauge.inference.confirm.jaw_pages import CrestView
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.confirm.queue_pages import QueueAsk, QueuePage
from crestgauge.inference.confirm.views import Axis, Interval, Viewer
from crestgauge.inference.reading import DefinitionRatios

HERE = Place(centre=(50.0, 20.0), normal=(0.0, -1.0))
NO_RATIOS = DefinitionRatios(middle=None, widest=None, outer=None, inner=None)


def crest(
    line: tuple[tuple[float, float], ...], edges: tuple[float, float, float, float] | None
) -> CrestView:
    return CrestView(
        tooth=4,
        name="m1",
        lobe=1,
        label="4 (m1), lobe 1",
        ratio=None,
        words="",
        against_one=None,
        beyond_axis=False,
        by_definition=NO_RATIOS,
        dentine_px=None,
        enamel_outer_px=None,
        enamel_inner_px=None,
        dentine_mm=None,
        enamel_outer_mm=None,
        enamel_inner_mm=None,
        edges_px=edges,
        place=HERE,
        line=line,
        profile=None,
        box=None,
        flags=(),
        by_person=False,
        machine_ratio=None,
        counts=True,
    )


def profile(grey: tuple[float, ...]) -> CrestProfile:
    colours = tuple((int(g), int(g), int(g)) for g in grey)
    return CrestProfile(
        tooth=4,
        lobe=1,
        at=0.5,
        place=HERE,
        start_px=-2.0,
        step_px=1.0,
        grey=grey,
        rgb=colours,
        averaged_over=1,
        length_px=1.0,
        edges_px=(1.0, 0.5, -0.5, -1.0),
        moved_px=0.0,
        inside=True,
    )


def test_axis_keeps_values_on_it():
    """A third of the way for 1 on an axis from 0 to 3; what lies beyond stays at its end."""
    axis = Axis()
    assert axis_place(1.0, axis) == pytest.approx(100 / 3, abs=0.01)
    assert axis_place(-0.4, axis) == 0.0
    assert axis_place(7.0, axis) == 100.0
    span = axis_span(Interval(value=1.5, u=0.25, low=1.0, high=2.0, text="1.50 ± 0.50"), axis)
    assert (span.low, span.value, span.high) == pytest.approx((33.33, 50.0, 66.67), abs=0.01)


def test_bands_lie_beside_a_level_line():
    """On a level line with the tongue above, an edge 3 px towards the tongue lies 3 px higher."""
    lines = band_lines(crest(((40.0, 20.0), (50.0, 20.0), (60.0, 20.0)), (3.0, 1.0, -1.0, -3.0)))
    assert lines[0] == "40.0,17.0 50.0,17.0 60.0,17.0"
    assert lines[3] == "40.0,23.0 50.0,23.0 60.0,23.0"


def test_bands_keep_their_distance_on_an_arc():
    """Beside an arc of radius 100, the edges are arcs of radius 100 + offset.

    Tolerance 0.2 px: the chord of 5 degrees is 0.1 px off the arc.
    """
    turns = [math.radians(a) for a in range(200, 341, 5)]
    line = tuple((50 + 100 * math.cos(t), 120 + 100 * math.sin(t)) for t in turns)
    for text, offset in zip(band_lines(crest(line, (6.0, 2.0, -2.0, -6.0))), (6, 2, -2, -6), strict=True):
        points = np.array([[float(v) for v in pair.split(",")] for pair in text.split()])
        radius = np.hypot(points[:, 0] - 50, points[:, 1] - 120)
        assert np.abs(radius - (100 + offset)).max() < 0.2


def test_a_crest_without_widths_has_no_bands():
    assert band_lines(crest(((0.0, 0.0), (1.0, 0.0)), None)) == ()


def test_profile_runs_from_tongue_to_hollow():
    """The tongue side (positive offsets) is on the left; the first sample, on the cheek side, comes last."""
    one = profile((10.0, 20.0, 30.0, 40.0, 50.0))
    ends = profile_ends(one)
    assert (ends.low, ends.high) == (-2.0, 2.0)
    assert profile_place(2.0, one) == 0.0
    assert profile_place(-2.0, one) == 100.0
    assert profile_place(1.0, one) == 25.0
    x_y = [tuple(float(v) for v in pair.split(",")) for pair in profile_line(one).split()]
    assert [x for x, _ in x_y] == [0, 250, 500, 750, 1000]
    assert [y for _, y in x_y] == sorted(y for _, y in x_y)  # bright is high, and it gets darker to the right
    assert profile_stops(one)[0] == (0.0, "#323232")  # 50
    assert profile_stops(one)[-1] == (100.0, "#0a0a0a")  # 10


def test_a_flat_profile_is_drawn():
    assert "nan" not in profile_line(profile((7.0, 7.0, 7.0)))


@pytest.mark.parametrize("turn", [0, 30, 170, -90])
def test_level_box_finds_the_middle_of_the_row(turn):
    """A row whose middle is put at the middle of the level view is found there again."""
    angle = math.radians(turn)
    c, s = math.cos(angle), math.sin(angle)
    middle, size = np.array([800.0, 600.0]), np.array([1000.0, 300.0])
    shift = size / 2 - np.array([[c, -s], [s, c]]) @ middle
    view = LevelView(
        matrix=((c, -s, float(shift[0])), (s, c, float(shift[1]))),
        angle_deg=turn,
        size=(1000.0, 300.0),
        found=True,
    )
    x, y, width, height, radians = (float(v) for v in level_box(view).split(","))
    assert (x, y, width, height) == pytest.approx((800, 600, 1000, 300), abs=0.1)  # written to 0.1 px
    assert math.remainder(radians - angle, 2 * math.pi) == pytest.approx(0, abs=1e-4)


def test_numbers_stand_on_the_cheek_side():
    """Below an unturned left jaw (tongue above), above a right one."""
    view = LevelView(matrix=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)), angle_deg=0, size=(1000.0, 300.0), found=True)
    box = (100.0, 100.0, 200.0, 180.0)
    assert number_place(box, view, "left")[1] > 180 > 100 > number_place(box, view, "right")[1]


def test_widths_of_pictures():
    assert picture_widths(4032) == "800,1600,3200,4032"
    assert picture_widths(1200) == "800,1200"


def test_signs_differ():
    """Each outcome, and each answer, has a sign of its own."""
    for words in (("clear", "borderline", "retake"), ("yes", "no", "borderline", "unseen")):
        assert len({sign(word) for word in words}) == len(words)
    assert sign("unseen, taken as passed") == sign("unseen")


def test_query_keeps_what_is_asked():
    page = QueuePage(
        viewer=Viewer(),
        ask=QueueAsk(outcomes=("clear",), search="A&B", page=3),
        rows=(),
        total=0,
        pages=9,
        heaps=(),
        failures=0,
        classes=(),
    )
    assert query(page, page=4) == "/queue?heap=clear&q=A%26B&todo=mine&page=4"
    assert query(page, heap="", page=1) == "/queue?q=A%26B&todo=mine&page=1"


def test_lower_first():
    assert lower_first("Tooth 4 (m1)") == "tooth 4 (m1)"
