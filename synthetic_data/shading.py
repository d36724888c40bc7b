"""
Colour of every hit: what the surface is made of, how light falls on it, what shines.

Tooth colours follow what keys and leaflets say in words (enamel hard, white; dentine much darker;
infundibulum stained dark); no published colour data for deer teeth were found, so the ranges are wide on
purpose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.camera import AlongRays, Camera, Hits, sample
from crestgauge.synthetic_data.jaw import CROWN_FLOOR, JawFields
from crestgauge.synthetic_data.textures import noise_bank, tile
from crestgauge.synthetic_data.wear import CrownFields

Colour = tuple[float, float, float]

STAIN_TONES: dict[
    str, list[tuple[Colour, Colour, Colour]]
] = {  # (dentine, infundibulum, tartar), linear light
    "pale": [
        ((0.50, 0.36, 0.20), (0.30, 0.22, 0.13), (0.45, 0.36, 0.24)),
        ((0.42, 0.33, 0.22), (0.45, 0.38, 0.28), (0.55, 0.46, 0.33)),
    ],
    "honey": [
        ((0.42, 0.24, 0.09), (0.10, 0.06, 0.03), (0.30, 0.18, 0.08)),
        ((0.35, 0.20, 0.09), (0.16, 0.10, 0.05), (0.25, 0.16, 0.09)),
    ],
    "brown": [
        ((0.17, 0.08, 0.035), (0.03, 0.02, 0.012), (0.10, 0.055, 0.03)),
        ((0.22, 0.12, 0.06), (0.05, 0.035, 0.02), (0.16, 0.10, 0.06)),
    ],
    "black": [
        ((0.06, 0.032, 0.018), (0.012, 0.010, 0.008), (0.03, 0.02, 0.014)),
        ((0.10, 0.05, 0.025), (0.02, 0.015, 0.01), (0.02, 0.016, 0.013)),
    ],
}
ENAMEL_TONES: list[Colour] = [
    (0.85, 0.82, 0.74),
    (0.78, 0.72, 0.58),
    (0.70, 0.62, 0.45),
    (0.90, 0.90, 0.88),
    (0.62, 0.58, 0.50),
]
BONE_TONES: list[Colour] = [
    (0.75, 0.68, 0.52),
    (0.82, 0.80, 0.72),
    (0.58, 0.48, 0.33),
    (0.45, 0.38, 0.30),
    (0.70, 0.55, 0.42),
]
GUM_TONES: list[Colour] = [
    (0.50, 0.20, 0.17),
    (0.38, 0.10, 0.09),
    (0.22, 0.07, 0.05),
    (0.55, 0.33, 0.28),
    (0.12, 0.08, 0.07),
    (0.45, 0.30, 0.25),
]


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """
    What every pixel shows, flattened to N.

    material, tooth, lobe, lingual : float32 (N,), whole numbers (lingual 1 on the tongue side)
    colour : (N, 3), base colour, linear light
    gloss : (N,), 0..1.2
    normal : (N, 3), unit
    """

    material: Tensor
    tooth: Tensor
    lobe: Tensor
    lingual: Tensor
    colour: Tensor
    gloss: Tensor
    normal: Tensor


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """
    One light: unit direction towards it or a position [mm], colour (linear), softness of its shadow edge.
    """

    direction: tuple[float, float, float] | None
    position: tuple[float, float, float] | None
    colour: Colour
    softness: float
    shadow: float


def _tone(rng: Generator, base: Colour, spread: float) -> np.ndarray:
    return np.clip(
        np.array(base) * np.exp(rng.normal(0, spread)) * np.exp(rng.normal(0, spread * 0.35, 3)), 0.004, 0.97
    )


def _mix(a: Tensor, b: Tensor, t: Tensor) -> Tensor:
    return a + (b - a) * t.clamp(0, 1)[:, None]


def normals(hits: Hits, crowns: CrownFields, jaw: JawFields) -> Tensor:
    """Unit normals at the hits from central differences of the height fields, shape (N, 3)."""
    x, y = hits.point[:, 0], hits.point[:, 1]
    fine, coarse = 0.5 / crowns.grid.px_per_mm, 0.5 / jaw.grid.px_per_mm
    floor = crowns.surface.clamp_min(CROWN_FLOOR)
    bone = jaw.surface.clamp_min(-45.0)
    slope = []
    for ax, ay in ((1.0, 0.0), (0.0, 1.0)):
        f = (
            sample(crowns.grid, floor, x + fine * ax, y + fine * ay)
            - sample(crowns.grid, floor, x - fine * ax, y - fine * ay)
        ) / (2 * fine)
        c = (
            sample(jaw.grid, bone, x + coarse * ax, y + coarse * ay)
            - sample(jaw.grid, bone, x - coarse * ax, y - coarse * ay)
        ) / (2 * coarse)
        slope.append(torch.where(hits.on_crown, f, torch.where(hits.on_jaw, c, torch.zeros_like(c))))
    n = torch.stack((-slope[0], -slope[1], torch.ones_like(slope[0])), dim=1)
    return n / n.norm(dim=1, keepdim=True)


def surface(
    hits: Hits,
    crowns: CrownFields,
    jaw: JawFields,
    ground: Tensor,
    rng: Generator,
    *,
    stain: str,
    fleshy: bool,
    pixel_mm: float,
) -> Surface:
    """
    Materials and base colours.

    Parameters
    ----------
    ground : Tensor, shape (N, 3)
        Base colour of the ground plane under each pixel.
    pixel_mm : float
        Size of a pixel on the teeth: edges between bands are blended over it, as a lens and a sensor would.
    """
    device = hits.point.device
    x, y, z = hits.point.unbind(1)

    def f32(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    bank = noise_bank(str(device))
    shift = rng.uniform(0, 1, 4)
    big = tile(bank, x / 41.0 + shift[0], y / 41.0 + shift[1])  # about 10 px a mm at the finest
    fine = tile(bank, x / 13.0 + shift[2], y / 13.0 + shift[3])
    stacked = torch.stack((crowns.outer_edge, crowns.inner_edge, crowns.fossa, crowns.lingual))
    outer, inner, fossa, lingual = sample(crowns.grid, stacked, x, y)
    tooth = sample(crowns.grid, crowns.tooth.float(), x, y, mode="nearest")
    lobe = sample(crowns.grid, crowns.lobe.float(), x, y, mode="nearest")
    crown = hits.on_crown & (tooth > 0)
    m = torch.full_like(tooth, float(Material.BACKGROUND))
    m = torch.where(hits.on_jaw, torch.full_like(m, float(Material.JAW)), m)
    wall = torch.where(
        fossa > 0,
        torch.full_like(m, float(Material.INFUNDIBULUM)),
        torch.full_like(m, float(Material.CROWN_WALL)),
    )
    cut = torch.where(
        inner > 0,
        torch.full_like(m, float(Material.DENTINE)),
        torch.where(outer > 0, torch.full_like(m, float(Material.ENAMEL_BAND)), wall),
    )
    m = torch.where(crown, cut, m)

    dentine_tone, pit_tone, tartar_tone = STAIN_TONES[stain][int(rng.integers(2))]
    dentine, pit, tartar = (
        f32(_tone(rng, dentine_tone, 0.3)),
        f32(_tone(rng, pit_tone, 0.5)),
        f32(_tone(rng, tartar_tone, 0.4)),
    )
    enamel = f32(_tone(rng, ENAMEL_TONES[int(rng.integers(5))], 0.10))
    if rng.uniform() < 0.15:  # packed green or straw-coloured food
        pit = f32(_tone(rng, ((0.16, 0.18, 0.05), (0.30, 0.24, 0.12))[int(rng.integers(2))], 0.3))
    if rng.uniform() < 0.12:  # clean, little-worn crowns: the hollow is as pale as its walls
        pit = enamel * float(rng.uniform(0.4, 0.95))
    one = torch.ones_like(x)
    dentine_colour = dentine * torch.exp(0.22 * rng.uniform(0.3, 1.5) * big[1] + 0.10 * fine[3])[:, None]
    core = torch.sigmoid((inner - rng.uniform(0.2, 0.9)) / 0.12) * rng.uniform(0.0, 0.6)  # darker core line
    dentine_colour = _mix(dentine_colour, dentine_colour * 0.45, core)
    enamel_colour = enamel * torch.exp(0.05 * big[2] + 0.05 * fine[4])[:, None]
    enamel_colour = _mix(
        enamel_colour,
        dentine_colour,
        rng.uniform(0, 0.35) * torch.exp(-torch.relu(-inner) / rng.uniform(0.05, 0.2)),
    )
    cracks = torch.relu(fine[5].abs() * -1 + 0.04) / 0.04
    enamel_colour = _mix(enamel_colour, tartar.expand_as(enamel_colour), cracks * rng.uniform(0, 0.7))
    depth = torch.relu(-(z - float(rng.uniform(-2.5, 0.5))))
    dirty = torch.sigmoid(
        (0.9 * big[0] + 0.5 * fine[2] + depth * rng.uniform(0.1, 0.5) - rng.uniform(0.2, 3.0)) * 2.5
    )
    wall_colour = _mix(
        enamel_colour * float(rng.uniform(0.75, 1.0)), tartar * torch.exp(0.3 * fine[3])[:, None], dirty
    )
    pit_colour = pit * torch.exp(0.35 * fine[2] + 0.2 * big[3])[:, None]
    pit_colour = _mix(wall_colour, pit_colour, torch.sigmoid((fossa - rng.uniform(0.0, 0.35)) / 0.12))

    soft = 0.5 * pixel_mm + 0.02
    colour = _mix(wall_colour, pit_colour, (fossa / soft + 0.5) * (m == Material.INFUNDIBULUM))
    colour = _mix(colour, enamel_colour, outer / soft + 0.5)
    colour = _mix(colour, dentine_colour, inner / soft + 0.5)
    if rng.uniform() < 0.35:  # film of dirt, blood or mud over everything, patchy
        film = f32(
            _tone(rng, ((0.30, 0.03, 0.02), (0.2, 0.14, 0.08), (0.35, 0.30, 0.2))[int(rng.integers(3))], 0.3)
        )
        colour = _mix(
            colour,
            film.expand_as(colour),
            torch.sigmoid((big[0] + 0.6 * fine[1] - rng.uniform(1.0, 3.0)) * 3) * rng.uniform(0.2, 0.8),
        )

    bone = (
        f32(_tone(rng, BONE_TONES[int(rng.integers(5))], 0.2))
        * torch.exp(0.12 * big[1] + 0.10 * fine[3])[:, None]
    )
    gum = (
        f32(_tone(rng, GUM_TONES[int(rng.integers(6))], 0.25))
        * torch.exp(0.22 * big[0] + 0.14 * fine[2])[:, None]
    )
    lean = (
        (2.0 if fleshy else rng.choice([-2.5, -0.8, 0.6]))
        + 0.8 * big[7]
        + 0.3 * (jaw.grid.px_per_mm * 0 + 1) * fine[1]
    )
    jaw_colour = _mix(bone, gum, torch.sigmoid(2.5 * lean))
    blood = torch.sigmoid((big[2] + 0.7 * big[0] - rng.uniform(0.8, 3.5)) * 4) * rng.uniform(0.3, 0.95)
    jaw_colour = _mix(jaw_colour, f32(_tone(rng, (0.22, 0.015, 0.012), 0.4)).expand_as(jaw_colour), blood)
    colour = torch.where(crown[:, None], colour, torch.where(hits.on_jaw[:, None], jaw_colour, ground))
    wet = rng.uniform() < 0.5
    gloss = torch.where(
        crown, one * rng.uniform(0.2, 1.0), one * (rng.uniform(0.1, 0.9) if wet else rng.uniform(0.0, 0.25))
    )
    gloss = torch.where(m == Material.DENTINE, gloss * rng.uniform(0.2, 1.0), gloss)
    gloss = torch.where(hits.on_jaw, gloss * (1.0 if wet else 0.6), one * rng.uniform(0, 0.15)) * torch.exp(
        0.3 * big[3]
    )
    n = normals(hits, crowns, jaw)
    bump = rng.uniform(0.01, 0.10) * torch.where(crown, one * 0.5, one)
    n = n + torch.stack((bump * fine[3], bump * fine[4], torch.zeros_like(bump)), 1)
    side = (lingual < 0).float()
    return Surface(
        material=m,
        tooth=torch.where(crown, tooth, torch.zeros_like(tooth)),
        lobe=lobe,
        lingual=side,
        colour=colour.clamp(0.002, 1.0),
        gloss=gloss.clamp(0, 1.2),
        normal=n / n.norm(dim=1, keepdim=True),
    )


def sample_lights(rng: Generator, kind: str, camera: Camera) -> tuple[list[Light], Colour, float]:
    """Lights of one scene, the colour of the sky light, and the strength of its hemisphere."""

    def direction(low: float, high: float) -> tuple[float, float, float]:
        e, a = np.deg2rad(rng.uniform(low, high)), rng.uniform(0, 2 * np.pi)
        return (float(np.cos(e) * np.cos(a)), float(np.cos(e) * np.sin(a)), float(np.sin(e)))

    warm = (1.0, float(rng.uniform(0.68, 0.9)), float(rng.uniform(0.4, 0.75)))
    cool = (float(rng.uniform(0.75, 0.95)), float(rng.uniform(0.88, 1.0)), 1.0)
    white = (1.0, float(rng.uniform(0.93, 1.0)), float(rng.uniform(0.85, 1.05)))
    at_camera = tuple(float(v) for v in camera.position + rng.normal(0, 12, 3))

    def scale(colour: Colour, k: float) -> Colour:
        return tuple(float(v * k) for v in colour)

    def make(d: Colour | None, p: Colour | None, c: Colour, soft: float, shadow: float) -> Light:
        return Light(direction=d, position=p, colour=c, softness=soft, shadow=shadow)

    if kind == "overcast":
        return (
            [make(direction(50, 88), None, scale(white, rng.uniform(0.15, 0.5)), 0.6, rng.uniform(0.2, 0.6))],
            cool,
            rng.uniform(0.6, 0.9),
        )
    if kind == "sun":
        return (
            [
                make(
                    direction(15, 75),
                    None,
                    scale(white, rng.uniform(1.2, 2.6)),
                    rng.uniform(0.03, 0.12),
                    rng.uniform(0.8, 1.0),
                )
            ],
            cool,
            rng.uniform(0.15, 0.4),
        )
    if kind == "lamp":
        lights = [
            make(
                direction(20, 80),
                None,
                scale(warm, rng.uniform(0.5, 1.4)),
                rng.uniform(0.1, 0.4),
                rng.uniform(0.5, 0.95),
            )
            for _ in range(int(rng.integers(1, 4)))
        ]
        return lights, warm, rng.uniform(0.15, 0.5)
    if kind == "flash":
        return (
            [make(None, at_camera, scale(white, rng.uniform(0.8, 1.6)), rng.uniform(0.02, 0.1), 0.9)],
            white,
            rng.uniform(0.03, 0.3),
        )
    return (
        [
            make(
                direction(8, 45),
                None,
                scale(cool, rng.uniform(0.7, 1.4)),
                rng.uniform(0.3, 0.7),
                rng.uniform(0.4, 0.8),
            )
        ],
        white,
        rng.uniform(0.2, 0.5),
    )


def lit(
    hits: Hits,
    what: Surface,
    crowns: CrownFields,
    jaw: JawFields,
    lights: list[Light],
    sky: Colour,
    sky_strength: float,
    rng: Generator,
) -> Tensor:
    """Linear light of every pixel, shape (N, 3)."""
    device = hits.point.device

    def f32(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    p, n, view = hits.point, what.normal, -hits.direction
    x, y, z = p.unbind(1)
    small, large = sample(jaw.grid, torch.stack((jaw.around_small, jaw.around_large)), x, y)
    hollow = torch.relu(small - z) * rng.uniform(0.08, 0.3) + torch.relu(large - z) * rng.uniform(0.02, 0.08)
    open_sky = torch.where(hits.on_jaw, torch.exp(-hollow), torch.exp(-hollow * 0.15)).clamp(0.12, 1)
    up = (0.5 + 0.5 * n[:, 2]) * open_sky
    light = up[:, None] * f32(sky) * sky_strength
    bounce = (0.5 - 0.5 * n[:, 2]).clamp(0, 1) * 0.3 + 0.05
    light = light + (bounce * open_sky)[:, None] * f32(sky) * sky_strength
    shine = torch.zeros_like(light)
    exponent = float(np.exp(rng.uniform(np.log(8), np.log(160))))
    for lamp in lights:
        to = f32(lamp.direction).expand_as(p) if lamp.direction is not None else f32(lamp.position) - p
        near = 1.0
        if lamp.position is not None:
            near = (float(np.dot(lamp.position, lamp.position)) / (to * to).sum(1)).clamp(0, 4)[:, None]
            to = to / to.norm(dim=1, keepdim=True)
        facing = (n * to).sum(1).clamp_min(0)
        shade = torch.ones_like(x)
        if lamp.shadow > 0:
            rays = AlongRays(crowns, jaw, p[:, :2], to[:, :2] / to[:, 2:].clamp_min(0.12))
            for step in np.geomspace(0.12, 26.0, 12).tolist():
                crown, bone = rays.heights(step)
                cover = (torch.maximum(crown, bone) - (z + step)) / (lamp.softness * step + 0.04)
                shade = torch.minimum(shade, 1 - cover)
            shade = shade.clamp(0, 1)
            shade = 1 - lamp.shadow * (1 - shade)
        strength = f32(lamp.colour) * near
        wrap = (
            0.15 * (what.material >= Material.CROWN_WALL).float()
        )  # light that enamel carries round the edge
        diffuse = ((facing + wrap) / (1 + wrap)) * shade
        light = light + diffuse[:, None] * strength
        half = to + view
        half = half / half.norm(dim=1, keepdim=True).clamp_min(1e-6)
        spark = (n * half).sum(1).clamp_min(0) ** exponent * (exponent + 8) / 40.0
        shine = shine + (spark * shade * what.gloss * (facing > 0))[:, None] * strength * 0.25
    # A slowly varying room or sky mirrored in wet surfaces.
    mirror = 2 * (n * view).sum(1, keepdim=True) * n - view
    bank = noise_bank(str(device))
    room = tile(bank[:1], mirror[:, 0] * 0.3 + rng.uniform(), mirror[:, 1] * 0.3 + rng.uniform())[0]
    fresnel = 0.04 + 0.4 * (1 - (n * view).sum(1).clamp(0, 1)) ** 4
    shine = shine + (
        torch.relu(room - 0.6) * fresnel * what.gloss * sky_strength * open_sky * rng.uniform(0, 4.0)
    )[:, None] * f32(sky)
    return what.colour * light + shine
