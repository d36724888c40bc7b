"""
One fine pass over a photo: where the crop lies, what the network says of it, and what was measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.inference.measured import MeasuredRow, RowFlag

UNSURE: Final = RowFlag.NUMBERS_UNSURE | RowFlag.KIND_UNSURE
DOUBT_COST: Final = 0.05
"""More than the numbers of two looks the right way round differ, less than those of the wrong way fall short
(0.11 and more on drawn photos). Ours."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FinePass:
    """
    One look at the levelled crop.

    Parameters
    ----------
    frame : RowFrame
        How the crop lies in the photo.
    crop : ndarray of uint8, shape (H, W, 3)
    maps : LabelMaps
        Fine maps of the crop.
    row : MeasuredRow or None
        None where the maps hold no crown.
    """

    frame: RowFrame
    crop: NDArray[np.uint8]
    maps: LabelMaps
    row: MeasuredRow | None

    @property
    def sureness(self) -> float:
        """To compare looks: how sure the numbers are, less where lobes or lengths speak against them."""
        if self.row is None:
            return 0.0
        return self.row.number_p - (DOUBT_COST if self.row.flags & UNSURE else 0.0)

    def proves(self, sure_numbers: float) -> bool:
        """Numbers are as sure as that, and nothing else about the teeth speaks against them."""
        return self.row is not None and self.row.number_p >= sure_numbers and not self.row.flags & UNSURE
