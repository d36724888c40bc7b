"""Base colour of every hit on a jaw: bands, walls and hollows of crowns; bone, gum and what clings to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor

from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.rims import Rims
from crestgauge.synthetic_data.textures import noise_bank, tile
from crestgauge.synthetic_data.tones import (
    BONE_STAINS,
    BONE_TONES,
    CEMENT_TONES,
    ENAMEL_TONES,
    FOOD_TONES,
    GUM_TONES,
    PALE_TONES,
    STAIN_TONES,
    TARTAR_TONES,
    brightness,
    pick,
    varied,
)

BIG_MM, FINE_MM = 41.0, 13.0
"""Side of one noise tile: about 12 and 40 px a mm at its finest."""
LEAST_CONTRAST = (1.3, 1.9)
"""Enamel is at least this much lighter than dentine where they meet, or no eye could tell the bands apart."""

CRACKED = 2
"""Topic of how broken enamel and cracks look, see `aside`."""
PALE = 7
"""Topic of bone as pale as enamel."""
FILLED = 4
"""Topic of what fills the pulp."""
HAIRLINE_SHARE = 0.14
HAIRLINE_TILE_MM = (9.0, 30.0)
"""A tile of the noise that makes hairlines has some ten of them across; they are drawn out eight times."""
BROKEN_MM = 0.04
"""A flake that took less than this has not taken the surface with its stain."""

MOST_SEEN = 0.7
"""Largest share of dentine in the colour of enamel."""


@dataclass(frozen=True, slots=True, eq=False)
class Marks:
    """
    What the colour of a hit hangs on, all of shape (N,).

    z : height below the unworn tips [mm]
    gum_z : height of the gum line [mm]
    outer, inner, fossa : distance inside the cut rim, the dentine, the infundibulum; below 0 outside [mm]
    beside : 1 on the row of teeth, falling to 0 over some mm of bone
    root, enamel : shares of root cement and of front teeth on the bone
    big, fine : noise by kind, see `textures.noise_bank`
    chip : height lost to flakes, None where nothing broke off [mm]
    hairline : 1 along fine cracks of the enamel, 0 elsewhere; None without
    pulp : about the distance inside cut pulp, None where there is none [mm]
    """

    z: Tensor
    gum_z: float
    outer: Tensor
    inner: Tensor
    fossa: Tensor
    beside: Tensor
    root: Tensor
    enamel: Tensor
    big: dict[int, Tensor]
    fine: dict[int, Tensor]
    chip: Tensor | None = None
    hairline: Tensor | None = None
    pulp: Tensor | None = None


def noise(x: Tensor, y: Tensor, rng: Generator) -> tuple[dict[int, Tensor], dict[int, Tensor]]:
    """Two layers of noise over the plane of the row, each with a shift of its own."""
    bank = noise_bank(str(x.device))
    shift = rng.uniform(0, 1, 4)
    big, fine = [0, 1, 2, 3, 5, 7], [1, 2, 3, 4, 5]
    coarse = tile(bank[big], x / BIG_MM + shift[0], y / BIG_MM + shift[1])
    dense = tile(bank[fine], x / FINE_MM + shift[2], y / FINE_MM + shift[3])
    return dict(zip(big, coarse, strict=True)), dict(zip(fine, dense, strict=True))


def unrolled(x: Tensor, y: Tensor, z: Tensor, rng: Generator) -> tuple[Tensor, Tensor]:
    """
    Places in the plane of the noise, (N,) each. [mm]

    Noise laid over the plane of the row alone is drawn out into upright streaks on every wall, and a network
    could tell tilt by the streaks. A slanting projection has none on upright walls, whichever way they face.
    """
    along = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.2, 0.6))
    across = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.3))
    if rng.uniform() < 0.1:  # grooves and runs of dirt that do go down the wall
        along, across = 0.3 * along, 0.15 * across
    return x + along * z, y + across * z


def _mix(a: Tensor, b: Tensor, t: Tensor) -> Tensor:
    return a + (b - a) * t.clamp(0, 1)[:, None]


def _grown(colour: Tensor, exponent: Tensor) -> Tensor:
    return colour * torch.exp(exponent)[:, None]


def _lines(field: Tensor, width: float) -> Tensor:
    """1 along the zero lines of a noise field, like cracks, 0 elsewhere."""
    return torch.relu(1 - field.abs() / width)


def hairlines(x: Tensor, y: Tensor, patches: Tensor, rng: Generator) -> Tensor | None:
    """
    Fine cracks across the row, as in dry or old enamel: 1 on them, 0 elsewhere, (N,); or None.

    Parameters
    ----------
    x, y : Tensor, shape (N,)
        Places on the row. [mm]
    patches : Tensor, shape (N,)
        Slow noise that says where there are any.
    rng : numpy Generator
    """
    if rng.uniform() >= HAIRLINE_SHARE:
        return None
    angle, size = rng.normal(0, 0.3), rng.uniform(*HAIRLINE_TILE_MM)
    over, down = np.cos(angle) * x + np.sin(angle) * y, np.cos(angle) * y - np.sin(angle) * x
    shift = rng.uniform(0, 1, 2)
    bank = noise_bank(str(x.device))[3:4]
    field = tile(bank, over / size + shift[0], down / (8 * size) + shift[1])[0]
    # Ten to the tile are 63 / size of slope a mm at their zeros: this makes them 0.02 to 0.06 mm to a side.
    width = float(rng.uniform(0.02, 0.06)) * 63.0 / size
    return _lines(field, width) * torch.sigmoid((patches - float(rng.uniform(-1.0, 1.0))) * 5)


@dataclass(frozen=True, slots=True, eq=False)
class _Crown:
    """Tones of one picture's crowns, each shape (3,)."""

    enamel: Tensor
    dentine: Tensor
    pit: Tensor
    tartar: Tensor
    wall: Tensor


def _crown_tones(rng: Generator, rims: Rims, stain: str, packed: bool, like: Tensor) -> _Crown:
    dentine_tone, pit_tone, tartar_tone = STAIN_TONES[stain][int(rng.integers(len(STAIN_TONES[stain])))]
    dentine = varied(rng, dentine_tone, 0.3)
    pit, tartar = varied(rng, pit_tone, 0.5), varied(rng, tartar_tone, 0.4)
    enamel = varied(rng, pick(rng, ENAMEL_TONES), 0.12)
    # With a share s of dentine in the enamel and a rim g times as light as the dentine d, enamel e shows the
    # contrast c where (e (1 - s) + d s) / (g d) = c.
    seen, rim = min(rims.body + rims.through, MOST_SEEN), float(np.exp(rims.dentine_shade))
    most = brightness(enamel) * (1 - seen) / (rng.uniform(*LEAST_CONTRAST) * max(rim, 1.0) - seen)
    dentine = dentine * min(1.0, most / brightness(dentine))
    if packed:  # food: plant green, straw, or as dark as dentine
        food = pick(rng, FOOD_TONES) if rng.uniform() < 0.7 else tuple(dentine)
        pit = varied(rng, food, 0.35)
    elif rng.uniform() < 0.14:  # clean, little-worn crowns: the hollow is as pale as its walls
        pit = enamel * float(rng.uniform(0.4, 0.95))
    wall = enamel * float(rng.uniform(0.7, 1.08))
    if rng.uniform() < 0.3:  # a coat of cementum
        wall = varied(rng, pick(rng, CEMENT_TONES), 0.25)

    def f32(values: NDArray[np.float64]) -> Tensor:
        return torch.as_tensor(values, dtype=torch.float32, device=like.device)

    return _Crown(enamel=f32(enamel), dentine=f32(dentine), pit=f32(pit), tartar=f32(tartar), wall=f32(wall))


def _dentine(m: Marks, tones: _Crown, rims: Rims, rng: Generator) -> Tensor:
    """Mottled, with a rim and a core of its own, cracked."""
    change = 0.22 * rng.uniform(0.2, 1.8) * m.big[1] + rng.uniform(0.03, 0.2) * m.fine[3]
    if rims.dentine_shade:
        change = change + rims.dentine_shade * torch.exp(torch.relu(m.inner) * (-1.0 / rims.dentine_reach))
    if rims.core:
        change = change + rims.core * torch.sigmoid((m.inner - rims.core_start) / rims.core_soft)
    cracks = _lines(m.big[3], 0.03) * (rng.uniform(0, 1.4) * (rng.uniform() < 0.4))
    return _grown(tones.dentine, change - cracks)


def _enamel(m: Marks, tones: _Crown, dentine: Tensor, rims: Rims, rng: Generator) -> Tensor:
    """White to yellow-grey; dentine shows through it, stain creeps over its free edge."""
    change = rng.uniform(0.02, 0.12) * m.big[2] + rng.uniform(0.02, 0.09) * m.fine[4]
    free = torch.relu(m.outer)
    if rims.bright:
        change = change + rims.bright * torch.exp(free * (-1.0 / rims.bright_reach))
    colour = _grown(tones.enamel, change)
    seen = rims.through * torch.exp(torch.relu(-m.inner) * (-1.0 / rims.through_reach)) + rims.body
    colour = _mix(colour, dentine, seen.clamp_max(MOST_SEEN))
    if rims.stained:
        colour = _mix(
            colour,
            tones.tartar.expand_as(colour),
            rims.stained * torch.exp(free * (-1.0 / rims.stained_reach)),
        )
    fissures = torch.relu(0.04 - m.fine[5].abs()) / 0.04 * rng.uniform(0, 0.6)
    lines = _lines(m.big[3], 0.035) * (rng.uniform(0, 0.9) * (rng.uniform() < 0.4))
    return _mix(colour, tones.tartar.expand_as(colour), torch.maximum(fissures, lines))


def _wall(m: Marks, tones: _Crown, rng: Generator) -> Tensor:
    """Uncut enamel or cementum, dirty towards the gum in one animal and up to the rim in another."""
    depth = torch.relu(-(m.z - float(rng.uniform(-2.5, 0.5))))
    dirty = torch.sigmoid(
        (0.9 * m.big[0] + 0.5 * m.fine[2] + depth * rng.uniform(0.1, 0.5) - rng.uniform(0.2, 3.0)) * 2.5
    )
    if rng.uniform() < 0.35:  # a line of stain right under the rim
        dirty = torch.maximum(
            dirty, rng.uniform(0.3, 1.0) * torch.exp(torch.relu(-m.outer) * (-1.0 / rng.uniform(0.05, 0.4)))
        )
    wall = _grown(tones.wall, 0.08 * m.big[2] + 0.05 * m.fine[4])
    return _mix(wall, _grown(tones.tartar, 0.3 * m.fine[3]), dirty)


def _crown_stains(colour: Tensor, in_fossa: Tensor, m: Marks, dentine: Tensor, rng: Generator) -> Tensor:
    """
    Colour of uncut crowns (N, 3) with what hardly worn and old ones show: hollows and grooves as brown as
    dentine, tartar at the necks.

    ``dentine`` is the picture's own tone of it, (3,): a colour alone must not say what lies open.
    """

    def f32(values: NDArray[np.float64]) -> Tensor:
        return torch.as_tensor(values, dtype=torch.float32, device=m.z.device)

    if rng.uniform() < 0.22:  # plant stain, mud or food of the colour of dentine in the hollow
        tone = _grown(dentine * float(np.exp(rng.normal(0, 0.2))), 0.2 * m.fine[3] + 0.1 * m.big[1])
        level = torch.sigmoid((m.fossa - float(rng.uniform(0.0, 0.6))) / float(rng.uniform(0.03, 0.3)))
        colour = torch.where(in_fossa[:, None], _mix(colour, tone, level * rng.uniform(0.5, 1.0)), colour)
    if rng.uniform() < 0.22:  # and in the grooves between ridges that wear has not reached
        tone = _grown(dentine * float(np.exp(rng.normal(0, 0.25))), 0.2 * m.fine[2])
        groove = torch.exp(-((m.fossa / float(rng.uniform(0.15, 0.7))) ** 2)) * rng.uniform(0.2, 0.9)
        patchy = torch.sigmoid((m.big[0] + 0.6 * m.fine[1] - float(rng.uniform(-2.0, 0.8))) * 3)
        colour = _mix(colour, tone, groove * patchy * ~in_fossa)
    if rng.uniform() < 0.3:  # tartar: a crust over the neck, pale, brown or black, with a metal shine in deer
        tone = f32(varied(rng, pick(rng, TARTAR_TONES), 0.35))
        high = float(rng.uniform(0.2, 3.0))
        edge = (m.gum_z + high + 0.8 * m.fine[1] * float(rng.uniform(0.2, 1.0)) - m.z) / float(
            rng.uniform(0.1, 0.6)
        )
        crust = torch.sigmoid(edge) * torch.sigmoid((m.big[1] - float(rng.uniform(-2.0, 1.0))) * 2)
        colour = _mix(colour, _grown(tone, 0.2 * m.fine[3]), crust * rng.uniform(0.4, 1.0) * ~in_fossa)
    return colour


def _broken(colour: Tensor, chip: Tensor, m: Marks, tones: _Crown, rng: Generator) -> Tensor:
    """Colour of walls (N, 3) with broken enamel: fresh and pale, or long stained as all round it."""
    old = rng.uniform(0.0, 1.0) if rng.uniform() < 0.4 else rng.uniform(0.0, 0.25)
    fresh = _grown(tones.enamel * float(rng.uniform(0.65, 1.1)), 0.1 * m.fine[4] + 0.08 * m.fine[3])
    return _mix(colour, fresh, (chip / BROKEN_MM).clamp(0, 1) * (1 - old))


def _filled(dentine: Tensor, m: Marks, pulp: Tensor, tones: _Crown, rng: Generator) -> Tensor:
    """Dentine (N, 3) with what fills the pulp: darker or paler, sharp or washed out; pits are dark anyway."""
    change = rng.uniform(-2.0, -0.5) if rng.uniform() < 0.7 else rng.uniform(0.3, 0.9)
    tone = tones.pit if rng.uniform() < 0.2 else tones.dentine * float(np.exp(change))
    share = (pulp / float(rng.uniform(0.02, 0.12))).clamp(0, 1) * rng.uniform(0.7, 1.0)
    return _mix(dentine, _grown(tone, 0.25 * m.fine[3] + 0.1 * m.big[1]), share)


def crown_colour(
    m: Marks,
    in_fossa: Tensor,
    rims: Rims,
    rng: Generator,
    more: Generator,
    *,
    stain: str,
    packed: bool,
    pixel_mm: float,
) -> Tensor:
    """
    Colours of crowns, shape (N, 3).

    Parameters
    ----------
    m : Marks
    in_fossa : Tensor of bool, shape (N,)
        Where the wall is that of an infundibulum.
    rims : Rims
    rng, more : numpy Generator
        ``more`` draws what came later.
    stain : str
        One of `crestgauge.synthetic_data.options.STAINS`.
    packed : bool
        Food sits in the infundibula.
    pixel_mm : float
        Size of a pixel on the teeth: edges between bands are blended over it, as a lens and a sensor would.
    """
    tones = _crown_tones(rng, rims, stain, packed, m.z)
    dentine = _dentine(m, tones, rims, rng)
    enamel = _enamel(m, tones, dentine, rims, rng)
    wall = _wall(m, tones, rng)
    pit = _grown(tones.pit, 0.35 * m.fine[2] + 0.2 * m.big[3])
    # Stain may reach the rim or begin far down: then a band of clean wall lies beside the cut enamel.
    start = rng.uniform(0.0, 0.3) if packed or rng.uniform() < 0.5 else rng.uniform(0.2, 1.3)
    pit = _mix(wall, pit, torch.sigmoid((m.fossa - start) / rng.uniform(0.04, 0.3)))
    soft = 0.5 * pixel_mm + 0.02
    colour = torch.where(in_fossa[:, None], _mix(wall, pit, m.fossa / soft + 0.5), wall)
    colour = _crown_stains(colour, in_fossa, m, tones.dentine, more)
    latest = aside(more, CRACKED)
    if m.chip is not None:
        colour = _broken(colour, m.chip, m, tones, latest)
    if m.hairline is not None:
        dark = tones.tartar * float(latest.uniform(0.15, 0.8))
        crack = m.hairline * latest.uniform(0.35, 1.0)
        colour = _mix(colour, dark.expand_as(colour), crack * latest.uniform(0.0, 0.8) * ~in_fossa)
        enamel = _mix(enamel, dark.expand_as(enamel), crack)
    if m.pulp is not None:
        dentine = _filled(dentine, m, m.pulp, tones, aside(more, FILLED))
    colour = _mix(colour, enamel, m.outer / (soft + rims.outer_soft) + 0.5)
    colour = _mix(colour, dentine, m.inner / (soft + rims.inner_soft) + 0.5)
    if rng.uniform() < 0.35:  # film of dirt, blood or mud over everything, patchy
        tone = ((0.30, 0.03, 0.02), (0.2, 0.14, 0.08), (0.35, 0.30, 0.2))[int(rng.integers(3))]
        film = torch.as_tensor(varied(rng, tone, 0.3), dtype=torch.float32, device=m.z.device)
        share = torch.sigmoid((m.big[0] + 0.6 * m.fine[1] - rng.uniform(1.0, 3.0)) * 3) * rng.uniform(
            0.2, 0.8
        )
        colour = _mix(colour, film.expand_as(colour), share)
    return colour


def _bone(m: Marks, rng: Generator) -> Tensor:
    """Ivory to weathered grey, stained in patches, with pores and cracks."""

    def f32(values: NDArray[np.float64]) -> Tensor:
        return torch.as_tensor(values, dtype=torch.float32, device=m.z.device)

    rough = rng.uniform(0.02, 0.15)
    bone = _grown(f32(varied(rng, pick(rng, BONE_TONES), 0.2)), rough * m.big[1] + 0.6 * rough * m.fine[3])
    if rng.uniform() < 0.6:
        stain = f32(varied(rng, pick(rng, BONE_STAINS), 0.3)).expand_as(bone)
        where = torch.sigmoid((m.big[7] + 0.35 * m.big[1] - rng.uniform(0.0, 2.2)) * rng.uniform(0.8, 4.0))
        bone = _mix(bone, stain, where * rng.uniform(0.15, 0.8))
    if rng.uniform() < 0.5:  # pores and small foramina
        bone = _grown(bone, -rng.uniform(0.5, 2.0) * torch.sigmoid((m.big[3] - rng.uniform(2.0, 3.0)) * 6))
    if rng.uniform() < 0.35:  # weathering cracks, mostly lengthwise
        bone = _grown(bone, -rng.uniform(0.3, 1.6) * _lines(m.big[5], rng.uniform(0.02, 0.05)))
    return bone


def jaw_colour(m: Marks, rng: Generator, *, fleshy: bool, pale: bool = False) -> Tensor:
    """Colours of bone with gum, meat and blood on it, or clean and pale, shape (N, 3)."""
    latest = aside(rng, PALE)

    def f32(values: NDArray[np.float64]) -> Tensor:
        return torch.as_tensor(values, dtype=torch.float32, device=m.z.device)

    bone = _bone(m, rng)
    gum = f32(varied(rng, pick(rng, GUM_TONES), 0.25))
    gum = _grown(gum, rng.uniform(0.08, 0.3) * m.big[0] + rng.uniform(0.05, 0.18) * m.fine[2])
    patches = 0.8 * m.big[7] + 0.3 * m.fine[1]
    kind = rng.uniform()
    if fleshy:
        lean = rng.uniform(0.8, 4.0) + patches
    elif kind < 0.45:  # cleaned
        lean = rng.uniform(-5.0, -2.5) + patches
    elif kind < 0.8:  # a collar left round the teeth
        lean = 6.0 * (m.beside - rng.uniform(0.25, 0.75)) + 0.5 * patches
    else:
        lean = rng.uniform(-1.5, 1.0) + patches
    colour = _mix(bone, gum, torch.sigmoid(rng.uniform(1.5, 4.0) * lean))
    if rng.uniform() < 0.6:
        blood = f32(varied(rng, (0.22, 0.015, 0.012), 0.5)).expand_as(colour)
        where = torch.sigmoid((m.big[2] + 0.7 * m.big[0] - rng.uniform(0.8, 3.5)) * rng.uniform(0.8, 4))
        colour = _mix(colour, blood, where * rng.uniform(0.2, 0.95))
    if rng.uniform() < 0.2:  # mud, or meal of the saw
        tone = ((0.22, 0.15, 0.09), (0.45, 0.36, 0.24), (0.75, 0.70, 0.60))[int(rng.integers(3))]
        mud = f32(varied(rng, tone, 0.3)).expand_as(colour)
        where = torch.sigmoid((m.big[1] + 0.8 * m.fine[3] - rng.uniform(0.5, 2.0)) * 4)
        colour = _mix(colour, mud, where * rng.uniform(0.3, 0.9))
    if pale:
        white = f32(varied(latest, pick(latest, PALE_TONES), 0.08))
        clean = _grown(white, latest.uniform(0.02, 0.1) * m.big[1] + latest.uniform(0.01, 0.06) * m.fine[3])
        colour = _mix(colour, clean, torch.full_like(m.z, float(latest.uniform(0.7, 1.0))))
    return colour


def coated(colour: Tensor, m: Marks, rng: Generator) -> Tensor:
    """Colour of bone (N, 3) with root cement round the necks and enamel on front teeth."""

    def f32(values: NDArray[np.float64]) -> Tensor:
        return torch.as_tensor(values, dtype=torch.float32, device=m.z.device)

    cement = f32(varied(rng, pick(rng, CEMENT_TONES if rng.uniform() < 0.6 else BONE_TONES), 0.3))
    white = f32(varied(rng, pick(rng, ENAMEL_TONES), 0.15))
    roots = _grown(cement, 0.25 * m.fine[2] + 0.12 * m.fine[3])
    colour = _mix(colour, roots, m.root * rng.uniform(0.3, 1.0))
    return _mix(colour, _grown(white, 0.1 * m.big[2] + 0.05 * m.fine[4]), m.enamel * rng.uniform(0.8, 1.0))
