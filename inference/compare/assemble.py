"""
From loaded sets and measurements to the report: the one place that decides what can be computed from what.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.compare.ages import SCALES, AgeScale, LabelRules
from crestgauge.inference.compare.align import AgeSet, Aligned, Problem, align
from crestgauge.inference.compare.consensus import Tie
from crestgauge.inference.compare.estimate import Estimate, share, undefined
from crestgauge.inference.compare.measures import Measure, known_age_of, method_pairs, repeatability
from crestgauge.inference.compare.ordinal import bounded_ratio, fit_ordinal
from crestgauge.inference.compare.report import OrdinalSummary, Report
from crestgauge.inference.compare.separation import (
    ByAge,
    Overlap,
    by_age,
    nearest_neighbours,
    overall_ratio,
    overlaps,
)
from crestgauge.inference.compare.study import compare_ages
from crestgauge.inference.compare.thresholds import FOLDS, KnownAge, calibrate, deal_folds, fitted_steps
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.errors import InputError

HARD_TO_TELL = ("2.5", "3.5", "4.5")
"""The classes of the published test of ratios."""
MIN_SHARE_MEASURED = 0.8
"""
A value that a smaller share of the animals has would cost the ordinal model too many of them (our choice).
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """
    What was loaded.

    Parameters
    ----------
    sets : tuple of AgeSet
    measures : tuple of Measure
    strata : mapping
        {"sex": {id: value}}.
    problems : tuple of Problem
        Found on reading the files.
    inputs : tuple of str
        Files with their hashes.
    """

    sets: tuple[AgeSet, ...]
    measures: tuple[Measure, ...] = ()
    strata: Mapping[str, Mapping[str, str]] = field(default_factory=lambda: MappingProxyType({}))
    problems: tuple[Problem, ...] = ()
    inputs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """
    What the user chose.

    Parameters
    ----------
    reference : str or None
        Set to measure bias from.
    with_calibration : bool
        Fit thresholds too; needs a reference and measurements.
    measured_by : str or None
        Reader whose measurements stand for an animal; None takes the mean over all readers.
    """

    title: str = "Comparison of ages"
    scale: AgeScale = SCALES["years"]
    rules: LabelRules = field(default_factory=LabelRules)
    reference: str | None = None
    tie: Tie = "none"
    seed: int = 0
    with_calibration: bool = False
    measured_by: str | None = None


def build_report(
    material: Material, choices: Choices, criteria: Criteria, *, created: str, versions: Mapping[str, str]
) -> Report:
    """
    Compute everything that the material allows.

    Parameters
    ----------
    created : str
        ISO date and time.
    versions : mapping of str to str
        Programs and their versions.

    Raises
    ------
    InputError
        If nothing can be compared at all.
    """
    aligned = _aligned(material, choices)
    several = len(material.sets) > 1
    if not several and not material.measures:
        raise InputError("one set of ages and no measurements; needs two sets, or one set with measurements.")
    study = (
        compare_ages(
            material.sets, aligned, reference=choices.reference, tie=choices.tie, seed=choices.seed
        )
        if several
        else None
    )  # fmt: skip
    known, unmatched = (
        known_age_of(
            material.measures, aligned, choices.reference, criteria.classes, reader=choices.measured_by
        )
        if material.measures and choices.reference is not None
        else (None, ())
    )  # fmt: skip
    steps = fitted_steps(criteria)
    thresholds: dict[tuple[str, int], float] = {(step.quantity, step.tooth): step.threshold for step in steps}
    calibration = ordinal = None
    if choices.with_calibration:
        if known is None:
            raise InputError("calibration needs a set of known ages and measurements of the same animals.")
        calibration = calibrate(known, criteria, seed=choices.seed)
        ordinal = ordinal_summary(known, criteria.classes, seed=choices.seed)
    return Report(
        title=choices.title,
        created=created,
        inputs=material.inputs,
        versions=versions,
        settings=_settings(choices, criteria),
        problems=(
            *material.problems,
            *_problems(aligned, choices.reference, several=several),
            *unmatched,
        ),
        study=study,
        repeatability=repeatability(material.measures),
        method_pairs=method_pairs(material.measures),
        by_age=_by_age(known, criteria) if known is not None else (),
        overlaps=_overlaps(known, criteria) if known is not None else (),
        thresholds=thresholds,
        neighbours=_neighbours(known, criteria.classes) if known is not None else None,
        calibration=calibration,
        ordinal=ordinal,
    )


def _aligned(material: Material, choices: Choices) -> Aligned:
    if len(material.sets) > 1:
        return align(material.sets, choices.scale, choices.rules, strata=material.strata)
    # One set alone is aligned with an empty one, so that its labels go through the same gate.
    nobody = AgeSet(name=f"nobody but {material.sets[0].name}", rows=())
    return align([material.sets[0], nobody], choices.scale, choices.rules)


def _problems(aligned: Aligned, reference: str | None, *, several: bool) -> tuple[Problem, ...]:
    """Problems of the rows, and every animal that several sets aged but the reference did not."""
    if not several:  # then being in no other set is no problem
        return tuple(p for p in aligned.problems if "in no other set" not in p.what)
    if reference is None:
        return aligned.problems
    without = aligned.of(reference) < 0
    several_ages = (aligned.codes >= 0).sum(axis=1) > 1
    what = f"no usable age in {reference}; compared among the other sets only"
    lost = [
        Problem(set_name=reference, row=None, id=aligned.ids[i], what=what, used=True)
        for i in np.flatnonzero(without & several_ages)
    ]
    return (*aligned.problems, *lost)


def _settings(choices: Choices, criteria: Criteria) -> dict[str, str]:
    return {
        "age scale": f"{choices.scale.name} ({', '.join(choices.scale.labels)})",
        "whole years": choices.rules.whole_years,
        "ages between labels": choices.rules.between,
        "reference": choices.reference or "none",
        "ties of the group mode": choices.tie,
        "seed": str(choices.seed),
        "key": criteria.label,
    }


def _by_age(known: KnownAge, criteria: Criteria) -> tuple[ByAge, ...]:
    out: list[ByAge] = []
    for step in fitted_steps(criteria):
        values = known.values.get((step.quantity, step.tooth))
        if values is not None:
            out += by_age(
                step.quantity, step.tooth, values, known.codes, criteria.classes, threshold=step.threshold,
                at_least=step.comparison == "at_least",
            )  # fmt: skip
    return tuple(out)


def _overlaps(known: KnownAge, criteria: Criteria) -> tuple[Overlap, ...]:
    out: list[Overlap] = []
    for step in fitted_steps(criteria):
        values = known.values.get((step.quantity, step.tooth))
        if values is not None:
            out += overlaps(step.quantity, step.tooth, values, known.codes, criteria.classes)
    return tuple(out)


def _neighbours(known: KnownAge, classes: tuple[str, ...]) -> Estimate:
    """Nearest neighbours on the mean ratio of teeth 4 to 6, among 2.5, 3.5 and 4.5."""
    if any(("ratio", tooth) not in known.values for tooth in (4, 5, 6)):
        return undefined("it needs ratios of teeth 4, 5 and 6", n=0, unit="%")
    ratio = overall_ratio(known.values)
    here = np.isfinite(ratio) & np.isin(known.codes, [classes.index(c) for c in HARD_TO_TELL if c in classes])
    return nearest_neighbours(ratio[here, None], known.codes[here])


def ordinal_features(known: KnownAge) -> tuple[tuple[str, ...], NDArray[np.float64]]:
    """Measured values as columns that grow with age: ratios bounded, infundibulum lost instead of left."""
    names, columns = [], []
    for (quantity, tooth), values in sorted(known.values.items()):
        names.append(f"{quantity.replace('_', ' ')} of tooth {tooth}")
        if quantity == "ratio":
            columns.append(bounded_ratio(values))
        elif quantity == "infundibulum_left":
            columns.append(1 - values)
        else:
            columns.append(values)
    return tuple(names), np.stack(columns, axis=1) if columns else np.empty((len(known.ids), 0))


def ordinal_summary(known: KnownAge, classes: tuple[str, ...], *, seed: int) -> OrdinalSummary | None:
    """
    The monotone ordinal model on all measured values, with cross-validated shares right.

    Values that fewer than `MIN_SHARE_MEASURED` of the animals have are left out of the model. None where
    fewer than 2 classes have `FOLDS` animals with all other values, or nothing varies.
    """
    every, x = ordinal_features(known)
    common = np.isfinite(x).mean(axis=0) >= MIN_SHARE_MEASURED if len(x) else np.zeros(len(every), dtype=bool)
    complete = np.isfinite(x[:, common]).all(axis=1)
    counts = np.bincount(known.codes[complete], minlength=len(classes))
    usable = complete & (counts >= FOLDS)[known.codes]
    present = np.unique(known.codes[usable])
    varies = (
        common & (np.ptp(np.where(usable[:, None], x, x[usable][:1]), axis=0) > 0) if usable.any() else common
    )
    if present.size < 2 or not varies.any():
        return None
    names = tuple(name for name, v in zip(every, varies, strict=True) if v)
    x, codes = x[usable][:, varies], np.searchsorted(present, known.codes[usable])
    model = fit_ordinal(x, codes, names)
    found = _held_out(x, codes, names, seed)
    off = np.abs(present[found] - present[codes])
    return OrdinalSummary(
        names=names,
        left_out=tuple(name for name, v in zip(every, varies, strict=True) if not v),
        center=tuple(model.center.tolist()),
        scale=tuple(model.scale.tolist()),
        weights=tuple(model.weights.tolist()),
        cuts=tuple(model.cuts.tolist()),
        ids=tuple(key for key, use in zip(known.ids, usable, strict=True) if use),
        known=tuple(classes[i] for i in present[codes]),
        proposed=tuple(classes[i] for i in present[found]),
        classes=tuple(classes[i] for i in present),
        n=int(codes.size),
        n_left_out=int(len(known.ids) - codes.size),
        right=share(int((off == 0).sum()), codes.size),
        within_one=share(int((off <= 1).sum()), codes.size),
    )


def _held_out(
    x: NDArray[np.float64], codes: NDArray[np.int64], names: tuple[str, ...], seed: int
) -> NDArray[np.intp]:
    """Class of each animal by a model that was fitted without its fold."""
    folds = deal_folds(codes, seed)
    found = np.empty(codes.size, dtype=np.intp)
    for k in range(FOLDS):
        train = folds != k
        spread = np.ptp(x[train], axis=0) > 0
        kept = tuple(name for name, s in zip(names, spread, strict=True) if s)
        part = fit_ordinal(x[train][:, spread], codes[train], kept)
        found[~train] = part.predict(x[~train][:, spread])
    return found
