"""
The nominal row: where the six crowns lie along it, and in the levelled crop.

Lengths by `TOOTH_LENGTH_SHARES` of `NOMINAL_ROW_MM`; a full row lies in the middle of the crop.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import CROP_SIZE, NOMINAL_ROW_MM, NOMINAL_ROW_SHARE, TOOTH_LENGTH_SHARES

FloatArray = NDArray[np.float64]
CROP_PX_PER_MM = CROP_SIZE[0] * NOMINAL_ROW_SHARE / NOMINAL_ROW_MM
"""Crop pixels per nominal millimetre (15 in round figures)."""


def nominal_ends_mm() -> FloatArray:
    """Ends of the six crowns along the nominal row, shape (6, 2), from the front of tooth 1. [nominal mm]"""
    shares = np.asarray(TOOTH_LENGTH_SHARES) / np.sum(TOOTH_LENGTH_SHARES)
    ends = np.concatenate([[0.0], np.cumsum(shares)]) * NOMINAL_ROW_MM
    return np.stack([ends[:-1], ends[1:]], axis=1)


def nominal_centres_px() -> FloatArray:
    """Middles of the six crowns of a full nominal row in the crop, shape (6,). [crop px]"""
    return np.asarray(
        CROP_SIZE[0] / 2 - 0.5 + (nominal_ends_mm().mean(axis=1) - NOMINAL_ROW_MM / 2) * CROP_PX_PER_MM
    )


def visible_middle_mm(teeth: Sequence[int]) -> float:
    """Middle between the front of the first and the back of the last of these teeth. [nominal mm]"""
    ends = nominal_ends_mm()
    return float(0.5 * (ends[min(teeth) - 1, 0] + ends[max(teeth) - 1, 1]))
