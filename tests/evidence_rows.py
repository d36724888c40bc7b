"""Rows of evidence for tests of the rule layer: one call per animal, what is not named is ordinary."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from crestgauge.inference.evidence import CrestEvidence, Quantity, RowEvidence, ToothEvidence

LOBES = {1: 1, 2: 2, 3: 2, 4: 2, 5: 2, 6: 3}
U = 0.03
"""Standard uncertainty of every ratio and share unless told; a value 0.2 from its limit is then clear."""


def crest(
    lobe: int,
    ratio: float | None,
    *,
    u: float = U,
    gone: bool = False,
    definitions: Mapping[str, float] | None = None,
) -> CrestEvidence:
    """One crest; ``definitions`` are other ratios, by default all equal to ``ratio``."""
    if gone:
        return CrestEvidence(lobe=lobe, ratio=None, infundibulum_gone=True)
    if ratio is None:
        return CrestEvidence(lobe=lobe, ratio=None)
    if definitions is None:
        definitions = dict.fromkeys(("middle", "widest", "outer", "inner"), ratio)
    return CrestEvidence(lobe=lobe, ratio=Quantity(ratio, u), ratio_by_definition=definitions)


def molar(
    position: int, ratio: float | None, *, left: float = 1.0, u: float = U, **changes: Any
) -> ToothEvidence:
    """An erupted molar with ``ratio`` on lobes 1 and 2 and ``left`` of its infundibulum; dished below 0.1."""
    gone = left < 0.1
    dentine = 0.0 if not ratio and not gone else 0.3
    values: dict[str, Any] = {
        "position": position,
        "state": "erupted",
        "milk": False,
        "lobes": LOBES[position],
        "crests": tuple(crest(lobe, ratio, u=u, gone=gone) for lobe in (1, 2)),
        "infundibulum_left": Quantity(left, U),
        "dentine_share": Quantity(dentine, 0.005),
    }
    return ToothEvidence(**(values | changes))


def premolar(position: int, *, milk: bool = False, dentine: float = 0.2, **changes: Any) -> ToothEvidence:
    """An erupted front tooth; as a milk tooth, tooth 3 has three lobes."""
    lobes = 3 if milk and position == 3 else LOBES[position]
    values: dict[str, Any] = {
        "position": position,
        "state": "erupted",
        "milk": milk,
        "lobes": lobes,
        "dentine_share": Quantity(dentine, 0.005),
    }
    return ToothEvidence(**(values | changes))


def bare(position: int, state: Any) -> ToothEvidence:
    """A position without anything measured."""
    return ToothEvidence(position=position, state=state)


def row(*teeth: ToothEvidence) -> RowEvidence:
    """An adult row (2.5: permanent teeth in wear, no crest wide) with the given teeth put in their places."""
    ordinary = [
        *(premolar(position) for position in (1, 2, 3)),
        molar(4, 0.6),
        molar(5, 0.4),
        molar(6, 0.2),
    ]
    for tooth in teeth:
        ordinary[tooth.position - 1] = tooth
    return RowEvidence(tuple(ordinary))


def milk_row(*teeth: ToothEvidence) -> RowEvidence:
    """A fawn of about six months: milk teeth, tooth 4 up, tooth 5 coming, tooth 6 not through."""
    ordinary = [
        *(premolar(position, milk=True, dentine=0.1) for position in (1, 2, 3)),
        molar(4, 0.0),
        bare(5, "erupting"),
        bare(6, "absent"),
    ]
    for tooth in teeth:
        ordinary[tooth.position - 1] = tooth
    return RowEvidence(tuple(ordinary))


def yearling_row(*teeth: ToothEvidence) -> RowEvidence:
    """A yearling before replacement: worn milk teeth, tooth 5 up, tooth 6 coming through."""
    ordinary = [
        *(premolar(position, milk=True, dentine=0.5) for position in (1, 2, 3)),
        molar(4, 0.3),
        molar(5, 0.0),
        bare(6, "erupting"),
    ]
    for tooth in teeth:
        ordinary[tooth.position - 1] = tooth
    return RowEvidence(tuple(ordinary))


CLASS_ROWS: Mapping[str, RowEvidence] = {
    "0.5": milk_row(),
    "1.5": yearling_row(),
    "2.5": row(),
    "3.5": row(molar(4, 1.4), molar(5, 0.7), molar(6, 0.4)),
    "4.5": row(molar(4, 2.0), molar(5, 1.4), molar(6, 0.7)),
    "5.5": row(molar(4, 2.6), molar(5, 2.0), molar(6, 1.4)),
    "6.5": row(molar(4, None, left=0.0), molar(5, 2.6, left=0.8), molar(6, 2.0)),
    "7.5": row(molar(4, None, left=0.0), molar(5, None, left=0.05), molar(6, 2.5, left=0.7)),
    "8.5+": row(molar(4, None, left=0.0), molar(5, None, left=0.0), molar(6, None, left=0.05)),
}
"""One plain row for every class."""
