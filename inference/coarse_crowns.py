"""
What the coarse pass sees of crowns, whatever row they make: how they lie, from where they are seen, how sharp
they are, and whether bone goes on beyond them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import COARSE_LONG_SIDE, LabelMaps
from crestgauge.inference.views import View
from crestgauge.model.labels import N_TEETH

FloatArray = NDArray[np.float64]
_LEAST_CROWN_PX = 200
"""Crown area below which no axis is believed. [coarse px^2]"""
_END_IN_SIGHT = 0.3
"""Share of the ground beyond an end of the crowns that must lie in the picture to be judged. [1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoarseCrowns:
    """
    What the coarse maps say of the visible crowns, but those of a second row; the defaults where there is
    hardly any.

    Parameters
    ----------
    shape : float
        Square of the length over all crowns over their area: how slender they lie together, whatever their
        numbers. [1]
    breadth_px : float
        That area over that length. [photo px]
    view : View or None
        From where the network sees these crowns. It says too little of a steep view, but goes up with it.
    blur_px : float or None
        Median blur sigma over these crowns, where it is wider than one coarse pixel; None where it is not:
        the shrunk picture shows no finer blur. [photo px]
    bare_end : float
        Share of the ground beyond one end of the crowns, as far as they are broad, that is neither bone nor
        crown, at the end where it is larger. Bone goes on behind the last tooth and before the first, so
        where crowns end at something else, that lies over the rest. [1]
    """

    shape: float = 0.0
    breadth_px: float = 0.0
    view: View | None = None
    blur_px: float | None = None
    bare_end: float = 0.0

    @property
    def tilt_deg(self) -> float | None:
        """How far from straight above the network sees the crowns; None where there is hardly any. [deg]"""
        return None if self.view is None else self.view.tilt_deg().value


@dataclass(frozen=True, slots=True, eq=False)
class LongAxis:
    """
    How crown pixels lie as a whole.

    Parameters
    ----------
    middle : ndarray, shape (2,)
        (x, y). [coarse px]
    direction : ndarray, shape (2,)
        Unit vector along them, either way round.
    reach : ndarray, shape (2,)
        How far they reach from the middle, back and front, signed along the direction. [coarse px]
    """

    middle: FloatArray
    direction: FloatArray
    reach: FloatArray


def coarse_size(photo_size: tuple[int, int]) -> tuple[int, int]:
    """(width, height) of the photo on the coarse grid, without padding. [coarse px]"""
    factor = COARSE_LONG_SIDE / max(photo_size)
    return max(round(photo_size[0] * factor), 1), max(round(photo_size[1] * factor), 1)


def tooth_labels(maps: LabelMaps, size: tuple[int, int]) -> NDArray[np.uint8]:
    """Tooth number per coarse pixel inside the photo, 0 = none."""
    block = maps.block("tooth")[:, : size[1], : size[0]]
    best = block[1].copy()  # is overwritten
    labels = np.ones(best.shape, dtype=np.uint8)
    for k in range(2, N_TEETH + 1):
        higher = block[k] > best
        np.copyto(best, block[k], where=higher)
        labels[higher] = k
    labels[block[0] >= 0.5] = 0
    return labels


def long_axis(labels: NDArray[np.uint8]) -> LongAxis | None:
    """Long axis of all crown pixels; None where there are hardly any."""
    rows, cols = np.nonzero(labels)
    if len(rows) < _LEAST_CROWN_PX:
        return None
    points = np.stack([cols, rows], axis=1).astype(np.float64)
    middle = np.median(points, axis=0)
    direction = np.linalg.eigh(np.cov((points - middle).T))[1][:, 1]
    return LongAxis(middle, direction, np.percentile((points - middle) @ direction, [1.0, 99.0]))


def see_crowns(maps: LabelMaps, labels: NDArray[np.uint8], photo_long_px: int) -> CoarseCrowns:
    """
    What the coarse maps say of the crowns in ``labels``.

    Parameters
    ----------
    maps : LabelMaps
    labels : ndarray of uint8, shape (H, W)
        Tooth number per coarse pixel inside the photo, 0 = none.
    photo_long_px : int
        Long side of the photo. [photo px]
    """
    axis = long_axis(labels)
    if axis is None:
        return CoarseCrowns()
    length, area = float(np.ptp(axis.reach)), float(np.count_nonzero(labels))
    return CoarseCrowns(
        shape=length**2 / max(area, 1.0),
        breadth_px=area / length * photo_long_px / COARSE_LONG_SIDE if length else 0.0,
        view=_mean_view(maps, labels),
        blur_px=_blur_px(maps, labels, photo_long_px / COARSE_LONG_SIDE),
        bare_end=_bare_end(maps, labels, axis),
    )


def _mean_view(maps: LabelMaps, labels: NDArray[np.uint8]) -> View:
    """
    Mean line of sight over all crown pixels, with the median of what the network states for one: its error
    is shared by the whole picture and does not average away.
    """
    height, width = labels.shape
    x, y = maps.block("tilt")[:, :height, :width][:, labels > 0].mean(axis=1)
    u = np.median(maps.block("tilt_log_sigma")[0, :height, :width][labels > 0])
    return View(x=float(x), y=float(y), u=float(u))


def _blur_px(maps: LabelMaps, labels: NDArray[np.uint8], photo_per_coarse: float) -> float | None:
    """See `CoarseCrowns.blur_px`. [photo px]"""
    height, width = labels.shape
    blur = float(np.median(maps.block("blur")[0, :height, :width][labels > 0]))
    return blur * photo_per_coarse if blur > 1.0 else None


def _bare_end(maps: LabelMaps, labels: NDArray[np.uint8], crowns: LongAxis) -> float:
    """See `CoarseCrowns.bare_end`; 0 at an end that lies at the picture's border."""
    middle, axis, reach = crowns.middle, crowns.direction, crowns.reach
    height, width = labels.shape
    solid = (maps.block("material")[0, :height, :width] < 0.5) | (labels > 0)
    breadth = np.count_nonzero(labels) / max(float(np.ptp(reach)), 1.0)
    across = np.array([-axis[1], axis[0]])
    rows, cols = np.nonzero(labels)
    points = np.stack([cols, rows], axis=1) - middle
    along, beside = points @ axis, points @ across
    bare = 0.0
    for end, outward in ((reach[0], -1.0), (reach[1], 1.0)):
        # A row is bowed, so the strip goes on from its own end.
        near = beside[np.abs(along - end) < breadth]
        aside = float(np.median(near)) if len(near) else 0.0
        steps = end + outward * breadth * np.linspace(0.1, 1.2, 24)
        strip = aside + breadth * np.linspace(-0.3, 0.3, 7)
        at = np.rint(middle + steps[:, None, None] * axis + strip[None, :, None] * across).astype(int)
        inside = (at >= 0).all(axis=2) & (at[..., 0] < width) & (at[..., 1] < height)
        if inside.mean() > _END_IN_SIGHT:
            x, y = at[inside].T
            bare = max(bare, float(np.mean(~solid[y, x])))
    return bare
