"""Two ways of measuring the same widths or ratios: limits of agreement, and repeatability of each way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from crestgauge.inference.compare.estimate import LEVEL, Estimate, TestResult, undefined
from crestgauge.inference.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class BlandAltman:
    """
    Limits of agreement of two methods.

    Parameters
    ----------
    mean_difference, lower_limit, upper_limit : Estimate
        First minus second, and mean -/+ ``multiple`` standard deviations, each with its interval, in the
        unit of the measurements.
    sd : Estimate
        Standard deviation of the differences (divisor n - 1).
    trend : TestResult
        Does the difference grow with the size? Pearson correlation of difference and mean; statistic = r.
    multiple : float
        1.96, or 2 where the older custom is wanted.
    """

    mean_difference: Estimate
    lower_limit: Estimate
    upper_limit: Estimate
    sd: Estimate
    trend: TestResult
    multiple: float


def bland_altman(
    first: ArrayLike, second: ArrayLike, *, unit: str = "1", multiple: float = 1.96, level: float = LEVEL
) -> BlandAltman:
    """
    Limits of agreement.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        The same items measured in two ways, in ``unit``.

    Source: Bland & Altman 1986, Lancet 327:307-310 (standard error of a limit: sqrt(3 / n) SD).
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 1:
        raise InputError(f"first {a.shape} and second {b.shape}: need two lists of the same length.")
    n = a.size
    if n < 2:
        nothing = undefined(f"{n} item(s) measured both ways have no spread of differences", n=n, unit=unit)
        mean = (
            nothing
            if n == 0
            else Estimate(value=float(a[0] - b[0]), n=1, unit=unit, no_interval="one item has no spread")
        )
        trend = TestResult(name="Trend", n=n, reason="it needs at least 3 items")
        return BlandAltman(
            mean_difference=mean,
            lower_limit=nothing,
            upper_limit=nothing,
            sd=nothing,
            trend=trend,
            multiple=multiple,
        )
    difference = a - b
    middle, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf((1 + level) / 2, n - 1))

    def around(value: float, standard_error: float) -> Estimate:
        return Estimate(
            value=value,
            low=value - t * standard_error,
            high=value + t * standard_error,
            n=n,
            unit=unit,
            level=level,
            method="t interval",
        )

    return BlandAltman(
        mean_difference=around(middle, sd / n**0.5),
        lower_limit=around(middle - multiple * sd, sd * (3 / n) ** 0.5),
        upper_limit=around(middle + multiple * sd, sd * (3 / n) ** 0.5),
        sd=Estimate(value=sd, n=n, unit=unit, no_interval="the limits carry it"),
        trend=_trend(difference, (a + b) / 2),
        multiple=multiple,
    )


def _trend(difference: np.ndarray, mean: np.ndarray) -> TestResult:
    n = difference.size
    if n < 3:
        return TestResult(name="Trend", n=n, reason="it needs at least 3 items")
    if np.ptp(difference) == 0 or np.ptp(mean) == 0:
        return TestResult(name="Trend", n=n, reason="differences or sizes are all equal")
    found = stats.pearsonr(mean, difference)
    return TestResult(name="Trend", n=n, statistic=float(found.statistic), df=n - 2, p=float(found.pvalue))


def repeatability_coefficient(first: ArrayLike, second: ArrayLike, *, unit: str = "1") -> Estimate:
    """
    Twice the root mean square difference of two repeats by one method: 95 % of repeat differences lie
    below it.

    Source: Bland & Altman 1986, "Repeatability" (British Standards Institution coefficient).
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    if difference.size == 0:
        return undefined("no item was measured twice", n=0, unit=unit)
    return Estimate(
        value=float(2 * np.sqrt((difference**2).mean())),
        n=difference.size,
        unit=unit,
        no_interval="none is customary",
    )


def within_item_sd(repeats: ArrayLike, *, unit: str = "1") -> Estimate:
    """
    Standard deviation of repeats of the same item, pooled over items.

    Parameters
    ----------
    repeats : array_like, shape (items, repeats)

    Source: Bland & Altman 1996, BMJ 312:1654 (one-way analysis of variance, residual).
    """
    values = np.asarray(repeats, dtype=np.float64)
    if values.ndim != 2 or values.shape[1] < 2 or values.shape[0] < 1:
        return undefined("no item was measured twice", n=0, unit=unit)
    return Estimate(
        value=float(np.sqrt(values.var(axis=1, ddof=1).mean())),
        n=values.shape[0],
        unit=unit,
        no_interval="none is customary",
    )
