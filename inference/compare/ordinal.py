"""
A second, separate proposal: age class from all measured values at once, by a monotone ordinal model.

It is not part of the key and never mixed with it. Cumulative logit: logit P(class > j) = b . x - c_j, with
b >= 0 for values that grow with age, so that more wear can never mean a younger class.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from crestgauge.inference.errors import InputError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OrdinalModel:
    """
    A fitted model.

    Parameters
    ----------
    names : tuple of str
        Columns of x; each grows with age.
    center, scale : ndarray, shape (p,)
        Standardisation that was applied.
    weights : ndarray, shape (p,)
        b, per standardised unit; none negative.
    cuts : ndarray, shape (k - 1,)
        c, climbing.
    """

    names: tuple[str, ...]
    center: Floats
    scale: Floats
    weights: Floats
    cuts: Floats

    def probabilities(self, x: ArrayLike) -> Floats:
        """Probability of each class, shape (n, k)."""
        score = ((np.asarray(x, dtype=np.float64) - self.center) / self.scale) @ self.weights
        above = special.expit(score[:, None] - self.cuts)
        edges = np.concatenate([np.ones((len(score), 1)), above, np.zeros((len(score), 1))], axis=1)
        return np.asarray(edges[:, :-1] - edges[:, 1:])

    def predict(self, x: ArrayLike) -> NDArray[np.intp]:
        """Most probable class."""
        return np.asarray(self.probabilities(x).argmax(axis=1))


def bounded_ratio(ratio: ArrayLike) -> Floats:
    """r / (1 + r): climbs with the ratio from 0 to 1, and is 1 where the inner band is gone (ratio inf)."""
    r = np.asarray(ratio, dtype=np.float64)
    return np.where(np.isinf(r), 1.0, r / (1 + np.where(np.isinf(r), 0.0, r)))


def fit_ordinal(
    x: ArrayLike, codes: ArrayLike, names: tuple[str, ...], *, ridge: float = 1e-3
) -> OrdinalModel:
    """
    Fit by penalised maximum likelihood.

    Parameters
    ----------
    x : array_like, shape (n, p)
        No gaps; each column oriented so that it grows with age.
    codes : array_like of int, shape (n,)
        Class numbers 0 .. k - 1, every class present.
    ridge : float
        Penalty ridge * n * sum(b^2) / 2: keeps perfectly separated classes from an endless weight.

    Raises
    ------
    InputError
        If a value is missing, a column has no spread, or a class is absent.

    Source: McCullagh 1980, J. R. Stat. Soc. B 42:109-142 (proportional odds).
    """
    values, y = np.asarray(x, dtype=np.float64), np.asarray(codes, dtype=np.intp)
    if values.ndim != 2 or values.shape[0] != y.size or values.shape[1] != len(names):
        raise InputError(f"x: shape {values.shape} for {y.size} animals and {len(names)} names.")
    if not np.isfinite(values).all():
        raise InputError("x: contains gaps; leave out animals that lack a value.")
    k = int(y.max()) + 1 if y.size else 0
    if k < 2 or np.unique(y).size != k:
        raise InputError(f"codes: {np.unique(y).tolist()}; needs at least two classes, each present.")
    center, scale = values.mean(axis=0), values.std(axis=0)
    if (scale == 0).any():
        raise InputError(f"x: {names[int(np.argmin(scale))]} is the same in all animals; leave it out.")
    z, p = (values - center) / scale, values.shape[1]

    def unpack(theta: Floats) -> tuple[Floats, Floats]:
        gaps = np.concatenate([[theta[p]], np.exp(theta[p + 1 :])])
        return theta[:p], np.cumsum(gaps)

    def loss(theta: Floats) -> tuple[float, Floats]:
        b, cuts = unpack(theta)
        score = z @ b
        upper = np.concatenate([[-np.inf], cuts])[y]  # P(class >= y) = expit(score - upper)
        lower = np.concatenate([cuts, [np.inf]])[y]  # P(class > y)
        at_least, more = special.expit(score - upper), special.expit(score - lower)
        probability = np.maximum(at_least - more, 1e-300)
        d_at, d_more = at_least * (1 - at_least), more * (1 - more)
        d_score = (d_at - d_more) / probability
        # d log P / d cut_j: -d_at where the cut is the lower edge of y, +d_more where it is the upper one.
        d_cut = np.zeros(k + 1)
        np.add.at(d_cut, y, -d_at / probability)
        np.add.at(d_cut, y + 1, d_more / probability)
        d_cut = d_cut[1:k]
        tail = np.cumsum(d_cut[::-1])[::-1]
        gradient = np.concatenate(
            [z.T @ d_score - ridge * y.size * b, tail[:1], tail[1:] * np.exp(theta[p + 1 :])]
        )
        value = np.log(probability).sum() - ridge * y.size * (b @ b) / 2
        return -value / y.size, -gradient / y.size

    share_above = 1 - np.cumsum(np.bincount(y, minlength=k))[:-1] / y.size
    cuts0 = -special.logit(np.clip(share_above, 1e-3, 1 - 1e-3))
    start = np.concatenate([np.full(p, 0.1), cuts0[:1], np.log(np.maximum(np.diff(cuts0), 0.05))])
    bounds = [(0.0, None)] * p + [(None, None)] + [(-12.0, 8.0)] * (k - 2)
    found = optimize.minimize(
        loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500}
    )
    b, cuts = unpack(found.x)
    return OrdinalModel(names=names, center=center, scale=scale, weights=b, cuts=cuts)
