"""Bone, gum and flesh round the teeth: one coarse height field under the crowns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor
from torch.nn import functional as F

from crestgauge.synthetic_data.anatomy import Jaw
from crestgauge.synthetic_data.wear import FAR_BELOW, CrownFields, Grid

PITCH_PER_MM = 4.0
FRONT_MM, BACK_MM, SIDE_MM = 55.0, 70.0, 30.0
LAST_TOOTH_MM = 22.0
CROWN_FLOOR = -14.0


@dataclass(frozen=True, slots=True, eq=False)
class JawFields:
    """
    Height of bone and gum, and slow averages of everything (bone and crowns) for the light that reaches
    hollows. [mm]
    """

    grid: Grid
    surface: Tensor
    around_small: Tensor
    around_large: Tensor


def _gum_level(jaw: Jaw, x: Tensor, rng: Generator) -> Tensor:
    """Height of the gum line along the row; it stands over what has not come through yet. [mm]"""
    level = torch.full_like(x, jaw.gum_z)
    for tooth in jaw.teeth:
        here = (x > tooth.x0 - 0.5) & (x < tooth.x0 + tooth.length + 0.5)
        if tooth.state == "erupting" and tooth.lobes:
            front = max(lobe.tip_z for lobe in tooth.lobes)
            level = torch.where(
                here, torch.full_like(x, max(jaw.gum_z, front - rng.uniform(0.9, 3.0))), level
            )
        elif tooth.state == "missing":
            level = torch.where(here, torch.full_like(x, jaw.gum_z + rng.uniform(-3.0, 1.5)), level)
    smooth = torch.tensor([1, 4, 6, 4, 1], dtype=torch.float32, device=x.device) / 16
    for _ in range(3):
        level = F.conv1d(F.pad(level[None, None], (2, 2), mode="replicate"), smooth[None, None])[0, 0]
    return level


def jaw_fields(
    jaw: Jaw, crowns: CrownFields, rng: Generator, device: torch.device, *, fleshy: bool
) -> JawFields:
    """
    Bone and gum for one jaw.

    Parameters
    ----------
    jaw, crowns : Jaw, CrownFields
    rng : numpy Generator
    device : torch.device
    fleshy : bool
        Gum and cheek flesh left on (a fresh jaw) instead of a cleaned bone.
    """
    grid = Grid(
        -FRONT_MM,
        -SIDE_MM,
        PITCH_PER_MM,
        int((jaw.row_mm + FRONT_MM + BACK_MM) * PITCH_PER_MM) + 1,
        int(2 * SIDE_MM * PITCH_PER_MM) + 1,
    )
    x, y = grid.nodes(device)
    line = x[0]
    end = max(tooth.x0 + tooth.length for tooth in jaw.teeth)
    end += (
        LAST_TOOTH_MM if jaw.teeth[5].state == "absent" else 0.0
    )  # bone is there before the tooth comes through
    front, back = (-line / 14.0).clamp(0, 1), ((line - end) / 14.0).clamp(0, 1)
    top = (
        _gum_level(jaw, line, rng)
        - rng.uniform(2.0, 7.0) * front
        + rng.uniform(-1.0, 1.5) * ((line - end) / 4.0).clamp(0, 1)
    )
    ramus = torch.relu(line - end - rng.uniform(6.0, 16.0))
    top = top + torch.clamp(ramus * rng.uniform(0.5, 1.6), max=rng.uniform(6.0, 24.0))
    half = rng.uniform(4.6, 7.0) * (1 - 0.45 * front) * (1 - 0.35 * back)
    bow = jaw.bow_mm * (2.0 * line.clamp(0, jaw.row_mm) / jaw.row_mm - 1.0) ** 2 - 0.5 * jaw.bow_mm
    middle = bow + rng.uniform(-1.2, 1.2) + rng.uniform(0.0, 5.0) * back + rng.uniform(-4.0, 2.0) * front
    noise = torch.randn((1, 1, 14, 40), generator=torch.Generator().manual_seed(int(rng.integers(2**31)))).to(
        device
    )
    rough = F.interpolate(noise, size=x.shape, mode="bicubic", align_corners=True)[0, 0]
    away = (y - middle).abs() - half - 0.5 * rough
    fall = float(np.exp(rng.uniform(np.log(0.5), np.log(7.0))))
    z = (
        top
        + 0.35 * rough
        - fall * torch.relu(away)
        - 0.10 * torch.relu(away) ** 2
        - 0.6 * torch.clamp((away + half) / half, 0, 1) ** 2
    )
    depth = rng.uniform(16.0, 34.0)
    if fleshy:
        shelf = top - rng.uniform(0.5, 4.0) + 1.2 * rough - 0.12 * torch.relu(away)
        reach = rng.uniform(4.0, 18.0) + 3.0 * rough
        z = torch.where(away < reach, torch.maximum(z, shelf), z)
    tail = (x < -rng.uniform(20.0, FRONT_MM)) | (x > end + rng.uniform(16.0, 45.0))
    z = torch.where((z < jaw.gum_z - depth) | tail, torch.full_like(z, FAR_BELOW), z)
    unit = crowns.grid.to_unit(x, y)
    crown = F.grid_sample(
        crowns.surface.clamp_min(CROWN_FLOOR)[None, None],
        unit[None],
        align_corners=True,
        padding_mode="border",
    )[0, 0]
    within = (unit.abs() <= 1).all(-1)
    inner = torch.maximum(crowns.fossa - 0.05, crowns.outer.clamp_max(1.0) - 0.02)
    inner = F.grid_sample(inner[None, None], unit[None], align_corners=True, padding_mode="border")[0, 0]
    z = torch.where(
        within & (inner > 0), torch.full_like(z, FAR_BELOW), z
    )  # no gum inside a crown or over a worn one
    whole = torch.where(within & (crown > CROWN_FLOOR + 0.5), torch.maximum(crown, z), z).clamp_min(
        jaw.gum_z - depth
    )
    return JawFields(grid=grid, surface=z, around_small=_blur(whole, 1.2), around_large=_blur(whole, 4.0))


def _blur(field: Tensor, sigma_mm: float) -> Tensor:
    sigma = sigma_mm * PITCH_PER_MM
    reach = int(np.ceil(2.5 * sigma))
    tap = torch.exp(
        -0.5 * (torch.arange(-reach, reach + 1, device=field.device, dtype=torch.float32) / sigma) ** 2
    )
    tap = tap / tap.sum()
    out = F.conv2d(F.pad(field[None, None], (reach, reach, 0, 0), mode="replicate"), tap.view(1, 1, 1, -1))
    return F.conv2d(F.pad(out, (0, 0, reach, reach), mode="replicate"), tap.view(1, 1, -1, 1))[0, 0]
