"""
Can this photo show what the key asks? What both passes say together.

One reason, measured value, limit and advice for each thing that it cannot show. Each pass has its own checks
(`crestgauge.inference.fit_search`, `crestgauge.inference.fit_row`). Pure: numbers, label maps and pictures
in, reasons out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from crestgauge.inference.fit_limits import LIMITS, Fit, FitLimits, has_whole_row
from crestgauge.inference.fit_search import partly_hidden, rest_of_row
from crestgauge.inference.measured import MeasuredRow
from crestgauge.inference.row import RowSearch

_OF_A_PART: Final = frozenset({"too_small", "teeth_unclear", "not_a_jaw"})
_FROM_THE_SIDE: Final = frozenset({"tilted", "no_chewing_surface"})


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
    if has_whole_row(row, limits) or reasons & _FROM_THE_SIDE:
        return second
    if partly_hidden(search, limits) if found else search.borders:
        rest = rest_of_row(search, limits)
        found = (rest, *(item for item in found if item.reason not in {*_OF_A_PART, rest.reason}))
    return replace(second, retake=found)
