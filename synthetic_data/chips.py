"""
Flakes broken off the rims of worn crests.

A flake leaves a surface that starts in the cut enamel, or behind it in the dentine, and falls outwards until
it meets the crown's side. It is a fourth surface of the wear model, cut after wear: where it lies above the
junction it shows broken enamel, which wear has not cut, below it dentine. Sizes and shares are from memory.
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

CHIPPED_SHARE = 0.13
MANY_SHARE = 0.15
"""Share of chipped jaws with flakes off everywhere, as after rough handling of a dry jaw."""
WORN_FROM_MM = 0.6
WINDOW_MM = 3.4
BEYOND_INNER_MM = 1.0
"""A flake into the infundibulum ends here: on the far side of it stands another crest."""
STEP_MM, FARTHEST_RIM_MM = 0.05, 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """
    One flake: where it was and what it has left. Lengths in mm.

    tooth, lobe, ridge : position, number of the lobe, 0 the tongue-side crest or 1 the cheek-side one
    at : place along the ridge, 0 front to 1 back
    outward : off the outer rim, else off the one towards the infundibulum
    half_mm : half its length along the rim
    into_mm : how far it reaches into the crest from the rim
    dip : fall of the broken surface, mm per mm
    deepest_mm : most that it falls below the wear surface
    wave : phase of its ragged edge
    """

    tooth: int
    lobe: int
    ridge: int
    at: float
    outward: bool
    half_mm: float
    into_mm: float
    dip: float
    deepest_mm: float
    wave: float


def sample_chips(rng: Generator, teeth: Sequence[Tooth]) -> tuple[Chip, ...]:
    """Flakes of one animal: none in most, some on crests that are in wear in the others."""
    lobes = [
        lobe
        for tooth in teeth
        if tooth.state == "erupted" and tooth.wear_mm >= WORN_FROM_MM
        for lobe in tooth.lobes
    ]
    if rng.uniform() >= CHIPPED_SHARE or not lobes:
        return ()
    count = int(rng.integers(8, 22) if rng.uniform() < MANY_SHARE else rng.integers(1, 7))
    out = []
    for _ in range(count):
        lobe, outward = lobes[int(rng.integers(len(lobes)))], bool(rng.uniform() < 0.75)
        half = float(np.exp(rng.uniform(np.log(0.25), np.log(1.6))))
        out.append(
            Chip(
                tooth=lobe.tooth,
                lobe=lobe.index,
                ridge=int(rng.uniform() < 0.4),
                at=float(rng.uniform(0.15, 0.85)),
                outward=outward,
                half_mm=half,
                into_mm=float(rng.uniform(0.15, 0.5 + 0.4 * min(half, 1.0))),
                dip=float(rng.uniform(0.6, 4.0)),
                deepest_mm=float(rng.uniform(0.3, 2.5) if outward else rng.uniform(0.2, 1.0)),
                wave=float(rng.uniform(0, 2 * np.pi)),
            )
        )
    return tuple(out)


def _place(chip: Chip, lobe: Lobe) -> tuple[np.ndarray, np.ndarray]:
    """Point (x, y) on the ridge and the unit vector across it, out of the chipped rim."""
    ridge = lobe.ridges[chip.ridge][:, :2]
    k = chip.at * (len(ridge) - 1)
    low = min(int(k), len(ridge) - 2)
    along = ridge[low + 1] - ridge[low]
    point = ridge[low] + (k - low) * along
    cheek = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
    towards_cheek = (chip.ridge == 1) == chip.outward
    return point, cheek if towards_cheek else -cheek


def broken_surface(
    chips: Sequence[Chip],
    teeth: Sequence[Tooth],
    x: Tensor,
    y: Tensor,
    outer: Tensor,
    w: Tensor,
    px_per_mm: float,
) -> Tensor:
    """
    Height of what the flakes have left, inf where there was none. [mm]

    Parameters
    ----------
    chips, teeth : sequences
        ``teeth`` in the order of the patches.
    x, y : Tensor, shapes (T, 1, W) and (1, H, 1)
        Where the nodes of the patches are. [mm]
    outer, w : Tensor, shape (T, H, W)
        Height of the whole crown over the wear surface, and the wear surface. [mm]
    px_per_mm : float
    """
    out = torch.full_like(w, torch.inf)
    index = {tooth.position: k for k, tooth in enumerate(teeth)}
    height, width = w.shape[1:]
    top = float(y[0, 0, 0])
    lefts = x[:, 0, 0].tolist()
    steps = np.arange(0.0, FARTHEST_RIM_MM, STEP_MM)
    for chip in chips:
        k = index.get(chip.tooth)
        lobe = next((b for b in teeth[k].lobes if b.index == chip.lobe), None) if k is not None else None
        if k is None or lobe is None:
            continue
        point, way = _place(chip, lobe)
        j, i = (point[0] - lefts[k]) * px_per_mm, (point[1] - top) * px_per_mm
        reach = WINDOW_MM * px_per_mm
        rows = slice(max(int(i - reach), 0), min(int(i + reach) + 1, height))
        cols = slice(max(int(j - reach), 0), min(int(j + reach) + 1, width))
        if rows.start >= rows.stop or cols.start >= cols.stop:
            continue
        ii = np.clip(np.rint(i + way[1] * steps * px_per_mm), 0, height - 1).astype(np.int64)
        jj = np.clip(np.rint(j + way[0] * steps * px_per_mm), 0, width - 1).astype(np.int64)
        there = torch.as_tensor(ii * width + jj, device=w.device)
        cut = (outer[k].reshape(-1)[there] > 0).float().cumprod(0)
        rim = cut.sum() * STEP_MM
        dx, dy = x[k, :, cols] - float(point[0]), y[0, rows] - float(point[1])
        v = dx * float(way[0]) + dy * float(way[1]) - rim
        u = (dy * float(way[0]) - dx * float(way[1])) / chip.half_mm
        edge = chip.into_mm * (1 - u * u + 0.18 * torch.sin(5.0 * u + chip.wave))
        ends = (1 - u**4).clamp_min(0)
        if not chip.outward:
            ends = ends * (1 - (v / BEYOND_INNER_MM).clamp(0, 1) ** 2)
        fall = (chip.dip * (v + edge)).clamp_max(chip.deepest_mm) * ends
        here = (fall > 0) & (rim > 0) & (rim < FARTHEST_RIM_MM - STEP_MM)
        left = torch.where(here, w[k, rows, cols] - fall, torch.full_like(fall, torch.inf))
        out[k, rows, cols] = torch.minimum(out[k, rows, cols], left)
    return out
