"""
Projective maps of points (x, y) in a plane, by matrices of shape (3, 3).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def mapped(matrix: FloatArray, points: ArrayLike) -> FloatArray:
    """Where a map carries points (x, y), shape (N, 2)."""
    points = np.asarray(points, dtype=np.float64)
    moved = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(moved[:, :2] / moved[:, 2:])


def inverse(matrix: FloatArray) -> FloatArray:
    """The map back."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def local_scale(matrix: FloatArray, point: FloatArray) -> float:
    """Square root of the area ratio of a projective map at one point."""
    step = mapped(matrix, point + np.array([[0.0, 0.0], [1e-3, 0.0], [0.0, 1e-3]]))
    (a, b), (c, d) = step[1] - step[0], step[2] - step[0]
    return float(np.sqrt(abs(a * d - b * c)) / 1e-3)
