"""Perspective camera over the jaw, and the march of its rays into the height fields."""

from __future__ import annotations

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

    Rays that meet neither crown nor bone end on the ground. A slanting ray runs far between two levels and
    would cut the corners of thin bone in steps, so there are more of them the more the camera is tilted.
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
    rays = AlongRays(crowns, jaw, origin[:2] - slope * oz, slope)
    top = float(max(crowns.surface.max(), jaw.surface.max())) + 0.05
    there = jaw.surface[jaw.surface > -59]
    crown_low = float(there.median()) - 4.0 if there.numel() else -20.0
    low = float(there.min()) if there.numel() else -40.0
    tilt = float(np.hypot(camera.forward[0], camera.forward[1]))
    below = steps[1] + round(STEEP_LEVELS * max(tilt - 0.3, 0.0))
    levels = np.concatenate(
        (
            np.linspace(top, crown_low, steps[0]),
            np.linspace(crown_low, min(low, crown_low - 1.0), below)[1:],
        )
    )
    # Once below a surface a ray stays found, so the number of levels since then says where that was: four
    # operations a level, where writing down both heights at each would take nine.
    found, since = torch.zeros_like(dz, dtype=torch.bool), torch.zeros_like(dz, dtype=torch.int16)
    for level in levels[1:]:
        crown, bone = rays.heights(float(level))
        found |= torch.maximum(crown, bone) >= float(level)
        since += found
    heights = f32(levels)
    first = (len(levels) - since.long()).clamp_max(len(levels) - 1)
    lower, upper = heights[first], heights[first - 1]
    for _ in range(6):
        middle = 0.5 * (lower + upper)
        crown, bone = rays.heights(middle)
        inside = torch.maximum(crown, bone) >= middle
        lower, upper = torch.where(inside, middle, lower), torch.where(inside, upper, middle)
    x, y = origin[0] + sx * (lower - oz), origin[1] + sy * (lower - oz)
    crown, bone = height(crowns, jaw, x, y)
    on_it = torch.stack((x, y, lower), dim=1)
    return Hits(
        point=torch.where(found[:, None], on_it, ground.met(origin, direction)),
        direction=direction,
        on_jaw=found,
        on_crown=found & (crown >= bone),
    )
