"""A folder of traced pictures: which animals and faults, one picture at a time, finished ones skipped."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.synthetic_data.traced.conditions import FAULTS, Conditions, draw_conditions, place_camera
from crestgauge.synthetic_data.traced.jaws import Jaw, make_jaw
from crestgauge.synthetic_data.traced.picture import Effort, Picture, crown_tops, take_picture
from crestgauge.synthetic_data.traced.truth import annotate, truth_of

AGE_RANGES = (
    (0.4, 0.8),
    (1.1, 1.95),
    (2.3, 2.7),
    (3.3, 3.7),
    (4.3, 4.7),
    (5.3, 5.7),
    (6.3, 6.7),
    (7.4, 7.8),
    (8.6, 10.3),
)
"""Drawn ages, one range per class, so that a small set covers all classes evenly."""
TOP_UP_FROM, TOP_UP_AHEAD_MM = 65, 0.6
"""Pictures from this one on are usable 2.5-year-olds with tooth 3 worn further by this: of those drawn as
they come, many keep a tooth 3 so fresh that the key calls them 1.5."""
FAULT_EVERY = 5
"""Each fifth picture is made unusable on purpose."""


def plan(index: int) -> tuple[int | None, str | None]:
    """Age range and fault of picture ``index``; a picture has a fault or is usable, ages and faults go
    round."""
    if index >= TOP_UP_FROM:
        return AGE_RANGES.index((2.3, 2.7)), None
    block, place = divmod(index, FAULT_EVERY)
    if place == FAULT_EVERY - 1:
        return (block * 4) % len(AGE_RANGES), FAULTS[block % len(FAULTS)]
    usable = block * (FAULT_EVERY - 1) + place
    return (usable * 4) % len(AGE_RANGES), None


def name_of(index: int) -> str:
    """File name without ending."""
    return f"traced-{index:04d}"


def draw_case(own: int, index: int) -> tuple[int, Jaw | None, Conditions]:
    """Seed, animal and conditions of picture ``index``, whose own seed is ``own``."""
    rng = np.random.default_rng(own)
    band, fault = plan(index)
    jaw: Jaw | None = None
    side = "left" if rng.random() < 0.5 else "right"
    if fault != "not_a_jaw" and band is not None:
        ahead = TOP_UP_AHEAD_MM if index >= TOP_UP_FROM else 0.0
        jaw = make_jaw(rng, float(rng.uniform(*AGE_RANGES[band])), side, tooth_3_ahead_mm=ahead)
    return own, jaw, draw_conditions(rng, fault, index)


def draw_one(
    seed: int, index: int, effort: Effort, *, size: tuple[int, int] | None = None
) -> tuple[Any, dict[str, Any]]:
    """
    Picture ``index`` of the set ``seed``.

    Parameters
    ----------
    size : tuple of 2 ints, optional
        (width, height) instead of the drawn one, for small test pictures. [px]

    Returns
    -------
    picture : Picture
    truth : dict
    """
    own, jaw, cond = draw_case(seed * 100_003 + index, index)
    if size is not None:
        cond = replace(cond, size=size)
    picture = take_picture(own, jaw, cond, effort)
    return picture, truth_of(name_of(index), own, jaw, cond, picture)


def write_json(path: Path, value: Any) -> None:
    """Write beside, then rename, so that a stopped run leaves no half file."""
    part = path.with_suffix(".part")
    part.write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")
    part.replace(path)


def write_manifest(out: Path) -> int:
    """One line per finished picture; returns how many."""
    lines = []
    for path in sorted((out / "truth").glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        short = (
            "file",
            "family",
            "seed",
            "usable",
            "unusable",
            "side",
            "age_years",
            "age_class",
            "tilt_deg",
            "px_per_mm",
        )
        lines.append(json.dumps({key: truth[key] for key in short}))
    (out / "manifest.jsonl").write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    return len(lines)


def make_set(
    out: Path,
    seed: int,
    count: int,
    *,
    only: list[int] | None = None,
    labels: bool = True,
    effort: Effort | None = None,
) -> int:
    """
    Draw pictures 0..count-1 (or `only` some) into ``out``; finished ones are kept.

    Files: ``photos/NAME.jpg``, ``truth/NAME.json``, with ``labels`` also ``labels/NAME.material.png`` and
    ``labels/NAME.tooth.png``, and ``manifest.jsonl``. Returns how many are finished.
    """
    effort = Effort() if effort is None else effort
    for folder in ("photos", "truth", *(["labels"] if labels else [])):
        (out / folder).mkdir(parents=True, exist_ok=True)
    for index in only if only is not None else range(count):
        name = name_of(index)
        done = out / "truth" / f"{name}.json"
        if done.exists():
            continue
        picture, truth = draw_one(seed, index, effort)
        quality = truth["conditions"]["jpeg_quality"]
        cv2.imwrite(
            str(out / "photos" / f"{name}.jpg"), picture.image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality]
        )
        if labels:
            for kind in ("material", "tooth"):
                cv2.imwrite(
                    str(out / "labels" / f"{name}.{kind}.png"),
                    getattr(picture, kind),
                    [cv2.IMWRITE_PNG_COMPRESSION, 9],
                )
        write_json(done, truth)
        write_manifest(out)
    return write_manifest(out)


def measure_again(out: Path, only: list[int] | None = None) -> int:
    """
    Work out the truth of finished pictures again from their seeds, without rendering; returns how many.

    Needs the tooth label pictures. For use after the measuring code changed and the drawing code did not.

    Raises
    ------
    InputError
        If a tooth label picture is missing: without it every tooth would count as unseen.
    """
    for path in sorted((out / "truth").glob("*.json")):
        if only is not None and int(path.stem.rsplit("-", 1)[1]) not in only:
            continue
        old = json.loads(path.read_text(encoding="utf-8"))
        index = int(path.stem.rsplit("-", 1)[1])
        own, jaw, cond = draw_case(old["seed"], index)
        if jaw is None:
            continue
        tooth = _read_tooth_labels(out / "labels" / f"{path.stem}.tooth.png")
        camera = place_camera(cond, np.random.default_rng([own, 7]), jaw.row_mm)
        picture = Picture(
            image=np.zeros((1, 1, 3), np.uint8),
            material=np.zeros_like(tooth),  # truth comes from the solids and the tooth labels alone
            tooth=tooth,
            camera=camera,
            tops=crown_tops(jaw),
            conditions=old["conditions"],
        )
        write_json(path, truth_of(path.stem, own, jaw, cond, picture))
    return write_manifest(out)


def _read_tooth_labels(path: Path) -> NDArray[np.uint8]:
    labels = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if labels is None:
        raise InputError(f"{path}: no picture there; needs the tooth labels. Draw the set again with labels.")
    return np.asarray(labels, dtype=np.uint8)


def annotate_set(out: Path) -> int:
    """Work out the classes of all truth files again with the default criteria; returns how many files."""
    for path in sorted((out / "truth").glob("*.json")):
        write_json(path, annotate(json.loads(path.read_text(encoding="utf-8"))))
    return write_manifest(out)
