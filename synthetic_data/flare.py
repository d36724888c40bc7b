"""
Walls that flare below the worn face, so that a camera straight above sees them.

Lower cheek teeth lean towards the tongue and their cheek-side crescents widen downwards; tongue, front and back
walls show less often. How much is from memory, and wide on purpose. A flare begins where the wear model's own
surface falls below what wear has reached, and only adds below that: bands, hollows, widths and the camera's tilt
stay what they are without it.
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
    from crestgauge.synthetic_data.anatomy import Tooth

FLARED_SHARE, TONGUE_SHARE, END_SHARE = 0.6, 0.3, 0.4
"""Shares of animals whose cheek walls flare, and of these whose tongue walls or ends do, too."""
CHEEK_SPREAD, TONGUE_SPREAD, END_SPREAD = (0.15, 1.1), (0.1, 0.7), (0.05, 0.5)
"""How far a wall comes out for each mm that it goes down. [mm/mm]"""
MOST_OUT_MM, MOST_END_MM = 3.3, 1.2
LEAST_HEIGHT_MM = 1.0
BEND = (0.6, 1.7)
"""Height goes with this power of the way out: below 1 steep at the rim, above 1 rounded there."""
BELOW_RIM_MM = 0.3
"""An unworn ridge keeps its shape down to this below its edge."""
FADE_MM = 0.6
END_SLOPE = 7.0
"""Slope of the wall that a neighbour has worn at a crown's end. [mm/mm]"""
STEEP = 8.0
"""Slope of the wall beyond its flare, and where it would run into a neighbour. [mm/mm]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flare:
    """
    Flare of one tooth.

    cheek, tongue, front, back : how far its walls come out for each mm of height, 0 where they do not [mm/mm]
    bend : see `BEND`
    room : (2,), free length before and behind the tooth [mm]
    """

    position: int
    cheek: float
    tongue: float
    front: float
    back: float
    bend: float
    room: tuple[float, float]


def sample_flares(rng: Generator, teeth: Sequence[Tooth]) -> tuple[Flare, ...]:
    """Flares of one animal's teeth, or none; teeth of one animal differ by some tenths."""
    shown = [t for t in teeth if t.lobes]
    cheek, tongue, end = (
        float(rng.uniform(*span)) for span in (CHEEK_SPREAD, TONGUE_SPREAD, END_SPREAD)
    )
    bend = float(rng.uniform(*BEND))
    flared, with_tongue, with_end = rng.uniform(size=3)
    own = np.exp(rng.normal(0, (0.2, 0.3, 0.4, 0.4, 0.1), (len(shown), 5)))
    if flared >= FLARED_SHARE:
        return ()
    tongue, end = tongue * (with_tongue < TONGUE_SHARE), end * (with_end < END_SHARE)
    edges = [-np.inf, *(t.x0 + t.length for t in shown)], [*(t.x0 for t in shown[1:]), np.inf]
    return tuple(
        Flare(
            position=tooth.position,
            cheek=float(cheek * own[k, 0]),
            tongue=float(tongue * own[k, 1]),
            front=float(end * own[k, 2]),
            back=float(end * own[k, 3]),
            bend=float(bend * own[k, 4]),
            room=(
                float(np.clip(tooth.x0 - edges[0][k], 0.0, 4.0)),
                float(np.clip(edges[1][k] - tooth.x0 - tooth.length, 0.0, 4.0)),
            ),
        )
        for k, tooth in enumerate(shown)
    )


def wall_height(tooth: Tooth, gum_z: float) -> float:
    """How far the wear surface stands over the gum line in the middle of a tooth. [mm]"""
    return max(max(lobe.tip_z for lobe in tooth.lobes) - tooth.wear_mm - gum_z, LEAST_HEIGHT_MM)


def cheek_reach(flare: Flare, tooth: Tooth, gum_z: float) -> float:
    """How far the cheek wall has come out where it meets the gum. [mm]"""
    return min(flare.cheek * wall_height(tooth, gum_z), MOST_OUT_MM)


def flared_walls(
    flares: Sequence[Flare],
    teeth: Sequence[Tooth],
    away: Tensor,
    past: Tensor,
    outside: Tensor,
    lingual: Tensor,
    ahead: Tensor,
    *,
    gum_z: float,
) -> Tensor:
    """
    How far flared walls lie below the rim, shape (T, H, W). [mm]

    Parameters
    ----------
    flares : sequence of Flare
        One for each of ``teeth``.
    away, past : Tensor, shape (T, H, W)
        Distance from the rim across the row, and past the tooth's end along it, 0 inside. [mm]
    outside : Tensor, shape (T, H, W)
        Distance outside the two ridges across the row, below 0 between them. [mm]
    lingual : Tensor, shape (T, H, W)
        Below 0 on the tongue side.
    ahead : Tensor, shape (T, H, W)
        Distance behind the middle of the tooth, along it. [mm]
    gum_z : float
    """
    device = away.device

    def column(values: list[float]) -> Tensor:
        return torch.tensor(values, dtype=torch.float32, device=device)[:, None, None]

    high = [wall_height(t, gum_z) for t in teeth]
    reach = {
        name: column([min(getattr(f, name) * h, most) for f, h in zip(flares, high, strict=True)])
        for name, most in (
            ("cheek", MOST_OUT_MM),
            ("tongue", MOST_OUT_MM),
            ("front", MOST_END_MM),
            ("back", MOST_END_MM),
        )
    }
    half = column([0.5 * t.length for t in teeth])
    beyond = ahead.abs() - half
    share = (outside / FADE_MM + 0.5).clamp(0, 1)
    side = (share * torch.where(lingual < 0, reach["tongue"], reach["cheek"])).clamp_min(1e-3)
    end = torch.where(ahead < 0, reach["front"], reach["back"])
    end = torch.maximum(end, column(high) / END_SLOPE)
    room = torch.where(ahead < 0, column([f.room[0] for f in flares]), column([f.room[1] for f in flares]))
    way = torch.sqrt((away / side) ** 2 + (past / end) ** 2)
    depth = column(high) * way ** column([f.bend for f in flares])
    return depth + STEEP * (
        (away - side).clamp_min(0) + (past - end).clamp_min(0) + (beyond - 0.5 * room).clamp_min(0)
    )
