"""
Masks as COCO writes them: run lengths and polygons, there and back without losing a pixel. Pure.

COCO counts run lengths down the columns, zeros first, and polygon points from pixel corners
(cocodataset.org/#format-data); this project counts points from pixel centres. Polygons written here follow
the corners of the pixels, so that a band keeps its width: an outline through the centres of the border pixels
makes every mask a pixel narrower, a tenth of a band of ten.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError

Mask = NDArray[np.bool_]


def run_lengths(mask: Mask) -> list[int]:
    """Run lengths down the columns, zeros first."""
    flat = np.concatenate([[False], mask.ravel(order="F"), [False]])
    edges = np.flatnonzero(flat[1:] != flat[:-1])
    runs = np.diff(np.concatenate([[0], edges, [mask.size]])).tolist()
    return [int(n) for n in runs[:-1]] if runs[-1] == 0 else [int(n) for n in runs]


def unpacked(text: str) -> list[int]:
    """
    Run lengths from COCO's compressed text: 5 bits a character from "0" on, bit 6 = more follows, bit 5 of
    the last one = sign; from the fourth on the difference to the one two before.
    """
    runs: list[int] = []
    value = shift = 0
    for character in text:
        code = ord(character) - 48
        value |= (code & 0x1F) << shift
        shift += 5
        if code & 0x20:
            continue
        if code & 0x10:
            value -= 1 << shift
        runs.append(value + runs[-2] if len(runs) > 2 else value)
        value = shift = 0
    return runs


def mask_of(segmentation: Any, shape: tuple[int, int]) -> Mask:
    """
    The mask of one COCO annotation: polygons, run lengths, or run lengths as text.

    Parameters
    ----------
    segmentation
        As in the file.
    shape : (int, int)
        (height, width) of the picture.

    Raises
    ------
    InputError
        If it is of no known form, of another picture size, runs past the picture, or a polygon has a point
        outside of it.
    """
    if isinstance(segmentation, list):
        return _from_polygons(segmentation, shape)
    if not isinstance(segmentation, dict) or list(segmentation.get("size", ())) != list(shape):
        found = segmentation.get("size") if isinstance(segmentation, dict) else segmentation
        raise InputError(
            f"mask of size {found}; needs the size of its picture, {list(shape)} (height, width)"
        )
    counts = segmentation.get("counts")
    runs = unpacked(counts) if isinstance(counts, str) else counts
    if not isinstance(runs, list) or any(not isinstance(n, int) or n < 0 for n in runs):
        raise InputError("run lengths cannot be read; needs whole numbers of 0 or more")
    if sum(runs) > shape[0] * shape[1]:
        raise InputError(f"run lengths add up to {sum(runs)}; needs at most {shape[0] * shape[1]}")
    flat = np.zeros(shape[0] * shape[1], dtype=bool)
    values = np.repeat(np.arange(len(runs)) % 2 == 1, runs)
    flat[: len(values)] = values
    return flat.reshape(shape, order="F")


OUTSIDE_PX = 1.0
"""A polygon point may lie this far outside the picture: programs round at its border differently. [px]"""


def _from_polygons(polygons: Sequence[Any], shape: tuple[int, int]) -> Mask:
    mask = np.zeros(shape, dtype=bool)
    for polygon in polygons:
        try:
            points = np.asarray(polygon, dtype=np.float64).reshape(-1, 2)
        except (ValueError, TypeError) as error:
            raise InputError(f"polygon cannot be read ({error}); needs x, y, x, y ...") from error
        if len(points) < 3 or not np.isfinite(points).all():
            raise InputError(f"polygon of {len(points)} points; needs 3 or more, all finite")
        low, high = points.min(axis=0), points.max(axis=0)
        if low.min() < -OUTSIDE_PX or high[0] > shape[1] + OUTSIDE_PX or high[1] > shape[0] + OUTSIDE_PX:
            x, y = next((x, y) for x, y in points if not _inside(x, y, shape))
            raise InputError(
                f"polygon point ({x:g}, {y:g}) outside the picture of {shape[1]} x {shape[0]} px"
            )
        place, inside = filled(points, shape)
        mask[place] |= inside
    return mask


def _inside(x: float, y: float, shape: tuple[int, int]) -> bool:
    return -OUTSIDE_PX <= x <= shape[1] + OUTSIDE_PX and -OUTSIDE_PX <= y <= shape[0] + OUTSIDE_PX


def filled(points: NDArray[np.float64], shape: tuple[int, int]) -> tuple[tuple[slice, slice], Mask]:
    """
    Pixels whose centre lies inside a closed polygon, by the even-odd rule: rows and columns of a box, and
    the mask inside it.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        (x, y) from the picture's corner, where pixel 0 covers 0 .. 1.
    shape : (int, int)
        (height, width).
    """
    height, width = shape
    start, end = points, np.roll(points, -1, axis=0)
    down = (start[:, 1] < end[:, 1])[:, None]
    upper, lower = np.where(down, start, end), np.where(down, end, start)
    # Rows whose centre line y + 0.5 an edge crosses, its upper end counted and its lower one not.
    first = np.maximum(np.ceil(upper[:, 1] - 0.5), 0).astype(int)
    last = np.minimum(np.ceil(lower[:, 1] - 0.5), height).astype(int)
    count = np.maximum(last - first, 0)
    edge = np.repeat(np.arange(len(points)), count)
    rows = first[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    (xa, ya), (xb, yb) = upper[edge].T, lower[edge].T
    crossing = xa + (rows + 0.5 - ya) * ((xb - xa) / (yb - ya))
    columns = np.clip(np.ceil(crossing - 0.5), 0, width).astype(int)
    if not len(rows):
        return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), dtype=bool)
    top, left, tall = int(rows.min()), int(columns.min()), int(np.ptp(rows)) + 1
    wide = int(columns.max()) - left
    toggles = np.bincount((rows - top) * (wide + 1) + columns - left, minlength=tall * (wide + 1))
    odd = np.cumsum(toggles.reshape(tall, wide + 1), axis=1)[:, :wide] % 2 == 1
    return (slice(top, top + tall), slice(left, left + wide)), odd


def polygons_of(mask: Mask) -> list[list[float]]:
    """
    Polygons along the pixel corners, together exactly the mask; a part with a hole is cut in two through it.

    COCO joins the polygons of an annotation and has no holes.
    """
    polygons: list[list[float]] = []
    if not mask.any():
        return polygons
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    corner = (int(columns[0]), int(rows[0]))
    waiting = [(mask[corner[1] : rows[-1] + 1, corner[0] : columns[-1] + 1], corner)]
    while waiting:
        part, (left, top) = waiting.pop()
        count, labels, stats, _ = cv2.connectedComponentsWithStats(part.astype(np.uint8), connectivity=4)
        for number in range(1, count):
            x, y, w, h = (int(v) for v in stats[number, :4])
            piece = labels[y : y + h, x : x + w] == number
            loops = _loops(piece)
            if len(loops) == 1:
                polygons.append([float(v) for px, py in loops[0] for v in (px + left + x, py + top + y)])
                continue
            # Cut through the middle of the first hole, along the shorter way.
            hole = min(loops, key=lambda loop: abs(_area(loop)))
            middle = (sum(p[0] for p in hole) // len(hole), sum(p[1] for p in hole) // len(hole))
            axis = 1 if w >= h else 0
            at = min(max(middle[0] if axis else middle[1], 1), (w if axis else h) - 1)
            first, second = (piece[:, :at], piece[:, at:]) if axis else (piece[:at], piece[at:])
            shift = (at, 0) if axis else (0, at)
            waiting += [
                (first, (left + x, top + y)),
                (second, (left + x + shift[0], top + y + shift[1])),
            ]
    return polygons


def _area(loop: Sequence[tuple[int, int]]) -> float:
    points = np.asarray(loop, dtype=np.float64)
    (x, y), (nx, ny) = points.T, np.roll(points, -1, axis=0).T
    return float(np.sum(x * ny - nx * y) / 2)


def _loops(mask: Mask) -> list[list[tuple[int, int]]]:
    """
    Closed borders of one 4-connected part along pixel corners, corners only: the outer one and one per hole.
    """
    padded = np.pad(mask, 1)
    before, after = slice(None, -1), slice(1, None)
    steps: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
    # The mask lies to the right of every step, seen in its direction with y down.
    above, below = padded[before, 1:-1], padded[after, 1:-1]
    for row, column in np.argwhere(above & ~below).tolist():
        steps[(column + 1, row)].append((column, row))
    for row, column in np.argwhere(below & ~above).tolist():
        steps[(column, row)].append((column + 1, row))
    left, right = padded[1:-1, before], padded[1:-1, after]
    for row, column in np.argwhere(left & ~right).tolist():
        steps[(column, row)].append((column, row + 1))
    for row, column in np.argwhere(right & ~left).tolist():
        steps[(column, row + 1)].append((column, row))
    loops = []
    while steps:
        start = next(iter(steps))
        loop, here, came = [start], start, (0, 0)
        while True:
            there = _next(steps, here, came)
            came = (there[0] - here[0], there[1] - here[1])
            if there == start and not _goes_on(steps, there, came):
                break
            loop.append(there)
            here = there
        loops.append(_corners(loop))
    return loops


def _next(
    steps: dict[tuple[int, int], list[tuple[int, int]]], here: tuple[int, int], came: tuple[int, int]
) -> tuple[int, int]:
    """Take one step; where two pixels touch at a corner, turn right, so that the loop stays with its own."""
    choices = steps[here]
    right = (here[0] - came[1], here[1] + came[0])
    there = right if right in choices else choices[0]
    choices.remove(there)
    if not choices:
        del steps[here]
    return there


def _goes_on(
    steps: dict[tuple[int, int], list[tuple[int, int]]], here: tuple[int, int], came: tuple[int, int]
) -> bool:
    """Whether the walk only touches its first corner: it has to turn right there, into new steps."""
    return (here[0] - came[1], here[1] + came[0]) in steps.get(here, ())


def _corners(loop: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Without the points on straight pieces."""
    points = np.asarray(loop)
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    turns = (before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]) != 0
    return [(int(x), int(y)) for x, y in points[turns]]
