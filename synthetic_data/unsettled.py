"""
Rows that are not in order: gaps between cheek teeth, crowded, turned teeth, teeth out of line.

Kinds and sizes are from memory, wide on purpose; malpositions are among the 4.1 % of 778 Georgia jaws that
were abnormal (Powers & Mead 2019), and are drawn more often here so that the network meets enough of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

if TYPE_CHECKING:
    from crestgauge.synthetic_data.anatomy import Tooth

UNSETTLED_SHARE = 0.14
SECOND_KIND_SHARE = 0.3
KINDS = ("gap", "crowded", "turned", "out")
MOST_TURNED_DEG, MOST_OUT_MM = 15.0, 3.0
FARTHEST_SIDE_MM = 8.0
"""No crown reaches further from the middle of the row: the grid of the crowns ends there."""


def moved(tooth: Tooth, along: float, across: float, turn: float) -> Tooth:
    """
    The same tooth shifted by ``along`` the row and ``across`` it towards the cheek [mm], and turned about its
    middle [rad].
    """
    middle = np.array([tooth.x0 + 0.5 * tooth.length, tooth.y])
    c, s = float(np.cos(turn)), float(np.sin(turn))
    shift = np.array([along, across])

    def there(points: NDArray[np.float64]) -> NDArray[np.float64]:
        off = points - middle
        turned = np.stack((c * off[..., 0] - s * off[..., 1], s * off[..., 0] + c * off[..., 1]), axis=-1)
        return np.asarray(middle + shift + turned, dtype=np.float64)

    lobes = []
    for lobe in tooth.lobes:
        ridges = lobe.ridges.copy()
        ridges[..., :2] = there(ridges[..., :2])
        x, y = there(np.array([lobe.x, lobe.y])).tolist()
        lobes.append(replace(lobe, x=x, y=y, yaw=lobe.yaw + turn, ridges=ridges))
    return replace(
        tooth,
        x0=tooth.x0 + along,
        y=tooth.y + across,
        turn=tooth.turn + turn,
        out_mm=tooth.out_mm + across,
        lobes=tuple(lobes),
    )


def unsettled(rng: Generator, teeth: list[Tooth]) -> tuple[list[Tooth], NDArray[np.float64]]:
    """
    Put some rows out of order.

    Returns
    -------
    list of Tooth, ndarray of shape (6, 2)
        The teeth (the same ones in most animals), and how far each was shifted along the row and towards the
        cheek. [mm]
    """
    shift, turn = np.zeros((6, 2)), np.zeros(6)
    there = [k for k, tooth in enumerate(teeth) if tooth.lobes]
    if rng.uniform() >= UNSETTLED_SHARE or len(there) < 2:
        return teeth, shift
    count = 2 if rng.uniform() < SECOND_KIND_SHARE else 1
    for kind in rng.permutation(KINDS)[:count]:
        places = rng.permutation(there[1:])[: int(rng.integers(1, 4))]
        side = rng.choice([-1.0, 1.0], len(places))
        if kind == "gap":
            for k in places[:2]:
                shift[k:, 0] += np.exp(rng.uniform(np.log(0.4), np.log(5.0)))
        elif kind == "crowded":
            for k, way in zip(places, side, strict=True):
                shift[k:, 0] -= rng.uniform(0.3, 1.5)
                shift[k, 1] += way * rng.uniform(0.0, 1.2)
                turn[k] += np.deg2rad(rng.uniform(-8.0, 8.0))
        elif kind == "turned":
            for k, way in zip(places[:2], side, strict=False):
                turn[k] += way * np.deg2rad(rng.uniform(4.0, MOST_TURNED_DEG))
        else:
            shift[places[0], 1] += side[0] * rng.uniform(0.8, MOST_OUT_MM)
    turn = np.clip(turn, -np.deg2rad(MOST_TURNED_DEG), np.deg2rad(MOST_TURNED_DEG))
    for k, tooth in enumerate(teeth):
        room = max(FARTHEST_SIDE_MM - 0.5 * tooth.width, 0.0)
        if shift[k, 1]:
            shift[k, 1] = (
                np.clip(tooth.y + np.clip(shift[k, 1], -MOST_OUT_MM, MOST_OUT_MM), -room, room) - tooth.y
            )
    settled = [moved(t, float(shift[k, 0]), float(shift[k, 1]), float(turn[k])) for k, t in enumerate(teeth)]
    return settled, shift
