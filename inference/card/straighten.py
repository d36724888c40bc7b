"""
Turning a tilted photo straight by what the card says of the camera. Pure.

The picture is turned as if the camera had been turned on the spot until it looked square at the card: a
homography K R K^-1 that holds for everything in the picture, whatever its distance, so that every plane
parallel to the card is undistorted, also the chewing surface above or below it. What a turned camera cannot
undo is parallax: walls that were seen stay seen, and the line of sight keeps its angle.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.card.camera import Array
from crestgauge.inference.card.detect import CardView
from crestgauge.inference.card.layout import SPACE_MM
from crestgauge.inference.homography import mapped

Pixels = NDArray[np.uint8]

LEAST_TILT_DEG: Final = 5.0
"""
Below this a picture is left as it is: foreshortening is under 0.4 % (1 - cos 5), less than resampling costs.
"""


def straightening(card: CardView, size: tuple[int, int]) -> Array:
    """
    Homography from photo pixels to pixels of the straightened picture of the same size.

    The middle of the card's space keeps its place and its scale.

    Parameters
    ----------
    card : CardView
    size : (int, int)
        Width and height of the photo. [px]

    Returns
    -------
    ndarray, shape (3, 3)
    """
    x0, y0, x1, y1 = SPACE_MM
    middle_mm = np.array([(x0 + x1) / 2, (y0 + y1) / 2]) * card.printed_scale
    middle = card.to_px(middle_mm[None])[0]
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    lens = np.array([[card.camera.focal_px, 0, centre[0]], [0, card.camera.focal_px, centre[1]], [0, 0, 1]])
    turn = lens @ _square_on(card.camera.rotation) @ np.linalg.inv(lens)
    whole = turn @ card.to_photo
    step = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + middle_mm
    moved = mapped(whole, step)
    (a, b), (c, d) = moved[1] - moved[0], moved[2] - moved[0]
    scale = card.px_per_mm(middle) / np.sqrt(abs(a * d - b * c))
    place = np.array(
        [[scale, 0, middle[0] - scale * moved[0, 0]], [0, scale, middle[1] - scale * moved[0, 1]], [0, 0, 1]]
    )
    return np.asarray(place @ turn)


def straightened(pixels: Pixels, matrix: Array, colour: tuple[float, float, float]) -> Pixels:
    """The photo under `straightening`; what lies outside it gets ``colour``. Shape of ``pixels``."""
    size = (pixels.shape[1], pixels.shape[0])
    return np.asarray(
        cv2.warpPerspective(
            pixels, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=colour
        ),
        dtype=np.uint8,
    )


def _square_on(rotation: Array) -> Array:
    """
    Smallest turn that brings the plane's normal (third column of plane to camera) onto the camera's axis.
    """
    normal = rotation[:, 2]
    axis = np.cross(normal, [0.0, 0.0, 1.0])
    sine = float(np.linalg.norm(axis))
    if sine < 1e-12:
        return np.eye(3)
    vector = axis / sine * np.arctan2(sine, normal[2])
    turn, _ = cv2.Rodrigues(vector)
    return np.asarray(turn)
