"""Truth of the drawn jaws: widths against a closed form, what wear does to them, states and classes."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import torch

from crestgauge.inference.criteria import load_criteria
from crestgauge.inference.rules import propose
from crestgauge.model.labels import Material
from crestgauge.synthetic_data import scene
from crestgauge.synthetic_data.anatomy import RIDGE_POINTS, sample_jaw
from crestgauge.synthetic_data.camera import look_at
from crestgauge.synthetic_data.flare import FLARED_SHARE, Flare, flared_walls, sample_flares
from crestgauge.synthetic_data.islands import Island, sample_islands
from crestgauge.synthetic_data.scene import Conditions, draw_scene, row_target, sample_specimen
from crestgauge.synthetic_data.slopes import SLOPED_SHARE, sloped
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


def even(position, **changed):
    """A flare of the cheek wall by half a millimetre for each that it goes down, evenly."""
    base = {"cheek": 0.5, "tongue": 0.0, "front": 0.0, "back": 0.0, "bend": 1.0, "room": (4.0, 4.0)}
    return Flare(position=position, **base | changed)


def flared(animal, **changed):
    """The animal with such flares on all of its teeth, and without any; no cut face slopes or waves apart."""
    shown = []
    for flares in ((), tuple(even(t.position, **changed) for t in animal.jaw.teeth if t.lobes)):
        jaw = dataclasses.replace(animal.jaw, flares=flares)
        crowns = crown_fields(jaw, px_per_mm=14.0, seed=5, device=CPU)
        shown.append(dataclasses.replace(animal, jaw=jaw, crowns=crowns))
    return shown


def test_a_flared_round_crown_shows_the_ring_of_its_cone(animal):
    """
    A round rim of radius r whose cheek half comes out by a half of its height h: from above the wall over the
    gum is half a ring, pi / 2 ((r + h / 2)^2 - r^2). Counted on nodes 0.05 mm apart: the two rims, 30 mm,
    are uncertain by less than one node's width, 1 mm2 of 34.
    """
    tooth, r, pitch = dataclasses.replace(animal.jaw.teeth[4], wear_mm=2.0, length=40.0), 4.0, 0.05
    high = max(lobe.tip_z for lobe in tooth.lobes) - 2.0 + 7.0
    side = torch.arange(-10.0, 10.0, pitch)
    y, x = (t[None] for t in torch.meshgrid(side, side, indexing="ij"))
    away = torch.hypot(x, y) - r
    down = flared_walls(
        [even(5)], [tooth], away.clamp_min(0), 0 * x, torch.full_like(x, 3.0), y, x, gum_z=-7.0
    )
    seen = (away > 0) & (down < high) & (y >= 0)
    reach = 0.5 * high
    expected = 0.5 * np.pi * ((r + reach) ** 2 - r**2)
    assert 2.0 < reach < 3.3
    assert float(seen.sum()) * pitch**2 == pytest.approx(expected, abs=1.0)
    hidden = (away > 0) & (down < high) & (y < 0)  # the tongue wall does not flare
    assert float(hidden.sum()) * pitch**2 < 0.1


def test_walls_that_flare_move_no_width_and_no_tilt(animal):
    """
    Bands lie on the same nodes of the same worn face, so their edges are the same, but for rounding where a
    wall's owner changes beside them.
    """
    plain, wide = flared(animal, tongue=0.3, front=0.2, back=0.2)
    for name in ("outer", "inner", "fossa"):
        one, other = (getattr(s.crowns, name) for s in (plain, wide))
        assert torch.equal(one > 0, other > 0), name
    for one, other in zip(teeth_truth(plain), teeth_truth(wide), strict=True):
        assert one.infundibulum_left == other.infundibulum_left or np.isnan(one.infundibulum_left)
        assert [c.infundibulum_gone for c in one.crests] == [c.infundibulum_gone for c in other.crests]
        for name in ("dentine_mm", "enamel_outer_mm", "enamel_inner_mm", "ratio"):
            np.testing.assert_allclose(
                [getattr(c, name) for c in other.crests],
                [getattr(c, name) for c in one.crests], rtol=0.002, atol=1e-4,
            )  # fmt: skip
    scenes = []
    for shown in (plain, wide):
        camera = look_at(
            target=row_target(animal.jaw), tilt_deg=0.0, azimuth_deg=90.0, distance_mm=600.0, roll_deg=0.0,
            px_per_mm=6.0, size=(600, 200), centre=(299.5, 99.5), mirror=animal.jaw.side == "right",
        )  # fmt: skip
        scenes.append(
            draw_scene(np.random.default_rng(2), shown, camera, PLAIN, CPU, with_row=True, clutter=False)
        )
    one, other = scenes
    assert torch.equal(one.tilt, other.tilt)
    cut = (one.material > Material.CROWN_WALL) | (other.material > Material.CROWN_WALL)
    assert (one.material[cut] == other.material[cut]).float().mean() > 0.995  # perspective at the far rim
    wall, more = (float((s.material == Material.CROWN_WALL).sum()) for s in scenes)
    assert more > 1.25 * wall
    new = (one.material == Material.JAW) & (other.tooth > 0)
    assert (other.material[new] == Material.CROWN_WALL).float().mean() > 0.99


def test_most_animals_flare_and_teeth_of_one_do_alike(animal):
    """500 animals: 3 sigma of a share of 0.6 are 0.066."""
    drawn = [sample_flares(np.random.default_rng(k), animal.jaw.teeth) for k in range(500)]
    some = [f for f in drawn if f]
    assert len(some) / 500 == pytest.approx(FLARED_SHARE, abs=0.066)
    cheek = np.log([[t.cheek for t in f] for f in some])
    assert cheek.std(axis=1).mean() < 0.25 < cheek.mean(axis=1).std()


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.08, -0.45), (-0.05, 0.1)])
def test_a_worn_face_has_the_slope_that_its_tooth_states(animal, slope):
    """Plane through the cut enamel of m1: waves of 0.05 mm over some 10 mm turn it by up to 0.02."""
    teeth = tuple(
        dataclasses.replace(t, wear_mm=3.0, wear_slope=slope, dish_mm=0.0, relief=0.0)
        for t in animal.jaw.teeth
    )
    crowns = crown_fields(dataclasses.replace(animal.jaw, teeth=teeth), px_per_mm=10.0, seed=5, device=CPU)
    cut = (crowns.outer > 0) & (crowns.inner < 0) & (crowns.tooth == 4)
    x, y = (t[cut].double().numpy() for t in crowns.grid.nodes(CPU))
    plane = np.column_stack([x, y, np.ones_like(x)])
    found = np.linalg.lstsq(plane, crowns.surface[cut].double().numpy(), rcond=None)[0]
    np.testing.assert_allclose(found[:2], slope, atol=0.02)


def test_a_face_with_relief_follows_its_crests(animal):
    """
    With a relief of 0.8 the cut at half a lobe's half length lies lower than a plane by 0.8 times what the
    crest falls there, which the lobe states; smoothing along the row moves that by less than 0.1 mm.
    """
    fall = {}
    for relief in (0.0, 0.8):
        teeth = tuple(
            dataclasses.replace(t, wear_mm=3.2, wear_slope=(0.0, 0.0), dish_mm=0.0, relief=relief)
            for t in animal.jaw.teeth
        )
        jaw = dataclasses.replace(animal.jaw, teeth=teeth, flares=())
        shown = dataclasses.replace(animal, crowns=crown_fields(jaw, px_per_mm=14.0, seed=5, device=CPU))
        lobe = teeth[4].lobes[0]
        crest = crest_truth(dataclasses.replace(shown, jaw=jaw), lobe)
        u = (crest.line_mm[:, 0] - lobe.x) / (0.5 * lobe.length)
        fall[relief] = np.interp([-0.4, 0.0, 0.4], u, crest.line_mm[:, 2])
    drop, power = lobe.crest_drop
    expected = -0.8 * drop * np.array([0.4, 0.0, 0.4]) ** power
    np.testing.assert_allclose(fall[0.8] - fall[0.0], expected, atol=0.1)


def test_faces_vary_more_in_young_animals_than_in_old_ones():
    """The lean of m3, drawn for 300 animals of either age; a share keeps the slope it had."""
    lean = {}
    for age in (2.5, 9.0):
        rng = np.random.default_rng(3)
        teeth = sample_jaw(rng, age_years=age, shape="typical", side="left", abnormal=False).teeth
        drawn = [sloped(np.random.default_rng(k), teeth)[5] for k in range(300)]
        changed = [t for t in drawn if t.wear_slope != teeth[5].wear_slope]
        assert len(changed) / 300 == pytest.approx(SLOPED_SHARE, abs=0.085)  # 3 sigma
        lean[age] = np.array([-t.wear_slope[1] for t in changed])
        assert all(0 <= t.relief < 0.86 for t in changed)
    assert lean[2.5].std() > 1.3 * lean[9.0].std() and lean[2.5].max() > 0.4
    assert (lean[2.5] < 0).mean() > 0.05  # towards the tongue


@pytest.fixture(scope="module")
def smooth(animal):
    """The animal with m1 worn far below the floor of its infundibula."""
    teeth = tuple(
        dataclasses.replace(t, wear_mm=7.4, wear_slope=(0.0, 0.0), dish_mm=0.0, relief=0.0)
        for t in animal.jaw.teeth
    )
    jaw = dataclasses.replace(animal.jaw, teeth=teeth, islands=(), flares=(), chips=(), horns=(), gum_z=-9.0)
    return dataclasses.replace(animal, jaw=jaw)


def with_islands(smooth, *islands):
    jaw = dataclasses.replace(smooth.jaw, islands=islands)
    return dataclasses.replace(smooth, jaw=jaw, crowns=crown_fields(jaw, px_per_mm=14.0, seed=6, device=CPU))


def spot(smooth, hollow):
    lobe = smooth.jaw.teeth[3].lobes[0]
    row = [t.position for t in smooth.jaw.teeth if t.lobes].index(4)
    return lobe, Island(
        row=row, x=lobe.x, y=lobe.y, turn=lobe.yaw, half=(1.0, 0.5), bend=0.0, hollow=hollow, hollow_mm=0.5
    )


def test_an_island_is_a_band_and_no_infundibulum(smooth):
    """An ellipse of half axes 1.0 and 0.5 mm has pi / 2 mm2; its rim of 4.8 mm is known to half a node."""
    lobe, island = spot(smooth, None)
    before, after = with_islands(smooth), with_islands(smooth, island)

    def bands(shown):
        return ((shown.crowns.outer > 0) & (shown.crowns.inner <= 0)).sum() / 14.0**2

    assert float(bands(after) - bands(before)) == pytest.approx(np.pi / 2, abs=4.8 * 0.5 / 14)
    for shown in (before, after):
        assert infundibulum_share(shown, lobe) == 0.0
        assert crest_truth(shown, lobe).infundibulum_gone
    far = (after.crowns.inner_edge - before.crowns.inner_edge).abs() > 1e-6
    x, y = after.crowns.grid.nodes(CPU)
    assert float(torch.hypot(x - lobe.x, y - lobe.y)[far].max()) < 4.0


def test_a_ring_round_a_hollow_is_as_much_infundibulum_as_it_is_long(smooth):
    """Open over 2 x 0.7 mm of the lobe; both ends are found in steps of a sixtieth of its half length."""
    lobe, island = spot(smooth, (0.7, 0.25))
    shown = with_islands(smooth, island)
    step = 1 / 120
    assert infundibulum_share(shown, lobe) == pytest.approx(1.4 / lobe.length, abs=2 * step)
    open_ = (shown.crowns.fossa > 0) & (shown.crowns.tooth == 4)
    assert float(open_.sum()) / 14.0**2 == pytest.approx(np.pi * 0.7 * 0.25, abs=0.1)
    assert (shown.crowns.outer[open_] <= 0).all()  # called infundibulum, not band
    x, y = shown.crowns.grid.nodes(CPU)
    middle = torch.hypot(x - lobe.x, y - lobe.y).argmin()
    flat = with_islands(smooth, spot(smooth, None)[1])
    sunk = flat.crowns.surface.flatten()[middle] - shown.crowns.surface.flatten()[middle]
    assert not shown.crowns.packed and float(sunk) == pytest.approx(0.5, abs=0.01)


def test_islands_come_where_wear_has_passed_the_hollow():
    """None in animals of 3 years; in old ones some, all of them in teeth worn below their floors."""
    count = {3.0: 0, 9.0: 0}
    for age in count:
        for k in range(40):
            rng = np.random.default_rng(k)
            jaw = sample_jaw(rng, age_years=age, shape="typical", side="left", abnormal=False)
            teeth = [t for t in jaw.teeth if t.lobes]
            for island in sample_islands(np.random.default_rng(k), jaw.teeth):
                tooth = teeth[island.row]
                worn = max(lobe.tip_z for lobe in tooth.lobes) - tooth.wear_mm
                lobe = min(tooth.lobes, key=lambda one: abs(one.x - island.x))
                assert worn < lobe.floor_z + 0.35 * tooth.width  # as far as a slope may lift the middle
                count[age] += tooth.position >= 4
    assert count[3.0] == 0 and count[9.0] > 20
