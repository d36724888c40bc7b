"""
Draws the label maps of a plausible row of teeth with known widths, so that the geometry is tested without a
network.

Shapes are evaluated on 3 x 3 points per pixel, sheared against the grid, and averaged: a pixel's probability
is the share of its area, as a perfect network would say. A row is described in its own frame, s along the
row (front first), t towards the tongue, in crop px; one similarity (turn, enlarge, shift, mirror by side)
carries it into the crop.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from crestgauge.inference.maps import CROP_SIZE, LabelMaps
from crestgauge.inference.nominal import CROP_PX_PER_MM, nominal_ends_mm
from crestgauge.model.labels import CHANNELS, LOBE_SIGMA, LOBES, MILK_LOBES, N_CHANNELS, Material


@dataclass(frozen=True, kw_only=True)
class DrawnLobe:
    """One lobe: widths in row px; shares are of the lobe's length."""

    dentine: float = 14.0
    outer: float = 9.0
    inner: float = 9.0
    taper: float = 0.0  # width at the strip's ends: dentine * (1 -+ taper)
    strip: float = 0.9
    infundibulum: float = 0.72
    infundibulum_width: float = 16.0
    radius: float = np.inf  # of the centre line; convex towards the tongue
    slope: float = 0.0
    place: float = 34.0  # of the centre line, from the middle of the crown
    buccal: float = 18.0


@dataclass(frozen=True, kw_only=True)
class DrawnTooth:
    """One tooth: its lobes, their lengths as multiples of one another (none: all alike), its length as a
    multiple of the nominal one, its breadth in row px."""

    lobes: tuple[DrawnLobe, ...]
    lengths: tuple[float, ...] = ()
    length: float = 1.0
    breadth: float = 140.0
    state: int = 0


@dataclass(frozen=True, kw_only=True)
class DrawnRow:
    """Teeth by position, and how the row lies in the crop."""

    teeth: dict[int, DrawnTooth]
    side: str = "left"
    turn_deg: float = 0.0
    enlarge: float = 1.0
    shift: tuple[float, float] = (0.0, 0.0)
    tilt: tuple[float, float] = (0.05, -0.08)
    blur_px: float = 1.2
    size: tuple[int, int] = CROP_SIZE
    fine: int = 3
    around: Material = Material.JAW
    extra: dict[str, float] = field(default_factory=dict)

    def to_crop(self, points: np.ndarray) -> np.ndarray:
        """Row points (s, t) -> crop points (x, y)."""
        angle = np.radians(self.turn_deg)
        along = np.array([np.cos(angle), np.sin(angle)])
        tongue = np.array([np.sin(angle), -np.cos(angle)]) * (1 if self.side == "left" else -1)
        middle = np.array([self.size[0] / 2 - 0.5, self.size[1] / 2 - 0.5]) + np.asarray(self.shift)
        p = np.asarray(points, dtype=float)
        return middle + self.enlarge * (p[..., :1] * along + p[..., 1:] * tongue)

    def to_row(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Crop points -> (s, t)."""
        cos, sin = float(np.cos(np.radians(self.turn_deg))), float(np.sin(np.radians(self.turn_deg)))
        middle = np.array([self.size[0] / 2 - 0.5, self.size[1] / 2 - 0.5]) + np.asarray(self.shift)
        dx, dy = (x - float(middle[0])) / self.enlarge, (y - float(middle[1])) / self.enlarge
        sign = 1 if self.side == "left" else -1
        return dx * cos + dy * sin, sign * (dx * sin - dy * cos)

    def tooth_ends(self) -> dict[int, tuple[float, float]]:
        """Begin and end of each tooth along s."""
        nominal = (nominal_ends_mm() - nominal_ends_mm()[-1, 1] / 2) * CROP_PX_PER_MM
        out = {}
        for position, tooth in self.teeth.items():
            begin, end = nominal[position - 1]
            half = 0.5 * (end - begin) * tooth.length
            out[position] = (0.5 * (begin + end) - half + 1.5, 0.5 * (begin + end) + half - 1.5)
        return out

    def lobe_spans(self, position: int) -> list[tuple[float, float]]:
        """Begin and end of each lobe of a tooth along s."""
        begin, end = self.tooth_ends()[position]
        tooth = self.teeth[position]
        parts = np.array(tooth.lengths or (1.0,) * len(tooth.lobes))
        cuts = begin + (end - begin) * np.concatenate([[0.0], np.cumsum(parts) / parts.sum()])
        return list(itertools.pairwise(cuts))


def plain_row(lobe: DrawnLobe | None = None, *, milk: bool = False, positions=range(1, 7), **row) -> DrawnRow:
    """A row whose lobes are all alike."""
    lobe = lobe or DrawnLobe()
    teeth = {}
    for position in positions:
        count = MILK_LOBES.get(position, LOBES[position]) if milk else LOBES[position]
        breadth = 100.0 if position < 3 else 140.0
        cheek = lobe.buccal * (0.4 if position < 3 else 1.0)
        own = replace(lobe, place=lobe.place * breadth / 140.0, buccal=cheek)
        teeth[position] = DrawnTooth(lobes=(own,) * count, breadth=breadth)
    return DrawnRow(teeth=teeth, **row)


def line_distance(lobe: DrawnLobe, s: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Signed distance from a lobe's centre line, positive towards the tongue; s from the lobe's middle."""
    if np.isfinite(lobe.radius):
        return np.sign(lobe.radius) * (np.hypot(s, t - lobe.place + lobe.radius) - abs(lobe.radius))
    return (t - lobe.place - lobe.slope * s) / np.hypot(1.0, lobe.slope)


def draw(row: DrawnRow) -> LabelMaps:
    """Label maps of the row."""
    width, height = row.size
    out = np.zeros((N_CHANNELS, height, width), dtype=np.float32)
    material, tooth = out[CHANNELS["material"]], out[CHANNELS["tooth"]]
    material[row.around] = 1.0
    tooth[0] = 1.0
    out[CHANNELS["state"]][0] = 1.0
    for position in row.teeth:
        _draw_tooth(row, position, out)
    out[CHANNELS["tilt"]][0], out[CHANNELS["tilt"]][1] = row.tilt
    out[CHANNELS["tilt_log_sigma"]] = 0.02
    out[CHANNELS["blur"]] = row.blur_px
    return LabelMaps(out)


def _draw_tooth(row: DrawnRow, position: int, out: np.ndarray) -> None:
    drawn = row.teeth[position]
    begin, end = row.tooth_ends()[position]
    half = drawn.breadth / 2
    corners = row.to_crop(np.array([[begin, half], [end, half], [end, -half], [begin, -half]]))
    x0, y0 = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
    x1 = min(int(np.ceil(corners[:, 0].max())) + 3, row.size[0])
    y1 = min(int(np.ceil(corners[:, 1].max())) + 3, row.size[1])
    if x1 <= x0 or y1 <= y0:
        return
    sub = (np.arange(row.fine) + 0.5) / row.fine - 0.5
    x = (np.arange(x0, x1)[:, None] + sub).ravel()
    y = (np.arange(y0, y1)[:, None] + sub).ravel()
    # Lattice of points sheared in x and y: an edge along the grid then meets fine^2 levels per pixel, not
    # fine.
    shear = (np.arange(row.fine) - (row.fine - 1) / 2) / row.fine**2
    xs, ys = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    shear = shear.astype(np.float32)
    s, t = row.to_row(xs + np.tile(shear, y1 - y0)[:, None], ys - np.tile(shear, x1 - x0)[None, :])
    crown = (s > begin) & (s < end) & (np.abs(t) < half)
    labels = np.full(s.shape, Material.CROWN_WALL, dtype=np.int64)
    lingual = np.zeros(s.shape, dtype=bool)
    lobe_length = np.mean([e - b for p in row.teeth for b, e in row.lobe_spans(p)])
    heat = np.zeros((y1 - y0, x1 - x0))
    xs, ys = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
    for lobe, (b, e) in zip(drawn.lobes, row.lobe_spans(position), strict=True):
        inside = crown & (s >= b) & (s < e)
        local = s[inside] - 0.5 * (b + e)
        labels[inside], lingual[inside] = _lobe_labels(lobe, local, t[inside], 0.5 * (e - b), half)
        at = row.to_crop(np.array([0.5 * (b + e), 0.0]))
        sigma = LOBE_SIGMA * lobe_length * row.enlarge
        heat = np.maximum(heat, np.exp(-0.5 * ((xs - at[0]) ** 2 + (ys - at[1]) ** 2) / sigma**2))

    def coverage(mask: np.ndarray) -> np.ndarray:
        return cv2.resize(mask.astype(np.float32), (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)

    window = (slice(y0, y1), slice(x0, x1))
    share = coverage(crown)
    material = out[CHANNELS["material"]]
    for m in Material:
        material[m][window] *= 1.0 - share
        material[m][window] += coverage(crown & (labels == m))
    tooth = out[CHANNELS["tooth"]]
    tooth[0][window] -= share
    tooth[position][window] += share
    out[CHANNELS["lingual"]][0][window] += coverage(crown & lingual)
    here = share > 0.5
    state = out[CHANNELS["state"]]
    state[:, y0:y1, x0:x1][:, here] = np.eye(3)[drawn.state][:, None]
    np.maximum(out[CHANNELS["lobe"]][0][window], heat * (share > 0), out=out[CHANNELS["lobe"]][0][window])


def _lobe_labels(lobe: DrawnLobe, s: np.ndarray, t: np.ndarray, half_length: float, half: float):
    """Material and tongue side per point of one lobe; s from its middle."""
    labels = np.full(s.shape, Material.CROWN_WALL, dtype=np.int64)
    r = line_distance(lobe, s, t)
    at = s / (half_length * lobe.strip)
    on_strip = np.abs(at) < 1
    dentine = np.where(on_strip, lobe.dentine * (1 + lobe.taper * at), 0.0)
    open_here = np.abs(s) < half_length * lobe.infundibulum
    floor = -(lobe.dentine / 2 + lobe.inner + lobe.infundibulum_width)
    cheek = floor - 9.0 - lobe.buccal
    labels[(r < dentine / 2 + lobe.outer) & (r > cheek - 9.0)] = Material.ENAMEL_BAND
    labels[(r < floor - 9.0) & (r > cheek)] = Material.DENTINE
    if lobe.infundibulum == 0:
        labels[(r < dentine / 2) & (r > cheek)] = Material.DENTINE
    labels[(r < -dentine / 2 - lobe.inner) & (r > floor) & open_here] = Material.INFUNDIBULUM
    labels[(np.abs(r) < dentine / 2) & on_strip] = Material.DENTINE
    return labels, r > -(lobe.dentine / 2 + lobe.inner + lobe.infundibulum_width / 2)


def blurred(maps: LabelMaps, sigma_px: float) -> LabelMaps:
    """The same maps with every probability smeared by a Gaussian."""
    out = maps.channels.copy()
    for channel in range(CHANNELS["material"].start, CHANNELS["lingual"].stop):
        out[channel] = cv2.GaussianBlur(out[channel], (0, 0), sigma_px)
    return LabelMaps(out)
