"""
Places on a written reading: along a crest line, square to it, and the row turned level. Pure.

A reading keeps of each crest its centre line and its median widths, not the edge at every station. What is
drawn from a reading is therefore the median bands laid about the line (`band_edges`), said so wherever it is
shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.inference.reading import CrestReading, Point, Reading, Side, ToothReading

FloatArray = NDArray[np.float64]
Edges = tuple[float, float, float, float]
_POINT = {"decimals": 2}
_MATRIX = {"decimals": 6}
MARGIN: Final = 0.12
"""Room round the row in the level view, as a share of its length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelView:
    """
    The tooth row turned level without mirroring, tooth 1 at the left.

    Parameters
    ----------
    matrix : ((a, b, c), (d, e, f))
        level_x = a x + b y + c, level_y = d x + e y + f, for pixels (x, y) of the upright photo; scale 1.
        The same numbers are CSS ``matrix(a, d, b, e, c, f)``.
    angle_deg : float
        Turn of the photo, clockwise on the screen.
    size : (width, height)
        Of the level view: everything from (0, 0) to here is the row with some margin. [px of the photo]
    found : bool
        False where no row was found: the view is then the whole photo, unturned.
    """

    matrix: tuple[tuple[float, float, float], tuple[float, float, float]] = field(metadata=_MATRIX)
    angle_deg: float = field(metadata=_POINT)
    size: tuple[float, float] = field(metadata=_POINT)
    found: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """
    One place on a crest line.

    Parameters
    ----------
    centre : (x, y)
        On the line. [px]
    normal : (x, y)
        Unit vector square to the line, towards the tongue.
    """

    centre: Point = field(metadata=_POINT)
    normal: Point = field(metadata=_MATRIX)


def measured_side(reading: Reading) -> Side:
    """
    The jaw side as which the crests of a reading were measured.

    The reading's own where it gives one. Where it leaves the side open, the crests tell, since the
    tongue-side crest lies on the tongue side of the middle of its crown.
    """
    if reading.side is not None:
        return reading.side
    votes = 0.0
    for tooth in reading.teeth:
        for crest in tooth.crests:
            if tooth.box is not None and len(crest.line) >= 2:
                (x0, y0), (x1, y1) = crest.line[0], crest.line[-1]
                middle = np.array([(tooth.box[0] + tooth.box[2]) / 2, (tooth.box[1] + tooth.box[3]) / 2])
                away = np.array([(x0 + x1) / 2, (y0 + y1) / 2]) - middle
                # Positive where the crest lies to the left of the way from front to back: a left jaw.
                votes += float(away @ np.array([y1 - y0, x0 - x1]))
    return "left" if votes >= 0 else "right"


def place(reading: Reading, tooth: ToothReading, crest: CrestReading, at: float = 0.5) -> Place | None:
    """
    A place on a crest line, ``at`` of its length from the front end; None for a crest without a line.

    Raises
    ------
    InputError
        If ``at`` is not within 0..1.
    """
    if not 0.0 <= at <= 1.0:
        raise InputError(f"tooth {tooth.position}, lobe {crest.lobe}: at {at}; needs 0 to 1.")
    line = np.asarray(crest.line, dtype=np.float64).reshape(-1, 2)
    steps = np.hypot(*np.diff(line, axis=0).T) if len(line) >= 2 else np.zeros(0)
    arc = np.concatenate([[0.0], np.cumsum(steps)])
    if arc[-1] <= 0:
        return None
    centre = _at(line, arc, at)
    # The direction over a tenth of the line: single pieces of a written line are rounded to 0.01 px.
    ahead, behind = _at(line, arc, min(at + 0.05, 1.0)), _at(line, arc, max(at - 0.05, 0.0))
    dx, dy = (ahead - behind) / np.hypot(*(ahead - behind))
    sign = 1.0 if measured_side(reading) == "left" else -1.0
    return Place(centre=(float(centre[0]), float(centre[1])), normal=(float(sign * dy), float(-sign * dx)))


def _at(line: FloatArray, arc: FloatArray, share: float) -> FloatArray:
    """Point at a share of the line's length."""
    where = share * arc[-1]
    return np.array([np.interp(where, arc, line[:, 0]), np.interp(where, arc, line[:, 1])])


def band_edges(crest: CrestReading) -> Edges | None:
    """
    The machine's median bands about the line: outer enamel edge, enamel|dentine, dentine|enamel, inner enamel
    edge, towards the tongue positive. None where a band is missing. [px]
    """
    if crest.dentine_px is None or crest.enamel_outer_px is None or crest.enamel_inner_px is None:
        return None
    half = crest.dentine_px.value / 2
    return (
        half + crest.enamel_outer_px.value,
        half,
        -half,
        -half - crest.enamel_inner_px.value,
    )


def level_view(reading: Reading) -> LevelView:
    """The row of a reading turned level; the whole photo where it has fewer than two teeth with a crown."""
    boxes = [tooth.box for tooth in reading.teeth if tooth.box is not None]
    return level_of(reading.photo.width, reading.photo.height, boxes)


def level_of(width: int, height: int, boxes: Sequence[Sequence[float]]) -> LevelView:
    """`level_view` from the size of the photo and the boxes of its crowns, front first. [px]"""
    box = np.asarray(boxes, dtype=np.float64).reshape(-1, 4)
    if len(box) < 2:
        return LevelView(
            matrix=((1.0, 0.0, 0.0), (0.0, 1.0, 0.0)),
            angle_deg=0.0,
            size=(float(width), float(height)),
            found=False,
        )
    dx, dy = _direction((box[:, :2] + box[:, 2:]) / 2)
    turn = np.array([[dx, dy], [-dy, dx]])
    corners = np.concatenate([box[:, [0, 1]], box[:, [2, 1]], box[:, [2, 3]], box[:, [0, 3]]]) @ turn.T
    # The upright box round a turned crown is larger than the crown, so this is room enough.
    low, high = corners.min(axis=0), corners.max(axis=0)
    room = MARGIN * float(high[0] - low[0]) / 2
    shift = room - low
    return LevelView(
        matrix=(
            (float(turn[0, 0]), float(turn[0, 1]), float(shift[0])),
            (float(turn[1, 0]), float(turn[1, 1]), float(shift[1])),
        ),
        angle_deg=float(np.degrees(np.arctan2(-dy, dx))),
        size=(float(high[0] - low[0] + 2 * room), float(high[1] - low[1] + 2 * room)),
        found=True,
    )


def _direction(middles: FloatArray) -> tuple[float, float]:
    """Unit vector from the first to the last crown along the line of least squared distances."""
    centred = middles - middles.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    dx, dy = axes[0]
    if (middles[-1] - middles[0]) @ axes[0] < 0:
        dx, dy = -dx, -dy
    return float(dx), float(dy)
