"""
From linear light to the bytes a phone writes: lens blur, exposure, noise, sharpening, tone, colour, JPEG.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.random import Generator
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """
    Settings of lens, sensor and processing for one picture.

    gauss_px, defocus_px, motion_px : sigma, disc radius, length of the path [px of the drawn picture]
    motion_deg : direction of the path
    density : sensor pixels per pixel of the drawn picture (below 1: a photo coarser than the drawing)
    exposure : level that the bright parts reach
    noise, sharpen : (shot, read) and (sigma_px, amount)
    halo : most that sharpening may add or take away, as phones bound it
    smooth_px : sigma of what a phone smooths away after its tone curve [sensor px]
    knee : level above which highlights are squeezed, 1 = not at all
    gamma : exponent on the coded values
    local : strength of the local contrast
    tone, saturation, gains : contrast of the tone curve, colour strength, white balance
    quality : of the JPEG, 1..100
    """

    gauss_px: float
    defocus_px: float
    motion_px: float
    motion_deg: float
    density: float
    exposure: float
    noise: tuple[float, float]
    sharpen: tuple[float, float]
    halo: float
    smooth_px: float
    knee: float
    gamma: float
    local: float
    tone: float
    saturation: float
    gains: tuple[float, float, float]
    vignette: float
    quality: int

    @property
    def blur_px(self) -> float:
        """
        Sigma of the Gaussian with the same second moment as all blur together, along its worst direction. [px
        drawn]
        """
        sensor = (0.35**2 + self.smooth_px**2) / self.density**2
        return float(np.sqrt(self.gauss_px**2 + 0.25 * self.defocus_px**2 + self.motion_px**2 / 12 + sensor))

    @property
    def clear_level(self) -> float:
        """Light (1 = full scale) that tone curve and local contrast still leave short of white."""
        room = 0.47 / max(self.tone, 1.0) / (1 + 0.5 * self.local)
        coded = (0.5 + room) ** (1 / self.gamma)
        return float(((coded + 0.055) / 1.055) ** 2.4)


def sample_phone(
    rng: Generator,
    *,
    blur_px: tuple[float, float] = (0.4, 3.2),
    density: tuple[float, float] = (0.4, 1.0),
    dark: bool = False,
    glare: bool = False,
) -> Phone:
    """
    Draw settings; ``blur_px`` bounds the total blur (log-uniform), ``dark`` and ``glare`` spoil the exposure.
    """
    total = float(np.exp(rng.uniform(*np.log(blur_px))))
    kind = rng.uniform(0, 1, 3) ** 2 * np.array([1.0, rng.uniform() < 0.5, rng.uniform() < 0.25])
    part = total * np.sqrt(kind / max(kind.sum(), 1e-6)) if kind.sum() > 1e-6 else np.array([total, 0, 0])
    exposure = (
        rng.uniform(0.02, 0.07)
        if dark
        else rng.uniform(2.6, 5.0)
        if glare
        else float(np.exp(rng.normal(np.log(0.72), 0.22)))
    )
    noisy = float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))) * (2.0 if dark else 1.0)
    return Phone(
        gauss_px=float(part[0]),
        defocus_px=float(2 * part[1]),
        motion_px=float(np.sqrt(12) * part[2]),
        motion_deg=float(rng.uniform(0, 180)),
        density=float(rng.uniform(*density)),
        exposure=exposure,
        noise=(noisy, noisy * 0.4),
        sharpen=(float(rng.uniform(0.5, 2.4)), float(rng.uniform(0, 1.9) * (rng.uniform() < 0.75))),
        halo=float(rng.uniform(0.02, 0.2)) if rng.uniform() < 0.5 else 1.0,
        smooth_px=float(min(rng.uniform(0, 0.8), 0.6 * total)) if rng.uniform() < 0.35 else 0.0,
        knee=float(rng.uniform(0.45, 0.95)) if rng.uniform() < 0.5 else 1.0,
        gamma=float(np.exp(rng.normal(0, 0.13))) if rng.uniform() < 0.5 else 1.0,
        local=float(rng.uniform(0, 0.6) * (rng.uniform() < 0.5)),
        tone=float(rng.normal(1.0, 0.16)),
        saturation=float(np.clip(rng.normal(1.05, 0.22), 0.0 if rng.uniform() < 0.04 else 0.4, 1.8)),
        gains=_gains(rng),
        vignette=float(rng.uniform(0, 0.35)),
        quality=int(rng.integers(55, 97)),
    )


def _gains(rng: Generator) -> tuple[float, float, float]:
    red, green, blue = (float(v) for v in np.exp(rng.normal(0, 0.09, 3)))
    return red, green, blue


def blur(img: Tensor, sigma: float) -> Tensor:
    """Gaussian blur of a picture (C, H, W)."""
    if sigma < 0.15:
        return img
    reach = int(np.ceil(3 * sigma))
    tap = torch.exp(-0.5 * (torch.arange(-reach, reach + 1, device=img.device, dtype=img.dtype) / sigma) ** 2)
    tap = (tap / tap.sum()).view(1, 1, 1, -1).expand(img.shape[0], 1, 1, -1)
    out = F.conv2d(F.pad(img[None], (reach, reach, 0, 0), mode="replicate"), tap, groups=img.shape[0])
    return F.conv2d(
        F.pad(out, (0, 0, reach, reach), mode="replicate"), tap.transpose(2, 3), groups=img.shape[0]
    )[0]


def _kernel_blur(img: Tensor, kernel: NDArray[np.float64]) -> Tensor:
    k = torch.as_tensor(kernel / kernel.sum(), dtype=img.dtype, device=img.device)
    r = kernel.shape[0] // 2
    return F.conv2d(
        F.pad(img[None], (r,) * 4, mode="replicate"),
        k[None, None].expand(img.shape[0], 1, -1, -1),
        groups=img.shape[0],
    )[0]


def _disc(radius: float) -> NDArray[np.float64]:
    r = int(np.ceil(radius + 1))
    d = np.hypot(*np.mgrid[-r : r + 1, -r : r + 1])
    return np.asarray(np.clip(radius + 0.5 - d, 0, 1), dtype=np.float64)


def _path(length: float, angle_deg: float) -> NDArray[np.float64]:
    r = int(np.ceil(length / 2 + 1))
    y, x = np.mgrid[-r : r + 1, -r : r + 1].astype(float)
    a = np.deg2rad(angle_deg)
    along, across = x * np.cos(a) + y * np.sin(a), -x * np.sin(a) + y * np.cos(a)
    path = np.clip(length / 2 + 0.5 - np.abs(along), 0, 1) * np.clip(1 - np.abs(across), 0, 1)
    return np.asarray(path, dtype=np.float64)


_DCT = np.array(
    [
        [np.sqrt((1 if k == 0 else 2) / 8) * np.cos((2 * n + 1) * k * np.pi / 16) for n in range(8)]
        for k in range(8)
    ]
)
LUMA_TABLE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
"""T.81 table K.1."""
CHROMA_TABLE = (
    (17, 18, 24, 47, 99, 99, 99, 99),
    (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99),
    *(((99,) * 8,) * 4),
)
"""T.81 table K.2."""


def jpeg_like(img: Tensor, quality: int) -> Tensor:
    """
    What baseline JPEG does to a picture (3, H, W) in 0..1: 4:2:0 colour, 8 x 8 DCT, tables K.1 and K.2 of
    ITU-T T.81.
    """
    scale = (5000 / quality if quality < 50 else 200 - 2 * quality) / 100
    r, g, b = img * 255
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    chroma = torch.stack((0.564 * (b - luma), 0.713 * (r - luma)))
    basis = torch.as_tensor(_DCT, dtype=img.dtype, device=img.device)

    def squeeze(planes: Tensor, table: tuple[tuple[int, ...], ...]) -> Tensor:
        c, h, w = planes.shape
        q = torch.as_tensor(
            np.clip(np.floor(np.array(table) * scale + 0.5), 1, 255), dtype=img.dtype, device=img.device
        )
        padded = F.pad(planes[None], (0, -w % 8, 0, -h % 8), mode="replicate")[0]
        ph, pw = padded.shape[1:]
        blocks = padded.view(c, ph // 8, 8, pw // 8, 8).permute(0, 1, 3, 2, 4)
        coded = torch.round(basis @ blocks @ basis.T / q) * q
        return (basis.T @ coded @ basis).permute(0, 1, 3, 2, 4).reshape(c, ph, pw)[:, :h, :w]

    y = squeeze((luma - 128)[None], LUMA_TABLE)[0] + 128
    h, w = luma.shape
    small = F.avg_pool2d(F.pad(chroma[None], (0, w % 2, 0, h % 2), mode="replicate"), 2)[0]
    cb, cr = F.interpolate(
        squeeze(small, CHROMA_TABLE)[None], scale_factor=2, mode="bilinear", align_corners=False
    )[0][:, :h, :w]
    out = torch.stack((y + 1.403 * cr, y - 0.344 * cb - 0.714 * cr, y + 1.773 * cb))
    return (out / 255).clamp(0, 1)


def develop(linear: Tensor, phone: Phone, generator: torch.Generator, *, jpeg: bool) -> Tensor:
    """
    sRGB picture of a linear one.

    Parameters
    ----------
    linear : Tensor, shape (3, H, W)
        Scene light, any scale.
    phone : Phone
    generator : torch.Generator on the tensor's device
        Of the sensor noise.
    jpeg : bool
        Run the JPEG-like step (training); photographs on disk are coded by a real encoder instead.

    Returns
    -------
    Tensor, shape (3, H, W), values 0..1
    """
    h, w = linear.shape[1:]
    img = blur(linear, phone.gauss_px)
    if phone.defocus_px > 0.6:
        img = _kernel_blur(img, _disc(phone.defocus_px))
    if phone.motion_px > 0.8:
        img = _kernel_blur(img, _path(phone.motion_px, phone.motion_deg))
    size = (max(8, round(h * phone.density)), max(8, round(w * phone.density)))
    if size != (h, w):
        img = F.interpolate(img[None], size=size, mode="area")[0]
    luma = img.mean(0)
    level = torch.quantile(luma.flatten()[:: max(1, luma.numel() // 50_000)], 0.95).clamp_min(1e-4)
    img = (
        img
        * (phone.exposure / level)
        * torch.tensor(phone.gains, device=img.device, dtype=img.dtype)[:, None, None]
    )
    yy = torch.linspace(-1, 1, size[0], device=img.device)[:, None]
    xx = torch.linspace(-1, 1, size[1], device=img.device)[None, :]
    img = img * (1 - phone.vignette * (xx**2 + yy**2) / 2)
    shot, read = phone.noise
    grain = torch.randn(img.shape, generator=generator, device=img.device, dtype=img.dtype)
    img = img + grain * torch.sqrt((shot * shot) * img.clamp_min(0) + read * read)
    img = img.clamp_min(0)
    if phone.knee < 1:  # highlights bend towards white instead of breaking off
        above = torch.relu(img - phone.knee) / (1 - phone.knee)
        img = img.clamp_max(phone.knee) + (1 - phone.knee) * (1 - torch.exp(-above))
    img = img.clamp_max(1)
    srgb = torch.where(img <= 0.0031308, 12.92 * img, 1.055 * img.clamp_min(1e-6) ** (1 / 2.4) - 0.055)
    if phone.gamma != 1:
        srgb = srgb.clamp_min(1e-6) ** phone.gamma
    if phone.smooth_px > 0.15:
        srgb = blur(srgb, phone.smooth_px)
    srgb = (0.5 + (srgb - 0.5) * phone.tone).clamp(0, 1)
    if phone.local > 0:
        wide = blur(F.avg_pool2d(srgb[None], 4)[0], 6.0)
        wide = F.interpolate(wide[None], size=size, mode="bilinear", align_corners=False)[0]
        srgb = srgb + phone.local * (srgb - wide) * 0.6
    if phone.sharpen[1] > 0:
        change = phone.sharpen[1] * (srgb - blur(srgb, phone.sharpen[0]))
        srgb = srgb + change.clamp(-phone.halo, phone.halo)
    grey = srgb.mean(0, keepdim=True)
    srgb = (grey + phone.saturation * (srgb - grey)).clamp(0, 1)
    if jpeg:
        srgb = jpeg_like(srgb, phone.quality)
    if size != (h, w):
        srgb = F.interpolate(srgb[None], size=(h, w), mode="bicubic", align_corners=False)[0].clamp(0, 1)
    return srgb
