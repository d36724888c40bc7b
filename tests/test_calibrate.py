"""Fitting the edge model: known edge errors are found again, and stated intervals hold what they promise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crestgauge.inference.calibrate import EdgeSample, coverage, fit_edge_model, untold_spread
from crestgauge.inference.errors import InputError
from crestgauge.inference.uncertainty import EdgeModel


def simulated(
    n: int, seed: int, *, common: float, relief: float, tail: float = 0.0, place: float = 0.0
) -> list[EdgeSample]:
    """Crests whose four edges are wrong by ``common`` and ``relief`` x tan(tilt); some with a longer tail."""
    rng = np.random.default_rng(seed)
    samples = []
    for _ in range(n):
        d, o, i = rng.uniform(4, 50), rng.uniform(7, 12), rng.uniform(7, 12)
        tilt, blur = rng.uniform(0, 0.45), rng.uniform(0.5, 3.0)
        sigma = np.hypot(common, relief * np.tan(tilt)) * (3.0 if rng.random() < tail else 1.0)
        e = np.array([0.0, o, o + d, o + d + i]) + rng.normal(0, sigma, 4)
        widths = np.diff(e)
        slope = rng.normal(0, 1.5) if place else 0.0
        samples.append(
            EdgeSample(
                dentine_px=widths[1],
                outer_px=widths[0],
                inner_px=widths[2],
                ratio=2 * widths[1] / (widths[0] + widths[2]) + place * rng.normal() * slope,
                slope=slope,
                true_ratio=2 * d / (o + i),
                true_dentine_px=d,
                true_enamel_px=0.5 * (o + i),
                tilt_rad=tilt,
                blur_px=blur,
            )
        )
    return samples


def test_known_edge_errors_are_found_again() -> None:
    """Common 0.5 px and relief 2 px from 3,000 crests: within 15 % (the squares scatter by their own
    size)."""
    samples = simulated(3000, 4, common=0.5, relief=2.0)
    model = fit_edge_model(samples, EdgeModel(sigma_px=0.0, definition_share=0.0))
    assert model.common_px == pytest.approx(0.5, rel=0.15)
    assert model.relief_px == pytest.approx(2.0, rel=0.15)
    # No bias was put in: the median of 3,000 errors of 0.9 px each is uncertain by 0.02 px.
    assert abs(model.dentine_bias_px) < 0.08 and abs(model.enamel_bias_px) < 0.08


def test_misplaced_strip_ends_are_told_from_edge_errors() -> None:
    """Ends wrong by 8 % of the length on top of 0.4 px edges: both found, whatever the base model guessed."""
    samples = simulated(3000, 9, common=0.4, relief=0.0, place=0.08)
    for guess in (0.0, 0.3):
        model = fit_edge_model(samples, EdgeModel(sigma_px=0.0, definition_share=guess))
        assert model.definition_share == pytest.approx(0.08, rel=0.15)
        assert model.common_px == pytest.approx(0.4, rel=0.15)
        assert model.scale == pytest.approx(1.0, abs=0.08)


def test_errors_that_go_with_the_spread_are_found() -> None:
    """
    Edges wrong by 0.3 px and by 0.8 px times what the squared spread exceeds a step's: gain within 15 %, from
    3,000 crests among 6,000 rightly read as 0, which must not hide the errors of the others.
    """
    rng = np.random.default_rng(21)
    samples = []
    for plain in simulated(3000, 20, common=0.3, relief=0.0):
        spread = float(rng.uniform(0.3, 1.4))
        wrong = 0.8 * (spread**2 - 1 / 12) * rng.normal() * plain.sensitivity()
        samples.append(replace(plain, ratio=plain.ratio + wrong, spread_px=spread))
    unworn = EdgeSample(dentine_px=0.0, outer_px=9.0, inner_px=9.0, ratio=0.0, true_ratio=0.0, n_stations=1)
    model = fit_edge_model([*samples, *[unworn] * 6000], EdgeModel(sigma_px=0.0, definition_share=0.0))
    assert model.spread_gain == pytest.approx(0.8, rel=0.15)
    assert coverage(samples, model) == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("gain", [0.0, 0.6])
def test_errors_that_go_with_the_picture_are_found(gain: float) -> None:
    """
    Edges wrong by 0.3 px and by 0.6 px for each px that they lie away from the picture's: gain within 15 %,
    from 3,000 crests. Where the distance tells nothing, at most 0.15 is found: squares of 0.09 px^2 that
    scatter by 1.4 of themselves leave their slope on squared distances (spread 0.7 px^2) uncertain by 0.0035,
    two standard deviations of which read as a gain of 0.08.
    """
    rng = np.random.default_rng(23)
    samples = []
    for plain in simulated(3000, 22, common=0.3, relief=0.0):
        away = float(rng.uniform(0.2, 1.5))
        wrong = gain * away * rng.normal() * plain.sensitivity()
        samples.append(replace(plain, ratio=plain.ratio + wrong, image_away_px=away))
    model = fit_edge_model(samples, EdgeModel(sigma_px=0.0, definition_share=0.0))
    if gain:
        assert model.image_gain == pytest.approx(gain, rel=0.15)
    assert gain or model.image_gain <= 0.15
    assert coverage(samples, model) == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize("seed", range(12))
def test_a_few_failures_do_not_empty_the_model(seed: int) -> None:
    """
    75 crests with edge errors of 0.3 px times Student's t of 2 degrees: more than half lie below the 0.30 px
    that a crest's random part is taken for, a few far above. Some cause must still be found for these, at
    least 0.2 px, or the last factor alone would widen sure and unsure crests alike.
    """
    rng = np.random.default_rng(100 + seed)
    samples = [
        replace(s, ratio=s.true_ratio + 0.3 * rng.standard_t(2) * s.sensitivity())
        for s in simulated(75, seed, common=0.0, relief=0.0)
    ]
    model = fit_edge_model(samples, EdgeModel(photo_px=0.0, definition_share=0.0))
    assert max(model.common_px, model.blur_gain, model.relief_px) > 0.2


@pytest.mark.parametrize("tail", [0.0, 0.1])
def test_intervals_hold_on_other_crests(tail: float) -> None:
    """Fitted on 2,000 crests, 95 % intervals hold 93.5-96.5 % of 4,000 others (sampling alone: +- 0.7 %)."""
    model = fit_edge_model(simulated(2000, 5, common=0.6, relief=1.0, tail=tail))
    other = simulated(4000, 6, common=0.6, relief=1.0, tail=tail)
    assert 0.935 <= coverage(other, model) <= 0.965


@pytest.mark.parametrize(("hidden", "tolerance"), [(0.0, 0.12), (0.3, 0.05)])
def test_what_the_model_does_not_know_shows_in_the_tails(hidden: float, tolerance: float) -> None:
    """
    Errors of a normal law whose standard deviation is as stated times a log-normal factor: its spread is
    found again from 8,000 crests, and a stated uncertainty that is wrong for all alike changes nothing.
    Kurtosis of a normal law is uncertain by sqrt(24 / 8000), which reads as a spread of up to 0.10 at two
    standard deviations; a spread of 0.3 came out within 0.02 (1 s) in 300 plain draws of this size.
    """
    rng = np.random.default_rng(31)
    stated = EdgeModel(sigma_px=0.0, blur_gain=0.0, photo_px=0.0, common_px=0.5, relief_px=0.0)
    samples = []
    for plain in simulated(8000, 30, common=0.0, relief=0.0):
        wrong = 1.4 * plain.u(stated) * np.exp(hidden * rng.normal()) * rng.normal()
        samples.append(replace(plain, ratio=plain.ratio + wrong))
    unworn = EdgeSample(dentine_px=0.0, outer_px=9.0, inner_px=9.0, ratio=0.0, true_ratio=0.0, n_stations=1)
    assert untold_spread([*samples, *[unworn] * 8000], stated) == pytest.approx(hidden, abs=tolerance)
    assert untold_spread([unworn], stated) == 0.0


def test_a_width_bias_is_found() -> None:
    """Dentine drawn 0.7 px too wide at the cost of both bands: the biases say so to 0.1 px."""
    samples = [
        replace(s, dentine_px=s.dentine_px + 0.7, outer_px=s.outer_px - 0.35, inner_px=s.inner_px - 0.35)
        for s in simulated(2000, 7, common=0.4, relief=0.0)
    ]
    model = fit_edge_model(samples)
    assert model.dentine_bias_px == pytest.approx(0.7, abs=0.1)
    assert model.enamel_bias_px == pytest.approx(-0.35, abs=0.1)


def test_too_few_crests_are_refused() -> None:
    """A calibration from a handful of crests would promise what it cannot know."""
    with pytest.raises(InputError, match="needs 40"):
        fit_edge_model(simulated(10, 8, common=0.5, relief=0.0))
