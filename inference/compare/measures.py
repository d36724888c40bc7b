"""
Measured ratios and widths in a study: repeatability, method against method, and their link to known age.

One measurement is one number of one tooth of one animal, by one reader (or tool, or calliper), in one
trial. A trial of the tool is one photo; a re-shot photo is another trial.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.compare.align import Aligned, Problem
from crestgauge.inference.compare.bland_altman import BlandAltman, bland_altman, within_item_sd
from crestgauge.inference.compare.estimate import Estimate, undefined
from crestgauge.inference.compare.gauge import GaugeOutcome, analysis_of_variance, average_and_range
from crestgauge.inference.compare.icc import intraclass_correlations
from crestgauge.inference.compare.thresholds import KnownAge

Floats = NDArray[np.float64]
MAX_GROUPED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """
    One measurement.

    Parameters
    ----------
    row : int
        Line in its file.
    id, tooth, quantity : str, int, str
        Animal, 1..6, and "ratio", "infundibulum_left" or a name of your own with its unit ("dentine_mm").
    value : float
        inf for a ratio without an inner band left.
    reader, trial : str
    """

    row: int
    id: str
    tooth: int
    quantity: str
    value: float
    reader: str
    trial: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """
    One quantity of one tooth, measured more than once.

    Parameters
    ----------
    readers, trials : tuple of str
        Of the complete block that the gauge study uses.
    n_items, n_left_out : int
        Animals in the block, and animals with a measurement that are not in it.
    within_sd : Estimate
        Standard deviation of repeats by one reader, pooled. [unit of the quantity]
    by_range, by_anova : GaugeOutcome
    icc : dict of str to Estimate
        Columns are readers (first trial of each), or trials where there is one reader.
    icc_columns : str
        "readers" or "trials".
    """

    quantity: str
    tooth: int
    readers: tuple[str, ...]
    trials: tuple[str, ...]
    n_items: int
    n_left_out: int
    within_sd: Estimate
    by_range: GaugeOutcome
    by_anova: GaugeOutcome
    icc: dict[str, Estimate]
    icc_columns: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MethodPair:
    """
    Two readers (or tool and callipers) on the same teeth: limits of agreement, and the points behind them.
    """

    quantity: str
    tooth: int
    first: str
    second: str
    limits: BlandAltman
    first_values: Floats
    second_values: Floats


Cell = tuple[str, str, str]  # id, reader, trial


def _cells(measures: Sequence[Measure]) -> dict[tuple[str, int], dict[Cell, float]]:
    out: dict[tuple[str, int], dict[Cell, float]] = defaultdict(dict)
    for m in measures:
        out[m.quantity, m.tooth][m.id, m.reader, m.trial] = m.value
    return out


def repeatability(measures: Sequence[Measure]) -> tuple[Repeatability, ...]:
    """
    For each quantity and tooth: one result over the largest complete block of several readers, and one for
    each reader who repeated.
    """
    out = []
    for (quantity, tooth), cells in sorted(_cells(measures).items()):
        by_id: dict[str, set[tuple[str, str]]] = defaultdict(set)
        for (key, reader, trial), value in cells.items():
            if np.isfinite(value):
                by_id[key].add((reader, trial))
        blocks = [_block(by_id)]
        for reader in sorted({r for found in by_id.values() for r, _ in found}):
            own = {key: {(r, t) for r, t in found if r == reader} for key, found in by_id.items()}
            blocks.append(_block({key: found for key, found in own.items() if found}))
        for readers, trials in dict.fromkeys(blocks):
            if readers:
                out.append(_repeatability(quantity, tooth, cells, by_id, readers, trials))
    return tuple(out)


def _repeatability(
    quantity: str,
    tooth: int,
    cells: Mapping[Cell, float],
    by_id: Mapping[str, set[tuple[str, str]]],
    readers: tuple[str, ...],
    trials: tuple[str, ...],
) -> Repeatability:
    wanted = {(reader, trial) for reader in readers for trial in trials}
    ids = [key for key, found in by_id.items() if wanted <= found]
    block = np.array([[[cells[key, r, t] for t in trials] for r in readers] for key in ids])
    block = block.reshape(len(ids), len(readers), len(trials))
    one_reader = len(readers) == 1
    columns = block[:, 0, :] if one_reader else block[:, :, 0]
    repeats = block.reshape(-1, len(trials))
    return Repeatability(
        quantity=quantity,
        tooth=tooth,
        readers=readers,
        trials=trials,
        n_items=len(ids),
        n_left_out=len({key for key, reader, _ in cells if reader in readers}) - len(ids),
        within_sd=within_item_sd(repeats)
        if len(trials) > 1 and len(ids)
        else undefined("no reader measured an animal twice", n=len(ids)),
        by_range=average_and_range(block),
        by_anova=analysis_of_variance(block),
        icc=intraclass_correlations(columns),
        icc_columns="trials" if one_reader else "readers",
    )


def _block(by_id: Mapping[str, set[tuple[str, str]]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """
    Readers and trials of the largest complete block with several readers; of one reader where there is one.

    Candidates are the groups of readers and their common trials that some animal has in full; the one with
    the most measurements over all animals wins. Empty where nothing was measured twice.
    """
    best: tuple[int, tuple[str, ...], tuple[str, ...]] = (0, (), ())
    one_reader = len({r for found in by_id.values() for r, _ in found}) == 1
    candidates = set()
    for found in set(map(frozenset, by_id.values())):
        present = sorted({reader for reader, _ in found})
        least = 1 if one_reader else 2
        # All groups of up to MAX_GROUPED readers; with more there would be too many groups to try.
        sizes = range(least, len(present) + 1) if len(present) <= MAX_GROUPED else [len(present)]
        for readers in (group for size in sizes for group in combinations(present, size)):
            common = set.intersection(*({t for r, t in found if r == reader} for reader in readers))
            candidates.add((readers, tuple(sorted(common))))
    for readers, trials in sorted(candidates):
        wanted = {(reader, trial) for reader in readers for trial in trials}
        size = len(wanted) * sum(wanted <= found for found in by_id.values())
        # A block of one measurement each says nothing of repeatability, however many animals it has.
        if len(wanted) > 1 and size > best[0]:
            best = (size, readers, trials)
    return best[1], best[2]


def method_pairs(measures: Sequence[Measure]) -> tuple[MethodPair, ...]:
    """
    Limits of agreement of every two readers, on their means over trials. Values without an end are left out.
    """
    out = []
    for (quantity, tooth), cells in sorted(_cells(measures).items()):
        means: dict[str, dict[str, float]] = defaultdict(dict)
        grouped: dict[tuple[str, str], list[float]] = defaultdict(list)
        for (key, reader, _), value in cells.items():
            grouped[reader, key].append(value)
        for (reader, key), values in grouped.items():
            if np.isfinite(values).all():
                means[reader][key] = float(np.mean(values))
        for first, second in combinations(sorted(means), 2):
            both = sorted(means[first].keys() & means[second].keys())
            if not both:
                continue
            a = np.array([means[first][key] for key in both])
            b = np.array([means[second][key] for key in both])
            out.append(
                MethodPair(
                    quantity=quantity, tooth=tooth, first=first, second=second, limits=bland_altman(a, b),
                    first_values=a, second_values=b,
                )
            )  # fmt: skip
    return tuple(out)


def known_age_of(
    measures: Sequence[Measure],
    aligned: Aligned,
    known: str,
    classes: Sequence[str],
    *,
    reader: str | None = None,
) -> tuple[KnownAge, tuple[Problem, ...]]:
    """
    Animals of known age with one value for each quantity and tooth.

    Several trials or readers of one animal are averaged; a ratio without an end in more than half of them
    stays without an end, in fewer is left out of the mean.

    Parameters
    ----------
    known : str
        Name of the set of known ages in ``aligned``.
    classes : sequence of str
        Classes of the criteria; known ages are matched by label.
    reader : str or None
        Use this reader's measurements only.

    Raises
    ------
    InputError
        If ``known`` is none of the sets.
    """
    column = aligned.of(known)
    code_of = {label: i for i, label in enumerate(classes)}
    ages = {
        key: code_of[aligned.scale.labels[code]]
        for key, code in zip(aligned.ids, column, strict=True)
        if code >= 0 and aligned.scale.labels[code] in code_of
    }
    problems = tuple(
        Problem(
            set_name="measurements",
            row=m.row,
            id=m.id,
            what="no usable known age for this animal",
            used=False,
        )
        for m in measures
        if m.id not in ages
    )
    grouped: dict[tuple[str, int], dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for m in measures:
        if m.id in ages and (reader is None or m.reader == reader):
            grouped[m.quantity, m.tooth][m.id].append(m.value)
    ids = tuple(key for key in ages if any(key in found for found in grouped.values()))
    values = {
        what: np.array([_together(found.get(key, [])) for key in ids])
        for what, found in sorted(grouped.items())
    }
    codes = np.array([ages[key] for key in ids], dtype=np.int64)
    return KnownAge(ids=ids, codes=codes, values=values), problems


def _together(values: list[float]) -> float:
    if not values:
        return float("nan")
    found = np.array(values)
    finite = found[np.isfinite(found)]
    return float(finite.mean()) if finite.size * 2 >= found.size and finite.size else float("inf")
