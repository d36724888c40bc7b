"""
The face of the card as pixels, for drawn pictures with a card in them and for the checks of the detector.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.card.layout import CARD_HEIGHT_MM, CARD_WIDTH_MM, Shape, card_shapes
from crestgauge.inference.errors import InputError


def draw_card(px_per_mm: float, *, specimen_id: str | None = None) -> NDArray[np.uint8]:
    """
    The card's face, lit evenly.

    Parameters
    ----------
    px_per_mm : float
        2 to 40. The point (x, y) mm of the card lies at pixel coordinate ``px_per_mm * (x, y) - 0.5``.
        [px/mm]
    specimen_id : str or None

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)

    Raises
    ------
    InputError
        If the scale is out of range.
    """
    if not 2 <= px_per_mm <= 40:
        raise InputError(f"card at {px_per_mm} px/mm; needs 2 to 40.")
    width, height = round(CARD_WIDTH_MM * px_per_mm), round(CARD_HEIGHT_MM * px_per_mm)
    canvas = np.full((height, width), 255, dtype=np.uint8)
    for shape in card_shapes(specimen_id):
        _draw(canvas, shape, px_per_mm)
    return np.repeat(canvas[:, :, None], 3, axis=2)


def _draw(canvas: NDArray[np.uint8], shape: Shape, px_per_mm: float) -> None:
    bits = 4  # OpenCV draws at 1/16 px
    points = np.array(shape.points) * px_per_mm - 0.5
    fixed = np.round(points * 2**bits).astype(np.int32)
    thickness = max(1, round(shape.width * px_per_mm))
    if shape.kind == "text":
        font, scale = (
            cv2.FONT_HERSHEY_SIMPLEX,
            shape.width * px_per_mm / 22.0,
        )  # capitals are 22 px high at scale 1
        (width, _), _ = cv2.getTextSize(shape.text, font, scale, 1)
        x = points[0, 0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[shape.anchor] * width
        place = (round(x), round(points[0, 1]))
        cv2.putText(canvas, shape.text, place, font, scale, shape.fill or 0, 1, cv2.LINE_AA)
        return
    if shape.kind == "polygon" and shape.fill is not None:
        _fill(canvas, shape, points, fixed, bits)
    if shape.stroke is not None:
        closed = shape.kind == "polygon"
        cv2.polylines(canvas, [fixed], closed, shape.stroke, thickness, cv2.LINE_AA, bits)


def _fill(
    canvas: NDArray[np.uint8], shape: Shape, points: NDArray[np.float64], fixed: NDArray[np.int32], bits: int
) -> None:
    """
    Axis-parallel boxes go to whole pixels, exact where their edges fall between pixels; the rest antialiased.
    """
    if len(points) == 4 and points[0, 0] == points[3, 0] and points[0, 1] == points[1, 1]:
        (x0, y0), (x1, y1) = np.round(points[0] + 0.5).astype(int), np.round(points[2] + 0.5).astype(int)
        canvas[max(y0, 0) : y1, max(x0, 0) : x1] = shape.fill or 0
    else:
        cv2.fillPoly(canvas, [fixed], shape.fill or 0, cv2.LINE_AA, bits)
