"""Wear model, camera, labels and options of the drawn jaws."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.ndimage
import torch

from crestgauge.inference.errors import InputError
from crestgauge.model.labels import CROWN_MATERIALS, LOBES, MILK_LOBES, Material
from crestgauge.synthetic_data.camera import NOTHING_MM, look_at, march, passing, sample
from crestgauge.synthetic_data.draw import draw_one
from crestgauge.synthetic_data.ground import level_ground
from crestgauge.synthetic_data.options import DrawOptions
from crestgauge.synthetic_data.scene import (
    Conditions,
    draw_scene,
    levelled_camera,
    lobe_points,
    row_target,
    sample_conditions,
    sample_specimen,
    without_teeth,
)
from crestgauge.synthetic_data.wear import erode_by_ball

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")
TINY = DrawOptions(width=192, height=64)


@pytest.fixture(scope="module")
def animal():
    """A grown left or right jaw without abnormal teeth."""
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=4.5, abnormal=False)


def test_erosion_is_that_of_scipy():
    """Reference: scipy.ndimage.grey_erosion with the ball as structure; float32 against float64."""
    rng = np.random.default_rng(0)
    field, pitch, radius = rng.normal(0, 1, (2, 24, 31)), 8.0, (0.4, 0.62)
    ours = erode_by_ball(torch.tensor(field, dtype=torch.float32), torch.tensor(radius), pitch).numpy()
    for k, r in enumerate(np.float32(radius).astype(float)):
        reach = int(r * pitch)
        step = np.arange(-reach, reach + 1) / pitch
        square = step[:, None] ** 2 + step[None, :] ** 2
        inside = square <= r * r
        ball = np.sqrt(np.where(inside, r * r - square, 0.0))
        expected = scipy.ndimage.grey_erosion(field[k], footprint=inside, structure=ball, mode="nearest")
        np.testing.assert_allclose(ours[k], expected, atol=1e-5)


@pytest.mark.parametrize("slope", [0.0, 0.5, 2.0])
def test_a_plane_erodes_to_a_parallel_plane(slope):
    """
    Closed form: a plane sinks by r sqrt(1 + s^2). The grid takes the highest sampled point of the ball, at
    most half a node from the true one, where the ball's curvature along the slope is (1 + s^2)^1.5 / r.
    """
    pitch, radius = 14.0, 0.6
    x = torch.arange(60) / pitch
    eroded = erode_by_ball((slope * x).expand(1, 40, 60).contiguous(), torch.tensor([radius]), pitch)[0]
    sunk = (slope * x - eroded)[20, 15:45].numpy()
    steepness = (1 + slope**2) ** 0.5
    assert np.ptp(sunk) < 1e-5
    assert sunk.max() <= radius * steepness + 1e-5
    assert sunk.min() >= radius * steepness - 0.5 * (0.5 / pitch) ** 2 * steepness**3 / radius - 1e-5


@pytest.mark.parametrize(
    ("tilt", "roll", "mirror"), [(0.0, 0.0, False), (12.0, 35.0, True), (40.0, 200.0, False)]
)
def test_projected_hits_land_on_their_pixels(animal, tilt, roll, mirror):
    """March and projection are written apart; hits stay on their ray, so only float32 is left: 0.01 px."""
    target = row_target(animal.jaw)
    camera = look_at(
        target=target,
        tilt_deg=tilt,
        azimuth_deg=70.0,
        distance_mm=300.0,
        roll_deg=roll,
        px_per_mm=2.0,
        size=(96, 64),
        centre=(47.5, 31.5),
        mirror=mirror,
    )
    sight = (camera.position - target) / np.linalg.norm(camera.position - target)
    assert np.degrees(np.arccos(np.clip(sight[2], -1, 1))) == pytest.approx(tilt, abs=1e-5)
    hits = march(camera, animal.crowns, animal.bone, ground=level_ground(-45.0), device=CPU)
    jj, ii = np.meshgrid(np.arange(96), np.arange(64))
    pixels = camera.project(hits.point.double().numpy())
    np.testing.assert_allclose(pixels, np.column_stack((jj.ravel(), ii.ravel())), atol=0.01)
    assert hits.on_crown.any() and (hits.on_jaw | ~hits.on_crown).all()


def test_hits_lie_on_the_surface_they_name(animal):
    """A level is 1 mm at most and halved six times: most hits lie within 0.03 mm, none above the surface."""
    camera = levelled_camera(
        np.random.default_rng(0),
        animal,
        width=192,
        height=64,
        px_per_mm=2.0,
        tilt_deg=5.0,
        roll_deg=0.0,
        offset_px=(0, 0),
    )
    hits = march(camera, animal.crowns, animal.bone, ground=level_ground(-45.0), device=CPU)
    x, y, z = hits.point[hits.on_crown].unbind(1)
    over = sample(animal.crowns.grid, animal.crowns.surface, x, y) - z
    assert over.min() >= -1e-4
    assert over.quantile(0.5) < 0.03


@pytest.mark.parametrize("tilt", [45.0, 60.0, 75.0])
def test_crowns_have_no_gaps_from_the_side(animal, tilt):
    """
    Expected, for any height field and a camera above it: what blocks a ray blocks every lower ray of the same
    upright plane, so below the first hit of a column of the picture there are hits only.
    """
    camera = look_at(
        target=np.array([40.0, 0.0, 0.0]),
        tilt_deg=tilt,
        azimuth_deg=90.0,
        distance_mm=3000.0,  # far off, columns of the picture lie in upright planes
        roll_deg=0.0,
        px_per_mm=8.0,
        size=(480, 160),
        centre=(239.5, 79.5),
        mirror=False,
    )
    hits = march(camera, animal.crowns, animal.bone, ground=level_ground(-45.0), device=CPU)
    found = hits.on_jaw.view(160, 480)
    assert 0.2 < found.float().mean() < 0.9
    first = found.int().argmax(dim=0)
    below = torch.arange(160)[:, None] >= first
    assert found[below & found.any(dim=0)].float().mean() > 0.999


def test_no_line_over_the_jaw_is_left_out(animal):
    """
    Expected: heights looked up at 400 places of each of 3,000 lines, some of them close by the jaw. A line
    over crown or bone must be followed; of the others, most should not be.
    """
    dice = torch.Generator().manual_seed(5)
    start = torch.rand(3000, 2, generator=dice) * torch.tensor([500.0, 300.0]) - torch.tensor([200.0, 150.0])
    step = torch.randn(3000, 2, generator=dice)
    t = torch.linspace(0.1, 26.0, 400)[:, None, None]
    x, y = (start + t * step).unbind(-1)
    crown = sample(animal.crowns.grid, animal.crowns.surface, x, y)
    bone = sample(animal.bone.grid, animal.bone.surface, x, y)
    over = (torch.maximum(crown, bone) > NOTHING_MM).any(dim=0)
    followed = passing(animal.crowns, animal.bone, start, step, (0.1, 26.0))
    assert 100 < over.sum() < 2000
    assert followed[over].all()
    assert followed[~over].float().mean() < 0.3


def test_mirror_turns_the_down_axis_alone():
    how = {
        "target": np.zeros(3),
        "tilt_deg": 20.0,
        "azimuth_deg": 130.0,
        "distance_mm": 250.0,
        "roll_deg": 0.0,
        "px_per_mm": 3.0,
        "size": (90, 60),
        "centre": (44.5, 29.5),
    }
    left, right = look_at(**how, mirror=False), look_at(**how, mirror=True)
    np.testing.assert_allclose(right.right, left.right)
    np.testing.assert_allclose(right.down, -left.down)
    np.testing.assert_allclose(right.position, left.position)
    front, tongue = left.project(np.array([[-10.0, 0, 0], [0, -5.0, 0]])) - left.centre
    assert front[0] < 0 and tongue[1] < 0  # tooth 1 at the left, tongue side up
    assert (right.project(np.array([[0, -5.0, 0]])) - right.centre)[0, 1] > 0  # tongue side down


@pytest.fixture(scope="module", params=["left", "right"])
def scene(animal, request):
    shown = dataclasses.replace(animal, jaw=dataclasses.replace(animal.jaw, side=request.param))
    rng = np.random.default_rng(3)
    camera = levelled_camera(
        rng, shown, width=288, height=96, px_per_mm=2.7, tilt_deg=8.0, roll_deg=0.0, offset_px=(0.0, 0.0)
    )
    return draw_scene(rng, shown, camera, PLAIN, CPU, with_row=True, clutter=False)


def test_labels_say_one_thing(scene):
    material, tooth = scene.material, scene.tooth
    crown = tooth > 0
    assert material.max() <= max(Material) and set(tooth.unique().tolist()) == {0, 1, 2, 3, 4, 5, 6}
    assert torch.equal(
        crown, torch.isin(material, torch.tensor([int(m) for m in CROWN_MATERIALS], dtype=torch.uint8))
    )
    for label, top in ((scene.lingual, 1), (scene.state, 2)):
        assert torch.equal(label == 255, ~crown)
        assert label[crown].max() <= top
    assert {Material.ENAMEL_BAND, Material.DENTINE} <= {Material(v) for v in material.unique().tolist()}
    assert torch.isfinite(scene.light).all() and scene.light.min() >= 0


def test_tongue_side_is_up_in_a_left_jaw_and_down_in_a_right_one(scene):
    rows = torch.arange(scene.tooth.shape[0])[:, None].expand_as(scene.tooth).float()
    tongue, cheek = rows[scene.lingual == 1].mean(), rows[scene.lingual == 0].mean()
    assert (tongue < cheek) == (scene.specimen.jaw.side == "left")


def test_lobe_heat_peaks_at_the_lobes(scene):
    """1 at each centre; it falls to 0.98 within half a pixel of a sigma of 2.5 px (0.13 of a lobe's 7 mm)."""
    names, points = lobe_points(scene.specimen)
    at = np.round(scene.camera.project(points)).astype(int)
    heat = scene.lobe.numpy()
    assert (heat[at[:, 1], at[:, 0]] > 0.9).all()
    assert heat.max() <= 1.0
    for tooth in scene.specimen.jaw.teeth:
        assert sum(n[0] == tooth.position for n in names) == LOBES[tooth.position]


def test_view_vector_is_that_of_the_label_scheme(scene):
    """labels.TILT: hypot(vx, vy) is the sine of the angle off the normal; v points to the camera's side."""
    camera, height, width = scene.camera, *scene.tooth.shape
    y, x = height // 2, width // 2
    v = scene.tilt[:, y, x].numpy()
    assert np.hypot(*v) == pytest.approx(
        np.sin(np.deg2rad(8.0)), abs=0.004
    )  # half a pixel off the axis is 0.2 mm in 170
    foot = np.append(camera.position[:2], row_target(scene.specimen.jaw)[2])
    away = camera.project(np.array([foot]))[0] - camera.centre
    assert away @ v > 0.9 * np.linalg.norm(away) * np.linalg.norm(v)


def test_a_jaw_without_teeth_is_called_none(animal):
    rng = np.random.default_rng(4)
    bare = without_teeth(animal)
    camera = levelled_camera(
        rng, bare, width=96, height=48, px_per_mm=1.0, tilt_deg=0.0, roll_deg=0.0, offset_px=(0, 0)
    )
    scene = draw_scene(rng, bare, camera, PLAIN, CPU, with_row=False)
    assert scene.tooth.max() == 0 and scene.lobe.max() == 0 and scene.material.max() <= Material.JAW


def test_lobes_of_milk_teeth():
    young = sample_specimen(np.random.default_rng(2), PLAIN, CPU, age_years=1.15, abnormal=False)
    found = {t.position: len(t.lobes) for t in young.jaw.teeth if t.milk}
    assert found == MILK_LOBES


def test_same_seed_same_picture(animal):
    first, again, other = (draw_one(seed, TINY, CPU, animal)[0] for seed in (11, 11, 12))
    assert all(torch.equal(first[name], again[name]) for name in first)
    assert not torch.equal(first["image"], other["image"])
    assert first["image"].shape == (3, 64, 192) and 0 <= first["image"].min() and first["image"].max() <= 1


def test_held_out_conditions_are_not_drawn():
    rng = np.random.default_rng(0)
    options = DrawOptions(hold_out=("light:sun", "background:grass"), only=("stain:pale", "stain:black"))
    drawn = [sample_conditions(rng, options) for _ in range(200)]
    assert {c.light for c in drawn} == {"overcast", "lamp", "flash", "window"}
    assert "grass" not in {c.background for c in drawn} and {c.stain for c in drawn} == {"pale", "black"}


@pytest.mark.parametrize(
    "how",
    [
        {"hold_out": ("light:moon",)},
        {"only": ("sun",)},
        {"hold_out": ("stain:pale",), "only": ("stain:pale",)},
    ],
)
def test_conditions_that_cannot_be_drawn_are_refused(how):
    with pytest.raises(InputError, match="draw options"):
        DrawOptions(**how)
