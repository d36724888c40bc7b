"""
What the rule layer is allowed to know of one row of teeth: measured values with their standard uncertainty.

The geometry fills these objects from label maps, the generator fills them from its own truth, a person on a
review page can replace any of them. The rule layer takes nothing else, so a class never depends on
pixels directly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

State = Literal["erupted", "erupting", "absent", "missing", "broken", "unseen"]
"""
erupted, erupting: as the words say. absent: not come through yet (no crown, and none can be expected behind a
milk row). missing: lost after it had come through (a gap, or teeth behind it). broken: crown fractured.
unseen: outside the picture, covered, or not measurable.
"""

DEFINITIONS = ("middle", "widest", "outer", "inner")
"""The other reasonable definitions of the ratio, beside the declared one (median over the middle half,
mean of both bands): at the exact middle of the strip, where the dentine is widest, outer band only, inner
band only."""


COVERAGE_FACTOR: Final = 2.0
"""Standard uncertainties in what is said behind a ±: about 95 % (JCGM 100:2008, 6.3.3 and 7.2.4)."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value with its standard uncertainty (GUM, coverage factor 1), both in the same unit."""

    value: float
    u: float

    @property
    def margin(self) -> float:
        """Half of the 95 % interval, in the same unit."""
        return COVERAGE_FACTOR * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestEvidence:
    """
    One tongue-side crest.

    Parameters
    ----------
    lobe : int
        1..3 from the front of the tooth.
    ratio : Quantity or None
        Dentine width / mean of the two cut enamel bands beside it, median over the middle half. [1]
        0 where the crest shows no dentine line; None where it could not be measured or has no
        inner band left.
    ratio_by_definition : mapping of str to float
        The same under `DEFINITIONS`; missing keys could not be measured.
    infundibulum_gone : bool
        No infundibulum is left beside the crest, so it has no inner band: it counts as "at least as wide".
    """

    lobe: int
    ratio: Quantity | None
    ratio_by_definition: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    infundibulum_gone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothEvidence:
    """
    One position of the row.

    Parameters
    ----------
    position : int
        1..6 from the front.
    state : State
    milk : bool or None
        Milk tooth (positions 1..3); None where it cannot be told.
    lobes : int or None
        Lobes counted.
    crests : tuple of CrestEvidence
        Tongue-side crests, front first. May be empty.
    infundibulum_left : Quantity or None
        Length of infundibulum still open along the row, summed over lobes 1 and 2, as a share of
        the length of
        these two lobes, over the same share in an unworn crown (`UNWORN_INFUNDIBULUM_SHARE`), at most 1. [1]
    dentine_share : Quantity or None
        Dentine area as a share of the visible crown area; tells a fresh tooth from one in wear. [1]
    """

    position: int
    state: State
    milk: bool | None = None
    lobes: int | None = None
    crests: tuple[CrestEvidence, ...] = ()
    infundibulum_left: Quantity | None = None
    dentine_share: Quantity | None = None


@dataclass(frozen=True, slots=True)
class RowEvidence:
    """
    The six positions, front first.

    Parameters
    ----------
    teeth : tuple of ToothEvidence
        Exactly six, positions 1..6 in order.
    """

    teeth: tuple[ToothEvidence, ...]


UNWORN_INFUNDIBULUM_SHARE = 0.72
"""Open length of the infundibulum over lobe length in an unworn crown of the drawn jaws (ours, by
construction of
the generator; no published value found)."""
