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

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.confirm.geometry import Edges, Place, band_edges, place
from crestgauge.inference.errors import InputError
from crestgauge.inference.json_form import encode
from crestgauge.inference.reading import CrestReading, Reading, ToothReading

Pixels = NDArray[np.uint8]
_PX, _LEVEL = {"decimals": 3}, {"decimals": 1}
LUMA: Final = np.array([0.2126, 0.7152, 0.0722])
"""Weights of ITU-R BT.709 for red, green, blue."""
NEIGHBOURS: Final = 9
"""Profiles in one average."""
AVERAGED_SHARE: Final = 0.10
"""They lie within this share of the crest: 45 to 55 % is what the definitions call the exact middle. [1]"""
AVERAGED_LEAST_PX: Final = 4.0
"""On a short crest they lie within this length, or nothing would be averaged. [px]"""
LEAST_REACH_PX: Final = 12.0
MOST_REACH_PX: Final = 600.0
"""Limits of the half length of a profile. [px]"""
MOST_SAMPLES: Final = 160
"""Samples on one side of the line at most. Long profiles get a longer step."""
MOST_MOVE_SHARE: Final = 0.5
LEAST_MOVE_PX: Final = 1.5
LEAST_GAIN: Final = 2.0
"""Bands are moved for at least this much more contrast, less is noise. [grey levels, 0..255]"""
STEP_PX: Final = 0.5
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
        The machine's median bands (`crestgauge.inference.confirm.geometry.band_edges`), moved as a whole to
        where they fit the brightness best, since a crest line is smoothed; their widths are what was measured
        over the middle half of the crest, so at this very place a band may be wider or narrower. None where a
        band is missing.
    moved_px : float
        How far they were moved off the line, towards the tongue positive. [px]
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
    moved_px: float = field(metadata=_PX)
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
    if pixels.shape != (reading.photo.height, reading.photo.width, 3):
        raise InputError(
            f"profile: picture of shape {pixels.shape}; needs the upright photo of the reading, "
            f"({reading.photo.height}, {reading.photo.width}, 3)."
        )
    for found in reading.teeth:
        for crest in found.crests:
            if (found.position, crest.lobe) == (tooth, lobe):
                return _profile(reading, pixels, found, crest, at)
    raise InputError(f"profile: tooth {tooth}, lobe {lobe}: no crest there in the reading.")


def crest_profiles(
    reading: Reading, pixels: Pixels, *, teeth: tuple[int, ...] = (4, 5, 6), at: float = 0.5
) -> Mapping[tuple[int, int], CrestProfile]:
    """Profiles of all crests with a line on some teeth, by (tooth, lobe); a pure function, worth caching."""
    found = {}
    for tooth in reading.teeth:
        for crest in tooth.crests if tooth.position in teeth else ():
            profile = crest_profile(reading, pixels, tooth.position, crest.lobe, at=at)
            if profile is not None:
                found[tooth.position, crest.lobe] = profile
    return found


def _profile(
    reading: Reading, pixels: Pixels, tooth: ToothReading, crest: CrestReading, at: float
) -> CrestProfile | None:
    middle = place(reading, tooth, crest, at)
    if middle is None:
        return None
    line = np.asarray(crest.line, dtype=np.float64)
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    span = min(max(AVERAGED_SHARE * length, AVERAGED_LEAST_PX), length)
    near = np.clip(at + np.linspace(-0.5, 0.5, NEIGHBOURS) * span / length, 0.0, 1.0)
    places = [place(reading, tooth, crest, float(share)) for share in near]
    reach = _reach(tooth, crest)
    step = max(STEP_PX, reach / MOST_SAMPLES)
    n = round(reach / step)
    offsets = np.arange(-n, n + 1) * step
    centres = np.array([p.centre for p in places if p is not None])
    normals = np.array([p.normal for p in places if p is not None])
    x = centres[:, :1] + offsets * normals[:, :1]
    y = centres[:, 1:] + offsets * normals[:, 1:]
    colour = _sampled(pixels, x, y).mean(axis=0)
    grey = colour @ LUMA
    edges = band_edges(crest)
    moved = 0.0 if edges is None else _best_move(grey, float(offsets[0]), float(step), edges)
    height, width = pixels.shape[:2]
    inside = (x.min() >= 0) and (y.min() >= 0) and (x.max() <= width - 1) and (y.max() <= height - 1)
    return CrestProfile(
        tooth=tooth.position,
        lobe=crest.lobe,
        at=at,
        place=middle,
        start_px=float(offsets[0]),
        step_px=float(step),
        grey=tuple(float(v) for v in grey),
        rgb=tuple((int(r), int(g), int(b)) for r, g, b in np.rint(colour)),
        averaged_over=len(centres),
        length_px=span,
        edges_px=None if edges is None else _moved(edges, moved),
        moved_px=moved,
        inside=bool(inside),
    )


def _moved(edges: Edges, by: float) -> Edges:
    a, b, c, d = edges
    return a + by, b + by, c + by, d + by


def _best_move(grey: NDArray[np.float64], start: float, step: float, edges: Edges) -> float:
    """
    How far the bands have to be moved so that the picture is brightest in the enamel and darkest in the
    dentine.

    At most half an enamel band and a third of the dentine, so that they cannot jump to the next fold; 0 where
    the picture does not tell.
    """
    a, b, c, d = edges
    most = min(MOST_MOVE_SHARE * min(a - b, c - d), max((b - c) / 3, LEAST_MOVE_PX))
    if b - c < 1.0 or most < step:
        return 0.0
    moves = np.arange(-most, most + step / 2, step / 2)
    at = start + step * np.arange(grey.size)
    area = np.concatenate([[0.0], np.cumsum(0.5 * (grey[1:] + grey[:-1])) * step])

    def mean(low: float, high: float) -> NDArray[np.float64]:
        """Mean brightness between two places, for every move."""
        return np.asarray(
            (np.interp(moves + high, at, area) - np.interp(moves + low, at, area)) / (high - low)
        )

    contrast = mean(b, a) + mean(d, c) - 2 * mean(c, b)
    best = float(moves[int(np.argmax(contrast - 1e-6 * np.abs(moves)))])
    still = float(np.interp(0.0, moves, contrast))
    return best if contrast.max() - still > LEAST_GAIN else 0.0


def _reach(tooth: ToothReading, crest: CrestReading) -> float:
    """Half length of a profile: all bands with as much again outside them. [px]"""
    edges = band_edges(crest)
    if edges is not None:
        reach = 1.8 * max(edges[0], -edges[3])
    elif tooth.box is not None:
        reach = 0.35 * min(tooth.box[2] - tooth.box[0], tooth.box[3] - tooth.box[1])
    else:
        reach = LEAST_REACH_PX
    return float(np.clip(reach, LEAST_REACH_PX, MOST_REACH_PX))


def _sampled(pixels: Pixels, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """
    Cubic samples, shape (*x.shape, 3), 0..255; only the part of the picture round the places is touched.
    """
    height, width = pixels.shape[:2]
    x0, x1 = (int(np.clip(v, 0, width - 1)) for v in (x.min() - 3, x.max() + 4))
    y0, y1 = (int(np.clip(v, 0, height - 1)) for v in (y.min() - 3, y.max() + 4))
    part = pixels[y0 : y1 + 1, x0 : x1 + 1].astype(np.float32)
    found = cv2.remap(
        part,
        (x - x0).astype(np.float32),
        (y - y0).astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.clip(np.asarray(found, dtype=np.float64), 0.0, 255.0)
