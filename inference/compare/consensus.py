"""
One class from several readers: the group mode and the group median, with ties told, not broken in silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from crestgauge.inference.errors import InputError

Tie = Literal["none", "younger"]
"""
none: a tie gives no class. younger: the youngest of the tied classes, as one widely used key advises when
unsure.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consensus:
    """
    Consensus of one animal.

    Parameters
    ----------
    code : int or None
        Class number; None where there is none (``why`` says so).
    votes, readers : int
        Readers behind the class, and readers who gave one.
    why : str
        Empty where one class stands alone; else what was tied, or that nobody read the animal.
    """

    code: int | None
    votes: int
    readers: int
    why: str = ""


def group_mode(codes: ArrayLike, *, tie: Tie = "none") -> tuple[Consensus, ...]:
    """
    The class most readers gave, animal by animal.

    Parameters
    ----------
    codes : array_like of int, shape (animals, readers)
        Class numbers; -1 = not read.

    Source: Jacobson & Reiner 1989, Proc. SEAFWA (mode of a group right more often than its members).
    """
    return tuple(_mode(row[row >= 0], tie) for row in _table(codes))


def group_median(codes: ArrayLike) -> tuple[Consensus, ...]:
    """The middle class; the younger of the two middle ones for an even number of readers, and it says so."""
    out = []
    for row in _table(codes):
        given = np.sort(row[row >= 0])
        if given.size == 0:
            out.append(Consensus(code=None, votes=0, readers=0, why="nobody read it"))
            continue
        code, other = int(given[(given.size - 1) // 2]), int(given[given.size // 2])
        why = "" if code == other else "even number of readers: the younger of the two middle classes"
        out.append(Consensus(code=code, votes=int((given == code).sum()), readers=given.size, why=why))
    return tuple(out)


def _table(codes: ArrayLike) -> np.ndarray:
    table = np.asarray(codes, dtype=np.intp)
    if table.ndim != 2:
        raise InputError(f"codes: shape {table.shape}; needs (animals, readers).")
    return table


def _mode(given: np.ndarray, tie: Tie) -> Consensus:
    if given.size == 0:
        return Consensus(code=None, votes=0, readers=0, why="nobody read it")
    classes, votes = np.unique(given, return_counts=True)
    best = classes[votes == votes.max()]
    if best.size == 1:
        return Consensus(code=int(best[0]), votes=int(votes.max()), readers=given.size)
    code = int(best[0]) if tie == "younger" else None
    return Consensus(
        code=code,
        votes=int(votes.max()),
        readers=given.size,
        why=f"{best.size} classes tied" + (", youngest taken" if code is not None else ""),
    )
