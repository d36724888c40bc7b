"""
Two versions of a tool on the same animals: is the second better, worse, or can it not be told?

Every number is first averaged within an animal, since photos and crests of one jaw are alike; what is
compared are the animals' differences. Interval: percentile bootstrap over animals (Efron & Tibshirani 1993,
"An Introduction to the Bootstrap", chapter 13, from memory). Test: signs of the differences flipped at
random, all of them where there are few (Fisher's randomisation test for pairs; for right-or-wrong answers
with one photo an animal it is McNemar's exact test). Pure numpy, seeded.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import product
from typing import Any, Final, Literal

import numpy as np

from crestgauge.inference.errors import InputError

Verdict = Literal["better", "no worse", "worse", "cannot tell"]
DRAWS: Final = 4000
EXACT_UP_TO: Final = 12
"""Pairs up to which all 2^n sign patterns are looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paired:
    """
    One number, old against new; less is better.

    Parameters
    ----------
    animals : int
        Animals that both have the number for.
    old, new : float
        Mean over animals.
    difference, low, high : float
        new - old with its 95 % interval.
    p : float
        Two-sided, of no difference.
    margin : float
        Increase that does not matter.
    verdict : Verdict
        "better": the interval lies below 0. "worse": it lies above 0 and reaches past ``margin``. "no worse":
        it ends below ``margin``. Else, and with fewer than five animals, "cannot tell".
    """

    animals: int
    old: float
    new: float
    difference: float
    low: float
    high: float
    p: float
    margin: float
    verdict: Verdict

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def compare_paired(
    old: Mapping[str, Sequence[float]],
    new: Mapping[str, Sequence[float]],
    *,
    margin: float,
    seed: int = 0,
) -> Paired | None:
    """
    Compare a number of which less is better.

    Parameters
    ----------
    old, new : mapping of animal to sequence of float
        Values of each animal; animals without a value on one side are left out.
    margin : float
        Increase that does not matter, in the number's own unit.
    seed : int
        Of the resampling.

    Returns
    -------
    Paired or None
        None where no animal has both.

    Raises
    ------
    InputError
        If ``margin`` is negative or a value is no number.
    """
    if margin < 0:
        raise InputError(f"paired comparison: margin {margin}; needs a number from 0")
    both = sorted(animal for animal in old if len(old[animal]) and len(new.get(animal, ())))
    if not both:
        return None
    before = np.array([np.mean(old[animal]) for animal in both])
    after = np.array([np.mean(new[animal]) for animal in both])
    if not (np.isfinite(before).all() and np.isfinite(after).all()):
        raise InputError("paired comparison: a value is no number; leave unmeasured ones out")
    difference = after - before
    low, high = bootstrap_interval(difference, seed=seed)
    return Paired(
        animals=len(both),
        old=float(before.mean()),
        new=float(after.mean()),
        difference=float(difference.mean()),
        low=low,
        high=high,
        p=sign_flip_p(difference, seed=seed),
        margin=margin,
        verdict=verdict_of(low, high, margin, len(both)),
    )


def verdict_of(low: float, high: float, margin: float, animals: int) -> Verdict:
    """The verdict on an interval of new - old; fewer than five animals never tell anything."""
    if animals < 5:
        return "cannot tell"
    if high < 0:
        return "better"
    if low > 0:
        return "worse" if high > margin else "no worse"
    return "no worse" if high <= margin else "cannot tell"


def bootstrap_interval(difference: Sequence[float] | np.ndarray, *, seed: int = 0) -> tuple[float, float]:
    """95 % percentile interval of the mean, drawing animals with replacement."""
    values = np.asarray(difference, dtype=np.float64)
    rng = np.random.default_rng(seed)
    means = values[rng.integers(len(values), size=(DRAWS, len(values)))].mean(axis=1)
    low, high = np.quantile(means, [0.025, 0.975])
    return float(low), float(high)


def sign_flip_p(difference: Sequence[float] | np.ndarray, *, seed: int = 0) -> float:
    """
    Two-sided p-value of the mean under random signs; the pattern that was seen counts as one of the drawn.
    """
    values = np.asarray(difference, dtype=np.float64)
    values = values[values != 0]
    if not len(values):
        return 1.0
    seen = abs(values.sum()) - 1e-9 * np.abs(values).sum()
    if len(values) <= EXACT_UP_TO:
        signs = np.array(list(product((-1.0, 1.0), repeat=len(values))))
        return float(np.mean(np.abs(signs @ values) >= seen))
    signs = np.random.default_rng(seed).choice((-1.0, 1.0), size=(DRAWS, len(values)))
    return float((1 + np.sum(np.abs(signs @ values) >= seen)) / (DRAWS + 1))
