"""
After the fine pass: view, sharpness, light and completeness of the row that was measured. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.fine_pass import FinePass
from crestgauge.inference.fit_limits import (
    LIMITS,
    NOTHING_ELSE,
    Elsewhere,
    Fit,
    FitLimits,
    has_whole_row,
    refusal,
)
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measured import MeasuredRow, MeasuredTooth, RowFlag, ToothFlag, sentences
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.reading import Retake
from crestgauge.model.labels import CHANNELS, CROWN_MATERIALS, Material

KEY_TEETH: Final = (3, 4, 5, 6)
"""Teeth that the key asks about."""
MOLARS: Final = (4, 5, 6)
_NOMINAL_ENAMEL_MM: Final = 0.55
"""Enamel band taken where none could be measured. [mm] (from memory, no source found)"""
_WIDEST_ENAMEL_MM: Final = 0.65
"""Enamel band above which it is not believed in when sharpness is judged. [mm] Ours, from the drawn jaws."""
_STEP: Final = 2
"""Shares of areas need no more than every second pixel."""
BRIGHTNESS: Final = np.array([0.2126, 0.7152, 0.0722])
"""Weights of red, green and blue of ITU-R BT.709, on the stored values: what an eye sees on the screen."""


def check_row(
    fine: FinePass,
    photo_size: tuple[int, int],
    limits: FitLimits = LIMITS,
    elsewhere: Elsewhere = NOTHING_ELSE,
) -> Fit:
    """
    After the fine pass: view, sharpness, light and completeness.

    Parameters
    ----------
    fine : FinePass
    photo_size : tuple of int
        (width, height) of the upright photo. [px]
    elsewhere : Elsewhere
    """
    row, frame = fine.row, fine.frame
    if row is None:
        # A blur that leaves the fine pass nothing may leave the coarse one a row.
        blurred = _check_blur(None, frame, limits, elsewhere.blur_px)
        return blurred if blurred.retake else Fit(retake=(refusal("not_a_jaw", 0.0, 1.0),))
    crown, chewing, soft = _areas(fine.maps)
    share = float(chewing.sum() / max(crown.sum(), 1))
    if share < limits.min_chewing_share:
        return Fit(retake=(refusal("no_chewing_surface", share, limits.min_chewing_share),))
    from_the_side = _check_side(row, elsewhere.tilt_deg, limits)
    if from_the_side:  # then nothing else that is measured means what it says
        return Fit(retake=from_the_side)
    checks = (
        _check_scale(frame, limits, elsewhere.px_per_mm),
        _check_tilt(row, limits, elsewhere),
        _check_blur(row, frame, limits, elsewhere.blur_px),
        _check_light(fine.crop, crown, soft, limits),
        _check_completeness(row.teeth, photo_size),
        Fit(cautions=sentences(row.flags & (RowFlag.NUMBERS_UNSURE | RowFlag.KIND_UNSURE))),
    )
    retake = tuple(item for fit in checks for item in fit.retake)
    if not retake:  # blur and glare take rims away, too
        retake = _check_cover(row.teeth, limits)
    if not retake and row.number_p < limits.row.least_numbers:
        # Whatever the cause (a strong tilt, hard shadows): what is measured may be of another tooth.
        retake = (refusal("teeth_unclear", row.number_p, limits.row.least_numbers),)
    return Fit(retake=retake, cautions=tuple(text for fit in checks for text in fit.cautions))


def _check_scale(frame: RowFrame, limits: FitLimits, known: float | None) -> Fit:
    """``known``: the scale by a card; without one the nominal row's, of an animal of unknown size."""
    px_per_mm, least = known, limits.min_px_per_mm
    if px_per_mm is None:
        px_per_mm, least = CROP_PX_PER_MM / frame.scale, limits.min_px_per_mm * limits.least_row
    if px_per_mm < least:
        return Fit(retake=(refusal("too_small", px_per_mm, least),))
    if px_per_mm < limits.caution_px_per_mm:
        return Fit(
            cautions=(
                f"About {px_per_mm:.0f} pixels per millimetre; from {limits.caution_px_per_mm:.0f} on, "
                "ratios are known twice as well.",
            )
        )
    return Fit()


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
    elif has_whole_row(row, limits):
        tilt, limit = None if own is None else min(own, coarse_deg), limits.seen_side_deg
    else:
        tilt, limit = coarse_deg, limits.max_tilt_deg
    if tilt is None or tilt <= limit:
        return ()
    return (refusal("no_chewing_surface", tilt, limit),)


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
        return Fit(retake=(refusal("tilted", seen, limits.max_tilt_deg),))
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
        return Fit(retake=(refusal("blurred", sharpness, limits.min_band_over_blur),))
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
        blank = blank_share(sample[soft] @ BRIGHTNESS, limits)
        if blank > limits.max_blank:
            found.append(refusal("glare", blank, limits.max_blank))
    if crown.any():
        light = float(np.percentile(sample[crown] @ BRIGHTNESS, 90))
        if light < limits.min_light:
            found.append(refusal("dark", light, limits.min_light))
    return Fit(retake=tuple(found))


def blank_share(brightness: NDArray[np.float64], limits: FitLimits) -> float:
    """Largest share of values within one bright plateau."""
    counts = np.bincount(np.clip(np.rint(brightness), 0, 255).astype(int), minlength=256)
    runs = np.convolve(counts, np.ones(limits.blank_width), mode="same")
    return float(runs[limits.blank_level :].max() / max(brightness.size, 1))


def _check_completeness(teeth: Sequence[MeasuredTooth], photo_size: tuple[int, int]) -> Fit:
    cut = [tooth for tooth in teeth if tooth.position in KEY_TEETH and _is_cut(tooth, photo_size)]
    if cut:
        return Fit(retake=(refusal("cut_off", len(cut), 0),))
    unknown = [tooth for tooth in teeth if tooth.position in KEY_TEETH and tooth.state == "unseen"]
    crowns = [tooth for tooth in unknown if tooth.box is not None]
    if crowns:  # in view, but which tooth they are is not known; then neither is what else is hidden
        return Fit(retake=(refusal("teeth_unclear", len(crowns), 0),))
    if unknown:
        return Fit(retake=(refusal("covered", len(unknown), 0),))
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
        return (refusal("covered", enclosed, limits.min_enclosed),)
    # Gum stands over teeth on their way.
    off_crown = max((t.off_crown for t in needed if t.state != "erupting"), default=0.0)
    if off_crown > limits.max_off_crown:
        return (refusal("covered", off_crown, limits.max_off_crown),)
    return ()


def _is_cut(tooth: MeasuredTooth, photo_size: tuple[int, int]) -> bool:
    """The crown touches the picture's border, or its place lies beyond."""
    if tooth.flags & ToothFlag.CUT_BY_BORDER:
        return True
    if tooth.state != "unseen" or tooth.centre is None:
        return False
    x, y = tooth.centre
    return not (0 <= x < photo_size[0] and 0 <= y < photo_size[1])
