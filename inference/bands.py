"""
Band edges to sub-pixel on profiles square to a crest, and the widths between them. Crop pixels throughout.

A profile is cut at the dentine's middle into an outer (tongue) and an inner side; both are read from the
middle outwards by the same code. On a side, P(dentine) and P(dentine or enamel) fall from 1 to 0 one after
the other. Where each passes 1/2 is the median place of that edge; the integral of the curve over a window of
equal reach to both sides of that place is its mean place. The integral is used: for soft labels that state
the share of each pixel it is exact at any sub-pixel position, it does not change under symmetric blur, and
it still holds for a line so thin that no pixel reaches 1/2. The window keeps out what a network says at low
level far from the edge. The second moment of the same curve is the spread of the edge: how far from its mean
place the edge may lie as far as the probabilities say, which is where a network shows that it is not sure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandOptions:
    """
    How profiles are read.

    Parameters
    ----------
    step_px : float
        Distance of samples along a profile. [crop px]
    reach_px : float
        Half length of a profile. [crop px]
    window_px : float
        Reach of the edge integral to both sides of the half-way point. [crop px]
    thin_px : float
        Below this much dentine in a profile there is no dentine line. [crop px]
    min_beyond_px : float
        Infundibulum must be at least this wide behind the inner band to count as beside it. [crop px]
    """

    step_px: float = 0.5
    reach_px: float = 80.0
    window_px: float = 4.0
    thin_px: float = 0.6
    min_beyond_px: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideEdges:
    """
    One side of P profiles, distances from the middle outwards; NaN where the edge was not found. [crop px]

    Parameters
    ----------
    dentine, enamel : ndarray, shape (P,)
        Where dentine ends and where the enamel band ends.
    dentine_spread, enamel_spread : ndarray, shape (P,)
        Standard deviation of that place, as the probabilities state it.
    """

    dentine: FloatArray
    enamel: FloatArray
    dentine_spread: FloatArray
    enamel_spread: FloatArray


def read_side(
    dentine: FloatArray, enamel: FloatArray, beyond: FloatArray | None, options: BandOptions
) -> SideEdges:
    """
    Edges on one side of the profiles, read from the middle of the dentine outwards.

    Parameters
    ----------
    dentine, enamel : ndarray, shape (P, M)
        Probabilities; sample 0 is the middle, samples ``step_px`` apart.
    beyond : ndarray, shape (P, M), or None
        Probability of what must lie behind the band (infundibulum) for its edge to count; None = anything.
    """
    step = options.step_px
    either = dentine + enamel
    m = dentine.shape[1]
    index = np.arange(m)
    at_dentine = _first_below(dentine, 0, step)
    start = np.nan_to_num(np.ceil(at_dentine / step), nan=0.0).astype(int)
    # Dentine that comes back (the cheek-side crest, the next fold) closes the search for the band's end.
    gap_started = index[None, :] > start[:, None] + 1
    again = np.where(gap_started & (dentine > 0.5), index[None, :], m).min(axis=1)
    at_enamel = _first_below(either, start, step)
    at_enamel = np.where(at_enamel < again * step, at_enamel, np.nan)
    # What lies behind the band ends where dentine or enamel comes back; the window stops half-way into it.
    behind = np.nan_to_num(np.ceil(at_enamel / step), nan=0.0).astype(int)
    back = np.where((index[None, :] > behind[:, None]) & (either > 0.5), index[None, :], m).min(axis=1) * step
    if beyond is not None:
        inside = (index[None, :] >= behind[:, None]) & (index[None, :] * step < back[:, None])
        width = np.sum(np.where(inside, beyond, 0.0), axis=1) * step
        at_enamel = np.where(width >= options.min_beyond_px, at_enamel, np.nan)
    half_gap = 0.5 * (back - at_enamel)
    window = options.window_px
    end_d = np.minimum(np.minimum(at_dentine + window, (m - 1) * step), again * step)
    edge_d, spread_d = _edge_moments(dentine, at_dentine - window, end_d, step)
    end_e = np.minimum(at_enamel + np.fmin(window, half_gap), (m - 1) * step)
    edge_e, spread_e = _edge_moments(either, 2 * at_enamel - end_e, end_e, step)
    return SideEdges(
        dentine=edge_d,
        enamel=np.maximum(edge_e, edge_d),
        dentine_spread=spread_d,
        enamel_spread=spread_e,
    )


def _first_below(curve: FloatArray, start: NDArray[np.int64] | int, step: float) -> FloatArray:
    """Where the curve first falls through 1/2 from sample ``start`` on; ``start`` itself if already below;
    NaN if never."""
    m = curve.shape[1]
    index = np.arange(m)
    begin = np.broadcast_to(np.asarray(start), (curve.shape[0],))
    below = (curve < 0.5) & (index[None, :] >= begin[:, None])
    first = np.where(below.any(axis=1), below.argmax(axis=1), -1)
    rows = np.arange(curve.shape[0])
    before = np.maximum(first - 1, 0)
    high, low = curve[rows, before], curve[rows, np.maximum(first, 0)]
    share = np.clip((high - 0.5) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    place = np.where((first > 0) & (high > 0.5), (before + share) * step, first * step)
    return np.where(first < 0, np.nan, place)


def _edge_moments(
    curve: FloatArray, low: FloatArray, high: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """
    Mean place and spread of the edge of a falling curve, between ``low`` (clipped at 0) and ``high``; NaN
    stays NaN.

    The curve is read as 1 minus a distribution function from ``low`` on, so that E[x - low] is its integral
    and E[(x - low)^2] twice the integral of (x - low) times it.
    """
    low = np.clip(low, 0.0, None)
    a, b = curve[:, :-1], curve[:, 1:]
    at = np.arange(curve.shape[1] - 1) * step
    parts = 0.5 * step * (a + b), 0.5 * step * at * (a + b) + step**2 * (a + 2.0 * b) / 6.0
    start = np.zeros((curve.shape[0], 1))
    sums = [np.concatenate([start, np.cumsum(part, axis=1)], axis=1) for part in parts]
    zeroth_low, first_low = _up_to(sums, curve, low, step)
    zeroth_high, first_high = _up_to(sums, curve, high, step)
    beyond = zeroth_high - zeroth_low
    square = 2.0 * (first_high - first_low - low * beyond) - beyond**2
    return low + beyond, np.sqrt(np.maximum(square, 0.0))


def _up_to(
    sums: list[FloatArray], curve: FloatArray, x: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """Integrals of the piecewise linear curve, and of x times it, from 0 to ``x``; ``sums`` holds them up to
    each sample."""
    position = np.nan_to_num(x) / step
    left = np.clip(position.astype(int), 0, curve.shape[1] - 2)
    t = position - left
    rows = np.arange(curve.shape[0])
    a, rise = curve[rows, left], curve[rows, left + 1] - curve[rows, left]
    zeroth = step * (a * t + 0.5 * rise * t**2)
    first = left * step * zeroth + step**2 * (0.5 * a * t**2 + rise * t**3 / 3.0)
    known = np.isfinite(x)
    return (
        np.where(known, sums[0][rows, left] + zeroth, np.nan),
        np.where(known, sums[1][rows, left] + first, np.nan),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfileBands:
    """
    Bands of P profiles. Offsets are along the profile, positive towards the tongue. [crop px]

    Parameters
    ----------
    edges : ndarray, shape (P, 4)
        Outer enamel edge, enamel|dentine, dentine|enamel, inner enamel edge; NaN where not found.
    spread : ndarray, shape (P, 4)
        Standard deviation of each edge's place, as the probabilities state it; NaN where not found.
    has_dentine : ndarray of bool, shape (P,)
        A dentine line was found.
    """

    edges: FloatArray
    spread: FloatArray
    has_dentine: NDArray[np.bool_]

    @property
    def dentine(self) -> FloatArray:
        """Dentine width, shape (P,). [crop px]"""
        return self.edges[:, 1] - self.edges[:, 2]

    @property
    def outer(self) -> FloatArray:
        """Outer enamel band, shape (P,). [crop px]"""
        return self.edges[:, 0] - self.edges[:, 1]

    @property
    def inner(self) -> FloatArray:
        """Inner enamel band, shape (P,). [crop px]"""
        return self.edges[:, 2] - self.edges[:, 3]


def read_profiles(
    dentine: FloatArray, enamel: FloatArray, beyond: FloatArray, options: BandOptions
) -> ProfileBands:
    """
    Bands of P profiles that run from the cheek side (first sample) to the tongue side, dentine in the middle.

    Parameters
    ----------
    dentine, enamel, beyond : ndarray, shape (P, 2 M + 1)
        Probabilities; ``beyond`` is that of the infundibulum.
    """
    n, length = dentine.shape
    middle = length // 2
    near = round(6.0 / options.step_px)
    window = dentine[:, middle - near : middle + near + 1]
    # A thin line may lie beside the fitted centre: start from the highest dentine within 6 px, nearest first.
    nearness = 1e-3 * np.abs(np.arange(-near, near + 1)) / near
    shift = np.where(dentine[:, middle] > 0.9, 0, (window - nearness).argmax(axis=1) - near)
    reach = middle - near
    columns = middle + shift[:, None] + np.arange(-reach, reach + 1)[None, :]
    rows = np.arange(n)[:, None]
    d, e, b = dentine[rows, columns], enamel[rows, columns], beyond[rows, columns]
    out = read_side(d[:, reach:], e[:, reach:], None, options)
    inn = read_side(d[:, reach::-1], e[:, reach::-1], b[:, reach::-1], options)
    offset = shift * options.step_px
    edges = np.stack(
        [offset + out.enamel, offset + out.dentine, offset - inn.dentine, offset - inn.enamel], axis=1
    )
    spread = np.stack([out.enamel_spread, out.dentine_spread, inn.dentine_spread, inn.enamel_spread], axis=1)
    local = d[:, reach - near : reach + near + 1].sum(axis=1) * options.step_px
    return ProfileBands(edges=edges, spread=spread, has_dentine=local >= options.thin_px)
