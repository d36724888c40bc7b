"""Which pictures are called the same: what saving again does to a hash, and what another picture does."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import pytest
from screen_help import painted_row

from crestgauge.inference.errors import InputError
from crestgauge.inference.screening.looks import BITS, NEAR_BITS, near_pairs, picture_hash


@lru_cache
def scene(seed, size=(450, 600)):
    """A random picture with structure at all scales (1/f), as photographs have."""
    rng = np.random.default_rng(seed)
    picture = np.zeros((*size, 3))
    for k in range(2, 9):
        layer = rng.normal(0, 2.0**-k * 400, (2**k, 2**k, 3)).astype(np.float32)
        picture += cv2.resize(layer, size[::-1], interpolation=cv2.INTER_CUBIC)
    return np.clip(128 + picture, 0, 255).astype(np.uint8)


def bits(a, b):
    found = near_pairs([picture_hash(a), picture_hash(b)], limit=BITS)
    return found[0][2]


def saved_again(picture, quality=60, scale=0.4):
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return cv2.imdecode(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR)


def test_saved_again_is_near_and_another_picture_is_far():
    """Threshold 56 of 256: messengers shrink and recompress (far less), another scene differs in 128 +- 8."""
    same = [bits(scene(k), saved_again(scene(k))) for k in range(4)]
    brighter = [bits(scene(k), cv2.convertScaleAbs(scene(k), alpha=1.1, beta=8)) for k in range(4)]
    other = [bits(scene(k), scene(k + 100)) for k in range(4)]
    assert max(same) <= NEAR_BITS / 4
    assert max(brighter) <= NEAR_BITS
    assert min(other) > NEAR_BITS + 30


def test_small_crop_is_near():
    """A strip of 1 % cut off each side, as gallery programs do."""
    whole = scene(3)
    assert bits(whole, whole[4:-4, 6:-6]) <= NEAR_BITS


def test_near_pairs():
    a = "00" * 32
    b = "03" + "00" * 31
    c = "ff" * 32
    assert near_pairs([a, None, b, c]) == [(0, 2, 2)]
    assert near_pairs([a]) == []
    assert near_pairs([c, a], limit=256) == [(0, 1, 256)]


def test_refuses_no_picture():
    with pytest.raises(InputError):
        picture_hash(np.zeros((4, 4), dtype=np.uint8))
    assert len(picture_hash(painted_row())) == BITS // 4
