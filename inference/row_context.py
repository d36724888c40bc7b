"""
What all teeth of one row are measured with: options, frame, and how the row lies in the crop.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from crestgauge.inference.crests import CrestOptions
from crestgauge.inference.evidence import Quantity
from crestgauge.inference.maps import RowFrame
from crestgauge.inference.numbering import TeethOptions
from crestgauge.inference.positions import RowPlace
from crestgauge.inference.teeth import Teeth
from crestgauge.inference.uncertainty import EdgeModel


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowContext:
    """
    What every tooth of a row shares.

    Parameters
    ----------
    frame : RowFrame
        Photo px -> crop px.
    teeth : Teeth
    place : RowPlace
    options : MeasureOptions
    photo_size : tuple of int or None
        (width, height) of the upright photo. [px]
    """

    frame: RowFrame
    teeth: Teeth
    place: RowPlace
    options: MeasureOptions
    photo_size: tuple[int, int] | None

    @property
    def tilt_rad(self) -> float:
        """Angle between the mean line of sight and straight above."""
        return float(np.arcsin(min(float(np.hypot(*self.teeth.view)), 1.0)))

    def photo(self, value: float, u: float) -> Quantity:
        """A length of the crop with its uncertainty, in photo px."""
        return Quantity(value / self.frame.scale, u / self.frame.scale)
