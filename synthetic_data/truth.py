"""
Truth of a drawn jaw: band widths on the surface by the declared definition, states, infundibulum left, class.

The edges are zero crossings of the height differences of the wear model along profiles square to the ridge,
so they owe nothing to pixels, or to the code that measures photographs. They are those of
the drawn surface; its cut enamel is up to 0.02 mm narrower than the nominal thickness gives, since the ball
is sampled at 14 nodes a mm (measured on straight ridges, tests/test_generator_truth.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from crestgauge.inference.evidence import (
    UNWORN_INFUNDIBULUM_SHARE,
    CrestEvidence,
    Quantity,
    RowEvidence,
    State,
    ToothEvidence,
)
from crestgauge.synthetic_data.anatomy import Jaw, Lobe, Tooth
from crestgauge.synthetic_data.camera import sample
from crestgauge.synthetic_data.scene import Specimen, lobe_points
from crestgauge.synthetic_data.wear import CrownFields

Array = NDArray[np.float64]

STATIONS = 81
REACH_MM = (-3.2, 5.0)
STEP_MM = 0.02
LEAST_STRIP_SHARE = 0.12
"""A strip shorter than this share of its lobe is no line yet: the crest counts as ratio 0."""
BAND_REACH_MM = 1.3
"""A flake within this of the dentine has broken off the band: cut enamel is at most that wide."""
OVERLAP_MM = 0.1
LEAST_SOUND_SHARE = 0.5
"""With less of the stations that count left whole nothing is stated of a crest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestTruth:
    """
    True widths of one tongue-side crest.

    dentine_mm, enamel_outer_mm, enamel_inner_mm : medians over the middle half, on the surface; nan where
        there is none
    ratio : by the declared definition; 0 without a dentine line; nan where no inner band is left
    by_definition : see `crestgauge.inference.evidence.DEFINITIONS`
    line_mm : (N, 3) middle of the strip at the stations that count
    edges_mm : (N, 4, 3) its edges there: outer enamel, dentine, dentine, inner enamel

    Stations where a flake has broken off the band, or a neighbour overlaps it, do not count. Where half of
    them are gone all widths and the ratio are nan.
    """

    lobe: int
    dentine_mm: float
    enamel_outer_mm: float
    enamel_inner_mm: float
    ratio: float
    by_definition: dict[str, float]
    infundibulum_gone: bool
    line_mm: Array
    edges_mm: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothTruth:
    """
    Truth of one position; ``lobes`` counts the lobes whose centre stands clear of the gum, ``visible_mm2``
    the crown above it.
    """

    tooth: Tooth
    lobes: int
    infundibulum_left: float
    dentine_share: float
    visible_mm2: float
    crests: tuple[CrestTruth, ...] = field(default=())


def _crossing(s: Array, a: Array, k: int) -> float:
    """Where ``a`` crosses zero between samples k and k + 1."""
    return float(s[k] + (s[k + 1] - s[k]) * a[k] / (a[k] - a[k + 1]))


def _edges(s: Array, outer: Array, inner: Array, fossa: Array) -> Array:
    """
    Edges (outer enamel, dentine, dentine, inner enamel) along one profile; nan where an edge is not there.
    """
    out = np.full(4, np.nan)
    open_ = inner > 0
    if not open_.any():
        return out
    starts = np.flatnonzero(open_ & ~np.r_[False, open_[:-1]])
    ends = np.flatnonzero(open_ & ~np.r_[open_[1:], False])
    gap = np.maximum(np.maximum(s[starts], -s[ends]), 0.0)
    run = int(np.argmin(gap))
    if gap[run] > 0.9 or starts[run] == 0:
        return out
    first, last = int(starts[run]), int(ends[run])
    out[1] = _crossing(s, inner, first - 1)
    out[2] = (
        s[-1] if last == len(s) - 1 else _crossing(s, inner, last)
    )  # an open basin has no inner edge in reach
    uncut = np.flatnonzero(outer[:first] <= 0)
    if len(uncut) and outer[uncut[-1] + 1] > 0:  # else broken off as far as the dentine
        out[0] = _crossing(s, outer, int(uncut[-1]))
    if last == len(s) - 1:
        return out
    beyond = np.flatnonzero(outer[last + 1 :] <= 0)
    again = np.flatnonzero(inner[last + 1 :] > 0)
    if len(beyond) and (not len(again) or beyond[0] < again[0]):
        k = last + int(beyond[0])
        if (
            outer[k] > 0 and (fossa[k : k + int(0.5 / STEP_MM)] > 0).any()
        ):  # uncut enamel there lines an infundibulum, not a gap between lobes
            out[3] = _crossing(s, outer, k)
    return out


def crest_truth(specimen: Specimen, lobe: Lobe) -> CrestTruth:
    """Widths of the tongue-side crest of one lobe."""
    crowns = specimen.crowns
    blade = lobe.ridges[0]
    at = np.linspace(0, len(blade) - 1, STATIONS)
    ridge = np.column_stack([np.interp(at, np.arange(len(blade)), blade[:, k]) for k in range(2)])
    tangent = np.gradient(ridge, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.column_stack(
        (-tangent[:, 1], tangent[:, 0])
    )  # towards the cheek, since ridges run front to back
    s = np.arange(REACH_MM[0], REACH_MM[1] + STEP_MM / 2, STEP_MM)
    points = ridge[:, None] + s[None, :, None] * normal[:, None]
    device = crowns.surface.device
    x, y = (torch.as_tensor(points[..., k], dtype=torch.float32, device=device) for k in range(2))
    owner = sample(crowns.grid, crowns.tooth.float(), x, y, mode="nearest")
    # An edge lies on the worn face; the surface beside it is already on its way down the wall.
    face = crowns.surface if crowns.worn is None else crowns.worn
    fields = sample(crowns.grid, torch.stack((crowns.outer, crowns.inner, face, crowns.fossa)), x, y)
    outer, inner, height, fossa = fields.double().cpu().numpy()
    own = (owner == lobe.tooth).cpu().numpy()
    outer, inner = np.where(own, outer, -1.0), np.where(own, inner, -1.0)
    edges = np.array([_edges(s, o, i, f) for o, i, f in zip(outer, inner, fossa, strict=True)])
    xyz = np.full((STATIONS, 4, 3), np.nan)
    for k in range(4):
        e = edges[:, k]
        xyz[:, k, :2] = ridge + e[:, None] * normal
        xyz[:, k, 2] = [
            np.interp(v, s, h) if np.isfinite(v) else np.nan for v, h in zip(e, height, strict=True)
        ]
    spoilt = _chipped(crowns, s, edges, x, y, own)
    if specimen.jaw.unsettled:
        spoilt |= _overlapped(s, edges, ((owner > 0) & (owner != lobe.tooth)).cpu().numpy())
    return _summed_up(lobe, edges, xyz, spoilt)


def _overlapped(s: Array, edges: Array, other: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Stations whose band ends at a neighbour that stands over it, shape (STATIONS,)."""
    low, high = np.fmin(edges[:, 0], edges[:, 1]), np.fmax(edges[:, 2], edges[:, 3])
    with np.errstate(invalid="ignore"):  # no strip, no band
        touched = (s >= low[:, None] - OVERLAP_MM) & (s <= high[:, None] + OVERLAP_MM)
    return np.asarray((other & touched).any(axis=1))


def _chipped(
    crowns: CrownFields, s: Array, edges: Array, x: Tensor, y: Tensor, own: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Stations whose profile has lost something of its band to a flake, shape (STATIONS,)."""
    if crowns.chip is None:
        return np.zeros(len(edges), dtype=bool)
    lost = (sample(crowns.grid, crowns.chip, x, y) > 0).cpu().numpy() & own
    with np.errstate(invalid="ignore"):  # no strip, no band
        near = (s >= edges[:, 1:2] - BAND_REACH_MM) & (s <= edges[:, 2:3] + BAND_REACH_MM)
    return np.asarray((lost & near).any(axis=1))


def _median(values: Array, keep: NDArray[np.bool_]) -> float:
    """Median of the values to keep, nan where there are none."""
    return float(np.median(values[keep])) if keep.any() else float("nan")


def _without_widths(lobe: Lobe, value: float) -> CrestTruth:
    """A crest without a line (0), or with so little left whole that nothing is known of it (nan)."""
    return CrestTruth(
        lobe=lobe.index,
        dentine_mm=value,
        enamel_outer_mm=np.nan,
        enamel_inner_mm=np.nan,
        ratio=value,
        by_definition={},
        infundibulum_gone=False,
        line_mm=np.zeros((0, 3)),
        edges_mm=np.zeros((0, 4, 3)),
    )


def _summed_up(lobe: Lobe, edges: Array, xyz: Array, spoilt: NDArray[np.bool_]) -> CrestTruth:
    strip = np.isfinite(edges[:, 1])
    run = _longest_run(strip)
    if run is None or (run[1] - run[0]) < LEAST_STRIP_SHARE * STATIONS:
        return _without_widths(lobe, 0.0)
    sound = ~spoilt[run[0] : run[1]]
    if not sound.all() and sound.sum() < LEAST_STRIP_SHARE * STATIONS:
        return _without_widths(lobe, np.nan)
    line = 0.5 * (xyz[:, 1] + xyz[:, 2])[run[0] : run[1]]
    if not sound.all():  # the line runs on where a flake has moved its edges
        at = np.arange(len(line))
        line = np.column_stack([np.interp(at, at[sound], line[sound, k]) for k in range(3)])
    way = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    place = way / way[-1]
    part = slice(run[0], run[1])

    def width(a: int, b: int) -> Array:
        return np.asarray(np.linalg.norm(xyz[part, a] - xyz[part, b], axis=1), dtype=np.float64)

    dentine, outer, inner = width(1, 2), width(0, 1), width(2, 3)
    half = (place >= 0.25) & (place <= 0.75)
    both = np.isfinite(outer) & np.isfinite(inner)
    if not half.any():  # a strip of one or two stations
        half = np.ones_like(place, dtype=bool)
    if (half & sound).sum() < LEAST_SOUND_SHARE * half.sum():
        return _without_widths(lobe, np.nan)
    half, both = half & sound, both & sound
    gone = bool(np.mean(~np.isfinite(inner[half])) > 0.5)
    ratio = np.where(both, dentine / (0.5 * (outer + inner)), np.nan)
    use = half & both
    by = {}
    if use.any() and not gone:
        middle = both & (np.abs(place - 0.5) <= 0.05)
        widest = use & (dentine >= np.nanquantile(dentine[use], 0.95))
        by = {
            "widest": float(np.mean(ratio[widest])),
            "outer": float(np.median((dentine / outer)[use])),
            "inner": float(np.median((dentine / inner)[use])),
        }
        if middle.any():
            by["middle"] = float(np.mean(ratio[middle]))
    with np.errstate(all="ignore"):
        return CrestTruth(
            lobe=lobe.index,
            dentine_mm=_median(dentine, half),
            enamel_outer_mm=_median(outer, half & np.isfinite(outer)),
            enamel_inner_mm=_median(inner, half & np.isfinite(inner)),
            ratio=float("nan") if gone else _median(ratio, use),
            by_definition=by,
            infundibulum_gone=gone,
            line_mm=line[half],
            edges_mm=xyz[part][half],
        )


def _longest_run(mask: NDArray[np.bool_]) -> tuple[int, int] | None:
    """(start, end) of the longest run of True, end exclusive."""
    edge = np.flatnonzero(np.diff(np.r_[0, mask.astype(int), 0]))
    if not len(edge):
        return None
    runs = edge.reshape(-1, 2)
    start, end = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return int(start), int(end)


def infundibulum_share(specimen: Specimen, lobe: Lobe) -> float:
    """Open length of the infundibulum along the row, as a share of the lobe's length."""
    crowns = specimen.crowns
    u, v = np.meshgrid(np.linspace(-1, 1, 121), np.linspace(-0.5, 0.5, 81))
    c, s = np.cos(lobe.yaw), np.sin(lobe.yaw)
    lx, ly = 0.5 * lobe.length * u, lobe.width * v
    device = crowns.surface.device
    x = torch.as_tensor(lobe.x + c * lx - s * ly, dtype=torch.float32, device=device)
    y = torch.as_tensor(lobe.y + s * lx + c * ly, dtype=torch.float32, device=device)
    open_ = (sample(crowns.grid, crowns.fossa, x, y) > 0).any(0)
    return float(open_.float().mean())


def infundibulum_left(lobes: list[tuple[float, float]]) -> float:
    """
    Open length over the length of the lobes, against that of an unworn crown; NaN without lobes.

    Parameters
    ----------
    lobes : list of tuple
        Open share [1] and length [mm] of each main lobe. What is left of the longer one counts for more.
    """
    if not lobes:
        return float("nan")
    share, length = np.array(lobes).T
    return float(np.clip((share @ length) / length.sum() / UNWORN_INFUNDIBULUM_SHARE, 0, 1))


def teeth_truth(specimen: Specimen) -> tuple[ToothTruth, ...]:
    """Truth of all six positions, front first."""
    clear = set(lobe_points(specimen)[0])
    jaw, crowns, bone = specimen.jaw, specimen.crowns, specimen.bone
    x, y = crowns.grid.nodes(crowns.surface.device)
    seen = crowns.surface > sample(bone.grid, bone.surface, x, y)
    out = []
    for tooth in jaw.teeth:
        here = seen & (crowns.tooth == tooth.position)
        area = float(here.sum())
        share = float((here & (crowns.inner > 0)).sum()) / area if area else float("nan")
        main = [lobe for lobe in tooth.lobes if lobe.index <= 2]
        left = infundibulum_left([(infundibulum_share(specimen, m), m.length) for m in main])
        crests = tuple(
            crest_truth(specimen, lobe) for lobe in tooth.lobes if (tooth.position, lobe.index) in clear
        )
        out.append(
            ToothTruth(
                tooth=tooth,
                lobes=sum((tooth.position, lobe.index) in clear for lobe in tooth.lobes),
                infundibulum_left=left,
                dentine_share=share,
                visible_mm2=area / crowns.grid.px_per_mm**2,
                crests=crests,
            )
        )
    return tuple(out)


LEAST_VISIBLE_MM2 = 2.0
"""Less crown than this above the gum is not seen as a tooth coming through."""


def visible_state(tooth: ToothTruth) -> State:
    """
    State as a photograph can show it: a crown still under the gum is absent, even if its tips are close.
    """
    return (
        "absent"
        if tooth.tooth.state == "erupting" and tooth.visible_mm2 < LEAST_VISIBLE_MM2
        else tooth.tooth.state
    )


def places_to_see(specimen: Specimen) -> Array:
    """Edges of every crest that has a line, and centres of all lobes in the open, (N, 3). [mm]"""
    _, centres = lobe_points(specimen)
    crests = [c for t in teeth_truth(specimen) for c in t.crests if len(c.edges_mm)]
    places: Array = np.concatenate([centres, *(c.edges_mm.reshape(-1, 3) for c in crests)])
    seen: Array = places[np.isfinite(places).all(axis=1)]
    return seen


def evidence(teeth: tuple[ToothTruth, ...], jaw: Jaw, *, definitions: bool) -> RowEvidence:
    """
    Truth as the rule layer takes it, with no uncertainty.

    ``definitions`` False gives the literal class; True lets a class that hangs on the definition be
    borderline as in a reading.
    """

    def exact(value: float) -> Quantity | None:
        return Quantity(float(value), 0.0) if np.isfinite(value) else None

    rows = []
    for t in teeth:
        crests = tuple(
            CrestEvidence(
                lobe=c.lobe,
                ratio=exact(c.ratio),
                ratio_by_definition=c.by_definition if definitions else {},
                infundibulum_gone=c.infundibulum_gone,
            )
            for c in t.crests
        )
        there = bool(t.tooth.lobes) and visible_state(t) != "absent"
        rows.append(
            ToothEvidence(
                position=t.tooth.position,
                state=visible_state(t),
                milk=t.tooth.milk if there else None,
                lobes=t.lobes if there else None,
                crests=crests if there else (),
                infundibulum_left=exact(t.infundibulum_left),
                dentine_share=exact(t.dentine_share),
            )
        )
    return RowEvidence(teeth=tuple(rows))
