"""Crests on drawn strips: straight, tilted, curved, tapered, broken, merged; turned, mirrored, enlarged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_row import DrawnLobe, DrawnRow, DrawnTooth, blurred, draw, plain_row
from skimage.measure import profile_line
from skimage.morphology import medial_axis

from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure import measure_row
from crestgauge.inference.measured import CrestFlag, MeasuredCrest
from crestgauge.model.labels import CHANNELS, Material

IDENTITY = RowFrame(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
SIZE = (440, 320)


def small_row(lobe: DrawnLobe, **row) -> DrawnRow:
    """Tooth 4 only, in the middle of a small grid."""
    row.setdefault("shift", (36.0, 0.0))
    return plain_row(lobe, positions=[4], size=SIZE, fine=3, **row)


def measure(maps: LabelMaps) -> list[MeasuredCrest]:
    row = measure_row(maps, IDENTITY)
    assert row is not None
    return [crest for tooth in row.teeth for crest in tooth.crests]


SHAPES = {
    "straight": DrawnLobe(dentine=11.3, outer=8.6, inner=9.7),
    "thin": DrawnLobe(dentine=3.4, outer=8.3, inner=8.3),
    "wide": DrawnLobe(dentine=30.0, outer=8.3, inner=7.0, place=34.0, infundibulum_width=12.0),
    "sloping": DrawnLobe(dentine=11.3, outer=8.6, inner=9.7, slope=0.2),
    "curved": DrawnLobe(dentine=11.3, outer=8.6, inner=9.7, radius=90.0),
    "hollow": DrawnLobe(dentine=11.3, outer=8.6, inner=9.7, radius=-120.0),
    "tapered": DrawnLobe(dentine=12.0, outer=8.6, inner=9.7, taper=0.4),
}
WAYS = {
    "as drawn": {},
    "right jaw": {"side": "right"},
    "turned": {"turn_deg": 7.3},
    "turned, right, enlarged": {"side": "right", "turn_deg": -5.1, "enlarge": 1.3},
    "reduced, off the grid": {"enlarge": 0.8, "shift": (39.37, -2.71)},
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("way", WAYS)
def test_ratio_is_the_drawn_one(shape: str, way: str) -> None:
    """
    Every crest within 1.5 % (thin: 3 %).

    Remaining error of one width, about 0.08 px (trapezoid rule, 1/32 px of the sampling table): 1.2 % of the
    narrowest band, 3 % of the 2.7 px dentine of the thin strip drawn at 0.8.
    """
    lobe = SHAPES[shape]
    tolerance = 0.03 if shape == "thin" else 0.015
    expected = 2 * lobe.dentine / (lobe.outer + lobe.inner)
    crests = measure(draw(small_row(lobe, **WAYS[way])))
    assert len(crests) == 2
    for crest in crests:
        assert crest.ratio is not None
        assert crest.ratio.value == pytest.approx(expected, rel=tolerance)
        assert crest.ratio_by_definition["outer"] == pytest.approx(lobe.dentine / lobe.outer, rel=tolerance)
        assert crest.ratio_by_definition["inner"] == pytest.approx(lobe.dentine / lobe.inner, rel=tolerance)
        assert not crest.infundibulum_gone


@pytest.mark.parametrize("shape", ["straight", "curved", "tapered"])
def test_same_ratio_and_u_turned_mirrored(shape: str) -> None:
    """Ratio within 1.5 % and its u within 5 % of the upright left jaw, whatever the turn and side."""
    plain = measure(draw(small_row(SHAPES[shape])))[0].ratio
    assert plain is not None
    for way in ("right jaw", "turned"):
        other = measure(draw(small_row(SHAPES[shape], **WAYS[way])))[0].ratio
        assert other is not None
        assert other.value == pytest.approx(plain.value, rel=0.015)
        assert other.u == pytest.approx(plain.u, rel=0.05)


def test_enlarged_together_with_its_errors() -> None:
    """The same row seen by a frame that says "the photo was half as big": same ratio, widths in photo px
    halved."""
    maps = draw(small_row(SHAPES["straight"]))
    twice = measure_row(maps, RowFrame(np.array([[2.0, 0.0, 0.0], [0.0, 2.0, 0.0]])))
    once = measure(maps)[0]
    assert twice is not None and once.ratio is not None and once.dentine_px is not None
    crest = twice.teeth[3].crests[0]
    assert crest.ratio is not None and crest.dentine_px is not None
    assert crest.ratio.value == pytest.approx(once.ratio.value, rel=1e-9)
    assert crest.dentine_px.value == pytest.approx(once.dentine_px.value / 2, rel=1e-9)
    # Enlarged photo pixels are known less well, never better.
    assert crest.ratio.u > once.ratio.u


def test_taper_shows_in_the_definitions() -> None:
    """Width 12 (1 +- 0.4 x) along the strip: median and middle agree, widest is the last station, 12 x
    1.2."""
    crest = measure(draw(small_row(SHAPES["tapered"])))[0]
    assert crest.ratio is not None
    definitions = crest.ratio_by_definition
    assert definitions["middle"] == pytest.approx(crest.ratio.value, rel=0.02)
    # Stations within 2 % of the largest width are averaged: 12 x 1.19, and 0.1 px of drawing.
    assert definitions["widest"] == pytest.approx(12 * 1.19 / 9.15, rel=0.03)
    assert crest.flags & CrestFlag.TAPERED == 0 or definitions["widest"] > 1.15 * crest.ratio.value


def test_widths_against_the_medial_axis() -> None:
    """
    Twice scikit-image's distance to the border along the medial axis of the curved strip is its width.

    The distance transform runs between pixel centres of a binary mask: its double is right to about 1 px.
    """
    lobe = SHAPES["curved"]
    maps = draw(small_row(lobe))
    crest = measure(maps)[0]
    mask = (maps.block("material")[Material.DENTINE] > 0.5) & (maps.block("lingual")[0] > 0.5)
    axis, distance = medial_axis(mask, return_distance=True)
    assert crest.stations is not None and crest.dentine_px is not None
    widths = []
    for x, y in crest.stations.centre:
        rows, cols = np.nonzero(axis)
        nearest = np.argmin(np.hypot(cols - x, rows - y))
        widths.append(2 * distance[rows[nearest], cols[nearest]])
    assert crest.dentine_px.value == pytest.approx(np.median(widths), abs=1.0)


def test_widths_against_profile_line() -> None:
    """The integral of dentine along scikit-image's own profile through each station, within 0.15 px."""
    maps = draw(small_row(SHAPES["sloping"]))
    crest = measure(maps)[0]
    assert crest.stations is not None
    dentine = maps.block("material")[Material.DENTINE]
    for edges, width in zip(crest.stations.edges, crest.stations.dentine_px, strict=True):
        direction = (edges[1] - edges[2]) / np.linalg.norm(edges[1] - edges[2])
        middle = 0.5 * (edges[1] + edges[2])
        ends = [(middle + sign * 12.0 * direction)[::-1] for sign in (-1, 1)]
        values = profile_line(dentine, ends[0], ends[1], order=1, mode="constant")
        assert values.sum() * 24.0 / (len(values) - 1) == pytest.approx(width, abs=0.15)


def test_line_follows_the_drawn_centre() -> None:
    """Centre line of the curved strip: within 0.5 px of the drawn arc over its middle half."""
    drawn = small_row(SHAPES["curved"])
    crest = measure(draw(drawn))[0]
    begin, end = drawn.lobe_spans(4)[0]
    s, t = drawn.to_row(*crest.line.T)
    local = s - 0.5 * (begin + end)
    inner = np.abs(local) < 0.25 * (end - begin)
    lobe = SHAPES["curved"]
    distance = np.hypot(local, t - lobe.place + lobe.radius) - lobe.radius
    assert np.abs(distance[inner]).max() < 0.5


def test_short_strip_is_measured_on_its_own_length() -> None:
    """Dentine over a quarter of the lobe only: stations lie within it, and a flag says so."""
    crests = measure(draw(small_row(replace(SHAPES["straight"], strip=0.25))))
    for crest in crests:
        assert crest.ratio is not None
        assert crest.ratio.value == pytest.approx(2 * 11.3 / 18.3, rel=0.03)
        assert crest.flags & CrestFlag.SHORT_STRIP


def test_strip_that_runs_into_the_next_lobe() -> None:
    """Strips 1.0 of the lobe long touch each other: each crest still gets its own lobe's width."""
    first, second = SHAPES["straight"], replace(SHAPES["straight"], dentine=18.0)
    tooth = DrawnTooth(lobes=(replace(first, strip=1.0), replace(second, strip=1.0)))
    crests = measure(draw(DrawnRow(teeth={4: tooth}, size=SIZE, shift=(36.0, 0.0))))
    for crest, dentine in zip(crests, (11.3, 18.0), strict=True):
        assert crest.ratio is not None
        assert crest.ratio.value == pytest.approx(2 * dentine / 18.3, rel=0.03)


def test_the_cheek_side_strip_is_left_out_beyond_the_infundibulum() -> None:
    """
    A horn of the cheek-side strip, 8 px wide, on the tongue half in front of each infundibulum, behind 9.4 px
    of enamel: the line ends where its own strip does, within 4 px (one and a half grid columns), along the
    drawn centre (0.5 px), and the taper's median is the drawn one.
    """
    lobe = replace(SHAPES["tapered"], strip=0.72)
    drawn = small_row(lobe)
    maps = draw(drawn)
    channels = maps.channels.copy()
    material = channels[CHANNELS["material"]]
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    s, t = drawn.to_row(x.astype(float), y.astype(float))
    for begin, end in drawn.lobe_spans(4):
        at = (s - 0.5 * (begin + end)) / (0.5 * (end - begin))
        horn = (at > -0.98) & (at < -0.73) & (t - lobe.place > -23.3) & (t - lobe.place < -15.1)
        material[:, horn] = np.eye(6, dtype=np.float32)[Material.DENTINE][:, None]
    for crest, (begin, end) in zip(measure(LabelMaps(channels)), drawn.lobe_spans(4), strict=True):
        along, across = drawn.to_row(*crest.line.T)
        half = 0.72 * 0.5 * (end - begin)
        assert along[0] - 0.5 * (begin + end) == pytest.approx(-half, abs=4.0)
        assert along[-1] - 0.5 * (begin + end) == pytest.approx(half, abs=4.0)
        assert np.abs(across - lobe.place).max() < 0.5
        assert crest.ratio is not None and not crest.flags & CrestFlag.BROKEN_STRIP
        assert crest.ratio.value == pytest.approx(2 * 12.0 / (8.6 + 9.7), rel=0.03)


def test_broken_strip() -> None:
    """A piece of enamel across the strip: measured on both sides of it, flagged."""
    drawn = small_row(SHAPES["straight"])
    maps = draw(drawn)
    begin, end = drawn.lobe_spans(4)[0]
    x = int(drawn.to_crop(np.array([[begin + 0.4 * (end - begin), 0.0]]))[0, 0])
    channels = maps.channels.copy()
    material = channels[CHANNELS["material"]]
    cut = material[:, :, x : x + 18]
    cut[Material.ENAMEL_BAND] += cut[Material.DENTINE]
    cut[Material.DENTINE] = 0.0
    crest = measure(LabelMaps(channels))[0]
    assert crest.ratio is not None
    assert crest.ratio.value == pytest.approx(2 * 11.3 / 18.3, rel=0.03)
    assert crest.flags & CrestFlag.BROKEN_STRIP


def test_infundibulum_gone_beside_one_lobe_only() -> None:
    """Lobe 1 dished, lobe 2 open: only lobe 1 loses its ratio; half of the infundibulum is left."""
    tooth = DrawnTooth(lobes=(replace(SHAPES["straight"], infundibulum=0.0), SHAPES["straight"]))
    row = measure_row(draw(DrawnRow(teeth={4: tooth}, size=SIZE, shift=(36.0, 0.0))), IDENTITY)
    assert row is not None
    first, second = row.teeth[3].crests
    assert first.infundibulum_gone and first.ratio is None
    assert not second.infundibulum_gone and second.ratio is not None
    left = row.teeth[3].infundibulum_left
    assert left is not None and left.value == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("share", [0.1, 0.25, 0.5, 0.8])
@pytest.mark.parametrize("way", WAYS)
def test_infundibulum_left_is_the_drawn_one(share: float, way: str) -> None:
    """
    Both lobes open over ``share`` of an unworn crown's 0.72, network's blur of 0.8 px.

    Tolerance 0.03: four ends, each half a pixel off, are 2 px of an unworn hollow of 109 px (drawn at 0.8).
    """
    lobe = replace(SHAPES["straight"], infundibulum=0.72 * share)
    row = measure_row(blurred(draw(small_row(lobe, **WAYS[way])), 0.8), IDENTITY)
    assert row is not None
    left = row.teeth[3].infundibulum_left
    assert left is not None and left.value == pytest.approx(share, abs=0.03)
    assert left.u < 0.06


def test_a_seam_is_open_and_doubtful() -> None:
    """
    A hollow 0.9 px wide under a blur of 0.8 px, half as long as an unworn one.

    No pixel is more likely hollow than enamel: 0.43 at most, by the normal curve over -0.45 .. 0.45 px. It
    counts, and as it is fainter than a hollow 16 px wide its uncertainty is larger. Tolerance 0.04: 1.3 px at
    each of four ends, of an unworn hollow of 137 px. A seam's chance falls below a fifth where it ends;
    that of a wide hollow does so 1 px further out.
    """
    found = []
    for width in (16.0, 0.9):
        lobe = replace(SHAPES["straight"], infundibulum=0.36, infundibulum_width=width)
        row = measure_row(blurred(draw(small_row(lobe)), 0.8), IDENTITY)
        assert row is not None and row.teeth[3].infundibulum_left is not None
        found.append(row.teeth[3].infundibulum_left)
    assert [left.value for left in found] == pytest.approx([0.5, 0.5], abs=0.04)
    assert found[1].u > 1.5 * found[0].u


def test_what_lies_over_an_end_of_the_hollow_widens_the_uncertainty() -> None:
    """
    A leaf over 18 of the 109 px drawn, of an unworn hollow of 137 px, at the end of lobe 2: 0.13 of the drawn
    0.8 are not seen, and the drawn share lies within 1.96 u. Tolerance as above.
    """
    lobe = replace(SHAPES["straight"], infundibulum=0.576)
    drawn = small_row(lobe)
    begin, end = drawn.lobe_spans(4)[1]
    edge = int(drawn.to_crop(np.array([[0.5 * (begin + end) + 0.288 * (end - begin), 0.0]]))[0, 0])
    found = []
    for leaf in (slice(0), slice(edge - 18, edge + 12)):
        channels = draw(drawn).channels.copy()
        channels[CHANNELS["material"], :, leaf] = np.eye(6, dtype=np.float32)[Material.BACKGROUND][
            :, None, None
        ]
        row = measure_row(blurred(LabelMaps(channels), 0.8), IDENTITY)
        assert row is not None and row.teeth[3].infundibulum_left is not None
        found.append(row.teeth[3].infundibulum_left)
    assert found[1].value == pytest.approx(0.8 - 0.13, abs=0.03)
    assert found[1].u > 1.2 * found[0].u and 0.8 - found[1].value < 1.96 * found[1].u


def test_the_heel_takes_nothing_from_lobe_2() -> None:
    """
    Tooth 6 with a heel half as long as its other lobes, half of the hollow left: measured up to halfway
    between the middles of lobe 2 and heel it would be 0.5 x 2 / (2 - 0.125) = 0.533. Tolerance 0.015: three
    middles known to half a pixel, and four ends as above, of an unworn hollow of 186 px.
    """
    lobe = replace(SHAPES["straight"], infundibulum=0.36)
    tooth = DrawnTooth(lobes=(lobe,) * 3, lengths=(2.0, 2.0, 1.0))
    row = measure_row(
        blurred(draw(DrawnRow(teeth={6: tooth, 5: DrawnTooth(lobes=(lobe, lobe))})), 0.8), IDENTITY
    )
    assert row is not None
    left = row.teeth[5].infundibulum_left
    assert left is not None and left.value == pytest.approx(0.5, abs=0.015)


def test_lost_dentine_widens_the_uncertainty() -> None:
    """
    The cheek side's 7 of 11 px of dentine taken for enamel: 4.3 / 8.6 / 16.7 px, bands a factor 1.9 apart,
    change nothing; 9 of 11 px, 2.3 / 8.6 / 18.7 px, are flagged, and the drawn ratio lies within 1.96 u.
    """
    whole = 2 * 11.3 / 18.3
    for lost, flagged in ((7.0, False), (9.0, True)):
        lobe = DrawnLobe(dentine=11.3 - lost, outer=8.6, inner=9.7 + lost, place=34.0 + lost / 2)
        for crest in measure(draw(small_row(lobe))):
            assert crest.ratio is not None
            assert bool(crest.flags & CrestFlag.UNEVEN_BANDS) is flagged
            assert (abs(crest.ratio.value - whole) <= 1.96 * crest.ratio.u) is flagged


def test_speckled_labels() -> None:
    """
    One pixel in 25 of the material map replaced by a random class: ratios within 6 %.

    Each profile is hit about twice; the median over 21 stations and the 1-2-1 mean along the crest take most
    of it.
    """
    maps = draw(small_row(SHAPES["straight"], turn_deg=3.0))
    rng = np.random.default_rng(11)
    channels = maps.channels.copy()
    material = channels[CHANNELS["material"]]
    hit = rng.random(material.shape[1:]) < 0.04
    material[:, hit] = np.eye(6, dtype=np.float32)[:, rng.integers(0, 6, hit.sum())]
    for crest in measure(LabelMaps(channels)):
        assert crest.ratio is not None
        assert crest.ratio.value == pytest.approx(2 * 11.3 / 18.3, rel=0.06)


def test_stated_u_against_simulated_edge_errors() -> None:
    """
    Edges moved as a whole by N(0, 0.6 px) per crest, 40 rows: z = error / u has a spread of 1 within 22 %.

    Both crests of a row share its errors, so 40 values count: their spread is known to 1 / sqrt(2 x 40) = 11
    %, tested at twice that.
    """
    from crestgauge.inference.crests import CrestOptions
    from crestgauge.inference.row_context import MeasureOptions
    from crestgauge.inference.uncertainty import EdgeModel

    model = EdgeModel(
        sigma_px=0.0, blur_gain=0.0, photo_px=0.0, common_px=0.6, relief_px=0.0, definition_share=0.0
    )
    options = MeasureOptions(edge_model=model, crests=CrestOptions())
    rng = np.random.default_rng(12)
    z = []
    for _ in range(40):
        e = np.array([-20.0, -9.0, 9.0, 19.0]) + rng.normal(0, 0.6, 4)
        lobe = DrawnLobe(
            dentine=e[2] - e[1], outer=e[3] - e[2], inner=e[1] - e[0], place=34 + 0.5 * (e[1] + e[2])
        )
        maps = draw(plain_row(lobe, positions=[4], size=SIZE, fine=3, shift=(36.0, 0.0)))
        row = measure_row(maps, IDENTITY, options=options)
        assert row is not None
        for crest in row.teeth[3].crests:
            assert crest.ratio is not None
            z.append((crest.ratio.value - 2 * 18.0 / 21.0) / crest.ratio.u)
    assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.22)
