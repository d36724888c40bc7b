"""Intervals from few animals: the factor by hand, and what it covers on new animals, by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from crestgauge.inference.conformal import K95, coverage_left_out, fit_scale, weighted_quantile
from crestgauge.inference.errors import InputError


def test_quantile_by_hand():
    """
    Three animals with 1, 2 and 1 scores weigh 1/4 each, the next animal's quarter lies at infinity: sorted
    0.5 (1/8), 1 (1/4), 2 (1/4), 3 (1/8) reach 1/8, 3/8, 5/8, 6/8.
    """
    groups = {"a": [1.0], "b": [0.5, 3.0], "c": [2.0]}
    assert [weighted_quantile(groups, share) for share in (0.1, 0.375, 0.4, 0.7, 0.75)] == [
        0.5,
        1.0,
        2.0,
        3.0,
        3.0,
    ]
    assert weighted_quantile(groups, 0.76) == math.inf


def test_nineteen_animals_are_the_first_that_can_narrow():
    """19 / 20 = 0.95: with 18 animals the wanted quantile lies with the animal that is still to come."""
    scores = {f"a{k}": [0.1] for k in range(19)}
    assert fit_scale(scores).method == "conformal"
    assert fit_scale(scores).factor == pytest.approx(0.1 / K95)
    scores.pop("a0")
    assert (fit_scale(scores).method, fit_scale(scores).factor) == ("widened only", 1.0)
    wide = {name: [4.0] for name in scores}
    assert fit_scale(wide).factor == pytest.approx(4.0 / K95)
    assert fit_scale({"a": [9.0] * 9}).method == "kept"


def animals(rng: np.random.Generator, count: int, *, stated: float = 1.0) -> dict[str, np.ndarray]:
    """
    Scores of animals whose errors have long tails (Student, 4 degrees of freedom), an offset of their own as
    large as the rest, and uncertainties that are ``stated`` times the true spread.
    """
    out = {}
    for k in range(count):
        crests = int(rng.integers(2, 12))
        error = rng.normal() + rng.standard_t(4, crests)
        out[f"a{k}"] = np.abs(error) / (stated * math.sqrt(3.0))  # variance 1 + 4 / (4 - 2)
    return out


@pytest.mark.parametrize(("count", "stated"), [(19, 0.3), (30, 2.5)])
def test_new_animals_are_covered_as_promised(count, stated):
    """
    Coverage of the next animal's crests, over 600 samples of ``count`` animals, whatever was stated before:
    at least 95 % (hierarchical conformal prediction, arXiv:2306.06342), at most 95 % plus the next animal's
    own weight 1 / (count + 1). Tolerance: the mean of 600 animals with some 7 alike crests each has a
    standard error of 0.7 %; twice that.
    """
    rng = np.random.default_rng(count)
    held = []
    for _ in range(600):
        factor = fit_scale(animals(rng, count, stated=stated)).factor
        held.append(float(np.mean(animals(rng, 1, stated=stated)["a0"] <= K95 * factor)))
    assert 0.95 - 0.014 <= np.mean(held) <= 0.95 + 1 / (count + 1) + 0.014


def test_coverage_left_out_is_that_of_new_animals():
    """
    Each animal judged by the factor of the others, against fresh animals judged by the factor of all: the two
    agree. Tolerance: standard errors of 0.7 % (600 animals) and 0.5 %, together twice 0.9 %.
    """
    rng = np.random.default_rng(8)
    inside, outside = [], []
    for _ in range(30):
        scores = animals(rng, 40)
        inside += [np.mean(answers) for answers in coverage_left_out(scores).values()]
        factor = fit_scale(scores).factor
        outside += [np.mean(values <= K95 * factor) for values in animals(rng, 20).values()]
    assert np.mean(inside) == pytest.approx(np.mean(outside), abs=0.018)


def test_scores_must_be_scores():
    with pytest.raises(InputError, match="negative or no number"):
        fit_scale({"a": [1.0, -1.0]})
    with pytest.raises(InputError, match="share 1"):
        fit_scale({"a": [1.0]}, share=1)
