"""Numbering of columns, side of jaw, lobes, states, places without a crown, and the way back to a better
frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_row import DrawnLobe, DrawnRow, draw, plain_row
from hypothesis import given, settings
from hypothesis import strategies as st

from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import measure_row
from crestgauge.inference.measured import CrestFlag, RowFlag, ToothFlag, sentences
from crestgauge.inference.nominal import nominal_centres_px
from crestgauge.inference.numbering import TeethOptions, number_columns
from crestgauge.inference.teeth import enclosed_shares, find_teeth
from crestgauge.model.labels import CHANNELS, LOBES, Material

IDENTITY = RowFrame(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
OPTIONS = TeethOptions()
X = 4.0 * np.arange(400)


@settings(max_examples=40, deadline=None)
@given(
    seen=st.sets(st.integers(1, 6), min_size=1),
    wrong=st.floats(0.0, 0.4),
    seed=st.integers(0, 2**16),
)
def test_columns_are_numbered_in_order(seen: set[int], wrong: float, seed: int) -> None:
    """
    Any set of teeth with up to 40 % of their mass on other numbers, column by column: exactly these, in
    place.

    Tolerance one column (4 px) at each end.
    """
    rng = np.random.default_rng(seed)
    mass = np.zeros((6, 360))
    ends = {}
    for position in range(1, 7):
        begin, end = 60 * (position - 1) + 3, 60 * position - 3
        if position in seen:
            share = np.full((6, end - begin), wrong / 6)
            other = rng.integers(0, 6, end - begin)
            share[other, np.arange(end - begin)] += wrong * 5 / 6
            share[position - 1] += 1.0 - wrong
            mass[:, begin:end] = 130.0 * share
            ends[position] = (4.0 * begin, 4.0 * end)
    found = number_columns(mass, X[: mass.shape[1]], OPTIONS)
    assert list(found) == sorted(seen)
    for position, (begin, end) in ends.items():
        assert found[position] == pytest.approx((begin, end), abs=4.5)


def test_numbers_never_run_backwards() -> None:
    """Labels 5 4 along the row cannot both be right: the heavier one stays."""
    mass = np.zeros((6, 200))
    mass[4, 20:90] = 130.0
    mass[3, 100:140] = 130.0
    assert list(number_columns(mass, X[: mass.shape[1]], OPTIONS)) == [5]


def test_empty_columns_have_no_teeth() -> None:
    """Nothing and next to nothing give nothing."""
    assert number_columns(np.zeros((6, 100)), X[:100], OPTIONS) == {}
    assert number_columns(np.full((6, 100), 1.0), X[:100], OPTIONS) == {}


@pytest.mark.parametrize("side", ["left", "right"])
def test_side_from_the_tongue_side_block(side: str) -> None:
    """Tongue side up is a left jaw; a block without opinion (0.5 everywhere) names no side and says so."""
    maps = draw(plain_row(side=side, positions=[3, 4, 5]))
    row = measure_row(maps, IDENTITY)
    assert row is not None and row.side == side
    channels = maps.channels.copy()
    channels[CHANNELS["lingual"]] = 0.5
    undecided = measure_row(LabelMaps(channels), IDENTITY)
    assert undecided is not None
    assert undecided.side is None and undecided.flags & RowFlag.SIDE_UNSURE
    assert undecided.side_confidence == pytest.approx(0.0, abs=0.01)


def test_lobe_centres_and_boxes() -> None:
    """Centres to 1 px, boxes to 4 px (the label grid's step and its margin), both in photo px."""
    drawn = plain_row(turn_deg=-3.0)
    row = measure_row(draw(drawn), IDENTITY)
    assert row is not None
    for tooth in row.teeth:
        spans = drawn.lobe_spans(tooth.position)
        wanted = drawn.to_crop(np.array([[0.5 * (b + e), 0.0] for b, e in spans]))
        assert tooth.lobe_centres == pytest.approx(wanted, abs=1.0)
        half = drawn.teeth[tooth.position].breadth / 2
        begin, end = drawn.tooth_ends()[tooth.position]
        corners = drawn.to_crop(np.array([[begin, half], [end, half], [end, -half], [begin, -half]]))
        assert tooth.box == pytest.approx((*corners.min(axis=0), *corners.max(axis=0)), abs=4.0)


def test_hidden_lobe_keeps_its_number() -> None:
    """Lobe 1 of tooth 5 without heat (food packed over it): one lobe counted, both crests measured under
    their numbers."""
    drawn = plain_row(positions=[4, 5, 6])
    maps = draw(drawn)
    channels = maps.channels.copy()
    begin, end = (int(v) for v in drawn.to_crop(np.array([[s, 0.0] for s in drawn.lobe_spans(5)[0]]))[:, 0])
    channels[CHANNELS["lobe"]][0, :, begin:end] = 0.0
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    tooth = row.teeth[4]
    assert tooth.lobes == 1 and tooth.flags & ToothFlag.LOBES_UNUSUAL
    assert [c.lobe for c in tooth.crests] == [1, 2]
    assert (
        tooth.crests[0].flags & CrestFlag.LOBE_ASSUMED and not tooth.crests[1].flags & CrestFlag.LOBE_ASSUMED
    )
    for crest in tooth.crests:
        assert crest.ratio is not None and crest.ratio.value == pytest.approx(14.0 / 9.0, rel=0.03)


def test_states_and_their_doubt() -> None:
    """State by the crown's mean; a crown half erupting, half erupted is flagged."""
    drawn = plain_row(positions=[4, 5, 6])
    teeth = dict(drawn.teeth)
    teeth[6] = replace(teeth[6], state=1)
    teeth[4] = replace(teeth[4], state=2)
    maps = draw(replace(drawn, teeth=teeth))
    channels = maps.channels.copy()
    middle = int(nominal_centres_px()[4])
    channels[CHANNELS["state"]][:, :, middle : middle + 200] = np.array([0.4, 0.6, 0.0])[:, None, None]
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    assert [t.state for t in row.teeth[3:]] == ["broken", "erupted", "erupting"]
    assert row.teeth[4].flags & ToothFlag.STATE_UNSURE
    assert sentences(row.teeth[4].flags)


def test_covered_tooth_is_unseen() -> None:
    """A hand (background) over tooth 5 from end to end: unseen, not missing."""
    drawn = plain_row(positions=[4, 6])
    maps = draw(drawn)
    channels = maps.channels.copy()
    x = int(nominal_centres_px()[4])
    channels[CHANNELS["material"]][:, :, x - 105 : x + 105] = np.eye(6)[Material.BACKGROUND][:, None, None]
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    assert row.teeth[4].state == "unseen"


def one_block(rows: int, columns: int, **beside: Material) -> tuple[np.ndarray, np.ndarray]:
    """Tooth 4: a block of dentine in jaw, with another material along some of its sides, 4 pixels wide."""
    top, left, bottom, right = 10, 10, 10 + rows, 10 + columns
    best = np.full((rows + 20, columns + 20), Material.JAW)
    strips = {
        "above": (slice(top - 4, top), slice(left, right)),
        "below": (slice(bottom, bottom + 4), slice(left, right)),
        "before": (slice(top, bottom), slice(left - 4, left)),
        "behind": (slice(top, bottom), slice(right, right + 4)),
    }
    for side, material in beside.items():
        best[strips[side]] = material
    best[top:bottom, left:right] = Material.DENTINE
    labels = np.where(best == Material.JAW, 0, 4).astype(np.uint8)
    return np.moveaxis(np.eye(len(Material), dtype=np.float32)[best], 2, 0), labels


ENAMEL, HOLLOW, WALL = Material.ENAMEL_BAND, Material.INFUNDIBULUM, Material.CROWN_WALL


@pytest.mark.parametrize(
    ("beside", "share"),
    [
        ({"above": ENAMEL, "below": ENAMEL, "before": ENAMEL, "behind": ENAMEL}, 1.0),
        ({}, 0.0),
        ({"above": ENAMEL, "before": ENAMEL}, 0.5),
        ({"above": ENAMEL, "below": ENAMEL}, 0.75),  # (30 + 30) of 80 sides
        ({"above": HOLLOW, "below": ENAMEL, "before": WALL, "behind": WALL}, 0.75),
    ],
)
def test_share_of_dentine_that_enamel_encloses(beside: dict[str, Material], share: float) -> None:
    """10 by 30 pixels of dentine; the halved case is square. Sides counted by hand, so exact."""
    rows, columns = (20, 20) if share == 0.5 else (10, 30)
    assert enclosed_shares(*one_block(rows, columns, **beside), OPTIONS) == {4: share}


def test_enamel_of_a_neighbour_encloses_too() -> None:
    material, labels = one_block(10, 30, before=ENAMEL, behind=ENAMEL)
    labels[:, 40:][labels[:, 40:] > 0] = 5
    assert enclosed_shares(material, labels, OPTIONS) == {4: 0.25}  # (10 + 10) of 80 sides


def test_the_border_of_the_picture_encloses_nothing() -> None:
    material, labels = one_block(10, 30, above=ENAMEL, below=ENAMEL, before=ENAMEL, behind=ENAMEL)
    assert enclosed_shares(material[:, :, :40], labels[:, :40], OPTIONS) == {4: 70 / 80}


def test_soft_edges_of_dentine_are_judged_by_what_follows() -> None:
    """Pixels with 0.4 dentine, 0.35 enamel and 0.25 jaw lie on the way from dentine to enamel."""
    material, labels = one_block(10, 30, above=ENAMEL, below=ENAMEL, before=ENAMEL, behind=ENAMEL)
    material[:, material[ENAMEL] == 1.0] = np.array([[0.0, 0.25, 0.0, 0.35, 0.4, 0.0]]).T
    assert enclosed_shares(material, labels, OPTIONS) == {4: 1.0}


def test_too_little_dentine_says_nothing() -> None:
    """8 by 9 pixels of the label grid are 288 of the crop's, 8 by 10 are 320."""
    assert OPTIONS.min_dentine_px == 300.0
    assert enclosed_shares(*one_block(8, 9), OPTIONS) == {}
    assert enclosed_shares(*one_block(8, 10), OPTIONS) == {4: 0.0}


def test_a_leaf_taken_for_dentine_is_not_enclosed() -> None:
    """
    All of tooth 4 as one blob of dentine in jaw, its neighbours as drawn.

    Of a drawn tooth only both ends of its strip on the cheek side, 18 px broad, are open.
    """
    drawn = plain_row()
    channels = draw(drawn).channels.copy()
    leaf = channels[CHANNELS["tooth"]][4] > 0.5
    channels[CHANNELS["material"]][:, leaf] = np.eye(6)[Material.DENTINE][:, None]
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    assert row.teeth[3].enclosed == 0.0
    for tooth in row.teeth[4:]:
        spans = drawn.lobe_spans(tooth.position)
        length = spans[-1][1] - spans[0][0]
        strips = sum(2 * (14.0 + 0.9 * (end - begin)) for begin, end in spans)
        expected = 1.0 - 2 * 18.0 / (strips + 2 * (18.0 + length))
        # Each corner and end is known to a pixel of the label grid, 2 of about 600 px.
        assert tooth.enclosed == pytest.approx(expected, abs=0.02)


def test_a_leaf_taken_for_jaw_is_off_the_crown() -> None:
    """Front half of tooth 5 labelled jaw by its materials, a quarter of tooth 6 half likely so."""
    drawn = plain_row()
    channels = draw(drawn).channels.copy()
    jaw = np.eye(6)[Material.JAW][:, None, None]
    for position, share, weight in ((5, 0.5, 1.0), (6, 0.25, 0.5)):
        begin, end = (drawn.to_crop(np.array([[s, 0.0]]))[0, 0] for s in drawn.tooth_ends()[position])
        columns = slice(round(begin), round(begin + share * (end - begin)))
        own = channels[CHANNELS["material"]][:, :, columns]
        own[:] = (1.0 - weight) * own + weight * jaw
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    # The crown's rim is partly jaw: its outermost pixel of about 70 and 50 on either side, by half at most.
    for tooth, expected in zip(row.teeth[3:], (0.0, 0.5, 0.125), strict=True):
        assert tooth.off_crown == pytest.approx(expected, abs=0.03)


def test_second_row_in_the_crop_is_left_out() -> None:
    """A neighbour's row along the lower border does not mix with the row in the middle."""
    main = draw(plain_row(positions=[3, 4, 5, 6], shift=(0.0, -20.0))).channels
    other = draw(plain_row(DrawnLobe(dentine=30.0), positions=[3, 4, 5, 6], shift=(90.0, 190.0))).channels
    channels = np.where(other[CHANNELS["tooth"]][:1] < 0.5, other, main)
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    for tooth in row.teeth[2:]:
        assert tooth.lobes == LOBES[tooth.position]
        for crest in tooth.crests:
            assert crest.ratio is not None and crest.ratio.value == pytest.approx(14.0 / 9.0, rel=0.03)


def test_view_and_blur_pass_through() -> None:
    """Mean view vector and its angle; the vector turns with the frame, the angle does not."""
    drawn = plain_row(positions=[4, 5], tilt=(0.15, -0.2), blur_px=2.0)
    maps = draw(drawn)
    row = measure_row(maps, IDENTITY)
    quarter = measure_row(maps, RowFrame(np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, 900.0]])))
    assert (
        row is not None and quarter is not None and row.tilt_deg is not None and quarter.tilt_deg is not None
    )
    assert row.view is not None and quarter.view is not None
    assert (row.view.x, row.view.y) == pytest.approx((0.15, -0.2), abs=1e-4)
    assert row.tilt_deg.value == pytest.approx(np.degrees(np.arcsin(0.25)), abs=0.01)
    assert quarter.tilt_deg.value == pytest.approx(row.tilt_deg.value)
    # The crop is the photo turned by -90 degrees: crop x = photo y, crop y = -photo x.
    assert (quarter.view.x, quarter.view.y) == pytest.approx((0.2, 0.15), abs=1e-4)
    assert row.blur_px == pytest.approx(2.0)


def test_better_frame_puts_the_row_where_it_belongs() -> None:
    """A row 8 degrees off, 0.75 of its size and 70 px off the middle: the proposed frame mends all three."""
    drawn = DrawnRow(teeth=plain_row().teeth, turn_deg=8.0, enlarge=0.75, shift=(60.0, 30.0))
    row = measure_row(draw(drawn), IDENTITY)
    assert row is not None
    assert row.flags & RowFlag.FRAME_OFF_LEVEL and row.flags & RowFlag.FRAME_OFF_SCALE
    assert row.off_level_deg == pytest.approx(8.0, abs=0.5) and row.off_scale == pytest.approx(0.75, abs=0.02)
    assert row.better_frame is not None
    ends = drawn.tooth_ends()
    middles = drawn.to_crop(np.array([[0.5 * sum(ends[p]), 0.0] for p in range(1, 7)]))
    frame = row.better_frame.matrix
    mended = middles @ frame[:, :2].T + frame[:, 2]
    # 10 px of 1536: the middles of crowns are fitted, and a row shrunk to 0.75 has 4 px steps of its own.
    assert mended[:, 0] == pytest.approx(nominal_centres_px(), abs=10.0)
    assert mended[:, 1] == pytest.approx(np.full(6, 223.5), abs=10.0)


def test_level_row_needs_no_better_frame() -> None:
    """A row as meant proposes nothing."""
    row = measure_row(draw(plain_row()), IDENTITY)
    assert row is not None and row.better_frame is None and row.flags == RowFlag(0)
    assert find_teeth(draw(plain_row(positions=[4]))) is not None


def test_flag_bits_and_sentences_are_fixed() -> None:
    """Records keep the bits: they never change, and every bit has its sentence."""
    from crestgauge.inference import measured

    assert {f.name: f.value for f in measured.CrestFlag} == {
        "NO_DENTINE": 1,
        "UNWORN": 2,
        "INFUNDIBULUM_GONE": 4,
        "SHORT_STRIP": 8,
        "BROKEN_STRIP": 16,
        "FEW_STATIONS": 32,
        "NARROW_BAND": 64,
        "TAPERED": 128,
        "UNEVEN_BANDS": 256,
        "IMAGE_DISAGREES": 512,
        "LOBE_ASSUMED": 1024,
        "NOT_MEASURED": 2048,
    }
    assert {f.name: f.value for f in ToothFlag} == {
        "NUMBER_UNSURE": 1,
        "LOBES_UNUSUAL": 2,
        "CUT_BY_BORDER": 4,
        "STATE_UNSURE": 8,
        "CROOKED": 16,
    }
    assert {f.name: f.value for f in RowFlag} == {
        "SIDE_UNSURE": 1,
        "FRAME_OFF_LEVEL": 2,
        "FRAME_OFF_SCALE": 4,
        "FRAME_OFF_CENTRE": 8,
        "OUT_OF_CROP": 16,
        "NUMBERS_UNSURE": 32,
        "KIND_UNSURE": 64,
    }
    for kind in (measured.CrestFlag, ToothFlag, RowFlag):
        for flag in kind:
            assert len(sentences(flag)) == 1
