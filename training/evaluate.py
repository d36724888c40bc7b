"""
The evaluation: photographs as files, through the whole pipeline, against their truth.

Nothing is cut short: fresh photographs are drawn, written as JPEG, read from disk by worker processes exactly
as ``crestgauge read`` reads them, and compared with the truth beside them. The same works on any folder with
truth files, so photographs from another source go through the very same code.

A folder of photographs: ``photos/NAME.jpg`` (or another picture format) and ``truth/NAME.json``.
"""

from __future__ import annotations

import json
import multiprocessing
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2

from crestgauge.inference.calibrate import (
    EdgeSample,
    coverage,
    edge_sample,
    fit_edge_model,
    untold_spread,
)
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.edge_file import read_edge_model, write_edge_model
from crestgauge.inference.errors import CrestgaugeError, InputError
from crestgauge.inference.evidence import RowEvidence
from crestgauge.inference.pipeline import Reader, ReadOptions, Result, pinned
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.rules import propose
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import EDGE_FILE
from crestgauge.synthetic_data.memory import keep_memory
from crestgauge.training.report import markdown
from crestgauge.training.score import score_photo, summarise

SUMMARY, ROWS, REPORT = "evaluation.json", "photos.jsonl", "evaluation.md"
FRESH_SEED = 8_000_000
"""First seed of evaluation photographs; training and its checks stay far away from it."""
PHOTO_TYPES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")


@dataclass(frozen=True, slots=True, kw_only=True)
class EvaluateConfig:
    """
    How an evaluation is made.

    Parameters
    ----------
    photos : int
        Fresh photographs to draw.
    seed : int
        Added to `FRESH_SEED`.
    workers : int
        Reading processes, one thread each.
    drawers : int
        Drawing processes.
    devices : tuple of str
        Devices that they draw on, in turn; empty = all GPUs, else the CPU.
    weights : str or None
        Set of weights to read with; None = the user's default, else the shipped ones.
    manifest : Path or None
        Weights to read with, by the path of their manifest.
    edge_model : Path or None
        Edge model to read with; None = the one that lies beside the weights.
    calibrate : bool
        Fit an edge model to what was measured, and say what its intervals cover on the half it was not fitted
        to.
    dataset : dict
        Options of the drawn set by name, see `crestgauge.synthetic_data.dataset.DatasetOptions`.
    """

    photos: int = 400
    seed: int = 0
    workers: int = 2
    drawers: int = 1
    devices: tuple[str, ...] = ()
    weights: str | None = None
    manifest: Path | None = None
    edge_model: Path | None = None
    calibrate: bool = False
    dataset: dict[str, Any] = field(default_factory=dict)


def evaluate_fresh(
    out: Path, config: EvaluateConfig, *, log: Callable[[str], None] = print
) -> dict[str, Any]:
    """
    Draw fresh photographs, then `evaluate_folder`.

    Parameters
    ----------
    out : Path
        Gets ``data`` (the photographs, kept) and the results.
    config : EvaluateConfig
    log : callable
        Takes one short line.
    """
    started = time.monotonic()
    for done, total in draw_photos(out / "data", config):
        if done % 50 == 0 or done == total:
            log(f"drawn {done} of {total} after {time.monotonic() - started:.0f} s")
    return evaluate_folder(out / "data", out, config, log=log)


def draw_photos(folder: Path, config: EvaluateConfig) -> Iterator[tuple[int, int]]:
    """Draw the photographs of an evaluation; yields (done, total). Finished ones are left as they are."""
    devices = config.devices or device_names()
    drawers = max(1, min(config.drawers, config.photos))
    sizes = [config.photos // drawers + (k < config.photos % drawers) for k in range(drawers)]
    first = FRESH_SEED + 1000 * config.seed
    jobs = [
        (folder, size, first + k, devices[k % len(devices)], dict(config.dataset))
        for k, size in enumerate(sizes)
    ]
    if drawers == 1:
        yield from ((done, config.photos) for done, _ in enumerate(_draw_shard(*jobs[0]), 1))
        return
    with ProcessPoolExecutor(drawers, mp_context=multiprocessing.get_context("spawn")) as pool:
        waiting = [pool.submit(_draw_all, *job) for job in jobs]
        done = 0
        for future in as_completed(waiting):
            done += future.result()
            yield done, config.photos
    _join_manifests(folder)


def evaluate_folder(
    folder: Path, out: Path, config: EvaluateConfig, *, log: Callable[[str], None] = print
) -> dict[str, Any]:
    """
    Read every photograph of a folder that has a truth file, and score the readings.

    Parameters
    ----------
    folder : Path
        ``photos/`` and ``truth/``.
    out : Path
        Gets ``evaluation.json``, ``evaluation.md``, ``photos.jsonl`` and, with ``config.calibrate``,
        ``edge_model.toml``.
    config : EvaluateConfig
    log : callable

    Returns
    -------
    dict
        The summary, as in ``evaluation.json``.

    Raises
    ------
    InputError
        If there is no truth file.
    WeightsError
        If the weights cannot be loaded.
    """
    pairs = list_pairs(folder)
    started = time.monotonic()
    options = read_options(config)
    # Damaged weights are one error here, not one for each photograph.
    edge_model = Reader(options).measure.edge_model
    rows: list[dict[str, Any]] = []
    samples: list[EdgeSample] = []
    for number, (row, found) in enumerate(read_pairs(pairs, options, config.workers), 1):
        rows.append(row)
        samples.extend(found)
        if number % 100 == 0 or number == len(pairs):
            log(f"read {number} of {len(pairs)} after {time.monotonic() - started:.0f} s")
    rows.sort(key=lambda row: row["file"])
    summary = summarise(rows)
    summary["seconds"] = round(time.monotonic() - started, 1)
    out.mkdir(parents=True, exist_ok=True)
    if config.calibrate:
        summary["edge_model"] = calibrate(samples, out / EDGE_FILE, edge_model)
    (out / ROWS).write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    (out / SUMMARY).write_text(json.dumps(summary, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    (out / REPORT).write_text(markdown(summary), encoding="utf-8")
    return summary


def list_pairs(folder: Path) -> list[tuple[Path, Path]]:
    """
    (photograph, truth file) of every truth file in ``folder``.

    Raises
    ------
    InputError
        If there is none, or a photograph is missing.
    """
    pairs = []
    for truth in sorted((folder / "truth").glob("*.json")):
        named = [folder / "photos" / (truth.stem + ending) for ending in PHOTO_TYPES]
        photo = next((path for path in named if path.is_file()), None)
        if photo is None:
            raise InputError(
                f"{truth}: no photograph photos/{truth.stem}.jpg (or {', '.join(PHOTO_TYPES[1:])}) "
                "beside it. Add it, or remove the truth file."
            )
        pairs.append((photo, truth))
    if not pairs:
        raise InputError(
            f'{folder}: no truth/*.json; needs photographs with truth. Write some with "crestgauge synth".'
        )
    return pairs


def read_options(config: EvaluateConfig) -> ReadOptions:
    """Options of the readers: one thread each, and the wanted weights and edge model."""
    options = pinned(ReadOptions(threads=1, weights=config.weights, manifest=config.manifest))
    if config.edge_model is None:
        return options
    return replace(options, measure=MeasureOptions(edge_model=read_edge_model(config.edge_model)))


def calibrate(samples: Sequence[EdgeSample], path: Path, base: EdgeModel) -> dict[str, Any]:
    """
    Edge model for these crests, written to ``path``, and what it covers.

    The honest figure is ``coverage_other_half``: a model fitted to every second crest, judged on the rest.
    The model that is written is fitted to all of them. ``untold_spread`` bounds what a number that tells hard
    crests from easy ones could still add to it.
    """
    odd, even = list(samples[1::2]), list(samples[::2])
    source = f"fitted to {len(samples)} drawn crests by crestgauge evaluate"
    half = fit_edge_model(even, base, source=source)
    model = fit_edge_model(samples, base, source=source)
    write_edge_model(model, path)
    return {
        "crests": len(samples),
        "coverage_before": coverage(samples, base),
        "coverage_other_half": coverage(odd, half),
        "coverage_after": coverage(samples, model),
        "untold_spread": untold_spread(samples, model),
        "model": model.to_mapping(),
    }


def crest_samples(result: Result, truth: dict[str, Any]) -> list[EdgeSample]:
    """
    What an edge model can be fitted to: measured crests of a usable, read photograph beside their truth.
    """
    if result.row is None or result.reading.outcome == "retake" or not truth["usable"]:
        return []
    true = {(t["position"], c["lobe"]): c for t in truth["teeth"] for c in t.get("crests", [])}
    samples = []
    for tooth in result.row.teeth:
        for crest in tooth.crests:
            known = true.get((tooth.position, crest.lobe))
            if known is None or known["ratio"] is None:
                continue
            sample = edge_sample(
                result.row,
                crest,
                known["ratio"],
                true_dentine_px=known["dentine_px"],
                true_enamel_px=known["enamel_px"],
                true_u=known.get("ratio_u") or 0.0,
            )
            if sample is not None:
                samples.append(sample)
    return samples


def class_by_values(evidence: RowEvidence, criteria: Criteria) -> str | None:
    """
    The class that the measured values give by themselves, every doubt set aside; None where it is open.

    A reading keeps the younger class wherever it doubts, so its class says as much of the rule for doubt as
    of the widths. This one says what the measuring alone got right, and where the values are a truth (a
    person's labels), which class that truth is; nobody is shown it.
    """
    sure = replace(criteria.options, borderline_k=0.0, doubt_by_definition=())
    return propose(evidence, replace(criteria, options=sure)).age_class


_READER: Reader | None = None


def read_pairs(
    pairs: Sequence[tuple[Path, Path]], options: ReadOptions, workers: int
) -> Iterator[tuple[dict[str, Any], list[EdgeSample]]]:
    """
    Score and crest samples of each (photograph, truth file), in order; with several ``workers`` in processes.
    """
    if workers <= 1:
        _start_worker(options)
        yield from map(_read_one, pairs)
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, initializer=_start_worker, initargs=(options,)) as pool:
        yield from pool.map(_read_one, pairs, chunksize=2)


def _start_worker(options: ReadOptions) -> None:
    """One Reader per process."""
    global _READER
    cv2.setNumThreads(1)  # the processes share the cores already
    _READER = Reader(options)


def _read_one(pair: tuple[Path, Path]) -> tuple[dict[str, Any], list[EdgeSample]]:
    assert _READER is not None
    photo, truth_path = pair
    truth = json.loads(truth_path.read_text(encoding="utf-8"))
    truth.setdefault("file", photo.name)
    try:
        result = _READER.read(photo)
    except CrestgaugeError as error:
        return score_photo(truth, None, str(error)), []
    row = score_photo(truth, result.reading.to_dict())
    if not row["refused"] and result.evidence is not None:
        row["class_by_values"] = class_by_values(result.evidence, _READER.criteria)
    return row, crest_samples(result, truth)


def _draw_shard(folder: Path, size: int, seed: int, device: str, dataset: dict[str, Any]) -> Iterator[Path]:
    import torch

    from crestgauge.synthetic_data.dataset import DatasetOptions, write_dataset

    keep_memory()
    plain: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in dataset.items()
    }
    yield from write_dataset(
        folder, n=size, seed=seed, device=torch.device(device), options=DatasetOptions(**plain)
    )


def _join_manifests(folder: Path) -> None:
    """One manifest of all photographs in place of the one that the last drawing process wrote."""
    keys = ("file", "seed", "usable", "unusable", "side", "age_class", "conditions")
    truths = [
        json.loads(path.read_text(encoding="utf-8")) for path in sorted((folder / "truth").glob("*.json"))
    ]
    lines = [json.dumps({key: truth.get(key) for key in keys}) + "\n" for truth in truths]
    (folder / "manifest.jsonl").write_text("".join(lines), encoding="utf-8")


def _draw_all(folder: Path, size: int, seed: int, device: str, dataset: dict[str, Any]) -> int:
    return sum(1 for _ in _draw_shard(folder, size, seed, device, dataset))


def device_names() -> tuple[str, ...]:
    """All GPUs, else the CPU."""
    import torch

    return tuple(f"cuda:{i}" for i in range(torch.cuda.device_count())) or ("cpu",)
