"""
Where a second coarse pass should look closer: at bone and crowns that take little of the photo.
"""

from __future__ import annotations

import cv2
import numpy as np

from crestgauge.inference.coarse_crowns import coarse_size
from crestgauge.inference.maps import COARSE_LONG_SIDE, LabelMaps

_LEAST_BONE_PX = 40
"""Smaller patches of bone or crown are flicker. [coarse px^2]"""
_SIDE_PIECE = 0.2
"""Patches of less than this share of the largest are not looked at again. [1]"""
_CLOSER_MARGIN = 0.3
"""Margin of the closer look, over the long side of what is in it. [1]"""


def closer_box(maps: LabelMaps, photo_size: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """
    The part of a photo that a second coarse pass should look at, at least twice as large as the first did.

    Teeth a few coarse pixels wide are not seen, or not told from each other; bone is seen from further away.

    Parameters
    ----------
    maps : LabelMaps
        Coarse maps of the photo.
    photo_size : tuple of int
        (width, height) of the upright photo. [photo px]

    Returns
    -------
    tuple of int or None
        Left, top, right and bottom (the last two not included) round all patches of bone or crown that are
        not much smaller than the largest, with a margin. None where there is none, or where they take more
        than half of the photo's long side. [photo px]
    """
    size = coarse_size(photo_size)
    bone = (maps.block("material")[0] < 0.5) | (maps.block("tooth")[0] < 0.5)
    inside = np.ascontiguousarray(bone[: size[1], : size[0]]).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(inside, connectivity=8)
    if count < 2:
        return None
    area = stats[1:, cv2.CC_STAT_AREA]
    boxes = stats[1:][area >= max(_LEAST_BONE_PX, _SIDE_PIECE * area.max())]
    if not len(boxes):
        return None
    low = boxes[:, :2].min(axis=0)
    high = (boxes[:, :2] + boxes[:, 2:4]).max(axis=0)
    margin = _CLOSER_MARGIN * (high - low).max()
    low, high = np.maximum(low - margin, 0), np.minimum(high + margin, size)
    if 2 * (high - low).max() > max(size):
        return None
    factor = max(photo_size) / COARSE_LONG_SIDE
    left, top = (int(v) for v in low * factor)
    right, bottom = (min(int(np.ceil(v)), n) for v, n in zip(high * factor, photo_size, strict=True))
    return left, top, right, bottom
