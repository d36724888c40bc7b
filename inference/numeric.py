"""Two small numpy helpers that are called hundreds of times per photo, where numpy's own cost shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def median(values: ArrayLike) -> float:
    """
    Median of a short array without NaN (same value as numpy.median, a tenth of its time at 20 values).

    Raises
    ------
    IndexError
        If there is no value.
    """
    ordered = np.sort(np.asarray(values, dtype=np.float64), axis=None)
    n = ordered.size
    return 0.5 * float(ordered[(n - 1) // 2] + ordered[n // 2])


def fit_polynomial(x: FloatArray, y: FloatArray, degree: int, weight: FloatArray | None = None) -> FloatArray:
    """
    Weighted least-squares polynomial, highest power first (weights multiply squared residuals).

    Normal equations; good for degree <= 3 and x of the order of 1, which is all we use it for.
    """
    design = np.vander(x, degree + 1)
    weighted = design if weight is None else design * weight[:, None]
    left = design.T @ weighted
    left[np.diag_indices(degree + 1)] += 1e-12 * max(float(np.trace(left)), 1e-300)
    return np.asarray(np.linalg.solve(left, weighted.T @ y))
