"""
One photo read again under small changes of the picture, and what its pixels look like. Edge module: reads.

Nothing of the jaw changes when a picture is turned by three degrees or made a little darker; where the
reading changes, the tool is guessing. What a picture looks like is told by `crestgauge.inference.looks`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.looks import look_of
from crestgauge.inference.photo import Photo
from crestgauge.inference.pipeline import Reader, Result
from crestgauge.inference.reading import Reading

Pixels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """
    A small change of a picture that changes nothing of the jaw.

    Parameters
    ----------
    words : str
        What it is, for people.
    turn_deg : float
        Positive turns clockwise on the screen. [deg]
    scale : float
    brightness : float
        Factor of the sRGB values.
    blur : float
        Sigma as a share of the photo's long side, in thousandths. [1e-3]
    """

    words: str
    turn_deg: float = 0.0
    scale: float = 1.0
    brightness: float = 1.0
    blur: float = 0.0


CHANGES: Final = (
    Change(words="turned by 3 degrees, a tenth smaller", turn_deg=3.0, scale=0.9),
    Change(words="a fifth darker, a little blurred", brightness=0.8, blur=0.35),
    Change(words="turned by -4 degrees, a tenth brighter", turn_deg=-4.0, brightness=1.1),
)
"""In the order in which they are used; all are well inside what training varies. Ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reread:
    """
    A photo's reading, its readings under changes, and what it looks like.

    Parameters
    ----------
    reading : Reading
    again : tuple of Reading
        One for each change.
    look : mapping of str to float
        `look_of`; empty where no row was found.
    specimen_id : str or None
        From a printed card in the picture.
    """

    reading: Reading
    again: tuple[Reading, ...]
    look: Mapping[str, float]
    specimen_id: str | None


def reread(reader: Reader, photo: Photo, *, times: int) -> Reread:
    """
    Read a photo, and ``times`` more under the first `CHANGES`.

    Raises
    ------
    ValueError
        If there are fewer changes than that.
    """
    if not 0 <= times <= len(CHANGES):
        raise ValueError(f"times {times}; needs 0 to {len(CHANGES)}")
    result = reader.read(photo, keep_maps=True)
    look = look_in(result)
    reading, card = result.reading, result.card
    del result  # its maps are 60 MB
    again = tuple(reader.read(changed(photo, change)).reading for change in CHANGES[:times])
    return Reread(
        reading=reading, again=again, look=look, specimen_id=None if card is None else card.specimen_id
    )


def changed(photo: Photo, change: Change) -> Photo:
    """The photo under one change; what a turn brings in from outside is the nearest pixel of the border."""
    pixels = photo.pixels
    if change.turn_deg or change.scale != 1:
        width, height = round(photo.width * change.scale), round(photo.height * change.scale)
        matrix = cv2.getRotationMatrix2D(
            ((photo.width - 1) / 2, (photo.height - 1) / 2), -change.turn_deg, change.scale
        )
        matrix[:, 2] += np.array([(width - photo.width) / 2, (height - photo.height) / 2])
        # Area weights for the shrinking would need a second pass; a tenth hardly aliases with linear ones.
        pixels = np.asarray(
            cv2.warpAffine(
                pixels, matrix, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            ),
            dtype=np.uint8,
        )
    if change.blur:
        sigma = change.blur * 1e-3 * max(photo.width, photo.height)
        pixels = np.asarray(cv2.GaussianBlur(pixels, (0, 0), sigma), dtype=np.uint8)
    if change.brightness != 1:
        table = np.clip(np.rint(np.arange(256) * change.brightness), 0, 255).astype(np.uint8)
        pixels = np.asarray(cv2.LUT(pixels, table), dtype=np.uint8)
    return replace(photo, pixels=pixels)


def look_in(result: Result) -> dict[str, float]:
    """`look_of` for a photo read with ``keep_maps``; empty where no row was found."""
    if result.maps is None or result.crop is None or result.frame is None:
        return {}
    return look_of(result.maps, result.crop, result.frame.scale)
