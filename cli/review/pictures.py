"""
Small pictures of a photo for the page: the row turned level, and one crest magnified. Pure (arrays in, out).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.confirm.geometry import LevelView
from crestgauge.inference.confirm.profiles import CrestProfile

Pixels = NDArray[np.uint8]


def level_picture(pixels: Pixels, level: LevelView, size: tuple[int, int]) -> Pixels:
    """
    The tooth row level, in the middle of a picture of ``size`` (width, height), as large as it fits.

    The photo is first averaged down, so that a sharp one does not make bands of texture; outside it, its
    border is repeated.
    """
    matrix = np.asarray(level.matrix, dtype=np.float64)
    fits = min(size[0] / level.size[0], size[1] / level.size[1])
    near = min(1.0, 2.0 * fits)
    small = pixels
    if near < 1.0:
        least = (max(1, round(pixels.shape[1] * near)), max(1, round(pixels.shape[0] * near)))
        small = np.asarray(cv2.resize(pixels, least, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    kx, ky = pixels.shape[1] / small.shape[1], pixels.shape[0] / small.shape[0]
    to_photo = np.array([[kx, 0, (kx - 1) / 2], [0, ky, (ky - 1) / 2], [0, 0, 1]])
    shift = np.asarray(size, dtype=np.float64) / 2 - fits * np.asarray(level.size) / 2
    whole = np.vstack([fits * matrix, [0, 0, 1]])
    whole[:2, 2] += shift
    turned = cv2.warpAffine(
        small, (whole @ to_photo)[:2], size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(turned, dtype=np.uint8)


def crest_picture(pixels: Pixels, profile: CrestProfile, size: tuple[int, int]) -> Pixels:
    """
    One crest magnified, tongue side at the left, so that each column lies over the same place of its profile.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        The upright photo.
    size : (width, height)
        Of the picture; one scale in both directions.
    """
    width, height = size
    span = profile.step_px * (len(profile.grey) - 1)
    start = profile.start_px + span
    normal = np.asarray(profile.place.normal)
    along = np.array([-normal[1], normal[0]])
    across = start - (np.arange(width) + 0.5) / width * span
    down = (np.arange(height) + 0.5 - height / 2) / width * span
    x = profile.place.centre[0] + across[None, :] * normal[0] + down[:, None] * along[0]
    y = profile.place.centre[1] + across[None, :] * normal[1] + down[:, None] * along[1]
    found = cv2.remap(
        pixels,
        x.astype(np.float32),
        y.astype(np.float32),
        interpolation=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(found, dtype=np.uint8)
