"""Sample sizes and the line with errors both ways, against published numbers and a second way."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from crestgauge.inference.compare.deming import deming
from crestgauge.inference.compare.planning import (
    agreement_half_width,
    animals_for_agreement,
    items_for_limits,
    items_for_mean,
    items_for_repeat_sd,
)
from crestgauge.inference.errors import InputError


@pytest.mark.published(
    source="NCSS Statistical Software documentation, Deming regression, 10 pairs; the same figures stand in "
    "the tests of the package ErrorsInVariables (Julia)",
    where="example with error variance of x four times that of y",
)
def test_deming_line_of_the_published_example():
    """Slope 1.00119, intercept -0.08974, printed to five decimals."""
    x = [7, 8.3, 10.5, 9, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9]
    y = [7.9, 8.2, 9.6, 9, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2]
    line = deming(x, y, error_ratio=4)
    assert line.slope.value == pytest.approx(1.00119, abs=5e-6)
    assert line.intercept.value == pytest.approx(-0.08974, abs=5e-6)


def test_deming_with_equal_errors_is_the_first_principal_axis():
    """Second way: the main direction of the cloud by singular values. Same algebra, so to rounding."""
    rng = np.random.default_rng(3)
    x = rng.normal(0, 1, 40)
    y = 0.3 + 1.4 * x + rng.normal(0, 0.3, 40)
    axis = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]))[2][0]
    assert deming(x, y).slope.value == pytest.approx(axis[1] / axis[0], rel=1e-9)


def test_deming_interval_covers_the_true_slope():
    """200 simulated studies: 95 % +- 2 x 1.5 % is 184 to 196; the jackknife is a little off."""
    rng = np.random.default_rng(8)
    inside = 0
    for _ in range(200):
        true = rng.uniform(0.3, 2.5, 40)
        line = deming(true + rng.normal(0, 0.1, 40), 1.1 * true + rng.normal(0, 0.1, 40))
        assert line.slope.low is not None and line.slope.high is not None
        inside += line.slope.low < 1.1 < line.slope.high
    assert 180 <= inside <= 199


def test_a_line_needs_enough_items_that_vary():
    assert "too few for a line" in deming([1, 2, 3], [1, 2, 3]).slope.reason
    assert "do not vary" in deming([1] * 10, range(10)).slope.reason


@pytest.mark.published(
    source="Bland & Altman 1986, Lancet 327:307-310", where="standard error of a limit, sqrt(3 s^2 / n)"
)
def test_about_a_hundred_items_know_the_limits_to_a_third_of_the_sd():
    """1.96 sqrt(3 / 100) = 0.339; t instead of 1.96 asks for a few items more."""
    assert 100 <= items_for_limits(0.34) <= 105


def test_items_for_a_mean_are_the_first_whose_t_interval_fits():
    n = items_for_mean(0.12, 0.04)

    def half(k: int) -> float:
        return float(stats.t.ppf(0.975, k - 1) * 0.12 / k**0.5)

    assert half(n) <= 0.04 < half(n - 1)


def test_items_for_a_repeat_sd_follow_the_large_sample_rule():
    """1.96 / sqrt(2 n (m - 1)) = 0.1 gives n = 192 with 2 repeats; chi-square asks for a few more."""
    assert 192 <= items_for_repeat_sd(0.1, 2) <= 200
    assert items_for_repeat_sd(0.1, 3) == pytest.approx(items_for_repeat_sd(0.1, 2) / 2, abs=1)


def test_agreement_half_width_is_what_the_animals_were_asked_for():
    n = animals_for_agreement(0.7, 0.12)
    assert agreement_half_width(0.7, n) <= 0.12 < agreement_half_width(0.7, n - 1)
    ends = stats.binomtest(70, 100).proportion_ci(method="wilson")
    assert agreement_half_width(0.7, 100) == pytest.approx((ends.high - ends.low) / 2, abs=1e-9)


@pytest.mark.parametrize(
    "call", [lambda: items_for_mean(0, 1), lambda: items_for_repeat_sd(0.2, 1), lambda: items_for_limits(0)]
)
def test_impossible_aims_are_refused(call):
    with pytest.raises(InputError):
        call()
