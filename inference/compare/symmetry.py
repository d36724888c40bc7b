"""
Is the disagreement lopsided? Tests of symmetry of a square age-agreement table.

All three compare counts above the diagonal with their mirror images; they differ in how far they pool.
Pooling finds a steady drift of one reader; not pooling finds odd patterns, and needs many animals.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from crestgauge.inference.compare.estimate import TestResult
from crestgauge.inference.compare.kappa import square

_NO_DISAGREEMENT = "no animal lies off the diagonal, so there is no disagreement to be lopsided"


def bowker(table: ArrayLike) -> TestResult:
    """
    Unpooled test: every cell against its mirror image; df = pairs of cells with any count.

    Source: Bowker 1948, J. Am. Stat. Assoc. 43:572-574; df over used pairs only: Hoenig, Morgan & Brown 1995,
    Can. J. Fish. Aquat. Sci. 52:364-368.
    """
    counts = square(table)
    upper = np.triu_indices(len(counts), 1)
    return _chi2("Bowker", counts[upper], counts.T[upper], int(counts.sum()))


def evans_hoenig(table: ArrayLike) -> TestResult:
    """
    Half-pooled test: the d-th diagonal above against the d-th below; df = offsets with any count.

    Source: Evans & Hoenig 1998, Biometrics 54:620-629.
    """
    counts = square(table)
    offsets = range(1, len(counts))
    above = np.array([np.trace(counts, offset=d) for d in offsets])
    below = np.array([np.trace(counts, offset=-d) for d in offsets])
    return _chi2("Evans-Hoenig", above, below, int(counts.sum()))


def pooled(table: ArrayLike, *, correction: float = 0.0) -> TestResult:
    """
    All above against all below the diagonal, 1 df.

    Parameters
    ----------
    correction : float
        Taken off the absolute difference: 0 none (default), 1 after Edwards, 0.5 after Yates.

    Source: McNemar 1947, Psychometrika 12:153-157, pooled as in Evans & Hoenig 1998; corrections: Edwards
    1948, Psychometrika 13:185-187.
    """
    counts = square(table)
    above, below = float(np.triu(counts, 1).sum()), float(np.tril(counts, -1).sum())
    n = int(counts.sum())
    if above + below == 0:
        return TestResult(name="Pooled", n=n, reason=_NO_DISAGREEMENT)
    statistic = max(abs(above - below) - correction, 0.0) ** 2 / (above + below)
    return TestResult(name="Pooled", n=n, statistic=statistic, df=1, p=float(stats.chi2.sf(statistic, 1)))


def _chi2(name: str, above: ArrayLike, below: ArrayLike, n: int) -> TestResult:
    a, b = np.asarray(above, dtype=np.float64), np.asarray(below, dtype=np.float64)
    used = a + b > 0
    df = int(used.sum())
    if df == 0:
        return TestResult(name=name, n=n, reason=_NO_DISAGREEMENT)
    statistic = float(((a - b)[used] ** 2 / (a + b)[used]).sum())
    return TestResult(name=name, n=n, statistic=statistic, df=df, p=float(stats.chi2.sf(statistic, df)))
