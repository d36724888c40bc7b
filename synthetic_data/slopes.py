"""
Worn faces of varied slope: whole crowns that slope cheekwards or tonguewards and along the row, crests that
keep their own relief in young molars, flat planes in old ones. Sizes are from memory, wide on purpose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.random import Generator

if TYPE_CHECKING:
    from crestgauge.synthetic_data.anatomy import Tooth

SLOPED_SHARE = 0.6
YOUNG_LEAN, OLD_LEAN = (-0.10, 0.52), (-0.10, 0.22)
"""How much a face falls towards the cheek where wear has hardly begun, and where it has gone far. [mm/mm]"""
OLD_FROM_MM = 5.5
MOST_RELIEF = 0.85
"""A face that keeps all of the crests' own relief (1) wears its whole crest at once."""


def sloped(rng: Generator, teeth: Sequence[Tooth]) -> list[Tooth]:
    """The teeth with faces of other slopes, or as they were (see `SLOPED_SHARE`)."""
    young, old = rng.uniform(*YOUNG_LEAN), rng.uniform(*OLD_LEAN)
    along, spread, relief = rng.normal(0, 0.04), rng.uniform(0.01, 0.09), rng.uniform(0, MOST_RELIEF)
    own, kept = rng.normal(size=(len(teeth), 2)), rng.uniform(0.6, 1.0, len(teeth))
    if rng.uniform() >= SLOPED_SHARE:
        return list(teeth)
    out = []
    for tooth, (by, ahead), keeps in zip(teeth, own, kept, strict=True):
        far = float(np.clip(tooth.wear_mm / OLD_FROM_MM, 0, 1))
        lean = young + far * (old - young) + spread * by
        slope = (float(along + (0.08 if tooth.milk else 0.05) * ahead), float(-lean))
        own_relief = 0.0 if tooth.milk else float(relief * keeps * (1 - far) ** 1.5)
        out.append(replace(tooth, wear_slope=slope, relief=own_relief))
    return out
