"""
The one entry of the geometry: fine label maps and their frame in, a measured row out.

Works in crop pixels and hands everything back in pixels of the upright photo. Pure: no files, no network.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.consistency import (
    Six,
    best_shift,
    is_just_replaced,
    is_no_fawns,
    kind_in_doubt,
    milk_by_length,
    without_false_six,
)
from crestgauge.inference.crests import cut_lobes, find_strip, read_crests
from crestgauge.inference.evidence import CrestEvidence, RowEvidence, ToothEvidence
from crestgauge.inference.image_edges import check_crests
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measure_crest import measure_crest
from crestgauge.inference.measure_tooth import measure_tooth
from crestgauge.inference.measured import MeasuredRow, MeasuredTooth, RowFlag
from crestgauge.inference.positions import (
    EmptyPlace,
    better_frame,
    crop_middle,
    empty_state,
    is_shown,
    look_at,
    place_row,
)
from crestgauge.inference.row_context import MeasureOptions, RowContext
from crestgauge.inference.teeth import Teeth, find_teeth
from crestgauge.inference.views import View
from crestgauge.model.labels import N_TEETH


def measure_row(
    maps: LabelMaps,
    frame: RowFrame,
    image: NDArray[np.uint8] | None = None,
    options: MeasureOptions | None = None,
    *,
    photo_size: tuple[int, int] | None = None,
) -> MeasuredRow | None:
    """
    Measure one row of teeth.

    Parameters
    ----------
    maps : LabelMaps
        Fine maps of the levelled crop.
    frame : RowFrame
        Photo px -> crop px.
    image : ndarray of uint8, shape (H, W, 3), or None
        The levelled crop, RGB, same grid as the maps; used only to check edges against brightness.
    options : MeasureOptions or None
    photo_size : tuple of int or None
        (width, height) of the upright photo; tells an empty place in the picture from one outside it.

    Returns
    -------
    MeasuredRow or None
        None where the maps hold no crown at all.
    """
    options = options or MeasureOptions()
    teeth = find_teeth(maps, options.teeth)
    if teeth is None:
        return None
    teeth = replace(teeth, crowns=without_false_six(teeth.crowns))
    # The right frame is that of the numbering which the lobes support: the next pass may then number it so.
    shift = best_shift(teeth.crowns)
    place = place_row(teeth, shift)
    context = RowContext(frame=frame, teeth=teeth, place=place, options=options, photo_size=photo_size)
    measured = _measure_crowns(context, maps, image)
    empty = {
        position: look_at(position, teeth, place, maps, frame, photo_size)
        for position in range(1, N_TEETH + 1)
        if position not in measured
    }
    doubts = RowFlag(0)
    if shift:
        doubts = RowFlag.NUMBERS_UNSURE
        measured = {p: replace(tooth, state="unseen", milk=None) for p, tooth in measured.items()}
    elif (third := _third_in_doubt(teeth, measured, empty)) is not None:
        doubts = RowFlag.KIND_UNSURE
        measured[3] = third
    milk_row = measured[3].milk if 3 in measured and not doubts else None
    fresh = milk_row is None and 4 in measured and not is_no_fawns(measured[4])
    young = not shift and (fresh or is_just_replaced(teeth.crowns))
    for position, spot in empty.items():
        x, y = frame.to_photo(spot.centre[None, :])[0]
        state = empty_state(position, teeth, spot, milk_row, young=young)
        measured[position] = MeasuredTooth(position=position, state=state, centre=(float(x), float(y)))
    return _row(context, _with_milk([measured[p] for p in sorted(measured)], milk_row), doubts)


def _measure_crowns(
    context: RowContext, maps: LabelMaps, image: NDArray[np.uint8] | None
) -> dict[int, MeasuredTooth]:
    """The crowns that were found, with their crests, by position."""
    teeth, options = context.teeth, context.options
    grids = cut_lobes(maps, teeth, options.crests)
    strips = [find_strip(grid, options.crests) for grid in grids]
    profiles = read_crests(maps, grids, strips, options.crests)
    checks = check_crests(image, profiles)
    measured = {}
    for crown in teeth.crowns:
        own = [i for i, grid in enumerate(grids) if grid.crown.position == crown.position]
        crests = tuple(measure_crest(context, grids[i], strips[i], profiles[i], checks[i]) for i in own)
        measured[crown.position] = measure_tooth(context, crown, [grids[i] for i in own], crests)
    return measured


def _third_in_doubt(
    teeth: Teeth, measured: Mapping[int, MeasuredTooth], empty: Mapping[int, EmptyPlace]
) -> MeasuredTooth | None:
    """
    Tooth 3 with its doubt, where its kind is in doubt; None where it is not, or there is no tooth 3.

    With tooth 6 there, length and lobes are left to contradict each other, and where its place is bare, that
    and the lobes; the key answers with both classes. Where its place is not in the picture every class is
    possible, and tooth 3 counts as not seen.
    """
    if 3 not in measured:
        return None
    third = measured[3]
    six: Six = "crown" if 6 in measured else "empty" if is_shown(empty[6]) else None
    by_length = milk_by_length(teeth.crowns)
    doubt = kind_in_doubt(third.milk, by_length, six, measured.get(4))
    if not doubt or is_just_replaced(teeth.crowns):
        return None
    if six == "crown":
        return replace(third, milk=by_length)
    if six == "empty":
        return replace(third, milk=True)
    return replace(third, milk=None, state="unseen")


def _with_milk(teeth: list[MeasuredTooth], milk_row: bool | None) -> tuple[MeasuredTooth, ...]:
    """Teeth 1 and 2 take the kind of tooth 3: the three are replaced within about two months (facts: 17-19
    months)."""
    return tuple(
        replace(t, milk=milk_row) if t.position < 3 and t.lobes is not None and t.milk is None else t
        for t in teeth
    )


def _row(context: RowContext, teeth: tuple[MeasuredTooth, ...], flags: RowFlag) -> MeasuredRow:
    """The whole row; ``flags`` are those found already."""
    found, frame = context.teeth, context.frame
    sure = abs(found.side_score) >= context.options.teeth.min_side_score
    if not sure:
        flags |= RowFlag.SIDE_UNSURE
    place = context.place
    off = float(np.hypot(*(place.middle - crop_middle())))
    if abs(place.level_deg) > 5.0:
        flags |= RowFlag.FRAME_OFF_LEVEL
    if not 0.8 <= place.scale <= 1.25:
        flags |= RowFlag.FRAME_OFF_SCALE
    if off > 60.0:
        flags |= RowFlag.FRAME_OFF_CENTRE
    if any(c.touches_crop for c in found.crowns):
        flags |= RowFlag.OUT_OF_CROP
    off_place = RowFlag.FRAME_OFF_LEVEL | RowFlag.FRAME_OFF_SCALE | RowFlag.FRAME_OFF_CENTRE
    linear = frame.matrix[:, :2] / frame.scale
    x, y = found.view @ linear  # crop directions back to photo directions: the inverse of a rotation
    view = View(x=float(x), y=float(y), u=found.view_u)
    along = np.linspace(found.crowns[0].centre[0], found.crowns[-1].centre[0], 40)
    return MeasuredRow(
        teeth=teeth,
        side=("left" if found.lingual_up else "right") if sure else None,
        side_confidence=abs(found.side_score),
        tilt_deg=view.tilt_deg(),
        view=view,
        blur_px=found.blur_px / frame.scale,
        row_line=frame.to_photo(np.stack([along, np.polyval(found.curve, along)], axis=1)),
        off_level_deg=place.level_deg,
        off_scale=place.scale,
        off_centre_px=off,
        crop_per_photo=frame.scale,
        better_frame=better_frame(frame, place) if flags & off_place else None,
        flags=flags,
    )


def to_evidence(row: MeasuredRow) -> RowEvidence:
    """What the rule layer may know of a measured row."""
    return RowEvidence(
        tuple(
            ToothEvidence(
                position=tooth.position,
                state=tooth.state,
                milk=tooth.milk,
                lobes=tooth.lobes,
                crests=tuple(
                    CrestEvidence(
                        lobe=crest.lobe,
                        ratio=crest.ratio,
                        ratio_by_definition=crest.ratio_by_definition,
                        infundibulum_gone=crest.infundibulum_gone,
                    )
                    for crest in tooth.crests
                ),
                infundibulum_left=tooth.infundibulum_left,
                dentine_share=tooth.dentine_share,
            )
            for tooth in row.teeth
        )
    )
