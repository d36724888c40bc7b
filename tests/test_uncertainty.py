"""The propagation against published figures, Monte Carlo, and the ``uncertainties`` package."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat

from crestgauge.inference.errors import InputError
from crestgauge.inference.uncertainty import (
    EdgeModel,
    lost_dentine_u,
    mean_variance_factor,
    mid_level_width,
    one_band_u,
    quotient_u,
    two_band_u,
)

widths = st.floats(min_value=4.0, max_value=80.0)


@pytest.mark.published(source="JCGM 100:2008 (GUM)", where="Annex H.2, Table H.2 to H.4")
def test_gum_h2_impedance() -> None:
    """
    |Z| = V / I = 254.26 ohm with u = 0.236 ohm (correlated); 0.204 if the correlation is left out.

    The inputs are printed to 2 figures of u, so 254.260 +- 0.236 can be met to 0.001 only: u = 0.2366 from
    them.
    """
    value, u = 4.999 / 0.019661, quotient_u(4.999, 0.0032, 0.019661, 9.5e-6, -0.36)
    assert value == pytest.approx(254.26, abs=0.005)
    assert u == pytest.approx(0.236, abs=0.001)
    assert u == pytest.approx(0.2366, abs=0.00005)
    assert quotient_u(4.999, 0.0032, 0.019661, 9.5e-6) == pytest.approx(0.2039, abs=0.0001)


def test_gum_h2_against_the_uncertainties_package() -> None:
    """The same quotient by an independent implementation, to rounding."""
    cov = np.array([[0.0032**2, -0.36 * 0.0032 * 9.5e-6], [-0.36 * 0.0032 * 9.5e-6, 9.5e-6**2]])
    v, i = correlated_values([4.999, 0.019661], cov)
    assert quotient_u(4.999, 0.0032, 0.019661, 9.5e-6, -0.36) == pytest.approx((v / i).std_dev, rel=1e-9)


def test_one_band_worked_case() -> None:
    """
    D = 12, E = 8, s = 0.3: R = 1.5, u_R / R = 0.07706, u_R = 0.1156 (own calculation, by simulation 0.117).

    First order against simulation: 2 % at these widths, which are 27 times the edge error.
    """
    u = float(one_band_u(12.0, 8.0, 0.3))
    assert u == pytest.approx(0.1156, abs=0.00005)
    assert u / 1.5 == pytest.approx(0.07706, abs=0.000005)
    assert quotient_u(12.0, 0.3 * 2**0.5, 8.0, 0.3 * 2**0.5, -0.5) == pytest.approx(u, rel=1e-12)
    rng = np.random.default_rng(1)
    e1, e2, e3 = rng.normal([[0.0], [8.0], [20.0]], 0.3, size=(3, 400_000))
    assert np.std((e3 - e2) / (e2 - e1)) == pytest.approx(u, rel=0.02)


@pytest.mark.parametrize(("d", "o", "i"), [(12.0, 8.0, 8.0), (30.0, 9.0, 6.0), (5.0, 10.0, 8.0)])
def test_two_bands_against_simulation(d: float, o: float, i: float) -> None:
    """Four edges, s = 0.3: simulated spread within 2 % (second-order terms are (s / E)^2, at most 0.3 %)."""
    edges = np.array([0.0, o, o + d, o + d + i])
    rng = np.random.default_rng(2)
    e1, e2, e3, e4 = rng.normal(edges[:, None], 0.3, size=(4, 400_000))
    ratio = 2 * (e3 - e2) / ((e2 - e1) + (e4 - e3))
    assert float(two_band_u(d, o, i, 0.3)) == pytest.approx(np.std(ratio), rel=0.02)


@settings(max_examples=40, deadline=None)
@given(d=widths, o=widths, i=widths, s=st.floats(0.05, 1.0), s_out=st.floats(0.05, 1.0))
def test_two_bands_against_the_uncertainties_package(
    d: float, o: float, i: float, s: float, s_out: float
) -> None:
    """Any widths, two kinds of edges: equal to automatic first-order propagation, to rounding."""
    e1, e2 = ufloat(0.0, s_out), ufloat(o, s)
    e3, e4 = ufloat(o + d, s), ufloat(o + d + i, s_out)
    ratio = 2 * (e3 - e2) / ((e2 - e1) + (e4 - e3))
    assert float(two_band_u(d, o, i, s, outline_sigma=s_out)) == pytest.approx(ratio.std_dev, rel=1e-6)
    outer_edge = ufloat(0.0, s)
    assert float(one_band_u(d, o, s)) == pytest.approx(((e3 - e2) / (e2 - outer_edge)).std_dev, rel=1e-6)


@given(d=widths, e=widths, s=st.floats(0.05, 1.0))
def test_equal_bands_closed_form(d: float, e: float, s: float) -> None:
    """The closed form in the module's docstring: (u/R)^2 = 2 s^2 (1/D^2 + 1/(D E) + 1/(2 E^2))."""
    ratio = d / e
    relative = np.sqrt(2 * s**2 * (1 / d**2 + 1 / (d * e) + 1 / (2 * e**2)))
    assert float(two_band_u(d, e, e, s)) == pytest.approx(ratio * relative, rel=1e-9)
    assert float(two_band_u(d, e, e, s)) < float(one_band_u(d, e, s))


@pytest.mark.parametrize(
    ("width", "share"), [(1.5, 0.62), (2.0, 0.93), (2.355, 0.98), (3.0, 1.00), (4.0, 1.00), (5.0, 1.00)]
)
def test_mid_level_width_under_blur(width: float, share: float) -> None:
    """
    Width by a fixed mid-level over true width, by width in blur sigmas (own table, two decimals).

    Independent check: a bar convolved numerically with scipy's Gaussian filter, read by linear interpolation.
    """
    from scipy.ndimage import gaussian_filter1d

    assert float(mid_level_width(width, 1.0)[0]) / width == pytest.approx(share, abs=0.005)
    step = 0.01
    x = np.arange(-12, 12 + step / 2, step)
    profile = gaussian_filter1d((np.abs(x) <= width / 2).astype(float), 1 / step)
    above = np.count_nonzero(profile > 0.5) * step
    assert float(mid_level_width(width, 1.0)[0]) == pytest.approx(above, abs=3 * step)


def test_mid_level_width_vanishes() -> None:
    """Below 1.35 sigma the peak is under the mid-level: NaN, not 0."""
    assert np.isnan(mid_level_width(1.3, 1.0)).all()


def test_mean_of_correlated_stations_against_simulation() -> None:
    """21 stations 2.5 px apart, correlation length 12 px: variance of the mean within 3 % (20,000 draws: 1
    %)."""
    n, spacing, length = 21, 2.5, 12.0
    lag = np.abs(np.subtract.outer(np.arange(n), np.arange(n))) * spacing
    rng = np.random.default_rng(3)
    draws = rng.standard_normal((20_000, n)) @ np.linalg.cholesky(np.exp(-lag / length)).T
    assert draws.mean(axis=1).var() == pytest.approx(mean_variance_factor(n, spacing, length), rel=0.03)
    assert mean_variance_factor(10, 2.0, 0.0) == pytest.approx(0.1)
    assert mean_variance_factor(10, 2.0, 1e9) == pytest.approx(1.0)


def test_edge_model_grows_with_blur_tilt_and_enlargement() -> None:
    """Every cause makes the edge less certain; more stations make it more certain."""
    model = EdgeModel()

    def sigma(n: int = 21, blur: float = 1.0, zoom: float = 1.0, tilt: float = 0.0) -> float:
        return model.crest_sigma_px(
            n_stations=n, spacing_px=2.5, blur_px=blur, crop_per_photo=zoom, tilt_rad=tilt
        )

    assert sigma(blur=4.0) > sigma() and sigma(zoom=3.0) > sigma() and sigma(tilt=0.3) > sigma()
    assert sigma(n=5) > sigma() > model.common_px


def test_an_unsure_network_makes_edges_less_certain() -> None:
    """Spread of 1 px, mean square 11/12 above a step's: at a gain of 0.6 it adds 0.55 px in quadrature."""
    model = EdgeModel(sigma_px=0.0, blur_gain=0.0, photo_px=0.0, common_px=0.4, spread_gain=0.6)
    at = {"n_stations": 21, "spacing_px": 2.5, "blur_px": 1.0, "crop_per_photo": 1.0, "tilt_rad": 0.0}
    assert model.crest_sigma_px(**at, spread_px=1.0) == pytest.approx(np.hypot(0.4, 0.6 * 11 / 12))
    assert model.crest_sigma_px(**at, spread_px=0.2) == pytest.approx(0.4)
    assert model.crest_sigma_px(**at) == pytest.approx(0.4)


def test_edges_away_from_the_picture_are_less_certain() -> None:
    """1 px from the brightness edges at a gain of 0.4 is 0.4 px; with a common 0.3 px 0.5 in quadrature."""
    model = EdgeModel(sigma_px=0.0, blur_gain=0.0, photo_px=0.0, common_px=0.3, image_gain=0.4)
    at = {"n_stations": 21, "spacing_px": 2.5, "blur_px": 1.0, "crop_per_photo": 1.0, "tilt_rad": 0.0}
    assert model.crest_sigma_px(**at, image_away_px=1.0) == pytest.approx(0.5)
    assert model.crest_sigma_px(**at) == pytest.approx(0.3)


def test_lost_dentine_covers_what_it_may_have_been() -> None:
    """
    Bands 6 and 16 px, dentine 2 px: R is given as 4 / 22 and may be up to (2 + 10) / 6 = 2. By simulation, of
    the rectangular law between the two, the root of the mean square distance from the value given (sampling
    of 400,000: 0.1 %).
    """
    drawn = np.random.default_rng(8).uniform(4 / 22, 2.0, 400_000)
    expected = np.sqrt(np.mean((drawn - 4 / 22) ** 2))
    assert lost_dentine_u(2.0, 6.0, 16.0) == pytest.approx(expected, rel=0.005)
    assert lost_dentine_u(2.0, 16.0, 6.0) == lost_dentine_u(2.0, 6.0, 16.0)
    assert lost_dentine_u(2.0, 6.0, 12.0) == 0.0


def test_edge_model_table_round_trip() -> None:
    """A data file's table gives the same model back; unknown keys and bad numbers are named."""
    model = EdgeModel(sigma_px=0.4, dentine_bias_px=-0.2, source="test")
    assert EdgeModel.from_mapping(model.to_mapping()) == model
    with pytest.raises(InputError, match="sigma"):
        EdgeModel.from_mapping({"sigma": 1.0})
    with pytest.raises(InputError, match="sigma_px"):
        EdgeModel.from_mapping({"sigma_px": -1.0})


def test_mean_of_no_station_is_refused() -> None:
    """There is no mean of nothing."""
    with pytest.raises(InputError, match="n >= 1"):
        mean_variance_factor(0, 1.0, 1.0)
