"""
Intervals that hold what they promise on a new animal, from few held-out animals.

The stated standard uncertainty u of a ratio is multiplied by one factor, so that value +- 1.96 u holds the
truth in the wanted share. The factor comes from the scores |value - truth| / u of held-out crests by
conformal prediction. Crests of one animal are alike, so animals, not crests, are what is exchangeable:
hierarchical conformal prediction (Lee, Barber & Willett 2023, "Distribution-free inference with hierarchical
data", arXiv:2306.06342) gives each animal the weight 1 / (K + 1), shared among its crests, and leaves 1 / (K
+ 1) for the next animal. From 19 animals on this holds 95 % whatever the errors' law; with fewer the wanted
quantile would be infinite, and the factor may then only widen. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from crestgauge.inference.errors import InputError

K95: Final = 1.96
LEAST_CRESTS: Final = 10
"""Fewer crests than this say nothing about a tail."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleFit:
    """
    A factor on stated uncertainties, and what it rests on.

    Parameters
    ----------
    factor : float
        1 = as they were stated.
    method : {"conformal", "widened only", "kept"}
        "conformal": from 19 animals on. "widened only": the plain quantile of the crests, at least 1. "kept":
        too few crests.
    animals, crests : int
    """

    factor: float
    method: str
    animals: int
    crests: int


def fit_scale(scores: Mapping[str, Sequence[float]], *, share: float = 0.95, least: float = 0.0) -> ScaleFit:
    """
    Factor that makes intervals of +- 1.96 u hold the truth in ``share`` of the crests of a new animal.

    Parameters
    ----------
    scores : mapping of animal to sequence of float
        |measured - true| / u of its crests, not negative.
    share : float
        Wanted coverage, between 0 and 1.
    least : float
        Least factor, whatever the scores say.

    Raises
    ------
    InputError
        If a score is negative or not finite, or ``share`` is out of range.
    """
    if not 0 < share < 1:
        raise InputError(f"conformal: share {share}; needs a number between 0 and 1")
    groups = {
        animal: np.asarray(values, dtype=np.float64) for animal, values in scores.items() if len(values)
    }
    if any(not np.isfinite(v).all() or (v < 0).any() for v in groups.values()):
        raise InputError("conformal: a score is negative or no number; needs |measured - true| / u")
    animals, crests = len(groups), sum(len(v) for v in groups.values())
    if crests < LEAST_CRESTS:
        return ScaleFit(factor=1.0, method="kept", animals=animals, crests=crests)
    quantile = weighted_quantile(groups, share)
    if math.isfinite(quantile):
        factor = max(least, quantile / K95)
        return ScaleFit(factor=factor, method="conformal", animals=animals, crests=crests)
    pooled = float(np.quantile(np.concatenate(list(groups.values())), share))
    factor = max(1.0, least, pooled / K95)
    return ScaleFit(factor=factor, method="widened only", animals=animals, crests=crests)


def weighted_quantile(groups: Mapping[str, Sequence[float] | np.ndarray], share: float) -> float:
    """
    Quantile of the crests' scores with weight 1 / ((K + 1) n_k) each and 1 / (K + 1) at infinity.

    Infinite where ``share`` is more than K / (K + 1).
    """
    count = len(groups)
    values = np.concatenate([np.asarray(v, dtype=np.float64) for v in groups.values()])
    weights = np.concatenate([np.full(len(v), 1.0 / ((count + 1) * len(v))) for v in groups.values()])
    order = np.argsort(values)
    reached = np.cumsum(weights[order])
    # Sums of many small weights miss a share that they reach exactly by some 1e-16.
    at = int(np.searchsorted(reached, share - 1e-12))
    return float(values[order][at]) if at < len(values) else math.inf


def coverage_left_out(
    scores: Mapping[str, Sequence[float]], *, share: float = 0.95, least: float = 0.0
) -> dict[str, list[bool]]:
    """
    For each animal, which of its crests the intervals hold when the factor comes from the other animals.

    The honest coverage of a factor that was fitted to these animals.
    """
    held = {}
    for animal, values in scores.items():
        others = {name: other for name, other in scores.items() if name != animal}
        limit = K95 * fit_scale(others, share=share, least=least).factor
        held[animal] = [bool(value <= limit) for value in values]
    return held
