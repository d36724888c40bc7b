"""
The card with a drawn jaw on it, on rough ground, in uneven light, developed by the drawn phone; pose known.

Jaw and phone are those of `crestgauge.synthetic_data`, the projection is OpenCV's. Lens and motion blur,
noise, tone, white balance, sharpening and JPEG vary from photo to photo as they do in training.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from card_poses import FACE_PX_PER_MM, MIDDLE_MM, pose, true_scale

from crestgauge.inference.card.detect import find_card
from crestgauge.inference.card.raster import draw_card

torch = pytest.importorskip("torch")

SIZE = (1600, 1200)
POSES = [(tilt, 37.0 * k, 61.0 * k) for k, tilt in enumerate((0, 4, 9, 13, 18, 22, 26, 30))]
"""Tilt, its direction, and the card's turn. [deg]"""


@pytest.fixture(scope="module")
def face():
    """The card with one drawn row in its space, sRGB."""
    from crestgauge.synthetic_data.draw import draw_one
    from crestgauge.synthetic_data.options import DrawOptions

    drawn, _ = draw_one(5, DrawOptions(share_without_jaw=0.0), torch.device("cpu"))
    row = (255 * drawn["image"].permute(1, 2, 0).numpy()).astype(np.uint8)
    row = cv2.resize(row, None, fx=FACE_PX_PER_MM / 15, fy=FACE_PX_PER_MM / 15)
    card = draw_card(FACE_PX_PER_MM)
    x, y = np.round(MIDDLE_MM * FACE_PX_PER_MM - np.array(row.shape[1::-1]) / 2).astype(int)
    card[y : y + row.shape[0], x : x + row.shape[1]] = row
    return card


def drawn_photo(face, tilt, azimuth, turn, seed):
    from crestgauge.synthetic_data.phone import develop, sample_phone
    from crestgauge.synthetic_data.textures import spectral_noise

    rng = np.random.default_rng(seed)
    to_photo = pose(tilt, azimuth_deg=azimuth, turn_deg=turn, size=SIZE)
    step = 1 / FACE_PX_PER_MM
    face_to_mm = np.array([[step, 0, 0.5 * step], [0, step, 0.5 * step], [0, 0, 1]])
    flags = {"flags": cv2.INTER_AREA}
    card = cv2.warpPerspective(face, to_photo @ face_to_mm, SIZE, **flags) / 255.0
    inside = cv2.warpPerspective(np.ones(face.shape[:2]), to_photo @ face_to_mm, SIZE, **flags)[..., None]
    rough = cv2.resize(np.asarray(spectral_noise(rng, 512, 1.3)).reshape(512, 512), SIZE)
    rough = np.interp(rough, (rough.min(), rough.max()), (0.05, 0.9))[..., None]
    ground = rough * np.array([0.5, 0.42, 0.3])
    linear = inside * card**2.2 + (1 - inside) * ground
    across, down = np.meshgrid(np.linspace(-1, 1, SIZE[0]), np.linspace(-1, 1, SIZE[1]))
    light = 1 + 0.35 * (rng.uniform(-1, 1) * across + rng.uniform(-1, 1) * down)
    shadow = np.hypot(across - rng.uniform(-0.6, 0.6), down - rng.uniform(-0.6, 0.6)) < 0.35
    light *= 1 - 0.55 * cv2.GaussianBlur(shadow.astype(float), (0, 0), 12)
    scene = torch.tensor((linear * light[..., None]).transpose(2, 0, 1), dtype=torch.float32)
    phone = sample_phone(rng, blur_px=(0.5, 3.0), density=(1.0, 1.0))
    picture = develop(scene, phone, torch.Generator().manual_seed(seed), jpeg=True)
    return (255 * picture.permute(1, 2, 0).numpy()).round().astype(np.uint8), to_photo


@pytest.mark.parametrize(("tilt", "azimuth", "turn"), POSES)
def test_scale_and_tilt(face, tilt, azimuth, turn):
    """Scale within 1 %, tilt within 2 degrees up to 30: the project's promise for the card."""
    picture, to_photo = drawn_photo(face, tilt, azimuth, turn, seed=100 + tilt)
    view = find_card(picture)
    assert view is not None
    assert view.tilt_deg() == pytest.approx(tilt, abs=2.0)
    for point in (MIDDLE_MM, MIDDLE_MM + (38, 6), MIDDLE_MM - (38, 6)):  # noqa: RUF005 - arrays add
        seen = to_photo @ [*point, 1]
        assert view.px_per_mm(seen[:2] / seen[2]) == pytest.approx(true_scale(to_photo, point), rel=0.01)
