"""
True band widths of a worn crown, read from the solids by the project's declared definitions, never from
pixels.

The crest strip of a lobe is the tongue-side dentine within the lobe's span (halfway to the neighbours'
middles).
Stations lie along the middle half of its length; at each a profile square to the strip's centre line is
followed
over the cutting surface, and the edges are the zeros of the two fields.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from crestgauge.inference.evidence import UNWORN_INFUNDIBULUM_SHARE
from crestgauge.model.labels import Material
from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.crowns import Crown, Lobe, in_basin
from crestgauge.synthetic_data.traced.surfaces import Top

STATIONS = 41
PROFILE_STEP_MM = 0.01
SHORTEST_STRIP_MM = 0.4
"""A dentine speck shorter than this along the row is no line yet."""

WIDEST_STRIP_MM = 3.2
"""Wider dentine has joined the cheek side's; the strip's own middle cannot be seen in that column."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrestTruth:
    """
    One tongue-side crest in the tooth's frame.

    Parameters
    ----------
    lobe : int
    edges : ndarray, shape (N, 4, 3)
        Points of the four edges at each station, from the outer rim of the outer band to the inner rim of
        the inner
        band; NaN where there is none. [mm]
    line : ndarray, shape (M, 3)
        Centre line of the dentine strip over its whole length; empty without dentine. [mm]
    infundibulum_gone : bool
        No infundibulum beside the crest on more than half of the stations.
    """

    lobe: int
    edges: Array
    line: Array
    infundibulum_gone: bool

    def widths(self) -> tuple[Array, Array, Array]:
        """Dentine, outer and inner enamel width at each station, shape (N,). [mm]"""
        step = np.linalg.norm(np.diff(self.edges, axis=1), axis=2)
        return step[:, 1], step[:, 0], step[:, 2]


def lobe_spans(lobes: tuple[Lobe, ...]) -> list[tuple[float, float]]:
    """Span of each lobe along the tooth: from halfway to the middle of the lobe before to halfway to the
    next. [mm]"""
    middles = [(lobe.x0 + lobe.x1) / 2.0 for lobe in lobes]
    borders = [
        lobes[0].x0 - 1.0,
        *((a + b) / 2.0 for a, b in pairwise(middles)),
        lobes[-1].x1 + 1.0,
    ]
    return list(pairwise(borders))


def strip_line(top: Top, span: tuple[float, float], crest: Array) -> Array:
    """
    Centre line of the tongue-side dentine strip inside a span, one point a grid column.

    Parameters
    ----------
    top : Top
    span : tuple of 2 floats
        Along the tooth. [mm]
    crest : ndarray, shape (N, 2)
        Unworn crest line that the strip grew from. [mm]

    Returns
    -------
    ndarray, shape (M, 2)
        Plan points, front to back; empty without a strip. [mm]
    """
    dentine = top.material == Material.DENTINE
    columns = np.flatnonzero((top.x >= span[0]) & (top.x <= span[1]))
    points, bounded = [], []
    for column in columns:
        rows = np.flatnonzero(dentine[:, column])
        if not len(rows):
            continue
        first = rows[-1]  # highest y: tongue side
        below = np.flatnonzero(~dentine[:first, column])
        last = below[-1] + 1 if len(below) else 0
        if top.y[first] < np.interp(top.x[column], crest[:, 0], crest[:, 1]) - 0.3:
            continue  # dentine of the cheek side only
        if (top.x[1] - top.x[0]) * (first - last) > WIDEST_STRIP_MM:
            points.append((top.x[column], np.nan))
            bounded.append(False)
            continue
        points.append((top.x[column], (top.y[first] + top.y[last]) / 2.0))
        bounded.append(True)
    if not points:
        return np.zeros((0, 2))
    line = np.array(points)
    good = np.array(bounded)
    if good.sum() < 8:
        return np.zeros((0, 2))
    # Columns where the strip runs into the cheek-side dentine count for its length; their middle is carried
    # on.
    line[:, 1] = np.interp(line[:, 0], line[good, 0], line[good, 1])
    return line


def smooth_course(line: Array) -> Array:
    """Fourth-degree course through the line's points, resampled evenly to 101 points, shape (101, 2). [mm]"""
    middle, half = (line[0, 0] + line[-1, 0]) / 2.0, max((line[-1, 0] - line[0, 0]) / 2.0, 1e-6)
    u = (line[:, 0] - middle) / half
    fit = np.polynomial.Polynomial.fit(u, line[:, 1], min(4, max(1, len(line) // 6)))
    fine = np.linspace(-1.0, 1.0, 801)
    course = np.column_stack([fine * half + middle, fit(fine)])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(course, axis=0).T))])
    at = np.linspace(0.0, along[-1], 101)
    return np.column_stack([np.interp(at, along, course[:, k]) for k in (0, 1)])


def first_zero(s: Array, values: Array, start: int, step: int) -> tuple[float, int]:
    """Walk from ``start`` until ``values`` stops being negative; the interpolated place and index, NaN and
    -1 if never."""
    k = start
    while 0 <= k + step < len(values):
        if values[k + step] >= 0.0:
            share = values[k] / (values[k] - values[k + step])
            return float(s[k] + share * (s[k + step] - s[k])), k + step
        k += step
    return np.nan, -1


def station_edges(s: Array, outer: Array, core: Array) -> Array:
    """
    Places of the four band edges along one profile.

    Parameters
    ----------
    s : ndarray, shape (K,)
        Distance along the profile, 0 on the centre line, positive towards the tongue. [mm]
    outer, core : ndarray, shape (K,)
        The fields on the cutting surface: both negative = dentine, only outer negative = cut enamel. [mm]

    Returns
    -------
    ndarray, shape (4,)
        Outer rim, dentine towards it, dentine away from it, inner rim. NaN where the band is missing. [mm]
    """
    edges = np.full(4, np.nan)
    dentine = np.flatnonzero((core < 0.0) & (outer < 0.0) & (np.abs(s) < 0.5))
    if not len(dentine):
        return edges
    start = int(dentine[np.argmin(np.abs(s[dentine]))])
    for slot, step in ((1, 1), (2, -1)):
        edges[slot], at = first_zero(s, core, start, step)
        if at < 0:
            continue
        rim, stop = first_zero(s, outer, at, step)
        span = core[min(at, stop) : max(at, stop) + 1] if stop >= 0 else core[:0]
        # Dentine again before the rim: two enamel layers grown together, no infundibulum beside the crest
        # here.
        if stop >= 0 and not (span < -1e-9).any():
            edges[0 if step > 0 else 3] = rim
    return edges


def measure_crest(crown: Crown, top: Top, index: int) -> CrestTruth:
    """Crest of lobe ``crown.lobes[index]``."""
    lobe = crown.lobes[index]
    crest = next(blade.line for blade in crown.blades if blade.lobe == lobe.number and blade.lingual)
    line = strip_line(top, lobe_spans(crown.lobes)[index], crest)
    if len(line) < 2 or line[-1, 0] - line[0, 0] < SHORTEST_STRIP_MM:
        return CrestTruth(
            lobe=lobe.number, edges=np.zeros((0, 4, 3)), line=np.zeros((0, 3)), infundibulum_gone=False
        )
    course = smooth_course(line)
    tangent = np.gradient(course, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    share = np.linspace(0.25, 0.75, STATIONS) * 100.0
    at = np.column_stack([np.interp(share, np.arange(101), course[:, k]) for k in (0, 1)])
    across = np.column_stack([np.interp(share, np.arange(101), normal[:, k]) for k in (0, 1)])
    s = np.arange(-5.0, 3.0, PROFILE_STEP_MM)
    points = at[:, None, :] + s[None, :, None] * across[:, None, :]
    _, outer, core = crown.cut(points)
    edges = np.full((STATIONS, 4, 3), np.nan)
    for k in range(STATIONS):
        place = station_edges(s, outer[k], core[k])
        plan = at[k] + place[:, None] * across[k]
        if np.isfinite(place[3]) and not in_basin(lobe, plan[3:])[0]:
            # Dentine that runs on to the cheek-side rim of the crown: the funnel is gone here.
            plan[2:] = np.nan
        edges[k] = np.column_stack([plan, crown.wear.height(plan)])
    gone = bool(np.isnan(edges[:, 3, 0]).mean() > 0.5)
    line3 = np.column_stack([course, crown.wear.height(course)])
    return CrestTruth(lobe=lobe.number, edges=edges, line=line3, infundibulum_gone=gone)


def infundibulum_left(crown: Crown, top: Top) -> float | None:
    """Open length over lobes 1 and 2 as in `crestgauge.inference.evidence.ToothEvidence`; None without
    funnels."""
    main = [lobe for lobe in crown.lobes if lobe.main and len(lobe.basin)]
    if not main:
        return None
    step = float(top.x[1] - top.x[0])
    open_columns = (top.material == Material.INFUNDIBULUM).any(axis=0)
    length = sum(float(open_columns[(top.x >= lobe.x0) & (top.x < lobe.x1)].sum()) * step for lobe in main)
    share = length / sum(lobe.x1 - lobe.x0 for lobe in main)
    return min(1.0, share / UNWORN_INFUNDIBULUM_SHARE)


def dentine_share(top: Top) -> float:
    """Dentine area over crown area, seen from above."""
    crown = int((top.material != Material.BACKGROUND).sum())
    return float((top.material == Material.DENTINE).sum()) / max(crown, 1)
