"""Shares and survival from counts of age classes. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from crestgauge.inference.errors import InputError

LEVEL: Final = 0.95

SURVIVAL_CONDITIONS: Final = (
    "Survival and the number of young were about the same every year (a stable age structure).",
    "Survival is the same for every age from the first one used on.",
    "Every animal of these ages was equally likely to be shot and to be brought in.",
    "Ages are right on average: any bias in ageing goes straight into the survival.",
    "It is the share that lives on from one season to the next in all, not only what hunting leaves.",
)
"""
What must hold before a Chapman-Robson survival means anything (Chapman & Robson 1960; Robson & Chapman 1961).
"""
FEW: Final = 50
"""
Fewer animals than this get a warning beside their survival: its standard error is then above about 0.05.
Ours.
"""


@dataclass(frozen=True, slots=True)
class Share:
    """
    A share with an interval.

    Parameters
    ----------
    hits, n : int
    low, high : float
        Ends of the interval; 0 and 1 where n = 0, which says nothing.
    """

    hits: int
    n: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """hits / n, NaN where n = 0."""
        return self.hits / self.n if self.n else math.nan


def wilson(hits: int, n: int, *, level: float = LEVEL) -> Share:
    """
    Share with its score interval.

    Source: Wilson 1927, J. Am. Stat. Assoc. 22:209-212.

    Raises
    ------
    InputError
        If ``hits`` is not within 0..n.
    """
    if not 0 <= hits <= n:
        raise InputError(f"{hits} of {n}: needs 0 <= hits <= n.")
    if n == 0:
        return Share(0, 0, 0.0, 1.0)
    z = NormalDist().inv_cdf(0.5 + level / 2)
    p, scale = hits / n, 1 + z * z / n
    middle = (p + z * z / (2 * n)) / scale
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / scale
    # The ends are exact at no hits and all hits; rounding may leave them a hair outside.
    return Share(
        hits, n, 0.0 if hits == 0 else max(0.0, middle - half), 1.0 if hits == n else min(1.0, middle + half)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Survival:
    """
    Yearly survival from one season's age structure.

    Parameters
    ----------
    value, u : float
        Survival and its standard error.
    low, high : float
        Normal interval, cut at 0 and 1.
    n : int
        Animals used.
    coded_sum : int
        Sum of ages counted from the first one used.
    open_ended : int
        Animals in an open last class.
    few : bool
        Under `FEW` animals.
    """

    value: float
    u: float
    low: float
    high: float
    n: int
    coded_sum: int
    open_ended: int
    few: bool


def chapman_robson(
    counts: Sequence[int], *, last_is_open: bool = False, level: float = LEVEL
) -> Survival | None:
    """
    Survival from counts by age, the first fully represented age first.

    Source: Chapman & Robson 1960, Biometrics 16:354-368: S = T / (n + T - 1) with T the sum of coded ages 0,
    1, 2 ..., and variance S (S - (T - 1) / (n + T - 2)). With an open last class that holds animals, their
    age is only known to reach it; then the maximum-likelihood form for a geometric age cut off there, S = T /
    (n - m + T) with m animals in the open class (Robson & Chapman 1961, Trans. Am. Fish. Soc. 90:181-189,
    segment and open-end case), and its variance S (1 - S)^2 / (n (1 - S^k)) with k the coded age of the open
    class, from the second derivative of the likelihood.

    Parameters
    ----------
    counts : sequence of int
    last_is_open : bool
        The last count is "that age or older".

    Returns
    -------
    Survival or None
        None where fewer than two animals, or only one age, are there: no survival can be told.

    Raises
    ------
    InputError
        If a count is negative.
    """
    if any(c < 0 for c in counts):
        raise InputError(f"counts {list(counts)}: needs none below 0.")
    n, total = sum(counts), sum(age * count for age, count in enumerate(counts))
    open_ended = counts[-1] if last_is_open and counts else 0
    if n < 2 or total == 0 or open_ended == n:
        return None
    if open_ended:
        s = total / (n - open_ended + total)
        variance = s * (1 - s) ** 2 / (n * (1 - s ** (len(counts) - 1)))
    else:
        s = total / (n + total - 1)
        variance = s * (s - (total - 1) / (n + total - 2))
    u = math.sqrt(max(variance, 0.0))
    z = NormalDist().inv_cdf(0.5 + level / 2)
    return Survival(
        value=s,
        u=u,
        low=max(0.0, s - z * u),
        high=min(1.0, s + z * u),
        n=n,
        coded_sum=total,
        open_ended=open_ended,
        few=n < FEW,
    )
