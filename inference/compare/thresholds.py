"""
Local calibration: thresholds of the key fitted to animals of known age, and whether they may replace it.

Each numeric step of the key asks one question of one tooth ("ratio at least t?") and splits animals into
younger and older ones. Its threshold is fitted on the classes next to the split, each class with the same
weight, so the age structure of the sample does not move it. The key itself, its order and its words stay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.compare.estimate import Estimate, bootstrap_interval, share, undefined
from crestgauge.inference.criteria import Criteria, Criterion
from crestgauge.inference.errors import InputError

Floats = NDArray[np.float64]

MIN_PER_SIDE: Final = 10
"""Animals needed on either side of a split before a threshold is fitted at all (our choice)."""
CLASSES_PER_SIDE: Final = 2
"""Age classes on either side of a split that count; animals far from it say nothing of where it lies."""
N_FIT_RESAMPLES: Final = 500
FOLDS: Final = 5
FITTED: Final = ("ratio", "infundibulum_left")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownAge:
    """
    Animals of known age with what was measured on them.

    Parameters
    ----------
    ids : tuple of str
    codes : ndarray of int, shape (n,)
        Class number of the known age, in the order of the criteria's classes.
    values : mapping of (quantity, tooth) to ndarray, shape (n,)
        Quantities of `FITTED`. NaN = not measured; a ratio of inf = the infundibulum beside the crest is
        gone, which counts as "at least as wide".
    """

    ids: tuple[str, ...]
    codes: NDArray[np.int64]
    values: Mapping[tuple[str, int], Floats]

    def __post_init__(self) -> None:
        for key, column in self.values.items():
            if column.shape != (len(self.ids),):
                raise InputError(f"{key}: {column.shape[0]} values for {len(self.ids)} animals.")


@dataclass(frozen=True, slots=True, kw_only=True)
class StepFit:
    """
    One threshold.

    Parameters
    ----------
    criterion : str
        Id in the criteria file.
    default : float
        Threshold of the file that was started from.
    fitted : Estimate
        Median over resamples of the best threshold, with percentile interval. [unit of the criterion]
    n_younger, n_older : int
        Animals that count on either side of the split.
    right_default, right_fitted : Estimate
        Step answered right, mean over classes, in cross-validation. [%]
    gain : Estimate
        Right answers of the fitted minus the default threshold, in cross-validation. [percentage points]
    moves : bool
        The fitted threshold replaces the default.
    why : str
        One sentence.
    """

    criterion: str
    quantity: str
    tooth: int
    class_if_yes: str
    default: float
    fitted: Estimate
    n_younger: int
    n_older: int
    right_default: Estimate
    right_fitted: Estimate
    gain: Estimate
    moves: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """
    All steps together.

    Parameters
    ----------
    n_animals, n_young : int
        Animals used; and those of 0.5 and 1.5 that were not, since tooth replacement decides them.
    steps : tuple of StepFit
    right_default, right_fitted, gain : Estimate
        Whole class right, from the first wear step on, in cross-validation. [%] and [percentage points]
    verdict : str
        What a user should do, in one or two sentences.
    """

    n_animals: int
    n_young: int
    steps: tuple[StepFit, ...]
    right_default: Estimate
    right_fitted: Estimate
    gain: Estimate
    verdict: str
    seed: int


def fitted_steps(criteria: Criteria) -> tuple[Criterion, ...]:
    """The steps that can be calibrated: ratios and infundibulum limits, in the order of the key."""
    return tuple(c for c in criteria.key if c.quantity in FITTED)


def passes(values: Floats, threshold: float | Floats, criterion: Criterion) -> NDArray[np.bool_]:
    """Step answered yes. A value on the threshold passes: the default tie rule of the key."""
    return values >= threshold if criterion.comparison == "at_least" else values <= threshold


def best_threshold(values: Floats, older: NDArray[np.bool_], weights: Floats, criterion: Criterion) -> float:
    """
    Threshold with the least weight of wrong answers.

    Candidates are the midpoints between neighbouring values; of several equally good ones in a row, the
    middle.

    Parameters
    ----------
    values, weights : ndarray, shape (n,)
    older : ndarray of bool, shape (n,)
        True where the step should be answered yes.
    """
    sign = 1.0 if criterion.comparison == "at_least" else -1.0
    order = np.argsort(sign * values, kind="stable")
    x, y, w = (sign * values)[order], older[order], weights[order]
    # Wrong at a cut after i values: older ones at or below it, younger ones above it.
    wrong = np.concatenate([[0.0], np.cumsum(np.where(y, w, 0.0))]) + np.concatenate(
        [np.cumsum(np.where(y, 0.0, w)[::-1])[::-1], [0.0]]
    )
    finite = x[np.isfinite(x)]
    ends = (finite.min() - 0.05, finite.max() + 0.05) if finite.size else (0.0, 0.0)
    padded = np.concatenate([[ends[0]], np.clip(x, *ends), [ends[1]]])
    cuts = (padded[1:] + padded[:-1]) / 2
    allowed = np.concatenate([[True], x[1:] > x[:-1], [True]])
    cuts, wrong = cuts[allowed], wrong[allowed]
    good = np.flatnonzero(wrong <= wrong.min() + 1e-12)
    return sign * float(cuts[good[(good.size - 1) // 2]])


def _window(codes: NDArray[np.int64], first_older: int) -> tuple[NDArray[np.bool_], Floats]:
    """Animals that count for a split, and their weights: each class the same, each side the same."""
    near = (codes >= first_older - CLASSES_PER_SIDE) & (codes < first_older + CLASSES_PER_SIDE)
    weights = np.zeros(codes.size)
    for side in (codes < first_older, codes >= first_older):
        present = np.unique(codes[near & side])
        for code in present:
            here = near & (codes == code)
            weights[here] = 0.5 / present.size / here.sum()
    return near, weights


def _fit(values: Floats, codes: NDArray[np.int64], first_older: int, criterion: Criterion) -> float | None:
    near, weights = _window(codes, first_older)
    older = codes >= first_older
    if not (near & older).any() or not (near & ~older).any():
        return None
    return best_threshold(values[near], older[near], weights[near], criterion)


def _bagged(
    values: Floats,
    codes: NDArray[np.int64],
    first_older: int,
    criterion: Criterion,
    rng: np.random.Generator,
    times: int,
) -> Floats:
    """Best thresholds of resamples. Their median is steadier than the best threshold of the sample itself."""
    found = []
    for _ in range(times):
        rows = rng.integers(0, codes.size, codes.size)
        cut = _fit(values[rows], codes[rows], first_older, criterion)
        if cut is not None:
            found.append(cut)
    return np.array(found)


def calibrate(data: KnownAge, criteria: Criteria, *, seed: int = 0) -> Calibration:
    """
    Fit every threshold that `fitted_steps` names, with resampling intervals and cross-validation by animal.

    A threshold moves only where there are `MIN_PER_SIDE` animals on either side of its split, the interval
    of the fitted threshold leaves out the default, and the fitted one answers the step better on held-out
    animals. Which thresholds move is decided on all animals, so the figure for the whole class flatters the
    new key a little; a sample that was not used here is the real test.

    Source: resampling and its median ("bagging"): Breiman 1996, Mach. Learn. 24:123-140; percentile
    intervals: Efron & Tibshirani 1993; cross-validation: Stone 1974, J. R. Stat. Soc. B 36:111-147.
    """
    steps = fitted_steps(criteria)
    start = criteria.classes.index(steps[0].class_if_no)
    adult = data.codes >= start
    used = KnownAge(
        ids=tuple(i for i, keep in zip(data.ids, adult, strict=True) if keep),
        codes=data.codes[adult],
        values={key: column[adult] for key, column in data.values.items()},
    )
    folds = deal_folds(used.codes, seed)
    fits = tuple(_step(used, criteria, step, folds, seed + i) for i, step in enumerate(steps))
    default = {c.id: c.threshold for c in steps}
    right_default = _class_right(used, criteria, steps, [default] * FOLDS, folds)
    in_folds = [
        default
        | {
            f.criterion: cut
            for f in fits
            if f.moves and (cut := _fold_cut(used, criteria, f, folds, k)) is not None
        }
        for k in range(FOLDS)
    ]
    right_fitted = _class_right(used, criteria, steps, in_folds, folds)
    return Calibration(
        n_animals=int(adult.sum()),
        n_young=int((~adult).sum()),
        steps=fits,
        right_default=share(int(np.nansum(right_default)), int(np.isfinite(right_default).sum())),
        right_fitted=share(int(np.nansum(right_fitted)), int(np.isfinite(right_fitted).sum())),
        gain=_mean_gain(right_fitted - right_default, seed),
        verdict=_verdict(fits, int(adult.sum())),
        seed=seed,
    )


def deal_folds(codes: NDArray[np.int64], seed: int) -> NDArray[np.int64]:
    """Fold number of each animal; every class is dealt out evenly."""
    rng = np.random.default_rng(seed)
    folds = np.empty(codes.size, dtype=np.int64)
    for code in np.unique(codes):
        rows = rng.permutation(np.flatnonzero(codes == code))
        folds[rows] = (np.arange(rows.size) + rng.integers(FOLDS)) % FOLDS
    return folds


def _fold_cut(
    data: KnownAge, criteria: Criteria, fit: StepFit, folds: NDArray[np.int64], k: int
) -> float | None:
    step = next(c for c in criteria.key if c.id == fit.criterion)
    values = data.values[step.quantity, step.tooth]
    train = (folds != k) & ~np.isnan(values)
    first_older = criteria.classes.index(step.class_if_yes)
    cuts = _bagged(values[train], data.codes[train], first_older, step, np.random.default_rng(k), 60)
    return float(np.median(cuts)) if cuts.size else None


def _step(
    data: KnownAge, criteria: Criteria, step: Criterion, folds: NDArray[np.int64], seed: int
) -> StepFit:
    first_older = criteria.classes.index(step.class_if_yes)
    column = data.values.get((step.quantity, step.tooth), np.full(len(data.ids), np.nan))
    measured = ~np.isnan(column)
    values, codes, fold = column[measured], data.codes[measured], folds[measured]
    near, weights = _window(codes, first_older)
    older = codes >= first_older
    n_younger, n_older = int((near & ~older).sum()), int((near & older).sum())

    def outcome(
        fitted: Estimate, default: Estimate, better: Estimate, gain: Estimate, moves: bool, why: str
    ) -> StepFit:
        return StepFit(
            criterion=step.id, quantity=step.quantity, tooth=step.tooth, class_if_yes=step.class_if_yes,
            default=step.threshold, fitted=fitted, n_younger=n_younger, n_older=n_older,
            right_default=default, right_fitted=better, gain=gain, moves=moves, why=why,
        )  # fmt: skip

    if min(n_younger, n_older) < MIN_PER_SIDE:
        few = (
            f"{n_younger} younger and {n_older} older animals near the split are too few "
            f"(needs {MIN_PER_SIDE} on either side)"
        )
        nothing = undefined(few, n=n_younger + n_older)
        return outcome(nothing, nothing, nothing, nothing, False, f"The default stays: {few}.")
    rng = np.random.default_rng(seed)
    cuts = _bagged(values, codes, first_older, step, rng, N_FIT_RESAMPLES)
    low, high = (float(q) for q in np.quantile(cuts, [0.025, 0.975]))
    fitted = Estimate(
        value=float(np.median(cuts)), low=low, high=high, n=n_younger + n_older,
        method="percentile interval of resampled fits",
    )  # fmt: skip
    out_of_fold = np.full(codes.size, step.threshold)
    for k in range(FOLDS):
        train = fold != k
        found = _bagged(values[train], codes[train], first_older, step, np.random.default_rng(seed + k), 60)
        if found.size:
            out_of_fold[fold == k] = np.median(found)
    right = [
        (passes(values, cut, step) == older)[near].astype(float) for cut in (step.threshold, out_of_fold)
    ]
    share_of = weights[near] * near.sum()
    default, better = (_weighted(r, share_of, seed) for r in right)
    gain = _weighted(right[1] - right[0], share_of, seed)
    moves, why = _decide(step, fitted, gain)
    return outcome(fitted, default, better, gain, moves, why)


def _decide(step: Criterion, fitted: Estimate, gain: Estimate) -> tuple[bool, str]:
    assert fitted.value is not None and fitted.low is not None and fitted.high is not None
    interval = f"{fitted.value:.2f} ({fitted.low:.2f} to {fitted.high:.2f})"
    if fitted.low <= step.threshold <= fitted.high:
        return (
            False,
            f"The default {step.threshold:g} stays: it is within the interval of the fitted {interval}.",
        )
    if gain.value is None or gain.value <= 0:
        why = (
            f"The default {step.threshold:g} stays: the fitted {interval} does no better on held-out animals."
        )
        return False, why
    return True, (
        f"Moves from {step.threshold:g} to {interval}; on held-out animals the step is right "
        f"{gain.value:.1f} percentage points more often."
    )


def _weighted(per_animal: Floats, weights: Floats, seed: int) -> Estimate:
    """Weighted mean [%] with a resampling interval."""
    n = per_animal.size
    low, high, why = bootstrap_interval(
        lambda rows: 100 * (per_animal * weights)[rows].sum(axis=1) / weights[rows].sum(axis=1), n, seed=seed
    )
    return Estimate(
        value=float(100 * (per_animal * weights).sum() / weights.sum()), low=low, high=high, n=n, unit="%",
        no_interval=why, method="percentile bootstrap over animals",
    )  # fmt: skip


def _mean_gain(difference: Floats, seed: int) -> Estimate:
    usable = difference[np.isfinite(difference)]
    if usable.size == 0:
        return undefined("no animal has every measurement that its class needs", n=0, unit="%")
    return _weighted(usable, np.ones(usable.size), seed)


def key_class(
    values: Mapping[tuple[str, int], Floats],
    steps: tuple[Criterion, ...],
    thresholds: Mapping[str, float | Floats],
    classes: tuple[str, ...],
    n: int,
) -> NDArray[np.int64]:
    """
    Class by the steps in order, stopping at the first no; -1 where a value that is needed is missing.

    Only the wear steps: the animal is taken as past tooth replacement.
    """  # fmt: skip
    code = np.full(n, classes.index(steps[0].class_if_no), dtype=np.int64)
    going = np.ones(n, dtype=bool)
    for step in steps:
        column = values.get((step.quantity, step.tooth), np.full(n, np.nan))
        unseen = going & np.isnan(column)
        code[unseen] = -1
        going &= ~unseen & passes(np.nan_to_num(column, posinf=np.inf), thresholds[step.id], step)
        code[going] = classes.index(step.class_if_yes)
    return code


def _class_right(
    data: KnownAge,
    criteria: Criteria,
    steps: tuple[Criterion, ...],
    by_fold: list[dict[str, float]],
    folds: NDArray[np.int64],
) -> Floats:
    """1 right, 0 wrong, NaN where the class stays open; each animal by the thresholds of its fold."""
    thresholds = {step.id: np.array([cuts[step.id] for cuts in by_fold])[folds] for step in steps}
    code = key_class(data.values, steps, thresholds, criteria.classes, len(data.ids))
    return np.where(code < 0, np.nan, (code == data.codes).astype(float))


def _verdict(fits: tuple[StepFit, ...], n: int) -> str:
    moved = [fit for fit in fits if fit.moves]
    few = [fit for fit in fits if fit.fitted.value is None]
    if moved:
        rest = f" {len(few)} of {len(fits)} steps had too few animals." if few else ""
        return (
            f"{len(moved)} of {len(fits)} thresholds move, on {n} animals of known age; the others stay."
            f"{rest} Check the new file on animals that were not used here before relying on it."
        )
    if len(few) == len(fits):
        return f"This sample ({n} animals of 2.5 and older) is too small to move any threshold: keep the key."
    return (
        f"This sample ({n} animals of 2.5 and older) gives no reason to move a threshold: keep the key."
        + (f" {len(few)} of {len(fits)} steps had too few animals to tell." if few else "")
    )
