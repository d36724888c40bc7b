"""
Batches for training, drawn where the network lives (CPU or GPU), deterministic by seed on one kind of device.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor
from torch.nn import functional as F

from crestgauge.inference.maps import NOMINAL_ROW_MM, NOMINAL_ROW_SHARE
from crestgauge.synthetic_data.camera import Camera
from crestgauge.synthetic_data.labelled import IGNORE, Labelled
from crestgauge.synthetic_data.options import DrawOptions
from crestgauge.synthetic_data.phone import develop, sample_phone
from crestgauge.synthetic_data.scene import (
    Scene,
    Specimen,
    draw_scene,
    levelled_camera,
    row_target,
    sample_beside,
    sample_conditions,
    sample_specimen,
    without_jaw,
    without_teeth,
)
from crestgauge.synthetic_data.spoil import shone_on

BARE_JAW_SHARE = 0.3
"""Share of a jaw without teeth among pictures without a row; the others show no jaw at all."""
MOST_ENLARGED = 2.5
"""A row seen along itself from 66 degrees; beyond, a reading has nothing left to cut a crop by."""
SECOND = 1
"""Marks the seeds of what lies beside a row, so that it changes no other draw."""
SHINE_SHARE = 0.05
"""Share of pictures with reflections on the molars that hide colour but change no label."""


def sample_tilt(rng: Generator, steep_share: float) -> float:
    """
    Tilt in degrees: mostly the few degrees of a careful hand, some far off, a quarter of those from the side.
    """
    if rng.uniform() >= steep_share:
        return float(min(abs(rng.normal(0, 9.0)), 30.0))
    if rng.uniform() < 0.75:
        return float(rng.uniform(15, 50))
    return float(rng.uniform(50, 80))


def full_row_mm(specimen: Specimen) -> float:
    """Length that the row has or would have with all six teeth through. [mm]"""
    jaw = specimen.jaw
    seen = sum(t.length for t in jaw.teeth if t.lobes)
    shares = {1: 0.118, 2: 0.136, 3: 0.152, 4: 0.167, 5: 0.188, 6: 0.257}
    return float(seen / max(sum(shares[t.position] for t in jaw.teeth if t.lobes), 0.1))


def full_length(camera: Camera, specimen: Specimen, px_per_mm: float) -> Camera:
    """
    The same camera with the row drawn as long as it would be seen from straight above.

    The levelled crop of a reading is cut to the length of the row as seen. A row tilted along itself is seen
    shorter, so its crop is enlarged, and no length tells the fine network of the tilt.
    """
    teeth = [t for t in specimen.jaw.teeth if t.lobes]
    z = row_target(specimen.jaw)[2]
    ends = np.array([[teeth[0].x0, 0.0, z], [teeth[-1].x0 + teeth[-1].length, 0.0, z]])
    seen = float(np.linalg.norm(np.diff(camera.project(ends), axis=0)))
    enlarged = min(px_per_mm * float(ends[1, 0] - ends[0, 0]) / max(seen, 1e-3), MOST_ENLARGED)
    return replace(camera, focal_px=camera.focal_px * enlarged)


def fine_scene(
    rng: Generator,
    specimen: Specimen,
    options: DrawOptions,
    device: torch.device,
    *,
    with_row: bool,
    beside: Generator | None = None,
) -> Scene:
    """
    The row turned level at about the scale that the levelled crop of a reading has, with the errors a coarse
    pass leaves; ``beside`` draws a second row, which has no teeth in the labels: the network learns to keep
    to the row in the middle.
    """
    full = full_row_mm(specimen) if with_row else NOMINAL_ROW_MM
    scale = NOMINAL_ROW_SHARE * options.width / full * float(np.exp(rng.normal(0, 0.09)))
    off = (float(rng.normal(0, 0.06)) * options.width, float(rng.normal(0, 0.07)) * options.height)
    camera = levelled_camera(
        rng,
        specimen,
        width=options.width,
        height=options.height,
        px_per_mm=scale,
        tilt_deg=sample_tilt(rng, options.steep_share),
        roll_deg=float(rng.normal(0, 3.0)),
        offset_px=off,
    )
    if with_row:
        camera = full_length(camera, specimen, scale)
    conditions = sample_conditions(rng, options)
    second = () if beside is None or not with_row else sample_beside(beside, specimen, camera, near=True)
    return draw_scene(rng, specimen, camera, conditions, device, with_row=with_row, beside=second)


def coarse_scene(
    rng: Generator,
    specimen: Specimen,
    options: DrawOptions,
    device: torch.device,
    *,
    with_row: bool,
    beside: Generator | None = None,
) -> Scene:
    """
    A whole photograph at twice the coarse network's scale: any turn, any place, a row from a fifth of the
    picture to more than all of it; ``beside`` draws a second row, labelled as the first is: which one is
    meant is for `crestgauge.inference.row` to say.
    """
    long = 2 * options.width
    short = round(float(long * rng.choice([3 / 4, 3 / 4, 9 / 16, 2 / 3, 1.0]) / 2)) * 2
    width, height = (long, short) if rng.uniform() < 0.55 else (short, long)
    share = float(np.exp(rng.uniform(np.log(0.2), np.log(1.15))))
    roll = float(
        rng.choice(
            [
                rng.uniform(0, 360),
                rng.normal(0, 8),
                180 + rng.normal(0, 8),
                rng.choice([90, 270]) + rng.normal(0, 8),
            ]
        )
    )
    off = (float(rng.normal(0, 0.13)) * width, float(rng.normal(0, 0.13)) * height)
    camera = levelled_camera(
        rng,
        specimen,
        width=width,
        height=height,
        px_per_mm=share * long / full_row_mm(specimen),
        tilt_deg=sample_tilt(rng, options.steep_share),
        roll_deg=roll,
        offset_px=off,
    )
    conditions = sample_conditions(rng, options)
    second = () if beside is None or not with_row else sample_beside(beside, specimen, camera, near=False)
    return draw_scene(
        rng, specimen, camera, conditions, device, with_row=with_row, beside=second, all_rows=True
    )


def _letterboxed(scene: Scene, image: Tensor, options: DrawOptions) -> dict[str, Tensor]:
    """Half size, padded at right and bottom to the drawn size; the pad is void."""
    h, w = image.shape[1] // 2, image.shape[2] // 2
    pad = (0, options.width - w, 0, options.height - h)
    small = F.interpolate(image[None], size=(h, w), mode="area")[0]
    edge = torch.cat(
        (
            small[:, 0].flatten(1),
            small[:, -1].flatten(1),
            small[:, :, 0].flatten(1),
            small[:, :, -1].flatten(1),
        ),
        1,
    ).mean(1)
    out = {"image": edge[:, None, None].expand(3, options.height, options.width).clone()}
    out["image"][:, :h, :w] = small
    for name in ("material", "tooth", "lingual", "state"):
        out[name] = F.pad(
            getattr(scene, name)[1::2, 1::2][:h, :w],
            pad,
            value=IGNORE if name in ("lingual", "state") else 0,
        )
    out["lobe"] = F.pad(scene.lobe[1::2, 1::2][:h, :w], pad)
    out["tilt"] = F.pad(scene.tilt[:, 1::2, 1::2][:, :h, :w], pad)
    out["void"] = torch.zeros((options.height, options.width), dtype=torch.bool, device=image.device)
    return out


def draw_one(
    seed: int, options: DrawOptions, device: torch.device, specimen: Specimen | None = None
) -> tuple[dict[str, Tensor], Specimen]:
    """
    One picture with its labels.

    Parameters
    ----------
    seed : int
    options : DrawOptions
    device : torch.device
    specimen : Specimen, optional
        Take this animal instead of drawing one (its crowns cost half of the time).
    """
    rng = np.random.default_rng((seed, 0 if options.view == "fine" else 1))
    generator = torch.Generator(device=device).manual_seed(seed)
    animal = specimen or sample_specimen(rng, sample_conditions(rng, options), device)
    with_row = bool(rng.uniform() >= options.share_without_jaw)
    shown = animal
    more = rng.spawn(1)[0]  # draws of its own: what came later leaves the rest of a picture as it was
    if not with_row:
        bare = more.uniform() < BARE_JAW_SHARE
        shown = without_teeth(animal) if bare else without_jaw(animal, more, device)
    beside = np.random.default_rng((seed, 0 if options.view == "fine" else 1, SECOND))
    if options.view == "fine":
        scene = fine_scene(rng, shown, options, device, with_row=with_row, beside=beside)
        unit = 1.0
    else:
        scene = coarse_scene(rng, shown, options, device, with_row=with_row, beside=beside)
        unit = 0.5
    phone = sample_phone(
        rng,
        blur_px=options.blur_px,
        density=options.density,
        dark=rng.uniform() < 0.03,
        glare=rng.uniform() < 0.03,
    )
    shines = more.uniform() < SHINE_SHARE
    light = shone_on(more, scene) if shines else scene.light
    image = develop(light, phone, generator, jpeg=True)
    if options.view == "fine":
        maps = {
            name: getattr(scene, name) for name in ("material", "tooth", "lingual", "lobe", "state", "tilt")
        }
        maps |= {"image": image, "void": torch.zeros_like(scene.material, dtype=torch.bool)}
    else:
        maps = _letterboxed(scene, image, options)
    maps["blur"] = torch.tensor(np.log2(max(phone.blur_px * unit, 0.25)), dtype=torch.float32, device=device)
    return maps, animal


@torch.no_grad()
def draw_batch(
    seed: int, n: int, options: DrawOptions, device: torch.device, *, views_per_animal: int = 4
) -> Labelled:
    """
    Draw ``n`` pictures.

    Parameters
    ----------
    seed : int
        Same seed, options and kind of device: same pictures.
    n : int
    options : DrawOptions
    device : torch.device
    views_per_animal : int
        Pictures taken of one animal in a row, under other light, ground, stain and camera.
    """
    pictures: list[dict[str, Tensor]] = []
    animal: Specimen | None = None
    for k in range(n):
        maps, animal = draw_one(
            seed * 1_000_003 + k, options, device, animal if k % views_per_animal else None
        )
        pictures.append(maps)
    return Labelled(**{f.name: torch.stack([p[f.name] for p in pictures]) for f in fields(Labelled)})
