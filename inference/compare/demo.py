"""
The worked study: drawn jaws of known age, three readers with biases that were put in, photos taken again.

The animals, their true ratios and what the default key makes of them come from the project's own generator
(`jaws.csv` beside the templates, written by `crestgauge.synthetic_data.known_age`). Readers, re-shot photos
and callipers are simulated here; `TRUTH` holds what was put in, and a test checks that the report finds it
again. Names are invented.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Final

import numpy as np

from crestgauge.inference.compare.ages import SCALES
from crestgauge.inference.compare.files import csv_text

LABELS: Final = SCALES["years"].labels


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderModel:
    """
    How a simulated reader goes wrong.

    Parameters
    ----------
    one_off : float
        Chance of being one class too young, and the same of being one class too old, without any bias.
    too_old_young : float
        Extra chance of one class too old on animals of 1.5 to 3.5.
    too_young_old : float
        Extra chance of one class too young on animals of 5.5 and older.
    female_shift : float
        Extra chance of one class too young on females.
    skips : float
        Share of animals that the reader did not read.
    """

    one_off: float
    too_old_young: float = 0.0
    too_young_old: float = 0.0
    female_shift: float = 0.0
    skips: float = 0.0


TRUTH: Final[Mapping[str, ReaderModel]] = {
    "Alder": ReaderModel(one_off=0.12),
    "Birch": ReaderModel(one_off=0.12, too_old_young=0.30, too_young_old=0.35),
    "Cedar": ReaderModel(one_off=0.15, female_shift=0.40, skips=0.06),
}
"""Three invented readers: without bias; young too old and old too young; females too young, with gaps."""

PHOTO_SD: Final = 0.06
"""Relative standard deviation of a ratio between two photos of one jaw."""
READER_FACTOR: Final[Mapping[str, float]] = {"Alder": 1.0, "Birch": 1.12, "Cedar": 0.93}
"""Systematic factor of each reader on ratios measured by hand in the gauge part."""
HAND_SD: Final = 0.08
"""Relative standard deviation of repeats by hand."""
CALLIPER_OFFSET: Final = 0.05
"""Callipers read this much more than the photos, in units of the ratio."""
GAUGE_JAWS: Final = 15
GAUGE_TRIALS: Final = 3


def demo_files(seed: int = 5) -> dict[str, str]:
    """
    The files of the worked study by name, as somebody would bring them, a few odd cells included.

    known.csv, readers.csv (one column a reader), tool.csv, measured.csv (two photos of every jaw),
    gauge.csv (15 jaws, three readers, three trials), callipers.csv.
    """
    rng = np.random.default_rng(seed)
    animals = load_animals()
    readers = {name: [call_age(rng, model, a) for a in animals] for name, model in TRUTH.items()}
    known = [[a["id"], a["known_age"], a["sex"], a["area"]] for a in animals]
    calls = [[a["id"], *(readers[name][i] for name in TRUTH)] for i, a in enumerate(animals)]
    _odd_cells(known, calls)
    return {
        "known.csv": csv_text(["id", "age", "sex", "area"], known),
        "readers.csv": csv_text(["id", *TRUTH], calls),
        "tool.csv": csv_text(["id", "age"], [[a["id"], a["key_class"]] for a in animals]),
        "measured.csv": csv_text(
            ["id", "tooth", "quantity", "reader", "trial", "value"], _photos(rng, animals)
        ),
        "gauge.csv": csv_text(["id", "tooth", "quantity", "reader", "trial", "value"], _gauge(rng, animals)),
        "callipers.csv": csv_text(
            ["id", "tooth", "quantity", "reader", "trial", "value"], _callipers(rng, animals)
        ),
    }


def load_animals() -> list[dict[str, str]]:
    """The drawn animals of known age."""
    text = files("crestgauge.inference.compare").joinpath("data/jaws.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


def call_age(rng: np.random.Generator, model: ReaderModel, animal: Mapping[str, str]) -> str:
    """A reader's call. Fawns are always right; the ends of the scale cut a call off."""
    true = LABELS.index(animal["known_age"])
    u, old, young, female, skip = rng.random(5)
    if skip < model.skips:
        return ""
    if true == 0:
        return LABELS[0]
    shift = -1 if u < model.one_off else 1 if u > 1 - model.one_off else 0
    shift += int(1 <= true <= 3 and old < model.too_old_young)
    shift -= int(true >= 5 and young < model.too_young_old)
    shift -= int(animal["sex"] == "female" and female < model.female_shift)
    return LABELS[min(max(true + shift, 1), len(LABELS) - 1)]


def _odd_cells(known: list[list[str]], calls: list[list[str]]) -> None:
    """What real tables look like: other ways to write an age, a repeat, an unknown id."""
    calls[40][1] = calls[40][1].replace(".5", " 1/2")
    calls[41][1] += " yrs"
    calls[42][2] = calls[42][2].replace(".5", "")
    calls.append([calls[50][0], *calls[50][1:]])
    calls.append(["KA-999", "2.5", "2.5", "2.5"])
    known[60][1] = ""


def _ratios(animal: Mapping[str, str]) -> dict[int, float]:
    """True ratios of teeth 4 to 6 that have one; inf where no inner band is left."""
    cells = {tooth: animal[f"ratio_{tooth}"] for tooth in (4, 5, 6)}
    return {t: math.inf if cell == "gone" else float(cell) for t, cell in cells.items() if cell}


def _photos(rng: np.random.Generator, animals: list[dict[str, str]]) -> list[list[str]]:
    rows = []
    for animal in animals:
        for trial in ("1", "2"):
            for tooth, ratio in _ratios(animal).items():
                value = "gone" if math.isinf(ratio) else f"{ratio * math.exp(rng.normal(0, PHOTO_SD)):.3f}"
                rows.append([animal["id"], str(tooth), "ratio", "tool", trial, value])
            for tooth in (4, 5, 6):
                if left := animal[f"infundibulum_left_{tooth}"]:
                    value = f"{min(max(float(left) + rng.normal(0, 0.03), 0), 1):.3f}"
                    rows.append([animal["id"], str(tooth), "infundibulum_left", "tool", trial, value])
    return rows


def _measurable(animals: list[dict[str, str]]) -> list[tuple[str, float]]:
    """Jaws with a finite ratio above 0 on tooth 5, spread evenly over the ratios."""
    found = [(a["id"], _ratios(a).get(5, 0.0)) for a in animals]
    found = sorted(((k, r) for k, r in found if 0.2 < r < math.inf), key=lambda item: item[1])
    return [found[int(i)] for i in np.linspace(0, len(found) - 1, GAUGE_JAWS)]


def _gauge(rng: np.random.Generator, animals: list[dict[str, str]]) -> list[list[str]]:
    return [
        [key, "5", "ratio", name, str(trial), f"{ratio * factor * math.exp(rng.normal(0, HAND_SD)):.3f}"]
        for key, ratio in _measurable(animals)
        for name, factor in READER_FACTOR.items()
        for trial in range(1, GAUGE_TRIALS + 1)
    ]


def _callipers(rng: np.random.Generator, animals: list[dict[str, str]]) -> list[list[str]]:
    rows = []
    for animal in animals[24::3]:
        ratio = _ratios(animal).get(4, 0.0)
        if 0 < ratio < math.inf:
            value = f"{ratio + CALLIPER_OFFSET + rng.normal(0, 0.05):.3f}"
            rows.append([animal["id"], "4", "ratio", "callipers", "1", value])
    return rows
