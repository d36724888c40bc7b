"""Leaves and the like over drawn rows: their labels, their colours, and what they may not hide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch

from crestgauge.model.labels import Material
from crestgauge.synthetic_data import dataset as datasets
from crestgauge.synthetic_data import scene as scenes
from crestgauge.synthetic_data.bits import DENTINE_SHARE, KINDS, LEAVES, Palette
from crestgauge.synthetic_data.camera import look_at
from crestgauge.synthetic_data.dataset import DatasetOptions, draw_photo
from crestgauge.synthetic_data.draw import draw_one
from crestgauge.synthetic_data.litter import LITTER_SHARE, MOST_OF_A_CROWN, REACH, Air, Plane, air, lay_bit
from crestgauge.synthetic_data.options import COARSE, DrawOptions
from crestgauge.synthetic_data.overlays import Canvas
from crestgauge.synthetic_data.scene import (
    Conditions,
    draw_scene,
    lobe_points,
    row_target,
    sample_specimen,
)
from crestgauge.synthetic_data.shading import Light, Surface
from crestgauge.synthetic_data.truth import places_to_see

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")
LABELS = ("material", "tooth", "lingual", "lobe", "state", "tilt")
WHITE = Palette(dentine=torch.full((3,), 0.2), enamel=torch.full((3,), 0.8))
STEEP = Air(light=torch.ones(3), sun=np.array([0.0, 0.0, 1.0]), ambient=0.5, palette=WHITE)


@pytest.fixture(scope="module")
def animal():
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=3.5, abnormal=False)


def camera_over(animal, size=(288, 120)):
    return look_at(
        target=row_target(animal.jaw),
        tilt_deg=8.0,
        azimuth_deg=90.0,
        distance_mm=300.0,
        roll_deg=0.0,
        px_per_mm=2.7,
        size=size,
        centre=((size[0] - 1) / 2, (size[1] - 1) / 2),
        mirror=animal.jaw.side == "right",
    )


def drawn(animal, seed, monkeypatch, share, **options):
    monkeypatch.setattr(scenes, "LITTER_SHARE", share)
    rng = np.random.default_rng(seed)
    return draw_scene(rng, animal, camera_over(animal), PLAIN, CPU, with_row=True, **options)


def canvas(height=200, width=240):
    yy, xx = torch.meshgrid(torch.arange(height).float(), torch.arange(width).float(), indexing="ij")
    return Canvas(
        light=torch.full((3, height, width), 0.4), hidden=torch.zeros((height, width), dtype=torch.bool),
        yy=yy, xx=xx,
    )  # fmt: skip


def test_under_a_bit_there_is_no_jaw_and_the_rest_stays(animal, monkeypatch):
    """The same picture with and without bits: what differs is labelled as ground is, all else is the same."""
    hid = 0
    for seed in range(8):
        with_it, without = (drawn(animal, seed, monkeypatch, share) for share in (1.0, 0.0))
        changed = torch.zeros_like(without.tooth, dtype=torch.bool)
        for name in ("material", "tooth", "lingual", "state"):
            changed |= getattr(with_it, name) != getattr(without, name)
        assert (with_it.material[changed] == Material.BACKGROUND).all()
        assert (with_it.tooth[changed] == 0).all()
        assert (with_it.lingual[changed] == 255).all() and (with_it.state[changed] == 255).all()
        assert torch.equal(with_it.tilt, without.tilt) and torch.equal(with_it.lobe, without.lobe)
        hid += int((changed & (without.tooth > 0)).sum())
        if changed.any():
            assert ((with_it.light - without.light).abs().amax(0)[changed] > 1e-3).float().mean() > 0.9
    assert hid > 500  # of about 8 x 5,000 crown pixels: some bits do lie over teeth


@pytest.mark.parametrize("view", ["fine", "coarse"])
def test_bits_are_repeated_by_their_seed(animal, monkeypatch, view):
    monkeypatch.setattr(scenes, "LITTER_SHARE", 1.0)
    small = DrawOptions(width=192, height=64) if view == "fine" else replace(COARSE, width=64, height=64)
    for seed in range(3):
        first, again = (draw_one(seed, small, CPU, animal)[0] for _ in range(2))
        assert all(torch.equal(first[name], again[name]) for name in first)
        assert torch.isfinite(first["image"]).all()


@pytest.mark.parametrize("view", ["fine", "coarse"])
def test_about_one_training_picture_in_eight_has_bits(animal, monkeypatch, view):
    """100 pictures: 0.12 +- 3 standard deviations of a binomial share (0.032)."""
    seen = []
    monkeypatch.setattr(scenes, "lay_litter", lambda *args, **kwargs: seen.append(1))
    small = DrawOptions(width=64, height=32) if view == "fine" else replace(COARSE, width=32, height=32)
    for seed in range(100):
        draw_one(seed, small, CPU, animal)
    assert LITTER_SHARE == 0.12 and 0.02 < len(seen) / 100 < 0.22


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_lies_within_its_reach(kind):
    """20 of each over a disc of 1.4 reaches: something in the middle, nothing beyond, finite paint."""
    size = float(np.sqrt(np.prod(KINDS[kind][1])))
    axis = torch.linspace(-1.4 * REACH * size, 1.4 * REACH * size, 141)
    v, u = torch.meshgrid(axis, axis, indexing="ij")
    areas = []
    for seed in range(20):
        bit = KINDS[kind][0](u, v, np.random.default_rng(seed), size, WHITE)
        assert torch.isfinite(bit.paint).all() and torch.isfinite(bit.height).all()
        assert not (bit.inside > 0)[torch.hypot(u, v) > REACH * size + 2.0].any()
        areas.append(float((bit.inside > 0).float().mean()) * (2.8 * REACH) ** 2)  # in squares of the size
    assert 0.02 < np.median(areas) < 4.0  # a blade is thin; twice the size square would be 4


def test_a_leaf_hides_what_it_paints_and_shades_beside_it():
    """Its middle is hidden and painted; its shadow darkens without hiding; far from it nothing changes."""
    page = canvas()
    plane = Plane(at=np.array([120.0, 100.0]), axes=np.diag([3.0, 3.0]))
    assert lay_bit(page, plane, "leaf", 15.0, STEEP, np.random.default_rng(3))
    assert page.hidden[100, 120] and not page.hidden[:30].any()
    change = (page.light - 0.4).abs().amax(0)
    assert (change[page.hidden] > 0.01).float().mean() > 0.9
    beside = (change > 0.02) & ~page.hidden
    assert beside.any() and (page.light.mean(0)[beside] < 0.4).float().mean() > 0.8
    assert change[:30].max() == 0
    off = Plane(at=np.array([-900.0, 100.0]), axes=np.diag([3.0, 3.0]))
    assert not lay_bit(page, off, "leaf", 15.0, STEEP, np.random.default_rng(3))


def test_a_third_of_bits_have_the_tone_of_dentine():
    """Hue as that of dentine, which no leaf of the list has: 600 pairs, 3 standard deviations (0.06)."""
    dentine = torch.tensor([0.1, 0.2, 0.9])  # blue, as nothing in the lists
    palette = Palette(dentine=dentine, enamel=torch.tensor([0.9, 0.2, 0.9]))
    rng = np.random.default_rng(0)
    mains = torch.stack([palette.pair(rng, LEAVES)[0] for _ in range(600)])
    like = ((mains / mains[:, 2:] - dentine / dentine[2]).abs().amax(1) < 1e-4).float().mean()
    assert abs(float(like) - DENTINE_SHARE) < 0.06


def test_light_and_tones_are_those_of_the_picture(animal):
    """Colours under a lamp of (2, 1, 0.5): the light and the base colours come back."""
    n, tones = 400, torch.tensor([[0.5, 0.4, 0.3], [0.3, 0.2, 0.1], [0.8, 0.7, 0.6]])
    material = torch.full((n,), float(Material.JAW))
    material[:100], material[100:200] = float(Material.DENTINE), float(Material.ENAMEL_BAND)
    colour = tones[0].expand(n, 3).clone()
    colour[:100], colour[100:200] = tones[1], tones[2]
    zero = torch.zeros(n)
    what = Surface(material, zero, zero, zero, colour, zero, torch.zeros(n, 3))
    lamp = torch.tensor([2.0, 1.0, 0.5])
    sun = Light(direction=(0.0, 0.0, 1.0), position=None, colour=(1.0, 1.0, 1.0), softness=0.1, shadow=0.5)
    light = (colour * lamp).T.reshape(3, 20, 20)
    around = air(light, what, [sun], 1.0, camera_over(animal), np.random.default_rng(0))
    torch.testing.assert_close(around.light, lamp)
    torch.testing.assert_close(around.palette.dentine, tones[1])
    torch.testing.assert_close(around.palette.enamel, tones[2])
    assert around.ambient == 0.5 and around.sun[2] == pytest.approx(np.cos(np.deg2rad(8.0)), abs=1e-6)


def test_what_must_stay_in_sight_does(animal, monkeypatch):
    """Edges of crests and centres of lobes keep their labels, and every crown nine tenths of itself."""
    lying = []
    real = scenes.lay_litter
    monkeypatch.setattr(scenes, "lay_litter", lambda *a, **k: lying.append(real(*a, **k)))
    at = np.round(camera_over(animal).project(places_to_see(animal))).astype(int)
    assert len(at) > 500  # 81 stations of two edges or more on most of a dozen lobes
    for seed in range(20):
        with_it, without = (
            drawn(animal, seed, monkeypatch, share, in_sight=places_to_see) for share in (1.0, 0.0)
        )
        assert torch.equal(with_it.tooth[at[:, 1], at[:, 0]], without.tooth[at[:, 1], at[:, 0]])
        for k in range(1, 7):
            left, had = int((with_it.tooth == k).sum()), int((without.tooth == k).sum())
            assert left >= (1 - MOST_OF_A_CROWN) * had - 1
    assert len(lying) == 20 and sum(lying) >= 8


def test_leaves_can_cover_a_stretch_of_the_row(animal, monkeypatch):
    """Four of five lobe centres of the stretch at least are hidden, without any other clutter."""
    monkeypatch.setattr(scenes, "COVERING_SHARE", 1.0)
    names, points = lobe_points(animal)
    there = np.array([0.5 <= p[0] / animal.jaw.row_mm <= 0.95 for p in points])
    at = np.round(camera_over(animal).project(points[there])).astype(int)
    assert there.sum() >= 5 and len(names) == len(points)
    for seed in range(6):
        scene = drawn(animal, seed, monkeypatch, 0.0, clutter=False, cover=(0.5, 0.95))
        assert (scene.tooth[at[:, 1], at[:, 0]] == 0).float().mean() >= 0.8


def test_a_usable_photograph_shows_what_its_truth_states(monkeypatch):
    """Photographs of one seed with and without bits, and a covered one: who may hide crests and who not."""
    kept = []
    real = scenes.lay_litter

    def spy(*args, keep):
        kept.append(keep)
        return real(*args, keep=keep)

    monkeypatch.setattr(scenes, "lay_litter", spy)
    options = DatasetOptions(long_side_px=(420, 480), px_per_mm=(3.0, 5.0), share_unusable=0.0)
    photos = []
    for share in (1.0, 0.0):
        monkeypatch.setattr(scenes, "LITTER_SHARE", share)
        photos.append(draw_photo(1, options, CPU))
    with_it, plain = photos
    assert len(kept) == 1 and kept[0] is not None
    assert not np.array_equal(with_it.image, plain.image) and with_it.truth["usable"]
    camera, specimen = plain.scene.camera, plain.scene.specimen
    at = np.round(camera.project(places_to_see(specimen))).astype(int)
    assert torch.equal(with_it.scene.tooth[at[:, 1], at[:, 0]], plain.scene.tooth[at[:, 1], at[:, 0]])
    for key in ("age_class", "age_class_by_key", "side", "px_per_mm"):
        assert with_it.truth[key] == plain.truth[key]
    monkeypatch.setattr(datasets, "UNUSABLE", ("covered",))
    monkeypatch.setattr(scenes, "LITTER_SHARE", 1.0)
    covered = draw_photo(1, replace(options, share_unusable=1.0), CPU)
    assert covered.truth["unusable"] == ["covered"] and kept[-1] is None
