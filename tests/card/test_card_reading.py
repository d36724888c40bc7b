"""
A painted jaw on the card, photographed at 20 degrees: what the card gives the reading, from file to JSON.
"""

from __future__ import annotations

import functools
import math

import cv2
import numpy as np
import pytest
from drawn_row import draw, plain_row
from painted import paint
from painted_jaws import folder

from crestgauge.inference.card.layout import SPACE_MM
from crestgauge.inference.card.raster import draw_card
from crestgauge.inference.maps import CROP_SIZE
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.photo import Photo
from crestgauge.inference.pipeline import Reader, ReadOptions

FACE, SIZE, TILT_DEG, DISTANCE_MM, FOCAL_PX = 15.0, (2600, 1900), 20.0, 340.0, 3800.0
MIDDLE_MM = np.array([(SPACE_MM[0] + SPACE_MM[2]) / 2, (SPACE_MM[1] + SPACE_MM[3]) / 2])


def to_photo() -> np.ndarray:
    """Homography from card mm to photo px."""
    axis = np.array([math.cos(0.9), math.sin(0.9), 0.0]) * math.radians(TILT_DEG)
    rotation, _ = cv2.Rodrigues(axis)
    shift = np.array([0, 0, DISTANCE_MM]) - rotation @ np.array([*MIDDLE_MM, 0.0])
    lens = np.array([[FOCAL_PX, 0, (SIZE[0] - 1) / 2], [0, FOCAL_PX, (SIZE[1] - 1) / 2], [0, 0, 1]])
    return lens @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])


def mapped(matrix, points):
    moved = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return moved[:, :2] / moved[:, 2:]


def crop_to_mm(points):
    """Row crop pixels to card mm: the row lies in the middle of the space at its nominal scale."""
    return MIDDLE_MM + (np.asarray(points) - (np.array(CROP_SIZE) - 1) / 2) / CROP_PX_PER_MM


@functools.cache
def result():
    """
    Green paper stands for white: the painted networks know the codes of their colours and take it for jaw.
    """
    face = (draw_card(FACE, specimen_id="A-17") * np.array([0, 200 / 255, 0])).astype(np.uint8)
    row = paint(draw(plain_row()))
    corner = np.round((crop_to_mm(np.zeros((1, 2)))[0]) * FACE - 0.5).astype(int)
    face[corner[1] : corner[1] + row.shape[0], corner[0] : corner[0] + row.shape[1]] = row
    step = 1 / FACE
    face_to_mm = np.array([[step, 0, 0.5 * step], [0, step, 0.5 * step], [0, 0, 1]])
    pixels = cv2.warpPerspective(face, to_photo() @ face_to_mm, SIZE, flags=cv2.INTER_NEAREST)
    photo = Photo(file="card.png", sha256="ab" * 32, pixels=pixels, format="PNG", focal_35mm=None)
    return Reader(ReadOptions(threads=1, manifest=folder() / "weights.toml")).read(photo)


def test_scale_tilt_and_specimen_come_from_the_card():
    """The painted networks say 5.4 degrees; the card knows better. Scale at the row's middle to 1 %."""
    found = result()
    assert found.card is not None
    assert found.card.specimen_id == "A-17"
    assert found.reading.tilt_deg.value == pytest.approx(TILT_DEG, abs=2.0)
    h = 1e-3
    step = mapped(to_photo(), MIDDLE_MM + np.array([[0, 0], [h, 0], [0, h]]))
    (a, b), (c, d) = step[1] - step[0], step[2] - step[0]
    assert found.reading.px_per_mm == pytest.approx(math.sqrt(abs(a * d - b * c)) / h, rel=0.01)


def test_the_row_was_read_straight_and_its_lines_lie_on_the_photo_as_it_came():
    """
    Ratio 14 / 9 on every molar crest, and lines on the drawn centre lines.

    Ratio to 8 %: nearest-neighbour painting moves edges by up to half a pixel of 9. Lines to 1.5 px of the
    crest's place, 34 crop px from the row's middle on the tongue side, at the photo's scale of about 11
    px/mm.
    """
    found = result()
    assert found.straightening is not None
    assert found.reading.outcome == "clear"
    for tooth in found.reading.teeth[3:]:
        for crest in tooth.crests:
            assert crest.ratio.value == pytest.approx(14 / 9, rel=0.08)
            line = np.array(crest.line)
            line = line[
                len(line) // 4 : -(len(line) // 4)
            ]  # the measured middle; ends bend with the painted pixels
            on_card = mapped(np.linalg.inv(to_photo()), line)
            in_crop = (on_card - MIDDLE_MM) * CROP_PX_PER_MM + (np.array(CROP_SIZE) - 1) / 2
            assert in_crop[:, 1] == pytest.approx((CROP_SIZE[1] - 1) / 2 - 34, abs=1.5 * CROP_PX_PER_MM / 11)
    box = np.array(found.reading.teeth[3].box).reshape(2, 2)
    assert (box >= 0).all()
    assert (box[:, 0] < SIZE[0]).all()


def test_width_in_mm():
    """14 crop px at 15 px per mm are 0.933 mm; to 4 %, half of a photo pixel."""
    found = result()
    widths = [c.dentine_px.value / found.reading.px_per_mm for t in found.reading.teeth[3:] for c in t.crests]
    assert np.median(widths) == pytest.approx(14 / CROP_PX_PER_MM, rel=0.04)


def test_the_card_can_be_left_alone():
    assert ReadOptions().find_card
    options = ReadOptions(threads=1, manifest=folder() / "weights.toml", find_card=False)
    assert Reader(options).read(result().photo).card is None
