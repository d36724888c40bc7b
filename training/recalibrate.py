"""
How wrong a band edge is with new weights, from labelled animals that did not train: the edge model beside
them.

Which of three ways, by how many animals there are:

- from 40 animals and 120 crests, all terms of the edge model are fitted (`crestgauge.inference.calibrate`);
- from 19 animals, one factor on the uncertainties of the start weights, by hierarchical conformal prediction
  (`crestgauge.inference.conformal`);
- with fewer, that factor may only widen; below ten crests nothing is changed.

Before any of them, the biases of dentine and enamel widths move from those of the start weights towards
what the animals show, the further the better they show it (`with_bias`). Each way comes with the coverage on
animals that it was not fitted to.

Where the truth comes from a person's labels, its own error is no error of the network. Labels may then show
that readings are surer than stated, since their error only makes readings look worse; they widen what is
stated by no more than they cannot explain themselves, and move a bias only as far as a hand's habit lets them
speak of one. Without this, recalibrating the shipped weights on labels as a person draws them, with no
training at all, made classes worse.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.calibrate import EdgeSample, coverage, fit_edge_model, median_width_error
from crestgauge.inference.compare.paired import bootstrap_interval
from crestgauge.inference.conformal import K95, coverage_left_out, fit_scale
from crestgauge.inference.edge_file import load_edge_model, write_edge_model
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.pipeline import ReadOptions
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import EDGE_FILE, MANIFEST, WeightsSet
from crestgauge.training.evaluate import read_pairs
from crestgauge.training.label_noise import NoiseOptions

FIT_ANIMALS: Final = 40
FIT_CRESTS: Final = 120
LARGEST_BIAS_PX: Final = 1.5
"""Biases are moved up to this; more is a fault of labels or weights, not a bias. [crop px]"""
BIAS_SPREAD_PX: Final = 0.5
"""By how much a retraining moves a bias, a priori: where labels put an edge is a habit of who draws them. A
judgement, of the size of the biases of the shipped weights. [crop px, 1 s]"""
SOURCE_SPREAD_PX: Final = 0.3
"""How far the bias on photos of another source is from that on drawn pictures in their look, a priori; a
judgement. What drawn pictures show of a look is believed by the share that this leaves of it. [crop px,
1 s]"""
LOOK_SHARE: Final = BIAS_SPREAD_PX**2 / (BIAS_SPREAD_PX**2 + SOURCE_SPREAD_PX**2)
ANIMAL_SPREAD_PX: Final = 0.6
"""Spread of the error of animals about the bias, a priori, worth `SPREAD_ANIMALS` animals. [crop px, 1 s]"""
SPREAD_ANIMALS: Final = 4
SHARE: Final = 0.95
"""Of the intervals that are to hold."""
EXPLAINED: Final = "explained by labels"
"""Nothing is widened: the errors of the labels themselves explain what is seen."""
LABEL_BIAS_PX: Final = 2 * NoiseOptions().hand_mm * CROP_PX_PER_MM
"""How much too wide a band is in one person's labels, on all animals alike. [crop px, 1 s]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """
    One labelled photo that did not train.

    Parameters
    ----------
    animal : str
    photo, truth : Path
    """

    animal: str
    photo: Path
    truth: Path


def recalibrate(
    folder: Path,
    judged: Sequence[Judged],
    base: EdgeModel,
    *,
    start: WeightsSet | None = None,
    move: tuple[float, float] = (0.0, 0.0),
    look: tuple[float, float] = (0.0, 0.0),
    workers: int = 1,
    tell: Callable[[int, int], None] = lambda done, of: None,
) -> dict[str, Any]:
    """
    Write ``edge_model.toml`` for the weights in ``folder``.

    Parameters
    ----------
    folder : Path
        With weights and manifest; its edge model is replaced.
    judged : sequence of Judged
    base : EdgeModel
        That of the start weights.
    start : WeightsSet or None
        The start weights. Where the truth comes from labels, they read the same photos, to see how far the
        training moved widths.
    move, look : tuple of float
        By how much widths of dentine and enamel are larger than the start weights read them on drawn
        pictures: read by the new weights in the look of these photos, and by the start weights in that look.
        [crop px]
    workers : int
        Reading processes.
    tell : callable
        Gets (photos read, of).

    Returns
    -------
    dict
        What was done, on how much, and the coverage on animals left out; as kept in ``calibration.json``.
    """
    write_edge_model(base, folder / EDGE_FILE)
    samples = _samples(folder, judged, base, workers, tell)
    before: dict[str, list[EdgeSample]] = {}
    if start is not None and _labelled(_all(samples)):
        before = _samples(start.folder, judged, base, workers, tell, weights=start.fine)
    moved = with_bias(base, samples, before, move, look)
    if moved != base:
        write_edge_model(moved, folder / EDGE_FILE)
        samples = _samples(folder, judged, moved, workers, tell)
    model, report = fitted(samples, moved)
    write_edge_model(model, folder / EDGE_FILE)
    return report | {"bias_moved": moved != base, "model": load_edge_model(folder).to_mapping()}


def with_bias(
    base: EdgeModel,
    samples: Mapping[str, Sequence[EdgeSample]],
    before: Mapping[str, Sequence[EdgeSample]] | None = None,
    move: tuple[float, float] = (0.0, 0.0),
    look: tuple[float, float] = (0.0, 0.0),
) -> EdgeModel:
    """
    ``base`` with its biases moved towards the width errors of these animals.

    They go along with what drawn pictures in the look of these photos show first (``move``; what the look
    does by itself counts by `LOOK_SHARE`). Beyond that,
    each animal gives the median error of its crests; their mean moves the bias by the share
    spread^2 / (spread^2 + s^2 / n) of itself, the posterior mean of a normal bias under a normal prior
    (Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, section 2.5; from memory): n animals, their
    standard deviation s held up by `SPREAD_ANIMALS` animals of `ANIMAL_SPREAD_PX`, and a prior of
    `BIAS_SPREAD_PX`. Of animals that scatter by 0.6 px, two move it by some 60 %, ten by almost 90 %; there
    is no number from which on it jumps.

    Parameters
    ----------
    base : EdgeModel
    samples : mapping of sequence of EdgeSample
        By animal, measured with ``base``; crests without true widths, or without dentine, say nothing.
    before : mapping of sequence of EdgeSample, optional
        The same photos, measured by the start weights with ``base``; used where the truth comes from labels.
        The bias then follows the network as well, as far as these animals show that its widths have moved
        otherwise than on drawn pictures.
    move, look : tuple of float
        Dentine and enamel: ``here`` and ``look`` of `crestgauge.training.look_bias.Moves`. [crop px]
    """
    moves = {}
    labelled = _labelled(_all(samples))
    habit = LABEL_BIAS_PX if labelled else 0.0
    for key, dentine, k in (("dentine_bias_px", True, 0), ("enamel_bias_px", False, 1)):
        misled = LOOK_SHARE * look[k]
        along = move[k] - look[k] + misled
        now = _width_errors(samples, dentine)
        then = _width_errors(before or {}, dentine) if labelled else {}
        both = now.keys() & then.keys()
        if both:
            own = _shrunk([now[animal] - then[animal] - (along - misled) for animal in both])
            own += _shrunk([error - misled for error in then.values()], habit)
        else:
            own = _shrunk([error - along for error in now.values()], habit)
        moved = getattr(base, key) + along + own
        moves[key] = max(-LARGEST_BIAS_PX, min(LARGEST_BIAS_PX, moved))
    if all(abs(value - getattr(base, key)) < 0.05 for key, value in moves.items()):
        return base  # a hundredth of a band: reading again would change nothing
    return replace(base, **moves)


def _width_errors(samples: Mapping[str, Sequence[EdgeSample]], dentine: bool) -> dict[str, float]:
    """Median error of a width by animal, of crests with dentine whose true width is known. [crop px]"""
    known = {
        animal: [s for s in each if s.dentine_px > 0 and _width_known(s, dentine)]
        for animal, each in samples.items()
    }
    return {animal: median_width_error(each, dentine=dentine) for animal, each in known.items() if each}


def _width_known(sample: EdgeSample, dentine: bool) -> bool:
    return (sample.true_dentine_px if dentine else sample.true_enamel_px) is not None


def _labelled(samples: Sequence[EdgeSample]) -> bool:
    """Whether the truth of some of these comes from labels."""
    return any(s.true_u > 0 for s in samples)


def _shrunk(errors: Sequence[float], habit_px: float = 0.0) -> float:
    """Posterior mean of the bias that these animals show, see `with_bias`."""
    count = len(errors)
    if not count:
        return 0.0
    mean = sum(errors) / count
    square = sum((e - mean) ** 2 for e in errors) + SPREAD_ANIMALS * ANIMAL_SPREAD_PX**2
    variance = square / (count - 1 + SPREAD_ANIMALS) / count + habit_px**2
    return mean * BIAS_SPREAD_PX**2 / (BIAS_SPREAD_PX**2 + variance)


def fitted(samples: Mapping[str, Sequence[EdgeSample]], base: EdgeModel) -> tuple[EdgeModel, dict[str, Any]]:
    """
    Edge model for these crests, by animal, and what it rests on.

    ``coverage_left_out`` is the share of crests held when their animal did not take part in the fit, with a
    bootstrap interval over animals.
    """
    crests = sum(len(each) for each in samples.values())
    source = f"crestgauge retrain, {crests} crests of {len(samples)} animals that did not train"
    whole = None
    if len(samples) >= FIT_ANIMALS and crests >= FIT_CRESTS:
        whole = _whole(samples, base, source)
        if _labelled(_all(samples)) and _mean_u(samples, whole[0]) > _mean_u(samples, base):
            whole = None  # labels that are uncertain themselves can only widen it by what they cannot explain
    if whole is not None:
        (model, held), method, factor = whole, "edge model", None
    else:
        model, held, method, factor = _scaled(samples, base, source)
    shares = [sum(answers) / len(answers) for answers in held.values() if answers]
    low, high = bootstrap_interval(shares) if shares else (None, None)
    left_out = {
        "share": sum(shares) / len(shares) if shares else None,
        "low": low,
        "high": high,
        "animals": len(shares),
    }
    report = {
        "method": method,
        "factor": factor,
        "animals": len(samples),
        "crests": crests,
        "coverage_before": coverage(_all(samples), base) if crests else None,
        "coverage_left_out": left_out,
    }
    return model, report


def _whole(
    samples: Mapping[str, Sequence[EdgeSample]], base: EdgeModel, source: str
) -> tuple[EdgeModel, dict[str, list[bool]]]:
    """All terms of the edge model, and which crests a model from the other half of the animals holds."""
    model = fit_edge_model(_all(samples), base, source=source)
    # Biases were set before the samples were measured; the fit's own move would be taken off twice.
    model = replace(model, dentine_bias_px=base.dentine_bias_px, enamel_bias_px=base.enamel_bias_px)
    names = sorted(samples)
    held: dict[str, list[bool]] = {}
    for part in (names[::2], names[1::2]):
        others = {name: samples[name] for name in names if name not in part}
        half = fit_edge_model(_all(others), base, source=source)
        held |= {name: [coverage([s], half) == 1.0 for s in samples[name]] for name in part}
    return model, held


def _scaled(
    samples: Mapping[str, Sequence[EdgeSample]], base: EdgeModel, source: str
) -> tuple[EdgeModel, dict[str, list[bool]], str, float]:
    """``base`` with one factor on all of it: model, which crests it holds when left out, way and factor."""
    scores = {name: [abs(s.ratio - s.true_ratio) / s.u(base) for s in each] for name, each in samples.items()}
    fit, held = fit_scale(scores), coverage_left_out(scores)
    if fit.factor > 1 and _labelled(_all(samples)):
        held = {name: [coverage([s], base) == 1.0 for s in each] for name, each in samples.items()}
        _, high = bootstrap_interval([sum(each) / len(each) for each in held.values() if each])
        if high >= SHARE:
            return base, held, EXPLAINED, 1.0
        scores = {name: [_beyond_labels(s, base) for s in each] for name, each in samples.items()}
        fit, held = fit_scale(scores, least=1.0), coverage_left_out(scores, least=1.0)
    if fit.method == "kept":
        return base, held, fit.method, fit.factor
    model = replace(base, scale=base.scale * fit.factor, source=f"{source}; {fit.method}")
    return model, held, fit.method, fit.factor


def _mean_u(samples: Mapping[str, Sequence[EdgeSample]], model: EdgeModel) -> float:
    """Mean uncertainty that a model states for these crests. [1]"""
    each = [s.u(model) for s in _all(samples)]
    return sum(each) / len(each)


def _beyond_labels(sample: EdgeSample, base: EdgeModel) -> float:
    """
    The score that an interval of the difference needs: |error| <= 1.96 hypot(f u, u of the truth) exactly
    where this is at most 1.96 f.
    """
    square = (sample.ratio - sample.true_ratio) ** 2 - (K95 * sample.true_u) ** 2
    return math.sqrt(max(square, 0.0)) / sample.u(base)


def _all(samples: Mapping[str, Sequence[EdgeSample]]) -> list[EdgeSample]:
    return [s for each in samples.values() for s in each]


def _samples(
    folder: Path,
    judged: Sequence[Judged],
    edge: EdgeModel,
    workers: int,
    tell: Callable[[int, int], None],
    *,
    weights: str | None = None,
) -> dict[str, list[EdgeSample]]:
    # With this edge model, whatever lies beside the weights: biases that follow the look would mix two.
    measure = MeasureOptions(edge_model=edge)
    options = ReadOptions(threads=1, manifest=folder / MANIFEST, weights=weights, measure=measure)
    found: dict[str, list[EdgeSample]] = defaultdict(list)
    pairs = [(each.photo, each.truth) for each in judged]
    for number, (each, (_, samples)) in enumerate(
        zip(judged, read_pairs(pairs, options, workers), strict=True), 1
    ):
        if samples:
            found[each.animal] += samples
        tell(number, len(judged))
    return dict(found)
