"""Random draws of what came later, beside those of what was there before."""

from __future__ import annotations

import copy

import numpy as np
from numpy.random import Generator


def aside(rng: Generator, topic: int) -> Generator:
    """
    A generator of its own for one topic, fixed by the state of ``rng``, from which nothing is taken.

    ``rng.spawn`` would do where nobody spawns from ``rng`` afterwards: each call counts its children on, so
    one more child in the middle would change all that come after it.
    """
    return np.random.default_rng((topic, *copy.deepcopy(rng).integers(2**32, size=4).tolist()))
