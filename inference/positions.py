"""
Positions of the row that show no crown: absent, missing or unseen.

The nominal row is laid through the crowns that were found; at each empty place the picture then tells what
is there: outside the photo or the crop, something that is no jaw (a hand, the board), or bare jaw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.consistency import is_through
from crestgauge.inference.evidence import State
from crestgauge.inference.maps import CROP_SIZE, NOMINAL_ROW_MM, LabelMaps, RowFrame
from crestgauge.inference.nominal import CROP_PX_PER_MM, nominal_centres_px, visible_middle_mm
from crestgauge.inference.teeth import Crown, Teeth
from crestgauge.model.labels import N_TEETH, Material

FloatArray = NDArray[np.float64]
_HALF_HEIGHT_PX = 90.0
"""Half height of the patch looked at: 6 nominal mm, as a jaw is about 12 mm wide under its teeth. [crop
px]"""
_NOT_SEEN = 0.5
"""Share of the patch that must be visible, or that something other than jaw must cover, to decide. [1]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmptyPlace:
    """
    What lies where a crown should be.

    Parameters
    ----------
    centre : ndarray, shape (2,)
        [crop px]
    inside : float
        Share of the patch inside crop and photo. [1]
    not_jaw : float
        Share of the visible patch, along the row, where no jaw is near the row's line; 0 where nothing is
        visible. [1]
    """

    centre: FloatArray
    inside: float
    not_jaw: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowPlace:
    """
    How the nominal row lies in the crop.

    Parameters
    ----------
    offset_px, scale : float
        x = offset_px + scale * nominal x along the row; scale 1 is the size the crop was meant for. [crop
        px, 1]
    level_deg : float
        Direction of the row, positive where its back end lies lower in the picture. [deg]
    middle : ndarray, shape (2,)
        Middle of the row from its first to its last crown. [crop px]
    """

    offset_px: float
    scale: float
    level_deg: float
    middle: FloatArray


def crop_middle() -> FloatArray:
    """Middle of the crop (x, y). [crop px]"""
    return np.array([CROP_SIZE[0] / 2 - 0.5, CROP_SIZE[1] / 2 - 0.5])


def place_row(teeth: Teeth, shift: int = 0) -> RowPlace:
    """
    Lay the nominal row through the crowns that were found, all numbers moved by ``shift``.

    Crowns that the shift pushes off the row are left out, unless none would be left.
    """
    kept = [c for c in teeth.crowns if 1 <= c.position + shift <= N_TEETH]
    if not kept:
        kept, shift = list(teeth.crowns), 0
    positions = [c.position + shift for c in kept]
    nominal = nominal_centres_px()[[p - 1 for p in positions]]
    nominal_middle = crop_middle()[0] + (visible_middle_mm(positions) - NOMINAL_ROW_MM / 2) * CROP_PX_PER_MM
    middles = np.array([c.centre + 0.5 * (c.extent[0] + c.extent[1]) * c.axis for c in kept])
    if len(middles) == 1:
        offset, scale, slope = float(middles[0, 0] - nominal[0]), 1.0, 0.0
        height = float(middles[0, 1])
    else:
        scale = float(np.clip(np.polyfit(nominal, middles[:, 0], 1)[0], 0.6, 1.6))
        offset = float(np.mean(middles[:, 0] - scale * nominal))
        slope, height = (
            float(v) for v in np.polyfit(middles[:, 0] - offset - scale * nominal_middle, middles[:, 1], 1)
        )
    return RowPlace(
        offset_px=offset,
        scale=scale,
        level_deg=float(np.degrees(np.arctan(slope))),
        middle=np.array([offset + scale * nominal_middle, height]),
    )


def better_frame(frame: RowFrame, place: RowPlace) -> RowFrame:
    """Frame that turns, shrinks and shifts the crop so that the row lies level, at scale and in the
    middle."""
    angle = np.radians(place.level_deg)
    # Sizes were measured along x: a sloping row is longer by 1 / cos.
    size = place.scale / np.cos(angle)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) / size
    offset = turn @ (frame.matrix[:, 2] - place.middle) + crop_middle()
    return RowFrame(np.column_stack([turn @ frame.matrix[:, :2], offset]))


def look_at(
    position: int,
    teeth: Teeth,
    row: RowPlace,
    maps: LabelMaps,
    frame: RowFrame,
    photo_size: tuple[int, int] | None,
) -> EmptyPlace:
    """What the maps show at an empty position of the row that lies as ``row`` says."""
    nominal = nominal_centres_px()
    x = row.offset_px + row.scale * nominal[position - 1]
    half = 0.3 * row.scale * abs(nominal[1] - nominal[0])
    y = float(np.polyval(teeth.curve, np.clip(x, 0, maps.size[0] - 1)))
    offsets = np.linspace(-_HALF_HEIGHT_PX, _HALF_HEIGHT_PX, 15)
    grid = np.stack(np.meshgrid(np.linspace(x - half, x + half, 9), y + offsets), axis=-1).reshape(-1, 2)
    width, height = maps.size
    visible = (grid[:, 0] >= 0) & (grid[:, 0] <= width - 1) & (grid[:, 1] >= 0) & (grid[:, 1] <= height - 1)
    if photo_size is not None:
        photo = frame.to_photo(grid)
        visible &= (photo[:, 0] >= 0) & (photo[:, 0] <= photo_size[0] - 1)
        visible &= (photo[:, 1] >= 0) & (photo[:, 1] <= photo_size[1] - 1)
    not_jaw = 0.0
    if visible.any():
        at = np.round(grid).astype(int).clip(0, [width - 1, height - 1])
        jaw = 1.0 - maps.block("material")[Material.BACKGROUND][at[:, 1], at[:, 0]].astype(np.float64)
        jaw = np.where(visible, jaw, 0.0).reshape(offsets.size, -1)
        # The line through the crowns may miss a bent jaw: what counts is jaw anywhere near it, 25 px or more
        # high.
        high = (jaw[:-2] + jaw[1:-1] + jaw[2:]) / 3.0
        seen = visible.reshape(offsets.size, -1).any(axis=0)
        not_jaw = 1.0 - float(high.max(axis=0)[seen].mean())
    return EmptyPlace(centre=np.array([x, y]), inside=float(visible.mean()), not_jaw=not_jaw)


def is_shown(place: EmptyPlace) -> bool:
    """The picture shows jaw, or what may be its end, at the place."""
    return place.inside >= _NOT_SEEN


def empty_state(
    position: int, teeth: Teeth, place: EmptyPlace, milk_row: bool | None, *, young: bool = False
) -> State:
    """
    State of a position without a crown.

    A place that the picture does not show, or that something other than jaw covers, is ``unseen``. On bare
    jaw it is ``missing`` with a crown behind it. Behind the last crown it is ``absent`` in a milk row, else
    ``missing`` where the row is known to be none; where that is not known, tooth 6 is ``absent`` without
    tooth 5, and with it in a ``young`` row. In a milk row a molar is absent, seen or not, until the one
    before it stands in full (order of eruption of the cheek teeth, as in every key). Then tooth 6 is absent
    wherever its place lies in the picture, since a fawn's jaw ends or turns up right behind tooth 5.

    Parameters
    ----------
    milk_row : bool or None
        Whether tooth 3 is a milk tooth; None where that is not known.
    young : bool
        Wear of tooth 4, or a tooth 3 just coming, does not speak against a tooth 6 that is still to come.
    """
    if milk_row and position == N_TEETH:
        through = any(c.position == N_TEETH - 1 and is_through(c) for c in teeth.crowns)
        if not through or place.inside >= _NOT_SEEN:
            return "absent"
    if milk_row and position == N_TEETH - 1 and any(_is_coming(c, position - 1) for c in teeth.crowns):
        return "absent"
    if place.inside < _NOT_SEEN or place.not_jaw > _NOT_SEEN:
        return "unseen"
    found = {c.position for c in teeth.crowns}
    if any(p > position for p in found):
        return "missing"
    if milk_row or (young and position == N_TEETH):
        return "absent"
    if milk_row is None:
        return "absent" if position == N_TEETH and N_TEETH - 1 not in found else "unseen"
    return "missing"


def _is_coming(crown: Crown, position: int) -> bool:
    return crown.position == position and not is_through(crown)
