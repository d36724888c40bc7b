"""
What a jaw bone shows of its sides: lower border, receding bone round necks and roots, front teeth.

All of it is drawn outside the outlines of the cheek teeth: which of their surface stands clear of gum and
bone, and with it every truth, stays what `crestgauge.synthetic_data.jaw` made it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor
from torch.nn import functional as F

from crestgauge.synthetic_data.anatomy import Jaw
from crestgauge.synthetic_data.wear import FAR_BELOW

GUARD_MM = 0.5
"""Bone this near to a cheek tooth is left as it is: bilinear sampling must not reach what is changed."""
DEEPEST_MM = -50.0
OFF_ROW_MM = 6.5
"""Beyond the ends of the row by this much the fields of the crowns say nothing any more."""
ROOTS_SHARE, SCALLOP_SHARE, INCISOR_SHARE = 0.3, 0.5, 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Coats:
    """Shares 0..1 of what covers the bone, shape of its grid each: root cement, enamel of front teeth."""

    root: Tensor
    enamel: Tensor


def _spread(mask: Tensor, reach: int) -> Tensor:
    """Mask (H, W) grown by a square of ``reach`` nodes to every side."""
    return F.max_pool2d(mask[None, None], 2 * reach + 1, stride=1, padding=reach)[0, 0]


def _soft(field: Tensor, sigma: float) -> Tensor:
    """Field (H, W) blurred by about ``sigma`` nodes, with two boxes."""
    size = 2 * max(1, round(sigma)) + 1
    for _ in range(2):
        field = F.avg_pool2d(field[None, None], size, stride=1, padding=size // 2)[0, 0]
    return field


def lower_border(jaw: Jaw, line: Tensor, depth: float, rng: Generator) -> Tensor:
    """
    Height of the lower border along the row, (N,): level under the teeth, often shallower before them and
    deeper towards the angle behind. [mm]
    """
    ahead = ((-OFF_ROW_MM - line) / 38.0).clamp(0, 1)
    behind = ((line - jaw.row_mm - OFF_ROW_MM) / 40.0).clamp(0, 1)
    wave = rng.uniform(0.0, 0.12) * torch.sin(line / rng.uniform(5.0, 20.0)) * torch.maximum(ahead, behind)
    share = 1 - rng.uniform(0.0, 0.65) * ahead.sqrt() + rng.uniform(-0.15, 0.5) * behind + wave
    return (jaw.gum_z - depth * share).clamp_min(DEEPEST_MM)


def reshaped(
    jaw: Jaw,
    z: Tensor,
    x: Tensor,
    y: Tensor,
    standing: Tensor,
    rng: Generator,
    *,
    pitch: float,
    depth: float,
    fleshy: bool,
) -> tuple[Tensor, Coats]:
    """
    Bone with receded edges and scallops.

    Parameters
    ----------
    jaw : Jaw
    z, x, y : Tensor, shape (H, W)
        Height of bone and gum, and where. [mm]
    standing : Tensor of bool, shape (H, W)
        Nodes inside a cheek tooth's outline.
    rng : numpy Generator
    pitch : float
        Nodes per mm.
    depth : float
        How far the bone reaches below the gum line. [mm]
    fleshy : bool
        Flesh left on: edges stay covered.
    """
    guard = (_soft(standing.float(), GUARD_MM * pitch) > 0.06).float()
    root = torch.zeros_like(z)
    # A gutter round the teeth: 0 at the guard, deepest a good millimetre off, running out over some more.
    reach = float(rng.uniform(0.9, 2.0)) * pitch
    wide = _soft((_soft(guard, reach) > 0.05).float(), 0.8 * pitch)
    near = (1.6 * (wide - _soft(guard, 0.6 * pitch))).clamp(0, 1)
    change = torch.zeros_like(z)
    line = x[0]
    lobes = np.array([lobe.x for lobe in jaw.lobes])
    wave = sum((torch.exp(-(((line - float(at)) / 2.3) ** 2)) for at in lobes), torch.zeros_like(line))
    if rng.uniform() < SCALLOP_SHARE:  # the edge swings up between lobes, or bulges over their roots
        change = change + rng.uniform(-0.9, 0.9) * (wave - 0.5) * near
    old = float(np.clip((jaw.age_years - 2.0) / 7.0, 0.1, 1.0))
    if rng.uniform() < (0.1 if fleshy else ROOTS_SHARE):
        loss = rng.uniform(0.8, 2.5) + rng.uniform(0.0, 3.0) * old
        forks = 1 + rng.uniform(0.0, 0.9) * (1 - wave.clamp(0, 1))
        patchy = 1 + rng.uniform(0.0, 0.6) * torch.sin(line / rng.uniform(5.0, 16.0) + rng.uniform(0, 6.3))
        side = torch.where(y < 0, float(rng.uniform(0.1, 1)), float(rng.uniform(0.1, 1)))
        change = change - loss * forks * patchy * side * near
        root = _soft(_spread(guard, round(0.5 * pitch)), 0.4 * pitch)
    floor = jaw.gum_z - depth + 0.2
    changed = torch.where((guard > 0) | (z < floor), z, (z + change).clamp_min(floor))
    return changed, Coats(root=root, enamel=torch.zeros_like(z))


def front_teeth(
    jaw: Jaw, z: Tensor, x: Tensor, y: Tensor, coats: Coats, front: float, rng: Generator
) -> tuple[Tensor, Coats]:
    """
    Three or four small spade-shaped teeth at the front end of the bone, leaning forward, or none.

    They belong to the jaw like all that sticks to its bone: no label names them.
    """
    if rng.uniform() >= INCISOR_SHARE or front > -25.0:
        return z, coats
    column = ((x[0] - front - 2.0).abs()).argmin()
    height, across = z[:, column].max(0)
    if float(height) < jaw.gum_z - 25.0:
        return z, coats
    enamel, lean = torch.zeros_like(z), float(rng.uniform(0.05, 0.6))
    at_y, step = float(y[int(across), 0]), float(rng.uniform(2.0, 3.4))
    count, out = int(rng.integers(2, 5)), z
    for k in range(count):
        place = k - 0.5 * (count - 1)
        cx, cy = front - 2.5 + 0.8 * k + float(rng.normal(0, 0.4)), at_y + place * step
        turn = float(rng.normal(-0.2 * place, 0.1))
        u = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
        v = -(x - cx) * np.sin(turn) + (y - cy) * np.cos(turn)
        wide = 0.55 * step * (1 - 0.05 * u.clamp(-6, 6))
        inside = (u.abs() / rng.uniform(4.5, 7.0)) ** 3 + (v.abs() / wide) ** 3 < 1
        crown = height + rng.uniform(-0.5, 2.5) - lean * u - 0.25 * v * v
        here = inside & (out < crown)
        out, enamel = torch.where(here, crown, out), torch.where(here, torch.ones_like(z), enamel)
    out[[0, -1]], out[:, [0, -1]] = FAR_BELOW, FAR_BELOW
    return out, Coats(root=coats.root, enamel=enamel)
