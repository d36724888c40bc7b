"""How many animals a planned comparison needs, and what a given number can show."""

from __future__ import annotations

import math

from scipy import stats

from crestgauge.inference.errors import InputError


def _z(alpha: float, power: float) -> tuple[float, float]:
    if not (0 < alpha < 1 and 0 < power < 1):
        raise InputError(f"alpha {alpha}, power {power}: both must lie between 0 and 1.")
    return float(stats.norm.isf(alpha / 2)), float(stats.norm.ppf(power))


def animals_for_bias(shift_yr: float, sd_yr: float, *, alpha: float = 0.05, power: float = 0.8) -> int:
    """
    Animals so that a paired two-sided t-test finds a mean shift.

    Parameters
    ----------
    shift_yr, sd_yr : float
        Mean and standard deviation of assigned minus reference. [yr]

    Source: Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, ch. 2 (noncentral t).
    Computed by statsmodels.
    """
    if shift_yr == 0 or sd_yr <= 0:
        raise InputError(f"shift {shift_yr} yr, SD {sd_yr} yr: needs a shift other than 0 and an SD above 0.")
    _z(alpha, power)
    from statsmodels.stats.power import TTestPower

    test, effect = TTestPower(), abs(shift_yr) / sd_yr
    # Whole animals by bisection: solving for n fails where even 2 animals have more power than asked.
    low, high = 2, 2
    while power_for_bias(high, shift_yr, sd_yr, alpha=alpha) < power:
        low, high = high, high * 2
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if test.power(effect, middle, alpha) >= power else (middle + 1, high)
    return high


def power_for_bias(n: int, shift_yr: float, sd_yr: float, *, alpha: float = 0.05) -> float:
    """Power of the test of `animals_for_bias` with ``n`` animals. Source: the same."""
    from statsmodels.stats.power import TTestPower

    return float(TTestPower().power(abs(shift_yr) / sd_yr, n, alpha))


def animals_for_two_methods(
    only_first_right: float, only_second_right: float, *, alpha: float = 0.05, power: float = 0.8
) -> int:
    """
    Animals of known age so that McNemar's test finds that one method is right more often than the other.

    Parameters
    ----------
    only_first_right, only_second_right : float
        Shares of animals that one method gets right and the other wrong.

    Source: Connor 1987, Biometrics 43:207-211.
    """
    p, q = only_first_right, only_second_right
    if not (0 <= p and 0 <= q and 0 < p + q <= 1) or p == q:
        raise InputError(f"shares {p} and {q}: need two different shares that add up to at most 1.")
    za, zb = _z(alpha, power)
    d = p + q
    return math.ceil((za * math.sqrt(d) + zb * math.sqrt(d - (p - q) ** 2)) ** 2 / (p - q) ** 2)


def animals_for_agreement(expected_share: float, half_width: float, *, level: float = 0.95) -> int:
    """
    Animals so that Wilson's interval of a share of agreement is at most +- ``half_width`` wide.

    Parameters
    ----------
    expected_share, half_width : float
        As shares, 0.7 and 0.1 for 70 % +- 10 %.

    Source: Wilson 1927, J. Am. Stat. Assoc. 22:209-212, solved for n by trial.
    """
    if not (0 < expected_share < 1 and 0 < half_width < 0.5):
        raise InputError(f"share {expected_share}, half width {half_width}: need 0..1 and 0..0.5.")
    z = float(stats.norm.ppf((1 + level) / 2))

    def half(n: int) -> float:
        spread = expected_share * (1 - expected_share) / n + z**2 / (4 * n**2)
        return z * math.sqrt(spread) / (1 + z**2 / n)

    low, high = 1, 1
    while half(high) > half_width:
        low, high = high, high * 2
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if half(middle) <= half_width else (middle + 1, high)
    return high
