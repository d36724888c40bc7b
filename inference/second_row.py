"""
Which row is meant where two line up in one picture.

The other one is taken out of the labels before anything is measured on them, so that no frame lies across
both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import NOMINAL_ROW_MM, LabelMaps
from crestgauge.inference.row_fit import Patches, RowOptions, best_similarity, find_patches, to_mm
from crestgauge.model.labels import Material

FloatArray = NDArray[np.float64]
_MOST_ALONG = 0.35
"""Share of a second row that may lie along the first: what lies there is the same row, numbered wrongly."""


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """
    The row that is meant, and what is known of another.

    Parameters
    ----------
    labels : ndarray of uint8, shape (H, W)
        Tooth number per coarse pixel, without the other row.
    patches : Patches
    best : (ndarray, ndarray of bool) or None
        Similarity nominal mm -> coarse px, and which patches support it.
    second_px : float
        Label area of the other row, 0 without one. [coarse px^2]
    second_nearer : float
        How much nearer to the middle of the picture the other row lies, as a share of the long side;
        negative where it lies farther away, 0 without one. [1]
    """

    labels: NDArray[np.uint8]
    patches: Patches
    best: tuple[FloatArray, NDArray[np.bool_]] | None
    second_px: float = 0.0
    second_nearer: float = 0.0


def meant_row(labels: NDArray[np.uint8], options: RowOptions) -> Rows:
    """
    The row that is meant: the one with most label area in place, or another that is clearly nearer to the
    middle of the picture and nearly as large, or whole where that one is cut off by the border.
    """
    patches = find_patches(labels, options)
    second = _other_row(patches, labels.shape, options)
    if second is None:
        return Rows(labels, patches, best_similarity(patches, options))
    own, other = patches.some(~second), patches.some(second)
    without = np.where(np.isin(patches.image, other.own), 0, labels).astype(np.uint8)
    best = best_similarity(own, options)
    nearer = 0.0
    if best is not None:
        nearer = _off_middle(own.some(best[1]), labels.shape) - _off_middle(other, labels.shape)
    return Rows(without, own, best, float(other.area.sum()), nearer)


def wear_apart(maps: LabelMaps, own: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    """Difference between two rows' shares of dentine; 0 where one of them has no crown."""
    if not own.any() or not other.any():
        return 0.0
    dentine = maps.block("material")[Material.DENTINE][: own.shape[0], : own.shape[1]]
    return abs(float(dentine[own].mean()) - float(dentine[other].mean()))


def _other_row(patches: Patches, shape: tuple[int, ...], options: RowOptions) -> NDArray[np.bool_] | None:
    """Which patches are a row that is not meant; None where there is no second row."""
    best = best_similarity(patches, options, straight=True)
    if best is None:
        return None
    first = best[1]
    found = best_similarity(patches.some(~first), options, straight=True)
    if found is None:
        return None
    second = np.zeros_like(first)
    second[np.flatnonzero(~first)[found[1]]] = True
    numbers = [len(np.unique(patches.number[row])) for row in (first, second)]
    if numbers[1] < options.min_teeth or _share_along(patches.some(second), best[0]) > _MOST_ALONG:
        return None
    areas = [float(patches.area[row].sum()) for row in (first, second)]
    away = [_off_middle(patches.some(row), shape) for row in (first, second)]
    if away[1] < away[0] - options.nearer:
        if numbers[1] >= numbers[0] and areas[1] >= options.as_large * areas[0]:
            return first
        # Nobody photographs a row by its rim: a fawn's in the middle beside an older jaw's at the border.
        cut = [_is_cut(patches.some(row), shape, options) for row in (first, second)]
        if cut == [True, False] and numbers[1] > options.min_teeth:
            return first
    return second


def _is_cut(row: Patches, shape: tuple[int, ...], options: RowOptions) -> bool:
    """Whether a row touches the border of the picture."""
    rows, cols = np.nonzero(np.isin(row.image, row.own))
    edge = options.border_px
    return bool(
        min(rows.min(), cols.min()) < edge
        or rows.max() > shape[0] - 1 - edge
        or cols.max() > shape[1] - 1 - edge
    )


def _share_along(row: Patches, transform: FloatArray) -> float:
    """Share of patches' area that lies along another row."""
    local = to_mm(row.middle, transform)
    along = (np.abs(local[:, 1]) < 8.0) & (local[:, 0] > -10.0) & (local[:, 0] < NOMINAL_ROW_MM + 10.0)
    return float(row.area[along].sum() / row.area.sum())


def _off_middle(row: Patches, shape: tuple[int, ...]) -> float:
    """Distance of a row's middle from that of the picture, as a share of its long side."""
    middle = np.average(row.middle, axis=0, weights=row.area)
    off = middle - np.array([shape[1] - 1, shape[0] - 1]) / 2
    return float(np.hypot(*off)) / max(shape)
