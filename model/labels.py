"""
The label scheme: the one place that says what a pixel can be called and in which channel the network says it.

Both networks (the coarse one for the whole picture, the fine one for the tooth row turned level) have the
same output: one array of `N_CHANNELS` raw values per pixel, cut up by `CHANNELS`. Nothing in it is an age.

Conventions
-----------
Arrays are (row, col); points are (x, y), x right, y down; pixel i covers i - 0.5 .. i + 0.5.
Teeth are numbered 1..6 from the front (p2 p3 p4 m1 m2 m3; milk: dp2 dp3 dp4).
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final


class Material(IntEnum):
    """What the surface under one pixel is. The order is the channel order of the ``material`` block."""

    BACKGROUND = 0
    """Anything that is not jaw or tooth: board, hand, cloth, grass, sky."""
    JAW = 1
    """Bone or gum of the lower jaw, with what sticks to it."""
    CROWN_WALL = 2
    """Crown surface that wear has not cut: side walls, unworn cusps, with their cementum and stain."""
    ENAMEL_BAND = 3
    """Enamel cut by wear: the pale line beside dentine, or the first facet on a ridge."""
    DENTINE = 4
    """Dentine laid open by wear."""
    INFUNDIBULUM = 5
    """The enamel-lined hollow between tongue-side and cheek-side crests of one lobe, packed or open."""


class ToothState(IntEnum):
    """State of the crown that a pixel belongs to; the channel order of the ``state`` block (crown
    pixels only)."""

    ERUPTED = 0
    """Through and in the row, worn or not."""
    ERUPTING = 1
    """Part of the crown is still under gum or below its neighbours."""
    BROKEN = 2
    """A piece of the crown is gone by fracture, so its bands mean nothing."""


N_TEETH: Final = 6
TOOTH_NAMES: Final = {1: "p2", 2: "p3", 3: "p4", 4: "m1", 5: "m2", 6: "m3"}
MILK_TOOTH_NAMES: Final = {1: "dp2", 2: "dp3", 3: "dp4"}
LOBES: Final = {1: 1, 2: 2, 3: 2, 4: 2, 5: 2, 6: 3}
"""Lobes of the permanent teeth."""
MILK_LOBES: Final = {1: 1, 2: 2, 3: 3}
"""Lobes of the milk teeth: tooth 3 has three, which tells it from its successor."""

CHANNELS: Final[dict[str, slice]] = {
    "material": slice(0, 6),  # softmax over Material
    "tooth": slice(6, 13),  # softmax over none, tooth 1..6; true on visible crown pixels
    "lingual": slice(13, 14),  # logit: this crown pixel lies on the tongue side of its lobe's middle line
    "lobe": slice(14, 15),  # logit of a heat map: 1 at a lobe's centre, Gaussian of sigma LOBE_SIGMA
    "state": slice(15, 18),  # softmax over ToothState; means something on crown pixels only
    "tilt": slice(18, 20),  # (vx, vy): see TILT below
    "tilt_log_sigma": slice(20, 21),  # log of the 1-sigma error the network gives each of vx, vy
    # log2 of the Gaussian sigma of all blur together, in pixels of the network's input
    "blur": slice(21, 22),
}
N_CHANNELS: Final = 22

# TILT. The unit vector from the crown towards the camera, in the frame of the occlusal plane whose x and y
# axes are those of the picture: (0, 0, 1) is straight down, and hypot(vx, vy) is the sine of the angle
# between line of sight and the plane's normal. It belongs to each pixel (a near camera sees the ends of a row
# at other angles).

LOBE_SIGMA: Final = 0.13
"""Sigma of the lobe heat map as a share of the mean lobe length along the row."""

CROWN_MATERIALS: Final = (Material.CROWN_WALL, Material.ENAMEL_BAND, Material.DENTINE, Material.INFUNDIBULUM)


def tooth_name(position: int, *, milk: bool = False) -> str:
    """
    Anatomical name of a cheek tooth.

    Parameters
    ----------
    position : int
        1..6 from the front.
    milk : bool
        Milk tooth; only positions 1..3 have one.

    Raises
    ------
    KeyError
        If there is no such tooth.
    """
    return (MILK_TOOTH_NAMES if milk else TOOTH_NAMES)[position]
