"""
What a picture looks like, as 256 bits: to find the same picture saved again. Pure.

A hash of low frequencies: the picture in grey at 64 x 64, its cosine transform, the signs of the 16 x 16
slowest waves against their median (the "pHash" idea: Zauner 2010, "Implementation and benchmarking of
perceptual image hash functions", section 3.2.1). Re-saving, shrinking and small changes of light turn few
bits.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError

BITS: Final = 256
_SIDE, _WAVES = 64, 16
NEAR_BITS: Final = 56
"""
Pictures that differ in at most so many of the 256 bits are called near-duplicates. Two different pictures
differ in 128 +- 8 (independent bits). On twelve drawn photos: the whole picture saved again at half size and
JPEG 60 differed in 0 to 4 bits; cut by 3 to 9 % on every side, the levelled row still differed in 14 to 52
for ten of them (68 and 82 for two); other photos differed in 104 or more, rows as well as whole pictures.
"""


def picture_hash(pixels: NDArray[np.uint8]) -> str:
    """
    Hash of one picture.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    InputError
        If it is no RGB picture.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or 0 in pixels.shape:
        raise InputError(f"picture of shape {pixels.shape}; needs (H, W, 3).")
    step = max(1, min(pixels.shape[:2]) // 512)  # every second or third pixel is plenty for 64 x 64
    grey = cv2.cvtColor(np.ascontiguousarray(pixels[::step, ::step]), cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA).astype(np.float32)
    waves = np.asarray(cv2.dct(small))[:_WAVES, :_WAVES].ravel()
    bits = waves > np.median(waves[1:])
    return np.packbits(bits).tobytes().hex()


def near_pairs(hashes: list[str | None], *, limit: int = NEAR_BITS) -> list[tuple[int, int, int]]:
    """
    Every pair of hashes that differ in at most ``limit`` bits.

    Parameters
    ----------
    hashes : list of str or None
        None takes no part. All pairs are compared: 10,000 take about a second, 100,000 minutes.
    limit : int

    Returns
    -------
    list of (int, int, int)
        Positions in the list, first < second, and the number of bits.
    """
    known = [k for k, value in enumerate(hashes) if value]
    if len(known) < 2:
        return []
    words = np.array([np.frombuffer(bytes.fromhex(hashes[k] or ""), dtype=np.uint64) for k in known])
    pairs: list[tuple[int, int, int]] = []
    for first in range(len(known) - 1):
        differing = _ones(words[first + 1 :] ^ words[first])
        for offset in np.flatnonzero(differing <= limit):
            second = first + 1 + int(offset)
            pairs.append((known[first], known[second], int(differing[offset])))
    return pairs


_BYTE_ONES = np.array([bin(k).count("1") for k in range(256)], dtype=np.uint16)


def _ones(words: NDArray[np.uint64]) -> NDArray[np.int64]:
    """Set bits of each row."""
    if hasattr(np, "bitwise_count"):  # numpy >= 2
        return np.asarray(np.bitwise_count(words).sum(axis=1, dtype=np.int64))
    return np.asarray(_BYTE_ONES[words.view(np.uint8)].sum(axis=1, dtype=np.int64))
