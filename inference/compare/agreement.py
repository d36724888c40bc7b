"""
How close several readings of the same animals are: percent agreement, bias, absolute, percent and squared
error.

Readings come as an array (animals, readers) in years. No gaps here: `align` decides who is compared.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from crestgauge.inference.compare.estimate import LEVEL, Estimate, bootstrap_interval, share, undefined
from crestgauge.inference.errors import InputError

Floats = NDArray[np.float64]


def _readings(readings: ArrayLike) -> Floats:
    values = np.asarray(readings, dtype=np.float64)
    if values.ndim != 2 or values.shape[1] < 2:
        raise InputError(f"readings: shape {values.shape}; needs (animals, readers) with at least 2 readers.")
    if not np.isfinite(values).all():
        raise InputError("readings: contains NaN or infinity; leave out animals that lack a reading.")
    return values


def _paired(assigned: ArrayLike, reference: ArrayLike) -> Floats:
    a, r = np.asarray(assigned, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    if a.shape != r.shape or a.ndim != 1:
        raise InputError(f"assigned {a.shape} and reference {r.shape}: need two lists of the same length.")
    return _readings(np.stack([a, r], axis=1))


def percent_agreement(codes: ArrayLike, *, within: int = 0) -> Estimate:
    """
    Share of animals whose readings all lie within ``within`` classes of each other. [%]

    Parameters
    ----------
    codes : array_like of int, shape (animals, readers)
        Class numbers in the order of the scale, so that neighbours differ by 1.
    within : int
        0: all equal; 1: within one class.

    Source: Campana et al. 1995, Trans. Am. Fish. Soc. 124:131-138 (use and limits of percent agreement);
    interval: Wilson 1927.
    """
    values = _readings(codes)
    return share(int((np.ptp(values, axis=1) <= within).sum()) if len(values) else 0, len(values))


def bias(assigned: ArrayLike, reference: ArrayLike, *, level: float = LEVEL) -> Estimate:
    """
    Mean of assigned minus reference, with Student's t interval. [yr]

    Positive: assigned is too old. Source: Student 1908, Biometrika 6:1-25 (interval); computed by scipy.
    """
    differences = np.subtract(*_paired(assigned, reference).T)
    n = differences.size
    if n == 0:
        return undefined("no animal has both ages", n=0, unit="yr")
    mean = float(differences.mean())
    if n == 1:
        return Estimate(value=mean, n=1, unit="yr", no_interval="one animal has no spread")
    spread = float(differences.std(ddof=1))
    if spread == 0:
        return Estimate(
            value=mean, n=n, unit="yr", no_interval="all differences are equal, so there is no spread"
        )
    half = float(stats.t.ppf((1 + level) / 2, n - 1)) * spread / np.sqrt(n)
    return Estimate(
        value=mean, low=mean - half, high=mean + half, n=n, unit="yr", level=level, method="t interval"
    )


def mean_absolute_error(assigned: ArrayLike, reference: ArrayLike, *, seed: int = 0) -> Estimate:
    """
    Mean of abs(assigned - reference), with a percentile bootstrap interval over animals. [yr]

    Source: Willmott & Matsuura 2005, Clim. Res. 30:79-82 (why beside the root mean square).
    """
    size = np.abs(np.subtract(*_paired(assigned, reference).T))
    return _with_bootstrap(size, unit="yr", seed=seed, what="both ages")


def root_mean_square_error(assigned: ArrayLike, reference: ArrayLike) -> Estimate:
    """Root of the mean squared difference, no interval. [yr] Source: as `mean_absolute_error`."""
    differences = np.subtract(*_paired(assigned, reference).T)
    if differences.size == 0:
        return undefined("no animal has both ages", n=0, unit="yr")
    return Estimate(
        value=float(np.sqrt((differences**2).mean())),
        n=differences.size,
        unit="yr",
        no_interval="none is customary; see the mean absolute error",
    )


def _with_bootstrap(per_animal: Floats, *, unit: str, seed: int, what: str) -> Estimate:
    n = per_animal.size
    if n == 0:
        return undefined(f"no animal has {what}", n=0, unit=unit)
    low, high, why = bootstrap_interval(lambda rows: per_animal[rows].mean(axis=1), n, seed=seed)
    return Estimate(
        value=float(per_animal.mean()),
        low=low,
        high=high,
        n=n,
        unit=unit,
        no_interval=why,
        method="" if why else "percentile bootstrap over animals",
    )


def _relative(spread: Floats, mean: Floats) -> Floats:
    """
    spread / mean per animal; 0 where the mean is 0, since ages at 0 then all agree (convention of the field).
    """
    return np.divide(spread, mean, out=np.zeros_like(spread), where=mean != 0)


def average_percent_error(readings: ArrayLike, *, seed: int = 0) -> Estimate:
    """
    Average percent error: mean over animals of the mean distance of its R readings from their mean, over
    that mean. [%]

    Half-year labels and whole years give different values, as the mean is the divisor: state which was used.

    Source: Beamish & Fournier 1981, Can. J. Fish. Aquat. Sci. 38:982-983.
    """
    values = _readings(readings)
    mean = values.mean(axis=1)
    return _with_bootstrap(
        100 * _relative(np.abs(values - mean[:, None]).mean(axis=1), mean),
        unit="%",
        seed=seed,
        what="all readings",
    )


def average_coefficient_of_variation(readings: ArrayLike, *, seed: int = 0) -> Estimate:
    """
    Mean over animals of (standard deviation of its R readings, divisor R - 1) / (their mean). [%]

    Source: Chang 1982, Can. J. Fish. Aquat. Sci. 39:1208-1210.
    """
    values = _readings(readings)
    spread = values.std(axis=1, ddof=1)
    return _with_bootstrap(
        100 * _relative(spread, values.mean(axis=1)), unit="%", seed=seed, what="all readings"
    )
