"""
A crown as a stack of level sections, and what wear shows of it.

Tooth frame: x from front to back, y towards the tongue, z up. [mm] The depth ``h`` of a place is how far it
lies below the unworn relief above it. A section at depth h is bounded by the crown's outline moved outward
and by the outlines of the infundibula moved inward, each by an amount that grows with h (`Wall`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.carved.outlines import Array, Outline

DEEPEST_MM = 14.0
"""No section is asked for below this depth. [mm]"""


@dataclass(frozen=True, slots=True)
class Wall:
    """
    How far a wall has moved, at depth h, from its outline.

    ``-start + quick (1 - exp(-h / fade)) + slope h``

    Parameters
    ----------
    start, quick, fade : float
        [mm]
    slope : float
        Growth per depth far down. [mm/mm]
    """

    start: float
    quick: float
    fade: float
    slope: float

    def moved(self, h: Array, slope: Array | float) -> Array:
        """Outward movement at depth h with this slope. [mm]"""
        return -self.start + self.quick * (1.0 - np.exp(-np.clip(h, -3.0, None) / self.fade)) + slope * h

    def depth(self, moved: Array, slope: Array | float) -> Array:
        """Depth at which the wall has moved so far; by bisection, to 2e-3 mm. [mm]"""
        low, high = np.full(moved.shape, -3.0), np.full(moved.shape, DEEPEST_MM)
        for _ in range(13):
            middle = 0.5 * (low + high)
            beyond = self.moved(middle, slope) >= moved
            high, low = np.where(beyond, middle, high), np.where(beyond, low, middle)
        return high


@dataclass(frozen=True, slots=True, eq=False)
class Lobe:
    """
    One front-to-back unit.

    Parameters
    ----------
    number : int
        1.. from the front.
    x0, x1 : float
        Its span along the tooth. [mm]
    outline : Outline
    hollows : tuple of Outline
        Infundibula; empty for a plain cone.
    top : float
        Height of its tongue-side tip against the tooth's highest. [mm]
    crest : bool
        Has a tongue-side crest that counts for the truth.
    """

    number: int
    x0: float
    x1: float
    outline: Outline
    hollows: tuple[Outline, ...]
    top: float
    crest: bool


@dataclass(frozen=True, slots=True)
class Wear:
    """
    How deep the worn face lies below the unworn relief.

    Parameters
    ----------
    depth : float
        At the middle of the tongue-side crest. [mm]
    ends : float
        Less at the lobes' ends, by this. [mm]
    cheek : float
        More on the cheek side, by this. [mm]
    front : float
        More per mm towards the front. [mm/mm]
    ripple : tuple of 3 floats
        Amplitude [mm], phases along and across [rad] of a gentle unevenness.
    """

    depth: float
    ends: float
    cheek: float
    front: float
    ripple: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Enamel:
    """Thickness in the section: tongue side, cheek side, beside the infundibulum [mm], and its change along
    the tooth as amplitude [1], phase [rad] and period [mm]."""

    tongue: float
    cheek: float
    inner: float
    change: tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """
    The section laid open at some points.

    Parameters
    ----------
    tooth, core : ndarray
        Positive where the worn face is, and where it is dentine. [mm]
    hollow : ndarray
        Negative inside an infundibulum at that depth. [mm]
    worn : ndarray
        That depth. [mm]
    outline, inner : ndarray
        Distances to the outlines themselves. [mm]
    """

    tooth: Array
    core: Array
    hollow: Array
    worn: Array
    outline: Array
    inner: Array


@dataclass(frozen=True, slots=True, eq=False)
class Crown:
    """
    Parameters
    ----------
    lobes : tuple of Lobe
    outer, inner : Wall
        Of the outline and of the infundibula.
    cheek_slope : float
        Slope of the outer wall on the cheek side; `outer.slope` is the tongue side's.
    relief : tuple of 3 floats
        Drop at the lobes' ends, on the cheek side, at the cheek side's own ends. [mm]
    middle_y : float
        Where tongue side ends and cheek side begins. [mm]
    enamel : Enamel
    wear : Wear
    """

    lobes: tuple[Lobe, ...]
    outer: Wall
    inner: Wall
    cheek_slope: float
    relief: tuple[float, float, float]
    middle_y: float
    enamel: Enamel
    wear: Wear

    def worn(self, depth: float) -> Crown:
        """The same crown worn to another depth."""
        return replace(self, wear=replace(self.wear, depth=depth))

    def outline(self, points: Array) -> Array:
        """Distance inside the union of the lobes' outlines. [mm]"""
        found = np.full(points.shape[:-1], -np.inf)
        for lobe in self.lobes:
            other = lobe.outline.inside(points)
            # Smooth union: the grooves between lobes have a radius.
            spread = np.clip(0.35 - np.abs(found - other), 0.0, None)
            found = np.maximum(found, other) + np.where(np.isfinite(found), spread**2 / (4 * 0.35), 0.0)
        return found

    def hollow(self, points: Array) -> Array:
        """Distance outside the nearest infundibulum's outline, negative in it. [mm]"""
        found = np.full(points.shape[:-1], 99.0)
        for lobe in self.lobes:
            for hollow in lobe.hollows:
                found = np.minimum(found, -hollow.inside(points))
        return found

    def _place(self, points: Array) -> tuple[Array, Array, Array]:
        """Cheekness 0..1, arch of the lobe 0 at its ends to 1, height of the lobe's tip."""
        x, y = points[..., 0], points[..., 1]
        t = np.clip((self.middle_y + 1.2 - y) / 2.4, 0.0, 1.0)
        cheek = t * t * (3.0 - 2.0 * t)
        arch, top, total = np.zeros(x.shape), np.zeros(x.shape), np.zeros(x.shape)
        for lobe in self.lobes:
            half = (lobe.x1 - lobe.x0) / 2.0
            u = (x - (lobe.x0 + lobe.x1) / 2.0) / half
            arch = np.maximum(arch, np.where(np.abs(u) < 1.0, 0.5 + 0.5 * np.cos(np.pi * u), 0.0))
            weight = np.exp(-((u / 0.8) ** 2) * 2.0) + 1e-9
            top, total = top + weight * lobe.top, total + weight
        return cheek, arch, top / total

    def section(self, points: Array) -> tuple[Section, Array, Array]:
        """The section that wear lays open at points of shape (..., 2); its slope of the outer wall, and the
        unworn relief there."""
        cheek, arch, top = self._place(points)
        ends, low, cheek_ends = self.relief
        peak = top - (ends + (cheek_ends - ends) * cheek) * (1.0 - arch) - low * cheek
        x, y = points[..., 0], points[..., 1]
        wear, size = self.wear, self.wear.ripple[0]
        centre = (self.lobes[0].x0 + self.lobes[-1].x1) / 2.0
        worn = wear.depth + top - wear.ends * (1.0 - arch) + wear.cheek * cheek - wear.front * (x - centre)
        worn = worn + size * np.sin(x * 0.9 + wear.ripple[1]) * np.sin(y * 0.8 + wear.ripple[2])
        slope = self.outer.slope + (self.cheek_slope - self.outer.slope) * cheek
        outline, hollow = self.outline(points), self.hollow(points)
        out = outline + self.outer.moved(worn, slope)
        into = hollow + self.inner.moved(worn, self.inner.slope)
        thick_out, thick_in = self.thickness(points, cheek)
        section = Section(
            tooth=np.minimum(out, into),
            core=np.minimum(out - thick_out, into - thick_in),
            hollow=into,
            worn=worn,
            outline=outline,
            inner=hollow,
        )
        return section, slope, peak

    def surface(self, points: Array) -> tuple[Section, Array]:
        """Section at points of shape (..., 2) and the height of the surface there. [mm]"""
        section, slope, peak = self.section(points)
        outside = self.outer.depth(-section.outline, slope)
        within = self.inner.depth(-section.inner, self.inner.slope)
        return section, peak - np.maximum(np.maximum(outside, within), section.worn)

    def thickness(self, points: Array, cheek: Array) -> tuple[Array, Array]:
        """Enamel of the outer wall and of the infundibulum's wall. [mm]"""
        enamel = self.enamel
        size, phase, period = enamel.change
        wave = 1.0 + size * np.sin(2.0 * np.pi * points[..., 0] / period + phase)
        other = 1.0 + size * np.cos(2.0 * np.pi * points[..., 0] / (0.8 * period) + 2.0 * phase)
        return (enamel.tongue + (enamel.cheek - enamel.tongue) * cheek) * wave, enamel.inner * other

    def material(self, points: Array, floor: float) -> Array:
        """`Material` of the surface seen from above; background below height ``floor``."""
        section, height = self.surface(points)
        return np.where(height < floor, Material.BACKGROUND, materials(section))


def materials(section: Section) -> Array:
    """`Material` of each point."""
    worn = np.where(section.core > 0.0, Material.DENTINE, Material.ENAMEL_BAND)
    kept = np.where(section.hollow < 0.0, Material.INFUNDIBULUM, Material.CROWN_WALL)
    return np.where(section.tooth > 0.0, worn, kept).astype(np.float64)
