"""One direction of two passes: against hand-counted means, and against the meta-analysis of statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from crestgauge.inference.views import View, both_views


def test_tilt_is_the_arc_sine_of_the_direction():
    """Sine 0.6 is 36.870 degrees; d tilt = d sine / cosine, and the cosine is 0.8."""
    tilt = View(x=0.36, y=-0.48, u=0.008).tilt_deg()
    assert tilt.value == pytest.approx(36.8699, abs=1e-4)
    assert tilt.u == pytest.approx(np.degrees(0.008 / 0.8))
    straight = View(x=0.0, y=0.0, u=0.01).tilt_deg()
    assert (straight.value, straight.u) == (0.0, pytest.approx(np.degrees(0.01)))
    assert View(x=1.0, y=0.2, u=0.1).tilt_deg().value == pytest.approx(89.19, abs=0.01)  # longer than one


def test_views_that_agree_are_weighed_by_their_variances():
    """0.05 and 0.10: four parts against one, uncertainty 0.05 * 0.10 / hypot of both."""
    one, other = View(x=0.10, y=0.0, u=0.05), View(x=0.15, y=-0.05, u=0.10)
    found = both_views(one, other)
    assert (found.x, found.y) == (pytest.approx(0.11), pytest.approx(-0.01))
    assert found.u == pytest.approx(0.05 * 0.10 / np.hypot(0.05, 0.10))
    turned = both_views(other, one)
    assert (turned.x, turned.y, turned.u) == pytest.approx((found.x, found.y, found.u))


@pytest.mark.parametrize(
    ("apart", "u_one", "u_other"),
    [(0.12, 0.05, 0.10), (0.30, 0.05, 0.10), (0.50, 0.05, 0.20), (0.2, 0.1, 0.1)],
)
def test_as_a_meta_analysis_of_two_studies(apart, u_one, u_other):
    """With the same difference along both axes each axis is one such analysis; between-study variance by
    moments, which statsmodels lets fall below 0 and we do not. To rounding."""
    found = both_views(View(x=0.0, y=0.0, u=u_one), View(x=apart, y=apart, u=u_other))
    reference = combine_effects(np.array([0.0, apart]), np.array([u_one, u_other]) ** 2, method_re="chi2")
    assert found.x == pytest.approx(reference.mean_effect_re) and found.y == found.x
    assert found.u == pytest.approx(reference.sd_eff_w_re)


def test_views_far_apart_count_alike_and_say_so():
    """Nobody can say which is wrong: the middle, and an uncertainty of about half of what lies between them
    (0.5 along each axis: 0.25)."""
    found = both_views(View(x=0.5, y=0.5, u=0.01), View(x=0.0, y=0.0, u=0.03))
    assert (found.x, found.y) == (pytest.approx(0.25, abs=0.002), pytest.approx(0.25, abs=0.002))
    assert found.u == pytest.approx(0.25, abs=0.005)
