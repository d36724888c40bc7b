"""The whole geometry on drawn rows of known widths: numbers, side, lobes, ratios, states, photo
coordinates."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_row import DrawnLobe, blurred, draw, plain_row

from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import measure_row, to_evidence
from crestgauge.inference.measured import CrestFlag
from crestgauge.model.labels import CHANNELS, LOBES

IDENTITY = RowFrame(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))


@pytest.mark.parametrize(
    ("side", "turn_deg", "enlarge"),
    [("left", 0.0, 1.0), ("right", 4.0, 1.0), ("left", -6.0, 0.85), ("right", 0.0, 1.1)],
)
def test_every_crest_of_a_plain_row(side: str, turn_deg: float, enlarge: float) -> None:
    """
    Six teeth in order, twelve crests, the drawn ratio, whatever the side, turn and size.

    Tolerance 2 %: drawing on 4 x 4 points per pixel leaves up to 1/8 px per edge, 0.18 px of an 8 px band.
    """
    lobe = DrawnLobe(dentine=14.0, outer=10.0, inner=8.0)
    row = measure_row(draw(plain_row(lobe, side=side, turn_deg=turn_deg, enlarge=enlarge)), IDENTITY)
    assert row is not None
    assert row.side == side and row.side_confidence > 0.8
    assert [t.lobes for t in row.teeth] == [LOBES[k] for k in range(1, 7)]
    assert {t.state for t in row.teeth} == {"erupted"}
    for tooth in row.teeth:
        assert tooth.infundibulum_left is not None and tooth.infundibulum_left.value == pytest.approx(
            1.0, abs=0.02
        )
        for crest in tooth.crests:
            assert crest.ratio is not None and crest.dentine_px is not None
            assert crest.ratio.value == pytest.approx(14.0 / 9.0, rel=0.02)
            assert crest.ratio_by_definition["outer"] == pytest.approx(1.4, rel=0.03)
            assert crest.ratio_by_definition["inner"] == pytest.approx(1.75, rel=0.03)
            assert crest.dentine_px.value == pytest.approx(14.0 * enlarge, rel=0.02)
            assert 0 < crest.ratio.u < 0.3 * crest.ratio.value
    assert [c.lobe for c in to_evidence(row).teeth[5].crests] == [1, 2, 3]


def test_blur_does_not_move_the_ratio() -> None:
    """A symmetric blur of the probabilities leaves mean edges where they were (0.2 px of 9 px bands
    allowed)."""
    drawn = draw(plain_row(positions=[4, 5], turn_deg=2.0))
    for sigma in (1.0, 2.0):
        row = measure_row(blurred(drawn, sigma), IDENTITY)
        assert row is not None
        for crest in row.teeth[3].crests + row.teeth[4].crests:
            assert crest.ratio is not None
            assert crest.ratio.value == pytest.approx(14.0 / 9.0, rel=0.03)


def test_frame_carries_widths_and_lines_to_the_photo() -> None:
    """Crop = photo turned by 30 degrees and enlarged 1.5 times: widths shrink by 1.5, the ratio and its u
    stay."""
    maps = draw(plain_row(positions=[4, 5, 6]))
    angle, zoom = np.radians(30.0), 1.5
    linear = zoom * np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    frame = RowFrame(np.column_stack([linear, [40.0, -25.0]]))
    plain, turned = measure_row(maps, IDENTITY), measure_row(maps, frame)
    assert plain is not None and turned is not None
    a, b = plain.teeth[4].crests[0], turned.teeth[4].crests[0]
    assert (
        a.ratio is not None and b.ratio is not None and a.dentine_px is not None and b.dentine_px is not None
    )
    assert b.ratio.value == pytest.approx(a.ratio.value, rel=1e-9)
    assert b.dentine_px.value == pytest.approx(a.dentine_px.value / 1.5, rel=1e-9)
    assert b.line @ linear.T + frame.matrix[:, 2] == pytest.approx(a.line, abs=1e-6)


def test_no_dentine_is_ratio_zero() -> None:
    """A crest with an enamel facet only: ratio 0, said by a flag, at every lobe."""
    row = measure_row(draw(plain_row(DrawnLobe(dentine=0.0), positions=[4, 5, 6])), IDENTITY)
    assert row is not None
    for tooth in row.teeth[3:]:
        for crest in tooth.crests:
            assert crest.ratio is not None and crest.ratio.value == 0.0 and crest.ratio.u > 0
            assert crest.flags & CrestFlag.NO_DENTINE and not crest.flags & CrestFlag.UNWORN


def test_dished_tooth_has_no_inner_band() -> None:
    """Without infundibulum the strip runs into the cheek-side dentine: no ratio, but "gone"."""
    row = measure_row(draw(plain_row(DrawnLobe(infundibulum=0.0), positions=[4, 5])), IDENTITY)
    assert row is not None
    for crest in row.teeth[3].crests + row.teeth[4].crests:
        assert crest.infundibulum_gone and crest.ratio is None
        assert crest.flags & CrestFlag.INFUNDIBULUM_GONE
    left = row.teeth[3].infundibulum_left
    assert left is not None and left.value == 0.0


def test_milk_row_of_four() -> None:
    """Three-lobed tooth 3 makes teeth 1-3 milk teeth; 5 and 6 are absent, not missing."""
    row = measure_row(draw(plain_row(milk=True, positions=[1, 2, 3, 4])), IDENTITY)
    assert row is not None
    assert [t.milk for t in row.teeth[:4]] == [True, True, True, False]
    assert row.teeth[2].lobes == 3
    assert [t.state for t in row.teeth[4:]] == ["absent", "absent"]


def test_gap_is_missing_and_outside_the_photo_is_unseen() -> None:
    """Tooth 5 gone between 4 and 6; teeth 1 to 3 beyond the left border of a photo that begins at tooth 4."""
    maps = draw(plain_row(positions=[4, 6]))
    frame = RowFrame(np.array([[1.0, 0.0, 600.0], [0.0, 1.0, 0.0]]))
    row = measure_row(maps, frame, photo_size=(936, 448))
    assert row is not None
    assert [t.state for t in row.teeth] == ["unseen", "unseen", "unseen", "erupted", "missing", "erupted"]


def test_label_flicker_does_not_renumber() -> None:
    """A quarter of every crown labelled as some other tooth, in blocks: numbers and ratios stay."""
    maps = draw(plain_row())
    tooth = maps.channels[CHANNELS["tooth"]].copy()
    rng = np.random.default_rng(7)
    for _ in range(250):
        x, y, k = rng.integers(0, 1500), rng.integers(130, 310), rng.integers(1, 7)
        block = tooth[:, y : y + 24, x : x + 24]
        crown = block[1:].sum(axis=0)
        block[1:] = 0.0
        block[k] = crown
    channels = maps.channels.copy()
    channels[CHANNELS["tooth"]] = tooth
    row = measure_row(LabelMaps(channels), IDENTITY)
    assert row is not None
    assert [t.lobes for t in row.teeth] == [LOBES[k] for k in range(1, 7)]
    for tooth_ in row.teeth:
        for crest in tooth_.crests:
            assert crest.ratio is not None and crest.ratio.value == pytest.approx(14.0 / 9.0, rel=0.03)


def test_empty_maps_give_no_row() -> None:
    """Nothing that looks like a crown: None, no guess."""
    channels = np.zeros((22, 448, 1536), dtype=np.float32)
    channels[CHANNELS["tooth"]][0] = 1.0
    assert measure_row(LabelMaps(channels), IDENTITY) is None
