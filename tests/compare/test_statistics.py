"""Comparison statistics against a second way of computing them, and where they are not defined."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.contingency_tables import SquareTable, mcnemar
from statsmodels.stats.proportion import proportion_confint

from crestgauge.inference.compare.age_bias import age_bias_table
from crestgauge.inference.compare.agreement import (
    average_coefficient_of_variation,
    average_percent_error,
    bias,
    mean_absolute_error,
    percent_agreement,
    root_mean_square_error,
)
from crestgauge.inference.compare.alpha import krippendorff_alpha
from crestgauge.inference.compare.bland_altman import bland_altman, repeatability_coefficient, within_item_sd
from crestgauge.inference.compare.consensus import group_median, group_mode
from crestgauge.inference.compare.estimate import Estimate, TestResult, bootstrap_interval, undefined
from crestgauge.inference.compare.gauge import (
    analysis_of_variance,
    average_and_range,
    d2_star,
    range_constants,
)
from crestgauge.inference.compare.icc import intraclass_correlations
from crestgauge.inference.compare.kappa import agreement_table, kappa
from crestgauge.inference.compare.planning import (
    animals_for_agreement,
    animals_for_bias,
    animals_for_two_methods,
    power_for_bias,
)
from crestgauge.inference.compare.symmetry import bowker, evans_hoenig, pooled
from crestgauge.inference.errors import InputError

REL = 1e-9  # the same arithmetic in another order


def pairs_of(table, row_values, column_values):
    """Long form of a table of counts: row values, column values."""
    rows, columns = np.nonzero(table)
    times = np.asarray(table)[rows, columns]
    return np.repeat(np.asarray(row_values)[rows], times), np.repeat(
        np.asarray(column_values)[columns], times
    )


@pytest.fixture
def two_readers():
    """60 animals, 7 classes: the second reader often one class off, more often too old."""
    rng = np.random.default_rng(5)
    first = rng.integers(0, 7, 60)
    return first, np.clip(first + rng.choice([-1, 0, 0, 1, 1], 60), 0, 6)


DEER_LIKE = [
    [20, 0, 0, 0, 0, 0],
    [1, 14, 3, 0, 0, 0],
    [0, 5, 8, 2, 0, 0],
    [0, 1, 5, 4, 2, 0],
    [0, 0, 2, 4, 3, 1],
    [0, 0, 0, 2, 2, 1],
]


def test_invented_deer_like_table():
    """Invented counts; every figure was computed beforehand with numpy and scipy outside the project."""
    known, assigned = pairs_of(DEER_LIKE, np.arange(6) + 1.5, np.arange(6) + 1.5)
    both = np.stack([known, assigned], axis=1)
    assert percent_agreement(both).value == pytest.approx(62.5)
    assert percent_agreement(both, within=1).value == pytest.approx(93.75)
    assert bias(assigned, known).value == pytest.approx(-0.2375)
    assert mean_absolute_error(assigned, known).value == pytest.approx(0.4375)
    assert root_mean_square_error(assigned, known).value == pytest.approx(0.75)
    assert average_percent_error(both).value == pytest.approx(5.502661, rel=1e-6)
    assert average_coefficient_of_variation(both).value == pytest.approx(7.781937, rel=1e-6)
    values = [kappa(DEER_LIKE, kind).value for kind in ("unweighted", "linear", "quadratic")]
    assert values == pytest.approx([0.531799, 0.734345, 0.870968], abs=5e-7)
    assert (bowker(DEER_LIKE).statistic, bowker(DEER_LIKE).df) == (pytest.approx(8.785714, rel=1e-6), 8)
    assert (evans_hoenig(DEER_LIKE).statistic, evans_hoenig(DEER_LIKE).df) == (pytest.approx(8.24), 2)
    assert evans_hoenig(DEER_LIKE).p == pytest.approx(0.016245, rel=1e-4)
    assert [pooled(DEER_LIKE, correction=c).statistic for c in (0, 0.5, 1)] == pytest.approx(
        [6.533333, 6.075, 5.633333], rel=1e-6
    )
    means = [row.mean.value for row in age_bias_table(assigned, known)]
    assert means == pytest.approx([1.5, 2.6111, 3.3, 4.0833, 4.8, 5.3], abs=5e-5)


def test_kappa_matches_scikit_learn(two_readers):
    first, second = two_readers
    table = agreement_table(first, second, 7)
    for kind, weights in (("unweighted", None), ("linear", "linear"), ("quadratic", "quadratic")):
        want = cohen_kappa_score(first, second, labels=list(range(7)), weights=weights)
        assert kappa(table, kind).value == pytest.approx(want, rel=REL)


@pytest.mark.parametrize("kind", ["unweighted", "linear", "quadratic"])
def test_kappa_interval_matches_the_bootstrap(two_readers, kind):
    """300 animals, so that the large-sample and the resampled standard error must agree to 15 %."""
    first, second = (np.tile(x, 5) for x in two_readers)
    rng = np.random.default_rng(1)
    draws = []
    for _ in range(300):
        rows = rng.integers(0, 300, 300)
        draws.append(
            cohen_kappa_score(
                first[rows],
                second[rows],
                labels=list(range(7)),
                weights=None if kind == "unweighted" else kind,
            )
        )
    found = kappa(agreement_table(first, second, 7), kind)
    assert (found.high - found.low) / (2 * 1.96) == pytest.approx(np.std(draws), rel=0.15)


def test_quadratic_kappa_ignores_spacing_of_unused_classes():
    """An empty class in the middle keeps its place: moving it would change the weights."""
    table = np.zeros((3, 3))
    table[0, 0], table[2, 2], table[0, 2] = 5, 5, 2
    assert kappa(table, "linear").value == pytest.approx(kappa(table[np.ix_([0, 2], [0, 2])]).value)


def test_bowker_matches_statsmodels():
    """A table without empty pairs: there both count the same degrees of freedom."""
    table = np.random.default_rng(3).integers(1, 9, (5, 5))
    want = SquareTable(table, shift_zeros=False).symmetry()
    found = bowker(table)
    assert (found.statistic, found.df, found.p) == pytest.approx(
        (want.statistic, want.df, want.pvalue), rel=REL
    )


def test_pooled_is_mcnemar_of_the_sums():
    table = np.random.default_rng(4).integers(0, 9, (6, 6))
    above, below = np.triu(table, 1).sum(), np.tril(table, -1).sum()
    for correction in (False, True):
        want = mcnemar([[0, above], [below, 0]], exact=False, correction=correction)
        found = pooled(table, correction=float(correction))
        assert (found.statistic, found.p) == pytest.approx((want.statistic, want.pvalue), rel=REL)


def test_evans_hoenig_lies_between_the_others_in_pooling():
    """With one used offset it is the pooled test; with one used pair per offset it is Bowker's."""
    band = np.diag([4, 5, 6, 7]) + np.diag([3, 2, 4], 1) + np.diag([1, 0, 2], -1)
    assert evans_hoenig(band).statistic == pytest.approx(pooled(band).statistic)
    corner = np.array([[5, 3, 4], [1, 5, 0], [2, 0, 5]])
    assert evans_hoenig(corner).statistic == pytest.approx(bowker(corner).statistic)


def test_symmetry_tests_hold_their_level():
    """
    Without bias, 5 % of 400 studies are called: 95 % range 2.9 to 7.1 %, widened for the rough chi-square.
    """
    rng = np.random.default_rng(2)
    called = np.zeros(3)
    for _ in range(400):
        true = rng.integers(1, 7, 200)
        first, second = (
            np.clip(true + rng.choice([-1, 0, 1], 200, p=[0.2, 0.6, 0.2]), 0, 7) for _ in range(2)
        )
        table = agreement_table(first, second, 8)
        called += [test(table).p < 0.05 for test in (bowker, evans_hoenig, pooled)]
    assert (called / 400 < 0.09).all() and (called / 400 > 0.01).all()


def test_wilson_matches_statsmodels(two_readers):
    both = np.stack(two_readers, axis=1)
    found = percent_agreement(both)
    want = proportion_confint(int((both[:, 0] == both[:, 1]).sum()), 60, method="wilson")
    assert (found.low / 100, found.high / 100) == pytest.approx(want, rel=1e-6)


def test_two_readings_tie_percent_error_to_variation(two_readers):
    """For two readings the coefficient of variation is exactly sqrt(2) times the percent error."""
    years = np.stack(two_readers, axis=1) + 0.5
    ratio = average_coefficient_of_variation(years).value / average_percent_error(years).value
    assert ratio == pytest.approx(2**0.5, rel=REL)


def test_labels_in_whole_or_half_years_change_percent_error(two_readers):
    """Why the scale is printed: adding half a year to every age makes every relative error smaller."""
    codes = np.stack(two_readers, axis=1) + 1
    assert average_percent_error(codes + 0.5).value < average_percent_error(codes).value


def test_bias_interval_is_scipys(two_readers):
    first, second = two_readers
    want = stats.ttest_1samp(second - first, 0).confidence_interval()
    found = bias(second, first)
    assert (found.low, found.high) == pytest.approx((want.low, want.high), rel=REL)


def test_bootstrap_interval_covers():
    """
    200 samples of 40 skewed errors: 95 % intervals hold the mean in 95 - 3 x 1.5 to 100 %; small samples lose
    some.
    """
    rng = np.random.default_rng(0)
    hits = 0
    for seed in range(100):
        error = np.abs(rng.normal(0, 1, 40))
        low, high, why = bootstrap_interval(lambda rows, e=error: e[rows].mean(axis=1), 40, seed=seed)
        assert why is None
        hits += low <= np.sqrt(2 / np.pi) <= high
    assert hits / 100 >= 0.88


def test_age_bias_finds_where_the_bias_is():
    """True ages 2.5 and 4.5; only the old ones are read a year too young."""
    rng = np.random.default_rng(8)
    known = np.repeat([2.5, 4.5], 40)
    assigned = known + rng.choice([-1, 0, 1], 80, p=[0.25, 0.5, 0.25]) - (known == 4.5)
    young, old = age_bias_table(assigned, known)
    assert young.mean.low < 2.5 < young.mean.high and young.test.p_holm > 0.05
    assert old.mean.high < 4.5 and old.test.p_holm < 0.01
    assert old.test.p_holm == pytest.approx(2 * old.test.p)


def test_intraclass_correlation_is_the_variance_share_of_a_mixed_model():
    """ICC(1,1) of balanced data = REML variance between animals over total, from statsmodels' mixed model."""
    rng = np.random.default_rng(6)
    values = rng.normal(0, 1, (40, 1)) + rng.normal(0, 0.6, (40, 3))
    frame = pd.DataFrame({"animal": np.repeat(np.arange(40), 3), "value": values.ravel()})
    fit = smf.mixedlm("value ~ 1", frame, groups="animal").fit()
    between = float(fit.cov_re.iloc[0, 0])
    found = intraclass_correlations(values)
    # The optimiser stops at about 1e-4 of the variance.
    assert found["ICC(1,1)"].value == pytest.approx(between / (between + fit.scale), rel=1e-3)


def test_intraclass_intervals_cover():
    """
    Two-way random model, true ICC(2,1) = 1 / (1 + .25 + .5): 95 % of 400 intervals cover, give or take 3.3 %.
    """
    rng = np.random.default_rng(7)
    truth, hits = 1 / 1.75, 0
    for _ in range(400):
        values = rng.normal(0, 1, (25, 1)) + rng.normal(0, 0.5, (1, 8)) + rng.normal(0, 0.5**0.5, (25, 8))
        found = intraclass_correlations(values)["ICC(2,1)"]
        hits += found.low <= truth <= found.high
    assert 0.917 <= hits / 400 <= 0.983


def test_gauge_anova_matches_a_linear_model():
    values = np.random.default_rng(9).normal(size=(6, 3, 2)) + np.arange(6)[:, None, None]
    part, reader, _ = np.indices(values.shape)
    frame = pd.DataFrame({"y": values.ravel(), "part": part.ravel(), "reader": reader.ravel()})
    from statsmodels.stats.anova import anova_lm

    want = anova_lm(smf.ols("y ~ C(part) * C(reader)", frame).fit())
    lines = analysis_of_variance(values).anova
    assert [line.ss for line in lines[:4]] == pytest.approx(want["sum_sq"].tolist(), rel=1e-8)
    assert [line.df for line in lines[:4]] == want["df"].tolist()
    assert (lines[2].f, lines[2].p) == pytest.approx((want["F"].iloc[2], want["PR(>F)"].iloc[2]), rel=1e-8)


def test_gauge_study_recovers_its_sources():
    """
    200 jaws, 12 readers, 3 trials: SDs 1.0, 0.3, 0.2 come back within their sampling spread (reader SD: 25
    %).
    """
    rng = np.random.default_rng(10)
    values = rng.normal(0, 1, (200, 1, 1)) + rng.normal(0, 0.3, (1, 12, 1)) + rng.normal(0, 0.2, (200, 12, 3))
    study = analysis_of_variance(values).study
    assert study.repeatability == pytest.approx(0.2, rel=0.03)
    assert study.reproducibility == pytest.approx(0.3, rel=0.5)
    assert study.parts == pytest.approx(1.0, rel=0.15)


def test_range_constants_match_simulation():
    """400,000 ranges of 4: standard error of their mean 0.0014."""
    draws = np.ptp(np.random.default_rng(0).normal(size=(400_000, 4)), axis=1)
    assert range_constants(4) == pytest.approx((draws.mean(), draws.std()), abs=0.006)
    assert d2_star(4, 1) > d2_star(4, 50) > range_constants(4)[0]


def alpha_by_pairs(values, distance):
    """
    Krippendorff's alpha without a coincidence matrix: all pairs inside animals against all pairs of pairable
    values.
    """
    kept = [row[np.isfinite(row)] for row in values if np.isfinite(row).sum() >= 2]
    pool = np.concatenate(kept)
    inside = sum(
        2 * distance(a, b) / (row.size - 1) for row in kept for a, b in itertools.combinations(row, 2)
    )
    chance = sum(2 * distance(a, b) for a, b in itertools.combinations(pool, 2))
    return 1 - (inside / pool.size) / (chance / (pool.size * (pool.size - 1)))


def test_alpha_matches_counting_pairs():
    rng = np.random.default_rng(11)
    values = np.clip(rng.integers(0, 6, (25, 1)) + rng.integers(-1, 2, (25, 5)), 0, 6).astype(float)
    values[rng.random(values.shape) < 0.3] = np.nan
    kept = values[np.isfinite(values).sum(axis=1) >= 2]
    pool = kept[np.isfinite(kept)]

    def rank_distance(a, b):
        low, high = min(a, b), max(a, b)
        return (
            0
            if a == b
            else (((pool >= low) & (pool <= high)).sum() - ((pool == a).sum() + (pool == b).sum()) / 2) ** 2
        )

    for level, distance in (
        ("nominal", lambda a, b: a != b),
        ("interval", lambda a, b: (a - b) ** 2),
        ("ordinal", rank_distance),
    ):
        assert krippendorff_alpha(values, level).value == pytest.approx(
            alpha_by_pairs(values, distance), rel=REL
        )


def test_alpha_is_not_defined_without_spread_or_pairs():
    assert "one class" in krippendorff_alpha([[2.5, 2.5], [2.5, 2.5]]).reason
    assert "two readers" in krippendorff_alpha([[2.5, np.nan], [np.nan, 3.5]]).reason


def test_limits_of_agreement_hold_95_percent():
    rng = np.random.default_rng(12)
    true = rng.normal(10, 2, 4000)
    first, second = true + rng.normal(0.3, 0.5, 4000), true + rng.normal(0, 0.5, 4000)
    found = bland_altman(first, second)
    inside = ((first - second > found.lower_limit.value) & (first - second < found.upper_limit.value)).mean()
    assert inside == pytest.approx(0.95, abs=0.01)  # 3 standard errors of a share of 4000
    assert found.mean_difference.low < 0.3 < found.mean_difference.high
    assert found.trend.p > 0.01


def test_consensus_tells_ties():
    codes = [[2, 2, 3], [1, 2, 3], [4, 4, 1], [-1, -1, -1], [3, -1, -1], [5, 6, -1]]
    found = group_mode(codes)
    assert [c.code for c in found] == [2, None, 4, None, 3, None]
    assert "3 classes tied" in found[1].why and "nobody" in found[3].why
    assert [c.code for c in group_mode(codes, tie="younger")] == [2, 1, 4, None, 3, 5]
    median = group_median(codes)
    assert [c.code for c in median] == [2, 2, 4, None, 3, 5]
    assert "younger" in median[5].why


def test_group_mode_beats_its_members():
    """Seven readers, each right 62 % of the time independently: the mode is right far more often."""
    rng = np.random.default_rng(13)
    true = rng.integers(1, 7, 400)
    codes = true[:, None] + rng.choice([-1, 0, 1], (400, 7), p=[0.19, 0.62, 0.19])
    single = (codes == true[:, None]).mean()
    mode = np.mean([c.code == t for c, t in zip(group_mode(codes), true, strict=True)])
    assert single == pytest.approx(0.62, abs=0.03) and mode > single + 0.15


def test_planned_numbers_have_the_power_they_promise():
    """2000 simulated studies each: standard error of a power of 0.8 is 0.009."""
    rng = np.random.default_rng(14)
    n = animals_for_bias(0.3, 0.8)
    draws = rng.normal(0.3, 0.8, (2000, n))
    assert (stats.ttest_1samp(draws, 0, axis=1).pvalue < 0.05).mean() == pytest.approx(0.8, abs=0.03)
    assert power_for_bias(n, 0.3, 0.8) >= 0.8 > power_for_bias(n - 1, 0.3, 0.8)
    n = animals_for_two_methods(0.20, 0.08)
    outcome = rng.multinomial(n, [0.20, 0.08, 0.72], 2000)
    z2 = (outcome[:, 0] - outcome[:, 1]) ** 2 / outcome[:, :2].sum(axis=1)
    assert (stats.chi2.sf(z2, 1) < 0.05).mean() == pytest.approx(0.8, abs=0.03)
    n = animals_for_agreement(0.7, 0.1)
    low, high = proportion_confint(0.7 * n, n, method="wilson")
    assert (high - low) / 2 <= 0.1
    low, high = proportion_confint(0.7 * (n - 1), n - 1, method="wilson")
    assert (high - low) / 2 > 0.1


@pytest.mark.parametrize(
    "call",
    [
        lambda: animals_for_bias(0, 1),
        lambda: animals_for_two_methods(0.2, 0.2),
        lambda: animals_for_agreement(1.2, 0.1),
        lambda: animals_for_bias(0.5, 1, power=1.0),
    ],
)
def test_plans_without_a_question_are_refused(call):
    with pytest.raises(InputError):
        call()


def test_undefined_is_a_reason_never_zero():
    """n = 1, one class only, no disagreement, nothing at all."""
    assert "one class" in kappa([[7, 0], [0, 0]]).reason
    assert kappa([[0, 0], [0, 0]]).reason and kappa([[0, 1], [0, 0]]).reason
    assert kappa([[3, 0], [0, 4]]).value == 1 and kappa([[3, 0], [0, 4]]).no_interval
    assert "off the diagonal" in bowker(np.diag([3, 4])).reason
    assert "off the diagonal" in evans_hoenig(np.diag([3, 4])).reason
    assert "off the diagonal" in pooled(np.diag([3, 4])).reason
    assert bias([3.5], [2.5]).value == 1 and "no spread" in bias([3.5], [2.5]).no_interval
    assert (
        bias([], []).reason and mean_absolute_error([], []).reason and root_mean_square_error([], []).reason
    )
    assert percent_agreement(np.zeros((0, 2))).reason
    assert "few" in mean_absolute_error([1.5, 2.5], [1.5, 1.5]).no_interval
    (row,) = age_bias_table([2.5], [2.5])
    assert row.test.p is None and "one animal" in row.test.reason
    (row,) = age_bias_table([3.5, 3.5], [2.5, 2.5])
    assert row.mean.value == 3.5 and "all 2 assigned ages are on 3.5" in row.test.reason
    assert bland_altman([1.0], [2.0]).sd.reason and bland_altman([], []).mean_difference.reason
    assert "equal" in bland_altman([1.0, 2, 3], [1.0, 2, 3]).trend.reason
    assert within_item_sd([[1.0]]).reason and repeatability_coefficient([], []).reason
    assert all(e.reason for e in intraclass_correlations([[1.0, 2.0]]).values())
    assert all("do not differ" in e.reason for e in intraclass_correlations([[1.0, 2.0]] * 5).values())
    assert intraclass_correlations([[1.0, 2.0], [2.0, 3.0], [4.0, 5.0]])["ICC(3,1)"].value == pytest.approx(1)
    for gauge in (average_and_range, analysis_of_variance):
        assert "at least 2 of each" in gauge(np.ones((3, 1, 2))).reason
        assert "equal" in gauge(np.ones((3, 2, 2))).reason
        gap = np.arange(12.0).reshape(3, 2, 2)
        gap[0, 0, 0] = np.nan
        assert "1 of 12" in gauge(gap).reason


@example(counts=[0, 2, 2, 0, 2, 0, 0, 0, 0])  # a variance that rounds to less than 0
@settings(max_examples=15, deadline=None)  # with its bootstrap, which may be slow on a busy machine
@given(st.lists(st.integers(0, 2), min_size=9, max_size=9))
def test_any_small_table_gives_numbers_or_reasons(counts):
    """Warnings are errors here, so a division by zero inside a library would show."""
    table = np.array(counts).reshape(3, 3)
    first, second = pairs_of(table, [1.5, 2.5, 3.5], [1.5, 2.5, 3.5])
    for kind in ("unweighted", "linear", "quadratic"):
        assert (found := kappa(table, kind)).value is not None or found.reason
    for test in (bowker, evans_hoenig, pooled):
        assert (outcome := test(table)).p is not None or outcome.reason
    for row in age_bias_table(second, first):
        assert row.mean.value is not None
    alpha = krippendorff_alpha(np.stack([first, second], axis=1).reshape(-1, 2))
    assert alpha.value is not None or alpha.reason


def test_results_cannot_contradict_themselves():
    with pytest.raises(InputError):
        Estimate(value=None, n=3)
    with pytest.raises(InputError):
        Estimate(value=float("nan"), n=3)
    with pytest.raises(InputError):
        TestResult(name="t", n=3)
    assert undefined("why", n=0).sentence() == "not defined, because why"
    assert Estimate(value=1.0, low=0.5, high=1.5, n=9, unit="yr").sentence(1) == "1.0 yr (0.5 to 1.5)"
