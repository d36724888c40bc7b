"""
After the coarse pass: is there a row of teeth, only one, and all of it in sight? Pure.
"""

from __future__ import annotations

from typing import Final

from crestgauge.inference.fit_limits import LIMITS, SECOND_ROW, Fit, FitLimits, refusal
from crestgauge.inference.maps import COARSE_LONG_SIDE, NOMINAL_ROW_MM, LabelMaps
from crestgauge.inference.reading import Retake
from crestgauge.inference.row import RowSearch
from crestgauge.inference.row_fit import RowOptions
from crestgauge.model.labels import Material

_LEAST_BREADTH_MM: Final = 7.0
"""Area over length of crowns near enough to be read. [mm] Ours: drawn rows with a hidden rest have 68 px and
more, but for one that is broken up; rows far away, with unsure numbers, up to 54."""
_HALF_A_ROW: Final = 0.5
"""Share of the evidence for a row from which something small in a photo is taken for teeth. Ours."""
_BARE_JAW: Final = 0.08
"""Share of the picture that must be jaw before "no chewing surface" is said rather than "not a jaw". Ours."""
_JAW_BESIDE: Final = 0.02
"""Share of the picture that must be jaw before something small with crowns is a row partly hidden. Ours."""
_HARDLY_ANY_TEETH: Final = 0.004
"""Share of a square picture that teeth fill where a jaw shows hardly any. Ours."""


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
        return Fit(retake=(refusal("two_rows", nearer, margin),))
    if nearer > -margin and search.second_wear > limits.max_wear_apart:
        return Fit(retake=(refusal("two_rows", search.second_wear, limits.max_wear_apart),))
    return Fit(cautions=(SECOND_ROW,))


def _no_row(search: RowSearch, maps: LabelMaps, limits: FitLimits) -> Retake:
    """Why the coarse pass found no row."""
    jaw = float((maps.block("material")[Material.BACKGROUND] < 0.5).mean())
    evidence = _row_evidence(search, limits.row)
    if search.crowns.tilt_deg is None:
        # Bone without a tooth, or no bone: "cheek teeth up" helps both, and a cheek side would show walls.
        return refusal("not_a_jaw", evidence, 1.0)
    if search.crowns.tilt_deg > limits.max_tilt_deg:
        return refusal("no_chewing_surface", search.crowns.tilt_deg, limits.max_tilt_deg)
    if partly_hidden(search, limits) and jaw > _JAW_BESIDE:
        return rest_of_row(search, limits)
    px_per_mm, least = search.row_length_px / NOMINAL_ROW_MM, limits.min_px_per_mm * limits.least_row
    if evidence > _HALF_A_ROW and 0 < px_per_mm < least:
        return refusal("too_small", px_per_mm, least)
    if evidence > _HALF_A_ROW and jaw > _BARE_JAW and search.teeth:
        return refusal("covered", len(search.teeth), limits.row.min_teeth)
    crown = search.crown_px / COARSE_LONG_SIDE**2
    if jaw > _BARE_JAW and crown < _HARDLY_ANY_TEETH:
        # Seen from above, crowns are in view unless something lies over them.
        return refusal("covered", crown, _HARDLY_ANY_TEETH)
    return refusal("not_a_jaw", evidence, 1.0)


def partly_hidden(search: RowSearch, limits: FitLimits = LIMITS) -> bool:
    """
    Whether the crowns in view are a part of a row, whose rest is hidden: few for their breadth, or ending
    where the bone does; and that breadth is none of teeth far away.
    """
    near = search.crowns.breadth_px >= _LEAST_BREADTH_MM * limits.min_px_per_mm * limits.least_row
    stout = 0.0 < search.crowns.shape < limits.min_row_shape
    return near and (stout or search.crowns.bare_end > limits.max_bare_end)


def rest_of_row(search: RowSearch, limits: FitLimits) -> Retake:
    """What hides the rest of a row of which a part is in view."""
    if search.borders:
        return refusal("cut_off", len(search.borders), 0)
    if 0.0 < search.crowns.shape < limits.min_row_shape:
        return refusal("covered", search.crowns.shape, limits.min_row_shape)
    return refusal("covered", search.crowns.bare_end, limits.max_bare_end)


def _row_evidence(search: RowSearch, limits: RowOptions) -> float:
    """The weakest of three things that make a row, each over what is needed: numbers in line, area, order."""
    shares = (len(search.teeth) / limits.min_teeth, search.fill / limits.min_score, search.order_score / 0.5)
    return min(*shares, 0.99)
