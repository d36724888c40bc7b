"""
What a card in the photo does for its reading: balance, straightening, tilt and scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.card.detect import CardView, find_card
from crestgauge.inference.card.straighten import LEAST_TILT_DEG, straightened, straightening
from crestgauge.inference.evidence import Quantity
from crestgauge.inference.homography import inverse, local_scale, mapped
from crestgauge.inference.measured import MeasuredRow
from crestgauge.inference.networks import coarse_view
from crestgauge.inference.photo import Photo

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UsedCard:
    """
    The card of a photo, and how the photo was turned by it.

    Parameters
    ----------
    view : CardView
        In pixels of the photo as it came.
    turn : ndarray, shape (3, 3), or None
        Homography from the photo as it came to the one that is read; None where they are the same.
    """

    view: CardView
    turn: FloatArray | None

    @property
    def to_photo(self) -> FloatArray | None:
        """The homography back; None where there is nothing to turn back."""
        return None if self.turn is None else inverse(self.turn)

    def with_tilt(self, row: MeasuredRow) -> MeasuredRow:
        """The row with the tilt that the card shows at its middle instead of the one the network guessed."""
        if all(tooth.box is None for tooth in row.teeth):
            return row
        tilt = self.view.tilt_deg(self._moved_back(_row_middle(row)))
        return replace(row, tilt_deg=Quantity(tilt, self.view.camera.tilt_u_deg))

    def px_per_mm(self, row: MeasuredRow, *, height_mm: float) -> float:
        """Scale at the middle of the row, its chewing surface that far above the card."""
        spot = self._moved_back(_row_middle(row))
        scale = self.view.px_per_mm(spot, height_mm=height_mm)
        if self.turn is not None:
            scale *= local_scale(self.turn, spot)
        return scale

    def _moved_back(self, point: FloatArray) -> FloatArray:
        """A point of the straightened picture in the photo as it came."""
        return point if self.to_photo is None else mapped(self.to_photo, point[None])[0]


def use_card(photo: Photo, *, printed_scale: float) -> tuple[UsedCard | None, Photo]:
    """
    The card in a photo, and the photo balanced and straightened by it; None and the photo without one.

    Parameters
    ----------
    photo : Photo
    printed_scale : float
        Printed size of the card over its true size.
    """
    view = find_card(photo.pixels, focal_35mm=photo.focal_35mm, printed_scale=printed_scale)
    if view is None:
        return None, photo
    pixels, turn = view.balance(photo.pixels), None
    if view.tilt_deg() >= LEAST_TILT_DEG:
        turn = straightening(view, (photo.width, photo.height))
        pixels = straightened(pixels, turn, coarse_view(pixels).edge_colour)
    return UsedCard(view=view, turn=turn), replace(photo, pixels=pixels)


def _row_middle(row: MeasuredRow) -> FloatArray:
    """Middle of the boxes of the row's teeth. (x, y)"""
    boxes = np.array([tooth.box for tooth in row.teeth if tooth.box is not None])
    return np.array(
        [(boxes[:, 0].min() + boxes[:, 2].max()) / 2, (boxes[:, 1].min() + boxes[:, 3].max()) / 2]
    )
