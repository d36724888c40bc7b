"""
Can this photo show what the key asks? One reason, measured value, limit and advice for each thing that it
cannot.

Pure: numbers, label maps and pictures in, reasons out. Every limit is in `FitLimits`, each with where it
comes from. What a limit lets through close to it is a caution, which a reading carries as a note.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import COARSE_LONG_SIDE, NOMINAL_ROW_MM, LabelMaps, RowFrame
from crestgauge.inference.measured import MeasuredRow, MeasuredTooth, RowFlag, ToothFlag, sentences
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.reading import Retake
from crestgauge.inference.row import RowSearch
from crestgauge.inference.row_fit import RowOptions
from crestgauge.model.labels import CHANNELS, CROWN_MATERIALS, Material

KEY_TEETH: Final = (3, 4, 5, 6)
"""Teeth that the key asks about."""
MOLARS: Final = (4, 5, 6)

ADVICE: Final[dict[str, str]] = {
    "not_a_jaw": (
        "No row of lower cheek teeth was found: lay one half of the lower jaw flat, cheek teeth up, and "
        "let the tooth row fill most of the picture."
    ),
    "no_chewing_surface": (
        "The chewing surface is not in view: turn the jaw so that the biting surfaces face the camera, "
        "and take the picture from straight above."
    ),
    "tilted": (
        "The camera looks at the teeth from the side: hold it straight above the middle of the row, so "
        "that both side walls of the teeth disappear."
    ),
    "blurred": (
        "The teeth are not sharp: rest the phone on something, tap on the teeth to focus, and take it in "
        "better light from 25 to 30 cm away."
    ),
    "too_small": (
        "The teeth are too small in the picture: go closer, or use the zoom, until the tooth row fills "
        "most of the long side, and send the original file."
    ),
    "glare": (
        "Bright reflections cover the crests: dry the teeth, switch the flash off, and turn away from "
        "the sun or shade the jaw."
    ),
    "dark": (
        "The teeth are too dark to tell enamel from dentine: take it in daylight shade or under a lamp."
    ),
    "cut_off": (
        "Teeth are cut off by the edge of the picture: take it again with the whole tooth row inside."
    ),
    "two_rows": (
        "Two rows of teeth are in the picture, and which one is meant cannot be told: photograph one at a "
        "time, or put the one that is meant in the middle."
    ),
    "teeth_unclear": (
        "The teeth cannot be told from each other: take it again from straight above, in even light, with "
        "the whole row in the picture and nothing over it."
    ),
    "covered": (
        "Something covers teeth that are needed: clear away gum, tongue, food, mud, leaves and fingers, and "
        "take it again."
    ),
}
"""One sentence per reason; the ids are part of the reading's contract."""


SECOND_ROW: Final = (
    "Another row of teeth is in the picture; the larger one, or the one nearer to the middle, was read. "
    "Check that it is the one that you mean, or photograph one row at a time."
)
"""Note of a reading where a second row was seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FitLimits:
    """
    Where a photo is refused, and where it is only cautioned.

    Parameters
    ----------
    row : RowOptions
        What counts as a row at all.
    min_row_shape : float
        Square of the length of the visible crowns over their area, below which a photo that is refused
        anyhow shows a part of a row only. Ours: 7.0 and more on 105 usable drawn photos, 1.9 to 5.6 on eight
        of nine with a covered row (a gap in the middle makes the other one slender). [1]
    max_bare_end : float
        ... or a row of unsure numbers, whose crowns end where the bone ends, too. Ours: up to 0.3 on
        99 of 101 usable drawn photos, 0.89 to 1.00 on 11 of 14 with a covered row. [1]
    min_px_per_mm, caution_px_per_mm : float
        Photo pixels per millimetre. An enamel band of 0.5 to 0.6 mm then has 5 to 6 px: with half a pixel of
        edge error a ratio is known to about 20 %, at 20 px/mm to about 10 % (error propagation for the ratio
        of two bands that share an edge, JCGM 100:2008). [px/mm]
    least_row : float
        A small animal's row over the nominal one, by which the pixels per nominal millimetre may fall below
        the limit where no card shows the scale. Ours: pixels per nominal over pixels per true millimetre are
        0.85 to 1.14 (middle 95 %) on 96 usable drawn photos, less on some fawns, whose milk teeth have other
        proportions. How much deer differ has no source. [1]
    min_chewing_share : float
        Least share of band, dentine and infundibulum in the crown pixels; a cheek side shows walls only.
        Ours, set on drawn jaws seen from the side and from below. [1]
    side_view_deg : float
        Tilt from which the picture counts as one of the cheek side. [deg]
    seen_side_deg : float
        The same as both passes must see it, which say too little of steep views. Ours: the lower of both was
        at most 39.6 on 13 drawn photos at 36 to 50 degrees, at least 41.3 on four at 68 to 80 with sure
        numbers. [deg]
    whole_row_numbers : float
        Certainty of the tooth numbers from which the fine pass has a whole row before it, so that its scale
        and its view are believed. Ours: 0.96 and more on tilted drawn photos, and, but for one at 0.93, on
        those too far away; 0.92 and less on all with a covered row, and on most of a side. [1]
    max_tilt_deg : float
        At 25 degrees a step of 1 mm between two facets moves an edge by 0.47 mm (h tan t), about a whole
        band. [deg]
    caution_tilt_deg : float
        [deg]
    min_band_over_blur, caution_band_over_blur : float
        Enamel band over blur sigma. Below 4 a band's width is biased by its own blur (a Gaussian-blurred bar
        keeps 0.95 of its contrast at 4 sigma, 0.87 at 3, 0.68 at 2). Refused well above 2.4, where the
        network stops: of whatever blur on drawn photos blurred by 0.32 to 0.72 mm, it says at most 0.28 mm.
        Those came out at up to 2.7, usable ones at 3.5 and more (717 photos). [1]
    max_blank, blank_level, blank_width : float
        Share of the molars' pixels beside the enamel bands that lie on one blank plateau: a run of
        ``blank_width`` grey levels at or above ``blank_level``. Not tied to 255, since phones and copies
        lower a clipped white. White enamel may be blank, and is under a flash; dentine and hollows that are
        can no longer be told from it. Ours: good drawn photos reach 0.38; three of five overexposed ones lie
        at 0.6 or above.
    min_light : float
        Least 90th percentile of brightness over the crowns, which is what their enamel shows. Ours. [grey
        levels]
    min_enclosed : float
        Least share of the border of a tooth's dentine that lies on enamel or an infundibulum; below one half
        more of it is open than closed. Ours: 0.77 or more on good drawn photos (226 teeth), 0.33 or less on
        12 of 14 teeth under drawn leaves that were read with dentine. [1]
    max_off_crown : float
        Largest share of a standing crown that is jaw or background by its materials. Ours: up to 0.16 on good
        drawn photos (306 crowns), 0.68 and 0.84 on two with leaves that nothing else refused. [1]
    second_row : float
        Label area of a second row, as a share of the row's own, from which the reading says that there is
        one. Ours. [1]
    max_wear_apart : float
        ... and by how much its crowns' share of dentine differs, from where on it is taken for another
        animal's. Ours: up to 0.11 in eight drawn photos with a second row, 0.17 to 0.61 in five; 0.44 and
        0.49 in two of a fawn beside a jaw worn smooth. [1]
    """

    row: RowOptions = field(default_factory=RowOptions)
    min_row_shape: float = 5.5
    max_bare_end: float = 0.8
    min_px_per_mm: float = 10.0
    least_row: float = 0.85
    caution_px_per_mm: float = 20.0
    min_chewing_share: float = 0.12
    side_view_deg: float = 58.0
    seen_side_deg: float = 40.0
    whole_row_numbers: float = 0.95
    max_tilt_deg: float = 25.0
    caution_tilt_deg: float = 15.0
    min_band_over_blur: float = 3.0
    caution_band_over_blur: float = 4.0
    max_blank: float = 0.5
    blank_level: int = 200
    blank_width: int = 13
    min_light: float = 95.0
    min_enclosed: float = 0.5
    max_off_crown: float = 0.4
    second_row: float = 0.25
    max_wear_apart: float = 0.2


LIMITS: Final = FitLimits()
_NOMINAL_ENAMEL_MM: Final = 0.55
"""Enamel band taken where none could be measured. [mm] (from memory, no source found)"""


_WIDEST_ENAMEL_MM: Final = 0.65
"""Enamel band above which it is not believed in when sharpness is judged. [mm] Ours, from the drawn jaws."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """
    What a check found.

    Parameters
    ----------
    retake : tuple of Retake
        Empty where the photo will do.
    cautions : tuple of str
        Sentences on what is near a limit.
    """

    retake: tuple[Retake, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Elsewhere:
    """
    What others than the fine pass know of its picture.

    Parameters
    ----------
    tilt_deg : float or None
        Tilt that the coarse pass saw; None where the row's own is better known, as by a card. [deg]
    both_deg : float or None
        Tilt that both passes say together (`crestgauge.inference.views.both_views`), which a reading states;
        None where that is the row's own. [deg]
    blur_px : float or None
        Blur sigma that the coarse pass saw, where it saw any. [photo px]
    px_per_mm : float or None
        Scale of the picture by a card; None without one.
    """

    tilt_deg: float | None = None
    both_deg: float | None = None
    blur_px: float | None = None
    px_per_mm: float | None = None


_NOTHING_ELSE: Final = Elsewhere()


def check_search(search: RowSearch, maps: LabelMaps, limits: FitLimits = LIMITS) -> Fit:
    """
    After the coarse pass: is there a row of teeth, and only one?

    Parameters
    ----------
    search : RowSearch
    maps : LabelMaps
        Coarse maps of the photo.
    """
    if search.frame is not None:
        return _check_second_row(search, limits)
    return Fit(retake=(_no_row(search, maps, limits),))


def _check_second_row(search: RowSearch, limits: FitLimits) -> Fit:
    """
    A second row is named; where the larger row is not the nearer one, or two animals lie equally near to the
    middle, nobody can say which is meant.
    """
    if search.second_row < limits.second_row:
        return Fit()
    nearer, margin = search.second_nearer, limits.row.nearer
    if nearer > margin:
        return Fit(retake=(_retake("two_rows", nearer, margin),))
    if nearer > -margin and search.second_wear > limits.max_wear_apart:
        return Fit(retake=(_retake("two_rows", search.second_wear, limits.max_wear_apart),))
    return Fit(cautions=(SECOND_ROW,))


def _no_row(search: RowSearch, maps: LabelMaps, limits: FitLimits) -> Retake:
    """Why the coarse pass found no row."""
    jaw = float((maps.block("material")[Material.BACKGROUND] < 0.5).mean())
    evidence = _row_evidence(search, limits.row)
    if search.crowns.tilt_deg is None:
        # Bone without a tooth, or no bone: "cheek teeth up" helps both, and a cheek side would show walls.
        return _retake("not_a_jaw", evidence, 1.0)
    if search.crowns.tilt_deg > limits.max_tilt_deg:
        return _retake("no_chewing_surface", search.crowns.tilt_deg, limits.max_tilt_deg)
    if partly_hidden(search, limits) and jaw > _JAW_BESIDE:
        return _rest_of_row(search, limits)
    px_per_mm, least = search.row_length_px / NOMINAL_ROW_MM, limits.min_px_per_mm * limits.least_row
    if evidence > _HALF_A_ROW and 0 < px_per_mm < least:
        return _retake("too_small", px_per_mm, least)
    if evidence > _HALF_A_ROW and jaw > _BARE_JAW and search.teeth:
        return _retake("covered", len(search.teeth), limits.row.min_teeth)
    crown = search.crown_px / COARSE_LONG_SIDE**2
    if jaw > _BARE_JAW and crown < _HARDLY_ANY_TEETH:
        # Seen from above, crowns are in view unless something lies over them.
        return _retake("covered", crown, _HARDLY_ANY_TEETH)
    return _retake("not_a_jaw", evidence, 1.0)


def partly_hidden(search: RowSearch, limits: FitLimits = LIMITS) -> bool:
    """
    Whether the crowns in view are a part of a row, whose rest is hidden: few for their breadth, or ending
    where the bone does; and that breadth is none of teeth far away.
    """
    near = search.crowns.breadth_px >= _LEAST_BREADTH_MM * limits.min_px_per_mm * limits.least_row
    stout = 0.0 < search.crowns.shape < limits.min_row_shape
    return near and (stout or search.crowns.bare_end > limits.max_bare_end)


_LEAST_BREADTH_MM: Final = 7.0
"""Area over length of crowns near enough to be read. [mm] Ours: drawn rows with a hidden rest have 68 px and
more, but for one that is broken up; rows far away, with unsure numbers, up to 54."""


def both(search: RowSearch, second: Fit, row: MeasuredRow | None, limits: FitLimits = LIMITS) -> Fit:
    """
    What the two passes found.

    Where the fine pass is not sure to have a whole row before it, and the coarse pass saw crowns that are
    partly hidden, the rest is asked for first: "too small" then was said of a part that was taken for the
    whole, and going closer would not help. Looking so refuses nothing alone, since a fawn's row of four teeth
    is stout, and nothing is said of it where the side walls in view make it so. Only a row that runs into the
    border is refused for its numbers alone: cut at its back, it has been read from the wrong end.
    """
    found = second.retake
    reasons = {item.reason for item in found}
    if _is_whole(row, limits) or reasons & _FROM_THE_SIDE:
        return second
    if partly_hidden(search, limits) if found else search.borders:
        rest = _rest_of_row(search, limits)
        found = (rest, *(item for item in found if item.reason not in {*_OF_A_PART, rest.reason}))
    return replace(second, retake=found)


def _is_whole(row: MeasuredRow | None, limits: FitLimits) -> bool:
    return row is not None and row.number_p >= limits.whole_row_numbers


_OF_A_PART: Final = frozenset({"too_small", "teeth_unclear", "not_a_jaw"})
_FROM_THE_SIDE: Final = frozenset({"tilted", "no_chewing_surface"})


def _rest_of_row(search: RowSearch, limits: FitLimits) -> Retake:
    if search.borders:
        return _retake("cut_off", len(search.borders), 0)
    if 0.0 < search.crowns.shape < limits.min_row_shape:
        return _retake("covered", search.crowns.shape, limits.min_row_shape)
    return _retake("covered", search.crowns.bare_end, limits.max_bare_end)


def _check_scale(frame: RowFrame, limits: FitLimits, known: float | None) -> Fit:
    """``known``: the scale by a card; without one the nominal row's, of an animal of unknown size."""
    px_per_mm, least = known, limits.min_px_per_mm
    if px_per_mm is None:
        px_per_mm, least = CROP_PX_PER_MM / frame.scale, limits.min_px_per_mm * limits.least_row
    if px_per_mm < least:
        return Fit(retake=(_retake("too_small", px_per_mm, least),))
    if px_per_mm < limits.caution_px_per_mm:
        return Fit(
            cautions=(
                f"About {px_per_mm:.0f} pixels per millimetre; from {limits.caution_px_per_mm:.0f} on, "
                "ratios are known twice as well.",
            )
        )
    return Fit()


def _row_evidence(search: RowSearch, limits: RowOptions) -> float:
    """The weakest of three things that make a row, each over what is needed: numbers in line, area, order."""
    shares = (len(search.teeth) / limits.min_teeth, search.fill / limits.min_score, search.order_score / 0.5)
    return min(*shares, 0.99)


_HALF_A_ROW: Final = 0.5
"""Share of the evidence for a row from which something small in a photo is taken for teeth. Ours."""
_BARE_JAW: Final = 0.08
"""Share of the picture that must be jaw before "no chewing surface" is said rather than "not a jaw". Ours."""
_JAW_BESIDE: Final = 0.02
"""Share of the picture that must be jaw before something small with crowns is a row partly hidden. Ours."""
_HARDLY_ANY_TEETH: Final = 0.004
"""Share of a square picture that teeth fill where a jaw shows hardly any. Ours."""


def check_row(
    row: MeasuredRow | None,
    maps: LabelMaps,
    crop: NDArray[np.uint8],
    frame: RowFrame,
    photo_size: tuple[int, int],
    limits: FitLimits = LIMITS,
    elsewhere: Elsewhere = _NOTHING_ELSE,
) -> Fit:
    """
    After the fine pass: view, sharpness, light and completeness.

    Parameters
    ----------
    row : MeasuredRow or None
    maps, crop, frame
        Fine maps, the crop they belong to (H, W, 3), and how it lies in the photo.
    photo_size : tuple of int
        (width, height) of the upright photo. [px]
    elsewhere : Elsewhere
    """
    if row is None:
        # A blur that leaves the fine pass nothing may leave the coarse one a row.
        blurred = _check_blur(None, frame, limits, elsewhere.blur_px)
        return blurred if blurred.retake else Fit(retake=(_retake("not_a_jaw", 0.0, 1.0),))
    crown, chewing, soft = _areas(maps)
    share = float(chewing.sum() / max(crown.sum(), 1))
    if share < limits.min_chewing_share:
        return Fit(retake=(_retake("no_chewing_surface", share, limits.min_chewing_share),))
    from_the_side = _check_side(row, elsewhere.tilt_deg, limits)
    if from_the_side:  # then nothing else that is measured means what it says
        return Fit(retake=from_the_side)
    checks = (
        _check_scale(frame, limits, elsewhere.px_per_mm),
        _check_tilt(row, limits, elsewhere),
        _check_blur(row, frame, limits, elsewhere.blur_px),
        _check_light(crop, crown, soft, limits),
        _check_completeness(row.teeth, photo_size),
        Fit(cautions=sentences(row.flags & (RowFlag.NUMBERS_UNSURE | RowFlag.KIND_UNSURE))),
    )
    retake = tuple(item for fit in checks for item in fit.retake)
    if not retake:  # blur and glare take rims away, too
        retake = _check_cover(row.teeth, limits)
    if not retake and row.number_p < limits.row.least_numbers:
        # Whatever the cause (a strong tilt, hard shadows): what is measured may be of another tooth.
        retake = (_retake("teeth_unclear", row.number_p, limits.row.least_numbers),)
    return Fit(retake=retake, cautions=tuple(text for fit in checks for text in fit.cautions))


_STEP: Final = 2
"""Shares of areas need no more than every second pixel."""


def _areas(maps: LabelMaps) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Crown pixels, those of the chewing surface, and those of the molars that are no enamel band, on every
    `_STEP`-th pixel."""
    best = maps.block("material")[:, ::_STEP, ::_STEP].argmax(axis=0)
    crown = np.isin(best, CROWN_MATERIALS)
    chewing = crown & (best != Material.CROWN_WALL)
    first = CHANNELS["tooth"].start
    molar = sum(maps.channels[first + k, ::_STEP, ::_STEP] for k in MOLARS) > 0.5
    return crown, chewing, crown & molar & (best != Material.ENAMEL_BAND)


def _check_side(row: MeasuredRow, coarse_deg: float | None, limits: FitLimits) -> tuple[Retake, ...]:
    """
    Whether the picture shows the cheek or tongue side.

    No network knows a steep view well. The coarse pass says too little of it, the fine pass now and then far
    too much, so both must see it. Where the fine pass does not know the teeth, the coarse pass counts alone,
    and a tilt of which it says so much hides them.
    """
    own = None if row.tilt_deg is None else row.tilt_deg.value
    if coarse_deg is None:
        tilt, limit = own, limits.side_view_deg
    elif _is_whole(row, limits):
        tilt, limit = None if own is None else min(own, coarse_deg), limits.seen_side_deg
    else:
        tilt, limit = coarse_deg, limits.max_tilt_deg
    if tilt is None or tilt <= limit:
        return ()
    return (_retake("no_chewing_surface", tilt, limit),)


def _check_tilt(row: MeasuredRow, limits: FitLimits, elsewhere: Elsewhere) -> Fit:
    """
    Refuses by the mean of what both passes saw, where that is less than what the fine pass saw: it is far off
    on single pictures. Cautions by what is stated.

    On 17 drawn photographs tilted by 37 to 51 degrees this was 30 and more, on 156 usable ones, at up to 15
    degrees, at most 22. (Ours.)
    """
    if row.tilt_deg is None:
        return Fit()
    seen = own = row.tilt_deg.value
    if elsewhere.tilt_deg is not None:
        seen = min(own, 0.5 * (own + elsewhere.tilt_deg))
    if seen > limits.max_tilt_deg:
        return Fit(retake=(_retake("tilted", seen, limits.max_tilt_deg),))
    stated = own if elsewhere.both_deg is None else elsewhere.both_deg
    if stated > limits.caution_tilt_deg:
        return Fit(cautions=(f"The camera looked at the teeth {stated:.0f} degrees from the side.",))
    return Fit()


def _check_blur(row: MeasuredRow | None, frame: RowFrame, limits: FitLimits, coarse_px: float | None) -> Fit:
    """
    By the larger of what both passes see: of a blur wider than a tooth's crests the fine pass sees little, in
    the coarse one it is a few pixels.
    """
    own_px = None if row is None else row.blur_px
    blur = max(own_px or 0.0, coarse_px or 0.0)
    if blur <= 0:
        return Fit()
    bands = [
        width.value
        for tooth in (() if row is None else row.teeth)
        if tooth.position in MOLARS
        for crest in tooth.crests
        for width in (crest.enamel_outer_px, crest.enamel_inner_px)
        if width is not None
    ]
    # Blur widens what it measures: beyond this a "band" is no evidence of sharpness.
    widest = _WIDEST_ENAMEL_MM * CROP_PX_PER_MM / frame.scale
    band = (
        min(float(np.median(bands)), widest) if bands else _NOMINAL_ENAMEL_MM * CROP_PX_PER_MM / frame.scale
    )
    sharpness = band / blur
    if sharpness < limits.min_band_over_blur:
        return Fit(retake=(_retake("blurred", sharpness, limits.min_band_over_blur),))
    if sharpness < limits.caution_band_over_blur:
        return Fit(
            cautions=(f"The enamel bands are only {sharpness:.1f} times as wide as the photo's blur.",)
        )
    return Fit()


def _check_light(
    crop: NDArray[np.uint8], crown: NDArray[np.bool_], soft: NDArray[np.bool_], limits: FitLimits
) -> Fit:
    found = []
    sample = crop[::_STEP, ::_STEP]
    if soft.any():
        blank = _blank_share(sample[soft] @ _BRIGHTNESS, limits)
        if blank > limits.max_blank:
            found.append(_retake("glare", blank, limits.max_blank))
    if crown.any():
        light = float(np.percentile(sample[crown] @ _BRIGHTNESS, 90))
        if light < limits.min_light:
            found.append(_retake("dark", light, limits.min_light))
    return Fit(retake=tuple(found))


def _blank_share(brightness: NDArray[np.float64], limits: FitLimits) -> float:
    """Largest share of values within one bright plateau."""
    counts = np.bincount(np.clip(np.rint(brightness), 0, 255).astype(int), minlength=256)
    runs = np.convolve(counts, np.ones(limits.blank_width), mode="same")
    return float(runs[limits.blank_level :].max() / max(brightness.size, 1))


_BRIGHTNESS: Final = np.array([0.2126, 0.7152, 0.0722])
"""Weights of red, green and blue of ITU-R BT.709, on the stored values: what an eye sees on the screen."""


def _check_completeness(teeth: Sequence[MeasuredTooth], photo_size: tuple[int, int]) -> Fit:
    cut = [tooth for tooth in teeth if tooth.position in KEY_TEETH and _is_cut(tooth, photo_size)]
    if cut:
        return Fit(retake=(_retake("cut_off", len(cut), 0),))
    unknown = [tooth for tooth in teeth if tooth.position in KEY_TEETH and tooth.state == "unseen"]
    crowns = [tooth for tooth in unknown if tooth.box is not None]
    if crowns:  # in view, but which tooth they are is not known; then neither is what else is hidden
        return Fit(retake=(_retake("teeth_unclear", len(crowns), 0),))
    if unknown:
        return Fit(retake=(_retake("covered", len(unknown), 0),))
    return Fit()


def _check_cover(teeth: Sequence[MeasuredTooth], limits: FitLimits) -> tuple[Retake, ...]:
    """
    Refused where something that lies on a tooth is read as that tooth: its "dentine" has no rim of enamel,
    or its number stands where the materials show no tooth.
    """
    needed = [tooth for tooth in teeth if tooth.position in KEY_TEETH]
    # A fracture has no rim either; the key asks nothing of the bands of a broken tooth.
    rims = [t.enclosed for t in needed if t.enclosed is not None and t.state != "broken"]
    enclosed = min(rims, default=1.0)
    if enclosed < limits.min_enclosed:
        return (_retake("covered", enclosed, limits.min_enclosed),)
    # Gum stands over teeth on their way.
    off_crown = max((t.off_crown for t in needed if t.state != "erupting"), default=0.0)
    if off_crown > limits.max_off_crown:
        return (_retake("covered", off_crown, limits.max_off_crown),)
    return ()


def _is_cut(tooth: MeasuredTooth, photo_size: tuple[int, int]) -> bool:
    """The crown touches the picture's border, or its place lies beyond."""
    if tooth.flags & ToothFlag.CUT_BY_BORDER:
        return True
    if tooth.state != "unseen" or tooth.centre is None:
        return False
    x, y = tooth.centre
    return not (0 <= x < photo_size[0] and 0 <= y < photo_size[1])


def _retake(reason: str, measured: float, limit: float) -> Retake:
    return Retake(reason=reason, measured=float(measured), limit=float(limit), advice=ADVICE[reason])
