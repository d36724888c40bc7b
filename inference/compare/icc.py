"""Intraclass correlation: which share of the spread of measurements lies between animals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from crestgauge.inference.compare.estimate import LEVEL, Estimate, undefined
from crestgauge.inference.errors import InputError

MODELS = {
    "ICC(1,1)": "each animal by other readers, one reading",
    "ICC(2,1)": "readers are a sample of readers, one reading, absolute agreement",
    "ICC(3,1)": "these readers only, one reading, consistency",
    "ICC(1,k)": "each animal by other readers, mean of k readings",
    "ICC(2,k)": "readers are a sample of readers, mean of k readings, absolute agreement",
    "ICC(3,k)": "these readers only, mean of k readings, consistency",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """
    Two-way analysis of variance without replication: mean squares of animals, readers, rest, and within.
    """

    animals: float
    readers: float
    rest: float
    within: float
    n: int
    k: int


def mean_squares(values: ArrayLike) -> MeanSquares:
    """
    Mean squares of a complete table, shape (animals, readers).

    Raises
    ------
    InputError
        If the table is not two-dimensional, has a gap, or fewer than 2 animals or readers.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise InputError(f"values: shape {x.shape}; needs at least 2 animals by 2 readers without gaps.")
    n, k = x.shape
    grand = x.mean()
    ss_animals = k * ((x.mean(axis=1) - grand) ** 2).sum()
    ss_readers = n * ((x.mean(axis=0) - grand) ** 2).sum()
    ss_total = ((x - grand) ** 2).sum()
    # Rounding can leave a rest of about -1e-16 where readers differ by a constant only.
    ss_rest = max(ss_total - ss_animals - ss_readers, 0.0)
    return MeanSquares(
        animals=float(ss_animals / (n - 1)),
        readers=float(ss_readers / (k - 1)),
        rest=float(ss_rest / ((n - 1) * (k - 1))),
        within=float((ss_readers + ss_rest) / (n * (k - 1))),
        n=n,
        k=k,
    )


def intraclass_correlations(values: ArrayLike, *, level: float = LEVEL) -> dict[str, Estimate]:
    """
    The six coefficients of `MODELS`, each with its F interval.

    Parameters
    ----------
    values : array_like, shape (animals, readers)
        No gaps.

    Source: Shrout & Fleiss 1979, Psychol. Bull. 86:420-428; intervals of ICC(2,.): McGraw & Wong 1996,
    Psychol. Methods 1:30-46 (Satterthwaite degrees of freedom).
    """
    x = np.asarray(values, dtype=np.float64)
    n_animals = x.shape[0] if x.ndim == 2 else 0
    if x.ndim != 2 or min(x.shape) < 2:
        why = "it needs at least 2 animals, each with at least 2 readings"
        return {name: undefined(why, n=n_animals) for name in MODELS}
    ms = mean_squares(x)
    # 1e-12 of the total: below that a mean square is the rounding of equal numbers.
    tiny = 1e-12 * max(ms.animals, ms.readers, ms.rest)
    if ms.animals <= tiny:
        return {
            name: undefined("the animals do not differ, so there is nothing to tell apart", n=ms.n)
            for name in MODELS
        }
    if ms.rest <= tiny:
        why = "the readings differ by nothing but a constant per reader, so the F interval has no width"
        return {name: Estimate(value=value, n=ms.n, no_interval=why) for name, value in _values(ms).items()}
    ends = _intervals(ms, (1 + level) / 2)
    return {
        name: Estimate(
            value=value, low=ends[name][0], high=ends[name][1], n=ms.n, level=level, method="F interval"
        )
        for name, value in _values(ms).items()
    }


def _values(ms: MeanSquares) -> dict[str, float]:
    b, j, e, w, n, k = ms.animals, ms.readers, ms.rest, ms.within, ms.n, ms.k
    return {
        "ICC(1,1)": (b - w) / (b + (k - 1) * w),
        "ICC(2,1)": (b - e) / (b + (k - 1) * e + k * (j - e) / n),
        "ICC(3,1)": (b - e) / (b + (k - 1) * e),
        "ICC(1,k)": (b - w) / b,
        "ICC(2,k)": (b - e) / (b + (j - e) / n),
        "ICC(3,k)": (b - e) / b,
    }


def _intervals(ms: MeanSquares, upper: float) -> dict[str, tuple[float, float]]:
    b, j, e, w, n, k = ms.animals, ms.readers, ms.rest, ms.within, ms.n, ms.k
    f = stats.f.ppf

    def from_f(ratio: float, df1: float, df2: float) -> tuple[tuple[float, float], tuple[float, float]]:
        low, high = ratio / f(upper, df1, df2), ratio * f(upper, df2, df1)
        single = float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))
        return single, (float(1 - 1 / low), float(1 - 1 / high))

    one, one_k = from_f(b / w, n - 1, n * (k - 1))
    three, three_k = from_f(b / e, n - 1, (n - 1) * (k - 1))
    # ICC(2,1): the denominator mixes two mean squares, hence Satterthwaite's degrees of freedom v.
    icc = _values(ms)["ICC(2,1)"]
    a_weight = k * icc / (n * (1 - icc))
    b_weight = 1 + k * icc * (n - 1) / (n * (1 - icc))
    v = (a_weight * j + b_weight * e) ** 2 / (
        (a_weight * j) ** 2 / (k - 1) + (b_weight * e) ** 2 / ((n - 1) * (k - 1))
    )
    f_low, f_high = f(upper, n - 1, v), f(upper, v, n - 1)
    mix = k * j + (k * n - k - n) * e
    two = (
        float(n * (b - f_low * e) / (f_low * mix + n * b)),
        float(n * (f_high * b - e) / (mix + n * f_high * b)),
    )
    # Spearman-Brown takes an interval of one reading to that of the mean of k.
    two_k = tuple(k * end / (1 + (k - 1) * end) for end in two)
    return {
        "ICC(1,1)": one,
        "ICC(2,1)": two,
        "ICC(3,1)": three,
        "ICC(1,k)": one_k,
        "ICC(2,k)": (two_k[0], two_k[1]),
        "ICC(3,k)": three_k,
    }
