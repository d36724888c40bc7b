"""
Where a photo is refused and where it is only cautioned, and what is then said.

Every limit is in `FitLimits`, each with where it comes from. What a limit lets through close to it is a
caution, which a reading carries as a note.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from crestgauge.inference.measured import MeasuredRow
from crestgauge.inference.reading import Retake
from crestgauge.inference.row_fit import RowOptions

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


NOTHING_ELSE: Final = Elsewhere()


def refusal(reason: str, measured: float, limit: float) -> Retake:
    """One reason to take a photo again, with its advice."""
    return Retake(reason=reason, measured=float(measured), limit=float(limit), advice=ADVICE[reason])


def has_whole_row(row: MeasuredRow | None, limits: FitLimits) -> bool:
    """The fine pass has a whole row before it, as sure as it is of the tooth numbers."""
    return row is not None and row.number_p >= limits.whole_row_numbers
