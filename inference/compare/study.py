"""
A whole comparison of ages: every pair of sets, all sets together, consensus, method against method, strata.

Convention everywhere: the first set of a pair (the reference, where there is one) gives the rows of a table,
the second its columns, and a bias is second minus first, so a positive one means that the second is older.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from crestgauge.inference.compare import agreement as agree
from crestgauge.inference.compare import symmetry
from crestgauge.inference.compare.age_bias import AgeBiasRow, age_bias_table
from crestgauge.inference.compare.align import AgeSet, Aligned
from crestgauge.inference.compare.alpha import Level, krippendorff_alpha
from crestgauge.inference.compare.consensus import Consensus, Tie, group_median, group_mode
from crestgauge.inference.compare.estimate import Estimate, TestResult, holm, share, undefined
from crestgauge.inference.compare.icc import intraclass_correlations
from crestgauge.inference.compare.kappa import Weights, agreement_table, kappa

COARSE = "the classes of this scale are of unequal width, so they are ranks and not years"
KAPPAS: tuple[Weights, ...] = ("unweighted", "linear", "quadratic")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairResult:
    """
    Two sets on the animals that both aged.

    Parameters
    ----------
    first, second : str
        Rows and columns of ``table``. ``first`` is the reference where ``to_reference`` is true.
    stratum : str
        "" for all animals, else as "sex = female".
    table : ndarray of int, shape (classes, classes)
    n, n_open : int
        Animals; and those of them that at least one of the two put into the open class.
    exact, within_one : Estimate
        Percent agreement. [%]
    bias, mae, rmse : Estimate
        Second minus first. [yr] Not defined on coarse classes.
    ape, acv : Estimate
        Average percent error and coefficient of variation. [%] Not defined on coarse classes.
    kappas : dict of str to Estimate
    tests : tuple of TestResult
        Bowker, Evans-Hoenig, pooled.
    age_bias : tuple of AgeBiasRow
        Empty on coarse classes.
    """

    first: str
    second: str
    to_reference: bool
    stratum: str
    table: NDArray[np.int64]
    n: int
    n_open: int
    exact: Estimate
    within_one: Estimate
    bias: Estimate
    mae: Estimate
    rmse: Estimate
    ape: Estimate
    acv: Estimate
    kappas: dict[str, Estimate]
    tests: tuple[TestResult, ...]
    age_bias: tuple[AgeBiasRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupResult:
    """
    Several sets at once.

    Parameters
    ----------
    names : tuple of str
    n_complete : int
        Animals that every set aged; the figures below but alpha rest on them.
    exact, within_one, ape, acv : Estimate
        All sets agree exactly, lie within one class; error figures over all sets.
    icc : dict of str to Estimate
        In years; empty on coarse classes.
    alpha : dict of str to Estimate
        Krippendorff's alpha by level of measurement; uses animals with gaps too.
    """

    names: tuple[str, ...]
    n_complete: int
    exact: Estimate
    within_one: Estimate
    ape: Estimate
    acv: Estimate
    icc: dict[str, Estimate]
    alpha: dict[str, Estimate]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConsensusResult:
    """
    Group mode and median of the readers, animal by animal, and how right they are where a reference is known.

    Parameters
    ----------
    readers : tuple of str
    mode, median : tuple of Consensus
        In the order of the animals.
    n_tied : int
        Animals without a single most frequent class.
    right_single, right_mode, right_median : Estimate
        Share right: mean over readers' calls, mode, median. [%]
    """

    readers: tuple[str, ...]
    tie: Tie
    mode: tuple[Consensus, ...]
    median: tuple[Consensus, ...]
    n_tied: int
    right_single: Estimate
    right_mode: Estimate
    right_median: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Contest:
    """
    Two sets against the reference: is one right more often, on the same animals?

    Parameters
    ----------
    only_first_right, only_second_right, both_right, neither_right : int
        Animals.
    test : TestResult
        Exact McNemar test, Holm-adjusted over all contests.
    """

    first: str
    second: str
    only_first_right: int
    only_second_right: int
    both_right: int
    neither_right: int
    test: TestResult


@dataclass(frozen=True, slots=True, kw_only=True)
class StratumTest:
    """Does the bias of a set differ between the strata? Welch's analysis of variance, Holm-adjusted."""

    set_name: str
    by: str
    test: TestResult


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What one set brought: rows, animals placed in a class, how many in each class, facts to print."""

    name: str
    kind: str
    n_rows: int
    n_used: int
    counts: dict[str, int]
    about: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """
    The comparison.

    Parameters
    ----------
    aligned : Aligned
    reference : str or None
    statements : tuple of str
        Decisions that shape the numbers, and every statistic the data cannot support, in sentences.
    pairs, strata : tuple of PairResult
        All animals; and set against reference by stratum.
    """

    aligned: Aligned
    sets: tuple[SetFacts, ...]
    reference: str | None
    seed: int
    statements: tuple[str, ...]
    pairs: tuple[PairResult, ...]
    group: GroupResult | None
    consensus: ConsensusResult | None
    contests: tuple[Contest, ...]
    strata: tuple[PairResult, ...]
    stratum_tests: tuple[StratumTest, ...]


def compare_ages(
    sets: Sequence[AgeSet],
    aligned: Aligned,
    *,
    reference: str | None = None,
    tie: Tie = "none",
    seed: int = 0,
) -> Study:
    """
    Run everything on aligned sets.

    Parameters
    ----------
    reference : str or None
        Name of the set to measure bias from (known age, cementum). None: pairs are compared as equals.
    tie : str
        What the group mode does with a tie.
    seed : int
        Of the bootstrap intervals.

    Raises
    ------
    InputError
        If the reference is not among the sets.
    """
    if reference is not None:
        aligned.of(reference)  # a wrong name is said before anything is computed
    order = sorted(aligned.names, key=lambda name: name != reference)
    pairs = tuple(
        compare_pair(aligned, a, b, to_reference=a == reference, seed=seed) for a, b in combinations(order, 2)
    )
    readers = tuple(s.name for s in sets if s.name != reference)
    strata, tests = _by_stratum(aligned, reference, readers, seed)
    return Study(
        aligned=aligned,
        sets=tuple(_facts(s, aligned) for s in sets),
        reference=reference,
        seed=seed,
        statements=_statements(aligned, pairs),
        pairs=pairs,
        group=_group(aligned, readers, seed) if len(readers) > 2 else None,
        consensus=_consensus(aligned, sets, reference, tie),
        contests=_contests(aligned, reference, readers),
        strata=strata,
        stratum_tests=tests,
    )


def compare_pair(
    aligned: Aligned, first: str, second: str, *, to_reference: bool, seed: int = 0, stratum: str = ""
) -> PairResult:
    """Every two-set statistic on the animals that both sets aged."""
    codes = aligned.pair(first, second)
    years = aligned.years(codes)
    table = agreement_table(codes[:, 0], codes[:, 1], len(aligned.scale.labels))
    n = len(codes)
    top = len(aligned.scale.labels) - 1
    coarse = undefined(COARSE, n=n, unit="yr")
    coarse_percent = undefined(COARSE, n=n, unit="%")
    return PairResult(
        first=first,
        second=second,
        to_reference=to_reference,
        stratum=stratum,
        table=table,
        n=n,
        n_open=int((codes == top).any(axis=1).sum()) if aligned.scale.open_top else 0,
        exact=agree.percent_agreement(codes),
        within_one=agree.percent_agreement(codes, within=1),
        bias=coarse if years is None else agree.bias(years[:, 1], years[:, 0]),
        mae=coarse if years is None else agree.mean_absolute_error(years[:, 1], years[:, 0], seed=seed),
        rmse=coarse if years is None else agree.root_mean_square_error(years[:, 1], years[:, 0]),
        ape=coarse_percent if years is None else agree.average_percent_error(years, seed=seed),
        acv=coarse_percent if years is None else agree.average_coefficient_of_variation(years, seed=seed),
        kappas={kind: kappa(table, kind) for kind in KAPPAS},
        tests=(symmetry.bowker(table), symmetry.evans_hoenig(table), symmetry.pooled(table)),
        age_bias=() if years is None else age_bias_table(years[:, 1], years[:, 0]),
    )


def _group(aligned: Aligned, names: tuple[str, ...], seed: int) -> GroupResult:
    codes = aligned.codes[:, [aligned.names.index(name) for name in names]]
    complete = codes[(codes >= 0).all(axis=1)]
    years = aligned.years(complete)
    with_gaps = np.where(codes >= 0, codes, np.nan)
    coarse = undefined(COARSE, n=len(complete), unit="%")
    levels: tuple[Level, ...] = (
        ("nominal", "ordinal", "interval") if years is not None else ("nominal", "ordinal")
    )
    return GroupResult(
        names=names,
        n_complete=len(complete),
        exact=agree.percent_agreement(complete),
        within_one=agree.percent_agreement(complete, within=1),
        ape=coarse if years is None else agree.average_percent_error(years, seed=seed),
        acv=coarse if years is None else agree.average_coefficient_of_variation(years, seed=seed),
        icc={} if years is None else intraclass_correlations(years),
        alpha={level: krippendorff_alpha(with_gaps, level, seed=seed) for level in levels},
    )


def _consensus(
    aligned: Aligned, sets: Sequence[AgeSet], reference: str | None, tie: Tie
) -> ConsensusResult | None:
    readers = tuple(s.name for s in sets if s.kind == "reader" and s.name != reference)
    if len(readers) < 3:
        return None
    codes = aligned.codes[:, [aligned.names.index(name) for name in readers]]
    mode, median = group_mode(codes, tie=tie), group_median(codes)
    if reference is None:
        single = right_mode = right_median = undefined(
            "there is no reference age to be right about", n=0, unit="%"
        )
    else:
        true = aligned.of(reference)
        usable = (codes >= 0) & (true >= 0)[:, None]
        single = share(int((codes == true[:, None])[usable].sum()), int(usable.sum()))
        # The calls of one animal hang together, so Wilson's interval of single calls would be too narrow.
        if single.value is not None:
            single = replace(
                single, low=None, high=None, no_interval="calls on one animal are not independent"
            )
        right_mode, right_median = (_right(found, true) for found in (mode, median))
    return ConsensusResult(
        readers=readers,
        tie=tie,
        mode=mode,
        median=median,
        n_tied=sum(bool(c.why) and c.readers > 0 for c in mode),
        right_single=single,
        right_mode=right_mode,
        right_median=right_median,
    )


def _right(found: tuple[Consensus, ...], true: NDArray[np.int64]) -> Estimate:
    """
    Share of animals with a known class whose consensus is that class; a tie without a class counts as wrong.
    """
    usable = [(c.code, t) for c, t in zip(found, true, strict=True) if t >= 0 and c.readers > 0]
    return share(sum(code == t for code, t in usable), len(usable))


def _contests(aligned: Aligned, reference: str | None, names: tuple[str, ...]) -> tuple[Contest, ...]:
    """Source: McNemar 1947, Psychometrika 12:153-157, exact (binomial) form; computed by scipy."""
    if reference is None:
        return ()
    out = []
    for first, second in combinations(names, 2):
        codes = aligned.codes[:, [aligned.names.index(name) for name in (reference, first, second)]]
        codes = codes[(codes >= 0).all(axis=1)]
        a, b = codes[:, 1] == codes[:, 0], codes[:, 2] == codes[:, 0]
        only_a, only_b = int((a & ~b).sum()), int((b & ~a).sum())
        name, n = f"{first} against {second}", len(codes)
        if only_a + only_b == 0:
            test = TestResult(name=name, n=n, reason="no animal was right in one set and wrong in the other")
        else:
            test = TestResult(name=name, n=n, p=float(stats.binomtest(only_a, only_a + only_b).pvalue))
        out.append(
            Contest(
                first=first, second=second, only_first_right=only_a, only_second_right=only_b,
                both_right=int((a & b).sum()), neither_right=int((~a & ~b).sum()), test=test,
            )
        )  # fmt: skip
    tests = _with_holm([contest.test for contest in out])
    return tuple(replace(contest, test=test) for contest, test in zip(out, tests, strict=True))


def _with_holm(tests: list[TestResult]) -> list[TestResult]:
    adjusted = iter(holm([test.p for test in tests if test.p is not None]))
    return [test if test.p is None else replace(test, p_holm=next(adjusted)) for test in tests]


def _by_stratum(
    aligned: Aligned, reference: str | None, names: tuple[str, ...], seed: int
) -> tuple[tuple[PairResult, ...], tuple[StratumTest, ...]]:
    pairs: list[PairResult] = []
    keys: list[tuple[str, str]] = []
    tests: list[TestResult] = []
    against = [(reference, name) for name in names] if reference is not None else list(combinations(names, 2))
    for by, values in aligned.strata.items():
        parts = {
            value: aligned.part(np.array([v == value for v in values]))
            for value in sorted(set(values))
            if value
        }
        for first, second in against:
            assert first is not None
            errors = {}
            for value, part in parts.items():
                pairs.append(
                    compare_pair(
                        part,
                        first,
                        second,
                        to_reference=first == reference,
                        seed=seed,
                        stratum=f"{by} = {value}",
                    )
                )
                years = part.years(part.pair(first, second))
                errors[value] = np.empty(0) if years is None else years[:, 1] - years[:, 0]
            keys.append((second if reference is not None else f"{second} minus {first}", by))
            tests.append(_bias_differs(by, errors, coarse=aligned.scale.years is None))
    adjusted = _with_holm(tests)
    return tuple(pairs), tuple(
        StratumTest(set_name=name, by=by, test=test) for (name, by), test in zip(keys, adjusted, strict=True)
    )


def _bias_differs(by: str, errors: Mapping[str, NDArray[np.float64]], *, coarse: bool) -> TestResult:
    """
    Welch's analysis of variance of the errors between strata.

    Source: Welch 1951, Biometrika 38:330-336. Computed by statsmodels.
    """
    n = sum(e.size for e in errors.values())
    name = f"bias by {by}"
    if coarse:
        return TestResult(name=name, n=n, reason=COARSE)
    usable = [e for e in errors.values() if e.size >= 2 and np.ptp(e) > 0]
    if len(usable) < 2:
        return TestResult(
            name=name, n=n, reason="it needs two strata with at least 2 animals and some spread each"
        )
    from statsmodels.stats.oneway import anova_oneway

    found = anova_oneway(usable, use_var="unequal", welch_correction=True)
    return TestResult(
        name=name, n=n, statistic=float(found.statistic), df=float(found.df_num), p=float(found.pvalue)
    )


def _facts(ages: AgeSet, aligned: Aligned) -> SetFacts:
    codes = aligned.codes[:, aligned.names.index(ages.name)]
    counts = {label: int((codes == i).sum()) for i, label in enumerate(aligned.scale.labels)}
    return SetFacts(
        name=ages.name, kind=ages.kind, n_rows=len(ages.rows), n_used=int((codes >= 0).sum()), counts=counts,
        about=ages.about,
    )  # fmt: skip


def _statements(aligned: Aligned, pairs: tuple[PairResult, ...]) -> tuple[str, ...]:
    scale, rules = aligned.scale, aligned.rules
    out = [f"Classes: {', '.join(scale.labels)}; a class is named by the age in the autumn season."]
    out.append(
        "Whole years were refused and are listed by row."
        if rules.whole_years == "refuse"
        else "Whole years were read as half a year older (3 as 3.5)."
    )
    out.append(
        "Ages between the labels were refused and are listed by row."
        if rules.between == "refuse"
        else "Ages between the labels were put into the class whose year they lie in."
    )
    if scale.years is None:
        out.append(f"Statistics in years are not defined, because {COARSE}.")
    elif scale.open_top:
        n_open = max((pair.n_open for pair in pairs), default=0)
        out.append(
            f"{scale.labels[-1]} is an open class; it counts as {scale.years[-1]:g} in figures in years, so "
            f"differences that involve it are lower bounds (up to {n_open} animals in a pair)."
        )
    for name, column in zip(aligned.names, aligned.codes.T, strict=True):
        used = np.unique(column[column >= 0])
        if used.size == 0:
            out.append(f"{name}: no usable age, so nothing is defined for it.")
        elif used.size == 1:
            out.append(
                f"{name}: all ages are {scale.labels[used[0]]}, so agreement beyond chance is not defined."
            )
    return tuple(out)
