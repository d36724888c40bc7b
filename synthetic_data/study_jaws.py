"""
Drawn animals with their true band widths: what the demo of the field study measures with simulated errors.

``python -m crestgauge.synthetic_data.study_jaws OUT.jsonl`` wrote the file of
`crestgauge.inference.study`. One line an animal: known age, sex, side, and for each tooth
what a perfect measurement would find. [mm]
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import torch

from crestgauge.synthetic_data.known_age import known_animals
from crestgauge.synthetic_data.memory import keep_memory
from crestgauge.synthetic_data.truth import ToothTruth, evidence, teeth_truth

ANIMALS: Final[Mapping[str, int]] = {
    "0.5": 4, "1.5": 8, "2.5": 12, "3.5": 12, "4.5": 10, "5.5": 8, "6.5": 6, "7.5": 4, "8.5+": 4,
}  # fmt: skip
"""Animals by known age; even numbers, so that half of each are females."""
SEED: Final = 6
DECIMALS: Final = 4


def draw_animals(seed: int, animals: Mapping[str, int] = ANIMALS) -> Iterator[dict[str, Any]]:
    """One record an animal, in the order of age; widths in mm, None where there is nothing to measure."""
    for animal in known_animals(seed, animals):
        truth = teeth_truth(animal.specimen)
        row = evidence(truth, animal.specimen.jaw, definitions=False)
        teeth = []
        for found, true in zip(row.teeth, truth, strict=True):
            teeth.append(
                {
                    "position": found.position, "state": found.state, "milk": found.milk,
                    "lobes": found.lobes, "infundibulum_left": _number(true.infundibulum_left),
                    "dentine_share": _number(true.dentine_share),
                    "crests": _crests(true) if found.crests else [],
                }
            )  # fmt: skip
        yield {
            "id": f"SJ-{animal.number:03d}", "known_age": animal.label,
            "age_years": round(animal.age_years, 2), "sex": ("female", "male")[(animal.number - 1) % 2],
            "side": str(animal.rng.choice(["left", "right"])), "teeth": teeth,
        }  # fmt: skip


def _crests(tooth: ToothTruth) -> list[dict[str, Any]]:
    return [
        {
            "lobe": c.lobe, "dentine_mm": _number(c.dentine_mm), "ratio": _number(c.ratio),
            "enamel_outer_mm": _number(c.enamel_outer_mm),
            "enamel_inner_mm": _number(c.enamel_inner_mm), "gone": bool(c.infundibulum_gone),
        }
        for c in tooth.crests
    ]  # fmt: skip


def _number(value: float) -> float | None:
    return round(float(value), DECIMALS) if math.isfinite(value) else None


def main(out: str) -> None:
    """Write the file."""
    keep_memory()
    torch.set_num_threads(1)
    with Path(out).open("w", encoding="utf-8", newline="\n") as file:
        for animal in draw_animals(SEED):
            file.write(json.dumps(animal, separators=(",", ":"), allow_nan=False) + "\n")
            file.flush()


if __name__ == "__main__":
    main(sys.argv[1])
