"""
Islands of enamel in a worn-smooth crown: what is left of the bottom of an infundibulum.

Where wear has passed the floor of the hollow, a spot or a small ring of its enamel lasts for a while in the
plane of dentine. A ring round a hollow is still an infundibulum, and as long as the hollow is open; a spot
without one is a band of enamel and no infundibulum: it counts as gone. How often, how large and how long is
from memory.
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

ISLANDS_SHARE, HOLLOW_SHARE = 0.5, 0.4
"""Share of animals that have any where wear has come that far, and of islands with a hollow in them."""
LASTS_MM = (0.3, 2.5)
"""Depth of wear below the hollow's floor over which islands grow fewer by a factor of e. [mm]"""
LEAST_HOLLOW_MM = 0.12
HOLLOW_RIM_MM = 0.15
NEAR_MM, CLIMB, WINDOW_MM = 0.5, 8.0, 1.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Island:
    """
    One ellipse of enamel.

    row : which of the teeth that have lobes
    x, y, turn : middle [mm] and direction of its length [rad]
    half : (2,), half length and half width [mm]
    bend : how far its ends lie to the tongue side of its middle [mm]
    hollow : (2,), half length and half width of the hollow in it [mm], or None
    hollow_mm : depth of that
    """

    row: int
    x: float
    y: float
    turn: float
    half: tuple[float, float]
    bend: float
    hollow: tuple[float, float] | None = None
    hollow_mm: float = 0.0


def worn_height(tooth: Tooth, x: float, y: float) -> float:
    """Height of the wear surface at a place, without its small waves. [mm]"""
    off = (y - tooth.y) / (0.5 * tooth.width)
    return float(
        max(lobe.tip_z for lobe in tooth.lobes)
        - tooth.wear_mm
        + tooth.wear_slope[0] * (x - tooth.x0 - 0.5 * tooth.length)
        + tooth.wear_slope[1] * (y - tooth.y + 0.28 * tooth.width)
        - tooth.dish_mm * max(0.0, 1 - off**2)
    )


def sample_islands(rng: Generator, teeth: Sequence[Tooth]) -> tuple[Island, ...]:
    """Islands of one animal: none before wear has passed the enamel under a hollow's floor."""
    some, lasts = rng.uniform() < ISLANDS_SHARE, rng.uniform(*LASTS_MM)
    found = []
    for row, tooth in enumerate(t for t in teeth if t.lobes):
        for lobe in tooth.lobes:
            there, with_hollow = rng.uniform(size=2)
            long, wide = rng.uniform((0.2, 0.18), (1.3, 0.55))
            ring, depth, bend = rng.uniform((0.15, 0.15, -0.1), (0.4, 1.2, 0.45))
            at, turn = rng.normal(0, (0.12, 0.06)), float(rng.normal(0, 0.12))
            u, v = at * (0.5 * lobe.length, lobe.width)
            c, s = np.cos(lobe.yaw), np.sin(lobe.yaw)
            middle = 0.5 * float(np.mean(lobe.lingual_v + lobe.buccal_v))
            x, y = lobe.x + c * u - s * (v + middle), lobe.y + s * u + c * (v + middle)
            passed = lobe.floor_z - tooth.enamel_mm[1] - worn_height(tooth, x, y)
            if not some or not lobe.has_fossa or passed < 0 or there > np.exp(-passed / lasts):
                continue
            wide = min(wide, long)
            hollow = (float(long - ring), float(wide - ring)) if with_hollow < HOLLOW_SHARE else None
            found.append(
                Island(
                    row=row,
                    x=float(x),
                    y=float(y),
                    turn=lobe.yaw + turn,
                    half=(float(long), float(wide)),
                    bend=float(bend * long),
                    hollow=hollow if hollow and min(hollow) >= LEAST_HOLLOW_MM else None,
                    hollow_mm=float(depth),
                )
            )
    return tuple(found)


def _outside(x: Tensor, y: Tensor, island: Island, half: tuple[float, float]) -> Tensor:
    """Distance outside an ellipse with the island's place, to first order. [mm]"""
    c, s = float(np.cos(island.turn)), float(np.sin(island.turn))
    u, v = c * (x - island.x) + s * (y - island.y), c * (y - island.y) - s * (x - island.x)
    v = v + island.bend * (u / island.half[0]) ** 2
    far = torch.sqrt((u / half[0]) ** 2 + (v / half[1]) ** 2)
    slope = torch.sqrt((u / half[0] ** 2) ** 2 + (v / half[1] ** 2) ** 2) / far.clamp_min(1e-4)
    return (far - 1) / slope.clamp_min(1.0 / half[0])


def lay_islands(
    islands: Sequence[Island], x: Tensor, y: Tensor, w: Tensor, outer: Tensor, inner: Tensor, fossa: Tensor
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """
    Fields of worn crowns with islands in them.

    Parameters
    ----------
    islands : sequence of Island
    x, y : Tensor, shape (T, 1, W), (1, H, 1)
    w, outer, inner, fossa : Tensor, shape (T, H, W)
        As in `crestgauge.synthetic_data.wear.CrownFields`, before teeth are put into the row; w is the wear
        surface.

    Returns
    -------
    Tensor, Tensor, Tensor, Tensor
        outer, inner, fossa, and how deep hollows are (0 off them). [mm]
    """
    outer, inner, fossa, depth = outer.clone(), inner.clone(), fossa.clone(), torch.zeros_like(w)
    for one in islands:
        reach = one.half[0] + abs(one.bend) + WINDOW_MM
        across = ((y[0, :, 0] - one.y).abs() <= reach).nonzero().flatten()
        along = ((x[one.row, 0] - one.x).abs() <= reach).nonzero().flatten()
        if not len(across) or not len(along):
            continue
        at = (
            one.row,
            slice(int(across[0]), int(across[-1]) + 1),
            slice(int(along[0]), int(along[-1]) + 1),
        )
        px, py = x[one.row, :, at[2]], y[0, at[1]]
        apart = _outside(px, py, one, one.half)
        # Farther off it climbs over any height of worn dentine, so that the window's edge leaves no step.
        inner[at] = torch.minimum(inner[at], apart + CLIMB * (apart - NEAR_MM).clamp_min(0) ** 2)
        if one.hollow is not None:
            hole = -_outside(px, py, one, one.hollow)
            hole = torch.where(outer[at] > 0, hole, torch.full_like(hole, -1.0))
            outer[at] = torch.where(hole > -1.0, torch.minimum(outer[at], -hole), outer[at])
            fossa[at] = torch.maximum(fossa[at], hole)
            depth[at] = torch.maximum(depth[at], one.hollow_mm * (hole / HOLLOW_RIM_MM).clamp(0, 1))
    return outer, inner, fossa, depth
