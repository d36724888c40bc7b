"""Truth of the drawn jaws: widths against a closed form, what wear does to them, states and classes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import torch

from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.rules import propose
from crestgauge.synthetic_data import scene
from crestgauge.synthetic_data.anatomy import RIDGE_POINTS
from crestgauge.synthetic_data.scene import Conditions, sample_specimen
from crestgauge.synthetic_data.truth import (
    STEP_MM,
    _edges,
    crest_truth,
    evidence,
    infundibulum_left,
    infundibulum_share,
    teeth_truth,
)
from crestgauge.synthetic_data.wear import CrownFields, Grid, crown_fields, erode_by_ball

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")


@pytest.fixture(scope="module")
def animal():
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=3.5, abnormal=False)


def test_edges_of_a_made_profile():
    """Piecewise linear profiles: the crossings are exact."""
    s = np.arange(-2.0, 3.0 + STEP_MM / 2, STEP_MM)
    outer, inner, fossa = 1.2 - np.abs(s - 0.1), 0.7 - np.abs(s - 0.1), s - 0.8
    np.testing.assert_allclose(_edges(s, outer, inner, fossa), [-1.1, -0.6, 0.8, 1.3], atol=1e-9)
    no_fossa = _edges(s, outer, inner, np.full_like(s, -1.0))
    np.testing.assert_allclose(no_fossa[:3], [-1.1, -0.6, 0.8], atol=1e-9)
    assert np.isnan(no_fossa[3])  # uncut enamel beyond is a gap between lobes, not an infundibulum
    basin = np.maximum(inner, s - 0.1)
    assert np.isnan(_edges(s, np.maximum(outer, basin), basin, fossa)[3])
    assert np.isnan(_edges(s, outer, inner - 1.0, fossa)).all()
    assert np.isnan(
        _edges(s, outer, 0.2 - np.abs(s - 1.9), fossa)
    ).all()  # a strip far from the ridge is another's


def roof(animal, *, depth_mm, outside, inside, enamel_mm, pitch=14.0):
    """Truth of a straight sharp ridge along x that a level plane ``depth_mm`` below it has cut."""
    grid = Grid(-5.0, -6.0, pitch, int(20 * pitch) + 1, int(12 * pitch) + 1)
    y = grid.nodes(CPU)[1]
    z_o = torch.minimum(outside * y, -inside * y)
    z_e = erode_by_ball(z_o[None], torch.tensor([enamel_mm]), pitch)[0]
    one = torch.ones_like(z_o)
    outer, inner = z_o + depth_mm, z_e + depth_mm
    crowns = CrownFields(
        grid=grid,
        surface=z_o.clamp_max(-depth_mm),
        outer=outer,
        inner=inner,
        fossa=y,
        lingual=y,
        outer_edge=outer,
        inner_edge=inner,
        tooth=(4 * one).byte(),
        lobe=one.byte(),
    )
    lobe = animal.jaw.teeth[3].lobes[0]
    ridges = lobe.ridges.copy()
    ridges[0] = np.column_stack(
        [np.linspace(0, 7, RIDGE_POINTS), np.zeros(RIDGE_POINTS), np.zeros(RIDGE_POINTS)]
    )
    return crest_truth(dataclasses.replace(animal, crowns=crowns), dataclasses.replace(lobe, ridges=ridges))


@pytest.mark.parametrize("depth_mm", [2.0, 3.0])
@pytest.mark.parametrize(("outside", "inside"), [(2.0, 2.0), (8.0, 1.8)])
def test_a_straight_ridge_has_its_closed_form(animal, depth_mm, outside, inside):
    """
    Eroding the smaller of two planes erodes each, so a flank of slope s sinks by t sqrt(1 + s^2): its cut
    enamel is t sqrt(1 + 1/s^2) wide, and h/s less that is its share of the dentine. The sampled ball falls
    short by up to 0.01 mm a flank at 14 nodes a mm (the plane in test_generator.py, divided by the slope).
    """
    t = 0.6
    crest = roof(animal, depth_mm=depth_mm, outside=outside, inside=inside, enamel_mm=t)
    e_out, e_in = (t * np.hypot(1.0, 1.0 / s) for s in (outside, inside))
    dentine = depth_mm / outside + depth_mm / inside - e_out - e_in
    assert crest.enamel_outer_mm == pytest.approx(e_out, abs=0.012)
    assert crest.enamel_inner_mm == pytest.approx(e_in, abs=0.012)
    assert crest.dentine_mm == pytest.approx(dentine, abs=0.024)
    assert crest.ratio == pytest.approx(
        2 * crest.dentine_mm / (crest.enamel_outer_mm + crest.enamel_inner_mm), rel=1e-3
    )
    assert crest.by_definition["outer"] == pytest.approx(crest.dentine_mm / crest.enamel_outer_mm, rel=1e-3)
    assert not crest.infundibulum_gone
    assert np.ptp(crest.line_mm[:, 0]) == pytest.approx(
        3.5, abs=0.2
    )  # the middle half of 7 mm, stations 0.09 apart


def test_no_dentine_line_is_ratio_0(animal):
    crest = roof(animal, depth_mm=0.5, outside=2.0, inside=2.0, enamel_mm=0.6)
    assert crest.ratio == 0.0 and crest.dentine_mm == 0.0 and not crest.infundibulum_gone


def test_wear_widens_dentine_keeps_enamel_and_ends_the_infundibulum(animal):
    """
    Same jaw, five depths of wear. Enamel hangs on thickness and slope alone, which vary by some per cent
    (noise of the thickness, turns of the ridge): 10 % at most, while the dentine doubles.
    """
    jaw = animal.jaw
    dentine, enamel, left = [], [], []
    for wear_mm in (2.0, 2.6, 3.2, 4.2, 6.5):
        teeth = tuple(
            dataclasses.replace(t, wear_mm=wear_mm, wear_slope=(0.0, 0.0), dish_mm=0.0) for t in jaw.teeth
        )
        worn = dataclasses.replace(jaw, teeth=teeth)
        crowns = crown_fields(worn, px_per_mm=10.0, seed=5, device=CPU)
        specimen = dataclasses.replace(animal, jaw=worn, crowns=crowns)
        lobes = [lobe for t in teeth[3:5] for lobe in t.lobes]
        crests = [crest_truth(specimen, lobe) for lobe in lobes]
        dentine.append(np.median([c.dentine_mm for c in crests]))
        enamel.append(np.median([c.enamel_outer_mm for c in crests]))
        left.append(np.mean([infundibulum_share(specimen, lobe) for lobe in lobes]))
    assert (np.diff(dentine[:4]) > 0.1).all() and dentine[3] > 2 * dentine[0]
    assert np.ptp(enamel[:4]) < 0.10 * np.mean(enamel[:4])
    assert (np.diff(left) <= 0).all() and left[0] > 0.5 and left[-1] < 0.2


def test_infundibulum_left_weighs_lobes_by_their_length():
    """3.6 of 10 mm and 0 of 6 mm open: 3.6 mm of 16 mm, where an unworn crown has 0.72 x 16 = 11.52 mm."""
    assert infundibulum_left([(0.36, 10.0), (0.0, 6.0)]) == pytest.approx(3.6 / 11.52)
    assert infundibulum_left([(0.8, 10.0), (0.75, 6.0)]) == 1.0
    assert np.isnan(infundibulum_left([]))


def test_every_class_of_the_key_can_be_drawn(monkeypatch):
    """A coarse grid moves widths by some hundredths of a millimetre, which the question does not hang on."""
    monkeypatch.setattr(scene, "GRID_PX_PER_MM", 7.0)
    criteria = load_criteria(None)
    rng = np.random.default_rng(8)
    found: dict[str | None, list[float]] = {}
    for age in (0.5, 0.8, 1.3, 1.6, *np.arange(2.2, 10.5, 0.35)):
        specimen = sample_specimen(rng, PLAIN, CPU, age_years=float(age), abnormal=False)
        teeth = teeth_truth(specimen)
        assert [t.tooth.position for t in teeth] == [1, 2, 3, 4, 5, 6]
        proposal = propose(evidence(teeth, specimen.jaw, definitions=False), criteria)
        found.setdefault(proposal.age_class, []).append(float(age))
    assert set(found) >= set(criteria.classes)
    pairs = [(age, criteria.classes.index(name)) for name in criteria.classes for age in found[name]]
    # Animals wear at their own rate (10 % of spread), so classes overlap, but they must follow age.
    assert np.corrcoef(np.array(pairs).T)[0, 1] > 0.9
