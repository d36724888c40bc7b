"""The brightness check: photo and labels that agree, labels that are too wide, no contrast."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_row import DrawnLobe, draw, plain_row

from crestgauge.inference.maps import RowFrame
from crestgauge.inference.measure import measure_row
from crestgauge.inference.measured import CrestFlag
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
        assert alone.image_offset_px is None


def test_no_contrast_says_nothing() -> None:
    """A flat picture has no edges to compare with."""
    maps = row_of(14.0)
    row = measure_row(maps, IDENTITY, np.full((320, 440, 3), 128, dtype=np.uint8))
    assert row is not None
    assert all(crest.image_offset_px is None for crest in row.teeth[3].crests)
