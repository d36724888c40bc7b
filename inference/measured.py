"""
What the geometry measured on one row: value objects in pixels of the upright photo, and their flags.

Nothing here computes; `crestgauge.inference.measure.measure_row` fills these objects. Points are (x, y) of
the upright photo; widths are photo pixels square to the crest line; a value that could not be measured is
NaN (arrays) or None, and the reason is a flag.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntFlag
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.evidence import Quantity, State
from crestgauge.inference.maps import RowFrame
from crestgauge.inference.views import View

FloatArray = NDArray[np.float64]


class CrestFlag(IntFlag):
    """What is remarkable about one crest. Bit values never change; records keep them."""

    NO_DENTINE = 1
    UNWORN = 2
    INFUNDIBULUM_GONE = 4
    SHORT_STRIP = 8
    BROKEN_STRIP = 16
    FEW_STATIONS = 32
    NARROW_BAND = 64
    TAPERED = 128
    UNEVEN_BANDS = 256
    IMAGE_DISAGREES = 512
    LOBE_ASSUMED = 1024
    NOT_MEASURED = 2048


CREST_FLAG_SENTENCES: Mapping[CrestFlag, str] = MappingProxyType(
    {
        CrestFlag.NO_DENTINE: "The crest shows no dentine line, so its ratio is 0.",
        CrestFlag.UNWORN: "The crest shows no cut enamel either: it has not come into wear.",
        CrestFlag.INFUNDIBULUM_GONE: "No infundibulum is left beside this crest, so it has no inner band.",
        CrestFlag.SHORT_STRIP: "The dentine strip covers less than a third of the lobe.",
        CrestFlag.BROKEN_STRIP: "The dentine strip has gaps.",
        CrestFlag.FEW_STATIONS: "Fewer than a third of the stations could be measured.",
        CrestFlag.NARROW_BAND: "A band is narrower than twice the blur, where its width is not reliable.",
        CrestFlag.TAPERED: "The ratio changes strongly along the crest, so it depends on where one measures.",
        CrestFlag.UNEVEN_BANDS: "Outer and inner enamel band differ by more than a factor of two.",
        CrestFlag.IMAGE_DISAGREES: "Brightness edges in the photo lie away from the labelled band edges.",
        CrestFlag.LOBE_ASSUMED: "The lobe centre was not seen but assumed from the length of the tooth.",
        CrestFlag.NOT_MEASURED: "No crest could be followed on this lobe.",
    }
)


class ToothFlag(IntFlag):
    """What is remarkable about one tooth position."""

    NUMBER_UNSURE = 1
    LOBES_UNUSUAL = 2
    CUT_BY_BORDER = 4
    STATE_UNSURE = 8
    CROOKED = 16


TOOTH_FLAG_SENTENCES: Mapping[ToothFlag, str] = MappingProxyType(
    {
        ToothFlag.NUMBER_UNSURE: "A good part of this crown was labelled as another tooth.",
        ToothFlag.LOBES_UNUSUAL: "The number of lobes counted is not usual for this tooth.",
        ToothFlag.CUT_BY_BORDER: "The crown touches the border of the picture.",
        ToothFlag.STATE_UNSURE: "Whether this tooth is erupted, erupting or broken is not clear.",
        ToothFlag.CROOKED: "The tooth stands more than 20 degrees out of the direction of the row.",
    }
)


class RowFlag(IntFlag):
    """What is remarkable about the whole row."""

    SIDE_UNSURE = 1
    FRAME_OFF_LEVEL = 2
    FRAME_OFF_SCALE = 4
    FRAME_OFF_CENTRE = 8
    OUT_OF_CROP = 16
    NUMBERS_UNSURE = 32
    KIND_UNSURE = 64


ROW_FLAG_SENTENCES: Mapping[RowFlag, str] = MappingProxyType(
    {
        RowFlag.SIDE_UNSURE: "Which side of the row is the tongue side is not clear.",
        RowFlag.FRAME_OFF_LEVEL: "The row lies more than 5 degrees off level in the crop it was measured on.",
        RowFlag.FRAME_OFF_SCALE: "The row is over a quarter larger or smaller than the crop is meant for.",
        RowFlag.FRAME_OFF_CENTRE: "The row lies well off the middle of the crop it was measured on.",
        RowFlag.OUT_OF_CROP: "Part of a crown lies outside the crop it was measured on.",
        RowFlag.NUMBERS_UNSURE: (
            "The lobes counted fit another numbering better, so no tooth can be relied on: check "
            "which tooth is which, and take the photo again with the whole row in it."
        ),
        RowFlag.KIND_UNSURE: (
            "Lobes, length and neighbours disagree on whether tooth 3 is the milk tooth: look at it, a milk "
            "tooth 3 has three lobes and is longer than tooth 4."
        ),
    }
)


_TABLES: Mapping[type[IntFlag], Mapping[Any, str]] = {
    CrestFlag: CREST_FLAG_SENTENCES,
    ToothFlag: TOOTH_FLAG_SENTENCES,
    RowFlag: ROW_FLAG_SENTENCES,
}
_NO_TOOTH_FLAG = ToothFlag(0)
_NO_ROW_FLAG = RowFlag(0)


def sentences(flags: CrestFlag | ToothFlag | RowFlag) -> tuple[str, ...]:
    """One sentence per set flag, in bit order."""
    return tuple(text for flag, text in _TABLES[type(flags)].items() if flag & flags)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations:
    """
    Band widths at the N stations of one crest, mesial station first.

    Parameters
    ----------
    at : ndarray, shape (N,)
        Place along the strip, 0 = mesial end, 1 = distal end. [1]
    centre : ndarray, shape (N, 2)
        Middle of the dentine band. [photo px]
    dentine_px, enamel_outer_px, enamel_inner_px : ndarray, shape (N,)
        Widths square to the crest line. NaN where the band was not found. [photo px]
    edges : ndarray, shape (N, 4, 2)
        Points of the outer enamel edge, enamel|dentine, dentine|enamel, inner enamel edge; NaN where not
        found. [photo px]
    """

    at: FloatArray
    centre: FloatArray
    dentine_px: FloatArray
    enamel_outer_px: FloatArray
    enamel_inner_px: FloatArray
    edges: FloatArray

    @property
    def ratio(self) -> FloatArray:
        """D / mean(E_outer, E_inner) per station; NaN where a band is missing. [1]"""
        return 2.0 * self.dentine_px / (self.enamel_outer_px + self.enamel_inner_px)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredCrest:
    """
    One tongue-side crest.

    Parameters
    ----------
    lobe : int
        1..3 from the front.
    line : ndarray, shape (K, 2)
        Centre line of the dentine strip (or of the enamel ridge), mesial end first. [photo px]
    stations : Stations or None
        None where no dentine line was followed.
    dentine_px, enamel_outer_px, enamel_inner_px : Quantity or None
        Median widths over the stations. [photo px]
    ratio : Quantity or None
        Median ratio over the stations with both bands; 0 without dentine; None where it cannot be given. [1]
    ratio_by_definition : mapping of str to float
        Keys of `crestgauge.inference.evidence.DEFINITIONS` that could be measured.
    infundibulum_gone : bool
        More than half of the stations have no infundibulum beside them.
    image_offset_px : float or None
        How much wider the labelled dentine is than the dark line between the mid-levels of the photo's own
        brightness, median over the stations; None without picture or contrast. [photo px]
    flags : CrestFlag
    edge_spread_px : float or None
        Spread that the probabilities state for its four edges, root of the mean square of their medians over
        the stations; None without stations. [photo px]
    image_away_px : float or None
        How far its enamel|dentine edges lie away from those of the photo's own brightness, as a standard
        deviation; None where ``image_offset_px`` is. [photo px]
    """

    lobe: int
    line: FloatArray
    stations: Stations | None
    dentine_px: Quantity | None
    enamel_outer_px: Quantity | None
    enamel_inner_px: Quantity | None
    ratio: Quantity | None
    ratio_by_definition: Mapping[str, float]
    infundibulum_gone: bool
    image_offset_px: float | None
    flags: CrestFlag
    edge_spread_px: float | None = None
    image_away_px: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredTooth:
    """
    One position of the row.

    Parameters
    ----------
    position : int
        1..6 from the front.
    state : State
    state_p : mapping of str to float
        Mean probability of erupted, erupting, broken over the crown; empty without a crown.
    number_p : float or None
        Share of the crown's label mass that carries this tooth's own number.
    milk : bool or None
    lobes : int or None
        Lobes counted in the heat map; None where none was seen.
    box : tuple of float or None
        (x0, y0, x1, y1) of the crown, upright. [photo px]
    outline : ndarray, shape (4, 2)
        Corners of the crown's box in the direction of the row; NaN without a crown. [photo px]
    centre : tuple of float or None
        (x, y). [photo px]
    lobe_centres : ndarray, shape (lobes, 2)
        Front first. [photo px]
    crown_px : float
        Visible crown area. [photo px^2]
    infundibulum_left, dentine_share : Quantity or None
        As in `crestgauge.inference.evidence.ToothEvidence`.
    enclosed : float or None
        Share of the border of its dentine that lies on enamel or an infundibulum; None with too little
        dentine to say. [1]
    off_crown : float
        Mean probability of jaw or background over the crown's pixels; 0 without a crown. [1]
    crests : tuple of MeasuredCrest
    flags : ToothFlag
    """

    position: int
    state: State
    state_p: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    number_p: float | None = None
    milk: bool | None = None
    lobes: int | None = None
    box: tuple[float, float, float, float] | None = None
    outline: FloatArray = field(default_factory=lambda: np.full((4, 2), np.nan))
    centre: tuple[float, float] | None = None
    lobe_centres: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    crown_px: float = 0.0
    infundibulum_left: Quantity | None = None
    dentine_share: Quantity | None = None
    enclosed: float | None = None
    off_crown: float = 0.0
    crests: tuple[MeasuredCrest, ...] = ()
    flags: ToothFlag = _NO_TOOTH_FLAG


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredRow:
    """
    All that the geometry found on one row.

    Parameters
    ----------
    teeth : tuple of MeasuredTooth
        Exactly six, positions 1..6.
    side : str or None
        "left", "right", or None where the tongue side is not clear.
    side_confidence : float
        0 (no idea) .. 1 (every crown pixel agrees).
    tilt_deg : Quantity or None
        Angle between line of sight and the normal of the occlusal plane, mean over the crowns. [deg]
    view : View or None
        From where the crowns are seen, axes of the upright photo.
    blur_px : float or None
        Median blur sigma over the crowns. [photo px]
    row_line : ndarray, shape (K, 2)
        Middle line of the row through the crowns. [photo px]
    off_level_deg, off_scale, off_centre_px : float
        How far the row lay from the place the frame meant: direction [deg], size (1 = as meant), middle
        [crop px].
    crop_per_photo : float
        Crop pixels per photo pixel where it was measured.
    better_frame : RowFrame or None
        Frame in which the row would lie as meant; only where one of the FRAME flags is set. A second look
        through it is the caller's choice: it costs one more pass of the fine network.
    flags : RowFlag
    """

    teeth: tuple[MeasuredTooth, ...]
    side: str | None
    side_confidence: float
    tilt_deg: Quantity | None
    view: View | None
    blur_px: float | None
    row_line: FloatArray
    off_level_deg: float
    off_scale: float
    off_centre_px: float
    crop_per_photo: float
    better_frame: RowFrame | None = None
    flags: RowFlag = _NO_ROW_FLAG

    @property
    def number_p(self) -> float:
        """How sure the tooth numbers are: mean over the crown pixels; 0 without a crown. [1]"""
        known = [(tooth.number_p or 0.0, tooth.crown_px) for tooth in self.teeth if tooth.box is not None]
        area = sum(crown_px for _, crown_px in known)
        return sum(p * crown_px for p, crown_px in known) / area if area else 0.0
