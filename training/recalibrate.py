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
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.calibrate import EdgeSample, coverage, fit_edge_model, median_width_error
from crestgauge.inference.compare.paired import bootstrap_interval
from crestgauge.inference.conformal import coverage_left_out, fit_scale
from crestgauge.inference.edge_file import load_edge_model, write_edge_model
from crestgauge.inference.pipeline import ReadOptions
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import EDGE_FILE, MANIFEST
from crestgauge.training.evaluate import read_pairs

FIT_ANIMALS: Final = 40
FIT_CRESTS: Final = 120
LARGEST_BIAS_PX: Final = 1.5
"""Biases are moved up to this; more is a fault of labels or weights, not a bias. [crop px]"""
BIAS_SPREAD_PX: Final = 0.5
"""By how much a retraining moves a bias, a priori: where labels put an edge is a habit of who draws them. A
judgement, of the size of the biases of the shipped weights. [crop px, 1 s]"""
ANIMAL_SPREAD_PX: Final = 0.6
"""Spread of the error of animals about the bias, a priori, worth `SPREAD_ANIMALS` animals. [crop px, 1 s]"""
SPREAD_ANIMALS: Final = 4


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
    samples = _samples(folder, judged, workers, tell)
    moved = with_bias(base, samples)
    if moved != base:
        write_edge_model(moved, folder / EDGE_FILE)
        samples = _samples(folder, judged, workers, tell)
    model, report = fitted(samples, moved)
    write_edge_model(model, folder / EDGE_FILE)
    return report | {"bias_moved": moved != base, "model": load_edge_model(folder).to_mapping()}


def with_bias(base: EdgeModel, samples: Mapping[str, Sequence[EdgeSample]]) -> EdgeModel:
    """
    ``base`` with its biases moved towards the width errors of these animals.

    Each animal gives the median error of its crests; their mean moves the bias by the share
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
    """
    moves = {}
    for key, dentine in (("dentine_bias_px", True), ("enamel_bias_px", False)):
        errors = [
            median_width_error(known, dentine=dentine)
            for each in samples.values()
            if (known := [s for s in each if s.dentine_px > 0 and _width_known(s, dentine)])
        ]
        moved = getattr(base, key) + _shrunk(errors)
        moves[key] = max(-LARGEST_BIAS_PX, min(LARGEST_BIAS_PX, moved))
    if all(abs(value - getattr(base, key)) < 0.05 for key, value in moves.items()):
        return base  # a hundredth of a band: reading again would change nothing
    return replace(base, **moves)


def _width_known(sample: EdgeSample, dentine: bool) -> bool:
    return (sample.true_dentine_px if dentine else sample.true_enamel_px) is not None


def _shrunk(errors: Sequence[float]) -> float:
    """Posterior mean of the bias that these animals show, see `with_bias`."""
    count = len(errors)
    if not count:
        return 0.0
    mean = sum(errors) / count
    square = sum((e - mean) ** 2 for e in errors) + SPREAD_ANIMALS * ANIMAL_SPREAD_PX**2
    variance = square / (count - 1 + SPREAD_ANIMALS) / count
    return mean * BIAS_SPREAD_PX**2 / (BIAS_SPREAD_PX**2 + variance)


def fitted(samples: Mapping[str, Sequence[EdgeSample]], base: EdgeModel) -> tuple[EdgeModel, dict[str, Any]]:
    """
    Edge model for these crests, by animal, and what it rests on.

    ``coverage_left_out`` is the share of crests held when their animal did not take part in the fit, with a
    bootstrap interval over animals.
    """
    crests = sum(len(each) for each in samples.values())
    source = f"crestgauge retrain, {crests} crests of {len(samples)} animals that did not train"
    if len(samples) >= FIT_ANIMALS and crests >= FIT_CRESTS:
        model = fit_edge_model(_all(samples), base, source=source)
        # Biases were set before the samples were measured; the fit's own move would be taken off twice.
        model = replace(model, dentine_bias_px=base.dentine_bias_px, enamel_bias_px=base.enamel_bias_px)
        names = sorted(samples)
        held: dict[str, list[bool]] = {}
        for part in (names[::2], names[1::2]):
            others = {name: samples[name] for name in names if name not in part}
            half = fit_edge_model(_all(others), base, source=source)
            held |= {name: [coverage([s], half) == 1.0 for s in samples[name]] for name in part}
        method, factor, animals = "edge model", None, len(samples)
    else:
        scores = {
            name: [abs(s.ratio - s.true_ratio) / s.u(base) for s in each] for name, each in samples.items()
        }
        fit = fit_scale(scores)
        model = base
        if fit.method != "kept":
            model = replace(base, scale=base.scale * fit.factor, source=f"{source}; {fit.method}")
        held = coverage_left_out(scores)
        method, factor, animals = fit.method, fit.factor, fit.animals
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
        "animals": animals,
        "crests": crests,
        "coverage_before": coverage(_all(samples), base) if crests else None,
        "coverage_left_out": left_out,
    }
    return model, report


def _all(samples: Mapping[str, Sequence[EdgeSample]]) -> list[EdgeSample]:
    return [s for each in samples.values() for s in each]


def _samples(
    folder: Path, judged: Sequence[Judged], workers: int, tell: Callable[[int, int], None]
) -> dict[str, list[EdgeSample]]:
    options = ReadOptions(threads=1, manifest=folder / MANIFEST)
    found: dict[str, list[EdgeSample]] = defaultdict(list)
    pairs = [(each.photo, each.truth) for each in judged]
    for number, (each, (_, samples)) in enumerate(
        zip(judged, read_pairs(pairs, options, workers), strict=True), 1
    ):
        if samples:
            found[each.animal] += samples
        tell(number, len(judged))
    return dict(found)
