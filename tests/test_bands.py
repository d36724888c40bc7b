"""Band edges on drawn profiles and strips: exact at sub-pixel widths, unmoved by turn, blur and
neighbours."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, truncnorm

from crestgauge.inference.bands import BandOptions, read_profiles

OPTIONS = BandOptions()
X = np.arange(-160, 161) * OPTIONS.step_px


def box(low: float, high: float, pixel: float = 1.0) -> np.ndarray:
    """Share of a pixel-wide window around each sample that lies in [low, high]: area coverage, read
    bilinearly."""
    return np.clip((np.minimum(X + pixel / 2, high) - np.maximum(X - pixel / 2, low)) / pixel, 0.0, 1.0)


def profile(d: float, o: float, i: float, gap: float = 16.0, at: float = 0.0, pixel: float = 1.0):
    """Dentine, enamel and infundibulum of one profile, cheek side first; the strip's middle at ``at``."""
    e = at + np.array([d / 2 + o, d / 2, -d / 2, -d / 2 - i, -d / 2 - i - gap])
    far = (e[4] - 9.0, e[4] - 27.0, e[4] - 36.0)
    dentine = box(e[2], e[1], pixel) + box(far[1], far[0], pixel)
    enamel = box(e[1], e[0], pixel) + box(e[3], e[2], pixel) + box(far[0], e[4], pixel)
    enamel = enamel + box(far[2], far[1], pixel)
    return dentine[None], enamel[None], box(e[4], e[3], pixel)[None], e


@settings(max_examples=150, deadline=None)
@given(
    d=st.floats(1.2, 60.0),
    o=st.floats(1.5, 20.0),
    i=st.floats(1.5, 20.0),
    gap=st.floats(3.0, 30.0),
    at=st.floats(-3.0, 3.0),
)
def test_widths_are_exact_at_any_sub_pixel_place(d: float, o: float, i: float, gap: float, at: float) -> None:
    """
    Area-coverage profiles: all three widths to 0.06 px.

    The edge integral is exact for ramps; 0.06 px is the trapezoid rule's error at half-pixel steps where a
    ramp's corner falls between two samples (1/8 step per corner).
    """
    dentine, enamel, open_, _ = profile(d, o, i, gap, at)
    read = read_profiles(dentine, enamel, open_, OPTIONS)
    assert read.has_dentine[0]
    assert read.dentine[0] == pytest.approx(d, abs=0.06)
    assert read.outer[0] == pytest.approx(o, abs=0.09)
    assert read.inner[0] == pytest.approx(i, abs=0.09)


@pytest.mark.parametrize("pixel", [1.0, 2.0, 4.0, 6.0])
def test_spread_of_a_ramp(pixel: float) -> None:
    """
    An edge that may lie anywhere within ``pixel``: variance pixel^2 / 12, at all four edges.

    Straight lines between samples spread each half-pixel step's share evenly over it, which moves nothing by
    more than half a step: at most 0.25^2 px^2 more.
    """
    read = read_profiles(*profile(14.0, 9.0, 9.0, at=0.3, pixel=pixel)[:3], OPTIONS)
    more = read.spread[0] ** 2 - pixel**2 / 12
    assert (more > -1e-6).all() and (more <= 0.25**2).all()


def test_spread_of_a_normal_edge() -> None:
    """
    Edges smeared by N(0, 1.1 px): variance of SciPy's normal law cut at the window's 4 px, and what straight
    lines between half-pixel samples add to a smooth law, h^2 / 6 = 0.042 px^2 (the linear spline's variance).

    0.01 px^2: the cut's ends fall between samples.
    """
    cut = truncnorm(-4.0 / 1.1, 4.0 / 1.1, scale=1.1).var()
    edges = [24.0, 7.0, -7.0, -24.0, -48.0]
    fall = [norm.sf(X, loc=edge, scale=1.1) for edge in edges]
    dentine, open_ = fall[1] - fall[2], fall[3] - fall[4]
    enamel = fall[0] - fall[1] + fall[2] - fall[3]
    read = read_profiles(dentine[None], enamel[None], open_[None], OPTIONS)
    assert read.spread[0] ** 2 == pytest.approx([cut + 0.25 / 6] * 4, abs=0.01)


@pytest.mark.parametrize("pixel", [2.0, 4.0, 6.0])
def test_symmetric_blur_moves_no_edge(pixel: float) -> None:
    """Probabilities smeared over up to 6 px: widths of 12/9/9 px stay within 0.1 px."""
    read = read_profiles(*profile(12.0, 9.0, 9.0, pixel=pixel)[:3], OPTIONS)
    assert read.dentine[0] == pytest.approx(12.0, abs=0.1)
    assert read.outer[0] == pytest.approx(9.0, abs=0.1)
    assert read.inner[0] == pytest.approx(9.0, abs=0.1)


def test_a_line_that_no_pixel_holds_fully() -> None:
    """A 0.7 px dentine line under 3 px of smear peaks at 0.23, far below one half; its width is still 0.7 +-
    0.1."""
    read = read_profiles(*profile(0.7, 9.0, 9.0, pixel=3.0)[:3], OPTIONS)
    assert read.has_dentine[0]
    assert read.dentine[0] == pytest.approx(0.7, abs=0.1)


def test_no_dentine_line() -> None:
    """An enamel ridge alone holds no dentine line."""
    dentine, enamel, open_, _ = profile(0.0, 9.0, 9.0)
    dentine[:, X < -20] *= 0  # leave the cheek side out as well
    assert not read_profiles(dentine, enamel, open_, OPTIONS).has_dentine[0]


def test_without_infundibulum_there_is_no_inner_band() -> None:
    """Enamel island with cheek-side dentine behind it, and a wall behind that: outer band yes, inner band
    no."""
    dentine = (box(-6, 6) + box(-40, -15))[None]
    enamel = (box(6, 15) + box(-15, -6) + box(-49, -40))[None]
    read = read_profiles(dentine, enamel, np.zeros_like(dentine), OPTIONS)
    assert read.outer[0] == pytest.approx(9.0, abs=0.1)
    assert np.isnan(read.inner[0])


def test_merged_with_the_cheek_side_strip() -> None:
    """Dentine from the tongue-side band to the cheek-side band: no inner enamel edge, no inner band."""
    dentine, enamel = box(-60, 6)[None], (box(6, 15) + box(-69, -60))[None]
    read = read_profiles(dentine, enamel, np.zeros_like(dentine), OPTIONS)
    assert np.isnan(read.inner[0])
    assert read.outer[0] == pytest.approx(9.0, abs=0.1)


def test_low_level_chatter_far_from_the_edges_adds_nothing() -> None:
    """5 % of dentine probability over the whole infundibulum, 5 % of enamel over the whole strip: 0.5 px at
    most."""
    dentine, enamel, open_, _ = profile(40.0, 9.0, 9.0, gap=20.0)
    noisy = dentine + 0.05 * open_
    read = read_profiles(noisy * 0.95, enamel + 0.05 * dentine, open_ * 0.95, OPTIONS)
    assert read.dentine[0] == pytest.approx(40.0, abs=0.5)
    assert read.outer[0] == pytest.approx(9.0, abs=0.5)
    assert read.inner[0] == pytest.approx(9.0, abs=0.5)


def test_one_station_keeps_its_shape() -> None:
    """A single profile gives arrays of length 1, never a scalar."""
    read = read_profiles(*profile(12.0, 9.0, 9.0)[:3], OPTIONS)
    assert read.edges.shape == (1, 4) and read.dentine.shape == (1,)


def test_edges_are_offsets_towards_the_tongue() -> None:
    """Order and sign of the four edges."""
    dentine, enamel, open_, expected = profile(12.0, 9.0, 7.0, at=1.5)
    read = read_profiles(dentine, enamel, open_, OPTIONS)
    assert read.edges[0] == pytest.approx(expected[:4], abs=0.06)
