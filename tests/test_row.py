"""The row in coarse maps of a whole photo: any turn, partial rows, fawns, stray teeth, borders, no row at
all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from drawn_row import DrawnRow, draw, plain_row
from hypothesis import given, settings
from hypothesis import strategies as st

from crestgauge.inference.closer import closer_box
from crestgauge.inference.coarse_crowns import coarse_size
from crestgauge.inference.errors import InputError
from crestgauge.inference.maps import CROP_SIZE, NOMINAL_ROW_MM, LabelMaps, RowFrame
from crestgauge.inference.nominal import (
    CROP_PX_PER_MM,
    nominal_centres_px,
    nominal_ends_mm,
    visible_middle_mm,
)
from crestgauge.inference.row import axis_frames, find_row
from crestgauge.model.labels import CHANNELS, N_CHANNELS

PHOTO = (4000, 3000)
COARSE = (512, 384)


def coarse_row(positions=range(1, 7), *, milk: bool = False, enlarge: float = 0.25, **row) -> DrawnRow:
    """A row of about 310 coarse px on a 4:3 photo."""
    return plain_row(positions=positions, milk=milk, size=COARSE, enlarge=enlarge, fine=2, **row)


def misplaced_px(frame: RowFrame | None, teeth: Sequence[int], row: DrawnRow) -> float:
    """Largest distance in the crop between where nominal crown middles land and where they should. [crop
    px]"""
    assert frame is not None
    s = (nominal_ends_mm().mean(axis=1) - nominal_ends_mm()[-1, 1] / 2) * CROP_PX_PER_MM
    photo = (row.to_crop(np.stack([s, 0 * s], axis=1)) + 0.5) * PHOTO[0] / COARSE[0] - 0.5
    crop = photo @ frame.matrix[:, :2].T + frame.matrix[:, 2]
    middle = (visible_middle_mm(teeth) - NOMINAL_ROW_MM / 2) * CROP_PX_PER_MM
    wanted = np.stack([nominal_centres_px() - middle, 0 * s + CROP_SIZE[1] / 2 - 0.5], axis=1)
    return float(np.hypot(*(crop - wanted).T).max())


def test_nominal_row_fills_its_share_of_the_crop() -> None:
    """82 mm at 15 px per mm: 0.80 of 1536 px, in the middle."""
    assert CROP_PX_PER_MM == pytest.approx(15.0, abs=0.02)
    lengths = np.ptp(nominal_ends_mm(), axis=1) * CROP_PX_PER_MM
    first = nominal_centres_px()[0] - lengths[0] / 2
    last = nominal_centres_px()[-1] + lengths[-1] / 2
    assert last - first == pytest.approx(0.80 * CROP_SIZE[0])
    assert (first + last) / 2 == pytest.approx((CROP_SIZE[0] - 1) / 2)


@settings(max_examples=12, deadline=None)
@given(
    turn=st.floats(0, 360),
    side=st.sampled_from(["left", "right"]),
    enlarge=st.floats(0.08, 0.27),
)
def test_any_turn_side_and_size(turn: float, side: str, enlarge: float) -> None:
    """
    Frame within 10 crop px (0.7 nominal mm) of the truth, tooth 1 at the left, no mirror.

    One coarse px of a small row is 1 / 0.08 = 12 crop px; the fit over six crowns is good to a fraction of
    it.
    """
    row = coarse_row(turn_deg=turn, side=side, enlarge=enlarge)
    found = find_row(draw(row), PHOTO)
    assert found.teeth == (1, 2, 3, 4, 5, 6)
    assert misplaced_px(found.frame, found.teeth, row) < 10.0
    assert found.frame is not None and np.linalg.det(found.frame.matrix[:, :2]) > 0
    assert found.row_length_px == pytest.approx(
        82 * CROP_PX_PER_MM * enlarge * PHOTO[0] / COARSE[0], rel=0.03
    )


@pytest.mark.parametrize(
    "positions", [[1, 2, 3, 4], [1, 2, 3, 4, 5], [4, 5, 6], [2, 3, 4, 5, 6], [1, 2, 3, 5, 6]]
)
def test_partial_rows(positions: list[int]) -> None:
    """Fawns, broken-off rows, a gap: the frame is the one of the whole row, within 12 crop px."""
    row = coarse_row(positions, turn_deg=190.0, milk=positions[-1] < 6)
    found = find_row(draw(row), PHOTO)
    assert found.teeth == tuple(positions)
    assert misplaced_px(found.frame, found.teeth, row) < 12.0


def test_stray_teeth_and_wrong_numbers() -> None:
    """False teeth elsewhere, and crown 5 half labelled as 4: the row is still the row."""
    row = coarse_row(turn_deg=20.0)
    maps = draw(row)
    channels = maps.channels.copy()
    tooth = channels[CHANNELS["tooth"]]
    for number, (x, y) in {6: (20, 20), 2: (460, 30), 5: (60, 340), 1: (470, 350)}.items():
        tooth[:, y : y + 22, x : x + 26] = 0.0
        tooth[number, y : y + 22, x : x + 26] = 1.0
    half = slice(None), slice(300, 330)
    tooth[4][half] += tooth[5][half]
    tooth[5][half] = 0.0
    found = find_row(LabelMaps(channels), PHOTO)
    assert found.teeth == (1, 2, 3, 4, 5, 6)
    assert misplaced_px(found.frame, found.teeth, row) < 15.0
    assert found.second_row < 0.3
    assert found.crown_px > found.row_px


def test_two_rows_in_one_photo() -> None:
    """Two jaws side by side: the larger one is measured, and the other is reported."""
    large, small = coarse_row(shift=(0.0, -70.0)), coarse_row(shift=(0.0, 90.0), enlarge=0.18, side="right")
    a, b = draw(large).channels, draw(small).channels
    channels = np.where(b[CHANNELS["tooth"]][:1] < 0.5, b, a)
    found = find_row(LabelMaps(channels), PHOTO)
    assert misplaced_px(found.frame, found.teeth, large) < 10.0
    assert 0.3 < found.second_row < 0.8


def two_rows(main: DrawnRow, other: DrawnRow) -> LabelMaps:
    """Label maps of two rows in one photo."""
    a, b = draw(main).channels, draw(other).channels
    return LabelMaps(np.where(b[CHANNELS["tooth"]][:1] < 0.5, b, a))


@pytest.mark.parametrize(
    ("apart", "turn", "side"),
    [(62.0, 0.0, "right"), (66.0, 0.0, "left"), (90.0, 14.0, "right"), (66.0, 180.0, "left")],
)
def test_no_frame_lies_across_two_rows(apart: float, turn: float, side: str) -> None:
    """
    Rows of one size, 16 nominal mm apart and more, side by side, opening like the halves of a jaw, or head to
    tail: the frame is that of the one in the middle, within the 10 crop px of a row alone.
    """
    main = coarse_row(shift=(0.0, 0.0))
    other = coarse_row(shift=(0.0, apart), turn_deg=turn, side=side)
    found = find_row(two_rows(main, other), PHOTO)
    assert found.teeth == (1, 2, 3, 4, 5, 6)
    assert misplaced_px(found.frame, found.teeth, main) < 10.0
    assert 0.7 < found.second_row < 1.3
    alone = find_row(draw(main), PHOTO)
    assert found.crowns.shape == pytest.approx(alone.crowns.shape, rel=0.02) and alone.second_row == 0.0
    assert found.crowns.breadth_px == pytest.approx(alone.crowns.breadth_px, rel=0.02)


def test_the_row_in_the_middle_is_the_one_that_is_meant() -> None:
    """A slightly larger row at the border gives way; one that is far larger does not."""
    main = coarse_row(shift=(0.0, 0.0), enlarge=0.23)
    for enlarge, meant in ((0.25, main), (0.34, None)):
        other = coarse_row(shift=(0.0, -120.0), enlarge=enlarge)
        found = find_row(two_rows(main, other), PHOTO)
        assert misplaced_px(found.frame, found.teeth, meant or other) < 12.0
        assert found.second_row > 0.3
        # 120 of 512 coarse px of the long side, whichever of the two is read; both are worn alike.
        assert abs(found.second_nearer) == pytest.approx(120 / 512, abs=0.02)
        assert (found.second_nearer < 0) == (meant is main)
        assert found.second_wear < 0.05


def test_a_row_that_is_cut_gives_way_to_a_whole_one() -> None:
    """The same size, but three molars are out of the picture."""
    main, other = coarse_row(shift=(0.0, 30.0)), coarse_row(shift=(185.0, -60.0), side="right")
    found = find_row(two_rows(main, other), PHOTO)
    assert misplaced_px(found.frame, found.teeth, main) < 10.0
    assert 0.2 < found.second_row < 0.8


def test_a_fawn_in_the_middle_and_an_older_jaw_at_the_border() -> None:
    """The larger row, all six teeth of it, is cut lengthwise by the border; the smaller one is whole."""
    fawn = coarse_row(range(1, 5), milk=True, shift=(-20.0, 10.0), enlarge=0.2)
    for shift in ((0.0, -190.0), (0.0, 190.0)):
        found = find_row(two_rows(fawn, coarse_row(shift=shift, enlarge=0.3, side="right")), PHOTO)
        assert found.teeth == (1, 2, 3, 4) and found.borders == ()
        alone = find_row(draw(fawn), PHOTO)
        assert found.frame is not None and alone.frame is not None
        assert found.frame.matrix == pytest.approx(alone.frame.matrix, rel=0.02, abs=4.0)


def test_frames_along_the_axis_leave_a_second_row_out() -> None:
    """Both ways round along the row alone, though a second one lies beside it."""
    main = coarse_row(range(1, 6), milk=True)
    with_it = two_rows(
        main, coarse_row(range(1, 6), milk=True, shift=(0.0, 75.0), turn_deg=10.0, side="right")
    )
    for one, other in zip(axis_frames(with_it, PHOTO), axis_frames(draw(main), PHOTO), strict=True):
        assert one.matrix == pytest.approx(other.matrix, rel=0.02, abs=4.0)


def test_wrong_numbers_in_a_row_are_no_second_row() -> None:
    """A row with every other crown numbered from its far end: the other numbers lie along the same line."""
    row = coarse_row()
    channels = draw(row).channels.copy()
    tooth = channels[CHANNELS["tooth"]]
    for a, b in ((1, 6), (3, 4)):
        tooth[[a, b]] = tooth[[b, a]]
    found = find_row(LabelMaps(channels), PHOTO)
    assert found.second_row == 0.0


def test_row_cut_by_the_border() -> None:
    """Tooth 6 runs out at the right: the side is named, a share of the row lies outside, the frame holds."""
    row = coarse_row(shift=(130.0, 0.0), enlarge=0.28)
    found = find_row(draw(row), PHOTO)
    assert found.borders == ("right",)
    assert 0.05 < found.outside < 0.25
    assert misplaced_px(found.frame, found.teeth, row) < 25.0
    assert find_row(draw(coarse_row()), PHOTO).borders == ()


def test_no_row() -> None:
    """Nothing, one tooth, or a scatter of teeth that no line orders: no frame, and numbers that say what was
    seen."""
    channels = np.zeros((22, *COARSE[::-1]), dtype=np.float32)
    channels[CHANNELS["tooth"]][0] = 1.0
    nothing = find_row(LabelMaps(channels), PHOTO)
    assert nothing.frame is None and nothing.crown_px == 0
    one = find_row(draw(coarse_row([4])), PHOTO)
    assert one.frame is None and one.crown_px > 100
    tooth = channels[CHANNELS["tooth"]]
    for number, (x, y) in {
        1: (40, 300),
        2: (400, 40),
        3: (60, 60),
        4: (250, 330),
        5: (450, 300),
        6: (230, 40),
    }.items():
        tooth[:, y : y + 30, x : x + 30] = 0.0
        tooth[number, y : y + 30, x : x + 30] = 1.0
    scatter = find_row(LabelMaps(channels), PHOTO)
    assert scatter.frame is None and scatter.crown_px == 6 * 900


def test_padding_is_not_looked_at() -> None:
    """A crown in the padding below the photo changes nothing; maps smaller than the photo are an error."""
    wide = (4000, 1500)
    assert coarse_size(wide) == (512, 192)
    channels = np.zeros((22, 192, 512), dtype=np.float32)
    channels[CHANNELS["tooth"]][0] = 1.0
    padded = np.pad(channels, ((0, 0), (0, 32), (0, 0)))
    padded[CHANNELS["tooth"]][3, 200:, :] = 1.0
    assert find_row(LabelMaps(padded), wide).crown_px == 0
    with pytest.raises(InputError, match="needs at least"):
        find_row(LabelMaps(channels[:, :100]), wide)


@pytest.mark.parametrize("turn", [0.0, 70.0, 200.0])
def test_one_axis_frame_lies_right_whatever_the_numbers_say(turn: float) -> None:
    """All labels exchanged back to front: the search is misled, but one of the two frames along the crowns'
    axis lays the row within half a tooth, the other one the wrong way round."""
    row = coarse_row(range(1, 6), milk=True, turn_deg=turn)
    maps = draw(row)
    block = maps.block("tooth")
    block[1:] = block[:0:-1].copy()
    frames = axis_frames(maps, PHOTO)
    away = [misplaced_px(frame, range(1, 6), row) for frame in frames]
    assert min(away) < 100 < 600 < max(away)


def test_no_axis_without_crowns() -> None:
    """An empty picture has no frames to try."""
    maps = draw(coarse_row())
    maps.block("tooth")[1:] = 0.0
    maps.block("tooth")[0] = 1.0
    assert axis_frames(maps, PHOTO) == ()


def test_shape_is_length_squared_over_area() -> None:
    """A bar of 300 x 30 px has 10, however it is numbered and lies; 98 % of its length is used. In a photo
    4000 / 512 times as large its breadth is 234 px."""
    channels = np.zeros((N_CHANNELS, COARSE[1], COARSE[0]), dtype=np.float32)
    tooth = channels[CHANNELS["tooth"]]
    tooth[0] = 1.0
    for k, x in enumerate(range(100, 400, 60)):
        tooth[0, 200:230, x : x + 60], tooth[(3 * k) % 6 + 1, 200:230, x : x + 60] = 0.0, 1.0
    assert find_row(LabelMaps(channels), PHOTO).crowns.shape == pytest.approx(10 * 0.98**2, rel=0.01)
    assert find_row(LabelMaps(channels), PHOTO).crowns.breadth_px == pytest.approx(
        30 * 4000 / 512 / 0.98, rel=0.01
    )
    upright = find_row(LabelMaps(np.ascontiguousarray(channels.transpose(0, 2, 1))), PHOTO[::-1])
    assert upright.crowns.shape == pytest.approx(10 * 0.98**2, rel=0.01)
    tooth[1:, :, 200:], tooth[0, :, 200:] = 0.0, 1.0
    assert find_row(LabelMaps(channels), PHOTO).crowns.shape == pytest.approx(
        (0.98 * 99) ** 2 / 3000, rel=0.01
    )
    tooth[1:], tooth[0] = 0.0, 1.0
    assert find_row(LabelMaps(channels), PHOTO).crowns.shape == 0.0


def bar(bone: slice, *, tilt: tuple[float, float] = (0.0, 0.0)) -> LabelMaps:
    """Crowns 300 x 30 px in a bone between these columns and 20 px broader on either side."""
    channels = np.zeros((N_CHANNELS, COARSE[1], COARSE[0]), dtype=np.float32)
    tooth, material = channels[CHANNELS["tooth"]], channels[CHANNELS["material"]]
    tooth[0] = material[0] = 1.0
    material[0, 180:250, bone], material[1, 180:250, bone] = 0.0, 1.0
    for k, x in enumerate(range(100, 400, 50)):
        tooth[0, 200:230, x : x + 50], tooth[k + 1, 200:230, x : x + 50] = 0.0, 1.0
        material[:, 200:230, x : x + 50] = 0.0
        material[2, 200:230, x : x + 50] = 1.0
    channels[CHANNELS["tilt"]] = np.reshape(tilt, (2, 1, 1))
    return LabelMaps(channels)


@pytest.mark.parametrize(
    ("bone", "share"),
    [(slice(40, 460), 0.0), (slice(40, 401), 1.0), (slice(99, 460), 1.0), (slice(40, 418), 0.5)],
)
def test_crowns_end_in_bone_or_where_it_ends(bone: slice, share: float) -> None:
    """
    Looked at are 1.1 breadths, 33 px, from a tenth of one on, that is columns 400 to 433, as the crowns' own
    end is taken at 1 % of their length.
    """
    assert find_row(bar(bone), PHOTO).crowns.bare_end == pytest.approx(share, abs=0.06)  # 24 steps
    turned = LabelMaps(np.ascontiguousarray(bar(bone).channels.transpose(0, 2, 1)))
    assert find_row(turned, PHOTO[::-1]).crowns.bare_end == pytest.approx(share, abs=0.06)


def test_an_end_at_the_border_is_not_bare() -> None:
    """A photo that ends with the crowns shows nothing of what lies beyond; padding is no ground."""
    narrow = (1200, 1500)  # 410 coarse px wide
    assert coarse_size(narrow) == (410, 512)
    maps = np.pad(bar(slice(40, 401)).channels, ((0, 0), (0, 128), (0, 0)))
    assert find_row(LabelMaps(np.ascontiguousarray(maps)), narrow).crowns.bare_end == 0.0


def test_tilt_is_that_of_the_mean_line_of_sight_over_the_crowns() -> None:
    """A sine of hypot(0.3, 0.4) is 30 degrees; other pixels do not count."""
    maps = bar(slice(40, 460), tilt=(0.3, -0.4))
    maps.block("tilt")[:, :100] = 0.9
    assert find_row(maps, PHOTO).crowns.tilt_deg == pytest.approx(30.0, abs=1e-3)  # 32-bit maps
    nothing = LabelMaps(np.zeros_like(maps.channels))
    nothing.block("tooth")[0] = 1.0
    assert find_row(nothing, PHOTO).crowns.tilt_deg is None


def test_the_search_says_how_sure_the_view_is_and_only_of_a_blur_that_it_can_see() -> None:
    """By the median over the crowns; a blur of less than a coarse pixel is the shrunk picture's own."""
    maps = bar(slice(40, 460), tilt=(0.3, -0.4))
    maps.block("tilt_log_sigma")[:] = 0.125
    for coarse_px, expected in ((0.9, None), (2.5, 2.5 * max(PHOTO) / 512)):
        maps.block("blur")[:] = coarse_px
        search = find_row(maps, PHOTO)
        assert search.crowns.view is not None and search.crowns.view.u == 0.125
        assert (search.crowns.view.x, search.crowns.view.y) == pytest.approx(
            (0.3, -0.4), abs=1e-4
        )  # 32-bit maps
        assert search.crowns.blur_px == (None if expected is None else pytest.approx(expected))


def test_the_search_leaves_its_maps_as_they_were() -> None:
    maps = draw(coarse_row())
    before = maps.channels.copy()
    find_row(maps, PHOTO)
    assert np.array_equal(maps.channels, before)


def test_the_closer_look_is_at_all_larger_patches() -> None:
    """Bone at 100..159 x 200..239 and half as much at 170..199: 100 px long, so 30 px around, times
    4000 / 512; a speck elsewhere is left out."""
    channels = np.zeros((N_CHANNELS, COARSE[1], COARSE[0]), dtype=np.float32)
    material = channels[CHANNELS["material"]]
    material[0] = channels[CHANNELS["tooth"]][0] = 1.0
    assert closer_box(LabelMaps(channels), PHOTO) is None
    material[0, 200:240, 100:160] = material[0, 200:240, 170:200] = 0.0
    material[0, 10:14, 500:510] = 0.0
    f = 4000 / 512
    box = closer_box(LabelMaps(channels), PHOTO)
    assert box == pytest.approx((70 * f, 170 * f, 230 * f, 270 * f), abs=1.0)  # whole photo pixels
    material[0, 200:240, 100:400] = 0.0  # 300 px and its margins are more than half of 512
    assert closer_box(LabelMaps(channels), PHOTO) is None


def test_a_closer_look_stays_inside_the_photo() -> None:
    channels = np.zeros((N_CHANNELS, COARSE[1], COARSE[0]), dtype=np.float32)
    channels[CHANNELS["material"]][0] = channels[CHANNELS["tooth"]][0] = 1.0
    channels[CHANNELS["tooth"]][0, 364:, 492:] = 0.0
    left, top, right, bottom = closer_box(LabelMaps(channels), PHOTO) or (0, 0, 0, 0)
    assert (right, bottom) == PHOTO and 0 < left < right and 0 < top < bottom


def test_a_frame_of_a_part_is_moved_to_the_whole() -> None:
    frame = RowFrame(np.array([[0.5, 0.1, 3.0], [-0.1, 0.5, 7.0]]))
    point = np.array([[11.0, 5.0]])
    moved = frame.to_photo(point) + np.array([100, 40])
    assert frame.moved(100, 40).to_photo(point) == pytest.approx(moved)
    assert frame.moved(100, 40).scale == frame.scale
