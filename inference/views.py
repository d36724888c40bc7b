"""
From where a row is seen: one direction of two passes.

Both networks say for every crown pixel in which direction the camera lies, and how well they know it. Each is
wrong in its own way, so what they say together is known better than by either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crestgauge.inference.evidence import Quantity

_MOST_SINE = 0.9999
"""Mean directions of pixels may come out longer than one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """
    Direction from a row to the camera.

    Parameters
    ----------
    x, y : float
        Part of the unit vector towards the camera along the axes of the upright photo; (0, 0) is straight
        above the chewing surface. [1]
    u : float
        Standard uncertainty of each of the two. [1]
    """

    x: float
    y: float
    u: float

    def tilt_deg(self) -> Quantity:
        """Angle between line of sight and the normal of the chewing surface. [deg]"""
        sine = min(float(np.hypot(self.x, self.y)), _MOST_SINE)
        u = float(np.degrees(self.u / np.sqrt(1.0 - sine**2)))
        return Quantity(float(np.degrees(np.arcsin(sine))), u)


def both_views(one: View, other: View) -> View:
    """
    The direction that two passes give together: the mean, each weighed by its variance.

    Where they differ by more than their uncertainties allow, one of them is wrong without knowing, and nobody
    can say which. What is missing is then added to both variances, so that the weights draw nearer to each
    other and the mean is stated as less sure (a random effect between methods, estimated by moments:
    DerSimonian and Laird, Controlled Clinical Trials 7, 177-188, 1986, from memory).

    Parameters
    ----------
    one, other : View
        In any order.
    """
    own = np.array([one.u, other.u]) ** 2
    # Both components share one uncertainty: their mean square difference is expected to be that of the passes
    # themselves, and twice the variance between them.
    apart = 0.5 * ((one.x - other.x) ** 2 + (one.y - other.y) ** 2)
    between = max(0.5 * (apart - float(own.sum())), 0.0)
    weight = 1.0 / (own + between)
    share = weight / weight.sum()
    return View(
        x=float(share @ [one.x, other.x]),
        y=float(share @ [one.y, other.y]),
        u=float(1.0 / np.sqrt(weight.sum())),
    )
