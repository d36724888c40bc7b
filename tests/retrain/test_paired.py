"""Old against new on the same animals: against scipy and statsmodels, and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar

from crestgauge.inference.compare.paired import (
    bootstrap_interval,
    compare_paired,
    sign_flip_p,
    verdict_of,
)
from crestgauge.inference.errors import InputError


def test_few_pairs_against_the_exact_permutation_test_of_scipy():
    values = np.random.default_rng(1).normal(0.4, 1, 9)
    found = stats.permutation_test(
        (values,), np.mean, permutation_type="samples", n_resamples=np.inf, alternative="two-sided"
    )
    assert sign_flip_p(values) == pytest.approx(found.pvalue, abs=1e-12)


def test_many_pairs_are_close_to_the_paired_t_test():
    """40 normal differences: both p-values estimate the same; 4,000 draws leave a standard error of 0.004."""
    values = np.random.default_rng(2).normal(0.3, 1, 40)
    assert sign_flip_p(values) == pytest.approx(stats.ttest_1samp(values, 0).pvalue, abs=0.012)


@pytest.mark.parametrize(("lost", "gained"), [(1, 7), (3, 5), (0, 4)])
def test_right_or_wrong_is_mcnemars_exact_test(lost, gained):
    differences = [1.0] * lost + [-1.0] * gained + [0.0] * 20
    expected = mcnemar([[20, lost], [gained, 3]], exact=True).pvalue
    assert sign_flip_p(differences) == pytest.approx(expected, abs=1e-12)


def test_interval_is_close_to_scipys_bootstrap():
    """Percentile intervals of 4,000 and 20,000 draws; the ends of 4,000 scatter by 3 % of the half width."""
    values = np.random.default_rng(3).gamma(2.0, 1.0, 30)
    found = stats.bootstrap((values,), np.mean, n_resamples=20_000, method="percentile", rng=1)
    low, high = found.confidence_interval
    assert bootstrap_interval(values) == (
        pytest.approx(low, abs=0.06 * (high - low)),
        pytest.approx(high, abs=0.06 * (high - low)),
    )


def test_animals_count_and_not_photos():
    """Twenty photos of one animal weigh as much as one photo of another."""
    old = {"a": [1.0] * 20, "b": [1.0], "c": [], "d": [5.0]}
    new = {"a": [0.0] * 20, "b": [1.0], "c": [1.0]}
    found = compare_paired(old, new, margin=0.1)
    assert found is not None and (found.animals, found.difference) == (2, -0.5)
    assert found.verdict == "cannot tell"
    assert compare_paired({"a": []}, {"a": []}, margin=0.1) is None


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-3.0, -1.0, "better"),
        (-1.0, 0.5, "no worse"),
        (-1.0, 2.0, "cannot tell"),
        (0.5, 2.0, "worse"),
        (0.1, 0.5, "no worse"),
        (0.0, 0.0, "no worse"),
    ],
)
def test_verdicts_at_a_margin_of_one(low, high, expected):
    assert verdict_of(low, high, 1.0, 20) == expected
    assert verdict_of(low, high, 1.0, 4) == "cannot tell"


def test_nothing_is_called_better_by_chance_too_often():
    """
    No difference, 25 animals: the interval lies below 0 in 2.5 % of the cases, somewhat more for a percentile
    bootstrap of 25 values (from memory). 300 simulations: below 6 % (2.5 % plus four standard errors of 0.9
    %).
    """
    rng = np.random.default_rng(6)
    better = 0
    for k in range(150):
        old = {str(a): list(rng.normal(0, 1, 3)) for a in range(25)}
        new = {str(a): list(rng.normal(0, 1, 3)) for a in range(25)}
        found = compare_paired(old, new, margin=0.5, seed=k)
        better += found is not None and found.verdict == "better"
    assert better / 150 < 0.08


def test_values_must_be_numbers():
    with pytest.raises(InputError, match="no number"):
        compare_paired({"a": [float("nan")]}, {"a": [1.0]}, margin=0)
    with pytest.raises(InputError, match="margin"):
        compare_paired({"a": [1.0]}, {"a": [1.0]}, margin=-1)
