"""A straight line between two ways of measuring, both with errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from crestgauge.inference.compare.estimate import LEVEL, Estimate, undefined
from crestgauge.inference.errors import InputError

LEAST_ITEMS = 8
"""Items below which no line is given: leaving one out would turn it about (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """
    second = intercept + slope x first.

    Parameters
    ----------
    slope, intercept : Estimate
        Slope 1 and intercept 0: no bias that grows with size, no constant bias.
    error_ratio : float
        Error variance of the first way over that of the second, as assumed. [1]
    """

    slope: Estimate
    intercept: Estimate
    error_ratio: float


def deming(
    first: ArrayLike, second: ArrayLike, *, error_ratio: float = 1.0, unit: str = "1", level: float = LEVEL
) -> Line:
    """
    Deming's line with jackknife intervals.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        The same items measured in two ways. [unit]
    error_ratio : float
        Error variance of first over second. Least squares of second on first would be a ratio of 0, and finds
        too flat a line where the first has errors.

    Source: Cornbleet & Gochman 1979, Clin. Chem. 25:432-438; jackknife: Linnet 1993, Clin. Chem. 39:424-432.
    """
    x, y = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1 or error_ratio <= 0:
        raise InputError(
            f"first {x.shape}, second {y.shape}, error ratio {error_ratio}: do not fit together."
        )
    n = x.size
    why = None
    if n < LEAST_ITEMS:
        why = f"{n} items measured both ways are too few for a line (needs {LEAST_ITEMS})"
    elif np.ptp(x) == 0 or np.ptp(y) == 0 or _fit(x, y, error_ratio) is None:
        why = "the two ways of measuring do not vary together"
    if why is not None:
        return Line(
            slope=undefined(why, n=n), intercept=undefined(why, n=n, unit=unit), error_ratio=error_ratio
        )
    whole = _fit(x, y, error_ratio)
    assert whole is not None
    left_out = [_fit(np.delete(x, i), np.delete(y, i), error_ratio) for i in range(n)]
    t = float(stats.t.ppf((1 + level) / 2, n - 2))
    made = []
    for k, what in enumerate(("1", unit)):
        value = whole[k]
        parts = [n * value - (n - 1) * part[k] for part in left_out if part is not None]
        if len(parts) < n:
            made.append(Estimate(value=value, n=n, unit=what, no_interval="the line hangs on one item"))
            continue
        half = t * float(np.std(parts, ddof=1)) / n**0.5
        made.append(
            Estimate(value=value, low=value - half, high=value + half, n=n, unit=what, level=level,
                     method="jackknife interval")
        )  # fmt: skip
    return Line(slope=made[0], intercept=made[1], error_ratio=error_ratio)


def _fit(x: NDArray[np.float64], y: NDArray[np.float64], error_ratio: float) -> tuple[float, float] | None:
    """Slope and intercept; None where the slope is not defined."""
    sxx, syy, sxy = (float(v) for v in (np.var(x), np.var(y), np.mean((x - x.mean()) * (y - y.mean()))))
    if abs(sxy) < 1e-12 * max(sxx, syy, 1e-300):
        return None
    lam = error_ratio
    slope = (lam * syy - sxx + ((lam * syy - sxx) ** 2 + 4 * lam * sxy**2) ** 0.5) / (2 * lam * sxy)
    return slope, float(y.mean() - slope * x.mean())
