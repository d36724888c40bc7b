"""
From coarse label maps of the whole photo to the frame in which the tooth row is measured.

The nominal row is laid over patches of tooth labels (`crestgauge.inference.row_fit`); where a second row
lines up in the same way, one of the two is meant (`crestgauge.inference.second_row`). A jaw that lies upside
down still gets tooth 1 at the left: direction comes from the numbers alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.coarse_crowns import CoarseCrowns, coarse_size, long_axis, see_crowns, tooth_labels
from crestgauge.inference.errors import InputError
from crestgauge.inference.maps import COARSE_LONG_SIDE, CROP_SIZE, NOMINAL_ROW_MM, LabelMaps, RowFrame
from crestgauge.inference.nominal import CROP_PX_PER_MM, nominal_ends_mm, visible_middle_mm
from crestgauge.inference.row_fit import RowOptions, near_row, nominal_area, refine, support_of
from crestgauge.inference.second_row import meant_row, wear_apart

FloatArray = NDArray[np.float64]
Border = Literal["left", "top", "right", "bottom"]
_FIVE = (1, 2, 3, 4, 5)
"""Teeth assumed along the axis of crowns whose numbers are not known."""


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
        As in `crestgauge.inference.second_row.Rows`. [1]
    second_wear : float
        Difference between the shares of dentine in the crowns of both rows: the halves of one animal wear
        alike; 0 without a second row. [1]
    row_length_px : float
        Length of the nominal row. [photo px]
    crowns : CoarseCrowns
        What is seen of the crowns, whatever row they make.
    """

    frame: RowFrame | None
    teeth: tuple[int, ...]
    crown_px: float
    row_px: float = 0.0
    order_score: float = 0.0
    fill: float = 0.0
    borders: tuple[Border, ...] = ()
    outside: float = 0.0
    second_row: float = 0.0
    second_nearer: float = 0.0
    second_wear: float = 0.0
    row_length_px: float = 0.0
    crowns: CoarseCrowns


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
    everything = tooth_labels(maps, size)
    crown_px = float(np.count_nonzero(everything))
    rows = meant_row(everything, options)
    labels, patches = rows.labels, rows.patches
    crowns = see_crowns(maps, labels, max(photo_size))
    if rows.best is None:
        numbers = tuple(int(k) for k in np.unique(patches.number))
        return RowSearch(frame=None, teeth=numbers, crown_px=crown_px, crowns=crowns)
    transform, inliers = rows.best
    transform = refine(labels, patches, transform, inliers)
    score, near = support_of(labels, transform)
    seen = tuple(int(k) for k in np.flatnonzero(score >= 0.15 * nominal_area(transform)) + 1)
    row_px = float(score.sum())
    expected = float(sum(nominal_area(transform)[k - 1] for k in seen)) or 1.0
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
        second_wear=wear_apart(maps, labels > 0, (everything > 0) & (labels == 0)),
        row_length_px=scale * NOMINAL_ROW_MM,
        crowns=crowns,
    )


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
    crowns = long_axis(meant_row(tooth_labels(maps, size), options or RowOptions()).labels)
    if crowns is None:
        return ()
    axis, reach = crowns.direction, crowns.reach
    ends = nominal_ends_mm()[: len(_FIVE)]
    frames = []
    for direction, (front, back) in ((axis, reach), (-axis, -reach[::-1])):
        across = np.array([-direction[1], direction[0]])
        scale = (back - front) / (ends[-1, 1] - ends[0, 0])
        origin = crowns.middle + (front - scale * ends[0, 0]) * direction
        transform = np.column_stack([scale * direction, scale * across, origin])
        frames.append(_frame(transform, _FIVE, photo_size, size))
    return tuple(frames)


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
    points, numbers = near_row(labels, transform)
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
