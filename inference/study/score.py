"""
The results of a study: what repeats, what agrees, how wrong widths are, and which pairs are missing.

Every statistic is one of `crestgauge.inference.compare`; here they are only brought together. Convention: the
error of the tool is tool minus callipers, so a positive one means that the tool finds wider bands.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from crestgauge.inference.compare.ages import SCALES, LabelRules
from crestgauge.inference.compare.align import Problem, align
from crestgauge.inference.compare.assemble import Choices, Material, build_report
from crestgauge.inference.compare.bland_altman import BlandAltman, bland_altman
from crestgauge.inference.compare.deming import Line, deming
from crestgauge.inference.compare.estimate import LEVEL, Estimate, share, undefined
from crestgauge.inference.compare.measures import Measure, Repeatability, repeatability
from crestgauge.inference.compare.methods import methods_paragraph, used_sources
from crestgauge.inference.compare.report import Report
from crestgauge.inference.compare.study import PairResult, compare_pair
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import COVERAGE_FACTOR
from crestgauge.inference.study.kit import (
    CEMENTUM,
    KNOWN,
    QUANTITIES,
    TOOL,
    CrestValue,
    Filled,
    again,
    animals,
    by_key,
)
from crestgauge.inference.study.plan import TEETH, Plan

AGE_YEARS = "age class"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WidthError:
    """
    One quantity of one tooth, tool (first photo) against callipers, one pair of values an animal.

    Parameters
    ----------
    quantity, tooth : str, int
    limits : BlandAltman
        Tool minus callipers. [mm, or 1 for a ratio]
    relative : Estimate
        Mean of ln(tool / callipers), as percent: relative bias.
    relative_sd : Estimate
        SD of the same logarithms, as percent.
    line : Line
        tool = intercept + slope x callipers.
    covered : Estimate
        Share of single crests whose value by hand lies in the tool's stated interval. [%]
    tool, hand : ndarray, shape (n,)
    """

    quantity: str
    tooth: int
    limits: BlandAltman
    relative: Estimate
    relative_sd: Estimate
    line: Line
    covered: Estimate
    tool: NDArray[np.float64]
    hand: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCount:
    """
    One kind of pair: how many the plan wants, how many are there, and why the others are not.

    Parameters
    ----------
    missing : tuple of (str, str)
        Animal and reason.
    """

    first: str
    second: str
    wanted: int
    found: int
    missing: tuple[tuple[str, str], ...]

    @property
    def reasons(self) -> dict[str, int]:
        """How many are missing for which reason, the most frequent first."""
        return dict(Counter(why for _, why in self.missing).most_common())


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassRow:
    """Animals of one class of the reference, and the share that each set put into it."""

    label: str
    n: int
    right: dict[str, Estimate]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Score:
    """
    Everything that the page, the JSON and the tables say.

    Parameters
    ----------
    report : Report
        The comparison of first ages with its rows to look at.
    repeats : tuple of PairResult
        First against second photo of the tool, first against second reading of each reader.
    of_tool, of_readers, by_hand : tuple of Repeatability
    widths : tuple of WidthError
    pairs : tuple of PairCount
    classes : tuple of ClassRow
        Empty without a reference.
    statements : tuple of str
        What shapes the numbers.
    """

    report: Report
    plan: Plan | None
    repeats: tuple[PairResult, ...]
    of_tool: tuple[Repeatability, ...]
    of_readers: tuple[Repeatability, ...]
    by_hand: tuple[Repeatability, ...]
    widths: tuple[WidthError, ...]
    pairs: tuple[PairCount, ...]
    classes: tuple[ClassRow, ...]
    statements: tuple[str, ...]

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Every row that was not used, or used with a note."""
        return self.report.problems

    @property
    def methods(self) -> str:
        """Paragraph to paste."""
        return _methods(self)

    @property
    def sources(self) -> dict[str, str]:
        """Sources that the paragraph names."""
        return used_sources(self.methods)


def score_study(
    filled: Filled, criteria: Criteria, *, created: str, versions: Mapping[str, str], seed: int = 0,
    rules: LabelRules | None = None,
) -> Score:  # fmt: skip
    """
    Compute everything that the filled tables allow.

    Raises
    ------
    InputError
        If nothing of a study is there.
    """
    if not filled.sets and not filled.tool and not filled.by_hand:
        raise InputError(
            "the study holds neither readings nor ages nor widths yet. Read the photos and fill in the forms."
        )
    rules = rules or LabelRules()
    names = [s.name for s in filled.sets]
    reference = KNOWN if KNOWN in names else CEMENTUM if CEMENTUM in names else None
    of_tool, by_hand = repeatability(filled.tool_measures), repeatability(_teeth(filled.by_hand))
    repeats, ages = _repeats(filled, rules, seed)  # before the report, which takes the problems found here
    report = _report(filled, criteria, reference, rules, created, versions, seed)
    for p in report.problems:  # what was typed but is no age is missing too
        lonely = "in no other set" in p.what
        if not p.used and not lonely and filled.status.get((p.set_name, p.id)) == "":
            filled.status[p.set_name, p.id] = p.what
    widths, ratio_words = _widths(filled, of_tool, by_hand)
    return Score(
        report=report, plan=filled.plan, repeats=repeats, of_tool=of_tool, of_readers=repeatability(ages),
        by_hand=by_hand, widths=widths, pairs=_pairs(filled, reference),
        classes=_classes(report, reference),
        statements=(*_statements(reference, filled), *ratio_words),
    )  # fmt: skip


def _report(
    filled: Filled, criteria: Criteria, reference: str | None, rules: LabelRules, created: str,
    versions: Mapping[str, str], seed: int,
) -> Report:  # fmt: skip
    choices = Choices(title=filled.plan.title if filled.plan else "Field study", rules=rules,
                      reference=reference, seed=seed)  # fmt: skip
    aged = {row.id for s in filled.sets if s.name == reference for row in s.rows}
    first = tuple(m for m in filled.tool_measures if m.trial == "1" and m.id in aged)
    material = Material(
        sets=tuple(filled.sets), measures=first if reference else (), strata=filled.strata,
        problems=tuple(filled.problems), inputs=tuple(filled.inputs),
    )  # fmt: skip
    if len(filled.sets) > 1:
        return build_report(material, choices, criteria, created=created, versions=versions)
    settings = {"seed": str(seed), "key": criteria.label, "reference": "none"}
    return Report(
        title=choices.title, created=created, inputs=material.inputs, versions=versions, settings=settings,
        problems=material.problems,
    )  # fmt: skip


def _teeth(values: Sequence[CrestValue]) -> list[Measure]:
    """One value a tooth: the mean over the crests that every repeat of it has."""
    crests: dict[tuple[str, str, int], set[int]] = {}
    sums: dict[tuple[str, str, int, str, str], dict[int, float]] = {}
    for v in values:
        sums.setdefault((v.quantity, v.id, v.tooth, v.who, v.trial), {})[v.lobe] = v.value
    for (quantity, animal, tooth, _, _), found in sums.items():
        here = crests.setdefault((quantity, animal, tooth), set(found))
        here &= set(found)
    return [
        Measure(row=0, id=animal, tooth=tooth, quantity=quantity, reader=who, trial=trial,
                value=float(np.mean([found[lobe] for lobe in sorted(common)])))
        for (quantity, animal, tooth, who, trial), found in sums.items()
        if (common := crests[quantity, animal, tooth])
    ]  # fmt: skip


def _repeats(filled: Filled, rules: LabelRules, seed: int) -> tuple[tuple[PairResult, ...], list[Measure]]:
    """First against second of each set; and the readers' ages as measurements, for the gauge study."""
    scale = SCALES["years"]
    pairs, ages = [], []
    for ages_set in filled.sets:
        second = filled.seconds.get(ages_set.name)
        if second is None:
            continue
        other = replace(second, name=again(second.name))
        aligned = align([ages_set, other], scale, rules)
        # Rows of the second set are looked at nowhere else, so its problems are told here; lone rows are
        # none, since only a part is repeated.
        filled.problems += [
            p for p in aligned.problems if p.set_name == other.name and "in no other set" not in p.what
        ]
        pairs.append(compare_pair(aligned, ages_set.name, other.name, to_reference=False, seed=seed))
        if ages_set.name == TOOL:
            continue
        years = aligned.years(aligned.codes)
        assert years is not None
        ages += [
            Measure(row=0, id=key, tooth=0, quantity=AGE_YEARS, value=float(years[i, k]),
                    reader=ages_set.name, trial=str(k + 1))
            for i, key in enumerate(aligned.ids)
            for k in range(2)
            if np.isfinite(years[i]).all()
        ]  # fmt: skip
    return tuple(pairs), ages


def _widths(
    filled: Filled, of_tool: Sequence[Repeatability], by_hand: Sequence[Repeatability]
) -> tuple[tuple[WidthError, ...], list[str]]:
    tool = by_key(v for v in filled.tool if v.trial == "1")
    who = _main_measurer(filled.by_hand)
    hand = by_key(v for v in filled.by_hand if v.who == who)
    out: list[WidthError] = []
    words: list[str] = []
    for quantity in QUANTITIES:
        for tooth in TEETH:
            pairs: dict[str, list[tuple[float, float]]] = {}
            inside = crests = 0
            for (q, t, animal, lobe), found in hand.items():
                seen = tool.get((q, t, animal, lobe))
                value = float(np.mean([v.value for v in found]))
                if (q, t) != (quantity, tooth) or not seen or not np.isfinite(value):
                    continue
                pairs.setdefault(animal, []).append((seen[0].value, value))
                crests += 1
                inside += abs(seen[0].value - value) <= COVERAGE_FACTOR * (seen[0].u or 0.0)
            if pairs:
                ratio = _error_ratio(of_tool, by_hand, quantity, tooth)
                out.append(_width_error(quantity, tooth, pairs, share(inside, crests), ratio))
    if out:
        words.append(
            f"Widths: the tool's first photo against {who}, who measured the most crests by hand (mean of "
            "repeats), crest by crest, then the mean of the crests of a tooth that both have: one pair an "
            "animal. The errors of the hand are in these figures too."
        )
    return tuple(out), words


def _main_measurer(values: Sequence[CrestValue]) -> str:
    """Who measured the most different crests; people differ, so their values are not mixed."""
    crests: dict[str, set[tuple[str, int, int]]] = {}
    for v in values:
        crests.setdefault(v.who, set()).add((v.id, v.tooth, v.lobe))
    return max(sorted(crests), key=lambda name: len(crests[name]), default="")


def _error_ratio(
    of_tool: Sequence[Repeatability], by_hand: Sequence[Repeatability], quantity: str, tooth: int
) -> float:
    """Error variance of the hand over that of the tool, from their repeats; 1 where one has none."""
    found = [
        next((r.within_sd.value for r in results if (r.quantity, r.tooth) == (quantity, tooth)), None)
        for results in (by_hand, of_tool)
    ]
    hand, tool = found
    return (hand / tool) ** 2 if hand and tool else 1.0


def _width_error(
    quantity: str, tooth: int, pairs: Mapping[str, list[tuple[float, float]]], covered: Estimate, ratio: float
) -> WidthError:
    unit = "1" if quantity == "ratio" else "mm"
    means = np.array([np.mean(values, axis=0) for _, values in sorted(pairs.items())])
    tool, hand = means[:, 0], means[:, 1]
    both = (tool > 0) & (hand > 0)
    logs = np.log(tool[both] / hand[both])
    return WidthError(
        quantity=quantity, tooth=tooth, limits=bland_altman(tool, hand, unit=unit),
        relative=relative_bias(logs), relative_sd=_relative_sd(logs),
        line=deming(hand, tool, error_ratio=ratio, unit=unit), covered=covered, tool=tool, hand=hand,
    )  # fmt: skip


def relative_bias(logs: NDArray[np.float64], *, level: float = LEVEL) -> Estimate:
    """
    Mean of logarithms of quotients as percent, with its t interval.

    Source: Bland & Altman 1986, Lancet 327:307-310 (differences of logarithms).
    """
    n = logs.size
    if n < 2:
        return undefined(f"{n} pair(s) above 0 have no spread", n=n, unit="%")
    middle, half = (
        float(logs.mean()),
        float(logs.std(ddof=1)) / n**0.5 * float(stats.t.ppf((1 + level) / 2, n - 1)),
    )

    def percent(value: float) -> float:
        return 100 * (float(np.exp(value)) - 1)

    return Estimate(
        value=percent(middle), low=percent(middle - half), high=percent(middle + half), n=n, unit="%",
        level=level, method="t interval of logarithms",
    )  # fmt: skip


def _relative_sd(logs: NDArray[np.float64]) -> Estimate:
    if logs.size < 2:
        return undefined(f"{logs.size} pair(s) above 0 have no spread", n=logs.size, unit="%")
    return Estimate(
        value=100 * float(logs.std(ddof=1)), n=logs.size, unit="%", no_interval="the limits carry it"
    )


def _pairs(filled: Filled, reference: str | None) -> tuple[PairCount, ...]:
    """Planned pairs against those that are there; each missing one with what it lacks and why."""
    everybody = animals(filled)
    plan = filled.plan
    twice = tuple(a.id for a in plan.animals if a.twice) if plan else everybody
    by_hand = tuple(a.id for a in plan.animals if a.by_hand) if plan else everybody
    readers = plan.options.readers if plan else tuple(s.name for s in filled.sets if s.kind == "reader")
    kinds: list[tuple[str, str, tuple[str, ...]]] = []
    if reference is not None:
        kinds += [(name, reference, everybody) for name in (TOOL, *readers)]
    kinds += [(TOOL, again(TOOL), everybody)]
    kinds += [(TOOL, name, everybody) for name in readers]
    kinds += [(a, b, everybody) for i, a in enumerate(readers) for b in readers[i + 1 :]]
    kinds += [(name, again(name), twice) for name in readers]
    if plan or filled.by_hand:
        kinds.append((TOOL, "by hand", by_hand))
    out = []
    for first, second, wanted in kinds:
        missing = []
        for animal in wanted:
            lacks = [
                f"{source}: {why}"
                for source in (first, second)
                if (why := filled.status.get((source, animal), "not there"))
            ]
            if lacks:
                missing.append((animal, "; ".join(lacks)))
        found = len(wanted) - len(missing)
        out.append(
            PairCount(first=first, second=second, wanted=len(wanted), found=found, missing=tuple(missing))
        )
    return tuple(out)


def _classes(report: Report, reference: str | None) -> tuple[ClassRow, ...]:
    if report.study is None or reference is None:
        return ()
    pairs = [p for p in report.study.pairs if p.to_reference]
    labels = report.study.aligned.scale.labels
    column = report.study.aligned.codes[:, report.study.aligned.names.index(reference)]
    return tuple(
        ClassRow(
            label=label, n=int((column == i).sum()),
            right={p.second: share(int(p.table[i, i]), int(p.table[i].sum())) for p in pairs},
        )
        for i, label in enumerate(labels)
        if (column == i).any()
    )  # fmt: skip


def _statements(reference: str | None, filled: Filled) -> list[str]:
    out = []
    if reference is None:
        out.append("No known age and no cementum count: nothing here says who is right, only who agrees.")
    elif reference == CEMENTUM:
        out.append("The reference is cementum counts, which are wrong at times themselves.")
    tool = [s for s in filled.sets if s.kind == "tool"]
    if tool:
        out.append(
            f"Ages and widths of the tool are those of the first photo ({'; '.join(tool[0].about[1:])})."
        )
    return out


def _methods(score: Score) -> str:
    report = score.report
    out = []
    if score.plan is not None:
        plan = score.plan
        out.append(
            f"{len(plan.animals)} animals were chosen and put in order at random, balanced over age class "
            f"and sex (seed {plan.options.seed}); each jaw was to be photographed twice, set up anew in "
            f"between, and read blind by {len(plan.options.readers)} readers in orders of their own, "
            f"{sum(a.twice for a in plan.animals)} of them twice; teeth 4 to 6 of "
            f"{sum(a.by_hand for a in plan.animals)} were to be measured by hand."
        )
    if score.widths:
        out.append(
            "Widths and ratios by the tool were compared with those by hand as mean difference with limits "
            "of agreement and as mean log quotient [bland], and by Deming's line [deming] with jackknife "
            "intervals [linnet], whose ratio of error variances was taken from the repeats of both; the "
            "share of values by hand within the tool's stated intervals (2 standard uncertainties [gum]) is "
            "given with Wilson's interval [wilson]."
        )
    base = methods_paragraph(
        study=report.study, calibration=None, has_pairs=False, versions=report.versions,
        has_repeats=bool(score.of_tool or score.by_hand or score.of_readers),
    )  # fmt: skip
    return " ".join([*out, base])
