"""What every hit shows: what the surface is made of, how light falls on it, what shines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.camera import AlongRays, Camera, Hits, passing, sample
from crestgauge.synthetic_data.ground import Ground
from crestgauge.synthetic_data.jaw import CROWN_FLOOR, JawFields
from crestgauge.synthetic_data.paint import (
    Marks,
    coated,
    crown_colour,
    hairlines,
    jaw_colour,
    noise,
    unrolled,
)
from crestgauge.synthetic_data.rims import Rims, relief
from crestgauge.synthetic_data.textures import noise_bank, tile
from crestgauge.synthetic_data.tones import Colour
from crestgauge.synthetic_data.wear import CrownFields

Array = NDArray[np.float64]

HAIRLINES = 3
"""Topic of the cracks of the enamel, see `aside`."""
LOWEST_LIT = -55.0
"""A slanting ground may lie deeper than the height fields say anything of; shadows end here. [mm]"""


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


def normals(hits: Hits, crowns: CrownFields, jaw: JawFields, rims: Rims, ground: Ground) -> Tensor:
    """Unit normals at the hits from central differences of the height fields with rims, shape (N, 3)."""
    x, y = hits.point[:, 0], hits.point[:, 1]
    fine, coarse = 0.5 / crowns.grid.px_per_mm, 0.5 / jaw.grid.px_per_mm
    floor = crowns.surface.clamp_min(CROWN_FLOOR) + relief(crowns, rims)
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
    flat = torch.as_tensor(ground.normal, dtype=torch.float32, device=n.device)
    n = torch.where(hits.on_jaw[:, None], n, flat)
    unit: Tensor = n / n.norm(dim=1, keepdim=True)  # torch gives `norm` no type
    return unit


def surface(
    hits: Hits,
    crowns: CrownFields,
    jaw: JawFields,
    under: Tensor,
    rng: Generator,
    more: Generator,
    *,
    ground: Ground,
    rims: Rims,
    stain: str,
    fleshy: bool,
    pixel_mm: float,
    gum_z: float,
) -> Surface:
    """
    Materials and base colours.

    Parameters
    ----------
    under : Tensor, shape (N, 3)
        Base colour of the ground at each pixel.
    rng, more : numpy Generator
        ``more`` draws what came later, so that the rest of a picture stays as it was.
    ground : Ground
    rims : Rims
        How the edges of the bands look.
    pixel_mm : float
        Size of a pixel on the teeth.
    gum_z : float
        Height of the gum line. [mm]
    """
    x, y, z = hits.point.unbind(1)
    stacked = torch.stack((crowns.outer_edge, crowns.inner_edge, crowns.fossa, crowns.lingual))
    outer, inner, fossa, lingual = sample(crowns.grid, stacked, x, y)
    owner = torch.stack((crowns.tooth.float(), crowns.lobe.float()))
    tooth, lobe = sample(crowns.grid, owner, x, y, mode="nearest")
    crown = hits.on_crown & (tooth > 0)
    m = _material(hits, crown, outer, inner, fossa)
    if jaw.paint is not None:
        m = torch.where(m == Material.JAW, torch.full_like(m, float(Material.BACKGROUND)), m)
    over, down = unrolled(x, y, z, more)
    big, fine = noise(over, down, rng)
    beside, root, enamel = sample(jaw.grid, torch.stack((jaw.beside, jaw.coats.root, jaw.coats.enamel)), x, y)
    marks = Marks(
        z=z,
        gum_z=gum_z,
        outer=outer,
        inner=inner,
        fossa=fossa,
        beside=beside,
        root=root,
        enamel=enamel,
        big=big,
        fine=fine,
        chip=None if crowns.chip is None else sample(crowns.grid, crowns.chip, x, y),
        pulp=None if crowns.pulp is None else sample(crowns.grid, crowns.pulp, x, y),
        hairline=hairlines(x, y, big[0], aside(more, HAIRLINES)),
    )
    teeth = crown_colour(
        marks,
        m == Material.INFUNDIBULUM,
        rims,
        rng,
        more,
        stain=stain,
        packed=crowns.packed,
        pixel_mm=pixel_mm,
    )
    if jaw.paint is None:
        flesh = coated(jaw_colour(marks, rng, fleshy=fleshy, pale=jaw.pale), marks, more)
    else:
        flesh = sample(jaw.grid, jaw.paint, x, y).T * torch.exp(rng.uniform(0.02, 0.15) * fine[3])[:, None]
    colour = torch.where(crown[:, None], teeth, torch.where(hits.on_jaw[:, None], flesh, under))
    wet, one = rng.uniform() < 0.5, torch.ones_like(x)
    gloss = torch.where(
        crown, one * rng.uniform(0.1, 1.2), one * (rng.uniform(0.1, 1.0) if wet else rng.uniform(0.0, 0.25))
    )
    gloss = torch.where(m == Material.DENTINE, gloss * rng.uniform(0.2, 1.1), gloss)
    gloss = torch.where(hits.on_jaw, gloss * (1.0 if wet else 0.6), one * rng.uniform(0, 0.15)) * torch.exp(
        0.3 * big[3]
    )
    n = normals(hits, crowns, jaw, rims, ground)
    bump = rng.uniform(0.01, 0.10) * torch.where(crown, one * rng.uniform(0.2, 0.9), one * 1.4)
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


def _material(hits: Hits, crown: Tensor, outer: Tensor, inner: Tensor, fossa: Tensor) -> Tensor:
    """Number of the material at every hit, by the signs of the wear model's fields."""
    m = torch.full_like(outer, float(Material.BACKGROUND))
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
    return torch.where(crown, cut, m)


def sample_lights(
    rng: Generator, kind: str, camera: Camera, ground: Ground
) -> tuple[list[Light], Colour, float]:
    """Lights of one scene, the colour of the sky light, and the strength of its hemisphere."""

    def direction(low: float, high: float) -> tuple[float, float, float]:
        e, a = np.deg2rad(rng.uniform(low, high)), rng.uniform(0, 2 * np.pi)
        return ground.turned((float(np.cos(e) * np.cos(a)), float(np.cos(e) * np.sin(a)), float(np.sin(e))))

    warm = (1.0, float(rng.uniform(0.68, 0.9)), float(rng.uniform(0.4, 0.75)))
    cool = (float(rng.uniform(0.75, 0.95)), float(rng.uniform(0.88, 1.0)), 1.0)
    white = (1.0, float(rng.uniform(0.93, 1.0)), float(rng.uniform(0.85, 1.05)))
    px, py, pz = (float(v) for v in camera.position + rng.normal(0, 12, 3))
    at_camera = (px, py, pz)

    def scale(colour: Colour, k: float) -> Colour:
        red, green, blue = (float(v * k) for v in colour)
        return red, green, blue

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


def _unshaded(
    p: Tensor, to: Tensor, z: Tensor, softness: float, crowns: CrownFields, jaw: JawFields
) -> Tensor:
    """Share of a lamp in direction ``to`` that crowns and bone leave to points ``p`` at ``z``, 0..1."""
    steps = np.geomspace(0.12, 26.0, 12).tolist()
    slope = to[:, :2] / to[:, 2:].clamp_min(0.12)
    chosen = passing(crowns, jaw, p[:, :2], slope, (steps[0], steps[-1])).nonzero()[:, 0]
    rays, low = AlongRays(crowns, jaw, p[chosen, :2], slope[chosen]), z[chosen]
    seen = torch.ones_like(low)
    for step in steps:
        crown, bone = rays.heights(step)
        cover = (torch.maximum(crown, bone) - (low + step)) / (softness * step + 0.04)
        seen = torch.minimum(seen, 1 - cover)
    shade = torch.ones_like(z)
    shade[chosen] = seen.clamp(0, 1)
    return shade


def lit(
    hits: Hits,
    what: Surface,
    crowns: CrownFields,
    jaw: JawFields,
    lights: list[Light],
    sky: Colour,
    sky_strength: float,
    rng: Generator,
    *,
    up: Array,
) -> Tensor:
    """Linear light of every pixel, shape (N, 3); ``up`` points out of the ground to the middle of the sky."""
    device = hits.point.device

    def f32(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    p, n, view = hits.point, what.normal, -hits.direction
    x, y = p[:, 0], p[:, 1]
    z = p[:, 2].clamp_min(LOWEST_LIT)
    small, large = sample(jaw.grid, torch.stack((jaw.around_small, jaw.around_large)), x, y)
    hollow = torch.relu(small - z) * rng.uniform(0.08, 0.3) + torch.relu(large - z) * rng.uniform(0.02, 0.08)
    open_sky = torch.where(hits.on_jaw, torch.exp(-hollow), torch.exp(-hollow * 0.15)).clamp(0.12, 1)
    upward = n @ f32(up)
    dome = (0.5 + 0.5 * upward) * open_sky
    light = dome[:, None] * f32(sky) * sky_strength
    bounce = (0.5 - 0.5 * upward).clamp(0, 1) * 0.3 + 0.05
    light = light + (bounce * open_sky)[:, None] * f32(sky) * sky_strength
    shine = torch.zeros_like(light)
    exponent = float(np.exp(rng.uniform(np.log(8), np.log(320))))
    carried = float(rng.uniform(0.0, 0.4))  # light that enamel carries round the edge
    for lamp in lights:
        to = f32(lamp.direction).expand_as(p) if lamp.direction is not None else f32(lamp.position) - p
        near: Tensor | float = 1.0
        if lamp.position is not None:
            near = (float(np.dot(lamp.position, lamp.position)) / (to * to).sum(1)).clamp(0, 4)[:, None]
            to = to / to.norm(dim=1, keepdim=True)
        facing = (n * to).sum(1).clamp_min(0)
        shade = torch.ones_like(x)
        if lamp.shadow > 0:
            shade = 1 - lamp.shadow * (1 - _unshaded(p, to, z, lamp.softness, crowns, jaw))
        strength = f32(lamp.colour) * near
        wrap = carried * (what.material >= Material.CROWN_WALL).float()
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
