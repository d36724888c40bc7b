"""Perspective camera over the jaw, and the march of its rays into the height fields."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from crestgauge.synthetic_data.ground import Ground
from crestgauge.synthetic_data.jaw import JawFields
from crestgauge.synthetic_data.wear import CrownFields, Grid

Array = NDArray[np.float64]

STEEP_LEVELS = 24
"""Levels more of the march through the bone for a camera in the plane of the row; none below 17 degrees."""
STRIDE_MM, MOST_LEVELS = 0.25, 200
"""How far a ray may run sideways between two levels among the crowns, whose blades are half a millimetre thin
[mm], and how many levels there are at most, for a camera in the plane of the row."""
NOTHING_MM = -59.0
"""Heights down to here are a surface; below, there is none (`FAR_BELOW`)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """
    Pinhole camera.

    Parameters
    ----------
    position : ndarray, shape (3,)
        [mm, jaw frame]
    right, down, forward : ndarray, shape (3,)
        Unit axes of the picture; ``down`` is mirrored for a right jaw, since every jaw is modelled as a left
        one.
    focal_px : float
    centre : tuple of float
        Principal point (x, y). [px]
    width, height : int
        [px]
    """

    position: Array
    right: Array
    down: Array
    forward: Array
    focal_px: float
    centre: tuple[float, float]
    width: int
    height: int
    mirror: bool

    def project(self, points: Array) -> Array:
        """Pixels (x, y) of points of the jaw frame, shape (N, 3) -> (N, 2)."""
        rel = np.asarray(points, dtype=np.float64) - self.position
        depth = rel @ self.forward
        flat = np.column_stack((rel @ self.right, rel @ self.down))
        pixels = flat * (self.focal_px / depth)[:, None] + np.array(self.centre)
        return np.asarray(pixels, dtype=np.float64)

    def view_axes(self) -> tuple[Array, Array]:
        """
        In-plane unit vectors (x, y of the jaw frame) that the picture's right and down axes mark on the
        occlusal plane.
        """
        r = self.right[:2] / np.hypot(*self.right[:2])
        d = np.array([-r[1], r[0]])
        return r, -d if self.mirror else d


def look_at(
    *,
    target: Array,
    tilt_deg: float,
    azimuth_deg: float,
    distance_mm: float,
    roll_deg: float,
    px_per_mm: float,
    size: tuple[int, int],
    centre: tuple[float, float],
    mirror: bool,
) -> Camera:
    """
    Camera that looks at ``target`` from ``distance_mm`` away, ``tilt_deg`` off the normal of the occlusal
    plane.

    ``roll_deg`` turns the picture about its axis: 0 leaves the row level with tooth 1 at the left.
    ``px_per_mm`` is the scale at the target.
    """
    t, a, g = np.deg2rad([tilt_deg, azimuth_deg, roll_deg])
    n = np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
    level = np.array([1.0, 0.0, 0.0]) - n[0] * n
    level /= np.linalg.norm(level)
    across = np.cross(n, level)
    if mirror:
        across = -across
    right = np.cos(g) * level + np.sin(g) * across
    down = -np.sin(g) * level + np.cos(g) * across
    return Camera(
        position=np.asarray(target) + distance_mm * n,
        right=right,
        down=down,
        forward=-n,
        focal_px=px_per_mm * distance_mm,
        centre=centre,
        width=size[0],
        height=size[1],
        mirror=mirror,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Hits:
    """
    Where each pixel's line of sight ends, flattened to N = width * height.

    point : Tensor, shape (N, 3), jaw frame [mm]
    direction : Tensor, shape (N, 3), unit vector from the camera
    on_jaw, on_crown : Tensor of bool, shape (N,); a hit on a crown is on the jaw too
    """

    point: Tensor
    direction: Tensor
    on_jaw: Tensor
    on_crown: Tensor


def sample(grid: Grid, field: Tensor, x: Tensor, y: Tensor, *, mode: str = "bilinear") -> Tensor:
    """Values of ``field`` (H, W) or (C, H, W) at points of any shape; outside the grid its border value."""
    stacked = field if field.ndim == 3 else field[None]
    unit = grid.to_unit(x.reshape(1, 1, -1), y.reshape(1, 1, -1))
    out = F.grid_sample(stacked[None], unit, mode=mode, padding_mode="border", align_corners=True)[0, :, 0]
    return out.view(stacked.shape[0], *x.shape) if field.ndim == 3 else out.view(x.shape)


def height(crowns: CrownFields, jaw: JawFields, x: Tensor, y: Tensor) -> tuple[Tensor, Tensor]:
    """Heights of crowns and of bone at (x, y). [mm]"""
    return sample(crowns.grid, crowns.surface, x, y), sample(jaw.grid, jaw.surface, x, y)


class AlongRays:
    """
    Heights under points that run along straight lines, ``start + t * step`` in the plane of the row.

    The places in either grid are linear in ``t`` too, so each look costs two additions and two samplings, no
    more: a march of fifty levels is bound by the number of operations, not by their size.
    """

    def __init__(self, crowns: CrownFields, jaw: JawFields, start: Tensor, step: Tensor) -> None:
        self._fields = (crowns.surface[None, None], jaw.surface[None, None])
        self._starts, self._steps = [], []
        for grid in (crowns.grid, jaw.grid):
            scale = torch.tensor(
                [2.0 * grid.px_per_mm / (grid.width - 1), 2.0 * grid.px_per_mm / (grid.height - 1)],
                device=start.device,
            )
            self._starts.append(grid.to_unit(start[:, 0], start[:, 1])[None, None])
            self._steps.append((step * scale)[None, None])

    def heights(self, t: float | Tensor) -> tuple[Tensor, Tensor]:
        """Heights of crowns and of bone at ``t``, a number or one value per line. [mm]"""
        at = t[None, None, :, None] if isinstance(t, Tensor) else t
        crown, bone = (
            F.grid_sample(field, start + step * at, padding_mode="border", align_corners=True)[0, 0, 0]
            for field, start, step in zip(self._fields, self._starts, self._steps, strict=True)
        )
        return crown, bone


def _box(grid: Grid, surface: Tensor) -> list[tuple[float, float]]:
    """
    Ends along x and y, outside of which ``surface`` is nowhere. [mm]

    A surface that reaches the rim of its grid has no end there, since sampling repeats the rim.
    """
    there = surface > NOTHING_MM
    ends = []
    for first, along in ((grid.x0, there.any(dim=0)), (grid.y0, there.any(dim=1))):
        at = along.nonzero()[:, 0]
        if not len(at):
            ends.append((math.inf, -math.inf))
            continue
        low, high = int(at[0]), int(at[-1])
        # One cell more: between a node of the surface and one without, heights are interpolated.
        ends.append(
            (
                -math.inf if low == 0 else first + (low - 1) / grid.px_per_mm,
                math.inf if high == len(along) - 1 else first + (high + 1) / grid.px_per_mm,
            )
        )
    return ends


def passing(
    crowns: CrownFields, jaw: JawFields, start: Tensor, step: Tensor, between: tuple[float, float]
) -> Tensor:
    """
    Which lines ``start + t * step`` come over crowns or bone for a ``t`` of ``between``, shape (N,), bool.

    All that do, and some that pass near by: asked is whether the boxes round line and jaw, with sides along
    and across the row, have a part in common.
    """
    over = torch.ones(len(start), dtype=torch.bool, device=start.device)
    boxes = zip(_box(crowns.grid, crowns.surface), _box(jaw.grid, jaw.surface), strict=True)
    for axis, ((crown_from, crown_to), (bone_from, bone_to)) in enumerate(boxes):
        one, other = (start[:, axis] + step[:, axis] * t for t in between)
        over &= torch.maximum(one, other) >= min(crown_from, bone_from)
        over &= torch.minimum(one, other) <= max(crown_to, bone_to)
    return over


def march(
    camera: Camera,
    crowns: CrownFields,
    jaw: JawFields,
    *,
    ground: Ground,
    device: torch.device,
    steps: tuple[int, int] = (32, 12),
) -> Hits:
    """
    Follow each pixel's ray down to the first surface: levels of z first, then bisection to a few micrometres.

    Rays that meet neither crown nor bone end on the ground; those that pass beside both are not followed. A
    slanting ray runs far between two levels and would cut the corners of thin bone in steps, so there are
    more of them the more the camera is tilted.
    """

    def f32(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    j = torch.arange(camera.width, device=device, dtype=torch.float32) - camera.centre[0]
    i = torch.arange(camera.height, device=device, dtype=torch.float32) - camera.centre[1]
    jj, ii = torch.meshgrid(j, i, indexing="xy")
    right, down, forward = f32(camera.right), f32(camera.down), f32(camera.forward)
    direction = forward * camera.focal_px + jj.reshape(-1, 1) * right + ii.reshape(-1, 1) * down
    direction = direction / direction.norm(dim=1, keepdim=True)
    origin = f32(camera.position)
    dz = direction[:, 2].clamp_max(-0.02)
    # Metres along the ray are left out: a height z names the point, so the march needs x and y only.
    sx, sy = direction[:, 0] / dz, direction[:, 1] / dz
    oz = float(camera.position[2])
    slope = torch.stack((sx, sy), dim=1)
    start = origin[:2] - slope * oz
    top = float(max(crowns.surface.max(), jaw.surface.max())) + 0.05
    there = jaw.surface[jaw.surface > NOTHING_MM]
    crown_low = float(there.median()) - 4.0 if there.numel() else -20.0
    low = float(there.min()) if there.numel() else -40.0
    tilt = float(np.hypot(camera.forward[0], camera.forward[1]))
    sideways = (top - crown_low) * tilt / max(float(np.sqrt(1.0 - tilt**2)), 1e-3)
    fine = int(np.clip(np.ceil(sideways / STRIDE_MM), steps[0], max(steps[0], MOST_LEVELS)))
    deep = steps[1] + round(STEEP_LEVELS * max(tilt - 0.3, 0.0))
    levels = np.concatenate(
        (
            np.linspace(top, crown_low, fine),
            np.linspace(crown_low, min(low, crown_low - 1.0), deep)[1:],
        )
    )
    followed = passing(crowns, jaw, start, slope, (float(levels[-1]), float(levels[0])))
    chosen = followed.nonzero()[:, 0]
    rays = AlongRays(crowns, jaw, start[chosen], slope[chosen])
    # Once below a surface a ray stays found, so the number of levels since then says where that was: four
    # operations a level, where writing down both heights at each would take nine.
    met = torch.zeros_like(chosen, dtype=torch.bool)
    since = torch.zeros_like(chosen, dtype=torch.int16)
    for level in levels[1:]:
        crown, bone = rays.heights(float(level))
        met |= torch.maximum(crown, bone) >= float(level)
        since += met
    heights = f32(levels)
    first = (len(levels) - since.long()).clamp_max(len(levels) - 1)
    below, above = heights[first], heights[first - 1]
    for _ in range(6):
        middle = 0.5 * (below + above)
        crown, bone = rays.heights(middle)
        inside = torch.maximum(crown, bone) >= middle
        below, above = torch.where(inside, middle, below), torch.where(inside, above, middle)
    found, lower = torch.zeros_like(followed), torch.zeros_like(dz)
    found[chosen], lower[chosen] = met, below
    x, y = origin[0] + sx * (lower - oz), origin[1] + sy * (lower - oz)
    crown, bone = height(crowns, jaw, x, y)
    on_it = torch.stack((x, y, lower), dim=1)
    return Hits(
        point=torch.where(found[:, None], on_it, ground.met(origin, direction)),
        direction=direction,
        on_jaw=found,
        on_crown=found & (crown >= bone),
    )
