"""
The nominal row laid over patches of tooth labels, by the similarity that explains most label area.

Every pair of patches with different numbers proposes one; a patch supports it when it lies where its number
says. So stray teeth elsewhere, a second row and wrongly numbered patches fall out, any rotation works, and
four or five teeth of a fawn are enough. Points are (x, y) in coarse pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import NOMINAL_ROW_MM
from crestgauge.inference.nominal import nominal_ends_mm
from crestgauge.model.labels import N_TEETH

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowOptions:
    """
    Limits of the row search.

    Parameters
    ----------
    min_patch_px : float
        Smaller patches of one label are flicker. [coarse px^2]
    min_teeth : int
        Fewer numbers that lie in line are no row.
    min_score : float
        Least share of the row's expected crown area, over the numbers seen, that must be explained. [1]
    inlier_share : float
        How far from its place a patch may lie, as a share of its nominal length along the row. [1]
    border_px : float
        Crowns this near to the picture's border touch it. [coarse px]
    sure_numbers : float
        Certainty of the tooth numbers in the fine maps from which a row counts as proven. The right way round
        gives 0.94 and more on usable drawn photos, the wrong way 0.3 to 0.83. [1]
    least_numbers : float
        ... and below which a row is refused: what is measured may be of another tooth. 105 usable drawn
        photos have 0.97 and more; under fingers over the molars, premolars were numbered 3 to 6 at 0.80. [1]
    as_large, nearer : float
        A second row is the one that is meant, though less of it is seen, where it shows as many numbers, at
        least this share of the first's label area [1], and its middle lies nearer to the middle of the
        picture by this share of the long side [1]; or where it does, shows more than ``min_teeth``
        numbers and lies whole in the picture, and the first one is cut off by the border. Ours.
    """

    min_patch_px: float = 12.0
    min_teeth: int = 3
    min_score: float = 0.25
    inlier_share: float = 0.55
    border_px: float = 1.5
    sure_numbers: float = 0.9
    least_numbers: float = 0.9
    as_large: float = 0.6
    nearer: float = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """
    Connected patches of one label each: number, middle (x, y), area [coarse px], and their own numbers in
    ``image`` (H, W), -1 where there is none.
    """

    number: NDArray[np.int64]
    middle: FloatArray
    area: FloatArray
    own: NDArray[np.int64]
    image: NDArray[np.int64]

    def some(self, chosen: NDArray[np.bool_]) -> Patches:
        """Those that are chosen."""
        return Patches(
            self.number[chosen], self.middle[chosen], self.area[chosen], self.own[chosen], self.image
        )


def find_patches(labels: NDArray[np.uint8], options: RowOptions) -> Patches:
    """The 60 largest patches of the labels, largest first."""
    number, middle, area = [], [], []
    own: list[int] = []
    image = np.full(labels.shape, -1, dtype=np.int64)
    for k in range(1, N_TEETH + 1):
        count, marks, stats, centroids = cv2.connectedComponentsWithStats(
            (labels == k).astype(np.uint8), connectivity=8
        )
        for i in range(1, count):
            size = float(stats[i, cv2.CC_STAT_AREA])
            if size >= options.min_patch_px:
                image[marks == i] = len(own)
                own.append(len(own))
                number.append(k)
                middle.append(centroids[i])
                area.append(size)
    order = np.argsort(area)[::-1][:60]
    return Patches(
        np.asarray(number, dtype=np.int64)[order] if number else np.empty(0, dtype=np.int64),
        np.asarray(middle, dtype=np.float64).reshape(-1, 2)[order],
        np.asarray(area, dtype=np.float64)[order],
        np.asarray(own, dtype=np.int64)[order] if own else np.empty(0, dtype=np.int64),
        image,
    )


def best_similarity(
    patches: Patches, options: RowOptions, *, straight: bool = False
) -> tuple[FloatArray, NDArray[np.bool_]] | None:
    """
    Similarity nominal mm -> coarse px with most label area in place, (2, 3), and its patches; None without a
    pair.

    ``straight`` makes a patch count less the farther it lies off the line, so that none runs from one row
    across to another; the arc of a row alone needs no such care.
    """
    centres = nominal_ends_mm().mean(axis=1)
    lengths = np.diff(nominal_ends_mm(), axis=1)[:, 0]
    place = centres[patches.number - 1]
    best_score, best = 0.0, None
    n = len(patches.number)
    for i in range(n):
        for j in range(i + 1, n):
            span = place[j] - place[i]
            if span == 0:
                continue
            step = (patches.middle[j] - patches.middle[i]) / span
            scale = float(np.hypot(*step))
            if scale < 0.5:
                continue
            origin = patches.middle[i] - step * place[i]
            away = (patches.middle - origin) @ np.stack([step, [-step[1], step[0]]], axis=1) / scale**2
            along_ok = np.abs(away[:, 0] - place) < options.inlier_share * lengths[patches.number - 1]
            inlier = along_ok & (np.abs(away[:, 1]) < 7.0)
            # A patch cannot support more than its nominal crown (breadth about 0.65 of the length).
            nominal = 0.65 * (lengths[patches.number - 1] * scale) ** 2
            support = np.minimum(patches.area, 1.3 * nominal) * inlier
            if straight:
                support = support * (1.0 - (away[:, 1] / 7.0) ** 2).clip(0.0)
            by_number = np.zeros(N_TEETH)
            np.maximum.at(by_number, patches.number - 1, support)
            score = float(by_number.sum() * (by_number > 0).sum())
            if score > best_score:
                best_score = score
                best = (np.array([[step[0], -step[1], origin[0]], [step[1], step[0], origin[1]]]), inlier)
    return best


def refine(
    labels: NDArray[np.uint8], patches: Patches, transform: FloatArray, inliers: NDArray[np.bool_]
) -> FloatArray:
    """
    Similarity by weighted least squares on both ends and the middle of every crown in place.

    The direction comes from the middle line of all crown pixels near the row, the scale and place along it
    from the crowns' middles; a row's arc would turn a fit to single patches.
    """
    points, numbers = near_row(labels, transform)
    if len(points) < 3 or len(np.unique(numbers)) < 2:
        return transform
    local = to_mm(points, transform)
    centres = nominal_ends_mm().mean(axis=1)
    own = (
        np.abs(local[:, 0] - centres[numbers - 1]) < 0.8 * np.diff(nominal_ends_mm(), axis=1)[numbers - 1, 0]
    )
    own &= np.abs(local[:, 1]) < 8.0
    if own.sum() < 3 or len(np.unique(numbers[own])) < 2:
        return transform
    points, numbers, local = points[own], numbers[own], local[own]
    slope, height = np.polyfit(local[:, 0], local[:, 1], 1)
    direction = transform[:, 0] + slope * transform[:, 1]
    direction = direction / np.linalg.norm(direction)
    foot = transform[:, 1] * height + transform[:, 2]
    along = (points - foot) @ direction
    k = _whole_numbers(points, numbers, labels.shape)
    weight = np.array([np.sqrt((numbers == i).sum()) for i in k])
    middle = np.array([0.5 * np.sum(np.percentile(along[numbers == i], [3, 97])) for i in k])
    scale, begin = np.polyfit(centres[k - 1], middle, 1, w=weight)
    if scale <= 0:
        return transform
    origin = foot + begin * direction
    return np.array(
        [
            [scale * direction[0], -scale * direction[1], origin[0]],
            [scale * direction[1], scale * direction[0], origin[1]],
        ]
    )


def _whole_numbers(
    points: FloatArray, numbers: NDArray[np.int64], shape: tuple[int, ...]
) -> NDArray[np.int64]:
    """Numbers of the crowns that the picture's border does not cut, as long as two are left; else all."""
    edge = np.min(
        [points[:, 0], points[:, 1], shape[1] - 1 - points[:, 0], shape[0] - 1 - points[:, 1]], axis=0
    )
    k = np.unique(numbers)
    whole = np.array([np.count_nonzero(edge[numbers == i] < 1.5) < 3 for i in k])
    return k[whole] if whole.sum() >= 2 else k


def near_row(labels: NDArray[np.uint8], transform: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
    """Crown pixels within the nominal row's box and some margin: points (N, 2) and their numbers."""
    rows, cols = np.nonzero(labels)
    points = np.stack([cols, rows], axis=1).astype(np.float64)
    local = to_mm(points, transform)
    near = (np.abs(local[:, 1]) < 9.0) & (local[:, 0] > -6.0) & (local[:, 0] < NOMINAL_ROW_MM + 6.0)
    return points[near], labels[rows[near], cols[near]].astype(np.int64)


def to_mm(points: FloatArray, transform: FloatArray) -> FloatArray:
    """Coarse points in nominal mm along and across the row."""
    return np.asarray((points - transform[:, 2]) @ np.linalg.inv(transform[:, :2]).T)


def nominal_area(transform: FloatArray) -> FloatArray:
    """Area of the nominal crowns, shape (6,). [coarse px^2]"""
    lengths = np.diff(nominal_ends_mm(), axis=1)[:, 0]
    scale = float(np.hypot(transform[0, 0], transform[1, 0]))
    return np.asarray(0.55 * lengths**1.0 * 12.0 * scale**2 * np.clip(lengths / 20.0, 0.5, 1.0))


def support_of(labels: NDArray[np.uint8], transform: FloatArray) -> tuple[FloatArray, float]:
    """Label area per number that lies where it should, shape (6,), and all label area near the row. [coarse
    px^2]"""
    points, numbers = near_row(labels, transform)
    ends = nominal_ends_mm()
    local = to_mm(points, transform)
    slack = 0.35 * (ends[:, 1] - ends[:, 0])
    in_place = (local[:, 0] > (ends[:, 0] - slack)[numbers - 1]) & (
        local[:, 0] < (ends[:, 1] + slack)[numbers - 1]
    )
    return np.bincount(numbers[in_place] - 1, minlength=N_TEETH).astype(np.float64), float(len(points))
