"""Bone, gum and flesh round the teeth: one coarse height field under the crowns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from crestgauge.synthetic_data.anatomy import Jaw
from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.flare import cheek_reach
from crestgauge.synthetic_data.mandible import OFF_ROW_MM, Coats, front_teeth, lower_border, reshaped
from crestgauge.synthetic_data.wear import FAR_BELOW, CrownFields, Grid

PITCH_PER_MM = 4.0
FRONT_MM, BACK_MM, SIDE_MM = 55.0, 70.0, 30.0
LAST_TOOTH_MM = 22.0
ROOTS_FOLLOW = 0.7
CROWN_FLOOR = -14.0
UNWORN_BELOW_MM = 0.3
CLEAN = 6
"""Topic of ridges behind the last tooth and of pale bone, see `aside`."""
RIDGE_SHARE, SLIT_SHARE = 0.6, 0.5
"""Dry jaws whose bone stands bare as a ridge where the next tooth forms, and those with a slit in it."""
HIGHEST_RIDGE_MM = 6.0
PALE_SHARE, PALE_FAWNS = 0.12, 0.5
"""Dry jaws of clean bone nearly as pale as enamel: of all, and of those that wait for their second molar."""
FRESH_OPEN, FRESH_OPEN_FLESHY, FRESH_EACH, FRESH_LOW = 0.6, 0.2, 0.85, 0.3
"""
Shares: of dry and of fleshy jaws that are open round unworn standing teeth, of such teeth in them, and those
of these where bone and gum are low instead of open. Ours, so that about as many standing as erupting crowns
are free.
"""


@dataclass(frozen=True, slots=True, eq=False)
class JawFields:
    """
    Height of bone and gum, and slow averages of everything (bone and crowns) for the light that reaches
    hollows; ``beside`` is 1 on the row of teeth and falls to 0 over some mm of bone; ``coats`` is what covers
    the bone. [mm] ``paint`` (3, H, W) is there where it is no jaw at all but something else, see `things`;
    ``pale`` says that clean bone is nearly as pale as enamel.
    """

    grid: Grid
    surface: Tensor
    around_small: Tensor
    around_large: Tensor
    beside: Tensor
    coats: Coats
    paint: Tensor | None = None
    pale: bool = False


def _outline(jaw: Jaw, x: Tensor, rng: Generator, end: float) -> tuple[Tensor, Tensor, Tensor]:
    """
    Middle line of the bone, its half widths towards tongue and cheek, at places along the row, (N,). [mm]

    The bone is a little wider than the teeth in it, thin in the gap before tooth 1, and turns into the thin
    plate of the ramus, towards the cheek, behind the last tooth.
    """
    teeth = [t for t in jaw.teeth if t.length]
    knots = np.array([t.x0 + 0.5 * t.length for t in teeth])
    here = x.cpu().numpy()
    crown = 0.5 * np.interp(here, knots, [t.width for t in teeth])
    back_swell = rng.uniform(0.0, 2.8) * np.clip(here / max(end, 1.0), 0, 1) ** 2
    roots = rng.uniform(0.0, 0.45)
    bumps = roots * sum(np.exp(-(((here - lobe.x) / 2.6) ** 2)) for lobe in jaw.lobes)
    # Bone goes with a tooth that stands out of line.
    out = sum(t.out_mm * np.exp(-(((here - t.x0 - 0.5 * t.length) / (0.6 * t.length)) ** 2)) for t in teeth)
    front, back = np.clip(-here / 16.0, 0, 1), np.clip((here - end) / 16.0, 0, 1)
    taper = (1 - rng.uniform(0.0, 0.35) * front) * (1 - rng.uniform(0.2, 0.65) * back)
    tongue = (crown + rng.uniform(0.2, 2.2) + bumps) * taper + np.maximum(-out, 0)
    cheek = (crown + rng.uniform(0.7, 3.6) + bumps + back_swell) * taper + np.maximum(out, 0)
    bow = jaw.bow_mm * (2.0 * np.clip(here, 0, jaw.row_mm) / jaw.row_mm - 1.0) ** 2 - 0.5 * jaw.bow_mm
    flares = {f.position: f for f in jaw.flares}
    if flares:  # roots and bone follow the walls outwards
        knots = np.array([t.x0 + 0.5 * t.length for t in jaw.teeth if t.lobes])
        wide = [cheek_reach(flares[t.position], t, jaw.gum_z) for t in jaw.teeth if t.lobes]
        cheek = cheek + ROOTS_FOLLOW * np.interp(here, knots, wide) * taper
    middle = bow + rng.uniform(-0.6, 0.6) + rng.uniform(0.0, 7.0) * back + rng.uniform(-5.0, 2.0) * front

    def f32(values: NDArray[np.float64]) -> Tensor:
        return torch.as_tensor(values, dtype=torch.float32, device=x.device)

    return f32(middle), f32(tongue), f32(cheek)


def _gum_level(jaw: Jaw, x: Tensor, rng: Generator, *, fleshy: bool) -> Tensor:
    """Height of gum or bone along the row; it may stand over what has not come through yet. [mm]"""
    level = torch.full_like(x, jaw.gum_z)
    for tooth in jaw.teeth:
        here = (x > tooth.x0 - 0.5) & (x < tooth.x0 + tooth.length + 0.5)
        if tooth.state == "erupting" and tooth.lobes:
            tips = max(lobe.tip_z for lobe in tooth.lobes)
            below = rng.uniform(0.3, 3.2) if fleshy else rng.uniform(-0.5, 3.5)
            slant = rng.uniform(-0.12, 0.2) * (x - tooth.x0 - 0.5 * tooth.length)
            level = torch.where(here, (tips - below + slant).clamp_min(jaw.gum_z), level)
        elif tooth.state == "missing":
            level = torch.where(here, torch.full_like(x, jaw.gum_z + rng.uniform(-3.0, 1.5)), level)
    smooth = torch.tensor([1, 4, 6, 4, 1], dtype=torch.float32, device=x.device) / 16
    for _ in range(8):
        level = F.conv1d(F.pad(level[None, None], (2, 2), mode="replicate"), smooth[None, None])[0, 0]
    return level


def _bare_ridge(jaw: Jaw, z: Tensor, x: Tensor, y: Tensor, middle: Tensor, rng: Generator) -> Tensor:
    """Bone that stands as a narrow ridge where the next tooth forms, whole or with a slit over its crypt."""
    hidden = next((t for t in jaw.teeth if t.state == "absent"), None)
    here, opens = rng.uniform(size=2)
    start, length = rng.uniform((0.8, 7.0), (4.0, 26.0))
    high, rise, sharp, flat = rng.uniform((-1.5, -0.08, 0.8, 0.0), (3.0, 0.12, 4.0, 1.6))
    aside_mm, ends, wide, deep = rng.uniform((-1.2, 0.4, 0.3, 1.0), (1.2, 2.0, 1.2, 5.0))
    if hidden is None or here >= RIDGE_SHARE:
        return z
    along = x - hidden.x0 - start
    off = (y - middle - aside_mm).abs()
    top = jaw.gum_z + high + rise * along - sharp * (off - flat).clamp_min(0)
    top = top - ends * ((-along).clamp_min(0) + (along - length).clamp_min(0))
    there = (x > hidden.x0 + 0.5) & (z > jaw.gum_z - HIGHEST_RIDGE_MM)  # the bone gets no broader
    z = torch.where(there, torch.maximum(z, torch.minimum(top, z + HIGHEST_RIDGE_MM)), z)
    if opens < SLIT_SHARE:
        inside = 1 - ((along / length - 0.5).abs() / 0.35) ** 2 - (off / wide) ** 2
        z = z - deep * torch.sigmoid(4 * inside) * (inside > -1).float()
    return z


def _open_crypts(
    jaw: Jaw, z: Tensor, x: Tensor, y: Tensor, middle: Tensor, rng: Generator, *, fleshy: bool
) -> Tensor:
    """Holes in dry bone round teeth on their way up, or over the place of one that nobody can see yet."""
    coming = [(t.x0, t.length, t.width) for t in jaw.teeth if t.state == "erupting" and t.lobes]
    hidden = next((t for t in jaw.teeth if t.state == "absent"), None)
    if hidden is not None:
        coming.append((hidden.x0 + 1.0, float(rng.uniform(6, 16)), float(rng.uniform(5, 9))))
    for x0, length, width in coming:
        if rng.uniform() < (0.15 if fleshy else 0.6):
            margin, depth = rng.uniform(0.1, 1.6), rng.uniform(2.0, 9.0)
            u = ((x - x0 - 0.5 * length) / (0.5 * length + margin)).abs()
            v = ((y - middle) / (0.5 * width + margin)).abs()
            inside = 1 - (u**3 + v**3) ** (1 / 3)
            z = z - depth * torch.sigmoid(inside * rng.uniform(8, 30))
    return z


def _round_fresh(jaw: Jaw, z: Tensor, x: Tensor, y: Tensor, rng: Generator, *, fleshy: bool) -> Tensor:
    """
    Bone and gum round unworn teeth that stand: in some jaws still open, or low, so that the whole crown is
    free as it is in an erupting one.
    """
    if rng.uniform() >= (FRESH_OPEN_FLESHY if fleshy else FRESH_OPEN):
        return z
    for tooth in jaw.teeth:
        if tooth.milk or tooth.state != "erupted" or tooth.wear_mm > UNWORN_BELOW_MM or not tooth.lobes:
            continue
        margin, depth, hard, kind = rng.uniform((0.6, 2.0, 8.0, 0.0), (2.0, 9.0, 30.0, 1.0))
        if kind > FRESH_EACH:
            continue
        if kind < FRESH_LOW:  # no hole, but bone and gum that end below the neck
            margin, depth, hard = margin + 1.5, 1.6 + 0.25 * depth, 0.4 * hard
        u = ((x - tooth.x0 - 0.5 * tooth.length) / (0.5 * tooth.length + margin)).abs()
        v = ((y - tooth.y) / (0.5 * tooth.width + margin)).abs()
        z = z - depth * torch.sigmoid((1 - (u**3 + v**3) ** (1 / 3)) * hard)
    return z


def jaw_fields(
    jaw: Jaw, crowns: CrownFields, rng: Generator, device: torch.device, *, fleshy: bool
) -> JawFields:
    """
    Bone and gum for one jaw.

    Parameters
    ----------
    jaw, crowns : Jaw, CrownFields
    rng : numpy Generator
    device : torch.device
    fleshy : bool
        Gum and cheek flesh left on (a fresh jaw) instead of a cleaned bone.
    """
    more = rng.spawn(1)[0]  # what came later draws from here: animals stay what they were
    grid = Grid(
        -FRONT_MM,
        -SIDE_MM,
        PITCH_PER_MM,
        int((jaw.row_mm + FRONT_MM + BACK_MM) * PITCH_PER_MM) + 1,
        int(2 * SIDE_MM * PITCH_PER_MM) + 1,
    )
    x, y = grid.nodes(device)
    line = x[0]
    end = max(tooth.x0 + tooth.length for tooth in jaw.teeth)
    # Bone is there before the last tooth comes through.
    end += LAST_TOOTH_MM if jaw.teeth[5].state == "absent" else 0.0
    middle, tongue, cheek = _outline(jaw, line, rng, end)
    front, back = (-line / 14.0).clamp(0, 1), ((line - end) / 4.0).clamp(0, 1)
    raised = _gum_level(jaw, line, rng, fleshy=fleshy) - jaw.gum_z  # over the row, not over the whole bone
    top = jaw.gum_z - rng.uniform(2.0, 7.0) * front + rng.uniform(-1.0, 1.5) * back
    ramus = torch.relu(line - end - rng.uniform(4.0, 16.0))
    top = top + torch.clamp(ramus * rng.uniform(0.5, 1.6), max=rng.uniform(6.0, 24.0))
    rough, lumps = _noise(rng, (14, 40), x), _noise(rng, (4, 13), x)
    ragged = rng.uniform(0.1, 0.6)
    off = y - middle
    half = torch.where(off < 0, tongue, cheek)
    away = off.abs() - half - ragged * rough
    top = top + raised * (1 - (off / (half + rng.uniform(0.5, 2.5))) ** 2).clamp_min(0)
    if rng.uniform() < 0.1:  # cheek, hide or meat spread out beside the bone
        falls = np.exp(rng.uniform(np.log(0.4), np.log(1.5), 2))
    else:
        falls = np.exp(rng.uniform(np.log([2.0, 1.2]), np.log([9.0, 7.0])))
    fall = torch.where(off < 0, float(falls[0]), float(falls[1]))
    over, bend = torch.relu(away), float(np.exp(rng.uniform(np.log(0.06), np.log(0.9))))
    z = (
        top
        + rng.uniform(0.1, 0.45) * rough
        - fall * over
        - bend * over**2
        - rng.uniform(0.2, 1.2) * torch.clamp((away + half) / half, 0, 1) ** 2
    )
    depth = rng.uniform(16.0, 34.0)
    if fleshy and rng.uniform() < 0.6:  # not the gum alone
        reach = (rng.uniform(2.0, 16.0) + rng.uniform(1.0, 5.0) * lumps + rng.uniform(0.1, 1.0) * rough) * (
            1 - rng.uniform(0.3, 1.0) * front
        )
        shelf = top + rng.uniform(-4.0, 1.2) + 0.8 * lumps + rng.uniform(0.1, 1.0) * rough
        shelf = shelf - rng.uniform(0.05, 0.4) * over
        shelf = shelf - rng.uniform(0.8, 4.0) * torch.relu(away - reach)
        side = rng.choice([-1.0, 0.0, 1.0], p=[0.2, 0.6, 0.2])  # flesh on one side, or on both
        z = torch.where(off * side >= 0, torch.maximum(z, shelf), z)
    clean = aside(rng, CLEAN)
    if not fleshy:
        z = _bare_ridge(jaw, z, x, y, middle, clean.spawn(1)[0])
    pale = not fleshy and clean.uniform() < (PALE_FAWNS if jaw.teeth[4].state != "erupted" else PALE_SHARE)
    z = _open_crypts(jaw, z, x, y, middle, rng, fleshy=fleshy)
    z = _round_fresh(jaw, z, x, y, more.spawn(1)[0], fleshy=fleshy)
    unit = crowns.grid.to_unit(x, y)
    crown = F.grid_sample(
        crowns.surface.clamp_min(CROWN_FLOOR)[None, None],
        unit[None],
        align_corners=True,
        padding_mode="border",
    )[0, 0]
    within = (unit.abs() <= 1).all(-1)
    standing = within & (crown > CROWN_FLOOR + 0.5)
    beside = blurred(standing.float(), 1.4)
    z = z + rng.uniform(-0.8, 1.3) * beside  # swollen or shrunk towards the teeth
    front_end = -rng.uniform(20.0, FRONT_MM)
    tail = (x < front_end) | (x > end + rng.uniform(16.0, 45.0))
    tail[[0, -1]], tail[:, [0, -1]] = True, True  # sampling repeats the rim
    z = torch.where(tail, torch.full_like(z, FAR_BELOW), z)
    beyond = _beyond(jaw, line)
    z = torch.where((z < jaw.gum_z - depth) & ~beyond, torch.full_like(z, FAR_BELOW), z)
    inside = within & (crown > CROWN_FLOOR + 0.01)
    z = torch.where(beyond & (z < lower_border(jaw, line, depth, more)), torch.full_like(z, FAR_BELOW), z)
    z, coats = reshaped(jaw, z, x, y, inside, more, pitch=PITCH_PER_MM, depth=depth, fleshy=fleshy)
    z, coats = front_teeth(jaw, z, x, y, coats, float(front_end), more)
    z = torch.where(
        _cut_away(jaw, crowns, unit, within, rng, fleshy=fleshy), torch.full_like(z, FAR_BELOW), z
    )
    whole = torch.where(standing, torch.maximum(crown, z), z).clamp_min(jaw.gum_z - depth)
    return JawFields(
        grid=grid,
        surface=z,
        around_small=blurred(whole, 1.2),
        around_large=blurred(whole, 4.0),
        beside=(2.0 * beside).clamp_max(1.0),
        coats=coats,
        pale=bool(pale),
    )


def _beyond(jaw: Jaw, line: Tensor) -> Tensor:
    """Where along the row, (N,), the bone lies before or behind all that belongs to the teeth (bool)."""
    return (line < -OFF_ROW_MM) | (line > jaw.row_mm + OFF_ROW_MM)


def _cut_away(
    jaw: Jaw, crowns: CrownFields, unit: Tensor, within: Tensor, rng: Generator, *, fleshy: bool
) -> Tensor:
    """Where no gum may be: inside a crown and over a worn one, unless only its tips are through."""
    inner = torch.maximum(crowns.fossa - 0.05, crowns.outer.clamp_max(1.0) - 0.02)
    for tooth in jaw.teeth:
        if tooth.state == "erupting" and rng.uniform() < (0.7 if fleshy else 0.2):
            inner = torch.where(crowns.tooth == tooth.position, torch.full_like(inner, -1.0), inner)
    if any(
        t.fracture for t in jaw.teeth
    ):  # a crown broken off below its neck leaves bone, no hole to the ground
        inner = torch.where(crowns.surface > FAR_BELOW, inner, torch.full_like(inner, -1.0))
    inner = F.grid_sample(inner[None, None], unit[None], align_corners=True, padding_mode="border")[0, 0]
    return within & (inner > 0)


def _noise(rng: Generator, cells: tuple[int, int], like: Tensor) -> Tensor:
    """Smooth noise with so many cells over the whole field, shape of ``like``."""
    generator = torch.Generator().manual_seed(int(rng.integers(2**31)))
    coarse = torch.randn((1, 1, *cells), generator=generator).to(like.device)
    return F.interpolate(coarse, size=like.shape, mode="bicubic", align_corners=True)[0, 0]


def blurred(field: Tensor, sigma_mm: float, pitch: float = PITCH_PER_MM) -> Tensor:
    """Gaussian blur of a field (H, W) with ``pitch`` nodes a mm."""
    sigma = sigma_mm * pitch
    reach = int(np.ceil(2.5 * sigma))
    tap = torch.exp(
        -0.5 * (torch.arange(-reach, reach + 1, device=field.device, dtype=torch.float32) / sigma) ** 2
    )
    tap = tap / tap.sum()
    out = F.conv2d(F.pad(field[None, None], (reach, reach, 0, 0), mode="replicate"), tap.view(1, 1, 1, -1))
    return F.conv2d(F.pad(out, (0, 0, reach, reach), mode="replicate"), tap.view(1, 1, -1, 1))[0, 0]
