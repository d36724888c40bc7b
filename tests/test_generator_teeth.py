"""What the drawn teeth show besides wear: crowns that have just come, chips, pulp, crowded rows."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from crestgauge.synthetic_data import scene
from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.camera import sample
from crestgauge.synthetic_data.eruption import (
    EARLY_SHARE,
    EARLY_YEARS,
    FRESH_UNTIL_YEARS,
    STANDING_MM,
    UNWORN_MM,
    just_standing,
    sample_stage,
)
from crestgauge.synthetic_data.jaw import UNWORN_BELOW_MM
from crestgauge.synthetic_data.scene import Conditions, sample_specimen
from crestgauge.synthetic_data.wear import FAR_BELOW

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")


def test_draws_aside_take_nothing():
    rng, untouched = np.random.default_rng(4), np.random.default_rng(4)
    first, again, other = aside(rng, 1), aside(rng, 1), aside(rng, 2)
    values = first.uniform(size=5)
    np.testing.assert_array_equal(values, again.uniform(size=5))
    assert not np.isin(values, other.uniform(size=5)).any()
    np.testing.assert_array_equal(rng.uniform(size=3), untouched.uniform(size=3))
    np.testing.assert_array_equal(rng.spawn(1)[0].uniform(size=3), untouched.spawn(1)[0].uniform(size=3))
    rng.uniform()
    assert not np.isin(values, aside(rng, 1).uniform(size=5)).any()  # the next animal draws anew


def test_just_standing_teeth_stand_and_are_unworn():
    """Last molars by the share that is stated (400 animals: 3 sigma of a share of 0.45 are 0.075)."""
    ahead = 0
    for k in range(400):
        stage = sample_stage(np.random.default_rng(k), 1.9)
        after, wear = just_standing(np.random.default_rng(1000 + k), stage, 1.9)
        assert after.milk == stage.milk
        for position, depth in wear.items():
            assert after.states[position] == "erupted" and after.low[position] < STANDING_MM
            assert UNWORN_MM[0] <= depth <= UNWORN_MM[1]
        assert all(after.states[p] == stage.states[p] for p in range(1, 7) if p not in wear)
        ahead += 6 in wear
    assert ahead / 400 == pytest.approx(np.interp(1.9, EARLY_YEARS, EARLY_SHARE), abs=0.075)


@pytest.mark.parametrize("age", [0.6, FRESH_UNTIL_YEARS + 0.01, 6.0])
def test_other_ages_stay_what_they_were(age):
    stage = sample_stage(np.random.default_rng(1), age)
    assert just_standing(np.random.default_rng(2), stage, age) == (stage, {})


def free_shares(monkeypatch, ages):
    """(state, share of the crown that stands clear of gum and bone) of every unworn permanent tooth."""
    monkeypatch.setattr(scene, "GRID_PX_PER_MM", 5.0)
    found = []
    for k, age in enumerate(ages):
        animal = sample_specimen(np.random.default_rng((k, 5)), PLAIN, CPU, age_years=age, abnormal=False)
        crowns, bone = animal.crowns, animal.bone
        clear = crowns.surface > sample(bone.grid, bone.surface, *crowns.grid.nodes(CPU))
        for tooth in animal.jaw.teeth:
            own = (crowns.tooth == tooth.position) & (crowns.surface > FAR_BELOW)
            if tooth.lobes and not tooth.milk and tooth.wear_mm < UNWORN_BELOW_MM and own.any():
                found.append((tooth.state, float(clear[own].float().mean())))
    return found


def test_being_free_all_round_does_not_tell_the_state(monkeypatch):
    """
    Unworn crowns that are free on 95 % of their area, as a share of all in their state. By chance alone
    the shares differ by up to 0.25 (3 sigma, 90 and 50 crowns in bunches of three from one jaw).
    """
    found = free_shares(monkeypatch, np.linspace(1.45, 1.9, 40))
    standing = np.array([share for state, share in found if state == "erupted"])
    erupting = np.array([share for state, share in found if state == "erupting"])
    assert len(standing) > 60 and len(erupting) > 30
    free = (standing > 0.95).mean(), (erupting > 0.95).mean()
    assert abs(free[0] - free[1]) < 0.25 and min(free) > 0.15
    assert (erupting < 0.8).mean() > 0.2  # and many of those on their way are covered in part
