"""
The age-bias table: at each reference age, where the assigned ages lie, and whether that is more than chance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from crestgauge.inference.compare.agreement import bias
from crestgauge.inference.compare.estimate import LEVEL, Estimate, TestResult, holm
from crestgauge.inference.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeBiasRow:
    """
    One reference age.

    Parameters
    ----------
    reference : float
        [yr]
    mean : Estimate
        Mean assigned age with t interval. [yr]
    test : TestResult
        Two-sided t-test of mean assigned = reference, Holm-adjusted over the table.
    smallest, largest : float
        Range of assigned ages. [yr]
    """

    reference: float
    mean: Estimate
    test: TestResult
    smallest: float
    largest: float


def age_bias_table(
    assigned: ArrayLike, reference: ArrayLike, *, level: float = LEVEL
) -> tuple[AgeBiasRow, ...]:
    """
    One row for each reference age that occurs, youngest first.

    Source: Campana, Annand & McMillan 1995, Trans. Am. Fish. Soc. 124:131-138; adjustment: Holm 1979.
    """
    a, r = np.asarray(assigned, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    if a.shape != r.shape or a.ndim != 1:
        raise InputError(f"assigned {a.shape} and reference {r.shape}: need two lists of the same length.")
    rows = [_row(a[r == age], float(age), level) for age in np.unique(r)]
    tested = [i for i, row in enumerate(rows) if row.test.p is not None]
    adjusted = holm([p for i in tested if (p := rows[i].test.p) is not None])
    for i, p in zip(tested, adjusted, strict=True):
        rows[i] = replace(rows[i], test=replace(rows[i].test, p_holm=p))
    return tuple(rows)


def _row(ages: np.ndarray, reference: float, level: float) -> AgeBiasRow:
    shift = bias(ages, np.full_like(ages, reference), level=level)
    mean = replace(
        shift,
        value=None if shift.value is None else float(ages.mean()),
        low=None if shift.low is None else shift.low + reference,
        high=None if shift.high is None else shift.high + reference,
    )
    n, name = ages.size, f"t-test at {reference:g}"
    if n == 1:
        test = TestResult(name=name, n=n, reason="one animal has no spread")
    elif np.ptp(ages) == 0:
        where = "on the reference age" if ages[0] == reference else f"on {ages[0]:g}"
        test = TestResult(name=name, n=n, reason=f"all {n} assigned ages are {where}, so there is no spread")
    else:
        found = stats.ttest_1samp(ages, reference)
        test = TestResult(name=name, n=n, statistic=float(found.statistic), df=n - 1, p=float(found.pvalue))
    return AgeBiasRow(
        reference=reference, mean=mean, test=test, smallest=float(ages.min()), largest=float(ages.max())
    )
