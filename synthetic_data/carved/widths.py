"""
True widths of a crest, from the crown's own fields; pixels play no part.

Declared definition: median over the middle half of the tongue-side crest's dentine strip, square to its
centre line, cut enamel only, ratio = dentine / mean of the two bands, station by station.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crestgauge.inference.evidence import UNWORN_INFUNDIBULUM_SHARE
from crestgauge.model.labels import Material
from crestgauge.synthetic_data.carved.crowns import Crown, Lobe
from crestgauge.synthetic_data.carved.outlines import Array

STATIONS = 41
COLUMN_MM, PROFILE_MM = 0.1, 0.02
"""Steps of the search for the strip and along a profile; edges are then interpolated between two samples."""
SHORTEST_STRIP_MM = 0.6
"""A shorter run of dentine is no line yet: ratio 0."""
LEAST_DENTINE_MM = 0.04
"""Dentine narrower than this in a column does not belong to the strip."""


@dataclass(frozen=True, slots=True, eq=False)
class CrestTruth:
    """
    Parameters
    ----------
    lobe : int
    edges : ndarray, shape (STATIONS, 4, 3)
        Outer enamel edge, dentine's two edges, inner enamel edge, on the worn face, tooth frame. [mm]
        NaN where there is none. Shape (0, 4, 3) without a dentine line.
    line : ndarray, shape (M, 3)
        Centre line of the whole strip. [mm]
    gone : bool
        No infundibulum beside most stations.
    """

    lobe: int
    edges: Array
    line: Array
    gone: bool

    def widths(self) -> tuple[Array, Array, Array]:
        """Dentine, outer and inner enamel at each station. [mm]"""
        bands = np.linalg.norm(np.diff(self.edges, axis=1), axis=2)
        return bands[:, 1], bands[:, 0], bands[:, 2]


def crossings(s: Array, tooth: Array, core: Array, start: int) -> Array:
    """
    Edges of the bands around sample ``start``, which lies in dentine.

    Parameters
    ----------
    s : ndarray, shape (N,)
        Places along the profile, tongue side first. [mm]
    tooth, core : ndarray, shape (N,)
        Positive inside the worn face and inside its dentine.

    Returns
    -------
    ndarray, shape (4,)
        Outer edge, dentine from, dentine to, inner edge; NaN where the profile ends before.
    """
    found = np.full(4, np.nan)
    for first, step in (1, -1), (2, 1):
        at = start
        for place, field in (first, core), (first + step, tooth):
            while 0 <= at + step < len(s) and field[at + step] > 0.0:
                at += step
            if not 0 <= at + step < len(s):
                break
            a, b = field[at], field[at + step]
            found[place] = s[at] + (s[at + step] - s[at]) * a / (a - b)
    return found


def strip(crown: Crown, lobe: Lobe) -> tuple[Array, float]:
    """Middle of the tongue-side dentine column by column along the lobe, shape (N, 2), the longest run of
    columns; and the share of its columns with an infundibulum."""
    x = np.arange(lobe.x0, lobe.x1, COLUMN_MM)
    top = float(lobe.outline.curve[:, 1].max()) + 2.5
    y = np.arange(top, crown.middle_y - 3.5, -2 * PROFILE_MM)
    cut, _, _ = crown.section(np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1))
    middles: list[tuple[float, float, bool]] = []
    runs: list[list[tuple[float, float, bool]]] = []
    for k in range(len(x)):
        dentine = np.flatnonzero(cut.core[k] > 0.0)
        good = False
        if len(dentine):
            place = crossings(y, cut.tooth[k], cut.core[k], int(dentine[0]))
            inner_is_hollow = bool(
                np.isfinite(place[3]) and cut.hollow[k, np.argmin(np.abs(y - place[3] + 0.05))] < 0.0
            )
            wide = place[1] - place[2]
            if np.isfinite(wide) and wide > LEAST_DENTINE_MM and place[1] > crown.middle_y:
                # Where the infundibulum is gone the dentine runs on; the crest's share of it ends where the
                # lobe's tongue side does.
                low = place[2] if inner_is_hollow else max(place[2], crown.middle_y)
                middles.append((float(x[k]), float((place[1] + low) / 2.0), inner_is_hollow))
                good = True
        if not good and middles:
            runs.append(middles)
            middles = []
    if middles:
        runs.append(middles)
    if not runs:
        return np.zeros((0, 2)), 0.0
    longest = max(runs, key=len)
    if any(open_ for _, _, open_ in longest):
        # The strip beside an infundibulum: columns past its horns, where dentine runs to the cheek side,
        # count up to where the horns end.
        at = [k for k, (_, _, open_) in enumerate(longest) if open_]
        share = len(at) / len(longest)
        if share > 0.35:
            longest = longest[at[0] : at[-1] + 1]
            longest = [p for p in longest if p[2]]
            share = 1.0
        return np.array([p[:2] for p in longest]), share
    return np.array([p[:2] for p in longest]), 0.0


def measure_crest(crown: Crown, lobe: Lobe) -> CrestTruth:
    """True edges of the tongue-side crest of ``lobe``."""
    line, share = strip(crown, lobe)
    none = CrestTruth(lobe.number, np.zeros((0, 4, 3)), np.zeros((0, 3)), False)
    if len(line) < 6 or line[-1, 0] - line[0, 0] < SHORTEST_STRIP_MM:
        return none
    smooth = np.polynomial.Polynomial.fit(line[:, 0], line[:, 1], 4)
    x = np.linspace(line[0, 0], line[-1, 0], 401)
    course = np.column_stack([x, smooth(x)])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(course, axis=0).T))])
    at = np.linspace(0.25, 0.75, STATIONS) * length[-1]
    px = np.interp(at, length, x)
    slope = smooth.deriv()(px)
    normal = np.column_stack([slope, -np.ones_like(slope)]) / np.hypot(1.0, slope)[:, None]
    s = np.arange(-3.0, 5.0, PROFILE_MM)
    start = int(np.argmin(np.abs(s)))
    base = np.column_stack([px, smooth(px)])
    cut, _, _ = crown.section(base[:, None, :] + s[None, :, None] * normal[:, None, :])
    edges = np.full((STATIONS, 4, 3), np.nan)
    for k in range(STATIONS):
        if cut.core[k, start] <= 0.0:
            continue
        place = crossings(s, cut.tooth[k], cut.core[k], start)
        plan = base[k] + place[:, None] * normal[k]
        if np.isfinite(place[3]) and cut.hollow[k, np.argmin(np.abs(s - place[3] - 0.05))] >= 0.0:
            plan[2:] = np.nan  # the dentine runs on to the cheek side: no inner band
        known = np.isfinite(plan[:, 0])
        edges[k, known, :2] = plan[known]
    known = np.isfinite(edges[:, :, 0])
    edges[known, 2] = crown.surface(edges[known, :2])[1]
    gone = share < 0.35 or bool(np.isnan(edges[:, 3, 0]).mean() > 0.5)
    heights = crown.surface(course)[1]
    return CrestTruth(lobe.number, edges, np.column_stack([course, heights])[::20], gone)


def plan_grid(crown: Crown, step: float) -> Array:
    """Points over the crown and a margin, shape (rows, columns, 2); rows from cheek to tongue side. [mm]"""
    every = np.vstack([lobe.outline.curve for lobe in crown.lobes])
    low, high = every.min(axis=0) - 2.6, every.max(axis=0) + 2.6
    x, y = np.arange(low[0], high[0], step), np.arange(low[1], high[1], step)
    return np.stack(np.meshgrid(x, y), axis=-1)


def open_and_dentine(crown: Crown, floor: float, step: float = 0.08) -> tuple[float | None, float]:
    """``infundibulum_left`` and ``dentine_share`` as in `crestgauge.inference.evidence.ToothEvidence`."""
    points = plan_grid(crown, step)
    material = crown.material(points, floor)
    main = [lobe for lobe in crown.lobes if lobe.number <= 2 and lobe.hollows]
    left: float | None = None
    if main:
        x = points[0, :, 0]
        # Columns with less than 0.15 mm of hollow are a closed slit that no eye calls open.
        open_ = (material == Material.INFUNDIBULUM).sum(axis=0) * step >= 0.15
        length = sum(float(open_[(x >= m.x0) & (x < m.x1)].sum()) * step for m in main)
        left = min(1.0, length / sum(m.x1 - m.x0 for m in main) / UNWORN_INFUNDIBULUM_SHARE)
    seen = int((material != Material.BACKGROUND).sum())
    return left, float((material == Material.DENTINE).sum()) / max(seen, 1)
