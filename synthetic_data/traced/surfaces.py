"""Crown surfaces: the map of what lies open on top, seen along z, and the triangle mesh of the worn crown."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates
from skimage.measure import marching_cubes

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.traced.blades import Array, PlanMap
from crestgauge.synthetic_data.traced.crowns import Crown, in_basin, sunken

ROOT_MM = 5.0
"""How far the mesh goes on below the gum line. [mm]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Top:
    """
    The crown seen from above on a regular grid in the tooth's frame.

    Parameters
    ----------
    x, y : ndarray, shape (W,), (H,)
        Grid lines. [mm]
    material : ndarray of uint8, shape (H, W)
        `Material` of the topmost surface; BACKGROUND outside the crown.
    height : ndarray, shape (H, W)
        Height of that surface. [mm]
    depth : ndarray, shape (H, W)
        How far it lies below the cutting surface. [mm]
    core : ndarray, shape (H, W)
        Core field on the cutting surface. [mm]
    food : ndarray of bool, shape (H, W)
        The topmost surface is packed food, not tooth.
    """

    x: Array
    y: Array
    material: NDArray[np.uint8]
    height: Array
    depth: Array
    core: Array
    food: NDArray[np.bool_]

    def sample(self, name: str, points: Array, *, order: int = 1) -> Array:
        """Value of array ``name`` at plan points, shape (..., 2)."""
        step = self.x[1] - self.x[0]
        at = np.stack([(points[..., 1] - self.y[0]) / step, (points[..., 0] - self.x[0]) / step])
        values = map_coordinates(getattr(self, name).astype(float), at, order=order, mode="nearest")
        return np.asarray(values, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles: vertices (V, 3) [mm], faces (F, 3), texture coordinates (V, 2) and colour (V, 3), linear
    RGB."""

    vertices: Array
    faces: NDArray[np.int64]
    uv: Array
    colour: Array


def grid(crown: Crown, step: float) -> tuple[Array, Array, Array]:
    """Grid lines x, y and plan points (H, W, 2) over the crown. [mm]"""
    x = np.arange(-crown.half_length, crown.half_length + step, step)
    y = np.arange(-crown.half_width, crown.half_width + step, step)
    return x, y, np.stack(np.meshgrid(x, y), axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Packing:
    """Food packed into the infundibulum: how far below the cutting surface it reaches, and its lumps. [mm]"""

    below: float
    lumps: float
    seed: int


def worn_volume(crown: Crown, step: float, packing: Packing) -> tuple[Array, Array, Array, Array]:
    """
    Field of the worn crown with its packed food on a voxel grid.

    Returns
    -------
    x, y, z : ndarrays
        Grid lines. [mm]
    volume : ndarray, shape (Z, Y, X)
        Negative inside. [mm]
    """
    x, y, points = grid(crown, step)
    maps = crown.maps(points)
    cut, outer, core = crown.cut(points, maps)
    face = sunken(crown.wear, cut, (core < 0.0) & (outer < 0.0), step)
    basin = np.zeros(points.shape[:2], dtype=bool)
    for lobe in crown.lobes:
        basin |= in_basin(lobe, points)
    rng = np.random.default_rng(packing.seed)
    lumps = gaussian_filter(rng.normal(size=basin.shape), 0.35 / step)
    lumps *= packing.lumps / max(float(lumps.std()), 1e-9)
    food = face - packing.below + lumps
    for lobe in (lobe for lobe in crown.lobes if len(lobe.basin)):
        # Never above the funnel's own rim: food does not bridge from crest to crest.
        food = np.where(
            in_basin(lobe, points), np.minimum(food, crest_level(crown, lobe.number, maps) - 1.0), food
        )
    inside = (gaussian_filter(basin.astype(float), 0.15 / step) - 0.5) * 0.8
    top = float(max(blade.height.max() for blade in crown.blades)) + 0.4
    z = np.arange(-ROOT_MM, min(top, float(face.max()) + 0.5) + step, step)
    volume = np.empty((len(z), *basin.shape))
    for k, level in enumerate(z):
        solid = np.maximum(crown.field(points, level, core=False, maps=maps), (level - face) * 0.9)
        volume[k] = np.minimum(solid, np.maximum(level - food, -inside))
    return x, y, z, volume


def crown_top(crown: Crown, step: float, x: Array, y: Array, z: Array, volume: Array) -> Top:
    """View from above at ``step``, from exact fields on the cutting surface and the volume's height
    elsewhere."""
    fine_x, fine_y, points = grid(crown, step)
    # The fields are smooth where an edge can lie, so twice the step and straight lines between cost < 0.002
    # mm.
    half_x, half_y, half_points = grid(crown, 2.0 * step)
    maps = crown.maps(half_points)
    back = np.stack([(points[..., i] - line[0]) / (2.0 * step) for i, line in ((1, half_y), (0, half_x))])
    _, outer, core = (
        map_coordinates(part, back, order=1, mode="nearest") for part in crown.cut(half_points, maps)
    )
    cut = crown.wear.height(points)
    filled = volume < 0.0
    first = len(z) - 1 - np.argmax(filled[::-1], axis=0)
    first = np.minimum(first, len(z) - 2)
    low = np.take_along_axis(volume, first[None], 0)[0]
    high = np.take_along_axis(volume, first[None] + 1, 0)[0]
    share = np.clip(low / np.where(np.abs(low - high) > 1e-9, low - high, 1.0), 0.0, 1.0)
    any_filled = filled.any(axis=0)
    coarse = np.where(any_filled, z[0] + (first + share) * (z[1] - z[0]), z[0])
    at = np.stack([(points[..., 1] - y[0]) / (y[1] - y[0]), (points[..., 0] - x[0]) / (x[1] - x[0])])
    height = map_coordinates(coarse, at, order=1, mode="nearest")
    there = map_coordinates(any_filled.astype(float), at, order=1, mode="nearest") > 0.5
    worn = outer < 0.0
    material = np.where(there, Material.CROWN_WALL, Material.BACKGROUND).astype(np.uint8)
    for lobe in (lobe for lobe in crown.lobes if len(lobe.basin)):
        basin = (
            map_coordinates(in_basin(lobe, half_points).astype(float), back, order=1, mode="nearest") > 0.5
        )
        level = map_coordinates(crest_level(crown, lobe.number, maps), back, order=1, mode="nearest")
        material[basin & ~worn & (cut - height > 0.12) & (height < level - 0.7)] = Material.INFUNDIBULUM
    material[worn] = Material.ENAMEL_BAND
    material[worn & (core < 0.0)] = Material.DENTINE
    height = np.where(worn, sunken(crown.wear, cut, material == Material.DENTINE, step), height)
    low_height = map_coordinates(
        coarse,
        [(half_points[..., i] - g[0]) / (g[1] - g[0]) for i, g in ((1, y), (0, x))],
        order=1,
        mode="nearest",
    )
    bare = crown.field(half_points, low_height, core=False, maps=maps)
    food = (
        (map_coordinates(bare, back, order=1, mode="nearest") > 0.09)
        & ~worn
        & (material == Material.INFUNDIBULUM)
    )
    return Top(x=fine_x, y=fine_y, material=material, height=height, depth=cut - height, core=core, food=food)


def crest_level(crown: Crown, lobe: int, maps: tuple[PlanMap, ...]) -> Array:
    """Height of the lobe's lower crest beside each plan point: its infundibulum lies below. [mm]"""
    levels = [plan.height for blade, plan in zip(crown.blades, maps, strict=True) if blade.lobe == lobe]
    return np.asarray(np.minimum.reduce(levels), dtype=np.float64)


def crown_mesh(crown: Crown, x: Array, y: Array, z: Array, volume: Array) -> Mesh:
    """Triangle mesh of the worn crown; u, v run 0..1 over the crown's plan box, colour is left white."""
    step = x[1] - x[0]
    padded = np.pad(volume, 1, constant_values=1.0)
    vertices, faces, _, _ = marching_cubes(padded, 0.0, spacing=(step, step, step))
    vertices = vertices[:, ::-1] - step + np.array([x[0], y[0], z[0]])
    uv = (vertices[:, :2] - [x[0], y[0]]) / [x[-1] - x[0], y[-1] - y[0]]
    return Mesh(
        vertices=vertices, faces=faces[:, ::-1].astype(np.int64), uv=uv, colour=np.ones_like(vertices)
    )
