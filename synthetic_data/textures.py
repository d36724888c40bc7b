"""
Noise to vary every surface with, and pictures of ground: drawn ones, and a few open photographs from scikit-
image.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, TypeVar

import cv2
import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

Image = NDArray[np.float32]
F32OrF64 = TypeVar("F32OrF64", np.float32, np.float64)
SIDE = 512
PER_KIND = 8


def spectral_noise(rng: Generator, size: int, slope: float, low: float = 1.0, stretch: float = 1.0) -> Image:
    """Tileable noise with amplitude ~ f^-slope, zero mean, unit deviation, shape (size, size)."""
    fy, fx = np.fft.fftfreq(size)[:, None] * size * stretch, np.fft.rfftfreq(size)[None, :] * size
    f = np.maximum(np.hypot(fx, fy), low)
    spectrum = np.fft.rfft2(rng.standard_normal((size, size))) * f**-slope
    field = np.fft.irfft2(spectrum, s=(size, size))
    return np.asarray((field - field.mean()) / field.std(), dtype=np.float32)


@lru_cache(maxsize=4)
def noise_bank(device: str) -> Tensor:
    """Eight tileable noise fields from smooth to rough, shape (8, SIDE + 1, SIDE + 1) on ``device``."""
    rng = np.random.default_rng(20240)
    kinds = [
        (2.2, 2, 1),
        (1.6, 3, 1),
        (1.2, 6, 1),
        (0.9, 10, 1),
        (0.5, 24, 1),
        (1.2, 5, 0.15),
        (1.0, 16, 1),
        (1.8, 4, 1),
    ]
    fields = [spectral_noise(rng, SIDE, s, low, st) for s, low, st in kinds]
    tiles = np.stack([np.pad(f, ((0, 1), (0, 1)), mode="wrap") for f in fields])
    return torch.as_tensor(tiles, device=torch.device(device))


def tile(bank: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """
    Sample tiles (C, S + 1, S + 1) at tile coordinates (1 = one whole tile, wrapped), any shape -> (C, ...).
    """
    u, v = torch.remainder(x, 1.0) * 2 - 1, torch.remainder(y, 1.0) * 2 - 1
    out = F.grid_sample(
        bank[None], torch.stack((u, v), -1).reshape(1, 1, -1, 2), align_corners=True, padding_mode="border"
    )
    return out[0, :, 0].view(bank.shape[0], *x.shape)


def _colour(rng: Generator, palette: list[tuple[float, float, float]], spread: float = 0.08) -> Image:
    base = np.array(palette[int(rng.integers(len(palette)))], dtype=np.float32)
    return np.clip(base * rng.uniform(0.7, 1.2) + rng.normal(0, spread, 3), 0.02, 1.0).astype(np.float32)


def _mix(a: Image, b: Image, t: NDArray[F32OrF64]) -> NDArray[F32OrF64]:
    return np.asarray(a + (b - a) * np.clip(t, 0, 1)[..., None], dtype=t.dtype)


def _plain(rng: Generator) -> Image:
    c = (
        rng.uniform(0.05, 0.95, 3).astype(np.float32)
        if rng.uniform() < 0.5
        else _colour(rng, [(0.9, 0.9, 0.9), (0.5, 0.5, 0.5), (0.2, 0.3, 0.6), (0.2, 0.45, 0.25)])
    )
    img = (
        c
        + 0.03 * spectral_noise(rng, SIDE, 1.4)[..., None]
        + 0.015 * spectral_noise(rng, SIDE, 0.3)[..., None]
    )
    return np.asarray(np.clip(img, 0, 1), dtype=np.float32)


def _wood(rng: Generator) -> NDArray[np.float64]:
    y = np.arange(SIDE, dtype=np.float32)[:, None] / SIDE
    warp = spectral_noise(rng, SIDE, 1.8, 2, 0.2) * rng.uniform(0.02, 0.12)
    rings = 0.5 + 0.5 * np.sin(2 * np.pi * (rng.integers(4, 22) * (y + warp)))
    fibre = spectral_noise(rng, SIDE, 0.7, 10, 0.06)
    a = _colour(
        rng,
        [(0.75, 0.58, 0.38), (0.55, 0.38, 0.22), (0.35, 0.22, 0.13), (0.62, 0.58, 0.52), (0.85, 0.75, 0.6)],
    )
    img = _mix(a[None, None], (a * rng.uniform(0.45, 0.85))[None, None], rings ** rng.uniform(0.6, 3.0))
    img = img * (1 + rng.uniform(0.03, 0.12) * fibre[..., None])
    for k in range(int(rng.integers(0, 4))):
        img[int(k * SIDE / 4 + rng.integers(40)) % SIDE, :, :] *= 0.35
    return np.asarray(np.clip(img, 0, 1), dtype=np.float64)


def _cloth(rng: Generator) -> Image:
    y, x = np.mgrid[0:SIDE, 0:SIDE].astype(np.float32) / SIDE
    n = int(rng.integers(24, 110))
    weave = 0.5 + 0.25 * np.sin(2 * np.pi * n * x) * rng.uniform(0.3, 1) + 0.25 * np.sin(2 * np.pi * n * y)
    a, b = (
        _colour(
            rng,
            [
                (0.8, 0.8, 0.82),
                (0.2, 0.25, 0.4),
                (0.45, 0.42, 0.3),
                (0.5, 0.15, 0.12),
                (0.15, 0.15, 0.15),
                (0.9, 0.45, 0.1),
            ],
        ),
        rng.uniform(0.05, 0.9, 3).astype(np.float32),
    )
    img = np.broadcast_to(a, (SIDE, SIDE, 3)).copy()
    kind = rng.uniform()
    if kind < 0.3:  # blotched pattern of four tones
        for _ in range(3):
            blob = spectral_noise(rng, SIDE, 1.7, 4) > rng.uniform(0.2, 1.0)
            img[blob] = _colour(
                rng, [(0.35, 0.33, 0.22), (0.2, 0.22, 0.14), (0.55, 0.5, 0.38), (0.25, 0.18, 0.12)]
            )
    elif kind < 0.55:
        img = _mix(
            img, b[None, None], ((x * rng.integers(2, 9)) % 1 < rng.uniform(0.2, 0.5)).astype(np.float32)
        )
    folds = spectral_noise(rng, SIDE, 2.4, 2)
    img = img * (0.75 + 0.35 * weave[..., None]) * (1 + rng.uniform(0.05, 0.25) * folds[..., None])
    return np.asarray(np.clip(img, 0, 1), dtype=np.float32)


def _metal(rng: Generator) -> Image:
    base = rng.uniform(0.35, 0.8)
    streak = spectral_noise(rng, SIDE, 0.6, 8, 0.03)
    img = base * (1 + rng.uniform(0.02, 0.15) * streak)
    if rng.uniform() < 0.4:  # tread plate
        y, x = np.mgrid[0:SIDE, 0:SIDE].astype(np.float32) / SIDE
        n = int(rng.integers(5, 12))
        u, v = (x * n) % 1 - 0.5, (y * n) % 1 - 0.5
        turn = np.where((np.floor(x * n) + np.floor(y * n)) % 2 == 0, 1.0, -1.0)
        p, q = (u + turn * v) / 1.41, (v - turn * u) / 1.41
        img = img + 0.25 * np.exp(-((p / 0.12) ** 2) - (q / 0.42) ** 4) * (0.6 + np.sign(p) * 0.5)
    rgb = np.repeat(img[..., None], 3, axis=2) * rng.normal(1, 0.04, 3)
    rust = np.clip(spectral_noise(rng, SIDE, 1.5, 3) - rng.uniform(0.3, 2.5), 0, 1)
    img = _mix(rgb.astype(np.float32), np.array([0.4, 0.2, 0.1], np.float32)[None, None], rust)
    return np.asarray(np.clip(img, 0, 1), dtype=np.float32)


def _strokes(
    rng: Generator,
    ground: Image,
    palette: list[tuple[float, float, float]],
    n: int,
    length: tuple[float, float],
    wide: tuple[int, int],
) -> Image:
    img = np.ascontiguousarray(ground, dtype=np.float32)
    for _ in range(n):
        p = rng.uniform(-20, SIDE + 20, 2)
        angle, reach = rng.uniform(0, 2 * np.pi), rng.uniform(*length)
        mid = p + 0.5 * reach * np.array([np.cos(angle), np.sin(angle)]) + rng.normal(0, reach * 0.08, 2)
        end = p + reach * np.array([np.cos(angle), np.sin(angle)])
        curve = np.array([p, 0.25 * p + 0.5 * mid + 0.25 * end, end]).round().astype(np.int32)
        c = _colour(rng, palette, 0.05)
        cv2.polylines(
            img, [curve[:, None]], False, tuple(float(v) for v in c), int(rng.integers(*wide)), cv2.LINE_AA
        )
    return img


def _grass(rng: Generator) -> Image:
    greens = [(0.25, 0.4, 0.12), (0.4, 0.5, 0.2), (0.55, 0.5, 0.25), (0.15, 0.25, 0.08), (0.65, 0.58, 0.38)]
    ground = _earth(rng) * 0.6
    return _strokes(
        rng,
        ground,
        greens if rng.uniform() < 0.7 else greens[2:],
        int(rng.integers(300, 1400)),
        (30, 200),
        (1, 6),
    )


def _gravel(rng: Generator) -> Image:
    img = np.full((SIDE, SIDE, 3), rng.uniform(0.1, 0.5), np.float32)
    for _ in range(int(rng.integers(250, 900))):
        c = rng.uniform(0, SIDE, 2).astype(int)
        axes = np.abs(rng.normal(rng.uniform(6, 26), 6, 2)).astype(int) + 3
        col = _colour(rng, [(0.5, 0.5, 0.5), (0.62, 0.58, 0.5), (0.35, 0.33, 0.32), (0.75, 0.73, 0.7)], 0.04)
        angle = float(rng.uniform(0, 180))
        pos = (int(c[0]), int(c[1]))
        cv2.ellipse(
            img,
            (pos[0] + 2, pos[1] + 3),
            (int(axes[0]), int(axes[1])),
            angle,
            0,
            360,
            (0.06, 0.06, 0.06),
            -1,
            cv2.LINE_AA,
        )
        cv2.ellipse(
            img,
            pos,
            (int(axes[0]), int(axes[1])),
            angle,
            0,
            360,
            tuple(float(v) for v in col),
            -1,
            cv2.LINE_AA,
        )
        cv2.ellipse(
            img,
            (pos[0] - 1, pos[1] - 2),
            (int(axes[0] * 0.6), int(axes[1] * 0.6)),
            angle,
            0,
            360,
            tuple(float(v) * 1.12 for v in col),
            -1,
            cv2.LINE_AA,
        )
    return np.clip(img * (1 + 0.08 * spectral_noise(rng, SIDE, 0.5)[..., None]), 0, 1)


def _paper(rng: Generator) -> Image:
    img = np.broadcast_to(
        _colour(rng, [(0.95, 0.95, 0.93), (0.9, 0.86, 0.75), (0.8, 0.85, 0.9)], 0.02), (SIDE, SIDE, 3)
    ).copy()
    ink = tuple(float(v) for v in rng.uniform(0, 0.3, 3))
    kind = rng.uniform()
    if kind < 0.35:
        step = int(rng.integers(12, 60))
        for k in range(0, SIDE, step):
            cv2.line(img, (k, 0), (k, SIDE), ink, 1, cv2.LINE_AA)
            cv2.line(img, (0, k), (SIDE, k), ink, 1, cv2.LINE_AA)
    else:
        size = rng.uniform(0.3, 1.6)
        page = np.zeros((SIDE, SIDE), np.uint8)  # letters are drawn on bytes: OpenCV 5 takes no floats there
        for y in range(20, SIDE, max(12, int(26 * size))):
            letters = "".join(chr(int(c)) for c in rng.integers(33, 122, 60))
            cv2.putText(
                page,
                letters,
                (int(rng.integers(-60, 30)), y),
                int(rng.integers(0, 5)),
                size,
                255,
                int(rng.integers(1, 3)),
                cv2.LINE_AA,
            )
        inked = np.asarray(page.astype(np.float32) / 255, dtype=np.float32)
        img = _mix(img, np.array(ink, np.float32)[None, None], inked)
    return np.clip(img * (1 + 0.02 * spectral_noise(rng, SIDE, 1.5)[..., None]), 0, 1)


def _dark(rng: Generator) -> Image:
    return np.clip(rng.uniform(0.0, 0.09, 3) + 0.02 * spectral_noise(rng, SIDE, 1.2)[..., None], 0, 1).astype(
        np.float32
    )


def _earth(rng: Generator) -> Image:
    a = _colour(rng, [(0.36, 0.26, 0.18), (0.5, 0.4, 0.28), (0.22, 0.17, 0.13), (0.6, 0.52, 0.42)], 0.03)
    b = np.clip(a * rng.uniform(0.3, 1.6), 0, 1)
    img = _mix(
        np.broadcast_to(a, (SIDE, SIDE, 3)), b[None, None], 0.5 + 0.4 * spectral_noise(rng, SIDE, 1.1, 4)
    )
    img = img * (1 + 0.2 * spectral_noise(rng, SIDE, 0.6, 8)[..., None])
    litter = [(0.55, 0.38, 0.2), (0.4, 0.3, 0.2), (0.3, 0.2, 0.12), (0.6, 0.5, 0.3)]
    return np.clip(_strokes(rng, img, litter, int(rng.integers(0, 120)), (20, 160), (1, 14)), 0, 1)


OPEN_PICTURES = (
    "brick",
    "grass",
    "gravel",
    "coffee",
    "chelsea",
    "rocket",
    "ihc",
    "motorcycle_left",
    "retina",
    "coins",
    "page",
    "text",
    "moon",
    "color",
    "clock_motion",
)


def _pictures() -> list[Image]:
    """Open photographs that scikit-image ships inside its wheel; an empty list where they are not there."""
    try:
        from skimage import data
    except ImportError:
        return []
    from pathlib import Path

    out: list[Image] = []
    for name in OPEN_PICTURES:
        for file in (Path(p) / f"{name}{ext}" for p in data.__path__ for ext in (".png", ".jpg")):
            bgr = cv2.imread(str(file), cv2.IMREAD_COLOR) if file.exists() else None
            if bgr is not None:
                rgb = bgr[..., ::-1].astype(np.float32) / 255
                small = cv2.resize(rgb, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
                out.append(np.asarray(small, dtype=np.float32))
    return out


MAKERS: dict[str, Callable[[Generator], NDArray[np.floating[Any]]]] = {
    "plain": _plain,
    "wood": _wood,
    "cloth": _cloth,
    "metal": _metal,
    "grass": _grass,
    "gravel": _gravel,
    "paper": _paper,
    "dark": _dark,
    "earth": _earth,
}


@lru_cache(maxsize=4)
def ground_bank(device: str) -> dict[str, Tensor]:
    """Pictures of ground by kind, each (n, 3, SIDE, SIDE) linear light on ``device``."""
    rng = np.random.default_rng(77)
    banks: dict[str, Sequence[NDArray[np.floating[Any]]]] = {
        kind: [make(rng) for _ in range(PER_KIND)] for kind, make in MAKERS.items()
    }
    banks["picture"] = _pictures() or [_plain(rng)]
    return {
        kind: torch.as_tensor(np.stack(tiles) ** 2.2, dtype=torch.float32, device=torch.device(device))
        .permute(0, 3, 1, 2)
        .contiguous()
        for kind, tiles in banks.items()
    }


def ground(bank: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """
    One ground picture (3, S, S) at tile coordinates, mirrored at its edges so that no seam shows; any shape
    -> (3, ...).
    """
    unit = torch.stack((x, y), -1).reshape(1, 1, -1, 2) * 2 - 1
    out = F.grid_sample(bank[None], unit, align_corners=True, padding_mode="reflection")
    return out[0, :, 0].view(3, *x.shape)
