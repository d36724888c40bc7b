"""
From coarse label maps of the whole photo to the frame in which the tooth row is measured.

The nominal row (six crowns on a line, lengths by `TOOTH_LENGTH_SHARES` of `NOMINAL_ROW_MM`) is laid over
patches of tooth labels by the similarity that explains most label area: every pair of patches with different
numbers proposes one, a patch supports it when it lies where its number says. So stray teeth elsewhere, a
second row and wrongly numbered patches fall out, any rotation works, and four or five teeth of a fawn are
enough. Where a second row lines up in the same way, one of the two is meant (`_rows`), and the other is taken
out of the labels before anything is measured on them, so that no frame lies across both. A jaw that lies
upside down still gets tooth 1 at the left: direction comes from the numbers alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.inference.maps import (
    COARSE_LONG_SIDE,
    CROP_SIZE,
    NOMINAL_ROW_MM,
    NOMINAL_ROW_SHARE,
    TOOTH_LENGTH_SHARES,
    LabelMaps,
    RowFrame,
)
from crestgauge.inference.views import View
from crestgauge.model.labels import N_TEETH, Material

FloatArray = NDArray[np.float64]
CROP_PX_PER_MM = CROP_SIZE[0] * NOMINAL_ROW_SHARE / NOMINAL_ROW_MM
"""Crop pixels per nominal millimetre (15 in round figures)."""
Border = Literal["left", "top", "right", "bottom"]


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowSearch:
    """
    Result of the search, with the numbers it was decided on.

    Parameters
    ----------
    frame : RowFrame or None
        None: no row found; the other fields say what was seen.
    teeth : tuple of int
        Numbers that lie in line, in order.
    crown_px : float
        Tooth label area in the whole picture. [coarse px^2]
    row_px : float
        ... and that of the row. [coarse px^2]
    order_score : float
        Share of the label area near the row's line that lies where its number says. [1]
    fill : float
        Label area of the row over that of the nominal crowns with these numbers. [1]
    borders : tuple of str
        Sides of the picture that crowns of the row touch.
    outside : float
        Share of the nominal row, first to last tooth, outside the picture. [1]
    second_row : float
        Label area of a second row, as a share of the row's own; 0 where fewer numbers line up elsewhere than
        make a row. [1]
    second_nearer : float
        How much nearer to the middle of the picture that second row lies, as a share of the long side;
        negative where it lies farther away, 0 without one. [1]
    second_wear : float
        Difference between the shares of dentine in the crowns of both rows: the halves of one animal wear
        alike; 0 without a second row. [1]
    row_length_px : float
        Length of the nominal row. [photo px]
    shape : float
        Square of the length over all visible crowns, but those of a second row, over their area: how slender
        they lie together, whatever their numbers; 0 where there is hardly any crown. [1]
    breadth_px : float
        That area over that length, 0 likewise. [photo px]
    view : View or None
        From where the network sees these crowns; None where there is hardly any. It says too little of a
        steep view, but goes up with it.
    blur_px : float or None
        Median blur sigma over these crowns, where it is wider than one coarse pixel; None where it is not, or
        where there is hardly any crown: the shrunk picture shows no finer blur. [photo px]
    bare_end : float
        Share of the ground beyond one end of the crowns, as far as they are broad, that is neither bone nor
        crown, at the end where it is larger. Bone goes on behind the last tooth and before the first, so
        where crowns end at something else, that lies over the rest. [1]
    """

    frame: RowFrame | None
    teeth: tuple[int, ...]
    crown_px: float
    row_px: float
    order_score: float
    fill: float
    borders: tuple[Border, ...]
    outside: float
    second_row: float
    row_length_px: float
    shape: float = 0.0
    breadth_px: float = 0.0
    view: View | None = None
    blur_px: float | None = None
    bare_end: float = 0.0
    second_nearer: float = 0.0
    second_wear: float = 0.0

    @property
    def tilt_deg(self) -> float | None:
        """How far from straight above the network sees the crowns; None where there is hardly any. [deg]"""
        return None if self.view is None else self.view.tilt_deg().value


@dataclass(frozen=True, slots=True, eq=False)
class _Patches:
    """
    Connected patches of one label each: number, middle (x, y), area [coarse px], and their own numbers in
    ``image`` (H, W), -1 where there is none.
    """

    number: NDArray[np.int64]
    middle: FloatArray
    area: FloatArray
    own: NDArray[np.int64]
    image: NDArray[np.int64]

    def some(self, chosen: NDArray[np.bool_]) -> _Patches:
        """Those that are chosen."""
        return _Patches(
            self.number[chosen], self.middle[chosen], self.area[chosen], self.own[chosen], self.image
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """
    The row that is meant, and what is known of another.

    Parameters
    ----------
    labels : ndarray of uint8, shape (H, W)
        Tooth number per coarse pixel, without the other row.
    patches : _Patches
    best : (ndarray, ndarray of bool) or None
        Similarity nominal mm -> coarse px, and which patches support it.
    second_px : float
        Label area of the other row, 0 without one. [coarse px^2]
    second_nearer : float
        As in `RowSearch`. [1]
    """

    labels: NDArray[np.uint8]
    patches: _Patches
    best: tuple[FloatArray, NDArray[np.bool_]] | None
    second_px: float = 0.0
    second_nearer: float = 0.0


def find_row(maps: LabelMaps, photo_size: tuple[int, int], options: RowOptions | None = None) -> RowSearch:
    """
    Find the tooth row in the coarse maps of a whole photo.

    Parameters
    ----------
    maps : LabelMaps
        Coarse maps; the photo fills the upper left part, long side `COARSE_LONG_SIDE`, the rest is padding.
    photo_size : tuple of int
        (width, height) of the upright photo. [photo px]

    Raises
    ------
    InputError
        If the maps are smaller than the scaled photo.
    """
    options = options or RowOptions()
    size = coarse_size(photo_size)
    if maps.size[0] < size[0] or maps.size[1] < size[1]:
        raise InputError(f"coarse maps: {maps.size} px; needs at least {size} for a photo of {photo_size} px")
    everything = _labels(maps, size)
    crown_px = float(np.count_nonzero(everything))
    rows = _rows(everything, options)
    labels, patches = rows.labels, rows.patches
    crowns = _along(labels)
    length = 0.0 if crowns is None else float(np.ptp(crowns[2]))
    own_px = float(np.count_nonzero(labels))
    shape = length**2 / max(own_px, 1.0)
    breadth_px = own_px / length * max(photo_size) / COARSE_LONG_SIDE if length else 0.0
    view = None if crowns is None else _mean_view(maps, labels)
    blur_px = None if crowns is None else _blur_px(maps, labels, max(photo_size) / COARSE_LONG_SIDE)
    bare_end = 0.0 if crowns is None else _bare_end(maps, labels, crowns)
    if rows.best is None:
        return replace(
            _nothing(crown_px, patches),
            shape=shape,
            breadth_px=breadth_px,
            view=view,
            blur_px=blur_px,
            bare_end=bare_end,
        )
    transform, inliers = rows.best
    transform = _refine(labels, patches, transform, inliers)
    score, near = _support(labels, transform)
    seen = tuple(int(k) for k in np.flatnonzero(score >= 0.15 * _nominal_area(transform)) + 1)
    row_px = float(score.sum())
    expected = float(sum(_nominal_area(transform)[k - 1] for k in seen)) or 1.0
    order = row_px / max(near, 1.0)
    outside, borders = _borders(labels, transform, seen, size, options)
    scale = float(np.hypot(transform[0, 0], transform[1, 0])) * max(photo_size) / COARSE_LONG_SIDE
    found = len(seen) >= options.min_teeth and row_px >= options.min_score * expected and order > 0.5
    return RowSearch(
        frame=_frame(transform, seen, photo_size, size) if found else None,
        teeth=seen,
        crown_px=crown_px,
        row_px=row_px,
        order_score=order,
        fill=row_px / expected,
        borders=borders,
        outside=outside,
        second_row=rows.second_px / max(row_px, 1.0),
        second_nearer=rows.second_nearer,
        second_wear=_wear_apart(maps, labels > 0, (everything > 0) & (labels == 0)),
        row_length_px=scale * NOMINAL_ROW_MM,
        shape=shape,
        breadth_px=breadth_px,
        view=view,
        blur_px=blur_px,
        bare_end=bare_end,
    )


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


_LEAST_BONE_PX = 40
"""Smaller patches of bone or crown are flicker. [coarse px^2]"""
_SIDE_PIECE = 0.2
"""Patches of less than this share of the largest are not looked at again. [1]"""
_CLOSER_MARGIN = 0.3
"""Margin of the closer look, over the long side of what is in it. [1]"""


def axis_frames(
    maps: LabelMaps, photo_size: tuple[int, int], options: RowOptions | None = None
) -> tuple[RowFrame, ...]:
    """
    Frames along the long axis of everything that looks like a crown and is no second row, one for each way
    round.

    For rows whose numbers the coarse pass does not know: a fawn's row, narrow at both ends, may be numbered
    from both. Five teeth are assumed; a look through the frame then finds the true size.

    Returns
    -------
    tuple of RowFrame
        Two, or none where there is hardly any crown.
    """
    size = coarse_size(photo_size)
    crowns = _along(_rows(_labels(maps, size), options or RowOptions()).labels)
    if crowns is None:
        return ()
    middle, axis, reach = crowns
    ends = nominal_ends_mm()[: len(_FIVE)]
    frames = []
    for direction, (front, back) in ((axis, reach), (-axis, -reach[::-1])):
        across = np.array([-direction[1], direction[0]])
        scale = (back - front) / (ends[-1, 1] - ends[0, 0])
        origin = middle + (front - scale * ends[0, 0]) * direction
        transform = np.column_stack([scale * direction, scale * across, origin])
        frames.append(_frame(transform, _FIVE, photo_size, size))
    return tuple(frames)


def _along(labels: NDArray[np.uint8]) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Middle of all crown pixels (x, y), their long axis, and how far they reach along it from the middle
    (back, front); None where there are hardly any. [coarse px]"""
    rows, cols = np.nonzero(labels)
    if len(rows) < _LEAST_CROWN_PX:
        return None
    points = np.stack([cols, rows], axis=1).astype(np.float64)
    middle = np.median(points, axis=0)
    axis = np.linalg.eigh(np.cov((points - middle).T))[1][:, 1]
    return middle, axis, np.percentile((points - middle) @ axis, [1.0, 99.0])


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
    """See `RowSearch.blur_px`. [photo px]"""
    height, width = labels.shape
    blur = float(np.median(maps.block("blur")[0, :height, :width][labels > 0]))
    return blur * photo_per_coarse if blur > 1.0 else None


def _bare_end(
    maps: LabelMaps, labels: NDArray[np.uint8], crowns: tuple[FloatArray, FloatArray, FloatArray]
) -> float:
    """See `RowSearch.bare_end`; 0 at an end that lies at the picture's border."""
    middle, axis, reach = crowns
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


_END_IN_SIGHT = 0.3
"""Share of the ground beyond an end of the crowns that must lie in the picture to be judged. [1]"""


_FIVE = (1, 2, 3, 4, 5)
_LEAST_CROWN_PX = 200
"""Crown area below which no axis is believed. [coarse px^2]"""


def coarse_size(photo_size: tuple[int, int]) -> tuple[int, int]:
    """(width, height) of the photo on the coarse grid, without padding. [coarse px]"""
    factor = COARSE_LONG_SIDE / max(photo_size)
    return max(round(photo_size[0] * factor), 1), max(round(photo_size[1] * factor), 1)


def _labels(maps: LabelMaps, size: tuple[int, int]) -> NDArray[np.uint8]:
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


def _patches(labels: NDArray[np.uint8], options: RowOptions) -> _Patches:
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
    return _Patches(
        np.asarray(number, dtype=np.int64)[order] if number else np.empty(0, dtype=np.int64),
        np.asarray(middle, dtype=np.float64).reshape(-1, 2)[order],
        np.asarray(area, dtype=np.float64)[order],
        np.asarray(own, dtype=np.int64)[order] if own else np.empty(0, dtype=np.int64),
        image,
    )


def _rows(labels: NDArray[np.uint8], options: RowOptions) -> _Rows:
    """
    The row that is meant: the one with most label area in place, or another that is clearly nearer to the
    middle of the picture and nearly as large, or whole where that one is cut off by the border.
    """
    patches = _patches(labels, options)
    second = _other_row(patches, labels.shape, options)
    if second is None:
        return _Rows(labels, patches, _best_similarity(patches, options))
    own, other = patches.some(~second), patches.some(second)
    without = np.where(np.isin(patches.image, other.own), 0, labels).astype(np.uint8)
    best = _best_similarity(own, options)
    nearer = 0.0
    if best is not None:
        nearer = _off_middle(own.some(best[1]), labels.shape) - _off_middle(other, labels.shape)
    return _Rows(without, own, best, float(other.area.sum()), nearer)


def _wear_apart(maps: LabelMaps, own: NDArray[np.bool_], other: NDArray[np.bool_]) -> float:
    """Difference between two rows' shares of dentine; 0 where one of them has no crown."""
    if not own.any() or not other.any():
        return 0.0
    dentine = maps.block("material")[Material.DENTINE][: own.shape[0], : own.shape[1]]
    return abs(float(dentine[own].mean()) - float(dentine[other].mean()))


def _other_row(patches: _Patches, shape: tuple[int, ...], options: RowOptions) -> NDArray[np.bool_] | None:
    """Which patches are a row that is not meant; None where there is no second row."""
    best = _best_similarity(patches, options, straight=True)
    if best is None:
        return None
    first = best[1]
    found = _best_similarity(patches.some(~first), options, straight=True)
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


def _is_cut(row: _Patches, shape: tuple[int, ...], options: RowOptions) -> bool:
    """Whether a row touches the border of the picture."""
    rows, cols = np.nonzero(np.isin(row.image, row.own))
    edge = options.border_px
    return bool(
        min(rows.min(), cols.min()) < edge
        or rows.max() > shape[0] - 1 - edge
        or cols.max() > shape[1] - 1 - edge
    )


_MOST_ALONG = 0.35
"""Share of a second row that may lie along the first: what lies there is the same row, numbered wrongly."""


def _share_along(row: _Patches, transform: FloatArray) -> float:
    """Share of patches' area that lies along another row."""
    local = _to_mm(row.middle, transform)
    along = (np.abs(local[:, 1]) < 8.0) & (local[:, 0] > -10.0) & (local[:, 0] < NOMINAL_ROW_MM + 10.0)
    return float(row.area[along].sum() / row.area.sum())


def _off_middle(row: _Patches, shape: tuple[int, ...]) -> float:
    """Distance of a row's middle from that of the picture, as a share of its long side."""
    middle = np.average(row.middle, axis=0, weights=row.area)
    off = middle - np.array([shape[1] - 1, shape[0] - 1]) / 2
    return float(np.hypot(*off)) / max(shape)


def _best_similarity(
    patches: _Patches, options: RowOptions, *, straight: bool = False
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


def _refine(
    labels: NDArray[np.uint8], patches: _Patches, transform: FloatArray, inliers: NDArray[np.bool_]
) -> FloatArray:
    """
    Similarity by weighted least squares on both ends and the middle of every crown in place.

    The direction comes from the middle line of all crown pixels near the row, the scale and place along it
    from the crowns' middles; a row's arc would turn a fit to single patches.
    """
    points, numbers = _near_row(labels, transform)
    if len(points) < 3 or len(np.unique(numbers)) < 2:
        return transform
    local = _to_mm(points, transform)
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


def _near_row(labels: NDArray[np.uint8], transform: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
    """Crown pixels within the nominal row's box and some margin: points (N, 2) and their numbers."""
    rows, cols = np.nonzero(labels)
    points = np.stack([cols, rows], axis=1).astype(np.float64)
    local = _to_mm(points, transform)
    near = (np.abs(local[:, 1]) < 9.0) & (local[:, 0] > -6.0) & (local[:, 0] < NOMINAL_ROW_MM + 6.0)
    return points[near], labels[rows[near], cols[near]].astype(np.int64)


def _to_mm(points: FloatArray, transform: FloatArray) -> FloatArray:
    """Coarse points in nominal mm along and across the row."""
    return np.asarray((points - transform[:, 2]) @ np.linalg.inv(transform[:, :2]).T)


def _nominal_area(transform: FloatArray) -> FloatArray:
    """Area of the nominal crowns, shape (6,). [coarse px^2]"""
    lengths = np.diff(nominal_ends_mm(), axis=1)[:, 0]
    scale = float(np.hypot(transform[0, 0], transform[1, 0]))
    return np.asarray(0.55 * lengths**1.0 * 12.0 * scale**2 * np.clip(lengths / 20.0, 0.5, 1.0))


def _support(labels: NDArray[np.uint8], transform: FloatArray) -> tuple[FloatArray, float]:
    """Label area per number that lies where it should, shape (6,), and all label area near the row. [coarse
    px^2]"""
    points, numbers = _near_row(labels, transform)
    ends = nominal_ends_mm()
    local = _to_mm(points, transform)
    slack = 0.35 * (ends[:, 1] - ends[:, 0])
    in_place = (local[:, 0] > (ends[:, 0] - slack)[numbers - 1]) & (
        local[:, 0] < (ends[:, 1] + slack)[numbers - 1]
    )
    return np.bincount(numbers[in_place] - 1, minlength=N_TEETH).astype(np.float64), float(len(points))


def _borders(
    labels: NDArray[np.uint8],
    transform: FloatArray,
    seen: tuple[int, ...],
    size: tuple[int, int],
    options: RowOptions,
) -> tuple[float, tuple[Border, ...]]:
    """Share of the nominal row outside the picture, and the sides that crowns of the row touch."""
    line = np.stack([np.linspace(0, NOMINAL_ROW_MM, 165), np.zeros(165)], axis=1)
    at = line @ transform[:, :2].T + transform[:, 2]
    outside = (at[:, 0] < -0.5) | (at[:, 1] < -0.5) | (at[:, 0] > size[0] - 0.5) | (at[:, 1] > size[1] - 0.5)
    points, numbers = _near_row(labels, transform)
    points = points[np.isin(numbers, seen)]
    touched: list[Border] = []
    if len(points):
        gaps: dict[Border, FloatArray] = {
            "left": points[:, 0],
            "top": points[:, 1],
            "right": size[0] - 1 - points[:, 0],
            "bottom": size[1] - 1 - points[:, 1],
        }
        touched = [side for side, gap in gaps.items() if np.count_nonzero(gap < options.border_px) >= 3]
    return float(outside.mean()), tuple(touched)


def _frame(
    transform: FloatArray, seen: tuple[int, ...], photo_size: tuple[int, int], size: tuple[int, int]
) -> RowFrame:
    """
    Frame that carries photo px to crop px: the middle of the teeth seen to the crop's middle.

    A fawn's four or five teeth so lie in the middle of the crop at the scale of a full row, as the network
    was taught.
    """
    # coarse px -> photo px: both count pixel centres, so the corners (-0.5) coincide.
    factor = np.array([photo_size[0] / size[0], photo_size[1] / size[1]])
    scale = float(np.hypot(transform[0, 0], transform[1, 0])) * float(factor.mean())
    direction = transform[:, 0] * factor
    direction = direction / np.linalg.norm(direction)
    middle = transform[:, 0] * visible_middle_mm(seen) + transform[:, 2]
    middle = (middle + 0.5) * factor - 0.5
    zoom = CROP_PX_PER_MM / scale
    linear = zoom * np.array([[direction[0], direction[1]], [-direction[1], direction[0]]])
    target = np.array([CROP_SIZE[0] / 2 - 0.5, CROP_SIZE[1] / 2 - 0.5])
    return RowFrame(np.column_stack([linear, target - linear @ middle]))


def _nothing(crown_px: float, patches: _Patches) -> RowSearch:
    """Result without a row."""
    return RowSearch(
        frame=None,
        teeth=tuple(int(k) for k in np.unique(patches.number)),
        crown_px=crown_px,
        row_px=0.0,
        order_score=0.0,
        fill=0.0,
        borders=(),
        outside=0.0,
        second_row=0.0,
        row_length_px=0.0,
    )
