"""
The plane that a jaw lies on.

A camera that looks straight down on a table sees a level table, however the jaw on it is turned: a jaw lying
on its side shows its teeth from the side over a ground that is not foreshortened at all. So the ground says
nothing of the tilt of the row, and the drawn pictures must not let it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor

Array = NDArray[np.float64]

LAID = ("level", "facing", "slanted")
LAID_SHARE = (0.38, 0.44, 0.18)
"""How often the ground is parallel to the chewing surfaces, square to the line of sight, or neither."""
MOST_SLANT_DEG = 35.0
LEAST_FACING = 0.3
"""Least cosine between the ground's normal and the line of sight: from its edge a ground shows nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """
    A plane: all points p with ``normal @ p == level``.

    Parameters
    ----------
    normal : ndarray, shape (3,)
        Unit vector out of the ground, jaw frame.
    level : float
        [mm]
    """

    normal: Array
    level: float

    def _axes(self) -> Array:
        first = np.array([1.0, 0.0, 0.0]) - self.normal[0] * self.normal
        first /= max(float(np.linalg.norm(first)), 1e-6)
        return np.stack((first, np.cross(self.normal, first)))

    def place(self, points: Tensor) -> tuple[Tensor, Tensor]:
        """Coordinates in the plane, of points (N, 3); x and y where the ground is level. [mm]"""
        axes = torch.as_tensor(self._axes(), dtype=torch.float32, device=points.device)
        u, v = (points @ axes.T).unbind(1)
        return u, v

    def met(self, origin: Tensor, direction: Tensor) -> Tensor:
        """Where rays from ``origin`` (3,) along ``direction`` (N, 3) reach the plane, (N, 3). [mm]"""
        normal = torch.as_tensor(self.normal, dtype=torch.float32, device=direction.device)
        towards = (direction @ normal).clamp_max(-0.02)
        way = (self.level - origin @ normal) / towards
        return origin + way[:, None] * direction

    def turned(self, direction: tuple[float, float, float]) -> tuple[float, float, float]:
        """
        A direction given over a level ground, over this one.

        Nothing shines from under the teeth: a light that would is lifted over their horizon.
        """
        axes = self._axes()
        x, y, z = direction[0] * axes[0] + direction[1] * axes[1] + direction[2] * self.normal
        out = np.array([x, y, max(float(z), 0.12)])
        a, b, c = (float(v) for v in out / np.linalg.norm(out))
        return a, b, c


def level_ground(z: float) -> Ground:
    """Ground parallel to the chewing surfaces at height ``z``. [mm]"""
    return Ground(normal=np.array([0.0, 0.0, 1.0]), level=z)


def sample_ground(rng: Generator, sight: Array, lowest: Tensor, gap_mm: float) -> Ground:
    """
    Ground under a jaw.

    Parameters
    ----------
    rng : numpy Generator
    sight : ndarray, shape (3,)
        Unit vector from the row to the camera.
    lowest : Tensor, shape (N, 3)
        Points of the jaw, those that may touch the ground among them. [mm]
    gap_mm : float
        How far above the ground the jaw is held.
    """
    kind = str(rng.choice(LAID, p=LAID_SHARE))
    lean, around = np.deg2rad(rng.uniform(8.0, MOST_SLANT_DEG)), rng.uniform(0, 2 * np.pi)
    off = rng.normal(0, 0.1, 3)
    normal = np.array([0.0, 0.0, 1.0])
    if kind == "facing":
        normal = sight + off
    elif kind == "slanted":
        normal = np.array([np.sin(lean) * np.cos(around), np.sin(lean) * np.sin(around), np.cos(lean)])
    normal = normal / np.linalg.norm(normal)
    if kind != "level" and normal @ sight < LEAST_FACING:
        normal = sight
    along = lowest @ torch.as_tensor(normal, dtype=torch.float32, device=lowest.device)
    return Ground(normal=normal, level=float(along.min()) - gap_mm)
