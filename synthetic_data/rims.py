"""
How the edges of the bands look: small relief, and colours that change towards an edge.

A photograph shows an edge of a band by colour and by light, and the two need not lie at one place: a rounded
rim turns grey before its enamel ends, thin enamel lets dentine through, dentine may be scooped out under the
rim or be lighter along it. Each of these moves the edge that an eye would draw, outwards or inwards. All of
them are drawn here in both directions; none touches labels or true widths, which stay those of the wear
model.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.wear import CrownFields

FACES = 5
"""Topic of the slope of cut faces, see `aside`."""
FALL_SHARE = 0.6
MOST_FALL_MM = 0.45
"""Over a band of 0.6 mm a fall of 0.45 mm is a mean slope of 37 degrees."""
SIDE_MM = 0.1
WALL_FADE_MM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Rims:
    """
    Edges of one picture's bands. Lengths in mm, shares 0..1.

    outer_drop, inner_drop : fall of the cut enamel towards its free edge and towards the dentine
    outer_reach, inner_reach : how far from the edge that fall reaches
    hollow, hollow_start, hollow_reach : depth of the dentine below the enamel (below 0: it stands proud),
        where the fall begins (below 0: still in the enamel), its length
    dentine_shade, dentine_reach : natural logarithm of the dentine's change of brightness at its edge
    through, through_reach : share of dentine colour seen through the enamel at the junction
    stained, stained_reach : share of the wall's stain on the enamel at its free edge
    bright, bright_reach : natural logarithm of the enamel's change at its free edge, where it is worn smooth
    body : share of dentine colour all over the enamel
    inner_soft, outer_soft : width over which the colours meet
    core, core_start, core_soft : natural logarithm of its change in the middle of the band, and where
        it sets in
    bleed, bleed_reach : share of light that wanders sideways under the surface, and how far
    fall_in, fall_out : fall of the whole cut face of bands beside a hollow towards it, and of the others over
        the outer wall
    fall_bend : power of that fall: 1 slopes evenly, more is rounded at the free edge
    """

    outer_drop: float
    outer_reach: float
    inner_drop: float
    inner_reach: float
    hollow: float
    hollow_start: float
    hollow_reach: float
    dentine_shade: float
    dentine_reach: float
    through: float
    through_reach: float
    stained: float
    stained_reach: float
    bright: float
    bright_reach: float
    body: float
    inner_soft: float
    outer_soft: float
    core: float
    core_start: float
    core_soft: float
    bleed: float
    bleed_reach: float
    fall_in: float = 0.0
    fall_out: float = 0.0
    fall_bend: float = 1.0


def sample_rims(rng: Generator) -> Rims:
    """Edges of one picture; each cue is left out in a good share of them, so that none can be relied on."""

    def some(share: float, low: float, high: float) -> float:
        value, on = rng.uniform(low, high), rng.uniform() < share
        return float(value) if on else 0.0

    later = aside(rng, FACES)
    falls = later.uniform(0, MOST_FALL_MM, 2) * (later.uniform(size=2) < FALL_SHARE)

    return Rims(
        outer_drop=some(0.65, 0.0, 0.16),
        outer_reach=float(rng.uniform(0.04, 0.22)),
        inner_drop=some(0.55, 0.0, 0.12),
        inner_reach=float(rng.uniform(0.04, 0.20)),
        hollow=some(0.75, -0.03, 0.30),
        hollow_start=float(rng.uniform(-0.08, 0.08)),
        hollow_reach=float(rng.uniform(0.05, 0.6)),
        dentine_shade=some(0.6, -1.0, 0.7),
        dentine_reach=float(rng.uniform(0.05, 0.30)),
        through=some(0.6, 0.0, 0.6),
        through_reach=float(rng.uniform(0.04, 0.22)),
        stained=some(0.4, 0.0, 0.7),
        stained_reach=float(rng.uniform(0.03, 0.18)),
        bright=some(0.4, -0.5, 0.3),
        bright_reach=float(rng.uniform(0.04, 0.2)),
        body=some(0.35, 0.0, 0.30),
        inner_soft=some(0.5, 0.0, 0.14),
        outer_soft=some(0.4, 0.0, 0.12),
        core=some(0.55, -0.9, 0.5),
        core_start=float(rng.uniform(0.15, 0.9)),
        core_soft=float(rng.uniform(0.05, 0.35)),
        bleed=some(0.45, 0.05, 0.55),
        bleed_reach=float(rng.uniform(0.06, 0.35)),
        fall_in=float(falls[0]),
        fall_out=float(falls[1]),
        fall_bend=float(later.uniform(0.8, 2.5)),
    )


def relief(crowns: CrownFields, rims: Rims) -> Tensor:
    """
    Small heights to add to the crowns' surface where light is worked out, shape of its grid. [mm]

    Zero falls in the middle of a band; constant off the bands, so that walls keep their slope. The fall of
    whole cut faces fades over half a millimetre of wall.
    """
    free = torch.relu(crowns.outer_edge)
    out = -rims.outer_drop * torch.exp(free * (-1.0 / rims.outer_reach))
    near = torch.relu(-crowns.inner_edge)
    out -= rims.inner_drop * torch.exp(near * (-1.0 / rims.inner_reach))
    into = torch.relu(crowns.inner_edge - rims.hollow_start)
    out -= rims.hollow * (1 - torch.exp(into * (-1.0 / rims.hollow_reach)))
    if crowns.within is None or not (rims.fall_in or rims.fall_out):
        return out
    # 0 at the free edge, 1 at the dentine, whatever the band's width.
    place = free / (free + near).clamp_min(1e-3)
    fall = rims.fall_out + (rims.fall_in - rims.fall_out) * torch.sigmoid(crowns.within * (1.0 / SIDE_MM))
    wall = torch.exp(torch.relu(-crowns.outer_edge) * (-1.0 / WALL_FADE_MM))
    return out - fall * (1 - place) ** rims.fall_bend * wall
