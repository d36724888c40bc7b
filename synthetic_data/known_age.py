"""
Drawn animals of known age with their true ratios: what a study on known-age jaws would measure without any
error.

``python -m crestgauge.synthetic_data.known_age OUT.csv`` wrote the table of the demo study in
`crestgauge.inference.compare`. Only wear varies between animals of one age here (own rate of wear, tooth by
tooth, enamel thickness, shape), as the generator has it, so the table shows what biology alone leaves to
any reader.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import torch

from crestgauge.inference.answers import tooth_ratio
from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.rules import propose
from crestgauge.synthetic_data.memory import keep_memory
from crestgauge.synthetic_data.options import FINE
from crestgauge.synthetic_data.scene import Specimen, sample_conditions, sample_specimen
from crestgauge.synthetic_data.truth import evidence, teeth_truth

ANIMALS: Final[Mapping[str, int]] = {
    "0.5": 12, "1.5": 12, "2.5": 36, "3.5": 36, "4.5": 36, "5.5": 32, "6.5": 32, "7.5": 28, "8.5+": 24,
}  # fmt: skip
"""Animals by known age. More of 2.5 to 4.5, since these are the ages that ratios are asked to tell apart."""
SEED: Final = 2026
SPREAD_YEARS: Final = 0.12
"""Births and kills spread over weeks: half width of the spread of true age about the label (ours). [yr]"""
OLDEST_YEARS: Final = 11.5
COLUMNS: Final = ("id", "known_age", "age_years", "sex", "area", "key_class", *(
    f"{quantity}_{tooth}" for quantity in ("ratio", "infundibulum_left") for tooth in (4, 5, 6)
))  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownAnimal:
    """One drawn animal, numbered from 1 over all labels; ``rng`` goes on where drawing it left off."""

    number: int
    label: str
    age_years: float
    specimen: Specimen
    rng: np.random.Generator


def known_animals(seed: int, animals: Mapping[str, int]) -> Iterator[KnownAnimal]:
    """Animals by known age, in the order of age; the same seed and number give the same animal."""
    labels = [label for label, n in animals.items() for _ in range(n)]
    for number, label in enumerate(labels, start=1):
        rng = np.random.default_rng([seed, number])
        middle = float(label.rstrip("+"))
        end = OLDEST_YEARS if label.endswith("+") else middle + SPREAD_YEARS
        age = float(rng.uniform(middle - SPREAD_YEARS, end))
        conditions = sample_conditions(rng, FINE)
        specimen = sample_specimen(rng, conditions, torch.device("cpu"), age_years=age, abnormal=False)
        yield KnownAnimal(number=number, label=label, age_years=age, specimen=specimen, rng=rng)


def draw_animals(seed: int, animals: Mapping[str, int] = ANIMALS) -> Iterator[dict[str, str]]:
    """
    One line of `COLUMNS` for each animal, in the order of age.

    A ratio is "gone" where no crest of the tooth has an inner band left, and empty where it has none to
    measure. ``key_class`` is what the default key makes of the true widths.
    """
    criteria = load_criteria()
    for animal in known_animals(seed, animals):
        row = evidence(teeth_truth(animal.specimen), animal.specimen.jaw, definitions=False)
        line = {
            "id": f"KA-{animal.number:03d}", "known_age": animal.label,
            "age_years": f"{animal.age_years:.2f}", "sex": str(animal.rng.choice(["female", "male"])),
            "area": str(animal.rng.choice(["north", "south"])),
            "key_class": propose(row, criteria).age_class or "",
        }  # fmt: skip
        for tooth in row.teeth[3:]:
            found = tooth_ratio(tooth, (1, 2), criteria.options)
            ratio = f"{found.value.value:.4f}" if found.value is not None else "gone" if found.gone else ""
            left = tooth.infundibulum_left
            line[f"ratio_{tooth.position}"] = ratio
            line[f"infundibulum_left_{tooth.position}"] = "" if left is None else f"{left.value:.4f}"
        yield line


def main(out: str) -> None:
    """Write the table."""
    keep_memory()
    torch.set_num_threads(1)
    with Path(out).open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for line in draw_animals(SEED):
            writer.writerow(line)
            file.flush()


if __name__ == "__main__":
    main(sys.argv[1])
