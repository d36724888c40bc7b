"""
Comparison statistics against published worked examples.

Tables were typed from the publications named at each test (by way of the data sets that general statistics
packages carry), figures printed with few decimals are met to half of their last decimal, figures recomputed
by those packages to 1e-4 relative.
"""

from __future__ import annotations

import numpy as np
import pytest

from crestgauge.inference.compare.age_bias import age_bias_table
from crestgauge.inference.compare.agreement import (
    average_coefficient_of_variation,
    average_percent_error,
    bias,
    percent_agreement,
)
from crestgauge.inference.compare.alpha import krippendorff_alpha
from crestgauge.inference.compare.bland_altman import bland_altman, repeatability_coefficient, within_item_sd
from crestgauge.inference.compare.estimate import holm, share
from crestgauge.inference.compare.gauge import (
    analysis_of_variance,
    average_and_range,
    d2_star,
    range_constants,
)
from crestgauge.inference.compare.icc import intraclass_correlations, mean_squares
from crestgauge.inference.compare.kappa import agreement_table, kappa
from crestgauge.inference.compare.planning import animals_for_bias, power_for_bias
from crestgauge.inference.compare.symmetry import bowker, evans_hoenig, pooled

REL = 1e-4  # reference figures carry at least 5 digits


def pairs_of(table, row_values, column_values):
    """Long form of a table of counts: row values, column values."""
    rows, columns = np.nonzero(table)
    times = np.asarray(table)[rows, columns]
    return np.repeat(np.asarray(row_values)[rows], times), np.repeat(
        np.asarray(column_values)[columns], times
    )


def padded(table, size, column_offset=0):
    """The table of counts inside a square one; columns start at ``column_offset``."""
    out = np.zeros((size, size), dtype=int)
    table = np.asarray(table)
    out[: table.shape[0], column_offset : column_offset + table.shape[1]] = table
    return out


TOYS = {
    "X": ([2] * 8, [1, 1, 1, 1, 3, 3, 3, 3], (0, 1, 1.0), (0, 1, 1.0), (8, 2, 0.0183)),
    "Y": ([1, 1, 1, 2, 2, 2], [2, 2, 3, 3, 3, 3], (6, 1, 0.0143), (6, 2, 0.0498), (6, 3, 0.1116)),
    "Z": ([1, 1, 1, 2, 2, 2, 3], [2, 2, 2, 3, 3, 3, 1], (3.5714, 1, 0.0588), (7, 2, 0.0302), (7, 3, 0.0719)),
}


@pytest.mark.published(source="Evans & Hoenig 1998, Biometrics 54:620-629", where="toy tables X, Y, Z")
@pytest.mark.parametrize("name", TOYS)
def test_symmetry_on_the_toy_tables(name):
    """Printed to 4 decimals. For X the paper prints df 2 for the half-pooled test; the empty offset has no
    information, so we use 1, as two R packages do."""
    rows, columns, want_pooled, want_eh, want_bowker = TOYS[name]
    table = agreement_table(np.array(rows) - 1, np.array(columns) - 1, 3)
    for test, (statistic, df, p) in ((pooled, want_pooled), (evans_hoenig, want_eh), (bowker, want_bowker)):
        found = test(table)
        assert (found.statistic, found.df, found.p) == (
            pytest.approx(statistic, abs=5e-5),
            df,
            pytest.approx(p, abs=5e-5),
        )


ALEWIFE = [
    [2, 0, 0, 0, 0, 0, 0],
    [1, 14, 3, 0, 0, 0, 0],
    [0, 0, 16, 4, 0, 0, 0],
    [0, 0, 2, 11, 0, 0, 0],
    [0, 0, 0, 5, 12, 1, 0],
    [0, 0, 0, 2, 4, 4, 0],
    [0, 0, 0, 1, 3, 2, 2],
    [0, 0, 0, 0, 1, 5, 1],
    [0, 0, 0, 0, 1, 4, 0],
    [0, 0, 0, 0, 0, 0, 1],
    [0, 0, 0, 0, 0, 0, 2],
]


@pytest.mark.published(
    source="Hoenig, Morgan & Brown 1995, Can. J. Fish. Aquat. Sci. 52:364-368", where="Table 1A"
)
def test_alewife_agreement_and_symmetry():
    otolith, scale = pairs_of(ALEWIFE, range(11), range(7))
    both = np.stack([otolith, scale], axis=1)
    assert len(otolith) == 104
    assert percent_agreement(both).value == pytest.approx(58.654, rel=REL)
    assert percent_agreement(both, within=1).value == pytest.approx(80.769, rel=REL)
    assert average_coefficient_of_variation(both).value == pytest.approx(12.5435, rel=REL)
    assert average_percent_error(both).value == pytest.approx(8.8696, rel=REL)
    assert bias(scale, otolith).value == pytest.approx(-0.5769, abs=5e-5)
    table = padded(ALEWIFE, 11)
    assert (bowker(table).statistic, bowker(table).df) == (pytest.approx(34.46667, rel=1e-6), 16)
    assert bowker(table).p == pytest.approx(0.004698, rel=2e-4)
    assert pooled(table).statistic == pytest.approx(16.95349, rel=1e-6)
    assert pooled(table).p == pytest.approx(3.8307e-05, rel=REL)
    assert pooled(table, correction=0.5).statistic == pytest.approx(16.3314, rel=REL)
    assert pooled(table, correction=1).statistic == pytest.approx(15.7209, rel=REL)
    assert (evans_hoenig(table).statistic, evans_hoenig(table).df) == (pytest.approx(22.13043, rel=1e-6), 4)
    assert evans_hoenig(table).p == pytest.approx(1.8879e-04, rel=REL)
    rows = age_bias_table(scale, otolith)
    means = [0, 1.11, 2.20, 2.85, 3.78, 4.20, 4.625, 5.00, 4.80, 6.00, 6.00]
    assert [row.mean.value for row in rows] == pytest.approx(means, abs=0.005)
    assert [row.mean.n for row in rows] == [2, 18, 20, 13, 18, 10, 8, 7, 5, 1, 2]


SHAD = {
    "A": (
        [
            [1, 6, 2, 0, 0, 0, 0],
            [0, 2, 3, 3, 1, 0, 0],
            [0, 0, 3, 5, 1, 1, 0],
            [0, 1, 0, 3, 4, 0, 2],
            [0, 0, 0, 3, 3, 2, 2],
            [0, 0, 0, 0, 1, 2, 0],
        ],
        51,
        39.2157,
        82.3529,
        -0.17647,
        (1.58065, 0.20867),
        (2.63636, 3, 0.45115),
        (8.33333, 10, 0.59631),
    ),
    "C": (
        [
            [4, 3, 2, 0, 0, 0, 0],
            [2, 6, 2, 0, 0, 0, 0],
            [1, 6, 2, 0, 1, 0, 0],
            [0, 2, 2, 5, 1, 0, 0],
            [0, 2, 2, 2, 2, 1, 1],
            [0, 0, 0, 2, 1, 0, 0],
        ],
        52,
        13.4615,
        57.6923,
        -1.34615,
        (30.42222, 3.475e-08),
        (31.78261, 4, 2.119e-06),
        (35.66667, 16, 0.003218),
    ),
}


@pytest.mark.published(
    source="McBride, Hendricks & Olney 2005, Fisheries 30(10):10-18", where="known-age shad, reading 1"
)
@pytest.mark.parametrize("reader", SHAD)
def test_known_age_shad(reader):
    """One reader without bias, one who reads far too young: known ages 3..8, assigned 2..8."""
    table, n, exact, near, shift, want_pooled, want_eh, want_bowker = SHAD[reader]
    known, assigned = pairs_of(table, range(3, 9), range(2, 9))
    both = np.stack([known, assigned], axis=1)
    assert len(known) == n
    assert percent_agreement(both).value == pytest.approx(exact, rel=REL)
    assert percent_agreement(both, within=1).value == pytest.approx(near, rel=REL)
    assert bias(assigned, known).value == pytest.approx(shift, rel=REL)
    counts = agreement_table(known - 2, assigned - 2, 7)
    assert (pooled(counts).statistic, pooled(counts).p) == pytest.approx(want_pooled, rel=2e-4)
    for test, want in ((evans_hoenig, want_eh), (bowker, want_bowker)):
        found = test(counts)
        assert (found.statistic, found.df, found.p) == pytest.approx(want, rel=2e-4)


COHEN = [[88, 14, 18], [10, 40, 10], [2, 6, 12]]


@pytest.mark.published(source="Cohen 1968, Psychol. Bull. 70:213-220", where="worked example, N = 200")
def test_kappa_of_cohen():
    """
    Disagreement weights v become similarities 1 - v / max; the second set tells rows from columns (.42 if
    turned).
    """
    assert kappa(COHEN).value == pytest.approx(0.492, abs=5e-4 + 1e-9)
    for v, want in (([[0, 1, 3], [1, 0, 6], [3, 6, 0]], 0.348), ([[0, 1, 4], [1, 0, 6], [2, 2, 0]], 0.353)):
        assert kappa(COHEN, 1 - np.array(v) / 6).value == pytest.approx(want, abs=5e-4)


@pytest.mark.published(
    source="Fleiss, Cohen & Everitt 1969, Psychol. Bull. 72:323-327", where="worked example"
)
def test_kappa_of_fleiss_cohen_everitt():
    table = [[106, 10, 4], [22, 28, 10], [2, 12, 6]]
    w = [[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]]
    assert kappa(table).value == pytest.approx(0.42857, abs=5e-6)
    assert kappa(table, w).value == pytest.approx(0.50707, abs=5e-6)


KAPPAS = {
    "skin": ([[10, 4, 1, 0], [5, 10, 12, 2], [2, 4, 12, 5], [0, 2, 6, 13]], 0.34488, 0.50816, 0.66072),
    "Bortz": (
        [
            [5, 8, 1, 2, 4, 2],
            [3, 5, 3, 5, 5, 0],
            [1, 2, 6, 11, 2, 1],
            [0, 1, 5, 4, 3, 3],
            [0, 0, 1, 2, 5, 2],
            [0, 0, 1, 2, 1, 4],
        ],
        0.15102,
        0.31567,
        0.41350,
    ),
}


@pytest.mark.published(
    source="SAS/STAT PROC FREQ manual (skin); Bortz, Lienert & Boehnke 1990 (6 x 6)", where="kappa examples"
)
@pytest.mark.parametrize("name", KAPPAS)
def test_kappa_of_handbooks(name):
    """
    Values printed to 4 decimals, recomputed to 5; the intervals of the skin table are from memory of the
    manual.
    """
    table, *want = KAPPAS[name]
    found = [kappa(table, kind).value for kind in ("unweighted", "linear", "quadratic")]
    assert found == pytest.approx(want, abs=5e-6)
    if name == "skin":
        simple, linear = kappa(table), kappa(table, "linear")
        assert (simple.low, simple.high, linear.low, linear.high) == pytest.approx(
            (0.2030, 0.4868, 0.3798, 0.6366), abs=5e-5
        )


@pytest.mark.published(source="SAS/STAT PROC FREQ manual", where="skin condition, test of symmetry")
def test_bowker_of_the_skin_table():
    found = bowker(KAPPAS["skin"][0])
    assert (found.statistic, found.df, found.p) == pytest.approx((4.53535, 5, 0.47517), abs=5e-6)


JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


@pytest.mark.published(source="Shrout & Fleiss 1979, Psychol. Bull. 86:420-428", where="Tables 2-4")
def test_intraclass_correlations_of_shrout_and_fleiss():
    ms = mean_squares(JUDGES)
    assert (ms.animals, ms.readers, ms.rest, ms.within) == pytest.approx(
        (11.24167, 32.48611, 1.01944, 6.26389), abs=5e-6
    )
    found = intraclass_correlations(JUDGES)
    want = {
        "ICC(1,1)": 0.16574,
        "ICC(2,1)": 0.28976,
        "ICC(3,1)": 0.71484,
        "ICC(1,k)": 0.44280,
        "ICC(2,k)": 0.62005,
        "ICC(3,k)": 0.90932,
    }
    assert {name: round(e.value, 5) for name, e in found.items()} == want
    assert (found["ICC(1,1)"].low, found["ICC(1,1)"].high) == pytest.approx((-0.1329, 0.7226), abs=5e-5)
    assert (found["ICC(3,1)"].low, found["ICC(3,1)"].high) == pytest.approx((0.3425, 0.9459), abs=1e-4)


PEFR = np.array(
    [
        [494, 490, 512, 525],
        [395, 397, 430, 415],
        [516, 512, 520, 508],
        [434, 401, 428, 444],
        [476, 470, 500, 500],
        [557, 611, 600, 625],
        [413, 415, 364, 460],
        [442, 431, 380, 390],
        [650, 638, 658, 642],
        [433, 429, 445, 432],
        [417, 420, 432, 420],
        [656, 633, 626, 605],
        [267, 275, 260, 227],
        [478, 492, 477, 467],
        [178, 165, 259, 268],
        [423, 372, 350, 370],
        [427, 421, 451, 443],
    ]
)


@pytest.mark.published(source="Bland & Altman 1986, Lancet 327:307-310", where="Table 1 and text")
def test_limits_of_agreement_of_bland_and_altman():
    """The paper prints -79.7 and 75.5 from rounded inputs; unrounded they are -79.65 and 75.41."""
    first = bland_altman(PEFR[:, 0], PEFR[:, 2], unit="l/min", multiple=2)
    assert (first.mean_difference.value, first.sd.value) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (first.lower_limit.value, first.upper_limit.value) == pytest.approx((-79.7, 75.5), abs=0.1)
    exact = bland_altman(PEFR[:, 0], PEFR[:, 2])
    assert (exact.lower_limit.value, exact.upper_limit.value) == pytest.approx((-78.097, 73.862), abs=5e-4)
    ends = [(e.low, e.high) for e in (first.mean_difference, first.lower_limit, first.upper_limit)]
    want = [(-22.049, 17.814), (-114.170, -45.126), (40.891, 109.934)]
    assert np.ravel(ends) == pytest.approx(np.ravel(want), abs=1e-3)
    assert repeatability_coefficient(PEFR[:, 0], PEFR[:, 1]).value == pytest.approx(43.294, abs=5e-4)
    assert repeatability_coefficient(PEFR[:, 2], PEFR[:, 3]).value == pytest.approx(56.316, abs=5e-4)
    assert within_item_sd(PEFR[:, :2]).value == pytest.approx(15.3067, abs=5e-5)
    assert within_item_sd(PEFR[:, 2:]).value == pytest.approx(19.9108, abs=5e-5)


GAUGE = np.array(
    [
        [0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15],
        [-0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96],
        [1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67],
        [0.47, 0.50, 0.64, 0.01, 1.03, 0.20, 0.14, 0.20, 0.11],
        [-0.80, -0.92, -0.84, -0.56, -1.20, -1.28, -1.46, -1.07, -1.45],
        [0.02, -0.11, -0.21, -0.20, 0.22, 0.06, -0.29, -0.67, -0.49],
        [0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21],
        [-0.31, -0.20, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49],
        [2.26, 1.99, 2.01, 1.80, 2.12, 2.19, 1.77, 1.45, 1.87],
        [-1.36, -1.25, -1.31, -1.68, -1.62, -1.50, -1.49, -1.77, -2.16],
    ]
).reshape(10, 3, 3)


@pytest.mark.published(
    source="AIAG 2010, Measurement Systems Analysis, 4th ed.", where="ch. III, gauge study, 10 x 3 x 3"
)
def test_gauge_study_by_average_and_range():
    """The manual's constants have 4 digits, hence 2e-4 relative."""
    study = average_and_range(GAUGE).study
    found = (study.repeatability, study.reproducibility, study.gauge, study.parts, study.total)
    assert found == pytest.approx((0.20186, 0.22967, 0.30577, 1.10460, 1.14613), rel=2e-4)
    assert list(study.percent.values()) == pytest.approx([17.61, 20.04, 26.68, 96.38], abs=0.01)
    assert study.categories == pytest.approx(5.09, abs=0.005)


@pytest.mark.published(
    source="AIAG 2010, Measurement Systems Analysis, 4th ed.", where="ch. III, gauge study by ANOVA"
)
def test_gauge_study_by_analysis_of_variance():
    outcome = analysis_of_variance(GAUGE)
    assert [line.ss for line in outcome.anova] == pytest.approx(
        [88.36193, 3.16726, 0.35898, 2.75893, 94.64711], abs=1e-5
    )
    assert [line.df for line in outcome.anova] == [9, 2, 18, 60, 89]
    assert (outcome.anova[2].f, outcome.anova[2].p) == (
        pytest.approx(0.4337, abs=5e-5),
        pytest.approx(0.974, abs=5e-4),
    )
    study = outcome.study
    found = (study.repeatability, study.reproducibility, study.gauge, study.parts, study.total)
    assert found == pytest.approx((0.19993, 0.22684, 0.30237, 1.04233, 1.08530), abs=5e-6)
    assert (study.percent["gauge"], study.categories) == (
        pytest.approx(27.86, abs=5e-3),
        pytest.approx(4.86, abs=5e-3),
    )
    assert 100 * (study.gauge / study.total) ** 2 == pytest.approx(7.76, abs=5e-3)


@pytest.mark.published(
    source="AIAG 2010, Measurement Systems Analysis, 4th ed.", where="constants K1, K2, K3"
)
def test_range_constants_of_the_manual():
    """Printed to 4 decimals."""
    assert [1 / range_constants(m)[0] for m in (2, 3)] == pytest.approx([0.8862, 0.5908], abs=5e-5)
    want = [0.7071, 0.5231, 0.4467, 0.4030, 0.3742, 0.3534, 0.3375, 0.3249, 0.3146]
    assert [1 / d2_star(m, 1) for m in range(2, 11)] == pytest.approx(want, abs=6e-5)


N = float("nan")
CODERS = np.array(
    [
        1,
        1,
        N,
        1,
        2,
        2,
        3,
        2,
        3,
        3,
        3,
        3,
        3,
        3,
        3,
        3,
        2,
        2,
        2,
        2,
        1,
        2,
        3,
        4,
        4,
        4,
        4,
        4,
        1,
        1,
        2,
        1,
        2,
        2,
        2,
        2,
        N,
        5,
        5,
        5,
        N,
        N,
        1,
        1,
        N,
        N,
        3,
        N,
    ]
).reshape(12, 4)


@pytest.mark.published(
    source="Krippendorff 2011, Computing Krippendorff's alpha-reliability",
    where='data "C", four coders with gaps',
)
def test_alpha_of_krippendorff():
    found = [krippendorff_alpha(CODERS, level).value for level in ("nominal", "ordinal", "interval", "ratio")]
    assert found == pytest.approx([0.743, 0.815, 0.849, 0.797], abs=5e-4)


@pytest.mark.published(
    source="Cook & Hart 1979, Proc. SEAFWA", where="242 of 363 calls right; interval by Wilson 1927"
)
def test_share_of_right_calls():
    found = share(242, 363)
    assert (found.value, found.low, found.high) == pytest.approx((66.7, 61.7, 71.3), abs=0.05)


@pytest.mark.published(
    source="Holm 1979, Scand. J. Statist. 6:65-70", where="definition of the sequential procedure"
)
def test_holm_by_hand():
    """By the definition: 3 x .01, then 2 x .02 = .04, then max(.04, .03)."""
    assert holm([0.03, 0.01, 0.02]) == pytest.approx([0.04, 0.03, 0.04])


@pytest.mark.published(
    source="Cohen 1988, Statistical Power Analysis, 2nd ed.", where="sample size tables for t tests, d = 0.5"
)
def test_animals_for_a_medium_shift():
    """34 pairs for d = 0.5, two-sided 5 %, power 80 % (value from memory of the standard tables)."""
    assert animals_for_bias(0.5, 1.0) == 34
    assert power_for_bias(34, 0.5, 1.0) >= 0.8 > power_for_bias(33, 0.5, 1.0)
