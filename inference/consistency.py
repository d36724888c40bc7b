"""
Do numbers, lobes and lengths of a row agree with each other? Pure; crop pixels.

Only the milk tooth 3 (dp4) and tooth 6 (m3) have three lobes, and nothing stands behind tooth 6: a crown of
three lobes with another right behind it can only be the milk tooth 3, whatever number it carries. The milk
tooth 3 is longer than tooth 4, its successor shorter; a permanent tooth 3 comes after tooth 6 (order of
eruption of the cheek teeth, as in every key).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np

from crestgauge.inference.measured import MeasuredTooth
from crestgauge.inference.teeth import Crown
from crestgauge.model.labels import LOBES, MILK_LOBES, N_TEETH, ToothState

Six = Literal["crown", "empty"] | None
SHIFTS: Final = (-2, -1, 1, 2)
"""Shifts of the whole row that are weighed against the numbering found."""
LOBE_TOO_MANY: Final = 2.0
"""Cost of a lobe seen where none belongs; one overlooked costs 1: worn or covered lobes give no peak."""
NO_SUCH_TOOTH: Final = 3.0
"""Cost of a crown with lobes that a shift would push off the row."""
CLEAR_MARGIN: Final = 2.0
"""By how much a shift must explain the lobes better than the numbering found: one false lobe is not enough
unless everything else fits the shift exactly."""
MILK_LENGTH: Final = 1.04
PERMANENT_LENGTH: Final = 0.96
"""Length of tooth 3 over that of tooth 4, from where on it is a milk tooth and up to where a permanent one.
On the boxes of the traced jaws: milk 1.13 to 1.22 (8), permanent 0.62 to 0.99 (46)."""
OLDEST_FAWN_RATIO: Final = 1.0
"""Tooth 4 has dentine wider than enamel only years after tooth 3 was replaced (the key's first ratios)."""


def best_shift(crowns: Sequence[Crown]) -> int:
    """
    Shift of the whole row that the lobes clearly support; 0 where the numbering found stands.

    Parameters
    ----------
    crowns : sequence of Crown
        Front first.
    """
    lobes = {c.position: c.counted_lobes for c in crowns if c.counted_lobes is not None}
    found = _cost(lobes, 0)
    costs = {shift: _cost(lobes, shift) for shift in SHIFTS}
    shift = min(SHIFTS, key=lambda s: (costs[s], abs(s)))
    if found - costs[shift] < CLEAR_MARGIN:
        return 0
    # The lobes must name a place: without a crown of three they fit too many.
    return shift if max(lobes.values(), default=0) >= MILK_LOBES[3] else 0


def _cost(lobes: dict[int, int], shift: int) -> float:
    """How badly the lobes fit the better of the two sets of teeth once the row is shifted."""
    sets = (LOBES, {**LOBES, **MILK_LOBES})
    return min(sum(_misfit(n, usual.get(p + shift)) for p, n in lobes.items()) for usual in sets)


def _misfit(counted: int, usual: int | None) -> float:
    if usual is None:
        return NO_SUCH_TOOTH
    return LOBE_TOO_MANY * (counted - usual) if counted > usual else float(usual - counted)


def milk_by_length(crowns: Sequence[Crown]) -> bool | None:
    """Whether tooth 3 is a milk tooth by its length over that of tooth 4; None where that does not say."""
    length = {c.position: c.extent[1] - c.extent[0] for c in crowns if not c.touches_crop}
    if 3 not in length or 4 not in length:
        return None
    ratio = length[3] / length[4]
    if ratio > MILK_LENGTH:
        return True
    return False if ratio < PERMANENT_LENGTH else None


def is_through(crown: Crown) -> bool:
    """
    The crown's pixels say erupted (or broken), not erupting, and show at least one lobe.

    Only asked in rows of a milk tooth, or of one just replaced, where no molar is worn so far that a standing
    crown has no lobe left.
    """
    return int(np.argmax(crown.state_p)) != ToothState.ERUPTING and crown.counted_lobes is not None


def without_false_six(crowns: Sequence[Crown]) -> tuple[Crown, ...]:
    """
    The crowns of a row, without a tooth 6 that cannot be there, or of which only its number says so.

    In a milk row m3 does not come before m2 stands in full (order of eruption of the cheek teeth, as in every
    key): what is numbered 6 then is gum, flesh or the jaw's end. So is, where tooth 3 is a milk tooth by its
    lobes or its length, a coming tooth 6 whose materials show more jaw than crown; drawn tooth numbers stand
    on visible crown alone.
    """
    third = next((c for c in crowns if c.position == 3), None)
    by_lobes = third is not None and third.counted_lobes is not None and third.counted_lobes >= MILK_LOBES[3]
    by_length = milk_by_length(crowns)
    through = any(c.position == N_TEETH - 1 and is_through(c) for c in crowns)
    too_early = by_lobes and not through and by_length is not False
    return tuple(
        c
        for c in crowns
        if c.position != N_TEETH or not (too_early or ((by_lobes or by_length is True) and _is_jaw(c)))
    )


MOST_OFF_CROWN: Final = 0.5
"""Share of a coming tooth that is jaw or background by its materials, above which it is none. On drawn photos
(crest-fine-7) 25 true ones at position 6 have at most 0.26; of four false ones in fawns, chosen because other
weights had seen them, two have 0.72 and 0.83, two 0.20 and 0.42. [1]"""


def _is_jaw(crown: Crown) -> bool:
    """The crown is said to be coming, on what is more likely jaw than crown."""
    return int(np.argmax(crown.state_p)) == ToothState.ERUPTING and crown.off_crown > MOST_OFF_CROWN


def kind_in_doubt(
    by_lobes: bool | None, by_length: bool | None, six: Six, tooth_4: MeasuredTooth | None
) -> bool:
    """
    Whether it must stay open if tooth 3 is a milk tooth.

    Parameters
    ----------
    by_lobes, by_length : bool or None
        What lobes and length say.
    six : {"crown", "empty"} or None
        What the place of tooth 6 shows; None where the picture does not show it.
    tooth_4 : MeasuredTooth or None
        Tooth 4, whose wear can rule a fawn out.
    """
    if by_lobes is None:
        return False
    if by_lobes:
        # A false third lobe is rare; only a short tooth 3 with tooth 6 behind it makes one likely.
        return by_length is False and six == "crown"
    # A permanent tooth 3 is not longer than tooth 4, and does not come before tooth 6.
    return (by_length is True or six == "empty") and not is_no_fawns(tooth_4)


def is_just_replaced(crowns: Sequence[Crown]) -> bool:
    """
    Tooth 3 comes through while tooth 5 stands: it is the permanent one.

    Milk teeth are in before tooth 5 comes (facts: four cheek teeth at 5 to 6 months, five at 7 to 12).
    """
    third = next((c for c in crowns if c.position == 3), None)
    coming = third is not None and int(np.argmax(third.state_p)) == ToothState.ERUPTING
    return coming and any(c.position == N_TEETH - 1 and is_through(c) for c in crowns)


def is_no_fawns(tooth: MeasuredTooth | None) -> bool:
    """
    Of tooth 4, whose wear can rule a fawn out: a crest without infundibulum, or dentine clearly wider than
    enamel on all.
    """
    if tooth is None:
        return False
    ratios = [crest.ratio for crest in tooth.crests if crest.ratio is not None]
    wide = bool(ratios) and all(r.value - 2.0 * r.u > OLDEST_FAWN_RATIO for r in ratios)
    return wide or any(crest.infundibulum_gone for crest in tooth.crests)
