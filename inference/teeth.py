"""
From fine label maps to crowns: their place, lobes, side of jaw, state and view. Crop pixels throughout.

Which pixel belongs to which tooth is settled in `crestgauge.inference.numbering`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import LabelMaps
from crestgauge.inference.numbering import (
    COARSE_STEP,
    STEP,
    TeethOptions,
    column_mass,
    crown_labels,
    number_columns,
    row_cells,
)
from crestgauge.model.labels import N_TEETH, Material

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lobe:
    """
    One lobe in the frame of its tooth.

    Parameters
    ----------
    number : int
        1.. from the front.
    centre : ndarray, shape (2,)
        (x, y). [crop px]
    span : tuple of float
        Begin and end along the tooth's axis, relative to ``centre``. [crop px]
    assumed : bool
        No peak was seen; the place follows from the crown's length.
    """

    number: int
    centre: FloatArray
    span: tuple[float, float]
    assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crown:
    """
    One crown in the crop.

    Parameters
    ----------
    position : int
    axis, lingual : ndarray, shape (2,)
        Unit vectors front to back, and towards the tongue.
    centre : ndarray, shape (2,)
        Mean of the crown's pixels. [crop px]
    extent : tuple of float
        (begin, end, cheek side, tongue side) along axis and lingual from ``centre``. [crop px]
    hull : ndarray, shape (K, 2)
        Convex hull of the crown's pixels, corner points (x, y). [crop px]
    area_px : float
        [crop px^2]
    lobes : tuple of Lobe
    counted_lobes : int or None
        Peaks in the heat map; None if there was none.
    number_p : float
        Share of the label mass that carries this position.
    state_p : ndarray, shape (3,)
        Mean of the state block.
    dentine_share : float
    edge_px : float
        Length of the border of the dentine region. [crop px]
    enclosed : float or None
        Share of that border that `enclosed_shares` finds enclosed; None where there is too little dentine to
        say. [1]
    off_crown : float
        Mean probability of jaw or background over the crown's pixels. [1]
    touches_crop : bool
        Crown pixels on the outermost grid line of the crop.
    crooked_deg : float
        Angle between axis and row. [deg]
    """

    position: int
    axis: FloatArray
    lingual: FloatArray
    centre: FloatArray
    extent: tuple[float, float, float, float]
    hull: FloatArray
    area_px: float
    lobes: tuple[Lobe, ...]
    counted_lobes: int | None
    number_p: float
    state_p: FloatArray
    dentine_share: float
    edge_px: float
    enclosed: float | None
    off_crown: float
    touches_crop: bool
    crooked_deg: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Teeth:
    """
    All crowns of one row.

    Parameters
    ----------
    crowns : tuple of Crown
        Front first; positions rise strictly.
    curve : ndarray, shape (3,)
        Middle line of the row: y = polyval(curve, x). [crop px]
    lingual_up : bool
        The tongue side lies towards smaller y.
    side_score : float
        -1 .. 1; positive where the tongue side is up.
    view : ndarray, shape (2,) ; view_u : float
        Mean (vx, vy) over the crowns, and the standard uncertainty of each component.
    blur_px : float
        Median blur sigma over the crowns. [crop px]
    """

    crowns: tuple[Crown, ...]
    curve: FloatArray
    lingual_up: bool
    side_score: float
    view: FloatArray
    view_u: float
    blur_px: float


def find_teeth(maps: LabelMaps, options: TeethOptions | None = None) -> Teeth | None:
    """
    Number the crowns of a levelled crop; None where no crown is left.

    Parameters
    ----------
    maps : LabelMaps
        Fine maps, tooth 1 towards the left, row about level.
    """
    options = options or TeethOptions()
    found = row_cells(maps, options)
    if found is None:
        return None
    keep, curve = found
    ranges = number_columns(*column_mass(maps, keep), options)
    if not ranges:
        return None
    labels, y0 = crown_labels(maps, keep, ranges, options)
    peaks = lobe_peaks(maps, keep, options)
    owners = peak_owners(peaks, ranges)
    up_score = side_score(maps, labels, y0, curve)
    row = _LabelledRow(
        maps=maps, labels=labels, y0=y0, curve=curve, lingual_up=up_score >= 0, options=options
    )
    crowns = []
    windows = label_windows(labels)
    band = slice(y0, y0 + STEP * labels.shape[0], STEP)
    enclosed = enclosed_shares(maps.block("material")[:, band, ::STEP], labels, options)
    for position in ranges:
        if position not in windows:
            continue
        crown = _crown(row, position, windows[position], peaks[owners == position])
        if crown is not None:
            crowns.append(replace(crown, enclosed=enclosed.get(position)))
    if not crowns:
        return None
    view, view_u, blur = _view(maps, labels, y0)
    return Teeth(
        crowns=tuple(crowns),
        curve=curve,
        lingual_up=row.lingual_up,
        side_score=up_score,
        view=view,
        view_u=view_u,
        blur_px=blur,
    )


def enclosed_shares(
    material: NDArray[np.float32], labels: NDArray[np.uint8], options: TeethOptions
) -> dict[int, float]:
    """
    How much of the border of each tooth's dentine lies on cut enamel or an infundibulum, by position.

    Wear cuts enamel and dentine alike, so dentine is laid open inside a rim of enamel; what is taken for
    dentine but lies on a tooth has none.

    Parameters
    ----------
    material : ndarray, shape (6, R, C)
        Probabilities of the materials.
    labels : ndarray of uint8, shape (R, C)
        Tooth number per pixel on the same grid of `STEP`, 0 = no crown.

    Returns
    -------
    dict
        position -> share of the pixel sides between dentine and what is none. Enamel of any tooth counts;
        jaw, background, crown walls and the border of the grid do not. Teeth with less dentine than
        ``min_dentine_px`` are left out. [1]
    """
    around = np.pad(material, ((0, 0), (1, 1), (1, 1)))  # zeros are neither dentine nor enamel
    is_dentine = around[Material.DENTINE] > 0.5
    dentine = np.where(is_dentine, np.pad(labels, 1), 0)
    area = np.bincount(dentine.ravel(), minlength=N_TEETH + 1) * STEP**2
    sides, closed = np.zeros(N_TEETH + 1), np.zeros(N_TEETH + 1)
    for down, right in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        rows, cols = np.nonzero((dentine > 0) & ~np.roll(is_dentine, (-down, -right), (0, 1)))
        beside = around[:, rows + down, cols + right]
        # Between two bands each may be below one half: what dentine turns into is told by the others.
        beside[Material.DENTINE] = 0.0
        rim = np.isin(beside.argmax(axis=0), (Material.ENAMEL_BAND, Material.INFUNDIBULUM))
        sides += np.bincount(dentine[rows, cols], minlength=N_TEETH + 1)
        closed += np.bincount(dentine[rows, cols], weights=rim, minlength=N_TEETH + 1)
    return {
        k: float(closed[k] / sides[k]) for k in range(1, N_TEETH + 1) if area[k] >= options.min_dentine_px
    }


def lobe_peaks(maps: LabelMaps, keep: NDArray[np.bool_], options: TeethOptions) -> FloatArray:
    """Peaks of the lobe heat over the row, shape (N, 3): x, y, height. [crop px, crop px, 1]"""
    heat = maps.block("lobe")[0]
    small = np.ascontiguousarray(heat[::COARSE_STEP, ::COARSE_STEP])
    small = cv2.GaussianBlur(small, (0, 0), 1.0)
    reach = max(round(options.lobe_distance_px / COARSE_STEP), 1)
    ellipse = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    top = (small >= cv2.dilate(small, ellipse)) & (small > 0.7 * options.lobe_peak) & keep
    peaks = []
    for row, col in zip(*np.nonzero(top), strict=True):
        x, y = col * COARSE_STEP, row * COARSE_STEP
        left, up = max(x - 14, 0), max(y - 14, 0)
        window = heat[up : y + 15, left : x + 15].astype(np.float64)
        height = float(cv2.GaussianBlur(window, (0, 0), 2.0).max())
        weight = np.clip(window - 0.5 * height, 0.0, None)
        if height < options.lobe_peak or weight.sum() <= 0:
            continue
        peaks.append(
            (
                left + float((weight.sum(axis=0) @ np.arange(window.shape[1])) / weight.sum()),
                up + float((weight.sum(axis=1) @ np.arange(window.shape[0])) / weight.sum()),
                height,
            )
        )
    return np.asarray(peaks, dtype=np.float64).reshape(-1, 3)


def side_score(maps: LabelMaps, labels: NDArray[np.uint8], y0: int, curve: FloatArray) -> float:
    """Agreement that the tongue side is up: +1 every crown pixel says up, -1 down, 0 no idea."""
    lingual = maps.block("lingual")[0, y0 : y0 + STEP * labels.shape[0] : STEP, ::STEP]
    y = y0 + np.arange(labels.shape[0])[:, None] * float(STEP)
    total, weight = 0.0, 0.0
    for position, (rows, cols) in label_windows(labels).items():
        own = (labels[rows, cols] == position).astype(np.float32)
        per_row, per_column = own.sum(axis=1), own.sum(axis=0)
        middle = float(per_row @ y[rows, 0] / per_row.sum())
        x = np.arange(cols.start, cols.stop) * float(STEP)
        x_middle = float(per_column @ x / per_column.sum())
        line = middle + np.polyval(np.polyder(curve), x_middle) * (x - x_middle)
        above = np.sign(line[None, :] - y[rows]).astype(np.float32) * own
        total += float(2.0 * np.vdot(lingual[rows, cols], above) - above.sum())
        weight += float(per_row.sum())
    return total / max(weight, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _LabelledRow:
    """
    What all crowns of a row are measured on.

    Parameters
    ----------
    maps : LabelMaps
    labels : ndarray of uint8, shape (R, C)
        Tooth number on every `STEP`-th pixel, 0 = no crown.
    y0 : int
        First row of the labels. [crop px]
    curve : ndarray, shape (3,)
        As in `Teeth`, like ``lingual_up``.
    options : TeethOptions
    """

    maps: LabelMaps
    labels: NDArray[np.uint8]
    y0: int
    curve: FloatArray
    lingual_up: bool
    options: TeethOptions


def _crown(row: _LabelledRow, position: int, window: tuple[slice, slice], peaks: FloatArray) -> Crown | None:
    """Measure one crown by its window of the labels and its peaks; None where too little of it is left."""
    maps, y0 = row.maps, row.y0
    part_rows, part_cols = window
    mask = _main_patches(row.labels[part_rows, part_cols] == position)
    if mask.sum() * STEP**2 < row.options.min_crown_px:
        return None
    rows, cols = np.nonzero(mask)
    rows, cols = rows + part_rows.start, cols + part_cols.start
    x, y = cols * float(STEP), y0 + rows * float(STEP)
    centre = np.array([x.mean(), y.mean()])
    own, axis, crooked = _lobe_axis(row, centre, peaks)
    up = np.array([axis[1], -axis[0]])
    lingual = up if row.lingual_up else -up
    along = (x - centre[0]) * axis[0] + (y - centre[1]) * axis[1]
    across = (x - centre[0]) * lingual[0] + (y - centre[1]) * lingual[1]
    low, high = np.percentile(along, [0.4, 99.6])
    inner, outer = np.percentile(across, [0.4, 99.6])
    extent = (float(low) - 1.0, float(high) + 1.0, float(inner) - 1.0, float(outer) + 1.0)
    part = (
        slice(y0 + rows.min() * STEP, y0 + rows.max() * STEP + 1, STEP),
        slice(cols.min() * STEP, cols.max() * STEP + 1, STEP),
    )
    first_row, first_col = rows.min() - part_rows.start, cols.min() - part_cols.start
    local = mask[first_row : first_row + np.ptp(rows) + 1, first_col : first_col + np.ptp(cols) + 1]
    local = local.astype(np.float32)
    area = float(local.sum())
    numbers = np.array([np.vdot(maps.block("tooth")[k][part], local) for k in range(1, N_TEETH + 1)])
    dentine = maps.block("material")[4][part]
    is_dentine = ((dentine > 0.5) & (local > 0)).astype(np.uint8)
    edge = float(is_dentine.sum() - cv2.erode(is_dentine, np.ones((3, 3), np.uint8)).sum()) * STEP
    width, height = maps.size
    return Crown(
        position=position,
        axis=axis,
        lingual=lingual,
        centre=centre,
        extent=extent,
        hull=_hull(mask, part_cols.start, part_rows.start, y0),
        area_px=area * STEP**2,
        lobes=_lobes(own, position, centre, axis, lingual, extent),
        counted_lobes=len(own) or None,
        number_p=float(numbers[position - 1] / max(numbers.sum(), 1e-6)),
        state_p=np.array([np.vdot(plane[part], local) for plane in maps.block("state")]) / area,
        dentine_share=float(np.vdot(dentine, local) / area),
        edge_px=edge,
        enclosed=None,
        off_crown=sum(
            float(np.vdot(maps.block("material")[m][part], local) / area)
            for m in (Material.BACKGROUND, Material.JAW)
        ),
        touches_crop=bool(
            x.min() < STEP or y.min() < STEP or x.max() >= width - STEP or y.max() >= height - STEP
        ),
        crooked_deg=crooked,
    )


def _lobe_axis(
    row: _LabelledRow, centre: FloatArray, peaks: FloatArray
) -> tuple[FloatArray, FloatArray, float]:
    """
    Peaks of a crown that are no noise, front first; its axis through them, or the row's; and the angle
    between these. [deg]
    """
    slope = float(np.polyval(np.polyder(row.curve), centre[0]))
    tangent = np.array([1.0, slope]) / np.hypot(1.0, slope)
    own = peaks
    if len(own):
        own = own[own[:, 2] >= row.options.lobe_peak_share * own[:, 2].max()]
        own = own[np.argsort(own[:, 0])]
    axis = tangent
    if len(own) >= 2:
        axis = own[-1, :2] - own[0, :2]
        axis = axis / np.linalg.norm(axis)
    crooked = float(np.degrees(np.arccos(np.clip(axis @ tangent, -1.0, 1.0))))
    if crooked > 50.0:
        axis = tangent
    return own[np.argsort(own[:, :2] @ axis)], axis, crooked


def _hull(mask: NDArray[np.bool_], first_col: int, first_row: int, y0: int) -> FloatArray:
    """Convex hull of a mask on the label grid, shape (K, 2). [crop px]"""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    points = cv2.convexHull(np.concatenate(outlines)).reshape(-1, 2).astype(np.float64)
    return np.asarray((points + np.array([first_col, first_row])) * STEP + np.array([0.0, y0]))


def label_windows(labels: NDArray[np.uint8]) -> dict[int, tuple[slice, slice]]:
    """Smallest window of each tooth number in the label map: (rows, columns)."""
    windows = {}
    for position in range(1, N_TEETH + 1):
        x, y, width, height = cv2.boundingRect((labels == position).astype(np.uint8))
        if width and height:
            windows[position] = (slice(y, y + height), slice(x, x + width))
    return windows


def _main_patches(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The mask without patches smaller than 15 % of its largest one."""
    count, patch, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    if count <= 2:
        return mask
    area = stats[:, cv2.CC_STAT_AREA].copy()
    area[0] = 0
    return np.asarray((area >= 0.15 * area.max())[patch])


def peak_owners(peaks: FloatArray, ranges: dict[int, tuple[float, float]]) -> NDArray[np.int64]:
    """
    Tooth of each peak, 0 = none: the one whose columns hold it, or end within 20 px of it.

    Lobe centres lie at mid-height, where columns and crowns agree even if the border between crowns leans.
    """
    owners = np.zeros(len(peaks), dtype=np.int64)
    nearest = np.full(len(peaks), 20.0)
    for position, (begin, end) in ranges.items():
        away = np.maximum(np.maximum(begin - peaks[:, 0], peaks[:, 0] - end), 0.0)
        owners[away < nearest] = position
        nearest = np.minimum(nearest, away)
    return owners


LOBE_PLACES = {
    1: (0.5,),
    2: (0.28, 0.78),
    3: (0.31, 0.81),
    4: (0.25, 0.75),
    5: (0.25, 0.75),
    6: (0.2, 0.58, 0.88),
}
"""Lobe centres of the permanent teeth as a share of the crown's length (the proportions of our drawn
jaws)."""


def _lobes(
    peaks: FloatArray,
    position: int,
    centre: FloatArray,
    axis: FloatArray,
    lingual: FloatArray,
    extent: tuple[float, float, float, float],
) -> tuple[Lobe, ...]:
    """
    Lobes with spans halfway to the neighbouring centres; the crown's ends close the outer ones.

    Where fewer peaks than lobes were seen (packed food, a worn or covered middle), those seen take the
    nearest usual places in order and the others are assumed at theirs; only so does lobe 2 stay lobe 2 when
    lobe 1 is hidden.
    """
    begin, length = extent[0], extent[1] - extent[0]
    usual = LOBE_PLACES[position]
    at = (peaks[:, :2] - centre) @ axis
    offset = (peaks[:, :2] - centre) @ lingual
    seen = np.ones(len(at), dtype=bool)
    if len(at) < len(usual):
        share = (at - begin) / length
        slots = min(
            combinations(range(len(usual)), len(at)),
            key=lambda c: float(np.sum((share - np.array(usual)[list(c)]) ** 2)),
        )
        seen = np.isin(np.arange(len(usual)), slots)
        middle = float(offset.mean()) if len(offset) else 0.5 * (extent[2] + extent[3])
        full_at, full_offset = begin + np.array(usual) * length, np.full(len(usual), middle)
        full_at[seen], full_offset[seen] = at, offset
        at, offset = full_at, full_offset
    borders = np.concatenate([[begin], 0.5 * (at[1:] + at[:-1]), [extent[1]]])
    return tuple(
        Lobe(
            number=i + 1,
            centre=centre + at[i] * axis + offset[i] * lingual,
            span=(float(borders[i] - at[i]), float(borders[i + 1] - at[i])),
            assumed=not bool(seen[i]),
        )
        for i in range(len(at))
    )


def _view(maps: LabelMaps, labels: NDArray[np.uint8], y0: int) -> tuple[FloatArray, float, float]:
    """Mean view vector over the crowns, its standard uncertainty per component, and the median blur. [..,
    .., crop px]"""
    part = (slice(y0, y0 + STEP * labels.shape[0], STEP), slice(None, None, STEP))
    crown = labels > 0
    tilt = [plane[part][crown] for plane in maps.block("tilt")]
    sigma = float(np.median(maps.block("tilt_log_sigma")[0][part][crown]))
    view = np.array([float(np.mean(v)) for v in tilt])
    # The network's own sigma is for one pixel but its error is shared by the whole picture: it does not
    # average away. What the teeth disagree about is added as a mean over the teeth.
    teeth = np.unique(labels[crown])
    means = np.array([[np.mean(v[labels[crown] == k]) for k in teeth] for v in tilt])
    between = float(np.mean(np.var(means, axis=1, ddof=1))) / len(teeth) if len(teeth) > 1 else 0.0
    blur = float(np.median(maps.block("blur")[0][part][crown]))
    return view, float(np.hypot(sigma, np.sqrt(between))), blur
