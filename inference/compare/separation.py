"""
How well measured ratios tell neighbouring age classes apart, before any threshold is chosen.

Published: ratios of dentine to enamel width on photographs of 67 known-age deer did not clearly separate
2.5, 3.5 and 4.5; nearest neighbours on an overall ratio were right in about 54 % (Proc. SEAFWA 2006). This
module computes the same kinds of figures for any sample, so that users see what their own can do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.spatial import KDTree

from crestgauge.inference.compare.estimate import Estimate, share, undefined

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ByAge:
    """
    One quantity of one tooth at one known age.

    Parameters
    ----------
    n, n_gone : int
        Animals with a value; and those of them without an inner band left (ratio above all others).
    low, quartile_1, median, quartile_3, high : float
        10 %, 25 %, 50 %, 75 %, 90 % points; inf where the ratio has no upper end.
    share_passing : Estimate
        At or beyond the threshold of the key. [%]
    """

    quantity: str
    tooth: int
    age_class: str
    n: int
    n_gone: int
    low: float
    quartile_1: float
    median: float
    quartile_3: float
    high: float
    share_passing: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlap:
    """
    Two neighbouring classes.

    Parameters
    ----------
    auc : Estimate
        Chance that an animal of the older class has the larger value, ties half; 0.5 = no separation at all.
    """

    quantity: str
    tooth: int
    younger: str
    older: str
    auc: Estimate


def by_age(
    quantity: str,
    tooth: int,
    values: ArrayLike,
    codes: ArrayLike,
    labels: Sequence[str],
    *,
    threshold: float,
    at_least: bool = True,
) -> tuple[ByAge, ...]:
    """Distribution of one quantity at each known age that has a value; NaN = not measured."""
    v, c = np.asarray(values, dtype=np.float64), np.asarray(codes, dtype=np.intp)
    out = []
    for code in np.unique(c[~np.isnan(v)]):
        here = v[(c == code) & ~np.isnan(v)]
        points = np.quantile(here, [0.1, 0.25, 0.5, 0.75, 0.9], method="inverted_cdf")
        passing = int((here >= threshold).sum() if at_least else (here <= threshold).sum())
        out.append(
            ByAge(
                quantity=quantity, tooth=tooth, age_class=labels[int(code)], n=here.size,
                n_gone=int(np.isinf(here).sum()), low=float(points[0]), quartile_1=float(points[1]),
                median=float(points[2]), quartile_3=float(points[3]), high=float(points[4]),
                share_passing=share(passing, here.size),
            )
        )  # fmt: skip
    return tuple(out)


def overlaps(
    quantity: str, tooth: int, values: ArrayLike, codes: ArrayLike, labels: Sequence[str]
) -> tuple[Overlap, ...]:
    """
    Separation of each pair of neighbouring classes that both have values.

    Source: area under the receiver operating curve as Mann-Whitney's U over n m, interval with the standard
    error of Hanley & McNeil 1982, Radiology 143:29-36.
    """
    v, c = np.asarray(values, dtype=np.float64), np.asarray(codes, dtype=np.intp)
    out = []
    for code in range(int(c.max(initial=0))):
        young, old = (v[(c == k) & ~np.isnan(v)] for k in (code, code + 1))
        if young.size == 0 or old.size == 0:
            continue
        estimate = _auc(young, old) if quantity == "ratio" else _auc(-young, -old)
        out.append(
            Overlap(
                quantity=quantity, tooth=tooth, younger=labels[code], older=labels[code + 1], auc=estimate
            )
        )
    return tuple(out)


def _auc(young: Floats, old: Floats) -> Estimate:
    n, m = young.size, old.size
    if min(n, m) < 3:
        return undefined(f"{n} and {m} animals are too few (needs 3 in each class)", n=n + m)
    u = float((old[:, None] > young).sum() + 0.5 * (old[:, None] == young).sum())
    area = u / (n * m)
    q1, q2 = area / (2 - area), 2 * area**2 / (1 + area)
    variance = (area * (1 - area) + (m - 1) * (q1 - area**2) + (n - 1) * (q2 - area**2)) / (n * m)
    half = float(stats.norm.ppf(0.975)) * float(np.sqrt(max(variance, 0.0)))
    if half == 0:
        return Estimate(value=area, n=n + m, no_interval="the classes do not overlap at all")
    return Estimate(
        value=area,
        low=max(area - half, 0.0),
        high=min(area + half, 1.0),
        n=n + m,
        method="Hanley-McNeil interval",
    )


def nearest_neighbours(features: ArrayLike, codes: ArrayLike, *, k: int = 5) -> Estimate:
    """
    Share right when each animal is put into the most frequent class of its ``k`` nearest others. [%]

    Leave one out; distance is Euclidean on standardised features; of equally frequent classes the one with
    the nearest member wins.

    Parameters
    ----------
    features : array_like, shape (n, p)
        Finite values only.

    Source: Fix & Hodges 1951; used on these ratios by the SEAFWA 2006 study.
    """
    x, c = np.asarray(features, dtype=np.float64), np.asarray(codes, dtype=np.intp)
    n = c.size
    if n <= k or np.unique(c).size < 2:
        return undefined(f"it needs more than {k} animals of two classes, found {n}", n=n, unit="%")
    spread = x.std(axis=0)
    z = (x - x.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    right = 0
    for i, row in enumerate(KDTree(z).query(z, k=k + 1)[1]):
        # An animal is its own nearest neighbour, but not always the first of several at distance 0.
        votes = c[row[row != i][:k]]
        classes, first, counts = np.unique(votes, return_index=True, return_counts=True)
        best = min(zip(-counts, first, classes, strict=True))  # most votes, then the nearest member
        right += int(best[2] == c[i])
    return share(right, n)


def overall_ratio(values: Mapping[tuple[str, int], Floats], teeth: Sequence[int] = (4, 5, 6)) -> Floats:
    """Mean ratio over teeth; NaN where one is missing or has no inner band left. [1]"""
    columns = np.stack([values["ratio", tooth] for tooth in teeth])
    return np.asarray(np.where(np.isfinite(columns).all(axis=0), columns.mean(axis=0), np.nan))
