"""
Label maps: what a network says of each pixel, cut into named blocks.

The exported networks already apply softmax, sigmoid and exponentials, so everything here is a probability, a
sine, a sigma or a length, never a logit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.model.labels import CHANNELS, N_CHANNELS

FloatMap = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class LabelMaps:
    """
    Network output for one picture or crop, shape (channel, row, col).

    Parameters
    ----------
    channels : ndarray of float32, shape (N_CHANNELS, H, W)
        Activated output in the order of `crestgauge.model.labels.CHANNELS`: probabilities of material, tooth,
        lingual half, lobe heat and state; view direction (vx, vy); its 1-sigma error; blur sigma.
        [px of this grid]

    Raises
    ------
    InputError
        If the shape is not (N_CHANNELS, H, W).
    """

    channels: FloatMap

    def __post_init__(self) -> None:
        if self.channels.ndim != 3 or self.channels.shape[0] != N_CHANNELS:
            raise InputError(f"label maps: shape {self.channels.shape}; needs ({N_CHANNELS}, H, W)")

    def block(self, name: str) -> FloatMap:
        """Block ``name`` of `CHANNELS`, shape (n, H, W), a view."""
        return self.channels[CHANNELS[name]]

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the grid. [px]"""
        return self.channels.shape[2], self.channels.shape[1]


@dataclass(frozen=True, slots=True, eq=False)
class RowFrame:
    """
    Similarity that carries pixels of the upright photo to pixels of the levelled crop, without mirroring.

    In the crop, tooth 1 is towards the left and the row runs level; the tongue side is up for a
    left jaw and down
    for a right one. `CROP_SIZE` and the nominal scale are those the fine network was trained with.

    Parameters
    ----------
    matrix : ndarray, shape (2, 3)
        crop_xy = matrix @ (photo_x, photo_y, 1).
    """

    matrix: NDArray[np.float64]

    @property
    def scale(self) -> float:
        """Crop pixels per photo pixel."""
        return float(np.hypot(self.matrix[0, 0], self.matrix[1, 0]))

    def moved(self, left: float, top: float) -> RowFrame:
        """The same frame for a photo of which its own is the part from (left, top) on. [photo px]"""
        linear, offset = self.matrix[:, :2], self.matrix[:, 2]
        return RowFrame(np.column_stack([linear, offset - linear @ np.array([left, top])]))

    def to_photo(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (x, y) of the crop, shape (N, 2), in pixels of the upright photo."""
        linear, offset = self.matrix[:, :2], self.matrix[:, 2]
        return (np.asarray(points, dtype=np.float64) - offset) @ np.linalg.inv(linear).T


CROP_SIZE = (1536, 448)
"""(width, height) of the levelled crop. [px]"""
NOMINAL_ROW_MM = 82.0
"""Length of a full adult row that the crop is scaled to. [mm] (facts: premolars and molars sum to
about 80 mm)"""
NOMINAL_ROW_SHARE = 0.80
"""Share of the crop's width that a nominal row fills: 1536 * 0.80 / 82 = 15 px per nominal mm."""
TOOTH_LENGTH_SHARES = (0.12, 0.13, 0.15, 0.16, 0.19, 0.27)
"""Length of teeth 1..6 as a share of the row (measured on a scanned mandible: DEVELOPERS.md, facts)."""
COARSE_LONG_SIDE = 512
"""Long side of the picture that the coarse network sees; the short side is padded to a multiple of
32. [px]"""
