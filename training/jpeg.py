"""
What JPEG does to a picture, in tensor operations: colour turn, halved chroma, 8 x 8 cosine blocks, rounding.

Follows the baseline process and the example tables K.1 and K.2 of ITU-T Recommendation T.81 (1992), with the
colour turn of JFIF 1.02 and the usual scaling of the tables by quality (common practice, from the Independent
JPEG Group's code). The entropy coding loses nothing, so it is left out.
"""

from __future__ import annotations

import math
from functools import cache

import torch
from torch import Tensor
from torch.nn import functional

from crestgauge.synthetic_data.phone import CHROMA_TABLE, LUMA_TABLE

TO_YCC = ((0.299, 0.587, 0.114), (-0.168736, -0.331264, 0.5), (0.5, -0.418688, -0.081312))


def jpeg_like(image: Tensor, quality: Tensor) -> Tensor:
    """
    ``image`` after one compression.

    Parameters
    ----------
    image : Tensor, shape (N, 3, H, W)
        sRGB in 0..1; H and W multiples of 16.
    quality : Tensor, shape (N,)
        1..100, as in most programs.

    Returns
    -------
    Tensor, shape (N, 3, H, W)
        In 0..1, not rounded to 8 bits.
    """
    turn = torch.tensor(TO_YCC, device=image.device)
    colour = torch.einsum("ij,njhw->nihw", turn, image) * 255
    luma = through_blocks(colour[:, :1] - 128, scaled_table(LUMA_TABLE, quality)) + 128
    chroma = through_blocks(functional.avg_pool2d(colour[:, 1:], 2), scaled_table(CHROMA_TABLE, quality))
    chroma = functional.interpolate(chroma, scale_factor=2.0, mode="bilinear", align_corners=False)
    back = torch.cat([luma, chroma], dim=1)
    return (torch.einsum("ij,njhw->nihw", torch.linalg.inv(turn), back) / 255).clamp(0, 1)


def scaled_table(table: tuple[tuple[int, ...], ...], quality: Tensor) -> Tensor:
    """Steps of ``table`` at each quality, shape (N, 8, 8): whole numbers in 1..255."""
    quality = quality.clamp(1, 100)
    percent = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)
    base = torch.tensor(table, device=quality.device, dtype=torch.float32)
    return ((base * percent[:, None, None] + 50) / 100).floor().clamp(1, 255)


def through_blocks(plane: Tensor, steps: Tensor) -> Tensor:
    """``plane`` (N, C, H, W) with each 8 x 8 block rounded in the cosine domain to ``steps`` (N, 8, 8)."""
    count, planes, height, width = plane.shape
    cosine = _cosine_matrix().to(plane.device)
    blocks = plane.reshape(count, planes, height // 8, 8, width // 8, 8).transpose(3, 4)
    wave = cosine @ blocks @ cosine.T
    step = steps[:, None, None, None]
    wave = (wave / step).round() * step
    blocks = cosine.T @ wave @ cosine
    return blocks.transpose(3, 4).reshape(plane.shape)


@cache
def _cosine_matrix() -> Tensor:
    """Orthonormal 8-point cosine transform (type II), rows = frequencies."""
    n = torch.arange(8, dtype=torch.float64)
    matrix = torch.cos(math.pi * (2 * n[None, :] + 1) * n[:, None] / 16) * 0.5
    matrix[0] /= math.sqrt(2)
    return matrix.float()
