"""Pictures of the card at known poses, made by OpenCV's own projection; shared by the card's tests."""

from __future__ import annotations

import math

import cv2
import numpy as np

from crestgauge.inference.card.layout import SPACE_MM
from crestgauge.inference.card.raster import draw_card

FACE_PX_PER_MM = 16.0
SIZE = (2000, 1500)
MIDDLE_MM = np.array([(SPACE_MM[0] + SPACE_MM[2]) / 2, (SPACE_MM[1] + SPACE_MM[3]) / 2])


def pose(tilt_deg, *, azimuth_deg=40.0, turn_deg=0.0, distance_mm=350.0, focal_share=0.62, size=SIZE):
    """Homography from card mm to px; ``distance_mm`` from the middle of the card's space."""
    focal = focal_share * math.hypot(*size)
    azimuth = math.radians(azimuth_deg)
    axis = np.array([math.cos(azimuth), math.sin(azimuth), 0.0]) * math.radians(tilt_deg)
    tilt, _ = cv2.Rodrigues(axis)
    turn, _ = cv2.Rodrigues(np.array([0.0, 0.0, math.radians(turn_deg)]))
    rotation = tilt @ turn
    shift = np.array([0, 0, distance_mm]) - rotation @ np.array([*MIDDLE_MM, 0.0])
    lens = np.array([[focal, 0, (size[0] - 1) / 2], [0, focal, (size[1] - 1) / 2], [0, 0, 1]])
    return lens @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])


def photograph(tilt_deg, *, specimen_id=None, size=SIZE, **more):
    """A picture of the card and its true homography."""
    to_photo = pose(tilt_deg, size=size, **more)
    face = draw_card(FACE_PX_PER_MM, specimen_id=specimen_id)
    step = 1 / FACE_PX_PER_MM
    face_to_mm = np.array([[step, 0, 0.5 * step], [0, step, 0.5 * step], [0, 0, 1]])
    picture = cv2.warpPerspective(
        face,
        to_photo @ face_to_mm,
        size,
        flags=cv2.INTER_AREA,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(70, 80, 60),
    )
    return picture, to_photo


def true_scale(to_photo, point):
    """Square root of the local area ratio, by finite differences."""
    h = 1e-4
    corners = np.array([[0, 0], [h, 0], [0, h]]) + point
    moved = np.column_stack([corners, np.ones(3)]) @ to_photo.T
    moved = moved[:, :2] / moved[:, 2:]
    a, b = moved[1] - moved[0], moved[2] - moved[0]
    return math.sqrt(abs(a[0] * b[1] - a[1] * b[0])) / h
