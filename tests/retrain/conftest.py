"""Toy pictures in the place of crops, for tests that take real steps."""

from __future__ import annotations

import pytest
from own_weights import toy_view

from crestgauge.training import export, look_bias, own_steps


@pytest.fixture(scope="module")
def small_pictures():
    """Pictures of 96 x 64 px in the place of crops of 1536 x 448, and parity on small ones."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(own_steps, "read_view", toy_view)
        patch.setattr(look_bias, "read_view", toy_view)
        patch.setattr(own_steps, "vary", lambda view, seed: view)
        patch.setattr(export, "PARITY_SIZES", ((1, 64, 96),))
        yield
