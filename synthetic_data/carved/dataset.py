"""A folder of carved pictures: which class and fault, one picture at a time, finished ones kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from crestgauge.synthetic_data.carved.looks import FAULTS, Shot, Skin, draw_shot, draw_skin
from crestgauge.synthetic_data.carved.phone import develop, write_photo
from crestgauge.synthetic_data.carved.picture import PASSES, Taken, trace
from crestgauge.synthetic_data.carved.rows import CLASSES, Row, make_row
from crestgauge.synthetic_data.carved.truth import class_of, truth_of
from crestgauge.synthetic_data.traced.dataset import write_json, write_manifest

FAULT_EVERY = 6
"""Each sixth picture is made unusable on purpose."""
TRIES = 60
"""Animals drawn for a wanted class before the draw gives up."""


def plan(index: int) -> tuple[str, str | None]:
    """Class and fault of picture ``index``."""
    block, place = divmod(index, FAULT_EVERY)
    if place == FAULT_EVERY - 1:
        return CLASSES[(2 + 3 * block) % len(CLASSES)], FAULTS[block % len(FAULTS)]
    usable = block * (FAULT_EVERY - 1) + place
    return CLASSES[(usable * 5) % len(CLASSES)], None


def name_of(index: int) -> str:
    """File name without ending."""
    return f"carved-{index:04d}"


def animal(seed: int, age_class: str, side: str) -> Row:
    """
    The first animal drawn from ``seed`` whose true widths give the class.

    Raises
    ------
    RuntimeError
        If none of `TRIES` does: then the wear table and the key have come apart.
    """
    for k in range(TRIES):
        row = make_row(seed * 100 + k, age_class, side)
        if class_of(row) == age_class:
            return row
    raise RuntimeError(f"seed {seed}: none of {TRIES} drawn animals is {age_class} by the key")


def draw_case(seed: int, index: int) -> tuple[int, Row | None, Skin, Shot]:
    """Seed, animal, colours and conditions of picture ``index`` of the set ``seed``."""
    own = seed * 10_007 + index
    rng = np.random.default_rng(own)
    age_class, fault = plan(index)
    row = None
    if fault != "not_a_jaw":
        row = animal(own, age_class, ("left", "right")[int(rng.integers(2))])
    skin = draw_skin(rng, age_class in ("0.5", "1.5"))
    return own, row, skin, draw_shot(rng, index, fault, 80.0 if row is None else row.length)


def draw_one(seed: int, index: int, *, small: bool = False) -> tuple[Any, dict[str, Any], Shot]:
    """Image (H, W, 3), truth and conditions of one picture; ``small``: a sixth of the size, one pass."""
    own, row, skin, shot = draw_case(seed, index)
    if small:
        shot = replace(shot, size=(shot.size[0] // 6, shot.size[1] // 6), px_per_mm=shot.px_per_mm / 6)
    taken: Taken = trace(own, row, skin, shot, passes=1 if small or shot.fault else PASSES)
    image = develop(np.random.default_rng([own, 5]), taken.linear, shot)
    return image, truth_of(name_of(index), own, row, skin, shot, taken.relief), shot


def make_set(out: Path, seed: int, count: int, *, only: list[int] | None = None) -> int:
    """
    Draw pictures 0..count-1 (or only some) into ``out``; finished ones are kept.

    Files: ``photos/NAME.jpg``, ``truth/NAME.json``, ``manifest.jsonl``. Returns how many are finished.
    """
    for folder in ("photos", "truth"):
        (out / folder).mkdir(parents=True, exist_ok=True)
    for index in only if only is not None else range(count):
        name = name_of(index)
        if (out / "truth" / f"{name}.json").exists():
            continue
        image, truth, shot = draw_one(seed, index)
        truth["conditions"]["jpeg_quality"] = write_photo(
            str(out / "photos" / f"{name}.jpg"), image, shot.quality
        )
        write_json(out / "truth" / f"{name}.json", truth)
        write_manifest(out)
    return write_manifest(out)
