"""
What lies in the middle of deeply worn dentine: secondary dentine that has filled the pulp, or the open pulp.

Under every ridge a horn of pulp runs up into the dentine and is filled from above as the crown wears; on the
worn surface that is a spot or a line along the middle of the dentine, darker or paler than what is round it,
and where wear was faster than the filling, a pit. All of it is dentine in the labels. From memory; sizes and
shares are ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

if TYPE_CHECKING:
    from crestgauge.synthetic_data.anatomy import Lobe, Tooth
    from crestgauge.synthetic_data.wear import Grid

WORN_FROM_MM = 3.2
WIDENS_OVER_MM = 1.5
"""A horn is cut at its full size once wear has gone so far below its roof."""
DEEPEST_LEAN_MM = 4.0
RIM_MM = 0.2
"""No horn comes nearer to the enamel, measured as height of the junction over the wear surface."""
PULP_SHARE, PIT_SHARE = 0.3, 0.3
"""Share of animals worn as deeply as that which show it, and of those that are open somewhere."""
PIT_RIM_MM = 0.12
"""A pit reaches its depth this far inside its edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Horn:
    """
    One horn: ``tooth``, ``lobe`` and ``ridge`` (0 tongue side, 1 cheek side) it lies under.

    along, half_along : its middle and half its length, in half lengths of the lobe
    off_ridge_mm : how far it lies from the ridge, towards the cheek
    half_across_mm : half its breadth
    pit_mm : how deep it is where it is open, else 0
    """

    tooth: int
    lobe: int
    ridge: int
    along: float
    off_ridge_mm: float
    half_along: float
    half_across_mm: float
    pit_mm: float


def sample_horns(rng: Generator, teeth: Sequence[Tooth]) -> tuple[Horn, ...]:
    """Horns of one animal that are cut open: none where wear has not come so far, and in most others."""
    worn = [t for t in teeth if t.lobes and not t.milk and t.state == "erupted" and t.wear_mm > WORN_FROM_MM]
    if not worn or rng.uniform() >= PULP_SHARE:
        return ()
    deepest = max(t.wear_mm for t in worn)
    roof = float(rng.uniform(WORN_FROM_MM - 1.0, 0.9 * deepest))
    line, size, open_ = rng.uniform() < 0.5, rng.uniform(0.2, 0.65), rng.uniform() < PIT_SHARE
    shown, pits = rng.uniform(0.4, 1.0), rng.uniform(0.15, 0.9)
    horns = []
    for tooth, lobe in ((t, lobe) for t in worn for lobe in t.lobes):
        for ridge in (0, 1):
            if rng.uniform() >= shown or tooth.wear_mm < roof:
                continue
            grown = min((tooth.wear_mm - roof) / WIDENS_OVER_MM + 0.35, 1.0)
            across = float(grown * size * np.exp(rng.normal(0, 0.25)))
            long = rng.uniform(0.25, 0.6) if line else across * rng.uniform(0.9, 2.0) / (0.5 * lobe.length)
            # Dentine lies further to the side of the flatter slope the deeper it is cut.
            outer, inner = lobe.slopes[0] if ridge == 0 else lobe.slopes[1][::-1]
            lean = 0.5 * min(tooth.wear_mm, DEEPEST_LEAN_MM) * (1 / inner - 1 / outer)
            horns.append(
                Horn(
                    tooth=lobe.tooth,
                    lobe=lobe.index,
                    ridge=ridge,
                    along=float(rng.normal(0, 0.12)),
                    off_ridge_mm=float((lean if ridge == 0 else -lean) * rng.normal(1.0, 0.2)),
                    half_along=float(long),
                    half_across_mm=across * (0.65 if line else 1.0),
                    pit_mm=float(rng.uniform(0.3, 2.0)) if open_ and rng.uniform() < pits else 0.0,
                )
            )
    return tuple(horns)


def _inside(horn: Horn, lobe: Lobe, x: Tensor, y: Tensor) -> Tensor:
    """Distance inside the horn's outline over its roof, about in mm; below 0 outside."""
    c, s = float(np.cos(lobe.yaw)), float(np.sin(lobe.yaw))
    u = (c * (x - lobe.x) + s * (y - lobe.y)) / (0.5 * lobe.length)
    v = c * (y - lobe.y) - s * (x - lobe.x)
    line = lobe.lingual_v if horn.ridge == 0 else lobe.buccal_v
    a, b, offset = np.polyfit(np.linspace(-1, 1, len(line)), line, 2).tolist()
    middle = (a * u + b) * u + offset + horn.off_ridge_mm
    off = ((u - horn.along) / horn.half_along) ** 2 + ((v - middle) / horn.half_across_mm) ** 2
    inside: Tensor = (1 - off.sqrt()) * horn.half_across_mm
    return inside


def pulp_fields(
    horns: Sequence[Horn], teeth: Sequence[Tooth], grid: Grid, inner: Tensor, tooth: Tensor
) -> tuple[Tensor, Tensor]:
    """
    Where horns are cut open, and how deep their pits are.

    Parameters
    ----------
    horns, teeth : sequences of Horn, of Tooth
    grid : Grid
    inner, tooth : Tensor, shape (H, W)
        Height of the junction over the wear surface [mm], and the owner of each node.

    Returns
    -------
    Tensor, Tensor, shape (H, W)
        About the distance inside a horn, below 0 outside; depth of pits. [mm]
    """
    shown, pit = torch.full_like(inner, -1.0), torch.zeros_like(inner)
    lobes = {(lobe.tooth, lobe.index): lobe for t in teeth for lobe in t.lobes}
    over, down = grid.nodes(inner.device)
    for horn in horns:
        lobe = lobes.get((horn.tooth, horn.lobe))
        if lobe is None:
            continue
        reach = 0.5 * lobe.length + 0.5 * lobe.width
        cols = [int((lobe.x + k * reach - grid.x0) * grid.px_per_mm) for k in (-1, 1)]
        rows = [int((lobe.y + k * reach - grid.y0) * grid.px_per_mm) for k in (-1, 1)]
        at = slice(max(rows[0], 0), max(rows[1], 0)), slice(max(cols[0], 0), max(cols[1], 0))
        here = torch.minimum(_inside(horn, lobe, over[at], down[at]), inner[at] - RIM_MM)
        here = torch.where(tooth[at] == horn.tooth, here, torch.full_like(here, -1.0))
        shown[at] = torch.maximum(shown[at], here)
        if horn.pit_mm:
            pit[at] = torch.maximum(pit[at], horn.pit_mm * (here / PIT_RIM_MM).clamp(0, 1))
    return shown, pit
