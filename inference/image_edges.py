"""
A second opinion on enamel|dentine edges: brightness of the photo itself, at a fixed mid-level between
plateaus.

The label maps say where a band is; this module asks the grey profile next to each labelled edge where it
passes half-way between the enamel beside it and the dentine beside it. Half of a band's own peak would be
wrong for narrow bands; the level between neighbouring plateaus is right to 2 % from a width of 2.4 blur
sigmas on (`mid_level_width`). Nothing is moved by it: the offset is reported and flagged, and how far the two
kinds of edges lie apart may count in the uncertainty (`EdgeModel.image_gain`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.crests import CrestProfiles
from crestgauge.inference.numeric import median

FloatArray = NDArray[np.float64]
_REACH_PX = 6.0
_STEP_PX = 0.5
_MIN_CONTRAST = 10.0
"""Grey levels between plateaus below which the photo shows no edge (noise and JPEG blocks reach about 5)."""
_SD_OF_MEDIAN = 1.4826
"""Standard deviation of a normal law over the median of its absolute values."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageCheck:
    """
    Labelled enamel|dentine edges of one crest against those of the picture's brightness.

    Parameters
    ----------
    wider_px : float
        Labelled minus brightness width of the dentine, median over the stations that show both edges.
        [crop px]
    away_px : float
        Distance of a labelled edge from the brightness edge, as a standard deviation about 0: 1.4826 times
        the median distance over all edges that are seen, which single wild ones do not move. [crop px]
    """

    wider_px: float
    away_px: float


def grey_of(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Luma of an RGB picture, shape (H, W). [0..255]"""
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), dtype=np.float32)


def check_crests(
    image: NDArray[np.uint8] | None, profiles: Sequence[CrestProfiles | None]
) -> list[ImageCheck | None]:
    """
    How the dentine of each crest lies against the picture's brightness.

    None without a picture, without profiles, or where fewer than five stations show both edges.
    """
    checks: list[ImageCheck | None] = [None] * len(profiles)
    chosen = [(i, p) for i, p in enumerate(profiles) if p is not None]
    if image is None or not chosen:
        return checks
    columns = [(p.centre, p.normal, p.bands.edges) for _, p in chosen]
    centre, normal, edges = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    offsets = edge_offsets(grey_of(image), centre, normal, edges).reshape(len(chosen), -1, 2)
    for (i, _), own in zip(chosen, offsets, strict=True):
        wider = own.sum(axis=1)
        both = np.isfinite(wider)
        if both.sum() >= 5:
            away = _SD_OF_MEDIAN * median(np.abs(own[np.isfinite(own)]))
            checks[i] = ImageCheck(wider_px=median(wider[both]), away_px=away)
    return checks


def edge_offsets(
    grey: NDArray[np.float32], centre: FloatArray, normal: FloatArray, edges: FloatArray
) -> FloatArray:
    """
    How far the labelled dentine reaches beyond the brightness edge, shape (N, 2). [crop px]

    Parameters
    ----------
    grey : ndarray, shape (H, W)
    centre, normal : ndarray, shape (N, 2)
        Station points and unit vectors towards the tongue. [crop px]
    edges : ndarray, shape (N, 4)
        Offsets along ``normal``: outer enamel edge, enamel|dentine, dentine|enamel, inner enamel edge.

    Returns
    -------
    ndarray
        For the outer and the inner enamel|dentine edge: positive where the labels make the dentine too wide.
        NaN where a band is missing, where the photo shows no contrast, or where no crossing lies within 6 px.
    """
    steps = np.arange(-_REACH_PX, _REACH_PX + _STEP_PX / 2, _STEP_PX)
    out = np.full((edges.shape[0], 2), np.nan)
    dentine_at = 0.5 * (edges[:, 1] + edges[:, 2])
    dentine = _plateau(grey, centre, normal, dentine_at, 0.15 * (edges[:, 1] - edges[:, 2]))
    for column, (near, far, outward) in enumerate(((1, 0, 1.0), (2, 3, -1.0))):
        enamel_at = 0.5 * (edges[:, near] + edges[:, far])
        enamel = _plateau(grey, centre, normal, enamel_at, 0.15 * np.abs(edges[:, far] - edges[:, near]))
        along = edges[:, near, None] + outward * steps
        profile = _sample(grey, centre, normal, along)
        contrast = enamel - dentine
        level = (profile - dentine[:, None]) / np.where(np.abs(contrast) < _MIN_CONTRAST, np.nan, contrast)[
            :, None
        ]
        # The search stays between the two plateaus, where the profile passes the mid-level once.
        inside = np.abs(along - dentine_at[:, None]) <= np.abs(enamel_at - dentine_at)[:, None]
        inside &= (along - dentine_at[:, None]) * outward >= 0
        out[:, column] = -_nearest_rise(np.where(inside, level, np.nan), steps)
    return out


def _plateau(
    grey: NDArray[np.float32], centre: FloatArray, normal: FloatArray, at: FloatArray, half: FloatArray
) -> FloatArray:
    """Mean grey over the middle third of a band."""
    offsets = at[:, None] + half[:, None] * np.array([-1.0, 0.0, 1.0])
    return np.asarray(_sample(grey, centre, normal, offsets).mean(axis=1))


def _sample(
    grey: NDArray[np.float32], centre: FloatArray, normal: FloatArray, offsets: FloatArray
) -> FloatArray:
    """Bilinear grey at ``centre + offset * normal``, shape of ``offsets``; NaN offsets give NaN."""
    known = np.nan_to_num(offsets)
    x = (centre[:, :1] + known * normal[:, :1]).astype(np.float32)
    y = (centre[:, 1:] + known * normal[:, 1:]).astype(np.float32)
    values = np.asarray(
        cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float64
    )
    return np.where(np.isfinite(offsets), values, np.nan)


def _nearest_rise(level: FloatArray, steps: FloatArray) -> FloatArray:
    """Place of the upward crossing of 1/2 nearest to step 0, shape (N,); NaN without one."""
    low, high = level[:, :-1], level[:, 1:]
    with np.errstate(invalid="ignore"):
        crosses = (low < 0.5) & (high >= 0.5)
        share = (0.5 - low) / np.where(high > low, high - low, 1.0)
    place = np.where(crosses, steps[:-1] + share * (steps[1] - steps[0]), np.nan)
    distance = np.where(np.isfinite(place), np.abs(place), np.inf)
    best = distance.argmin(axis=1)
    return np.asarray(place[np.arange(level.shape[0]), best])
