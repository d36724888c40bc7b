"""A second row, and soft parts of a head, beside the row that is photographed: labels, truth, shares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch

from crestgauge.model.labels import Material, ToothState
from crestgauge.synthetic_data import dataset as datasets
from crestgauge.synthetic_data import draw as drawing
from crestgauge.synthetic_data import scene as scenes
from crestgauge.synthetic_data.camera import look_at
from crestgauge.synthetic_data.dataset import DatasetOptions, draw_photo
from crestgauge.synthetic_data.draw import draw_one
from crestgauge.synthetic_data.ground import level_ground
from crestgauge.synthetic_data.head import soft_parts
from crestgauge.synthetic_data.options import COARSE, DrawOptions
from crestgauge.synthetic_data.scene import (
    SECOND_SHARE,
    Conditions,
    draw_scene,
    row_target,
    sample_beside,
    sample_specimen,
)
from crestgauge.synthetic_data.second import (
    HALF_DISTANCE_MM,
    LEAST_FACING,
    Place,
    body_points,
    joined_place,
    loose_place,
    middle_plane,
    other_half,
    row_middle,
    sample_second,
    settled,
)
from crestgauge.synthetic_data.shading import Light
from crestgauge.synthetic_data.truth import places_to_see

CPU = torch.device("cpu")
PLAIN = Conditions(light="overcast", background="plain", stain="honey", shape="typical")
LABELS = ("material", "tooth", "lingual", "state", "lobe", "tilt")
UP = np.array([0.0, 0.0, 1.0])


@pytest.fixture(scope="module")
def animal():
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=3.5, abnormal=False)


@pytest.fixture(scope="module")
def old_animal():
    return sample_specimen(np.random.default_rng(2), PLAIN, CPU, age_years=7.5, abnormal=False)


def camera_over(animal, size=(300, 240), px_per_mm=2.4, tilt_deg=8.0):
    return look_at(
        target=row_target(animal.jaw),
        tilt_deg=tilt_deg,
        azimuth_deg=90.0,
        distance_mm=300.0,
        roll_deg=0.0,
        px_per_mm=px_per_mm,
        size=size,
        centre=((size[0] - 1) / 2, (size[1] - 1) / 2),
        mirror=animal.jaw.side == "right",
    )


def second_of(animal, kind, seed=0, near=False):
    rng = np.random.default_rng(seed)
    plane = middle_plane(animal.bone, rng)
    if kind == "head":
        return soft_parts(rng, animal.jaw, plane, CPU)
    return sample_second(
        rng,
        animal.jaw,
        animal.bone,
        fleshy=False,
        age_years=2.5,
        sight=UP,
        near=near,
        plane=plane,
        kind=kind,
    )


def drawn(animal, beside=(), seed=0, **options):
    rng = np.random.default_rng(seed)
    return draw_scene(
        rng, animal, camera_over(animal), PLAIN, CPU, with_row=True, clutter=False, beside=beside, **options
    )


def test_a_place_is_one_frame_in_another():
    """There and back, and a camera, a ground and lamps that mean the same in both frames."""
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    place = Place(turn=turn, at=np.array([5.0, -20.0, 3.0]))
    points = np.random.default_rng(4).normal(0, 30, (50, 3))
    own = place.into(torch.tensor(points)).numpy()
    np.testing.assert_allclose(place.out(own), points, atol=1e-9)
    camera = look_at(
        target=np.zeros(3),
        tilt_deg=20.0,
        azimuth_deg=40.0,
        distance_mm=300.0,
        roll_deg=10.0,
        px_per_mm=3.0,
        size=(200, 100),
        centre=(99.5, 49.5),
        mirror=False,
    )
    np.testing.assert_allclose(place.camera(camera).project(own), camera.project(points), atol=1e-8)
    assert place.camera(camera).mirror == (np.linalg.det(turn) < 0)
    ground = place.ground(level_ground(-7.0))
    np.testing.assert_allclose(own @ ground.normal - ground.level, points[:, 2] + 7.0, atol=1e-9)
    lamp = Light(
        direction=None, position=(10.0, 20.0, 300.0), colour=(1.0, 0.5, 0.2), softness=0.1, shadow=0.5
    )
    moved = place.light(lamp)
    np.testing.assert_allclose(place.out(np.array([moved.position]))[0], lamp.position, atol=1e-9)
    # `lit` scales by the square of the distance from the frame's origin: the product must be the same.
    strength = [lamp.colour[0] * np.dot(lamp.position, lamp.position) for lamp in (lamp, moved)]
    assert strength[0] == pytest.approx(strength[1])


def test_the_other_half_is_of_the_same_animal(old_animal):
    """Same teeth, states and age; other side; wear within half a millimetre, and not the very same."""
    jaw, other = old_animal.jaw, other_half(old_animal.jaw, np.random.default_rng(0))
    assert other.side != jaw.side and other.age_years == jaw.age_years and other.row_mm == jaw.row_mm
    assert [t.state for t in other.teeth] == [t.state for t in jaw.teeth]
    change = np.array([b.wear_mm - a.wear_mm for a, b in zip(jaw.teeth, other.teeth, strict=True)])
    assert 0.0 < np.abs(change).max() < 0.6


def test_joined_halves_open_backwards_and_meet_in_front(animal):
    """
    Mirror image in an upright plane: rows 18 mm apart at least at their front, farther apart at their back;
    the bones reach the plane, so that they touch.
    """
    for seed in range(20):
        distance, opened = middle_plane(animal.bone, np.random.default_rng(seed))
        place = joined_place(distance, opened)
        assert np.linalg.det(place.turn) == pytest.approx(-1.0) and distance >= HALF_DISTANCE_MM[0]
        row = np.array([[0.0, 0.0, 0.0], [animal.jaw.row_mm, 0.0, 0.0]])
        other = place.out(row)
        apart = np.linalg.norm(other - row, axis=1)
        assert apart[0] >= 2 * HALF_DISTANCE_MM[0] * np.cos(opened) - 1e-6
        assert apart[1] - apart[0] == pytest.approx(2 * np.sin(opened) * animal.jaw.row_mm, rel=1e-6)
        np.testing.assert_allclose(other[:, 2], 0.0, atol=1e-9)


@pytest.mark.parametrize("near", [True, False])
def test_loose_rows_face_the_camera_and_lie_beside(near):
    """Chewing side never turned away; no nearer than one bone to the next, and not far in a narrow view."""
    rng, middle = np.random.default_rng(5), np.array([40.0, 0.0, -2.0])
    offs, cheeks = [], 0
    for _ in range(200):
        tilt, around = np.deg2rad(rng.uniform(0, 60)), rng.uniform(0, 2 * np.pi)
        sight = np.array([np.sin(tilt) * np.cos(around), np.sin(tilt) * np.sin(around), np.cos(tilt)])
        place = loose_place(
            rng, mirrored=True, middles=(middle, middle), half_mm=41.0, sight=sight, near=near
        )
        facing = float((place.turn @ sight)[2])
        assert facing > min(LEAST_FACING, sight[2]) - 1e-9
        assert np.linalg.det(place.turn) == pytest.approx(-1.0)
        centre = place.out(middle[None])[0]
        offs.append(abs(centre[1] - middle[1]))
        cheeks += place.turn.T[2, 1] > np.sin(np.deg2rad(20.0))  # its cheek side looks up
    assert min(offs) > 11.0  # two half widths of 7 less what may lie over the other, and the turn's cosine
    assert np.median(offs) < 30.0 if near else np.median(offs) > 25.0
    assert 0.05 < cheeks / 200 < 0.35


@pytest.mark.parametrize("kind", ["joined", "beside", "other", "head"])
def test_it_stands_on_the_ground(animal, kind):
    """Nothing of either body below the ground, and one of them touches it."""
    ground = level_ground(float(body_points(animal.bone)[:, 2].min()))
    second, under = settled(second_of(animal, kind), ground, rests=True)
    heights = second.place.out(body_points(second.bone).double().numpy()) @ under.normal - under.level
    own = body_points(animal.bone)[:, 2].double().numpy() - under.level
    assert min(heights.min(), own.min()) == pytest.approx(0.0, abs=1e-3)
    assert heights.min() > -1e-3 and own.min() > -1e-3


@pytest.mark.parametrize("kind", ["joined", "beside", "other", "head"])
def test_the_fine_view_knows_one_row_only(animal, kind):
    """What lies beside is jaw (of a head: background) without tooth, crest, side, state or lobe; the row
    itself keeps every label where nothing stands before it."""
    plain = drawn(animal)
    with_it = drawn(animal, (second_of(animal, kind),))
    assert len(with_it.beside) == 1
    over = with_it.beside[0].over
    assert over.float().mean() > 0.01
    wanted = Material.BACKGROUND if kind == "head" else Material.JAW
    assert (with_it.material[over] == wanted).all() and (with_it.tooth[over] == 0).all()
    assert (with_it.lingual[over] == 255).all() and (with_it.state[over] == 255).all()
    for name in ("material", "tooth", "lingual", "state"):
        assert torch.equal(getattr(with_it, name)[~over], getattr(plain, name)[~over]), name
    assert torch.equal(with_it.lobe, plain.lobe) and torch.equal(with_it.tilt, plain.tilt)
    assert torch.isfinite(with_it.light).all() and with_it.light.min() >= 0


def test_the_row_itself_looks_as_it_did(animal):
    """A loose row on the same ground changes no light of the jaw that is photographed."""
    plain, with_it = (drawn(animal, b) for b in ((), (second_of(animal, "other"),)))
    jaw = (plain.material != Material.BACKGROUND) & ~with_it.beside[0].over
    assert torch.equal(plain.light[:, jaw], with_it.light[:, jaw])
    beside = with_it.beside[0].over
    assert ((with_it.light - plain.light).abs().amax(0)[beside] > 1e-3).float().mean() > 0.9
    ground = ~beside & (plain.material == Material.BACKGROUND)
    assert (with_it.light[:, ground] <= plain.light[:, ground] * 1.0001 + 1e-5).float().mean() > 0.99


@pytest.mark.parametrize("kind", ["joined", "other"])
def test_the_coarse_view_names_the_teeth_of_both_rows(animal, kind):
    """Numbers of the second row stand where its teeth are projected to, sides and states with them."""
    second = second_of(animal, kind)
    scene = drawn(animal, (second,), all_rows=True)
    shown = scene.beside[0]
    found = 0
    for tooth in second.jaw.teeth:
        for lobe in tooth.lobes:
            top = lobe.tip_z - max(tooth.wear_mm, 0.0)
            at = shown.camera.project(np.array([[lobe.x, lobe.y, top]]))[0]
            x, y = np.round(at).astype(int)
            if tooth.state != "erupted" or not (0 <= x < 300 and 0 <= y < 240) or not shown.over[y, x]:
                continue
            found += 1
            assert scene.tooth[y, x] == tooth.position
            assert scene.material[y, x] > Material.JAW
            assert scene.state[y, x] == ToothState.ERUPTED
            assert scene.lobe[y, x] > 0.3  # the middle lies some mm below the tip: about 1 px aside
    assert found >= 5
    crown = shown.over & (scene.tooth > 0)
    assert set(scene.lingual[crown].unique().tolist()) == {0, 1}
    assert not torch.equal(scene.tilt[:, shown.over], drawn(animal).tilt[:, shown.over])


def test_sides_of_two_halves_face_each_other(animal):
    """Tongue sides of joined halves look to the middle plane between them."""
    scene = drawn(animal, (second_of(animal, "joined"),), all_rows=True)
    over = scene.beside[0].over
    yy = torch.arange(240).float()[:, None].expand(240, 300)

    def middle(where):
        return float(yy[where].median())

    rows = [middle((scene.tooth > 0) & w) for w in (~over, over)]
    for w, own, other in ((~over, *rows), (over, *rows[::-1])):
        tongue, cheek = (middle((scene.lingual == k) & (scene.tooth > 0) & w) for k in (1, 0))
        assert (tongue - cheek) * (other - own) > 0


@pytest.mark.parametrize("view", ["fine", "coarse"])
def test_pictures_are_repeated_by_their_seed_and_others_stay(animal, monkeypatch, view):
    """The same seed twice; and where nothing lies beside, the picture is the same as with a share of 0."""
    small = DrawOptions(width=192, height=64) if view == "fine" else replace(COARSE, width=64, height=64)
    shown = []
    real = drawing.sample_beside

    def spy(*args, **options):
        shown.append(real(*args, **options))
        return shown[-1]

    monkeypatch.setattr(drawing, "sample_beside", spy)
    pictures = {}
    for share in (0.0, 0.5, 0.5):
        monkeypatch.setattr(scenes, "SECOND_SHARE", share)
        shown.clear()
        now = []
        for seed in range(8):
            before = len(shown)
            maps = draw_one(seed, small, CPU, animal)[0]
            now.append((maps, any(shown[before:])))
        if share in pictures:
            for (one, _), (other, _) in zip(pictures[share], now, strict=True):
                assert all(torch.equal(one[name], other[name]) for name in one)
        pictures[share] = now
    some = [beside for _, beside in pictures[0.5]]
    assert any(some) and not all(some)
    for (one, _), (other, beside) in zip(pictures[0.0], pictures[0.5], strict=True):
        assert torch.isfinite(other["image"]).all()
        if not beside:
            assert all(torch.equal(one[name], other[name]) for name in one)


@pytest.mark.parametrize("view", ["fine", "coarse"])
def test_about_one_picture_in_eight_has_something_beside(animal, monkeypatch, view):
    """200 draws: 0.13 +- 3 standard deviations of a binomial share (0.024)."""
    camera, there = camera_over(animal), 0
    monkeypatch.setattr(scenes, "sample_second", lambda *a, **k: "second")
    monkeypatch.setattr(scenes, "soft_parts", lambda *a, **k: "head")
    for seed in range(200):
        rng = np.random.default_rng((seed, 0 if view == "fine" else 1, drawing.SECOND))
        there += bool(sample_beside(rng, animal, camera, near=view == "fine"))
    assert SECOND_SHARE == 0.13 and abs(there / 200 - 0.13) < 0.072


def test_only_a_fleshy_jaw_is_in_a_head(animal, monkeypatch):
    """A clean bone never; half of fleshy ones, two in five of these with the other half joined to them."""
    camera = camera_over(animal)
    monkeypatch.setattr(scenes, "sample_second", lambda *a, kind, **k: kind or "any")
    monkeypatch.setattr(scenes, "soft_parts", lambda *a, **k: "head")
    for fleshy in (False, True):
        specimen = replace(animal, fleshy=fleshy)
        kinds = [
            sample_beside(np.random.default_rng(k), specimen, camera, near=False, share=1.0)
            for k in range(300)
        ]
        heads = [k for k in kinds if "head" in k]
        assert {len(k) for k in kinds} <= {1, 2}
        if not fleshy:
            assert not heads
        else:  # +- 3 standard deviations of 300 and of 150
            assert abs(len(heads) / 300 - 0.5) < 0.09
            both = sum(k == ("head", "joined") for k in heads)
            assert abs(both / len(heads) - 0.4) < 0.12


def test_a_photograph_shows_what_its_truth_states(monkeypatch):
    """The same photographs with and without something beside: one truth, all places of it in sight."""
    options = DatasetOptions(long_side_px=(420, 480), px_per_mm=(3.0, 4.0), share_unusable=0.0)
    kept = []
    for seed in (1, 4, 6):
        plain, with_it = (draw_photo(seed, replace(options, share_second=share), CPU) for share in (0.0, 1.0))
        assert not plain.scene.beside
        for key in plain.truth:
            if key not in ("teeth", "conditions"):
                assert plain.truth[key] == with_it.truth[key], key
        for one, other in zip(plain.truth["teeth"], with_it.truth["teeth"], strict=True):
            for key in ("state", "lobes", "lobe_centres", "crests", "infundibulum_left"):
                assert one[key] == other[key], key
        assert plain.truth["conditions"] == with_it.truth["conditions"] | {"beside": "none"}
        kinds = [b.second.kind for b in with_it.scene.beside]
        assert with_it.truth["conditions"]["beside"] == (", ".join(kinds) or "none")
        if kinds:
            kept.append(seed)
            assert not np.array_equal(plain.image, with_it.image)
            over = torch.stack([b.over for b in with_it.scene.beside]).any(0)
            assert (with_it.scene.tooth[over] == 0).all()
            at = np.round(with_it.scene.camera.project(places_to_see(with_it.scene.specimen))).astype(int)
            inside = (at >= 0).all(1) & (at < [with_it.truth["width"], with_it.truth["height"]]).all(1)
            assert not over[at[inside, 1], at[inside, 0]].any()
    assert len(kept) >= 2
    assert datasets.DatasetOptions().share_second is None


def test_the_row_that_is_meant_lies_nearest_to_the_middle(animal):
    """Of a photograph whose row lies off the middle: 40 draws, some of them left without a second row."""
    options = DatasetOptions(share_second=1.0)
    centre, size = np.array([150.0, 190.0]), (300, 300)
    camera = replace(camera_over(animal, size), centre=(float(centre[0]), float(centre[1])))
    there = 0
    for seed in range(40):
        for body in datasets._beside(np.random.default_rng(seed), animal, camera, options):
            middles = np.stack((row_target(animal.jaw), body.place.out(row_middle(body.jaw)[None])[0]))
            off = np.linalg.norm(camera.project(middles) - 149.5, axis=1) / 300
            assert off[1] > off[0] + datasets.NEARER
            there += 1
    assert 15 < there <= 40


def test_what_would_hide_a_crest_stays_away(animal):
    """A second row laid right over the first is left out where crests must stay in sight."""
    second = second_of(animal, "other")
    # Joined, so that it is not laid down on the ground.
    on_top = replace(second, kind="joined", place=Place(turn=np.eye(3), at=np.array([0.0, 0.0, 9.0])))
    assert drawn(animal, (on_top,)).beside
    assert not drawn(animal, (on_top,), in_sight=places_to_see).beside
