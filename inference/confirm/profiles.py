"""
The picture across a crest, magnified: why a reading says 0.93. Pure (arrays in, values out).

A profile is sampled square to the crest line with cubic weights, finer than a pixel, and averaged over a few
neighbouring profiles along the crest, so that noise fades and the bands stay. Zero is on the line, positive
towards the tongue: the same axis as `crestgauge.inference.confirm.corrections.BandEdges`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.confirm.geometry import Place
from crestgauge.inference.json_form import encode
from crestgauge.inference.reading import Reading

Pixels = NDArray[np.uint8]
_PX, _LEVEL = {"decimals": 3}, {"decimals": 1}
STEP_PX: Final = 0.25
"""Distance of samples along a profile. [px]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestProfile:
    """
    Brightness across one crest.

    Parameters
    ----------
    tooth, lobe, at
        Which crest, and the place along its line (0 front end, 1 back end).
    place : Place
        Zero of the profile and its direction in the photo.
    start_px, step_px : float
        Place of the first sample (negative: cheek side) and distance of samples. [px]
    grey : tuple of float
        Rec. 709 luma of the 8-bit picture, 0..255.
    rgb : tuple of (int, int, int)
        8-bit sRGB, same samples.
    averaged_over : int
        Profiles in the average, over ``length_px`` of the crest.
    edges_px : (float, float, float, float) or None
        The machine's median bands laid about the line (`crestgauge.inference.confirm.geometry.band_edges`);
        the bands at this very place may lie a little beside them. None where a band is missing.
    inside : bool
        False where part of the profile lies outside the photo (repeated border pixels).
    """

    tooth: int
    lobe: int
    at: float = field(metadata=_PX)
    place: Place
    start_px: float = field(metadata=_PX)
    step_px: float = field(metadata=_PX)
    grey: tuple[float, ...] = field(metadata=_LEVEL)
    rgb: tuple[tuple[int, int, int], ...]
    averaged_over: int
    length_px: float = field(metadata=_PX)
    edges_px: tuple[float, float, float, float] | None = field(metadata=_PX)
    inside: bool

    def to_dict(self) -> dict[str, Any]:
        """As plain JSON values."""
        return dict(encode(self, "$", None))


def crest_profile(
    reading: Reading, pixels: Pixels, tooth: int, lobe: int, *, at: float = 0.5
) -> CrestProfile | None:
    """
    The profile across one crest.

    Parameters
    ----------
    reading : Reading
        The machine's (its lines and widths place the profile).
    pixels : ndarray of uint8, shape (H, W, 3)
        The upright photo of that reading.
    at : float
        0.5 is the exact middle of the crest.

    Returns
    -------
    CrestProfile or None
        None where the crest has no line.

    Raises
    ------
    InputError
        If the picture has another size than the reading, or the reading has no such crest.
    """
    raise NotImplementedError


def crest_profiles(
    reading: Reading, pixels: Pixels, *, teeth: tuple[int, ...] = (4, 5, 6), at: float = 0.5
) -> Mapping[tuple[int, int], CrestProfile]:
    """Profiles of all crests with a line on some teeth, by (tooth, lobe); a pure function, worth caching."""
    raise NotImplementedError
