"""
Walls that flare below the worn face, so that a camera straight above sees them.

Lower cheek teeth lean towards the tongue and their cheek-side crescents widen downwards; tongue, front and
back walls show less often. How much is from memory, and wide on purpose. A flare begins where the wear
model's own surface falls below what wear has reached, and only adds below that: bands, hollows, widths and
the camera's tilt stay what they are without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.ridges import FAR_BELOW, evened

if TYPE_CHECKING:
    from crestgauge.synthetic_data.anatomy import Jaw, Tooth
    from crestgauge.synthetic_data.ridges import ToothPatches

FLARED_SHARE, TONGUE_SHARE, END_SHARE = 0.6, 0.3, 0.4
"""Shares of animals whose cheek walls flare, and of these whose tongue walls or ends do, too."""
CHEEK_SPREAD, TONGUE_SPREAD, END_SPREAD = (0.15, 1.5), (0.1, 0.8), (0.05, 0.5)
"""How far a wall comes out for each mm that it goes down. [mm/mm]"""
MOST_OUT_MM, MOST_END_MM = 3.3, 1.2
LEANING_SHARE, MOST_LEAN = 0.5, 0.5
LEAST_HEIGHT_MM = 1.0
BEND = (0.6, 1.7)
"""Height goes with this power of the way out: below 1 steep at the rim, above 1 rounded there."""
BELOW_RIM_MM = 0.3
"""An unworn ridge keeps its shape down to this below its edge."""
FADE_MM, OUTSIDE_MM = 0.6, 0.1
MOLARS = (4, 5, 6)
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
    cheek, tongue, end = (float(rng.uniform(*span)) for span in (CHEEK_SPREAD, TONGUE_SPREAD, END_SPREAD))
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


def leaning(rng: Generator, style: dict[str, float]) -> dict[str, float]:
    """
    Style of a molar that leans towards the tongue, or as it was: seen from above, the hollow's wall under the
    blade is broad and the one under the crescent steep.
    """
    lean, there = rng.uniform(0.0, MOST_LEAN), rng.uniform()
    if there >= LEANING_SHARE:
        lean = 0.0
    slopes = {
        "lingual_in": style["lingual_in"] * np.exp(-lean),
        "buccal_in": style["buccal_in"] * np.exp(lean),
    }
    return style | {name: float(value) for name, value in slopes.items()} | {"lean": float(lean)}


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


def standing_walls(
    jaw: Jaw,
    teeth: Sequence[Tooth],
    patch: ToothPatches,
    w: Tensor,
    along: tuple[Tensor, Tensor],
) -> Tensor | None:
    """
    Heights of flared walls, far below where there are none, shape (T, H, W). [mm]

    Parameters
    ----------
    jaw : Jaw
    teeth : sequence of Tooth
        Those that have lobes.
    patch : ToothPatches
    w : Tensor, shape (T, H, W)
        Height of the wear surface. [mm]
    along : two Tensors, shape (T, H, W)
        Distance behind the middle of the tooth, along it, and past its end (0 inside). [mm]

    Returns
    -------
    Tensor or None
        None for an animal whose walls do not flare.
    """
    if not jaw.flares:
        return None
    by_position = {flare.position: flare for flare in jaw.flares}
    flares = [by_position[t.position] for t in teeth]
    ridge = evened(patch.ridge)
    rim = torch.minimum(w, ridge - BELOW_RIM_MM)
    ahead, beyond = along
    past = (beyond - (patch.z - rim).clamp_min(0) / END_SLOPE).clamp_min(0)
    away = (patch.apart - (ridge - rim).clamp_min(0) / evened(patch.flank)).clamp_min(0)
    down = flared_walls(flares, teeth, away, past, patch.outside, patch.lingual, ahead, gum_z=jaw.gum_z)
    return torch.where(away + past > 0, rim - down, torch.full_like(rim, FAR_BELOW)).clamp_min(FAR_BELOW)


def most_height(teeth: Sequence[Tooth], patch: ToothPatches, walls: Tensor | None) -> Tensor:
    """
    The most that any wall may have, shape (T, H, W). [mm]

    On the tongue side of molars that is the wall of the blade, flared or not, where the crescent's ends would
    come out.
    """
    own = evened(patch.ridge) - patch.flank * patch.apart
    own = own if walls is None else torch.maximum(own, walls)
    molar = torch.tensor([t.position in MOLARS for t in teeth], device=own.device)[:, None, None]
    tongue = molar & (patch.lingual < 0) & (patch.outside > OUTSIDE_MM)
    return torch.where(tongue, own, torch.full_like(own, -FAR_BELOW))
