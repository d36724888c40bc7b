"""
Photos as the page shows them: upright, at a few fixed widths, without any metadata; kept in memory within a
bound.

Edge module: reads photos. Whatever many browsers ask for at once, one photo is decoded at a time: two of 108
megapixels would take a small laptop's memory.
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from typing import Any, Final, Generic, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.cli.review.drawing import PICTURE_WIDTHS
from crestgauge.cli.review.pictures import crest_picture, level_picture
from crestgauge.inference.confirm.geometry import level_view
from crestgauge.inference.confirm.photo_files import PhotoStore
from crestgauge.inference.confirm.profiles import CrestProfile, crest_profiles
from crestgauge.inference.errors import PhotoError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import decode_photo
from crestgauge.inference.reading import Reading

Pixels = NDArray[np.uint8]
Profiles = Mapping[tuple[int, int], CrestProfile]
_V = TypeVar("_V")

PIXEL_BYTES: Final = 192 * 2**20
"""Decoded photos kept: five of 12 megapixels, or one that is larger than all of it. [byte]"""
JPEG_BYTES: Final = 96 * 2**20
"""Finished pictures kept. [byte]"""
MOST_PROFILES: Final = 200
"""Readings whose profiles are kept: some 100 kB each."""
FIRST_WIDTH: Final = 1600
"""Width of the picture that a page shows first. [px]"""
QUALITY: Final = 85
THUMB_SIZE: Final = (480, 140)
CREST_SIZE: Final = (640, 200)
"""Width and height that the templates give these pictures. [px]"""


class Kept(Generic[_V]):
    """Values by key, the least recently used dropped once they weigh more than a bound. Thread-safe."""

    def __init__(self, bound: int, weight: Callable[[_V], int]) -> None:
        self._bound, self._weight = bound, weight
        self._lock = threading.Lock()
        self._values: OrderedDict[object, _V] = OrderedDict()
        self.weight = 0

    def get(self, key: object) -> _V | None:
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
            return self._values.get(key)

    def put(self, key: object, value: _V) -> None:
        with self._lock:
            old = self._values.pop(key, None)
            self.weight += self._weight(value) - (0 if old is None else self._weight(old))
            self._values[key] = value
            while self.weight > self._bound and len(self._values) > 1:
                _, dropped = self._values.popitem(last=False)
                self.weight -= self._weight(dropped)


class Photos:
    """
    Pictures of the photos of one ledger. Safe to share between threads.

    Parameters
    ----------
    ledger : Ledger
    store : PhotoStore
    """

    def __init__(self, ledger: Ledger, store: PhotoStore) -> None:
        self.ledger, self.store = ledger, store
        self._decode = threading.Lock()
        self._pixels: Kept[Pixels] = Kept(PIXEL_BYTES, lambda pixels: pixels.nbytes)
        self._jpegs: Kept[bytes] = Kept(JPEG_BYTES, len)
        self._profiles: Kept[Profiles] = Kept(MOST_PROFILES, lambda _: 1)

    def pixels(self, sha256: str) -> Pixels:
        """
        The upright photo, shape (H, W, 3).

        Raises
        ------
        PhotoError
            If its file is gone or changed.
        """
        found = self._pixels.get(sha256)
        if found is None:
            with self._decode:
                found = self._pixels.get(sha256)  # another thread may have been at it meanwhile
                if found is None:
                    data = self.store.get(self.ledger, sha256)
                    found = decode_photo(data, name=f"photo {sha256[:12]}").pixels
                    self._pixels.put(sha256, found)
        return found

    def image(self, sha256: str, width: int) -> bytes:
        """The whole photo at one of its widths (`picture_width`), as JPEG."""
        return self._jpeg(("image", sha256, width), lambda: _fitted(self.pixels(sha256), width))

    def thumb(self, sha256: str, reading_id: int, reading: str) -> bytes:
        """The tooth row turned level, as JPEG; ``reading`` is its JSON text."""
        return self._jpeg(
            ("thumb", sha256, reading_id),
            lambda: level_picture(self.pixels(sha256), level_view(Reading.from_json(reading)), THUMB_SIZE),
        )

    def crest(self, sha256: str, reading_id: int, profile: CrestProfile) -> bytes:
        """One crest magnified, as JPEG."""
        return self._jpeg(
            ("crest", sha256, reading_id, profile.tooth, profile.lobe),
            lambda: crest_picture(self.pixels(sha256), profile, CREST_SIZE),
        )

    def profiles(self, sha256: str, reading_id: int, reading: str) -> Profiles:
        """Profiles across the crests of a reading (its JSON text); none where the photo's file is gone."""
        found = self._profiles.get(reading_id)
        if found is None:
            try:
                found = crest_profiles(Reading.from_json(reading), self.pixels(sha256))
            except PhotoError:
                return {}
            self._profiles.put(reading_id, found)
        return found

    def _jpeg(self, key: object, make: Callable[[], Pixels]) -> bytes:
        found = self._jpegs.get(key)
        if found is None:
            found = encoded(make())
            self._jpegs.put(key, found)
        return found


def width_of(row: Mapping[str, Any]) -> int:
    """Width of the upright photo of a reading's row, without taking the whole reading apart. [px]"""
    return int(json.loads(row["reading"])["photo"]["width"])


def picture_width(asked: int, width: int) -> int:
    """The narrowest width on offer that is at least as wide as asked for, else the photo's own. [px]"""
    return next((w for w in PICTURE_WIDTHS if asked <= w < width), width)


def _fitted(pixels: Pixels, width: int) -> Pixels:
    height = max(1, round(pixels.shape[0] * width / pixels.shape[1]))
    if width == pixels.shape[1]:
        return pixels
    while pixels.shape[1] >= 2 * width:  # halves by whole pixels cost a tenth of one step of 2.5
        half = (pixels.shape[1] // 2, pixels.shape[0] // 2)
        pixels = np.asarray(cv2.resize(pixels, half, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return np.asarray(cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def encoded(pixels: Pixels) -> bytes:
    """An RGB picture as JPEG; nothing but the picture is in it."""
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), (cv2.IMWRITE_JPEG_QUALITY, QUALITY)
    )
    if not done:
        raise PhotoError("photo: cannot be drawn.")
    return bytes(data)
