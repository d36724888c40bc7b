"""
What a reading keeps of a measured row, in plain values.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.build import CrestWidths, Measured
from crestgauge.inference.evidence import RowEvidence
from crestgauge.inference.homography import mapped
from crestgauge.inference.measured import CrestFlag, MeasuredRow
from crestgauge.inference.reading import Box, Side


def plain_values(
    row: MeasuredRow,
    evidence: RowEvidence,
    px_per_mm: float | None = None,
    *,
    to_photo: NDArray[np.float64] | None = None,
) -> Measured:
    """
    What a reading keeps of a measured row, in plain values.

    Parameters
    ----------
    row : MeasuredRow
    evidence : RowEvidence
        Made from that row.
    px_per_mm : float or None
        Scale from a card or ruler in the photo; None without one.
    to_photo : ndarray, shape (3, 3), or None
        Homography that lays the row's coordinates back into the photo as it came; None where they are its
        own.
    """

    def back(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return points if to_photo is None else mapped(to_photo, points)

    def back_box(box: Box) -> Box:
        corners = back(np.array([[x, y] for x in box[::2] for y in box[1::2]], dtype=np.float64))
        (x0, y0), (x1, y1) = corners.min(axis=0), corners.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    widths = {
        (tooth.position, crest.lobe): CrestWidths(
            dentine_px=crest.dentine_px,
            enamel_outer_px=crest.enamel_outer_px,
            enamel_inner_px=crest.enamel_inner_px,
            line=[(float(x), float(y)) for x, y in back(np.asarray(crest.line))],
            flags=flag_names(crest.flags),
        )
        for tooth in row.teeth
        for crest in tooth.crests
    }
    side: Side | None = "left" if row.side == "left" else "right" if row.side == "right" else None
    return Measured(
        evidence=evidence,
        boxes={tooth.position: back_box(tooth.box) for tooth in row.teeth if tooth.box is not None},
        widths=widths,
        side=side,
        tilt_deg=row.tilt_deg,
        px_per_mm=px_per_mm,
    )


def flag_names(flags: CrestFlag) -> tuple[str, ...]:
    """
    Names of the set flags in small letters, in bit order.

    `INFUNDIBULUM_GONE` is left out: the reading gets it from the evidence.
    """
    return tuple(
        flag.name.lower()
        for flag in CrestFlag
        if flag & flags and flag is not CrestFlag.INFUNDIBULUM_GONE and flag.name is not None
    )
