"""What age does to a row: which teeth are there, how far they have come, how far they have worn."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from crestgauge.inference.evidence import State

# Depth of wear below the unworn tip against years since a molar of the class came into wear. [year, mm]
WEAR_YEARS = np.array([-2.0, 0.0, 0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 9.5, 13.0])
WEAR_MM = np.array([0.0, 0.0, 0.35, 1.25, 2.0, 2.75, 3.45, 4.25, 5.35, 6.2, 6.9, 7.6])
WEAR_LAG_YEARS = {1: 0.5, 2: 0.4, 3: 0.2, 4: 0.0, 5: 1.0, 6: 2.0}
MILK_WEAR_YEARS = np.array([0.2, 0.3, 0.6, 1.1, 1.5, 1.7])
MILK_WEAR_MM = np.array([0.2, 0.6, 1.4, 2.8, 4.6, 5.4])
PREMOLARS = (1, 2, 3)
HIDDEN_MM = 6.5
"""An erupting tooth further down than this is not drawn at all."""
STANDING_MM = 1.1
"""One nearer than this to its place counts as erupted."""
FRESH_UNTIL_YEARS = 2.5
EARLY_YEARS, EARLY_SHARE = [1.3, 1.7, 2.5], [0.2, 0.45, 0.45]
"""Share of animals whose last molar stands already and has met nothing yet, if it has come up at all."""
FRESH_SHARE = 0.45
"""Share of animals whose new premolars stand and have met nothing yet."""
UNWORN_MM = (-0.4, 0.2)


def wear_depth(position: int, age_years: float) -> float:
    """Mean depth of wear below the unworn tip. [mm]"""
    return float(np.interp(age_years - WEAR_LAG_YEARS[position], WEAR_YEARS, WEAR_MM))


def milk_wear_depth(rng: Generator, age_years: float) -> float:
    """Depth of wear of one animal's milk teeth; some are hardly touched, some worn to basins. [mm]"""
    mean = float(np.interp(age_years, MILK_WEAR_YEARS, MILK_WEAR_MM))
    return float(np.clip(mean * np.exp(rng.normal(0, 0.28)), 0.1, 6.8))


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """
    Dentition at one age, by position.

    states : erupted, erupting or absent
    milk : positions that still hold a milk tooth
    low : how far below its place a tooth stands [mm]
    """

    states: dict[int, State]
    milk: frozenset[int]
    low: dict[int, float]


def sample_stage(rng: Generator, age_years: float) -> Stage:
    """
    Draw the dentition of an animal of this age.

    Premolars are replaced at about 17.5 months, not all on one day; m1 comes first, then m2 and m3.
    """
    states: dict[int, State] = dict.fromkeys(range(1, 7), "erupted")
    low: dict[int, float] = {}
    change = 1.45 + rng.normal(0, 0.06)
    milk = frozenset(p for p in PREMOLARS if age_years < change + rng.normal(0, 0.03))
    if age_years < 0.38:
        states[4], low[4] = "erupting", rng.uniform(0.3, 4.5)
    spread = rng.normal(0, 0.9, 2)
    m2_low = float(np.interp(age_years, [0.40, 0.6, 0.95], [7.5, 3.5, 0.0])) + spread[0] * (age_years < 1.0)
    m3_low = float(np.interp(age_years, [1.0, 1.35, 1.8, 2.2], [8.5, 5.0, 1.8, 0.0])) + spread[1] * (
        age_years < 2.2
    )
    for position, down, start in ((5, m2_low, 0.40), (6, m3_low, 1.02)):
        if age_years < start or down > HIDDEN_MM:
            states[position] = "absent"
        elif down > STANDING_MM:
            states[position], low[position] = "erupting", down
        else:
            low[position] = max(down, 0.0) * 0.5
    if states[5] != "erupted":
        states[6] = "absent"
    if age_years < 1.75:
        for position in PREMOLARS:
            if position in milk:
                continue
            mean = float(np.interp(age_years, [1.4, 1.65], [3.2, 0.0]))
            low[position] = float(np.clip(mean + rng.normal(0, 0.9), 0.0, 4.5))
            if low[position] > STANDING_MM:
                states[position] = "erupting"
    return Stage(states=states, milk=milk, low=low)


def just_standing(rng: Generator, stage: Stage, age_years: float) -> tuple[Stage, dict[int, float]]:
    """
    Let teeth stand in the row that have just come: new premolars, and a last molar ahead of its time.

    No wear and bone open all round would else be seen on erupting teeth alone, and be taken for what makes
    one. What tells is how far a crown stands below its neighbours, so these stand nearly at their place.
    Shares are ours; that the last molar stands at 1.3 years is wider than any animal, on purpose.

    Returns
    -------
    Stage, dict
        The stage, and by position how deep wear goes in the teeth that have just come. [mm]
    """
    states, low, wear = dict(stage.states), dict(stage.low), dict[int, float]()
    ahead, fresh = rng.uniform(size=2)
    depths, worn = rng.uniform(0.0, 0.5, 7), rng.uniform(*UNWORN_MM, 7)
    if age_years > FRESH_UNTIL_YEARS or age_years < EARLY_YEARS[0]:
        return stage, wear
    if states[6] != "absent" and ahead < np.interp(age_years, EARLY_YEARS, EARLY_SHARE):
        states[6], low[6], wear[6] = "erupted", float(depths[6]), float(worn[6])
    if fresh < FRESH_SHARE:
        for position in PREMOLARS:
            if position not in stage.milk and states[position] == "erupted":
                low[position] = min(low.get(position, 0.0), float(depths[position]))
                wear[position] = float(worn[position])
    return replace(stage, states=states, low=low), wear
