"""Bits that lie over a row: lit as the picture is, with a soft shadow; what is under them has no label."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.bits import KINDS, Bit, Palette
from crestgauge.synthetic_data.camera import Camera
from crestgauge.synthetic_data.overlays import Canvas
from crestgauge.synthetic_data.phone import blur
from crestgauge.synthetic_data.shading import Light, Surface
from crestgauge.synthetic_data.tones import STAIN_TONES, varied

Array = NDArray[np.float64]

LITTER_SHARE = 0.12
"""Share of pictures with bits over the row."""
COVERING_SHARE = 0.25
"""Share of leaves among what covers a row on purpose."""
REACH = 1.7
"""How far a bit may reach from its middle, in its sizes."""
CLEAR_MM = 0.4
"""Room between a bit and what must stay in sight."""
MOST_OF_A_CROWN = 0.1
"""Largest share of a crown that bits hide where crests must stay in sight."""
LEAST_PX = 20
"""Fewer pixels of dentine or enamel than this say nothing of their tone."""


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """
    Light that falls on bits, and the colours they may share with teeth.

    light : (3,), of a white surface that lies square to the view
    sun : (right, down, towards the viewer), unit direction of the first lamp
    ambient : share of the light that has no direction
    """

    light: Tensor
    sun: Array
    ambient: float
    palette: Palette


@dataclass(frozen=True, slots=True, eq=False)
class InSight:
    """What bits must leave in sight: places (N, 2) as (x, y) [px], and most of each tooth (H, W)."""

    places: Array
    tooth: Tensor


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """Plane of a bit in the picture: its middle (x, y) [px] and columns of ``axes``, the picture of 1 mm."""

    at: Array
    axes: Array

    @property
    def px_per_mm(self) -> float:
        """Mean scale."""
        return float(np.sqrt(abs(np.linalg.det(self.axes))))

    def part(self, canvas: Canvas, reach_mm: float) -> tuple[slice, slice] | None:
        """Window of the picture round a disc in the plane."""
        half = reach_mm * np.hypot(self.axes[:, 0], self.axes[:, 1])
        return canvas.window(self.at - half, self.at + half)

    def local(self, canvas: Canvas, part: tuple[slice, slice]) -> tuple[Tensor, Tensor]:
        """Coordinates (u, v) in the plane of the pixels of a window. [mm]"""
        (a, b), (c, d) = np.linalg.inv(self.axes).tolist()
        x, y = canvas.xx[part] - float(self.at[0]), canvas.yy[part] - float(self.at[1])
        return a * x + b * y, c * x + d * y


def air(
    light: Tensor, what: Surface, lights: list[Light], strength: float, camera: Camera, rng: Generator
) -> Air:
    """Light on bits as it falls on the rest of the picture (3, H, W), and its tones of dentine and enamel."""
    flat = light.flatten(1)
    falls = flat.mean(1) / what.colour.mean(0)
    tones = STAIN_TONES["honey"]
    other = torch.as_tensor(
        varied(rng, tones[int(rng.integers(len(tones)))][0], 0.3), dtype=light.dtype, device=light.device
    )

    def shown(material: Material, instead: Tensor) -> Tensor:
        there = (what.material == material).to(light.dtype)
        count = there.sum()
        seen = (flat * there).sum(1) / count.clamp_min(1.0) / falls
        return torch.where(count > LEAST_PX, seen, instead)

    dentine = shown(Material.DENTINE, other)
    enamel = shown(Material.ENAMEL_BAND, 2 * dentine)
    lamp = lights[0]
    to = np.array(lamp.direction if lamp.direction is not None else lamp.position, dtype=float)
    to = to / np.linalg.norm(to)
    sun = np.array([to @ camera.right, to @ camera.down, max(-float(to @ camera.forward), 0.15)])
    power = max(lamp.colour)
    return Air(
        light=falls,
        sun=sun / np.linalg.norm(sun),
        ambient=float(np.clip(strength / (strength + power), 0.15, 0.9)),
        palette=Palette(dentine=dentine.clamp(0.004, 0.95), enamel=enamel.clamp(0.004, 0.95)),
    )


def _row_plane(camera: Camera, place: Array, rng: Generator, most_slant: float) -> Plane:
    """Plane of the chewing surfaces round a place in it (x, y, z) [mm], turned and slanted at random."""
    ends = camera.project(place + np.array([[0.0, 0, 0], [1.0, 0, 0], [0, 1.0, 0]]))
    axes = (ends[1:] - ends[0]).T
    turn, lean = rng.uniform(0, 6.3, 2)
    shrink = float(np.cos(np.deg2rad(rng.uniform(0, most_slant))))

    def turned(angle: float) -> Array:
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    return Plane(at=ends[0], axes=axes @ turned(turn) @ np.diag([1.0, shrink]) @ turned(lean))


def _shadow(cover: Tensor, shift_px: tuple[float, float], soft_px: float) -> Tensor:
    """A cover moved and blurred, at a coarser scale where it is very soft; (H, W), 0..1."""
    dx, dy = (round(v) for v in shift_px)
    h, w = cover.shape
    dx, dy = max(-w + 1, min(w - 1, dx)), max(-h + 1, min(h - 1, dy))
    moved = F.pad(cover, (dx, -dx, dy, -dy))[None]
    less = max(1, int(soft_px / 4))
    if less == 1:
        return blur(moved, soft_px)[0]
    small = F.interpolate(moved[None], size=(max(1, h // less), max(1, w // less)), mode="area")[0]
    return F.interpolate(blur(small, soft_px / less)[None], size=(h, w), mode="bilinear")[0, 0]


def _lit(bit: Bit, plane: Plane, around: Air) -> Tensor:
    """Light that a bit sends to the camera, (3, H, W)."""
    height = bit.height * plane.px_per_mm
    down, right = torch.gradient(height) if min(height.shape) > 1 else (height * 0, height * 0)
    length = torch.sqrt(1 + right * right + down * down)
    sx, sy, sz = (float(v) for v in around.sun)
    facing = ((sz - sx * right - sy * down) / length).clamp_min(0)
    shade = around.ambient / length.sqrt() + (1 - around.ambient) * (facing / max(sz, 0.3)).clamp_max(1.6)
    half = np.array([sx, sy, sz + 1.0]) / np.linalg.norm([sx, sy, sz + 1.0])
    spark = ((float(half[2]) - float(half[0]) * right - float(half[1]) * down) / length).clamp_min(0) ** 40
    paint = bit.paint.clamp(0.003, 0.97)
    return (paint * shade + 0.25 * bit.gloss * (1 - around.ambient) * spark) * around.light[:, None, None]


def _spared(canvas: Canvas, part: tuple[slice, slice], inside: Tensor, keep: InSight) -> bool:
    """Whether a bit leaves in sight what must stay so."""
    rows, cols = part
    x, y = np.round(keep.places).astype(int).T if len(keep.places) else (np.zeros(0, int),) * 2
    near = (x >= cols.start) & (x < cols.stop) & (y >= rows.start) & (y < rows.stop)
    if near.any():
        at = torch.as_tensor(np.stack((y[near] - rows.start, x[near] - cols.start)), device=inside.device)
        if bool((inside[at[0], at[1]] > -CLEAR_MM).any()):
            return False
    covered = canvas.hidden.clone()
    covered[part] |= inside > 0
    crowns = torch.bincount(keep.tooth.flatten().long(), minlength=7)[1:]
    gone = torch.bincount(keep.tooth[covered].long(), minlength=7)[1:]
    return bool((gone <= MOST_OF_A_CROWN * crowns).all())


def lay_bit(
    canvas: Canvas,
    plane: Plane,
    kind: str,
    size_mm: float,
    around: Air,
    rng: Generator,
    *,
    keep: InSight | None = None,
) -> bool:
    """
    Lay one bit over the picture: its shadow and light, labels hidden under it.

    Parameters
    ----------
    kind : str
        One of `crestgauge.synthetic_data.bits.KINDS`.
    keep : InSight, optional
        A bit that would hide any of it is left out.

    Returns
    -------
    bool
        Whether it lies there.
    """
    part = plane.part(canvas, REACH * size_mm + 2.0)
    if part is None:
        return False
    u, v = plane.local(canvas, part)
    bit = KINDS[kind][0](u, v, rng, size_mm, around.palette)
    lift, soft, dark = rng.uniform(0.05, 1.2), float(rng.uniform(0.15, 0.9)), float(rng.uniform(0.15, 0.6))
    if keep is not None and not _spared(canvas, part, bit.inside, keep):
        return False
    cover = (bit.inside * plane.px_per_mm + 0.5).clamp(0, 1)
    away = -around.sun[:2] / max(float(around.sun[2]), 0.35) * lift * plane.px_per_mm
    falls = _shadow(cover, (float(away[0]), float(away[1])), max(soft * plane.px_per_mm, 0.4))
    here = (slice(None), *part)
    canvas.light[here] = (
        canvas.light[here] * (1 - dark * falls * (1 - cover)) * (1 - cover) + _lit(bit, plane, around) * cover
    )
    canvas.hidden[part] |= cover > 0.5
    return True


def lay_litter(
    canvas: Canvas,
    camera: Camera,
    row: Array,
    around: Air,
    rng: Generator,
    *,
    keep: InSight | None = None,
) -> int:
    """
    One to three bits anywhere over the row; where ``keep`` is given, those that hide none of it.

    Parameters
    ----------
    row : ndarray, shape (2, 3)
        Ends of the row at the height of its chewing surfaces. [mm]

    Returns
    -------
    int
        How many lie there.
    """
    names = list(KINDS)
    weights = [KINDS[name][2] for name in names]
    lying = 0
    for _ in range(int(rng.choice([1, 1, 1, 2, 2, 3]))):
        kind = str(rng.choice(names, p=weights))
        size = float(np.exp(rng.uniform(*np.log(KINDS[kind][1]))))
        place = row[0] + (row[1] - row[0]) * rng.uniform(-0.08, 1.08)
        place = place + np.array([0.0, rng.normal(0, 6.0 if keep is None else 14.0), 0.0])
        plane = _row_plane(camera, place, rng, most_slant=50.0)
        lying += lay_bit(canvas, plane, kind, size, around, rng, keep=keep)
    return lying


def cover_with_leaves(canvas: Canvas, camera: Camera, stretch: Array, around: Air, rng: Generator) -> None:
    """
    Leaves over a whole stretch of the row, (2, 3) as in `lay_litter`, so close that no molar stays free.
    """
    count = int(np.ceil(float(np.linalg.norm(stretch[1] - stretch[0])) / 7.0)) + 1
    for share in np.linspace(0.0, 1.0, count):
        place = stretch[0] + (stretch[1] - stretch[0]) * share + np.array([0.0, rng.normal(0, 2.0), 0.0])
        plane = _row_plane(camera, place, rng, most_slant=20.0)
        lay_bit(canvas, plane, str(rng.choice(["leaf", "palmate"])), rng.uniform(18, 30), around, rng)
