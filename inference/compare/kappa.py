"""Cohen's kappa: agreement beyond what the two sets' own class shares would give by chance."""

from __future__ import annotations

from typing import Literal, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from crestgauge.inference.compare.estimate import LEVEL, Estimate, undefined
from crestgauge.inference.errors import InputError

Weights = Literal["unweighted", "linear", "quadratic"]


def agreement_table(first: ArrayLike, second: ArrayLike, n_classes: int) -> NDArray[np.int64]:
    """
    Square table of counts, rows = first, columns = second.

    Parameters
    ----------
    first, second : array_like of int, shape (n,)
        Class numbers 0 .. n_classes - 1.
    """
    table = np.zeros((n_classes, n_classes), dtype=np.int64)
    np.add.at(table, (np.asarray(first, dtype=np.intp), np.asarray(second, dtype=np.intp)), 1)
    return table


def square(table: ArrayLike) -> NDArray[np.float64]:
    """The table as floats. Raises InputError where it is not square or has a negative count."""
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any():
        raise InputError(f"table: shape {counts.shape}; needs a square table of counts, none negative.")
    return counts


def similarity(kind: Weights, n_classes: int) -> NDArray[np.float64]:
    """Similarity weights w_ij: 1 on the diagonal; linear 1 - d/(k-1); quadratic 1 - (d/(k-1))^2."""
    distance = np.abs(np.subtract.outer(np.arange(n_classes), np.arange(n_classes))) / max(n_classes - 1, 1)
    if kind == "unweighted":
        return np.eye(n_classes)
    return 1 - (distance if kind == "linear" else distance**2)


def kappa(table: ArrayLike, weights: Weights | ArrayLike = "unweighted", *, level: float = LEVEL) -> Estimate:
    """Kappa of a square table, with the large-sample interval.

    Parameters
    ----------
    table : array_like, shape (k, k)
        Counts, rows = first set, columns = second set, classes in order. Classes nobody used stay in: they
        fix the spacing of the weights.
    weights : str or array_like, shape (k, k)
        A name, or similarity weights (1 = full agreement). Disagreement weights v become 1 - v / max(v).

    Returns
    -------
    Estimate
        Not defined where a set uses one class only: kappa is then 0 or 0 / 0, whatever the other set says.

    Source: Cohen 1960, Educ. Psychol. Meas. 20:37-46; weighted: Cohen 1968, Psychol. Bull. 70:213-220;
    variance: Fleiss, Cohen & Everitt 1969, Psychol. Bull. 72:323-327. Computed by statsmodels.
    """
    counts = square(table)
    n = int(counts.sum())
    if n == 0:
        return undefined("no animal has both ages", n=0)
    if n == 1:
        return undefined("one animal says nothing of agreement beyond chance", n=1)
    used = [int((counts.sum(axis=axis) > 0).sum()) for axis in (0, 1)]
    if max(used) == 1 and np.trace(counts) == n:
        return undefined("both sets put every animal in one class, so chance alone would agree fully", n=n)
    if min(used) == 1:
        return undefined(
            "one set put every animal in one class, which makes kappa 0 whatever the other says", n=n
        )
    named = isinstance(weights, str)
    w = similarity(cast(Weights, weights), len(counts)) if named else np.asarray(weights, dtype=np.float64)
    from statsmodels.stats.inter_rater import cohens_kappa

    # statsmodels takes a two-dimensional weight as disagreement.
    # Its variance under chance agreement, which is not used here, may round to just below 0.
    with np.errstate(invalid="ignore"):
        result = cohens_kappa(counts) if named and weights == "unweighted" else cohens_kappa(counts, 1 - w)
    value, variance = float(result.kappa), float(result.var_kappa)
    if not variance > 1e-12:  # full agreement, or a table with one used row
        return Estimate(value=value, n=n, no_interval="the large-sample variance of this table is 0")
    half = float(stats.norm.ppf((1 + level) / 2)) * variance**0.5
    return Estimate(
        value=value,
        low=max(value - half, -1.0),
        high=min(value + half, 1.0),
        n=n,
        level=level,
        method="large-sample normal interval",
    )
