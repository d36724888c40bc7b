"""Bone, gum and their colours: one solid field of the jaw, with a collar round every neck."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from skimage.measure import marching_cubes

from crestgauge.synthetic_data.traced.blades import Array, join
from crestgauge.synthetic_data.traced.jaws import Jaw
from crestgauge.synthetic_data.traced.surfaces import Mesh

VOXEL_MM = 0.55


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """Smooth noise in space: a sum of plane waves of random direction; the same value for the same place."""

    waves: Array
    phases: Array

    @classmethod
    def draw(cls, rng: np.random.Generator, length: float, count: int = 14) -> Ripple:
        """Noise with details about ``length`` mm long, unit variance."""
        direction = rng.normal(size=(count, 3))
        direction /= np.linalg.norm(direction, axis=1)[:, None]
        return cls(
            waves=direction * (2.0 * np.pi / length * rng.uniform(0.6, 1.7, count))[:, None],
            phases=rng.uniform(0.0, 2.0 * np.pi, count),
        )

    def at(self, points: Array) -> Array:
        """Value at points, shape (..., 3)."""
        total = np.zeros(points.shape[:-1])
        for wave, phase in zip(self.waves, self.phases, strict=True):
            total += np.sin(points @ wave + phase)
        return np.asarray(total * np.sqrt(2.0 / len(self.phases)), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class BoneStyle:
    """Shape and colour of one jaw bone. Lengths in mm, colours linear RGB."""

    front: float
    back: float
    ramus: float
    saw: float
    bone: tuple[float, float, float]
    stain: tuple[float, float, float]
    gum: tuple[float, float, float]
    stain_share: float
    gum_reach: float
    wet: float


def draw_bone_style(rng: np.random.Generator, jaw: Jaw) -> BoneStyle:
    """Colours from fresh red to old ivory."""
    warm = rng.uniform(0.0, 1.0)
    bone = (0.70 - 0.12 * warm, 0.63 - 0.15 * warm, 0.51 - 0.18 * warm)
    dried = rng.random() < 0.35
    gum = (
        (0.33, 0.12, 0.06)
        if dried
        else (rng.uniform(0.45, 0.62), rng.uniform(0.12, 0.25), rng.uniform(0.10, 0.20))
    )
    return BoneStyle(
        front=float(rng.uniform(18.0, 45.0)),
        back=float(rng.uniform(8.0, 34.0)),
        ramus=float(rng.uniform(0.35, 0.9)),
        saw=float(rng.normal(0.0, 0.25)),
        bone=bone,
        stain=(0.30, 0.18, 0.08),
        gum=gum,
        stain_share=float(rng.uniform(0.05, 0.5)),
        gum_reach=float(rng.uniform(3.0, 9.0)) if jaw.fresh else float(rng.uniform(-4.0, 0.5)),
        wet=float(rng.uniform(0.4, 1.0)) if jaw.fresh else float(rng.uniform(0.0, 0.35)),
    )


def row_y(jaw: Jaw, x: Array) -> Array:
    """Sideways course of the row. [mm]"""
    u = (np.clip(x, 0.0, jaw.row_mm) / jaw.row_mm - 0.5) * 2.0
    return -jaw.sag * (1.0 - u * u) + jaw.sag * 0.5


def bone_field(jaw: Jaw, style: BoneStyle, points: Array) -> Array:
    """Field of the bare jaw: tooth-bearing body, thin bar in front, rising plate behind. [mm]"""
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    row = jaw.row_mm
    ahead = np.clip(-x / 14.0, 0.0, 1.0)
    ahead = ahead * ahead * (3.0 - 2.0 * ahead)
    along = np.clip(x / row, 0.0, 1.15)
    half_y = (5.3 + 2.3 * along) * (1.0 - ahead) + 3.9 * ahead
    top = -0.9 * (1.0 - ahead) - 6.5 * ahead
    bottom = -(15.0 + 14.0 * along) * (1.0 - ahead) - 17.0 * ahead
    middle, half_z = (top + bottom) / 2.0, (top - bottom) / 2.0
    yc = row_y(jaw, x) + 0.10 * np.minimum(x, 0.0)
    squeeze = ((np.abs(y - yc) / half_y) ** 2.8 + (np.abs(z - middle) / half_z) ** 2.8) ** (1.0 / 2.8)
    body = (squeeze - 1.0) * half_y * 0.9
    rise = np.clip(x - row - 2.0, 0.0, None)
    plate_top = np.minimum(-3.0 + rise * rise / (rise + 4.0) * 2.1 * style.ramus, 38.0)
    plate_y = row_y(jaw, x) - 3.0 - 0.10 * rise
    thick = 1.6 + 1.6 * np.clip((plate_top - z) / 18.0, 0.0, 1.0)
    plate = (
        np.hypot(np.maximum(np.abs(y - plate_y) - thick + 1.5, 0.0), np.maximum(z - plate_top + 1.5, 0.0))
        - 1.5
    )
    plate = np.maximum(plate, row - 6.0 - x)
    whole = join(body, plate, 6.0)
    cut = np.maximum(-style.front - x + 0.25 * y, x - row - style.back + style.saw * (z + 5.0) + 0.2 * y)
    mix = np.maximum(2.0 - np.abs(whole - cut), 0.0) / 2.0
    return np.maximum(whole, cut) + mix * mix * 0.5


def collar_field(jaw: Jaw, points: Array) -> Array:
    """Field of the rims round the necks: rings of gum or socket bone that hug every crown. [mm]"""
    total = np.full(points.shape[:-1], 9.0)
    for tooth in jaw.teeth:
        if tooth.crown is None:
            continue
        cover = 1.0 if tooth.state == "erupting" else 0.0
        for body in tooth.crown.bodies:
            centre = tooth.to_jaw(np.array([body.x, body.y, 0.0]))
            u, v = (points[..., i] - centre[i] for i in (0, 1))
            turn = tooth.turn[:2, 0] / np.hypot(*tooth.turn[:2, 0])
            along, across = u * turn[0] + v * turn[1], v * turn[0] - u * turn[1]
            side = np.hypot(along / (body.half_x + 0.55), across / (body.half_y + 0.95))
            reach = (side - 1.0) * min(body.half_x, body.half_y)
            pillar = np.maximum(reach, points[..., 2] - tooth.collar - cover * np.clip(side, 0.0, 1.0) * 0.8)
            total = join(total, pillar, 1.2)
    return total


def jaw_mesh(jaw: Jaw, style: BoneStyle, rng: np.random.Generator) -> Mesh:
    """Mesh of bone and gum with a colour at every vertex."""
    lumps, pits = Ripple.draw(rng, 22.0), Ripple.draw(rng, 3.0)
    x = np.arange(-style.front - 2.0, jaw.row_mm + style.back + 2.0, VOXEL_MM)
    y = np.arange(-17.0, 15.0, VOXEL_MM)
    z = np.arange(-33.0, min(40.0, 4.0 + style.back * 2.1 * style.ramus), VOXEL_MM)
    volume = np.empty((len(x), len(y), len(z)), dtype=np.float32)
    for i in range(0, len(x), 40):
        points = np.stack(np.meshgrid(x[i : i + 40], y, z, indexing="ij"), axis=-1)
        field = join(bone_field(jaw, style, points), collar_field(jaw, points), 1.5)
        volume[i : i + 40] = field
    volume = gaussian_filter(volume, 0.6)
    padded = np.pad(volume, 1, constant_values=2.0)
    vertices, faces, normals, _ = marching_cubes(padded, 0.0, spacing=(VOXEL_MM,) * 3)
    vertices = vertices - VOXEL_MM + np.array([x[0], y[0], z[0]])
    vertices = vertices + normals * (0.20 * lumps.at(vertices) + 0.05 * pits.at(vertices))[:, None]
    colour = flesh_colour(jaw, style, rng, vertices)
    uv = (vertices[:, :2] - [x[0], y[0]]) / [x[-1] - x[0], y[-1] - y[0]]
    return Mesh(vertices=vertices, faces=faces.astype(np.int64), uv=uv, colour=colour)


def bone_grain(rng: np.random.Generator, fresh: bool) -> Array:
    """Relief seen from above over the jaw's box, in units of the texture: pores and scratches, or stippled
    gum."""
    shape = (330, 1700)
    fine = gaussian_filter(rng.normal(size=shape), 1.0)
    streak = gaussian_filter(rng.normal(size=shape), (0.8, 7.0))
    pores = -gaussian_filter((rng.random(shape) > 0.9992).astype(float), 0.7)
    parts = (0.8, 0.25, 0.1) if fresh else (0.5, 0.55, 0.2)
    size = rng.uniform(0.03, 0.065)
    mixed = sum(w * p / p.std() for w, p in zip(parts, (fine, streak, pores), strict=True))
    return np.asarray(size * mixed, dtype=np.float64)


def flesh_colour(jaw: Jaw, style: BoneStyle, rng: np.random.Generator, vertices: Array) -> Array:
    """Colour of bone and gum at each vertex, linear RGB, shape (V, 3)."""
    broad, middle, fine = Ripple.draw(rng, 25.0), Ripple.draw(rng, 6.0), Ripple.draw(rng, 1.8)
    a, b, c = broad.at(vertices), middle.at(vertices), fine.at(vertices)
    stain = 1.0 / (1.0 + np.exp(-2.2 * (0.9 * a + 0.6 * b + 0.2 * c - 2.2 + 4.0 * style.stain_share)))
    colour = np.array(style.bone) * (1.0 + 0.06 * b + 0.05 * c)[:, None]
    colour = colour * (1.0 - 0.8 * stain)[:, None] + np.array(style.stain) * (0.8 * stain)[:, None]
    beyond = np.maximum(-3.0 - vertices[:, 0], vertices[:, 0] - jaw.row_mm - 4.0)
    depth = -1.0 - vertices[:, 2] + 1.3 * a + 0.9 * b + 0.5 * np.maximum(beyond + 2.0 * a, 0.0)
    gum = 1.0 / (1.0 + np.exp((depth - style.gum_reach) * 1.3))
    flesh = np.array(style.gum) * (1.0 + 0.18 * b + 0.12 * c + 0.15 * a)[:, None]
    colour = colour * (1.0 - gum)[:, None] + flesh * gum[:, None]
    return np.clip(colour, 0.01, 0.95)
