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
LEAST_ANGLE = 0.5
MOST_RELIEF = 0.85
"""A face that keeps all of the crests' own relief (1) wears its whole crest at once."""


def strip_share(inner: float, outer: float, lean: float) -> float:
    """
    How broad a crest is cut for each mm of depth, where its flanks have slopes ``inner`` and ``outer`` and
    the cut falls by ``lean`` towards the inner one. [mm/mm]
    """
    return 1 / max(inner - lean, LEAST_ANGLE) + 1 / (outer + lean)


def sloped(rng: Generator, teeth: Sequence[Tooth], hollow_lean: float = 0.0) -> list[Tooth]:
    """
    The teeth with faces of other slopes, or as they were (see `SLOPED_SHARE`).

    A cut that slopes, or a flank that leans, would show broader strips at one depth and so make an animal
    look older. Wear goes less deep by as much: what a strip's width says of age stays what it was.

    Parameters
    ----------
    rng : numpy Generator
    teeth : sequence of Tooth
    hollow_lean : float
        Natural logarithm by which inner flanks of the tongue-side crests are flatter than without a lean.
    """
    young, old = rng.uniform(*YOUNG_LEAN), rng.uniform(*OLD_LEAN)
    along, spread, relief = rng.normal(0, 0.04), rng.uniform(0.01, 0.09), rng.uniform(0, MOST_RELIEF)
    own, kept = rng.normal(size=(len(teeth), 2)), rng.uniform(0.6, 1.0, len(teeth))
    changed = rng.uniform() < SLOPED_SHARE
    out = []
    for tooth, (by, ahead), keeps in zip(teeth, own, kept, strict=True):
        far = float(np.clip(tooth.wear_mm / OLD_FROM_MM, 0, 1))
        lean = young + far * (old - young) + spread * by
        slope = (float(along + (0.08 if tooth.milk else 0.05) * ahead), float(-lean))
        own_relief = 0.0 if tooth.milk else float(relief * keeps * (1 - far) ** 1.5)
        if not changed:
            slope, own_relief = tooth.wear_slope, tooth.relief
        wear = tooth.wear_mm
        if wear > 0 and tooth.lobes and tooth.lobes[0].has_fossa:
            outer, inner = (float(s) for s in tooth.lobes[0].slopes[0])
            before = strip_share(inner * np.exp(hollow_lean), outer, -tooth.wear_slope[1])
            wear *= before / strip_share(inner, outer, -slope[1])
        out.append(replace(tooth, wear_slope=slope, relief=own_relief, wear_mm=float(wear)))
    return out
