"""
What a statistic gives back: a value with its interval, or a sentence that says why there is none.

A result that the data cannot support is never 0 and never NaN: it has ``value`` None and a ``reason``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from crestgauge.inference.errors import InputError

MIN_FOR_BOOTSTRAP = 8
"""Animals below which no bootstrap interval is given: resamples of fewer hardly differ (our choice)."""
N_BOOTSTRAP = 2000
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """
    One number with its interval.

    Parameters
    ----------
    value : float or None
        In ``unit``; None exactly where ``reason`` says why it is not defined.
    low, high : float or None
        Ends of the interval at ``level``; None where ``no_interval`` says why there is none.
    n : int
        Animals (or whatever the statistic counts) behind it.
    unit : str
        "1", "%", "yr", "px" ...
    method : str
        How the interval was made, in words for the methods paragraph.
    reason, no_interval : str or None
        Sentence after "not defined, because ...".

    Raises
    ------
    InputError
        If value and reason contradict each other, or a number is not finite.
    """

    value: float | None
    n: int
    unit: str = "1"
    low: float | None = None
    high: float | None = None
    level: float = LEVEL
    method: str = ""
    reason: str | None = None
    no_interval: str | None = None

    def __post_init__(self) -> None:
        if (self.value is None) == (self.reason is None):
            raise InputError("Estimate: needs either a value or a reason why there is none.")
        for number in (self.value, self.low, self.high):
            if number is not None and not math.isfinite(number):
                raise InputError(f"Estimate: {number} is not finite; give a reason instead of a value.")

    def sentence(self, digits: int = 3) -> str:
        """The result in words, for tables and the command line."""
        if self.value is None:
            return f"not defined, because {self.reason}"
        unit = "" if self.unit == "1" else (" %" if self.unit == "%" else f" {self.unit}")
        if self.low is None or self.high is None:
            return f"{fixed(self.value, digits)}{unit}"
        ends = f"{fixed(self.low, digits)} to {fixed(self.high, digits)}"
        return f"{fixed(self.value, digits)}{unit} ({ends})"


def fixed(value: float, digits: int) -> str:
    """A number with so many decimals, and never "-0.00"."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def undefined(reason: str, *, n: int, unit: str = "1") -> Estimate:
    """An `Estimate` without a value."""
    return Estimate(value=None, n=n, unit=unit, reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class TestResult:
    """
    One hypothesis test.

    Parameters
    ----------
    name : str
    statistic, df, p : float or None
        All None where ``reason`` says why the test is not defined. ``df`` is None for exact tests.
    n : int
        Animals behind it.
    p_holm : float or None
        P-value adjusted by Holm's method within its family of tests; None where it is alone.
    """

    __test__ = False  # the name starts with "Test": keeps pytest from collecting it

    name: str
    n: int
    statistic: float | None = None
    df: float | None = None
    p: float | None = None
    p_holm: float | None = None
    reason: str | None = None

    def __post_init__(self) -> None:
        if (self.p is None) == (self.reason is None):
            raise InputError(f"{self.name}: needs either a p-value or a reason why there is none.")

    def sentence(self) -> str:
        """The result in words."""
        if self.p is None:
            return f"not defined, because {self.reason}"
        df = "" if self.df is None else f", df {self.df:g}"
        statistic = "" if self.statistic is None else f"{self.statistic:.3f}{df}, "
        holm = "" if self.p_holm is None else f", Holm {format_p(self.p_holm)}"
        return f"{statistic}{format_p(self.p)}{holm}"


def format_p(p: float) -> str:
    """A p-value as people write it."""
    return "p < 0.0001" if p < 1e-4 else f"p = {p:.4f}"


def holm(p_values: list[float]) -> list[float]:
    """
    P-values adjusted by Holm's step-down method, in the given order.

    Source: Holm 1979, Scand. J. Statist. 6:65-70. Computed by statsmodels.
    """
    from statsmodels.stats.multitest import multipletests

    return [] if not p_values else [float(p) for p in multipletests(p_values, method="holm")[1]]


def bootstrap_interval(
    statistic: Callable[[NDArray[np.intp]], NDArray[np.float64]], n: int, *, seed: int, level: float = LEVEL
) -> tuple[float | None, float | None, str | None]:
    """
    Percentile bootstrap over animals.

    Parameters
    ----------
    statistic : callable
        Takes row numbers of many resamples, shape (m, n), and gives the statistic of each, shape (m,); NaN
        where it is not defined.
    n : int
        Animals.
    seed : int
        The same seed gives the same interval.

    Returns
    -------
    low, high, reason : float or None, float or None, str or None
        The ends, or None twice and why.

    Source: Efron & Tibshirani 1993, An Introduction to the Bootstrap, ch. 13.
    """
    if n < MIN_FOR_BOOTSTRAP:
        return None, None, f"{n} animals are too few to resample (needs {MIN_FOR_BOOTSTRAP})"
    rng = np.random.default_rng(seed)
    batch = 200  # keeps 10,000 animals within 16 MB
    draws = np.concatenate([statistic(rng.integers(0, n, (batch, n))) for _ in range(N_BOOTSTRAP // batch)])
    usable = draws[np.isfinite(draws)]
    # A resample can lose a class and with it the statistic; a few lost ones do no harm, many would bias the
    # ends.
    if usable.size < 0.95 * N_BOOTSTRAP:
        lost = N_BOOTSTRAP - usable.size
        return None, None, f"the statistic is not defined in {lost} of {N_BOOTSTRAP} resamples"
    low, high = np.quantile(usable, [(1 - level) / 2, (1 + level) / 2])
    return float(low), float(high), None


def share(hits: int, n: int, *, level: float = LEVEL) -> Estimate:
    """
    A share of animals in percent, with Wilson's interval.

    Source: Wilson 1927, J. Am. Stat. Assoc. 22:209-212. Computed by scipy.
    """
    if n == 0:
        return undefined("no animal has what it needs", n=0, unit="%")
    ends = stats.binomtest(hits, n).proportion_ci(confidence_level=level, method="wilson")
    return Estimate(
        value=100 * hits / n,
        low=100 * float(ends.low),
        high=100 * float(ends.high),
        n=n,
        unit="%",
        level=level,
        method="Wilson interval",
    )
