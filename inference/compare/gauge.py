"""
Gauge repeatability and reproducibility: several readers measure the same crests several times.

How much of the spread of a ratio is repeat error (EV), how much lies between readers (AV), how much between
jaws (PV)? Both customary computations are here: averages and ranges, and analysis of variance.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from crestgauge.inference.errors import InputError

POOL_ABOVE_P = 0.25
"""
Interaction of jaw and reader is pooled into repeat error where its F test has p above this (common practice).
"""
GUIDE = (
    "common practice: GRR below 10 % of total good, 10-30 % doubtful, above 30 % poor; at least 5 categories"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """
    Standard deviations by source, in the unit of the measurements.

    Parameters
    ----------
    method : str
        "average and range" or "analysis of variance".
    repeatability, reproducibility, gauge, parts, total : float
        EV, AV, GRR, PV, TV. [unit of the measurements]
    percent : dict of str to float
        Each over the total. [%]
    categories : float
        1.41 x PV / GRR, not rounded down. inf is not possible: see ``reason`` of `GaugeOutcome`.
    notes : tuple of str
        What had to be decided on the way (a negative variance set to 0, interaction pooled or kept).
    """

    method: str
    repeatability: float
    reproducibility: float
    gauge: float
    parts: float
    total: float
    percent: dict[str, float]
    categories: float
    n_parts: int
    n_readers: int
    n_trials: int
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaLine:
    """One line of the analysis of variance table; F and p None where there is no test."""

    source: str
    ss: float
    df: int
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeOutcome:
    """Either a study (with its table, for the analysis of variance) or the reason why there is none."""

    study: GaugeStudy | None
    reason: str | None = None
    anova: tuple[AnovaLine, ...] = ()


@lru_cache(maxsize=256)
def range_constants(size: int) -> tuple[float, float]:
    """
    Mean d2 and standard deviation d3 of the range of ``size`` standard normal values.

    Source: Tippett 1925, Biometrika 17:364-387; integrated here instead of read from a table.
    """
    nodes, weights = np.polynomial.legendre.leggauss(240)
    # Beyond +-9 the integrands are below 1e-18. First: P(the range covers x), integrated over x.
    x, wx = 9 * nodes, 9 * weights
    d2 = float((wx * (1 - stats.norm.cdf(x) ** size - stats.norm.sf(x) ** size)).sum())
    # Second moment: 2 x the integral over x and r > 0 of P(the range covers both x and x + r).
    r, wr = 9 * (nodes + 1), 9 * weights
    below_x, below_y = stats.norm.cdf(x)[:, None], stats.norm.cdf(x[:, None] + r)
    covers = 1 - below_y**size - (1 - below_x) ** size + (below_y - below_x) ** size
    square = 2 * float((wx[:, None] * wr * covers).sum())
    return d2, float(np.sqrt(square - d2**2))


def d2_star(size: int, groups: int) -> float:
    """
    Divisor that turns the mean of ``groups`` ranges of ``size`` values into a standard deviation.

    sqrt(d2^2 + d3^2 / groups): the mean range squared is unbiased for the variance.

    Source: Duncan 1955 / Patnaik 1950, Biometrika 37:78-87, as used by gauge studies for few groups.
    """
    d2, d3 = range_constants(size)
    return float(np.sqrt(d2**2 + d3**2 / groups))


def _checked(values: ArrayLike) -> tuple[NDArray[np.float64] | None, str | None]:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 3:
        raise InputError(f"values: shape {x.shape}; needs (jaws, readers, trials).")
    if min(x.shape) < 2:
        return (
            None,
            f"jaws {x.shape[0]}, readers {x.shape[1]}, trials {x.shape[2]}; it needs at least 2 of each",
        )
    if not np.isfinite(x).all():
        gaps = int((~np.isfinite(x)).sum())
        return (
            None,
            f"{gaps} of {x.size} measurements are missing; it needs every jaw by every reader in every trial",
        )
    if np.ptp(x) == 0:
        return None, "all measurements are equal"
    return x, None


def _study(
    method: str, x: NDArray[np.float64], variances: tuple[float, float, float], notes: list[str]
) -> GaugeOutcome:
    names = ("repeatability", "reproducibility", "parts")
    for name, variance in zip(names, variances, strict=True):
        if variance < 0:
            notes.append(
                f"the variance of {name} came out below zero ({variance:.4g}); counted as 0, as is customary"
            )
    ev, av, pv = (float(np.sqrt(max(v, 0.0))) for v in variances)
    gauge = float(np.hypot(ev, av))
    total = float(np.hypot(gauge, pv))
    if gauge == 0:
        return GaugeOutcome(
            study=None, reason="repeats and readers never differ, so there is no gauge error to share out"
        )
    sds = {"repeatability": ev, "reproducibility": av, "gauge": gauge, "parts": pv}
    return GaugeOutcome(
        study=GaugeStudy(
            method=method,
            repeatability=ev,
            reproducibility=av,
            gauge=gauge,
            parts=pv,
            total=total,
            percent={name: 100 * sd / total for name, sd in sds.items()},
            categories=1.41 * pv / gauge,
            n_parts=x.shape[0],
            n_readers=x.shape[1],
            n_trials=x.shape[2],
            notes=tuple(notes),
        )
    )


def average_and_range(values: ArrayLike) -> GaugeOutcome:
    """
    Gauge study from averages and ranges.

    Parameters
    ----------
    values : array_like, shape (jaws, readers, trials)
        Complete; NaN counts as a gap and gives a reason.

    Source: AIAG 2010, Measurement Systems Analysis Reference Manual, 4th ed., ch. III-B (K1 = 1/d2 for many
    groups, K2 and K3 = 1/d2* for one group).
    """
    x, reason = _checked(values)
    if x is None:
        return GaugeOutcome(study=None, reason=reason)
    n, readers, trials = x.shape
    mean_range = float(np.ptp(x, axis=2).mean())
    ev = mean_range / range_constants(trials)[0]
    between = float(np.ptp(x.mean(axis=(0, 2)))) / d2_star(readers, 1)
    pv = float(np.ptp(x.mean(axis=(1, 2)))) / d2_star(n, 1)
    return _study("average and range", x, (ev**2, between**2 - ev**2 / (n * trials), pv**2), [])


def analysis_of_variance(values: ArrayLike, *, pool_above_p: float = POOL_ABOVE_P) -> GaugeOutcome:
    """
    Gauge study from the crossed two-way analysis of variance with random jaws and readers.

    Interaction of jaw and reader is part of reproducibility, unless its test has p above ``pool_above_p``.

    Source: AIAG 2010, as `average_and_range`; Burdick, Borror & Montgomery 2005, Design and Analysis of Gauge
    R&R Studies, ch. 3.
    """
    x, reason = _checked(values)
    if x is None:
        return GaugeOutcome(study=None, reason=reason)
    lines, notes = _anova_lines(x), []
    part, reader, interaction, repeat = lines[:4]
    n, readers, trials = x.shape
    ms_part, ms_reader = part.ss / part.df, reader.ss / reader.df
    ms_rest, ms_interaction = repeat.ss / repeat.df, interaction.ss / interaction.df
    pooled = interaction.p is not None and interaction.p > pool_above_p
    if pooled:
        notes.append(f"interaction of jaw and reader pooled into repeat error (p = {interaction.p:.3f})")
        ms_rest = ms_interaction = (repeat.ss + interaction.ss) / (repeat.df + interaction.df)
    else:
        notes.append("interaction of jaw and reader kept, as part of reproducibility")
    crossed = 0.0 if pooled else (ms_interaction - ms_rest) / trials
    readers_only = (ms_reader - ms_interaction) / (n * trials)
    outcome = _study(
        "analysis of variance",
        x,
        (
            ms_rest,
            max(readers_only, 0.0) + max(crossed, 0.0) if readers_only > 0 or crossed > 0 else readers_only,
            (ms_part - ms_interaction) / (readers * trials),
        ),
        notes,
    )
    return GaugeOutcome(study=outcome.study, reason=outcome.reason, anova=lines)


def _anova_lines(x: NDArray[np.float64]) -> tuple[AnovaLine, ...]:
    n, readers, trials = x.shape
    grand, cell = x.mean(), x.mean(axis=2)
    part_means, reader_means = x.mean(axis=(1, 2)), x.mean(axis=(0, 2))
    ss_part = float(readers * trials * ((part_means - grand) ** 2).sum())
    ss_reader = float(n * trials * ((reader_means - grand) ** 2).sum())
    crossed = cell - part_means[:, None] - reader_means[None, :] + grand
    ss_crossed = float(trials * (crossed**2).sum())
    ss_repeat = float(((x - cell[:, :, None]) ** 2).sum())
    df_crossed, df_repeat = (n - 1) * (readers - 1), n * readers * (trials - 1)
    f = p = None
    if ss_repeat > 0:
        f = (ss_crossed / df_crossed) / (ss_repeat / df_repeat)
        p = float(stats.f.sf(f, df_crossed, df_repeat))
    return (
        AnovaLine(source="jaw", ss=ss_part, df=n - 1),
        AnovaLine(source="reader", ss=ss_reader, df=readers - 1),
        AnovaLine(source="jaw x reader", ss=ss_crossed, df=df_crossed, f=f, p=p),
        AnovaLine(source="repeat", ss=ss_repeat, df=df_repeat),
        AnovaLine(source="total", ss=float(((x - grand) ** 2).sum()), df=x.size - 1),
    )
