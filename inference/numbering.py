"""
Which crown pixel belongs to which tooth. Crop pixels throughout.

No pixel is trusted with its tooth number alone. The columns of the levelled crop are numbered together by
the best path that passes teeth 1..6 in order, each at most once, gaps allowed (dynamic programming over the
tooth mass per column); a pixel then keeps its own label only where that path allows it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import LabelMaps
from crestgauge.model.labels import N_TEETH

FloatArray = NDArray[np.float64]
STEP = 2
"""Grid step of the crown label map. [crop px]"""
COARSE_STEP = 4
"""Grid step of the column numbering and of the lobe search. [crop px]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TeethOptions:
    """
    Limits of the tooth search, for crops at 15 px per nominal mm.

    Parameters
    ----------
    row_half_height_px : float
        Crown pixels farther than this from the row's middle line belong to something else. [crop px]
    min_crown_px : float
        Smaller crowns are dismissed as flicker (1.3 mm^2 of about 50). [crop px^2]
    min_dentine_px : float
        Less dentine on a tooth than a crown dismissed as flicker says nothing by its border. [crop px^2]
    gap_height_px : float
        Columns with less crown than this belong to a gap. [crop px]
    entry_cost_px : float
        Label mass that a tooth must win to be started at all. [crop px^2]
    number_margin_px : float
        How far a pixel's own label may reach past the columns numbered with it. [crop px]
    column_margin_px : float
        How far past its columns a number may be given to pixels that carry another one. [crop px]
    lobe_peak : float
        Least height of a lobe's heat. [1]
    lobe_peak_share : float
        ... and least share of the highest lobe of that tooth. [1]
    lobe_distance_px : float
        Peaks closer than this are one lobe. [crop px]
    min_side_score : float
        Weakest agreement on the tongue side that still names a side. [1]
    """

    row_half_height_px: float = 120.0
    min_crown_px: float = 300.0
    min_dentine_px: float = 300.0
    gap_height_px: float = 4.0
    entry_cost_px: float = 200.0
    number_margin_px: float = 45.0
    column_margin_px: float = 12.0
    lobe_peak: float = 0.25
    lobe_peak_share: float = 0.35
    lobe_distance_px: float = 30.0
    min_side_score: float = 0.25


def row_cells(maps: LabelMaps, options: TeethOptions) -> tuple[NDArray[np.bool_], FloatArray] | None:
    """
    Crown cells of the row on the coarse grid, and the row's middle line; None without crowns.

    A second row or a false tooth elsewhere in the crop is left out: whole patches are kept or dropped by
    their distance from a curve that is fitted from the middle of the crop outwards.
    """
    crown = maps.block("tooth")[0, ::COARSE_STEP, ::COARSE_STEP] < 0.5
    count, patch, stats, centroids = cv2.connectedComponentsWithStats(crown.astype(np.uint8), connectivity=8)
    area = stats[:, cv2.CC_STAT_AREA].astype(np.float64) * COARSE_STEP**2
    area[0] = 0.0
    good = area >= options.min_crown_px / 3
    if count < 2 or not good.any():
        return None
    rows, cols = np.nonzero(good[patch])
    x, y = cols.astype(np.float64) * COARSE_STEP, rows.astype(np.float64) * COARSE_STEP
    curve = _row_curve(x, y, maps.size[1], options.row_half_height_px)
    off = np.abs(centroids[:, 1] * COARSE_STEP - np.polyval(curve, centroids[:, 0] * COARSE_STEP))
    good &= off < 0.8 * options.row_half_height_px
    keep = good[patch]
    height = np.arange(crown.shape[0])[:, None] * float(COARSE_STEP)
    keep &= np.abs(height - np.polyval(curve, np.arange(crown.shape[1]) * float(COARSE_STEP))) < (
        1.5 * options.row_half_height_px
    )
    if keep.sum() * COARSE_STEP**2 < options.min_crown_px:
        return None
    return keep, curve


def _row_curve(x: FloatArray, y: FloatArray, height: int, reach: float) -> FloatArray:
    """Robust parabola (line for short rows) through the crown cells, started near the middle of the crop."""
    scale = 768.0
    prior = np.exp(-0.5 * ((y - height / 2) / (height / 4)) ** 2)
    order = np.argsort(y)
    cumulative = np.cumsum(prior[order])
    start = y[order][np.searchsorted(cumulative, cumulative[-1] / 2)]
    coefficients = np.array([0.0, 0.0, start])
    degree = 2 if np.ptp(x) > 500 else 1
    for width in (1.6 * reach, 1.2 * reach, reach):
        residual = y - np.polyval(coefficients, x / scale)
        weight = np.clip(1.0 - (residual / width) ** 2, 0.0, None) ** 2 * prior**0.25
        # Ridge term: a short row must not be given a wild slope by the shape of one crown.
        design = np.stack([(x / scale) ** p for p in range(degree, -1, -1)], axis=1)
        ridge = np.diag([0.02 * weight.sum()] * degree + [0.0])
        solved = np.linalg.solve(
            design.T @ (design * weight[:, None]) + ridge * 0.02, design.T @ (weight * y)
        )
        coefficients = np.concatenate([np.zeros(2 - degree), solved])
    return np.asarray(coefficients / np.array([scale**2, scale, 1.0]))


def column_mass(maps: LabelMaps, keep: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """
    Crown height per column and tooth number, and the columns' places.

    Returns
    -------
    mass : ndarray, shape (6, C)
        Summed probability of each number, mean of two grid columns. [crop px of height]
    x : ndarray, shape (C,)
        Middles of the columns, evenly spaced. [crop px]
    """
    block = maps.block("tooth")
    rows = np.flatnonzero(keep.any(axis=1))
    low, high = rows[0], rows[-1] + 1
    inside = keep[low:high].astype(np.float32)
    sums = np.stack(
        [
            np.einsum("ij,ij->j", block[k, ::COARSE_STEP, ::COARSE_STEP][low:high], inside) * COARSE_STEP
            for k in range(1, N_TEETH + 1)
        ]
    ).astype(np.float64)
    pairs = sums.shape[1] // 2
    mass = sums[:, : 2 * pairs].reshape(N_TEETH, pairs, 2).mean(axis=2)
    return mass, (2 * np.arange(pairs) + 0.5) * COARSE_STEP


def number_columns(mass: FloatArray, x: FloatArray, options: TeethOptions) -> dict[int, tuple[float, float]]:
    """
    Best numbering of the columns: teeth in order, each at most once, gaps anywhere.

    Parameters
    ----------
    mass : ndarray, shape (6, columns)
        Crown height per column that carries each number. [px]
    x : ndarray, shape (columns,)
        Middles of the columns, evenly spaced. [px]

    Returns
    -------
    dict
        position -> (begin, end) along the row, in order. [px]

    Notes
    -----
    States: gap 0, tooth 1, gap 1, tooth 2 ... tooth 6, gap 6; a path never goes back. A tooth column earns
    its mass, a gap column ``gap_height_px``, and each tooth costs ``entry_cost_px`` to start.
    """
    # Plain Python: 13 states by some 400 columns are too small for numpy to pay.
    columns, n_states = mass.shape[1], 2 * N_TEETH + 1
    step_px = float(x[1] - x[0])
    earned = (mass.T * step_px).tolist()
    gap = options.gap_height_px * step_px
    best = [0.0] + [-np.inf] * (n_states - 1)
    came: list[list[int]] = []
    for column in range(columns):
        source, highest = 0, -np.inf
        back, after = [], []
        for state in range(n_states):
            is_tooth = state % 2 == 1
            entered = highest - (options.entry_cost_px if is_tooth else 0.0)
            reward = earned[column][state // 2] if is_tooth else gap
            stay = best[state]
            back.append(source if entered > stay else state)
            after.append(max(entered, stay) + reward)
            if stay > highest:
                source, highest = state, stay
        came.append(back)
        best = after
    state = int(np.argmax(best))
    path = np.empty(columns, dtype=np.int64)
    for column in range(columns - 1, -1, -1):
        path[column] = state
        state = came[column][state]
    ranges = {}
    for position in range(1, N_TEETH + 1):
        own = np.flatnonzero(path == 2 * position - 1)
        if own.size:
            ranges[position] = (float(x[own[0]]) - 0.5 * step_px, float(x[own[-1]]) + 0.5 * step_px)
    return ranges


def crown_labels(
    maps: LabelMaps, keep: NDArray[np.bool_], ranges: dict[int, tuple[float, float]], options: TeethOptions
) -> tuple[NDArray[np.uint8], int]:
    """
    Tooth number per pixel on the grid of `STEP`, for the rows of the band only, and the first row of that
    band.

    0 = no crown. A pixel keeps the label it likes best where that is within ``number_margin_px`` of the
    columns numbered so; else it takes the number of its column.
    """
    rows = np.flatnonzero(keep.any(axis=1))
    height = maps.size[1]
    y0 = max(int(rows[0]) * COARSE_STEP - COARSE_STEP, 0)
    y1 = min((int(rows[-1]) + 2) * COARSE_STEP, height)
    block = maps.block("tooth")[:, y0:y1:STEP, ::STEP]
    best = np.ascontiguousarray(block[1])
    own = np.ones(best.shape, dtype=np.uint8)
    for k in range(2, N_TEETH + 1):
        plane = block[k]
        higher = plane > best
        np.copyto(best, plane, where=higher)
        own[higher] = k
    crown = block[0] < 0.5
    near = cv2.dilate(keep.astype(np.uint8), np.ones((3, 3), np.uint8))
    near = np.repeat(np.repeat(near, 2, axis=0), 2, axis=1)[y0 // STEP :, :]
    crown &= near[: crown.shape[0], : crown.shape[1]].astype(bool)
    x = np.arange(block.shape[2]) * float(STEP)
    allowed = np.zeros((N_TEETH + 1, x.size), dtype=bool)
    by_column = np.zeros(x.size, dtype=np.uint8)
    distance = np.full(x.size, options.column_margin_px)
    for position, (begin, end) in ranges.items():
        away = np.maximum(np.maximum(begin - x, x - end), 0.0)
        allowed[position] = away <= options.number_margin_px
        closer = (away < distance) | (away == 0)
        by_column[closer] = position
        distance = np.where(closer, away, distance)
    accepted = np.take_along_axis(allowed, own, axis=0)
    labels = np.where(accepted, own, by_column[None, :])
    labels[~crown] = 0
    return labels.astype(np.uint8), y0
