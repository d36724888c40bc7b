"""
Crest blades: the building stones of a crown. Each is a profile swept along a crest line drawn in plan.

Frame of a tooth [mm]: x from front to back, y towards the tongue, z up to the camera; z = 0 at the gum line.
A blade is thin at its crest and thickens with depth, on its outer side by another law than on its inner one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

LINE_STEP_MM = 0.03
"""Spacing of the points a crest line is stored with; a lateral offset read from it is exact to step^2 / (8
r)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blade:
    """
    One crest with the wedge of tooth below it.

    Parameters
    ----------
    line : ndarray, shape (N, 2)
        Crest line in plan, evenly spaced, front to back. [mm]
    height : ndarray, shape (N,)
        Height of the unworn crest above the gum line at each point. [mm]
    out_sign : int
        +1 if the outside of the tooth lies to the left of the line's direction, else -1.
    top : float
        Half width of the rounded crest top. [mm]
    slope_out, slope_in : float
        Half width gained per mm of depth, outer and inner side. [1]
    swell : float
        How much more the inner side gains at the middle of the line than at its ends. [1]
    bulge : float
        Extra half width of the outer wall at mid height of the crown. [mm]
    enamel_out, enamel_in, enamel_top : ndarray, shape (N,)
        Enamel thickness on the two sides and on the crest, at each point. [mm]
    lobe : int
        Lobe that the blade belongs to, 1 = front.
    lingual : bool
        The blade carries the lobe's tongue-side crest.
    """

    line: Array
    height: Array
    out_sign: int
    top: float
    slope_out: float
    slope_in: float
    swell: float
    bulge: float
    enamel_out: Array
    enamel_in: Array
    enamel_top: Array
    lobe: int
    lingual: bool


@dataclass(frozen=True, slots=True, eq=False)
class PlanMap:
    """Where points of the plan lie beside one blade: distance, share of the outer side (0..1), values of
    the line."""

    distance: Array
    outer: Array
    height: Array
    swell: Array
    enamel: Array
    enamel_top: Array


def smooth_line(points: Array) -> Array:
    """Spline through ``points``, shape (K, 2), resampled every `LINE_STEP_MM`; shape (N, 2). [mm]"""
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    spline = CubicSpline(along, points)
    fine = spline(np.linspace(0.0, along[-1], max(int(along[-1] / 0.005), 50)))
    fine_along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(fine, axis=0).T))])
    count = max(int(fine_along[-1] / LINE_STEP_MM), 8)
    at = np.linspace(0.0, fine_along[-1], count)
    return np.column_stack([np.interp(at, fine_along, fine[:, i]) for i in (0, 1)])


def plan_map(blade: Blade, points: Array) -> PlanMap:
    """
    Place plan points beside a blade.

    Parameters
    ----------
    blade : Blade
    points : ndarray, shape (..., 2)
        Plan points (x, y). [mm]
    """
    shape = points.shape[:-1]
    flat = points.reshape(-1, 2)
    tangent = np.gradient(blade.line, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    reach, near = cKDTree(blade.line).query(flat)
    away = flat - blade.line[near]
    lateral = tangent[near, 0] * away[:, 1] - tangent[near, 1] * away[:, 0]
    inside = (near > 0) & (near < len(blade.line) - 1)
    distance = np.where(inside, np.abs(lateral), reach)
    turn = np.clip(lateral * blade.out_sign / np.maximum(reach, 1e-9), -1.0, 1.0)
    # Round the ends the outer law passes into the inner one; beside the line it is one or the other.
    outer = np.where(inside, (lateral * blade.out_sign > 0.0).astype(float), 0.5 + 0.5 * turn)
    enamel = outer * blade.enamel_out[near] + (1.0 - outer) * blade.enamel_in[near]
    swell = 1.0 + blade.swell * (np.maximum(np.sin(np.pi * near / (len(blade.line) - 1)), 0.0) ** 1.5 - 0.62)
    return PlanMap(
        distance.reshape(shape),
        outer.reshape(shape),
        blade.height[near].reshape(shape),
        swell.reshape(shape),
        enamel.reshape(shape),
        blade.enamel_top[near].reshape(shape),
    )


def half_width(blade: Blade, plan: PlanMap, depth: Array) -> Array:
    """Half width of the blade at ``depth`` below its crest (0 at and above it). [mm]"""
    below = np.maximum(depth, 0.0)
    cap = blade.top * np.sqrt(np.clip(below / (1.6 * blade.top), 0.0, 1.0))
    share = np.clip(below / np.maximum(plan.height, 1.0), 0.0, 1.0)
    wall = blade.slope_out * below + blade.bulge * np.sin(share * np.pi * 0.9)
    return cap + plan.outer * wall + (1.0 - plan.outer) * blade.slope_in * plan.swell * below


def blade_field(blade: Blade, plan: PlanMap, z: Array | float, *, core: bool = False) -> Array:
    """
    Signed field of the blade (``core`` false: outer surface of the enamel; true: dentine), negative inside.
    [mm]

    The field is the exact horizontal distance to the blade's side where the point lies below the crest.
    """
    depth = plan.height - z
    width = half_width(blade, plan, depth)
    if core:
        depth = depth - plan.enamel_top
        # Below its own lowered crest the core opens as a wedge, so that the first dentine is a hair line.
        wedge = 0.9 * np.maximum(depth, 0.0) + blade.top * 0.2 * (depth > 0.0)
        width = np.minimum(width - plan.enamel, wedge)
    return np.where(depth >= 0.0, plan.distance - width, plan.distance + np.maximum(-depth, 0.0))


def join(a: Array, b: Array, blend: float) -> Array:
    """Smooth union of two fields; ``blend`` is the reach of the fillet. [mm]"""
    mix = np.maximum(blend - np.abs(a - b), 0.0) / blend
    return np.minimum(a, b) - mix * mix * blend * 0.25
