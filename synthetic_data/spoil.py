"""Exposure of a photograph by what it does to the teeth: bands that can be read, or on purpose cannot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.phone import Phone, blur
from crestgauge.synthetic_data.scene import Scene

READABLE_LIGHT = 0.17
"""Linear level that the lightest tenth of the crowns reaches at least in a usable photograph."""
DARK_LIGHT = (0.006, 0.06)
"""The same in one that is too dark on purpose."""
BLIND_SHARE = (0.62, 0.9)
"""Share of dentine, hollows and walls of the molars that is white where glare is on purpose."""
MOST_EXPOSURE = 6.0
"""Beyond this nothing at all is left of a picture; what it does not whiten is hidden by reflections."""
FIRST_MOLAR = 4


def _thin(values: Tensor) -> Tensor:
    return values.flatten()[:: max(1, values.numel() // 50_000)]


def picture_level(light: Tensor) -> float:
    """Level that `crestgauge.synthetic_data.phone.develop` sets the exposure by."""
    return float(torch.quantile(_thin(light.mean(0)), 0.95).clamp_min(1e-4))


def soft_parts(scene: Scene) -> Tensor:
    """Dentine, hollows and walls of the molars (bool): where glare hides what enamel would hide anyway."""
    return (scene.tooth >= FIRST_MOLAR) & (scene.material != Material.ENAMEL_BAND)


def exposed(rng: Generator, scene: Scene, phone: Phone, kind: str | None) -> tuple[Tensor, Phone]:
    """
    Light and phone of one photograph, exposed for its teeth.

    Parameters
    ----------
    rng : numpy Generator
    scene : Scene
    phone : Phone
    kind : str or None
        What spoils the photograph, one of `crestgauge.synthetic_data.options.UNUSABLE`.

    Returns
    -------
    (Tensor, Phone)
        The scene's light, with reflections on it where glare is on purpose, and the phone with its exposure.
    """
    light, crown = scene.light, scene.tooth > 0
    if not crown.any():
        return light, phone
    level = picture_level(light)
    bright = float(torch.quantile(_thin(light.mean(0)[crown]), 0.9)) / level
    if kind == "dark":
        return light, replace(
            phone, exposure=float(np.exp(rng.uniform(*np.log(DARK_LIGHT)))) / max(bright, 1e-3)
        )
    if kind == "glare":
        return _blinded(rng, scene, phone, level)
    # 3 % of the crowns may reach white: a photograph whose teeth are clipped is not usable.
    top = float(torch.quantile(_thin(light.amax(0)[crown]), 0.97)) / level
    most = phone.clear_level / max(top, 1e-3)
    least = READABLE_LIGHT / max(bright, 1e-3)
    return light, replace(phone, exposure=min(max(phone.exposure, least), most))


def _blinded(rng: Generator, scene: Scene, phone: Phone, level: float) -> tuple[Tensor, Phone]:
    """Overexposed as a whole, or wet teeth under a lamp: white patches over the molars."""
    light, soft = scene.light, soft_parts(scene)
    if not soft.any():
        return light, phone
    share = float(rng.uniform(*BLIND_SHARE))
    white = 1.3 / min(phone.gains)  # vignetting and noise must not save it
    plain = replace(phone, gamma=min(phone.gamma, 1.1), tone=max(phone.tone, 0.9), knee=max(phone.knee, 0.8))
    dim = float(torch.quantile(_thin(light.mean(0)[soft]), 1 - share))
    needed = white * level / max(dim, 1e-4)
    if rng.uniform() < 0.6 and needed < MOST_EXPOSURE:
        return light, replace(plain, exposure=max(needed, 1.6))
    exposure = float(np.clip(phone.exposure, 0.4, 1.1))
    added = _reflections(rng, scene)
    # Quantile over the molars: that share of them gets at least ``white`` from the reflections alone.
    dim = float(torch.quantile(_thin(added[soft]), 1 - share))
    strength = white * level / exposure / max(dim, 1e-3)
    tint = torch.tensor(np.exp(rng.normal(0, 0.04, 3)), dtype=light.dtype, device=light.device)
    # The patches are brighter than the sky's share of the picture, so the level is kept by hand.
    shining = light + strength * added * tint[:, None, None]
    return shining, replace(plain, exposure=exposure * picture_level(shining) / level)


def shone_on(rng: Generator, scene: Scene) -> Tensor:
    """
    Light of a scene with reflections on its molars, from faint to blinding, (3, H, W).

    For training: glare whitens dentine and hollows, and a network that takes white for enamel reads on.
    """
    light = scene.light
    if not soft_parts(scene).any():
        return light
    tint = np.exp(rng.normal(0, 0.05, 3)) * np.exp(rng.uniform(np.log(0.3), np.log(4.0)))
    bright = torch.as_tensor(tint * picture_level(light), dtype=light.dtype, device=light.device)
    return light + bright[:, None, None] * _reflections(rng, scene)


def _reflections(rng: Generator, scene: Scene) -> Tensor:
    """Bright patches on the molars and a little beside them, (H, W), 0..1."""
    height, width = scene.tooth.shape
    device = scene.light.device
    yy = torch.arange(height, device=device, dtype=torch.float32)[:, None]
    xx = torch.arange(width, device=device, dtype=torch.float32)[None, :]
    out, spread = torch.zeros((height, width), device=device), 1.0
    for tooth in scene.specimen.jaw.teeth[FIRST_MOLAR - 1 :]:
        for lobe in tooth.lobes:
            at = np.array([[lobe.x, lobe.y, lobe.tip_z - max(tooth.wear_mm, 0.0)]])
            (x, y), size = scene.camera.project(at)[0], lobe.length * scene.camera.focal_px
            size /= float(np.linalg.norm(scene.camera.position - at[0]))
            wide, high = size * rng.uniform(0.35, 0.8, 2)
            x, y = x + size * rng.normal(0, 0.12), y + size * rng.normal(0, 0.12)
            patch = torch.exp(-0.5 * (((xx - x) / wide) ** 2 + ((yy - y) / high) ** 2))
            out = torch.maximum(out, patch * float(rng.uniform(0.6, 1.0)))
            spread = 0.08 * size
    wet = blur((scene.tooth >= FIRST_MOLAR).float()[None], min(spread, 20.0))[0]
    return out * (0.15 + 0.85 * wet)
