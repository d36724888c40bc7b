"""From linear light to the file a phone writes."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.synthetic_data.carved.looks import Shot
from crestgauge.synthetic_data.carved.outlines import Array

Rng = np.random.Generator


def develop(rng: Rng, linear: Array, shot: Shot) -> NDArray[np.uint8]:
    """8-bit RGB picture, shape (H, W, 3), of linear light."""
    height, width = linear.shape[:2]
    light = linear.astype(np.float32)
    grey = light.mean(axis=2)
    inner = grey[height // 4 : -height // 4, width // 6 : -width // 6]
    gain = 0.45 * shot.exposure / max(float(np.percentile(inner, 80)), 1e-6)
    if shot.fault == "dark":
        gain = 0.016 / max(float(np.percentile(inner, 80)), 1e-6)
    # Specks that single bright paths left: no pixel may outshine all its neighbours threefold.
    around = cv2.medianBlur(light, 3)
    light = np.minimum(light, around * 1.6 + 0.02)
    balance = np.array([1.0 + shot.warmth, 1.0, 1.0 - shot.warmth], dtype=np.float32)
    cast = inner_cast(light)
    light = light * gain * balance / cast
    y, x = np.mgrid[0:height, 0:width]
    radius = np.hypot(x - width / 2.0, y - height / 2.0) / np.hypot(width / 2.0, height / 2.0)
    light = light * (1.0 - 0.22 * radius**2)[..., None].astype(np.float32)
    light = cv2.GaussianBlur(light, (0, 0), max(shot.blur_px, 0.2))
    grain = rng.normal(0.0, 1.0, light.shape).astype(np.float32)
    light = light + grain * shot.noise * np.sqrt(np.maximum(light, 0.0) * 0.5 + 0.004)
    tone = np.clip(light, 0.0, None)
    tone = tone * (1.0 + tone / 6.0) / (1.0 + tone * 0.55)  # bright parts roll off
    code = np.clip(tone, 0.0, 1.0) ** (1.0 / 2.2)
    code = code + shot.contrast * 0.22 * (code - 0.45) * (1.0 - (2.0 * code - 1.0) ** 2)
    brightness = code.mean(axis=2, keepdims=True)
    # What a phone does to colour noise: colour is smoothed more than brightness.
    colour = cv2.GaussianBlur(code - brightness, (0, 0), 1.3)
    smooth = cv2.bilateralFilter(np.ascontiguousarray(brightness[..., 0]), 5, 0.10, 1.8)[..., None]
    code = smooth + colour * 1.12
    code = code + shot.sharpen * (code - cv2.GaussianBlur(code, (0, 0), 1.4))
    return np.asarray(np.clip(code * 255.0 + 0.5, 0, 255), dtype=np.uint8)


def inner_cast(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Part of the light's colour that the phone takes out."""
    bright = light.reshape(-1, 3)[::7]
    level = bright.mean(axis=1)
    mean = bright[level > np.percentile(level, 80)].mean(axis=0)
    mean = mean / max(float(mean.mean()), 1e-6)
    return np.asarray(mean**0.4, dtype=np.float32)


def write_photo(path: str, image: NDArray[np.uint8], quality: int) -> int:
    """JPEG of at most some 300 kB; returns the quality it took."""
    while True:
        good, data = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        if not good:
            raise OSError(f"{path}: the picture could not be written as JPEG")
        if len(data) <= 300_000 or quality <= 60:
            break
        quality -= 3
    with open(path, "wb") as sink:
        sink.write(data.tobytes())
    return quality
