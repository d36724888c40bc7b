"""What widens the drawn pictures: any ground, sides of the bone, other things, fingers and small stuff."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pytest
import torch

from crestgauge.model.labels import Material
from crestgauge.synthetic_data import draw, jaw, mandible, paint
from crestgauge.synthetic_data.camera import look_at, march, sample
from crestgauge.synthetic_data.draw import draw_one, full_length
from crestgauge.synthetic_data.ground import LAID, level_ground, sample_ground
from crestgauge.synthetic_data.options import COARSE, DrawOptions
from crestgauge.synthetic_data.overlays import SKIN, Canvas, capsule, drop, finger, strand, tuft
from crestgauge.synthetic_data.scene import (
    Conditions,
    draw_scene,
    row_target,
    sample_specimen,
    without_jaw,
)
from crestgauge.synthetic_data.spoil import shone_on
from crestgauge.synthetic_data.things import KINDS, _Pile, things
from crestgauge.synthetic_data.truth import teeth_truth
from crestgauge.synthetic_data.wear import FAR_BELOW

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")
LABELS = ("material", "tooth", "lingual", "lobe", "state", "tilt")


@pytest.fixture(scope="module")
def animal():
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=3.5, abnormal=False)


def camera_at(animal, tilt_deg, azimuth_deg=90.0, size=(288, 120)):
    return look_at(
        target=row_target(animal.jaw),
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        distance_mm=300.0,
        roll_deg=0.0,
        px_per_mm=2.7,
        size=size,
        centre=((size[0] - 1) / 2, (size[1] - 1) / 2),
        mirror=animal.jaw.side == "right",
    )


def canvas(height=80, width=120):
    yy, xx = torch.meshgrid(torch.arange(height).float(), torch.arange(width).float(), indexing="ij")
    return Canvas(
        light=torch.full((3, height, width), 0.4), hidden=torch.zeros((height, width), dtype=torch.bool),
        yy=yy, xx=xx,
    )  # fmt: skip


@pytest.mark.parametrize("azimuth", [90.0, 270.0])
def test_the_more_tilt_the_more_wall(animal, azimuth):
    """Share of walls among crown pixels, from either side: geometry must show tilt, whatever the paint."""
    shares = []
    for tilt in (0.0, 20.0, 40.0, 60.0):
        camera = camera_at(animal, tilt, azimuth)
        scene = draw_scene(np.random.default_rng(2), animal, camera, PLAIN, CPU, with_row=True, clutter=False)
        crown = scene.tooth > 0
        shares.append(float((scene.material[crown] == Material.CROWN_WALL).float().mean()))
    assert shares[0] < shares[1] < shares[2] < shares[3]
    assert shares[3] > shares[0] + 0.2


def test_ground_says_nothing_of_tilt(animal):
    """Steep views lie on grounds seen square as often as on slanting ones, and no jaw is under its ground."""
    rng, square = np.random.default_rng(3), []
    camera = camera_at(animal, 50.0)
    sight = camera.position - row_target(animal.jaw)
    sight /= np.linalg.norm(sight)
    x, y = animal.bone.grid.nodes(CPU)
    there = animal.bone.surface > FAR_BELOW + 1
    points = torch.stack((x, y, animal.bone.surface), -1)[there]
    for _ in range(200):
        ground = sample_ground(rng, sight, points, 0.0)
        assert np.linalg.norm(ground.normal) == pytest.approx(1.0)
        square.append(float(np.degrees(np.arccos(np.clip(ground.normal @ sight, -1, 1)))))
        over = points.double().numpy() @ ground.normal - ground.level
        assert over.min() == pytest.approx(0.0, abs=1e-3)  # float32 of some tens of mm
    assert len(LAID) == 3
    square = np.array(square)
    assert (square < 20).mean() > 0.3  # seen square although the row is tilted by 50 degrees
    assert ((square > 45) & (square < 55)).mean() > 0.2  # and level with the row


def test_rays_end_on_the_slanting_plane(animal):
    camera = camera_at(animal, 30.0)
    rng = np.random.default_rng(4)
    ground = sample_ground(rng, np.array([0.0, 0.5, 0.866]), torch.tensor([[0.0, 0.0, -60.0]]), 5.0)
    hits = march(camera, animal.crowns, animal.bone, ground=ground, device=CPU)
    free = hits.point[~hits.on_jaw].double().numpy()
    assert len(free) > 1000
    np.testing.assert_allclose(free @ ground.normal, ground.level, atol=2e-3)
    u, v = ground.place(hits.point)
    flat_u, flat_v = level_ground(-40.0).place(hits.point)
    torch.testing.assert_close(flat_u, hits.point[:, 0])
    torch.testing.assert_close(flat_v, hits.point[:, 1])
    # Distances in the plane are those in space.
    a, b = hits.point[~hits.on_jaw][[5, 900]]
    du, dv = (t[~hits.on_jaw][[5, 900]] for t in (u, v))
    assert float(torch.hypot(du[0] - du[1], dv[0] - dv[1])) == pytest.approx(float((a - b).norm()), rel=1e-3)


@pytest.mark.parametrize("age", [0.5, 1.2, 3.5, 8.0])
def test_sides_of_the_bone_leave_the_teeth_alone(age, monkeypatch):
    """With and without what `mandible` adds: bone over crowns and truth the same, bone beside them not."""

    def grown():
        return sample_specimen(np.random.default_rng(7), PLAIN, CPU, age_years=age, abnormal=False)

    with_it = grown()
    monkeypatch.setattr(mandible, "ROOTS_SHARE", 1.0)
    much = grown()
    monkeypatch.setattr(jaw, "lower_border", lambda jaw, line, depth, rng: 0 * line + jaw.gum_z - depth)
    monkeypatch.setattr(jaw, "reshaped", lambda jaw, z, *a, **k: (z, mandible.Coats(0 * z, 0 * z)))
    monkeypatch.setattr(jaw, "front_teeth", lambda jaw, z, x, y, coats, front, rng: (z, coats))
    without = grown()
    x, y = without.crowns.grid.nodes(CPU)
    crown = without.crowns.surface > FAR_BELOW + 1
    before = sample(without.bone.grid, without.bone.surface, x, y)[crown]
    for other in (with_it, much):
        assert torch.equal(sample(other.bone.grid, other.bone.surface, x, y)[crown], before)
        for one, same in zip(teeth_truth(without), teeth_truth(other), strict=True):
            assert (one.lobes, one.visible_mm2) == (same.lobes, same.visible_mm2)
            np.testing.assert_equal(one.dentine_share, same.dentine_share)
            assert [c.dentine_mm for c in one.crests] == [c.dentine_mm for c in same.crests]
    assert not torch.equal(much.bone.surface, without.bone.surface)


def test_front_teeth_are_jaw_and_no_tooth(monkeypatch):
    monkeypatch.setattr(mandible, "INCISOR_SHARE", 1.0)
    for seed in range(8):
        shown = sample_specimen(np.random.default_rng(seed), PLAIN, CPU, age_years=3.5, abnormal=False)
        if shown.bone.coats.enamel.any():
            break
    else:
        pytest.fail("no jaw of eight has front teeth")
    x, _ = shown.bone.grid.nodes(CPU)
    assert x[shown.bone.coats.enamel > 0].max() < -15.0
    camera = replace(camera_at(shown, 10.0, size=(400, 120)), centre=(280.0, 60.0), focal_px=2.0 * 300.0)
    scene = draw_scene(np.random.default_rng(2), shown, camera, PLAIN, CPU, with_row=True, clutter=False)
    front = camera.project(np.array([[-15.0, 0.0, -8.0]]))[0, 0]
    assert front > 20
    assert scene.tooth[:, : int(front)].max() == 0
    assert (scene.material[:, : int(front)] == Material.JAW).any()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_thing_lies_there(kind):
    """Ten of each: something higher than a millimetre, of finite colour, never higher than a fist."""
    for seed in range(10):
        axis = torch.arange(0, 300, 1.0)
        y, x = torch.meshgrid(axis - 150, axis - 115, indexing="ij")
        pile = _Pile(x=x, y=y, height=torch.zeros_like(x), paint=torch.zeros((3, *x.shape)))
        KINDS[kind](pile, np.random.default_rng(seed))
        assert 1.0 < pile.height.max() < 60.0
        lies = pile.height > 0
        assert torch.isfinite(pile.paint).all() and pile.paint[:, lies].mean() > 0.004


def test_other_things_are_neither_jaw_nor_tooth(animal):
    seen = 0
    for seed in range(6):
        shown = without_jaw(animal, np.random.default_rng(seed), CPU)
        scene = draw_scene(
            np.random.default_rng(seed), shown, camera_at(animal, 10.0), PLAIN, CPU, with_row=False
        )
        assert scene.material.max() == Material.BACKGROUND and scene.tooth.max() == 0
        assert scene.lobe.max() == 0 and torch.isfinite(scene.light).all()
        seen += bool((shown.bone.surface > FAR_BELOW + 1).any())
    assert seen >= 4  # few pictures show the bare ground


def test_things_do_not_depend_on_the_jaw():
    one, again = (things(np.random.default_rng(5), CPU) for _ in range(2))
    assert torch.equal(one.surface, again.surface) and torch.equal(one.paint, again.paint)


def test_a_nail_hides_nothing_that_its_finger_does_not():
    """The same finger as a plain capsule and with nail and creases: labels alike, light only inside it."""
    tip, base, tone = np.array([40.0, 30.0]), np.array([90.0, 75.0]), np.array(SKIN[0])
    changed = 0
    for seed in range(12):
        plain, nailed = canvas(), canvas()
        capsule(plain, tip, base, 14.0, tone, 1.0, np.random.default_rng(9))
        finger(
            nailed, tip, base, 14.0, tone, 1.0, np.random.default_rng(9),
            bare=True, more=np.random.default_rng(seed),
        )  # fmt: skip
        assert torch.equal(plain.hidden, nailed.hidden)
        other = (plain.light - nailed.light).abs().amax(0) > 1e-6
        assert not (other & ~plain.hidden).any()
        changed += bool(other.sum() > 100)
    assert changed >= 10


def test_a_body_in_its_window_is_the_body_on_the_whole_picture(monkeypatch):
    """What lies outside the window is changed by less than 1e-4 of the light."""
    part, whole = canvas(), canvas()
    args = (np.array([60.0, 40.0]), np.array([70.0, 44.0]), 6.0, np.array(SKIN[1]), 1.0)
    capsule(part, *args, np.random.default_rng(1), ragged=0.3)
    monkeypatch.setattr(Canvas, "window", lambda self, low, high: (slice(0, 80), slice(0, 120)))
    capsule(whole, *args, np.random.default_rng(1), ragged=0.3)
    assert torch.equal(part.hidden, whole.hidden)
    torch.testing.assert_close(part.light, whole.light, atol=1e-4, rtol=0)


def test_hairs_drops_and_scratches_hide_nothing():
    page, rng = canvas(), np.random.default_rng(0)
    strand(page, np.array([10.0, 40.0]), np.array([100.0, 40.0]), 20.0, 1.2, np.zeros(3), 1.0)
    # A parabola: 20 px off its chord in the middle, 15 px at half way to either end.
    dark = page.light.mean(0) < 0.2
    rows = {x: float(dark[:, x].nonzero().float().mean()) for x in (33, 55, 77)}
    assert rows[55] == pytest.approx(60.0, abs=1.0)
    assert rows[33] == pytest.approx(55.0, abs=1.5) and rows[77] == pytest.approx(55.0, abs=1.5)
    tuft(page, np.array([60.0, 20.0]), 3.0, 1.0, rng)
    drop(page, np.array([30.0, 20.0]), 5.0, 1.0, rng)
    drop(page, np.array([-50.0, 20.0]), 5.0, 1.0, rng)  # beside the picture
    assert not page.hidden.any() and torch.isfinite(page.light).all()


def test_length_tells_no_tilt(animal):
    """A row tilted along itself fills as much of its crop as one seen from above, to 3 % (perspective)."""
    spans = []
    for tilt in (0.0, 30.0, 55.0):
        camera = full_length(camera_at(animal, tilt, azimuth_deg=0.0), animal, 2.7)
        ends = np.array([[0.0, 0.0, 0.0], [animal.jaw.row_mm, 0.0, 0.0]])
        ends[:, 2] = row_target(animal.jaw)[2]
        spans.append(np.linalg.norm(np.diff(camera.project(ends), axis=0)))
    np.testing.assert_allclose(spans, 2.7 * animal.jaw.row_mm, rtol=0.03)


def test_reflections_change_light_and_no_label(animal):
    scene = draw_scene(
        np.random.default_rng(1), animal, camera_at(animal, 5.0), PLAIN, CPU, with_row=True, clutter=False
    )
    before = copy.deepcopy({name: getattr(scene, name) for name in LABELS})
    light = shone_on(np.random.default_rng(3), scene)
    gained = (light - scene.light).mean(0)
    assert gained.min() >= 0
    assert gained[scene.tooth >= 4].mean() > 5 * gained[scene.tooth == 0].mean()
    assert all(torch.equal(before[name], getattr(scene, name)) for name in LABELS)


@pytest.mark.parametrize("view", ["fine", "coarse"])
def test_pictures_without_a_row_are_repeated_by_their_seed(animal, view):
    options = (
        DrawOptions(width=192, height=64, share_without_jaw=1.0)
        if view == "fine"
        else replace(COARSE, width=64, height=64, share_without_jaw=1.0)
    )
    jaws = 0
    for seed in range(20):
        first, again = (draw_one(seed, options, CPU, animal)[0] for _ in range(2))
        assert all(torch.equal(first[name], again[name]) for name in first)
        assert first["tooth"].max() == 0
        jaws += int((first["material"] == Material.JAW).any())
    assert draw.BARE_JAW_SHARE == 0.3 and 0 < jaws < 12  # some show a toothless jaw, most do not


def test_a_bare_ridge_stands_behind_the_last_tooth_only(monkeypatch):
    """Fawns whose second molar is not through: bone rises behind m1, and no truth of a tooth changes."""
    raised = 0
    for seed in range(12):
        shown = []
        for share in (0.0, 1.0):
            monkeypatch.setattr(jaw, "RIDGE_SHARE", share)
            monkeypatch.setattr(jaw, "SLIT_SHARE", 0.0)
            shown.append(
                sample_specimen(np.random.default_rng(seed), PLAIN, CPU, age_years=0.39, abnormal=False)
            )
        plain, ridged = shown
        higher = ridged.bone.surface > plain.bone.surface + 0.05
        if plain.fleshy or not higher.any():
            continue
        raised += 1
        last = plain.jaw.teeth[3]
        x, _ = plain.bone.grid.nodes(CPU)
        assert float(x[higher].min()) > last.x0 + last.length
        assert float((ridged.bone.surface - plain.bone.surface)[higher].max()) < 12.0
        for one, other in zip(teeth_truth(plain), teeth_truth(ridged), strict=True):
            assert one.lobes == other.lobes
            np.testing.assert_equal([c.ratio for c in one.crests], [c.ratio for c in other.crests])
    assert raised >= 4


def test_pale_bone_has_the_tones_of_enamel_and_no_gum(animal):
    """
    Linear tones: white as the palest enamel to a third darker than its middle tone (0.62), never red, since
    30 % of gum or stain is left at most.
    """
    lit_by = np.array([0.2126, 0.7152, 0.0722])
    n = 4000
    x, y = (torch.as_tensor(np.random.default_rng(k).uniform(0, 60, n), dtype=torch.float32) for k in (1, 2))
    zero = torch.zeros(n)
    found = []
    for seed in range(40):
        big, fine = paint.noise(x, y, np.random.default_rng(seed))
        marks = paint.Marks(
            z=zero, gum_z=-6.0, outer=zero, inner=zero, fossa=zero, beside=zero, root=zero, enamel=zero,
            big=big, fine=fine,
        )  # fmt: skip
        plain, pale = (
            paint.jaw_colour(marks, np.random.default_rng(seed), fleshy=False, pale=p) for p in (False, True)
        )
        found.append([np.median(c.numpy() @ lit_by) for c in (plain, pale)])
        assert float((pale[:, 0] / pale[:, 1]).median()) < 1.5
    plain, pale = np.array(found).T
    assert np.mean((pale > 0.40) & (pale < 0.97)) > 0.9
    assert np.median(pale) > 0.62 > np.median(plain)
