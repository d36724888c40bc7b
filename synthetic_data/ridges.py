"""Ridges of the crowns as height fields: lobe by lobe on patches, then united tooth by tooth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

if TYPE_CHECKING:
    from crestgauge.synthetic_data.anatomy import Jaw, Tooth
    from crestgauge.synthetic_data.wear import Grid

PATCH_HALF_MM = (7.0, 8.0)
TOOTH_MARGIN_MM = 2.0
FAR_BELOW, FAR_OFF_MM = -60.0, 20.0
CREST_EDGE_MM = 0.55  # an unworn fossa starts this far below the ridge line


def lobe_fields(jaw: Jaw, px_per_mm: float, device: torch.device) -> tuple[Tensor, ...]:
    """
    Outer surface of every lobe on its own patch: z, u, lingual offset, inside distance, fossa level, distance
    outside the ridges across the row, height, outer slope and
    distance of the nearer ridge; and patch origins.
    """
    lobes = jaw.lobes
    hx, hy = PATCH_HALF_MM
    pw, ph = round(2 * hx * px_per_mm) + 1, round(2 * hy * px_per_mm) + 1

    def f32(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    centre = f32([[lobe.x, lobe.y] for lobe in lobes])
    x = centre[:, 0, None, None] + (torch.arange(pw, device=device) / px_per_mm - hx)[None, None, :]
    y = centre[:, 1, None, None] + (torch.arange(ph, device=device) / px_per_mm - hy)[None, :, None]
    x, y = x.expand(-1, ph, -1), y.expand(-1, -1, pw)
    ridges = f32(np.stack([lobe.ridges for lobe in lobes]))  # (N, R, K, 3)
    slopes = f32(np.stack([lobe.slopes for lobe in lobes]))
    z = torch.full((len(lobes), ph, pw), FAR_BELOW, device=device)
    near = [torch.full_like(z, FAR_OFF_MM) for _ in range(2)]  # distance from blade and from crescent
    tip_radius = 0.22
    for r in range(ridges.shape[1]):
        a, b = ridges[:, r, :-1], ridges[:, r, 1:]
        for s in range(a.shape[1]):
            p, q = a[:, s], b[:, s]
            dx, dy = (q - p)[:, 0, None, None], (q - p)[:, 1, None, None]
            px, py = x - p[:, 0, None, None], y - p[:, 1, None, None]
            t = ((px * dx + py * dy) / (dx * dx + dy * dy).clamp_min(1e-9)).clamp(0, 1)
            away = torch.sqrt((px - t * dx) ** 2 + (py - t * dy) ** 2 + tip_radius**2)
            # Sine of the angle between ridge and point: +-1 beside the ridge, 0 straight ahead of its end.
            turn = (dx * py - dy * px) / (away * torch.sqrt(dx * dx + dy * dy).clamp_min(1e-6))
            side = 0.5 + 0.5 * torch.clamp(1.6 * turn, -1, 1)
            slope = slopes[:, r, 0, None, None] * (1 - side) + slopes[:, r, 1, None, None] * side
            d = away - tip_radius
            height = p[:, 2, None, None] + t * (q - p)[:, 2, None, None]
            torch.maximum(z, height - slope * d, out=z)
            if r < len(near):
                torch.minimum(near[r], away, out=near[r])
    # Local frame of each lobe: u along the row in half lengths, v across in mm.
    yaw, half = (
        f32([lobe.yaw for lobe in lobes])[:, None, None],
        f32([0.5 * lobe.length for lobe in lobes])[:, None, None],
    )
    rx, ry = x - centre[:, 0, None, None], y - centre[:, 1, None, None]
    u = (torch.cos(yaw) * rx + torch.sin(yaw) * ry) / half
    v = -torch.sin(yaw) * rx + torch.cos(yaw) * ry
    lingual_line = f32(np.stack([lobe.lingual_v for lobe in lobes]))
    buccal_line = f32(np.stack([lobe.buccal_v for lobe in lobes]))
    at = (u.clamp(-1, 1) + 1) * 0.5 * (lingual_line.shape[1] - 1)
    low = at.floor().clamp(0, lingual_line.shape[1] - 2)
    frac, low = at - low, low.long()

    def pick(line: Tensor) -> Tensor:
        before = torch.gather(line, 1, low.flatten(1)).view_as(low)
        after = torch.gather(line, 1, (low + 1).flatten(1)).view_as(low)
        return before * (1 - frac) + after * frac

    vl, vb = pick(lingual_line), pick(buccal_line)
    outside = torch.maximum(vl - v, v - vb)
    inside = torch.minimum(-outside, (1.0 - u.abs()) * half)
    has = f32([1.0 if lobe.has_fossa else 0.0 for lobe in lobes])[:, None, None]
    inside = torch.where(has > 0, inside, torch.full_like(inside, -1.0))
    tip = f32([lobe.tip_z for lobe in lobes])[:, None, None]
    drop = f32([lobe.crest_drop[0] for lobe in lobes])[:, None, None]
    power = f32([lobe.crest_drop[1] for lobe in lobes])[:, None, None]
    floor = f32([lobe.floor_z for lobe in lobes])[:, None, None]
    rise = f32([lobe.floor_rise for lobe in lobes])[:, None, None]
    fossa_floor = floor + rise * (tip - floor) * u.abs().clamp(0, 1) ** 2
    z = torch.where(inside > 0, torch.maximum(z, fossa_floor), z)
    level = tip - drop * u.abs().clamp(0, 1) ** power - CREST_EDGE_MM
    lingual = v - 0.5 * (vl + vb)
    tongue, cheek = (pick(f32(np.stack([lobe.ridges[r, :, 2] for lobe in lobes]))) for r in (0, 1))
    ridge = torch.where(lingual < 0, tongue, cheek)
    flank = torch.where(lingual < 0, slopes[:, 0, 0, None, None], slopes[:, 1, 1, None, None])
    apart = torch.where(lingual < 0, near[0], near[1]) - tip_radius
    return z, u, lingual, inside, level, outside, ridge, flank, apart, x[:, 0, 0], y[:, 0, 0]


@dataclass(frozen=True, slots=True, eq=False)
class ToothPatches:
    """
    Lobes of each tooth united, shape (teeth, h, w), each patch at column ``left`` of the row's grid, over its
    full height.
    """

    left: list[int]
    x: Tensor
    y: Tensor
    z: Tensor
    level: Tensor
    inside: Tensor
    outside: Tensor
    ridge: Tensor
    flank: Tensor
    apart: Tensor
    lingual: Tensor
    lobe: Tensor


def merge_lobes(jaw: Jaw, grid: Grid, fields: tuple[Tensor, ...], teeth: list[Tooth]) -> ToothPatches:
    z, u, lingual, inside, level, outside, ridge, flank, apart, left, top = fields
    device, n, pitch = z.device, len(teeth), grid.px_per_mm
    wide = min(grid.width, int((max(t.length for t in teeth) + 2 * TOOTH_MARGIN_MM) * pitch) + 1)
    starts = [
        int(np.clip((t.x0 + 0.5 * t.length - grid.x0) * pitch - wide / 2, 0, grid.width - wide))
        for t in teeth
    ]
    shape = (n, grid.height, wide)
    x = (
        grid.x0
        + (torch.tensor(starts, device=device)[:, None, None] + torch.arange(wide, device=device)) / pitch
    )
    y = grid.y0 + torch.arange(grid.height, device=device)[None, :, None] / pitch
    out = ToothPatches(
        left=starts,
        x=x.float(),
        y=y.float(),
        z=torch.full(shape, FAR_BELOW, device=device),
        level=torch.full(shape, -FAR_BELOW, device=device),
        inside=torch.full(shape, -1.0, device=device),
        outside=torch.full(shape, -1.0, device=device),
        ridge=torch.full(shape, FAR_BELOW, device=device),
        flank=torch.ones(shape, device=device),
        apart=torch.full(shape, FAR_OFF_MM, device=device),
        lingual=torch.zeros(shape, device=device),
        lobe=torch.zeros(shape, dtype=torch.uint8, device=device),
    )
    nearest = torch.full(shape, 1e3, device=device)
    index = {tooth.position: k for k, tooth in enumerate(teeth)}
    ph, pw = z.shape[1:]
    lefts, tops = left.tolist(), top.tolist()
    for k, lobe in enumerate(jaw.lobes):
        row = index[lobe.tooth]
        j0 = round((lefts[k] - grid.x0) * pitch) - starts[row]
        i0 = round((tops[k] - grid.y0) * pitch)
        i1, i2, j1, j2 = max(i0, 0), min(i0 + ph, grid.height), max(j0, 0), min(j0 + pw, wide)
        src = (slice(i1 - i0, i2 - i0), slice(j1 - j0, j2 - j0))
        dst = (row, slice(i1, i2), slice(j1, j2))
        torch.maximum(out.z[dst], z[k][src], out=out.z[dst])
        torch.maximum(out.inside[dst], inside[k][src], out=out.inside[dst])
        torch.minimum(out.apart[dst], apart[k][src], out=out.apart[dst])
        closer = u[k][src].abs() < nearest[dst]
        nearest[dst] = torch.where(closer, u[k][src].abs(), nearest[dst])
        for target, value in (
            (out.level, level[k][src]),
            (out.lingual, lingual[k][src]),
            (out.outside, outside[k][src]),
            (out.ridge, ridge[k][src]),
            (out.flank, flank[k][src]),
        ):
            target[dst] = torch.where(closer, value, target[dst])
        out.lobe[dst] = torch.where(closer, torch.full_like(out.lobe[dst], lobe.index), out.lobe[dst])
    return out


def evened(field: Tensor) -> Tensor:
    """Field (T, H, W) smoothed over half a millimetre along the row: lobes meet without a step."""
    for _ in range(2):
        field = F.avg_pool2d(field, (1, 5), stride=1, padding=(0, 2), count_include_pad=False)
    return field
