"""
The two passes over a photo: the coarse one finds the row, the fine one measures it in a levelled crop.

Edge module: the networks run here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Final

import numpy as np

from crestgauge.inference.closer import closer_box
from crestgauge.inference.fine_pass import DOUBT_COST, FinePass
from crestgauge.inference.fit import both
from crestgauge.inference.fit_limits import Elsewhere, Fit, FitLimits
from crestgauge.inference.fit_row import check_row
from crestgauge.inference.fit_search import check_search
from crestgauge.inference.look_bias import LookBias
from crestgauge.inference.looks import look_of
from crestgauge.inference.maps import RowFrame
from crestgauge.inference.measure import measure_row
from crestgauge.inference.measured import MeasuredRow
from crestgauge.inference.networks import Network, coarse_view, warp_crop
from crestgauge.inference.photo import Photo
from crestgauge.inference.row import RowSearch, axis_frames, find_row
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.views import both_views

REASON_NUMBERS: Final = 0.8
"""Certainty of the tooth numbers from which the fine pass may say why a photo is refused. Ours."""
WHOLE_ROW: Final = 4
"""Fewest teeth in line that a closer look takes for a row: a fawn has four."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Searched:
    """
    What the coarse pass says of a photo.

    Parameters
    ----------
    search : RowSearch
    fit : Fit
        Why that is no row, or what is to be said of it.
    along : tuple of RowFrame
        Frames along everything that looks like a crown, one for each way round.
    colour : tuple of float
        Of the photo's border, RGB, to fill a crop with that reaches beyond it.
    """

    search: RowSearch
    fit: Fit
    along: tuple[RowFrame, ...]
    colour: tuple[float, float, float]


class Passes:
    """
    Both networks with what is needed to use them.

    Parameters
    ----------
    coarse, fine : Network
    limits : FitLimits
    measure : MeasureOptions
    look_bias : LookBias or None
        How the biases of the edge model follow a photo's look; None where they do not.
    """

    def __init__(
        self,
        coarse: Network,
        fine: Network,
        limits: FitLimits,
        measure: MeasureOptions,
        look_bias: LookBias | None,
    ) -> None:
        self.limits, self.measure, self.look_bias = limits, measure, look_bias
        self._coarse, self._fine = coarse, fine

    def search(self, photo: Photo) -> Searched:
        """
        The coarse pass.

        Where it finds no row in a photo most of which shows something else, it looks closer: at a row of
        four teeth and more it finds there, since fewer in line may be anything.
        """
        limits, size = self.limits, (photo.width, photo.height)
        view = coarse_view(photo.pixels)
        maps = self._coarse.run(view.pixels)
        search = find_row(maps, size, limits.row)
        fit, along = check_search(search, maps, limits), axis_frames(maps, size, limits.row)
        box = None if search.frame is not None else closer_box(maps, size)
        if box is not None:
            left, top, right, bottom = box
            part = coarse_view(np.ascontiguousarray(photo.pixels[top:bottom, left:right]))
            maps = self._coarse.run(part.pixels)
            closer = find_row(maps, (right - left, bottom - top), limits.row)
            if closer.frame is not None and len(closer.teeth) >= WHOLE_ROW:
                search = replace(closer, frame=closer.frame.moved(left, top))
                fit = check_search(search, maps, limits)
        return Searched(search=search, fit=fit, along=along, colour=view.edge_colour)

    def best_look(self, photo: Photo, found: Searched) -> FinePass | None:
        """
        The fine pass through the frame that the coarse pass found; where that proves no row, the surest look
        of that and of those both ways round along the crowns' axis. None where there is nothing to look at.
        """
        colour = found.colour
        tried: list[tuple[float, RowFrame]] = []
        if found.search.frame is not None:
            look = self._levelled(photo, found.search.frame, colour)
            if look.proves(self.limits.row.sure_numbers):
                return look
            tried.append((look.sureness, look.frame))
            del look  # no look keeps its 60 MB while the next one is made: the surest is made again
        for frame in found.along:
            other = self._look(photo, frame, colour)
            better = None if other.row is None else other.row.better_frame
            tried.append((other.sureness, better or frame))
            del other
        if not tried:
            return None
        return self._levelled(photo, max(tried, key=itemgetter(0))[1], colour)

    def reason(self, look: FinePass | None, found: Searched, size: tuple[int, int]) -> Fit:
        """
        Why a photo is refused in which the coarse pass found no row: for what the fine pass finds wrong with
        it, where that knows its teeth well enough to say; nothing where it proves the row.

        Parameters
        ----------
        look : FinePass or None
            The best one.
        found : Searched
        size : tuple of int
            (width, height) of the photo. [px]
        """
        if look is None or look.row is None or look.row.number_p < REASON_NUMBERS:
            return found.fit
        if look.proves(self.limits.row.sure_numbers):
            return Fit()
        fit = check_row(look, size, self.limits, elsewhere_of(found.search, look.row))
        return both(found.search, fit, look.row, self.limits) if fit.retake else found.fit

    def _levelled(self, photo: Photo, frame: RowFrame, colour: tuple[float, float, float]) -> FinePass:
        """
        A look, and a second one through a better frame where the first shows that its own lay badly; the
        first again where the second raises doubts that it had not.
        """
        look = self._look(photo, frame, colour)
        if look.row is None or look.row.better_frame is None:
            return look
        better, before = look.row.better_frame, look.sureness
        del look  # 60 MB that the second pass can use
        second = self._look(photo, better, colour)
        if second.sureness > before - DOUBT_COST / 2:
            return second
        del second
        return self._look(photo, frame, colour)

    def _look(self, photo: Photo, frame: RowFrame, colour: tuple[float, float, float]) -> FinePass:
        """One look, its biases following the photo's look where the weights say how."""
        crop = warp_crop(photo.pixels, frame, colour)
        maps = self._fine.run(crop)
        measure = self.measure
        if self.look_bias is not None:
            look = look_of(maps, crop, frame.scale)
            measure = replace(measure, edge_model=self.look_bias.edge_model(measure.edge_model, look))
        row = measure_row(maps, frame, crop, measure, photo_size=(photo.width, photo.height))
        return FinePass(frame=frame, crop=crop, maps=maps, row=row)


def with_both_views(row: MeasuredRow | None, search: RowSearch) -> MeasuredRow | None:
    """The row as both passes see it together; as it is where one of them saw nothing."""
    if row is None or row.view is None or search.crowns.view is None:
        return row
    view = both_views(row.view, search.crowns.view)
    return replace(row, view=view, tilt_deg=view.tilt_deg())


def elsewhere_of(search: RowSearch, row: MeasuredRow | None) -> Elsewhere:
    """What the coarse pass, and both passes together, know of the fine pass' picture."""
    together = with_both_views(row, search)
    tilt = None if together is None else together.tilt_deg
    return Elsewhere(
        tilt_deg=search.crowns.tilt_deg,
        both_deg=None if tilt is None else tilt.value,
        blur_px=search.crowns.blur_px,
    )
