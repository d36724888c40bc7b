"""
Crowns: which blades make which tooth, the dentine core inside, and what a cutting surface lays open.

All proportions here are invented to look right, except tooth lengths and the size of m1, see DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import distance_transform_edt
from skimage.measure import points_in_poly

from crestgauge.synthetic_data.traced.blades import (
    Array,
    Blade,
    PlanMap,
    blade_field,
    join,
    plan_map,
    smooth_line,
)

BLEND_OUTER_MM = 0.35
BLEND_CORE_MM = 0.55


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Root body of one lobe: an upright elliptic column under the blades, its top the infundibulum's floor.
    [mm]"""

    x: float
    y: float
    half_x: float
    half_y: float
    top: float
    enamel: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lobe:
    """Where a lobe lies along the tooth, the outline between its two crests, and whether it has a lingual
    crest."""

    number: int
    x0: float
    x1: float
    basin: Array
    main: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wear:
    """
    The cutting surface z = w(x, y) of one tooth, in the tooth's frame.

    Parameters
    ----------
    level : float
        Height at the tooth's middle. [mm]
    slope_x, slope_y : float
        Rise towards the back and towards the tongue. [1]
    hollow : float
        Depth of the hollow at the middle against the margin 5 mm away. [mm]
    waves : ndarray, shape (K, 4)
        Wave numbers kx, ky, phase and amplitude of slight waves. [rad/mm, rad/mm, rad, mm]
    sink : float
        How far dentine lies below the enamel beside it once it is wide. [mm]
    chips : ndarray, shape (K, 4)
        x, y, radius and depth of pieces broken off. [mm]
    """

    level: float
    slope_x: float
    slope_y: float
    hollow: float
    waves: Array
    sink: float
    chips: Array

    def height(self, points: Array) -> Array:
        """w at plan points, shape (..., 2); without the sinking of dentine. [mm]"""
        x, y = points[..., 0], points[..., 1]
        z = self.level + self.slope_x * x + self.slope_y * y - self.hollow * (1.0 - (y / 5.0) ** 2)
        for kx, ky, phase, size in self.waves:
            z = z + size * np.sin(kx * x + ky * y + phase)
        for cx, cy, radius, deep in self.chips:
            away = np.hypot(x - cx, y - cy) / radius
            z = z - deep * np.clip(1.6 - 1.6 * away, 0.0, 1.0)
        return z


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crown:
    """
    One tooth as two solids, outer enamel surface and dentine core, before and after wear.

    Parameters
    ----------
    blades, bodies, lobes : tuples
    half_length, half_width : float
        Half extent of the plan that holds the whole crown. [mm]
    wear : Wear
    """

    blades: tuple[Blade, ...]
    bodies: tuple[Body, ...]
    lobes: tuple[Lobe, ...]
    half_length: float
    half_width: float
    wear: Wear

    def maps(self, points: Array) -> tuple[PlanMap, ...]:
        """Plan maps of all blades, for reuse over many heights."""
        return tuple(plan_map(blade, points) for blade in self.blades)

    def field(
        self, points: Array, z: Array | float, *, core: bool, maps: tuple[PlanMap, ...] | None = None
    ) -> Array:
        """
        Signed field of the unworn outer solid or of the dentine core, negative inside. [mm]

        Parameters
        ----------
        points : ndarray, shape (..., 2)
        z : ndarray broadcastable to the points, or float
        core : bool
        maps : optional
            `maps(points)` where it is at hand.
        """
        maps = self.maps(points) if maps is None else maps
        blend = BLEND_CORE_MM if core else BLEND_OUTER_MM
        total: Array | None = None
        for blade, plan in zip(self.blades, maps, strict=True):
            one = blade_field(blade, plan, z, core=core)
            total = one if total is None else join(total, one, blend)
        for body in self.bodies:
            thin = body.enamel if core else 0.0
            side = np.hypot(
                (points[..., 0] - body.x) / (body.half_x - thin),
                (points[..., 1] - body.y) / (body.half_y - thin),
            )
            column = (side - 1.0) * min(body.half_x, body.half_y)
            one = np.maximum(column, z - (body.top - thin))
            total = one if total is None else join(total, one, blend)
        assert total is not None
        return total

    def cut(self, points: Array, maps: tuple[PlanMap, ...] | None = None) -> tuple[Array, Array, Array]:
        """
        Fields on the cutting surface.

        Returns
        -------
        z, outer, core : ndarrays
            Height of the cutting surface and both fields there. [mm] outer < 0: wear has cut the tooth
            here; core < 0
            as well: dentine.
        """
        z = self.wear.height(points)
        maps = self.maps(points) if maps is None else maps
        return z, self.field(points, z, core=False, maps=maps), self.field(points, z, core=True, maps=maps)


def sunken(wear: Wear, z: Array, dentine: NDArray[np.bool_], step: float) -> Array:
    """
    Height of the worn face once softer dentine has sunk below the enamel. [mm]

    Parameters
    ----------
    z : ndarray, shape (H, W)
        Cutting surface on a grid. [mm]
    dentine : ndarray of bool, shape (H, W)
    step : float
        Grid step. [mm]
    """
    inward = distance_transform_edt(dentine) * step
    return np.asarray(z - wear.sink * (1.0 - np.exp(-inward / 0.45)), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class LobeShape:
    """Size of one lobe: middle x, length, width, lateral offset, lingual crest height, enamel; see
    `lobe_parts`."""

    number: int
    x: float
    length: float
    width: float
    y: float
    height: float
    enamel: float
    main: bool = True
    depth: float = 6.5
    open_share: float = 1.0


def wobble(rng: np.random.Generator, count: int, size: float) -> Array:
    """Smooth random factor around 1 along a line of ``count`` points."""
    at = np.linspace(0.0, 1.0, count)
    out = np.ones(count)
    for k in (1, 2, 3):
        out += size * rng.normal() / k * np.sin(np.pi * k * at + rng.uniform(0.0, 6.28))
    return np.clip(out, 0.6, 1.5)


def make_blade(
    rng: np.random.Generator, points: Array, heights: Array, shape: LobeShape, **laws: float
) -> Blade:
    """Blade through ``points`` with crest heights interpolated from ``heights`` at the same points."""
    line = smooth_line(points)
    steps = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, steps[-1], len(line))
    height = PchipInterpolator(steps, heights)(at)
    thick = shape.enamel
    return Blade(
        line=line,
        height=height,
        out_sign=int(laws["out_sign"]),
        top=laws["top"],
        slope_out=laws["slope_out"],
        slope_in=laws["slope_in"],
        swell=laws.get("swell", 0.0),
        bulge=laws["bulge"],
        enamel_out=thick * wobble(rng, len(line), 0.06),
        enamel_in=thick * 0.92 * wobble(rng, len(line), 0.07),
        enamel_top=thick * 1.15 * wobble(rng, len(line), 0.05),
        lobe=shape.number,
        lingual=bool(laws.get("lingual", 0.0)),
    )


def lobe_parts(rng: np.random.Generator, shape: LobeShape) -> tuple[list[Blade], Body, Lobe]:
    """A selenodont lobe: nearly straight tongue-side blade, crescent convex to the cheek, column below."""
    half, wide, h = shape.length / 2.0, shape.width, shape.height

    def jitter(size: float) -> float:
        return float(rng.normal() * size * wide)

    lingual_y = shape.y + 0.27 * wide + jitter(0.008)
    lingual = np.array(
        [
            [-0.93 * half, lingual_y - 0.045 * wide + jitter(0.008)],
            [-0.45 * half, lingual_y + 0.010 * wide + jitter(0.006)],
            [0.02 * half, lingual_y + 0.045 * wide + jitter(0.006)],
            [0.50 * half, lingual_y + 0.005 * wide + jitter(0.006)],
            [0.93 * half, lingual_y - 0.035 * wide + jitter(0.008)],
        ]
    )
    horn = 0.16 * shape.open_share
    apex = -0.24 * wide + shape.y + jitter(0.01)
    crescent = np.array(
        [
            [-0.93 * half, shape.y + horn * wide + jitter(0.01)],
            [-0.80 * half, shape.y + 0.03 * wide],
            [-0.42 * half, shape.y - 0.165 * wide + jitter(0.008)],
            [-0.05 * half + jitter(0.01), apex],
            [0.34 * half, shape.y - 0.175 * wide + jitter(0.008)],
            [0.74 * half, shape.y + 0.0 * wide],
            [0.92 * half, shape.y + (horn - 0.03) * wide + jitter(0.01)],
        ]
    )
    for line in (lingual, crescent):
        line[:, 0] += shape.x
    gap = 0.51 * wide
    closing = (gap - 0.70) / (shape.depth * 2.0)
    blades = [
        make_blade(
            rng,
            lingual,
            h - np.array([2.0, 0.75, 0.0, 0.8, 1.9]) * half / 3.4,
            shape,
            out_sign=1,
            top=0.34,
            slope_out=0.045,
            slope_in=closing * 0.95,
            swell=0.75,
            bulge=0.035 * wide,
            lingual=1.0,
        ),
        make_blade(
            rng,
            crescent,
            h - 1.7 - np.array([1.2, 0.9, 0.35, 0.0, 0.4, 1.0, 1.3]) * half / 3.4,
            shape,
            out_sign=-1,
            top=0.36,
            slope_out=0.06,
            slope_in=closing * 1.05,
            swell=0.25,
            bulge=0.085 * wide,
        ),
    ]
    body = Body(
        x=shape.x,
        y=shape.y - 0.01 * wide,
        half_x=1.02 * half,
        half_y=0.43 * wide,
        top=h - shape.depth - 0.2,
        enamel=shape.enamel * 0.9,
    )
    basin = np.vstack([blades[0].line, blades[1].line[::-1]])
    return (
        blades,
        body,
        Lobe(number=shape.number, x0=shape.x - half, x1=shape.x + half, basin=basin, main=shape.main),
    )


def rib_parts(
    rng: np.random.Generator, shape: LobeShape, ribs: tuple[float, ...]
) -> tuple[list[Blade], Body, Lobe]:
    """A front premolar: one long crest with oblique ribs to the tongue side and open notches between them."""
    half, wide, h = shape.length / 2.0, shape.width, shape.height
    y = shape.y
    main = np.array(
        [
            [-0.92 * half, y + 0.02 * wide],
            [-0.4 * half, y - 0.09 * wide],
            [0.0, y - 0.14 * wide],
            [0.45 * half, y - 0.10 * wide],
            [0.92 * half, y - 0.04 * wide],
        ]
    )
    main[:, 0] += shape.x
    laws = {"top": 0.36, "slope_out": 0.10, "slope_in": 0.13, "bulge": 0.09 * wide}
    blades = [
        make_blade(
            rng, main, h - np.array([2.2, 0.7, 0.0, 0.7, 1.8]) * half / 4.5, shape, out_sign=-1, **laws
        )
    ]
    for k, at in enumerate(ribs):
        start = np.array([shape.x + at * half, y - 0.11 * wide])
        reach = (0.34 + 0.05 * k) * wide
        points = np.array(
            [
                start,
                start + np.array([0.10 * half, 0.45 * reach]),
                start + np.array([0.22 * half, 0.9 * reach]),
                start + np.array([0.34 * half, 1.08 * reach]),
            ]
        )
        laws_rib = {"top": 0.33, "slope_out": 0.10, "slope_in": 0.10, "bulge": 0.03 * wide}
        blades.append(
            make_blade(rng, points, h - np.array([0.6, 1.0, 1.2, 1.9]), shape, out_sign=1, **laws_rib)
        )
    body = Body(
        x=shape.x, y=y, half_x=0.98 * half, half_y=0.42 * wide, top=h - shape.depth, enamel=shape.enamel * 0.9
    )
    basin = np.zeros((0, 2))
    return (
        blades,
        body,
        Lobe(number=shape.number, x0=shape.x - half, x1=shape.x + half, basin=basin, main=False),
    )


def in_basin(lobe: Lobe, points: Array) -> NDArray[np.bool_]:
    """Whether plan points lie between the lobe's two crest lines; shape (...,)."""
    if not len(lobe.basin):
        return np.zeros(points.shape[:-1], dtype=bool)
    inside = points_in_poly(points.reshape(-1, 2), lobe.basin[::4])
    return np.asarray(inside, dtype=np.bool_).reshape(points.shape[:-1])
