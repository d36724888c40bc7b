"""
The one entry of the geometry: fine label maps and their frame in, a measured row out.

Works in crop pixels and hands everything back in pixels of the upright photo. Pure: no files, no network.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

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
from crestgauge.inference.crests import (
    STATION_AT,
    CrestOptions,
    CrestProfiles,
    LobeGrid,
    Strip,
    cut_lobes,
    find_strip,
    line_points,
    open_length,
    read_crests,
)
from crestgauge.inference.evidence import (
    UNWORN_INFUNDIBULUM_SHARE,
    CrestEvidence,
    Quantity,
    RowEvidence,
    State,
    ToothEvidence,
)
from crestgauge.inference.image_edges import ImageCheck, check_crests
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measured import (
    CrestFlag,
    MeasuredCrest,
    MeasuredRow,
    MeasuredTooth,
    RowFlag,
    Stations,
    ToothFlag,
)
from crestgauge.inference.nominal import CROP_PX_PER_MM, nominal_ends_mm
from crestgauge.inference.numbering import TeethOptions
from crestgauge.inference.numeric import fit_polynomial, median
from crestgauge.inference.positions import (
    RowPlace,
    better_frame,
    crop_middle,
    empty_state,
    is_shown,
    look_at,
    place_row,
)
from crestgauge.inference.teeth import Crown, Teeth, find_teeth
from crestgauge.inference.uncertainty import (
    UNEVEN_FACTOR,
    EdgeModel,
    lost_dentine_u,
    one_band_u,
    two_band_u,
)
from crestgauge.inference.views import View
from crestgauge.model.labels import LOBES, MILK_LOBES, N_TEETH, ToothState

FloatArray = NDArray[np.float64]
_NOMINAL_ENAMEL_MM = 0.6
"""Enamel band taken for the uncertainty of a ratio of 0 where no band is cut yet. [mm] (from memory, no
source found)"""
_STATES: dict[ToothState, State] = {
    ToothState.ERUPTED: "erupted",
    ToothState.ERUPTING: "erupting",
    ToothState.BROKEN: "broken",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """
    Options of `measure_row`.

    Parameters
    ----------
    edge_model : EdgeModel
        Error of one band edge.
    teeth : TeethOptions
    crests : CrestOptions
    """

    edge_model: EdgeModel = field(default_factory=EdgeModel)
    teeth: TeethOptions = field(default_factory=TeethOptions)
    crests: CrestOptions = field(default_factory=CrestOptions)


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
    grids = cut_lobes(maps, teeth, options.crests)
    strips = [find_strip(grid, options.crests) for grid in grids]
    profiles = read_crests(maps, grids, strips, options.crests)
    checks = check_crests(image, profiles)
    # The right frame is that of the numbering which the lobes support: the next pass may then number it so.
    shift = best_shift(teeth.crowns)
    place = place_row(teeth, shift)
    context = _Context(frame=frame, teeth=teeth, place=place, options=options, photo_size=photo_size)
    by_position: dict[int, list[int]] = {}
    for i, grid in enumerate(grids):
        by_position.setdefault(grid.crown.position, []).append(i)
    measured = {}
    for crown in teeth.crowns:
        own = by_position.get(crown.position, [])
        crests = tuple(_crest(context, grids[i], strips[i], profiles[i], checks[i]) for i in own)
        measured[crown.position] = _tooth(context, crown, [grids[i] for i in own], crests)
    empty = {
        position: look_at(position, teeth, place, maps, frame, photo_size)
        for position in range(1, N_TEETH + 1)
        if position not in measured
    }
    doubts = RowFlag.NUMBERS_UNSURE if shift else RowFlag(0)
    if not shift and 3 in measured:
        six: Six = "crown" if 6 in measured else "empty" if is_shown(empty[6]) else None
        by_length = milk_by_length(teeth.crowns)
        doubt = kind_in_doubt(measured[3].milk, by_length, six, measured.get(4))
        if doubt and not is_just_replaced(teeth.crowns):
            doubts = RowFlag.KIND_UNSURE
            measured[3] = _without_kind(measured[3], by_length, six)
    milk_row = measured[3].milk if 3 in measured and not doubts else None
    fresh = milk_row is None and 4 in measured and not is_no_fawns(measured[4])
    young = not shift and (fresh or is_just_replaced(teeth.crowns))
    six_teeth = []
    for position in range(1, N_TEETH + 1):
        if position in measured:
            tooth = measured[position]
            six_teeth.append(replace(tooth, state="unseen", milk=None) if shift else tooth)
        else:
            at = frame.to_photo(empty[position].centre[None, :])[0]
            six_teeth.append(
                MeasuredTooth(
                    position=position,
                    state=empty_state(position, teeth, empty[position], milk_row, young=young),
                    centre=(float(at[0]), float(at[1])),
                )
            )
    return _row(context, tuple(_with_milk(six_teeth, milk_row)), doubts)


def _without_kind(third: MeasuredTooth, by_length: bool | None, six: Six) -> MeasuredTooth:
    """
    Tooth 3 with its doubt.

    With tooth 6 there, length and lobes are left to contradict each other, and where its place is bare, that
    and the lobes; the key answers with both classes. Where its place is not in the picture every class is
    possible, and tooth 3 counts as not seen.
    """
    if six == "crown":
        return replace(third, milk=by_length)
    if six == "empty":
        return replace(third, milk=True)
    return replace(third, milk=None, state="unseen")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Context:
    """What every tooth of the row shares."""

    frame: RowFrame
    teeth: Teeth
    place: RowPlace
    options: MeasureOptions
    photo_size: tuple[int, int] | None

    @property
    def tilt_rad(self) -> float:
        return float(np.arcsin(min(float(np.hypot(*self.teeth.view)), 1.0)))

    def photo(self, value: float, u: float) -> Quantity:
        """A length of the crop with its uncertainty, in photo px."""
        return Quantity(value / self.frame.scale, u / self.frame.scale)


def _crest(
    context: _Context,
    grid: LobeGrid,
    strip: Strip | None,
    profiles: CrestProfiles | None,
    check: ImageCheck | None,
) -> MeasuredCrest:
    """One crest, with what the picture's brightness says of it."""
    flags = CrestFlag.LOBE_ASSUMED if grid.lobe.assumed else CrestFlag(0)
    if strip is None or profiles is None:
        return _unmeasured_crest(context, grid, strip, flags)
    bands = profiles.bands
    model, scale = context.options.edge_model, context.frame.scale
    dentine = np.where(bands.has_dentine, bands.dentine - model.dentine_bias_px, np.nan)
    outer = np.where(bands.has_dentine, bands.outer - model.enamel_bias_px, np.nan)
    inner = np.where(bands.has_dentine, bands.inner - model.enamel_bias_px, np.nan)
    usable = np.isfinite(outer) & (outer > 0.5)
    both = usable & np.isfinite(dentine) & np.isfinite(inner) & (inner > 0.5)
    gone = bool(usable.any() and both.sum() < 0.5 * usable.sum())
    dentine = np.where(np.isfinite(dentine), np.maximum(dentine, 0.0), np.nan)
    line = context.frame.to_photo(line_points(grid, strip))
    stations = _stations(context, profiles, dentine, outer, inner)
    spread = _edge_spread(bands.spread)
    sigma = model.crest_sigma_px(
        n_stations=max(int(both.sum()), 1),
        spacing_px=profiles.spacing_px,
        blur_px=context.teeth.blur_px,
        crop_per_photo=scale,
        tilt_rad=context.tilt_rad,
        spread_px=spread,
        image_away_px=0.0 if check is None else check.away_px,
    )
    width_u = model.scale * np.sqrt(2.0) * sigma
    ratio: Quantity | None = None
    definitions: dict[str, float] = {}
    if both.any() and not gone:
        ratio, definitions = _ratio(dentine, outer, inner, both, sigma, model)
    flags |= _crest_flags(context, grid, strip, dentine, outer, inner, both, gone)
    # Two edges, each known to about one crop pixel by its labels and one by its brightness; blur spoils the
    # latter.
    if check is not None and abs(check.wider_px) > max(3.0, 2.0 * scale, 1.5 * context.teeth.blur_px):
        flags |= CrestFlag.IMAGE_DISAGREES
    medians = [
        context.photo(median(w[ok]), width_u) if ok.any() else None
        for w, ok in ((dentine, both), (outer, usable), (inner, both))
    ]
    return MeasuredCrest(
        lobe=grid.lobe.number,
        line=line,
        stations=stations,
        dentine_px=medians[0] if not gone else None,
        enamel_outer_px=medians[1],
        enamel_inner_px=medians[2] if not gone else None,
        ratio=ratio,
        ratio_by_definition=MappingProxyType(definitions),
        infundibulum_gone=gone,
        image_offset_px=None if check is None else check.wider_px / scale,
        flags=flags,
        edge_spread_px=spread / scale,
        image_away_px=None if check is None else check.away_px / scale,
    )


def _edge_spread(spread: FloatArray) -> float:
    """Root of the mean square of the edges' median spreads, from shape (N, 4); 0 where none was found. [crop
    px]"""
    medians = [median(edge[np.isfinite(edge)]) for edge in spread.T if np.isfinite(edge).any()]
    return float(np.sqrt(np.mean(np.square(medians)))) if medians else 0.0


def _ratio(
    dentine: FloatArray,
    outer: FloatArray,
    inner: FloatArray,
    both: NDArray[np.bool_],
    sigma: float,
    model: EdgeModel,
) -> tuple[Quantity, dict[str, float]]:
    """Ratio by the declared definition with its standard uncertainty, and under the other definitions."""
    d, o, i, at = dentine[both], outer[both], inner[both], STATION_AT[both]
    ratios = 2.0 * d / (o + i)
    value = median(ratios)
    widths = median(d), median(o), median(i)
    edge = float(two_band_u(*widths, sigma))
    # Moving the strip's ends moves all stations: the slope of the ratio along the strip tells what that does.
    slope = float(fit_polynomial(at, ratios, 1)[0]) if at.size >= 5 else 0.0
    u = float(np.hypot(model.scale * np.hypot(edge, model.definition_share * slope), lost_dentine_u(*widths)))
    definitions = {
        "widest": float(_widest(d, ratios)),
        "outer": median(d / o),
        "inner": median(d / i),
    }
    middle = np.abs(at - 0.5) <= 0.05 + 1e-9
    if middle.any():
        definitions["middle"] = float(ratios[middle].mean())
    return Quantity(value, u), definitions


def _widest(dentine: FloatArray, ratios: FloatArray) -> float:
    """Ratio where the dentine is widest: mean over the stations at or above the 95 % point of the width."""
    high = np.sort(dentine)[int(np.ceil(0.95 * (dentine.size - 1)))]
    return float(ratios[dentine >= high].mean())


def _crest_flags(
    context: _Context,
    grid: LobeGrid,
    strip: Strip,
    dentine: FloatArray,
    outer: FloatArray,
    inner: FloatArray,
    both: NDArray[np.bool_],
    gone: bool,
) -> CrestFlag:
    flags = CrestFlag(0)
    if gone:
        flags |= CrestFlag.INFUNDIBULUM_GONE
    if strip.end - strip.begin < (grid.lobe.span[1] - grid.lobe.span[0]) / 3:
        flags |= CrestFlag.SHORT_STRIP
    if strip.covered < 0.85:
        flags |= CrestFlag.BROKEN_STRIP
    if both.sum() < both.size / 3 and not gone:
        flags |= CrestFlag.FEW_STATIONS
    if both.any() and not gone:
        widths = [median(w[both]) for w in (dentine, outer, inner)]
        if min(widths) < 2.0 * context.teeth.blur_px:
            flags |= CrestFlag.NARROW_BAND
        if max(widths[1:]) > UNEVEN_FACTOR * min(widths[1:]):
            flags |= CrestFlag.UNEVEN_BANDS
        ratios = 2.0 * dentine[both] / (outer[both] + inner[both])
        low, high = np.sort(ratios)[[ratios.size // 10, -1 - ratios.size // 10]]
        if high - low > 0.5 * max(median(ratios), 0.2):
            flags |= CrestFlag.TAPERED
    return flags


def _stations(
    context: _Context, profiles: CrestProfiles, dentine: FloatArray, outer: FloatArray, inner: FloatArray
) -> Stations:
    edges = profiles.centre[:, None, :] + profiles.bands.edges[:, :, None] * profiles.normal[:, None, :]
    scale = context.frame.scale
    middle = 0.5 * (edges[:, 1] + edges[:, 2])
    centre = np.where(np.isfinite(middle), middle, profiles.centre)
    return Stations(
        at=STATION_AT.copy(),
        centre=context.frame.to_photo(centre),
        dentine_px=dentine / scale,
        enamel_outer_px=outer / scale,
        enamel_inner_px=inner / scale,
        edges=context.frame.to_photo(edges.reshape(-1, 2)).reshape(edges.shape),
    )


def _unmeasured_crest(
    context: _Context, grid: LobeGrid, strip: Strip | None, flags: CrestFlag
) -> MeasuredCrest:
    """Crest without a dentine line: ratio 0 where the crest can be seen at all."""
    line = np.empty((0, 2))
    seen = float((grid.lingual > 0.5).mean()) > 0.1
    ratio = None
    if strip is not None:
        line = context.frame.to_photo(line_points(grid, strip))
    if seen:
        flags |= CrestFlag.NO_DENTINE
        if strip is None or not strip.has_enamel:
            flags |= CrestFlag.UNWORN
        model = context.options.edge_model
        sigma = model.station_sigma_px(blur_px=context.teeth.blur_px, crop_per_photo=context.frame.scale)
        enamel = _NOMINAL_ENAMEL_MM * CROP_PX_PER_MM
        ratio = Quantity(0.0, model.scale * float(one_band_u(0.0, enamel, sigma)))
    else:
        flags |= CrestFlag.NOT_MEASURED
    return MeasuredCrest(
        lobe=grid.lobe.number,
        line=line,
        stations=None,
        dentine_px=context.photo(0.0, 1.0) if seen else None,
        enamel_outer_px=None,
        enamel_inner_px=None,
        ratio=ratio,
        ratio_by_definition=MappingProxyType(
            dict.fromkeys(("middle", "widest", "outer", "inner"), 0.0) if seen else {}
        ),
        infundibulum_gone=False,
        image_offset_px=None,
        flags=flags,
    )


def _tooth(
    context: _Context, crown: Crown, grids: list[LobeGrid], crests: tuple[MeasuredCrest, ...]
) -> MeasuredTooth:
    frame = context.frame
    state = ToothState(int(np.argmax(crown.state_p)))
    begin, end, inner, outer = crown.extent
    corners = np.array([[begin, outer], [end, outer], [end, inner], [begin, inner]])
    outline = frame.to_photo(crown.centre + corners[:, :1] * crown.axis + corners[:, 1:] * crown.lingual)
    hull = frame.to_photo(crown.hull)
    low, high = hull.min(axis=0), hull.max(axis=0)
    flags = ToothFlag(0)
    length = (end - begin) / (
        context.place.scale * np.ptp(nominal_ends_mm()[crown.position - 1]) * CROP_PX_PER_MM
    )
    # Two crowns under one number, or half a crown: milk tooth 3 is 1.35 times as long as its successor.
    if crown.number_p < 0.7 or (state is not ToothState.ERUPTING and not 0.55 <= length <= 1.6):
        flags |= ToothFlag.NUMBER_UNSURE
    if crown.state_p.max() < 0.7 * max(float(crown.state_p.sum()), 1e-6):
        flags |= ToothFlag.STATE_UNSURE
    usual = {LOBES[crown.position], MILK_LOBES.get(crown.position, LOBES[crown.position])}
    if crown.counted_lobes not in usual:
        flags |= ToothFlag.LOBES_UNUSUAL
    if crown.crooked_deg > 20.0:
        flags |= ToothFlag.CROOKED
    size = context.photo_size
    touches = crown.touches_crop
    if size is not None:
        touches |= bool((low < 1.5).any() or high[0] > size[0] - 2.5 or high[1] > size[1] - 2.5)
    if touches:
        flags |= ToothFlag.CUT_BY_BORDER
    sigma = context.options.edge_model.station_sigma_px(
        blur_px=context.teeth.blur_px, crop_per_photo=frame.scale
    )
    edges_u = sigma * crown.edge_px * 0.5 / crown.area_px
    dentine_u = np.hypot(np.hypot(edges_u, 0.03 * crown.dentine_share), _missed_dentine(crown.dentine_share))
    centre = frame.to_photo(crown.centre[None, :])[0]
    return MeasuredTooth(
        position=crown.position,
        state=_STATES[state],
        state_p=MappingProxyType({_STATES[s]: float(crown.state_p[s]) for s in ToothState}),
        number_p=crown.number_p,
        lobes=crown.counted_lobes,
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        outline=outline,
        centre=(float(centre[0]), float(centre[1])),
        lobe_centres=frame.to_photo(np.array([lobe.centre for lobe in crown.lobes]).reshape(-1, 2)),
        milk=_milk(crown),
        crown_px=crown.area_px / frame.scale**2,
        infundibulum_left=_infundibulum_left(grids, sigma),
        dentine_share=Quantity(crown.dentine_share, float(dentine_u)),
        enclosed=crown.enclosed,
        off_crown=crown.off_crown,
        crests=crests,
        flags=flags,
    )


def _missed_dentine(share: float) -> float:
    """
    Standard uncertainty of a share for lines of dentine that are missed, or seen where there are none. [1]

    Ours: on drawn photos that training did not see, small shares (up to 0.06, 27 crowns) are wrong by 0.002
    to 0.012 (rms, by tooth and size), three times what their edges explain; crowns without dentine by 0.0002.
    """
    return float(min(0.045 * np.sqrt(share), 0.01))


def _milk(crown: Crown) -> bool | None:
    """Tooth 3 by its lobes; molars never; teeth 1 and 2 are settled by tooth 3 later."""
    if crown.position > 3:
        return False
    if crown.position == 3 and crown.counted_lobes is not None:
        return crown.counted_lobes >= MILK_LOBES[3]
    return None


def _with_milk(teeth: list[MeasuredTooth], milk_row: bool | None) -> list[MeasuredTooth]:
    """Teeth 1 and 2 take the kind of tooth 3: the three are replaced within about two months (facts: 17-19
    months)."""
    return [
        replace(t, milk=milk_row) if t.position < 3 and t.lobes is not None and t.milk is None else t
        for t in teeth
    ]


_LEFT_U: Final = 0.035
"""
Standard uncertainty of the share left, beside that of its ends and of what is faint: seams never seen. [1]

Ours, chosen with `_FAINT_U`: see there.
"""
_FAINT_U: Final = 0.2
"""
Standard uncertainty that faint and hidden stretches of infundibulum add, as a share of their length. [1]

Ours: chosen on 121 molars with 0.02 to 0.98 left, of 132 drawn photos and 48 drawn crops: 95 % intervals then
hold 97 % of them, and 95 % of the 66 with 0.05 to 0.6 left. They hold 96 % of 138 others, 45 in 32 photos and
93 in 76 crops, and 96 % of the 67 of these with 0.05 to 0.6 left.
"""


def _infundibulum_left(grids: list[LobeGrid], sigma: float) -> Quantity | None:
    """Open length over lobes 1 and 2 by their length, against that of an unworn crown; at most 1."""
    first = [grid for grid in grids if grid.lobe.number <= 2]
    if not first:
        return None
    unworn = UNWORN_INFUNDIBULUM_SHARE * _main_length(first)
    opened = [open_length(grid) for grid in first]
    share = sum(o.length for o in opened) / unworn
    # Each end is an edge seen end-on, known less well than a band's side.
    ends = 2.0 * sigma * np.sqrt(sum(o.ends for o in opened)) / unworn
    faint = _FAINT_U * sum(o.faint + o.hidden for o in opened) / unworn
    return Quantity(min(float(share), 1.0), float(np.hypot(np.hypot(ends, faint), _LEFT_U)))


def _main_length(grids: list[LobeGrid]) -> float:
    """
    Length of lobes 1 and 2. [crop px]

    Beside the short heel of a third molar lobe 2 does not end halfway to the next middle, but as far behind
    its own as it begins before it.
    """
    length = sum(grid.lobe.span[1] - grid.lobe.span[0] for grid in grids)
    lobes, axis = grids[0].crown.lobes, grids[0].crown.axis
    if len(lobes) < 3 or len(grids) < 2:
        return length
    halfway = lobes[1].span[1]
    behind = 0.5 * float((lobes[1].centre - lobes[0].centre) @ axis)
    return length + max(behind - halfway, 0.0)


def _row(context: _Context, teeth: tuple[MeasuredTooth, ...], flags: RowFlag) -> MeasuredRow:
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
