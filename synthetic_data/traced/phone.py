"""What a phone does to light: exposure, colour balance, blur, noise, tone curve, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneStyle:
    """
    One phone in one moment.

    Parameters
    ----------
    exposure : float
        Factor on top of the exposure that puts the jaw's brightness in the middle. [1]
    balance : tuple of 3 floats
        Gains of red, green, blue.
    blur_px : float
        Gaussian sigma of defocus and shake together. [px]
    shake_px, shake_deg : float
        Length and direction of a straight smear; 0 px = none.
    noise : float
        Standard deviation of noise at mid grey, linear light. [1]
    contrast, saturation, sharpen : float
    quality : int
        JPEG quality, 1..95.
    """

    exposure: float
    balance: tuple[float, float, float]
    blur_px: float
    shake_px: float
    shake_deg: float
    noise: float
    contrast: float
    saturation: float
    sharpen: float
    quality: int


def draw_phone(rng: np.random.Generator) -> PhoneStyle:
    """An ordinary, usable shot."""
    warm = rng.normal(0.0, 0.06)
    return PhoneStyle(
        exposure=float(np.exp(rng.normal(0.0, 0.16))),
        balance=(float(1.0 + warm), 1.0, float(1.0 - warm + rng.normal(0.0, 0.03))),
        blur_px=float(rng.choice([0.3, 0.6, 0.9, 1.3], p=[0.3, 0.4, 0.2, 0.1]) * rng.uniform(0.8, 1.2)),
        shake_px=0.0,
        shake_deg=0.0,
        noise=float(rng.uniform(0.003, 0.014)),
        contrast=float(rng.uniform(0.9, 1.25)),
        saturation=float(rng.uniform(0.9, 1.25)),
        sharpen=float(rng.uniform(0.2, 0.9)),
        quality=int(rng.integers(70, 93)),
    )


def smear_kernel(length_px: float, angle_deg: float) -> NDArray[np.float32]:
    """Straight smear of ``length_px``, summing to 1."""
    size = int(np.ceil(length_px)) | 1
    kernel = np.zeros((size, size), np.float32)
    half = (size - 1) / 2.0
    dx, dy = np.cos(np.radians(angle_deg)) * length_px / 2.0, np.sin(np.radians(angle_deg)) * length_px / 2.0
    for t in np.linspace(-1.0, 1.0, 8 * size):
        kernel[round(half + t * dy), round(half + t * dx)] += 1.0
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def develop(
    rng: np.random.Generator, light: NDArray[np.float32], meter: NDArray[np.bool_], style: PhoneStyle
) -> NDArray[np.uint8]:
    """
    Linear light to an 8-bit sRGB picture.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3)
    meter : ndarray of bool, shape (H, W)
        Pixels that the exposure is set for.
    """
    image = light.astype(np.float32) * np.array(style.balance, np.float32)
    bright = (
        float(np.percentile(image[meter].mean(axis=1), 80))
        if meter.any()
        else float(np.percentile(image, 80))
    )
    image = image * np.float32(0.42 * style.exposure / max(bright, 1e-6))
    if style.blur_px > 0.2:
        image = np.asarray(cv2.GaussianBlur(image, (0, 0), style.blur_px), dtype=np.float32)
    if style.shake_px > 1.0:
        smeared = cv2.filter2D(image, -1, smear_kernel(style.shake_px, style.shake_deg))
        image = np.asarray(smeared, dtype=np.float32)
    spread = style.noise * np.sqrt(np.maximum(image, 0.0) / 0.18 + 0.1)
    sigma = np.asarray(spread, dtype=np.float32)
    grain = rng.normal(size=image.shape).astype(np.float32)
    clumps = np.asarray(cv2.GaussianBlur(grain, (0, 0), 1.0), dtype=np.float32)
    grain = np.asarray(0.6 * grain + 0.4 * clumps * 2.5, dtype=np.float32)
    image = image + sigma * grain
    image = np.clip(image, 0.0, None)
    # A soft shoulder above white, then the sRGB curve and a slight S.
    image = np.where(image > 0.7, 0.7 + 0.3 * (1.0 - np.exp(-(image - 0.7) / 0.3)), image)
    value = np.where(
        image <= 0.0031308, 12.92 * image, 1.055 * np.power(np.maximum(image, 1e-9), 1.0 / 2.4) - 0.055
    )
    value = np.clip(value, 0.0, 1.0)
    curve = value * value * (3.0 - 2.0 * value)
    value = value + (style.contrast - 0.75) * (curve - value)
    grey = value.mean(axis=2, keepdims=True)
    value = grey + style.saturation * (value - grey)
    soft = cv2.GaussianBlur(value.astype(np.float32), (0, 0), 1.4)
    value = value + style.sharpen * (value - soft)
    levels: NDArray[np.uint8] = np.clip(value * 255.0 + 0.5, 0, 255).astype(np.uint8)
    return levels
