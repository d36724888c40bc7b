"""The brightness check: photo and labels that agree, labels that are too wide, no contrast."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_row import DrawnLobe, draw, plain_row

from crestgauge.inference.bands import ProfileBands
from crestgauge.inference.crests import CrestProfiles
from crestgauge.inference.image_edges import check_crests
from crestgauge.inference.maps import RowFrame
from crestgauge.inference.measure import measure_row
from crestgauge.inference.measured import CrestFlag
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.labels import Material

IDENTITY = RowFrame(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
GREY = {Material.ENAMEL_BAND: 215, Material.DENTINE: 95, Material.INFUNDIBULUM: 30, Material.CROWN_WALL: 150}


def picture(maps, blur_px: float = 1.0) -> np.ndarray:
    """Grey picture of the labelled surfaces, softly focused."""
    grey = np.full(maps.size[::-1], 110.0)
    for material, level in GREY.items():
        grey += maps.block("material")[material] * (level - 110.0)
    return np.repeat(cv2.GaussianBlur(grey, (0, 0), blur_px)[..., None], 3, axis=2).round().astype(np.uint8)


def row_of(dentine: float):
    return draw(plain_row(DrawnLobe(dentine=dentine), positions=[4], size=(440, 320), shift=(36.0, 0.0)))


def test_agreeing_picture() -> None:
    """Labels and picture of the same strip: offset below 0.3 px (8-bit steps and blur of a 14 px band)."""
    maps = row_of(14.0)
    row = measure_row(maps, IDENTITY, picture(maps))
    assert row is not None
    for crest in row.teeth[3].crests:
        assert crest.image_offset_px == pytest.approx(0.0, abs=0.3)
        assert crest.image_away_px == pytest.approx(0.0, abs=0.3)
        assert not crest.flags & CrestFlag.IMAGE_DISAGREES


def test_labels_too_wide() -> None:
    """Labels say 18 px where the picture shows 14: +4 px, flagged; nothing is moved by it."""
    maps = row_of(18.0)
    row = measure_row(maps, IDENTITY, picture(row_of(14.0)))
    plain = measure_row(maps, IDENTITY)
    assert row is not None and plain is not None
    for crest, alone in zip(row.teeth[3].crests, plain.teeth[3].crests, strict=True):
        assert crest.image_offset_px == pytest.approx(4.0, abs=0.4)
        assert crest.flags & CrestFlag.IMAGE_DISAGREES
        assert crest.ratio == alone.ratio
        assert alone.image_offset_px is None and alone.image_away_px is None


def test_no_contrast_says_nothing() -> None:
    """A flat picture has no edges to compare with."""
    maps = row_of(14.0)
    row = measure_row(maps, IDENTITY, np.full((320, 440, 3), 128, dtype=np.uint8))
    assert row is not None
    assert all(crest.image_offset_px is None for crest in row.teeth[3].crests)
    assert all(crest.image_away_px is None for crest in row.teeth[3].crests)


def test_a_picture_that_disagrees_counts_where_the_model_says_so() -> None:
    """
    Labels 2 px beyond the picture's edge on either side, 1.4826 times that as a standard deviation of edges
    about their picture: at a gain of 0.5 it adds 1.48 px in quadrature to one edge, to a width sqrt 2 times
    as much. Offsets are good to 0.2 px an edge.
    """
    maps, image = row_of(18.0), picture(row_of(14.0))
    plain, wider = EdgeModel(), EdgeModel(image_gain=0.5)
    before, after = (
        measure_row(maps, IDENTITY, image, MeasureOptions(edge_model=model)) for model in (plain, wider)
    )
    assert before is not None and after is not None
    for a, b in zip(before.teeth[3].crests, after.teeth[3].crests, strict=True):
        assert a.dentine_px is not None and b.dentine_px is not None
        added = np.sqrt((b.dentine_px.u**2 - a.dentine_px.u**2) / 2)
        assert added == pytest.approx(0.5 * 1.4826 * 2.0, abs=0.5 * 1.4826 * 0.2)
        assert a.ratio is not None and b.ratio is not None and b.ratio.u > a.ratio.u


@pytest.mark.parametrize(("noise", "most"), [(0.0, 0.2), (4.0, 0.3)])
def test_how_far_edges_wander_from_the_picture(noise: float, most: float) -> None:
    """
    A straight band of dentine 16 px wide at grey 95 in enamel at 215, blur of 1 px. Labelled edges that
    scatter about it by 1 px are 1 px away: 600 edges of a normal law, whose median distance says that to
    1.17 / sqrt(600) = 0.05 px (1 s). True ones are away by what profiles of 0.5 px and the noise leave.
    """
    rng = np.random.default_rng(41)
    x = np.arange(120.0)
    grey = np.where(np.abs(x - 60.0) <= 8.0, 95.0, 215.0) * np.ones((320, 1))
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0) + noise * rng.normal(size=grey.shape)
    image = np.repeat(grey[..., None], 3, axis=2).round().clip(0, 255).astype(np.uint8)
    centre = np.column_stack([np.full(300, 60.0), np.arange(10.0, 310.0)])
    true = np.tile([20.5, 8.5, -8.5, -20.5], (300, 1))

    def away(scatter: float) -> float:
        edges = true + scatter * rng.normal(size=true.shape)
        bands = ProfileBands(
            edges=edges, spread=np.full_like(edges, 0.5), has_dentine=np.ones(300, dtype=bool)
        )
        normal = np.tile([1.0, 0.0], (300, 1))
        crest = CrestProfiles(centre=centre, normal=normal, bands=bands, spacing_px=1.0, length_px=598.0)
        (check,) = check_crests(image, [crest])
        assert check is not None
        return check.away_px

    assert away(0.0) <= most
    assert away(1.0) == pytest.approx(1.0, abs=0.15)
