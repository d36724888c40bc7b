"""What lies under a jaw and over it: ground, flat things, hands, hairs, bits, and whatever hides teeth."""

from __future__ import annotations

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor

from crestgauge.synthetic_data.anatomy import Jaw
from crestgauge.synthetic_data.camera import Camera
from crestgauge.synthetic_data.overlays import (
    GLOVES,
    HAIRS,
    SKIN,
    Canvas,
    capsule,
    drop,
    finger,
    strand,
    tuft,
)
from crestgauge.synthetic_data.textures import ground, ground_bank

Array = NDArray[np.float64]


def ground_colour(place: tuple[Tensor, Tensor], rng: Generator, kind: str) -> Tensor:
    """Colour of the ground at places in it (x, y) [mm], with a few flat things lying on it, shape (N, 3)."""
    x, y = place
    device = x.device
    bank = ground_bank(str(device))[kind]
    picture = bank[int(rng.integers(len(bank)))]
    angle, size = rng.uniform(0, 2 * np.pi), float(np.exp(rng.uniform(np.log(45), np.log(420))))
    c, s = np.cos(angle), np.sin(angle)
    colour = ground(picture, (c * x - s * y) / size + rng.uniform(), (s * x + c * y) / size + rng.uniform()).T
    tint = torch.as_tensor(
        np.exp(rng.normal(0, 0.15, 3)) * np.exp(rng.normal(0, 0.35)), dtype=torch.float32, device=device
    )
    colour = (colour * tint).clamp(0.003, 0.97)
    for _ in range(int(rng.choice([0, 0, 1, 1, 2, 3]))):
        colour = _flat_thing(colour, x, y, rng, device)
    return colour


def _flat_thing(colour: Tensor, x: Tensor, y: Tensor, rng: Generator, device: torch.device) -> Tensor:
    """A ruler, card, strip, stick or leaf on the ground."""
    angle = rng.uniform(0, np.pi) if rng.uniform() < 0.5 else rng.normal(0, 0.1)
    px, py = rng.uniform(-70, 120), rng.choice([-1, 1]) * rng.uniform(4, 70)
    c, s = np.cos(angle), np.sin(angle)
    u, v = c * (x - px) + s * (y - py), -s * (x - px) + c * (y - py)
    kind = rng.choice(["ruler", "card", "stick", "leaf", "knife"])
    paint = torch.as_tensor(
        rng.uniform(0.02, 0.95, 3) if rng.uniform() < 0.5 else np.full(3, rng.uniform(0.05, 0.95)),
        dtype=torch.float32,
        device=device,
    )
    ink = 0.03 if float(paint.mean()) > 0.3 else 0.9
    if kind == "ruler":
        half, wide = rng.uniform(70, 160), rng.uniform(9, 18)
        inside = (u.abs() < half) & (v.abs() < wide)
        unit = 1.0 if rng.uniform() < 0.7 else 25.4 / 16
        step = torch.remainder(u, unit)
        order = torch.round(u / unit)
        reach = torch.where(
            torch.remainder(order, 10) == 0, 7.0, torch.where(torch.remainder(order, 5) == 0, 5.0, 3.0)
        )
        tick = (torch.minimum(step, unit - step) < 0.12 * unit + 0.06) & (wide - v < reach)
        fill = torch.where(tick[:, None], torch.full_like(colour, ink), paint.expand_as(colour))
    elif kind == "card":
        inside = (u.abs() < rng.uniform(20, 60)) & (v.abs() < rng.uniform(15, 40))
        letters = ground_bank(str(device))["paper"]
        fill = ground(letters[int(rng.integers(len(letters)))], u / 90 + 0.5, v / 90 + 0.5).T
        if rng.uniform() < 0.3:
            cell = rng.uniform(4, 14)
            fill = torch.where(
                ((torch.floor(u / cell) + torch.floor(v / cell)) % 2 == 0)[:, None],
                torch.full_like(fill, 0.9),
                torch.full_like(fill, 0.02),
            )
    elif kind == "leaf":
        half, wide = rng.uniform(15, 60), rng.uniform(4, 22)
        inside = (v.abs() < wide * (1 - (u / half) ** 2)) & (u.abs() < half)
        fill = paint * (1 - 0.4 * torch.exp(-(v**2) / 0.6))[:, None]
    else:
        half, wide = rng.uniform(30, 140), rng.uniform(1.2, 9)
        inside = (u.abs() < half) & (v.abs() < wide)
        fill = paint * (0.35 + 0.65 * torch.sqrt((1 - (v / wide) ** 2).clamp_min(0)))[:, None]
    return torch.where(inside[:, None], fill.clamp(0.003, 0.97), colour)


def lay_over(
    canvas: Canvas, camera: Camera, jaw: Jaw, rng: Generator, level: float, *, with_row: bool
) -> None:
    """Hands, hairs, drops and bits over the picture."""
    more = rng.spawn(1)[0]
    corners = camera.project(np.array([[0.0, 0.0, 0.0], [jaw.row_mm, 0.0, 0.0]]))
    along = corners[1] - corners[0]
    scale = float(np.hypot(*along)) / jaw.row_mm
    across = np.array([-along[1], along[0]]) / max(np.hypot(*along), 1e-6)
    if rng.uniform() < 0.35:
        bare = rng.uniform() < 0.5
        pool = SKIN if bare else GLOVES
        colour = np.array(pool[int(rng.integers(len(pool)))]) * np.exp(rng.normal(0, 0.2))
        where = rng.choice([-0.32, 1.28, rng.uniform(0, 1)])
        side = rng.choice([-1, 1])
        for k in range(int(rng.integers(1, 5))):
            tip = (
                corners[0]
                + along * (where + 0.2 * (k - 1.5) * (1 if 0 < where < 1 else 0.2))
                + across * side * scale * (rng.uniform(9, 16) if 0 <= where <= 1 else rng.uniform(-8, 12))
            )
            base = tip + across * side * scale * rng.uniform(30, 70) + along * rng.normal(0, 0.15)
            radius = scale * rng.uniform(6, 9.5)
            finger(canvas, tip, base, radius, colour, level, rng, bare=bare, more=more)
    for _ in range(int(rng.choice([0, 0, 0, 2, 6]))):  # hairs and grass blades, straight or bent
        p = corners[0] + along * rng.uniform(-0.2, 1.2) + across * scale * rng.uniform(-14, 14)
        long = scale * rng.uniform(4, 25)
        q = p + long * np.array([np.cos(a := rng.uniform(0, 6.3)), np.sin(a)])
        bow = long * float(rng.normal(0, 0.3)) if rng.uniform() < 0.7 else 0.0
        tone = np.array(HAIRS[int(rng.integers(len(HAIRS)))]) * level * np.exp(rng.normal(0, 0.3))
        strand(canvas, p, q, bow, max(0.6, scale * rng.uniform(0.04, 0.14)), tone, 0.95)
    _small_things(canvas, corners, scale, level, more)
    for _ in range(int(rng.choice([0, 0, 0, 1, 3]))):  # meat, mud or plant bits large enough to hide a crest
        p = corners[0] + along * rng.uniform(-0.1, 1.1) + across * scale * rng.normal(0, 6)
        q = p + scale * rng.uniform(0.2, 3.0) * np.array([np.cos(a := rng.uniform(0, 6.3)), np.sin(a)])
        tone = np.array(
            [(0.25, 0.03, 0.03), (0.15, 0.1, 0.05), (0.12, 0.2, 0.04), (0.6, 0.5, 0.4)][int(rng.integers(4))]
        )
        tone = tone * np.exp(rng.normal(0, 0.4)) * np.exp(rng.normal(0, 0.15, 3))
        capsule(canvas, p, q, scale * rng.uniform(0.3, 1.6), tone, level, rng, ragged=rng.uniform(0.1, 0.4))
    if not with_row and rng.uniform() < 0.5:  # a row of pale lumps that is no tooth row
        start, step = rng.uniform(0.1, 0.9, 2) * (camera.width, camera.height), rng.normal(0, 1, 2)
        step = step / np.hypot(*step) * scale * rng.uniform(7, 16)
        for k in range(int(rng.integers(4, 13))):
            centre = start + step * (k - 5) + rng.normal(0, scale, 2)
            tone = np.array([0.7, 0.62, 0.48]) * np.exp(rng.normal(0, 0.25, 3))
            capsule(
                canvas,
                centre,
                centre + rng.normal(0, 2 * scale, 2),
                scale * rng.uniform(3, 7),
                tone,
                level,
                rng,
            )


def _small_things(canvas: Canvas, corners: Array, scale: float, level: float, rng: Generator) -> None:
    """Wisps of hide, drops of water and cut marks: none of them hides what lies under it."""
    along = corners[1] - corners[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-6)
    if rng.uniform() < 0.07:
        side = float(rng.choice([-1, 1])) * rng.uniform(6, 16)
        for _ in range(int(rng.integers(1, 4))):
            tuft(
                canvas, corners[0] + along * rng.uniform(-0.2, 1.2) + across * scale * side, scale, level, rng
            )
    if rng.uniform() < 0.1:
        for _ in range(int(rng.integers(2, 22))):
            at = corners[0] + along * rng.uniform(-0.1, 1.1) + across * scale * rng.normal(0, 8)
            radius = scale * float(np.exp(rng.uniform(np.log(0.2), np.log(1.4))))
            if radius > 1.0:
                drop(canvas, at, radius, level, rng)
    if rng.uniform() < 0.1:  # a knife slipped along the bone
        start = (
            corners[0]
            + along * rng.uniform(0, 1)
            + across * scale * float(rng.choice([-1, 1])) * rng.uniform(8, 14)
        )
        turn = rng.uniform(0, 6.3)
        for _ in range(int(rng.integers(1, 7))):
            p = start + scale * rng.normal(0, 2.5, 2)
            long, way = scale * rng.uniform(2, 9), turn + rng.normal(0, 0.12)
            q = p + long * np.array([np.cos(way), np.sin(way)])
            tone = np.array([1.0, 0.9, 0.75]) * level * float(rng.choice([0.03, 0.1, 0.7]))
            wide = max(0.4, scale * rng.uniform(0.03, 0.12))
            strand(canvas, p, q, long * rng.normal(0, 0.04), wide, tone, float(rng.uniform(0.3, 0.8)))


MEAT = [(0.25, 0.03, 0.03), (0.15, 0.1, 0.05), (0.12, 0.2, 0.04), (0.6, 0.5, 0.4), (0.35, 0.12, 0.10)]


def cover_up(
    canvas: Canvas,
    camera: Camera,
    jaw: Jaw,
    stretch: tuple[float, float],
    rng: Generator,
    level: float,
    pixel_mm: float,
) -> None:
    """Hide a stretch of the row (shares of its length) under fingers, lumps of meat or mud, or a glove."""
    ends = camera.project(np.array([[jaw.row_mm * c, 0.0, 0.0] for c in stretch]))
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-6)
    more = rng.spawn(1)[0]
    kind = rng.choice(["fingers", "lump", "along", "smear"])
    bare = rng.uniform() < 0.5
    pool = MEAT if kind in ("lump", "smear") else SKIN if bare else GLOVES
    colour = np.array(pool[int(rng.integers(len(pool)))]) * np.exp(rng.normal(0, 0.2))
    if kind == "smear":  # lumps of mud or meat that run into each other
        for share in np.linspace(0.0, 1.0, int(rng.integers(6, 10))):
            at = ends[0] + along * share + across * rng.normal(0, 1.2) / pixel_mm
            tone, radius = colour * np.exp(rng.normal(0, 0.12)), rng.uniform(10.0, 14.0) / pixel_mm
            slip = at + rng.normal(0, 2.0, 2) / pixel_mm
            capsule(canvas, at, slip, radius, tone, level, rng, ragged=rng.uniform(0.05, 0.2))
        return
    if kind != "fingers":
        ragged = float(rng.uniform(0.03, 0.12)) if kind == "lump" else 0.0
        radius = (11.0 if ragged else 9.0) / pixel_mm
        capsule(canvas, ends[0], ends[1], radius, colour, level, rng, ragged=ragged)
        return
    side, slant = rng.choice([-1, 1]), float(rng.uniform(-0.3, 0.3))
    count = int(np.ceil(np.hypot(*along) * pixel_mm / 12.0)) + 1
    for k in range(count):
        at = ends[0] + along * (k + 0.5) / count
        tip = at + across * side * rng.uniform(8, 16) / pixel_mm
        base = at - across * side * rng.uniform(40, 80) / pixel_mm + along * slant
        radius = rng.uniform(7.0, 9.0) / pixel_mm
        finger(canvas, tip, base, radius, colour, level, rng, bare=bare, more=more)
