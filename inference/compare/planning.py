"""How many animals a planned comparison needs, and what a given number can show."""

from __future__ import annotations

import math
from collections.abc import Callable

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
    return _first(lambda n: agreement_half_width(expected_share, n, level=level) <= half_width, 1)


def items_for_mean(sd: float, half_width: float, *, level: float = 0.95) -> int:
    """
    Items so that the t interval of a mean difference is at most +- ``half_width`` wide.

    Parameters
    ----------
    sd, half_width : float
        In one unit; for a relative bias, of the logarithms.

    Source: Bland & Altman 1986, Lancet 327:307-310 (standard error of a mean difference s / sqrt(n), t with
    n - 1 degrees of freedom), solved for n by trial.
    """
    if not (sd > 0 and half_width > 0):
        raise InputError(f"SD {sd}, half width {half_width}: both must be above 0.")
    return _first(lambda n: _t(level, n - 1) * sd / math.sqrt(n) <= half_width, 2)


def items_for_limits(half_width_sd: float, *, level: float = 0.95) -> int:
    """
    Items so that each limit of agreement is known to within +- ``half_width_sd`` standard deviations.

    Source: Bland & Altman 1986, Lancet 327:307-310 (standard error of a limit sqrt(3 / n) s).
    """
    if not half_width_sd > 0:
        raise InputError(f"half width {half_width_sd}: needs to be above 0.")
    return _first(lambda n: _t(level, n - 1) * math.sqrt(3 / n) <= half_width_sd, 2)


def items_for_repeat_sd(relative_half_width: float, repeats: int, *, level: float = 0.95) -> int:
    """
    Items measured ``repeats`` times so that the pooled repeat SD is known to within a share of itself.

    Parameters
    ----------
    relative_half_width : float
        0.2 for +- 20 %: half the width of the chi-square interval over the SD.
    repeats : int
        At least 2.

    Source: interval of a standard deviation by chi-square, NIST/SEMATECH e-Handbook of Statistical Methods,
    section 1.3.5.8 (from memory), with n (repeats - 1) degrees of freedom.
    """
    if repeats < 2 or not 0 < relative_half_width < 1:
        raise InputError(
            f"repeats {repeats}, half width {relative_half_width}: need at least 2, and a share in 0..1."
        )
    tail = (1 - level) / 2

    def half(n: int) -> float:
        df = n * (repeats - 1)
        ends = (math.sqrt(df / stats.chi2.ppf(p, df)) for p in (tail, 1 - tail))
        high, low = ends
        return float(high - low) / 2

    return _first(lambda n: half(n) <= relative_half_width, 2)


def agreement_half_width(share: float, n: int, *, level: float = 0.95) -> float:
    """Half the width of Wilson's interval of a ``share`` of ``n`` animals, as `animals_for_agreement`."""
    z = float(stats.norm.ppf((1 + level) / 2))
    return z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)


def _t(level: float, df: int) -> float:
    return float(stats.t.ppf((1 + level) / 2, df))


def _first(enough: Callable[[int], bool], least: int) -> int:
    """Smallest whole number from ``least`` on that is enough; more is always enough too."""
    low, high = least, least
    while not enough(high):
        low, high = high, high * 2
        if high > 10_000_000:
            raise InputError("more than ten million items are needed; ask for less precision.")
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return high
