"""Krippendorff's alpha: agreement of many readers, with gaps, at the level of measurement of the ages."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crestgauge.inference.compare.estimate import Estimate, bootstrap_interval, undefined
from crestgauge.inference.errors import InputError

Level = Literal["nominal", "ordinal", "interval", "ratio"]


def krippendorff_alpha(readings: ArrayLike, level: Level = "ordinal", *, seed: int = 0) -> Estimate:
    """
    Alpha = 1 - observed / expected disagreement.

    Parameters
    ----------
    readings : array_like, shape (animals, readers)
        NaN = not read. Animals read by one reader only do not count (nothing to compare).
    level : str
        How far apart two values are: nominal (equal or not), ordinal (by the frequencies between them),
        interval (squared difference), ratio (squared relative difference).

    Returns
    -------
    Estimate
        With a percentile bootstrap interval over animals. Not defined where only one value occurs.

    Source: Krippendorff 1980, Content Analysis, ch. 12; computation through the coincidence matrix:
    Krippendorff 2011, Computing Krippendorff's alpha-reliability, Annenberg School, Univ. of Pennsylvania.
    """
    values = np.asarray(readings, dtype=np.float64)
    if values.ndim != 2:
        raise InputError(f"readings: shape {values.shape}; needs (animals, readers).")
    kept = values[np.isfinite(values).sum(axis=1) >= 2]
    n = len(kept)
    if n == 0:
        return undefined("no animal was read by two readers", n=0)
    classes = np.unique(kept[np.isfinite(kept)])
    if classes.size == 1:
        return undefined("all readings are one class, so there is no spread to agree on", n=n)
    per_animal = _coincidences(kept, classes)
    flat = per_animal.reshape(n, -1)

    def resampled(rows: NDArray[np.intp]) -> NDArray[np.float64]:
        times = np.stack([np.bincount(row, minlength=n) for row in rows])
        return _alpha((times @ flat).reshape(-1, *per_animal.shape[1:]), classes, level)

    low, high, why = bootstrap_interval(resampled, n, seed=seed)
    return Estimate(
        value=float(_alpha(per_animal.sum(axis=0)[None], classes, level)[0]),
        low=low,
        high=high,
        n=n,
        no_interval=why,
        method="" if why else "percentile bootstrap over animals",
    )


def _coincidences(values: NDArray[np.float64], classes: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Coincidence matrix of each animal, shape (animals, classes, classes): pairs of readings over (m - 1).
    """
    counts = (values[:, :, None] == classes).sum(axis=1).astype(np.float64)
    m = counts.sum(axis=1)
    pairs = counts[:, :, None] * counts[:, None, :]
    index = np.arange(classes.size)
    pairs[:, index, index] -= counts
    return np.asarray(pairs / (m - 1)[:, None, None])


def _alpha(
    coincidence: NDArray[np.float64], classes: NDArray[np.float64], level: Level
) -> NDArray[np.float64]:
    """Alpha of m coincidence matrices, shape (m, classes, classes); NaN where only one class is left."""
    marginal = coincidence.sum(axis=2)
    distance = _squared_distance(classes, marginal, level)
    expected = np.einsum("mi,mij,mj->m", marginal, distance, marginal) / (marginal.sum(axis=1) - 1)
    observed = (coincidence * distance).sum(axis=(1, 2))
    share = np.divide(observed, expected, out=np.full_like(observed, np.nan), where=expected > 0)
    return np.asarray(1 - share)


def _squared_distance(
    classes: NDArray[np.float64], marginal: NDArray[np.float64], level: Level
) -> NDArray[np.float64]:
    """Squared distance of every two classes for each of m marginals, shape (m or 1, classes, classes)."""
    if level == "nominal":
        return np.broadcast_to(1 - np.eye(classes.size), (len(marginal), classes.size, classes.size))
    if level == "ordinal":
        # Sum of the frequencies from c to k, less half of both ends.
        middle = np.cumsum(marginal, axis=1) - marginal / 2
        return np.asarray((middle[:, :, None] - middle[:, None, :]) ** 2)
    distance = np.subtract.outer(classes, classes)
    if level == "ratio":
        both = np.add.outer(classes, classes)
        distance = np.divide(distance, both, out=np.zeros_like(distance), where=both != 0)
    return np.broadcast_to(distance**2, (len(marginal), classes.size, classes.size))
