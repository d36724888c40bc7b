"""What the drawn teeth show besides wear: crowns that have just come, chips, pulp, crowded rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import torch

from crestgauge.synthetic_data import paint, scene
from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.camera import sample
from crestgauge.synthetic_data.chips import CHIPPED_SHARE, Chip, broken_surface, sample_chips
from crestgauge.synthetic_data.eruption import (
    EARLY_SHARE,
    EARLY_YEARS,
    FRESH_UNTIL_YEARS,
    STANDING_MM,
    UNWORN_MM,
    just_standing,
    sample_stage,
)
from crestgauge.synthetic_data.jaw import UNWORN_BELOW_MM, jaw_fields
from crestgauge.synthetic_data.pulp import PULP_SHARE, Horn, sample_horns
from crestgauge.synthetic_data.scene import Conditions, draw_scene, levelled_camera, sample_specimen
from crestgauge.synthetic_data.truth import LEAST_SOUND_SHARE, crest_truth, evidence, teeth_truth
from crestgauge.synthetic_data.unsettled import (
    FARTHEST_SIDE_MM,
    MOST_OUT_MM,
    MOST_TURNED_DEG,
    UNSETTLED_SHARE,
    moved,
    unsettled,
)
from crestgauge.synthetic_data.wear import FAR_BELOW, crown_fields

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


@pytest.fixture(scope="module")
def animal():
    return sample_specimen(np.random.default_rng(1), PLAIN, CPU, age_years=3.5, abnormal=False)


def flake(**changed):
    base = {"tooth": 4, "lobe": 1, "ridge": 0, "at": 0.5, "outward": True, "half_mm": 0.6, "into_mm": 0.4}
    return Chip(**base | {"dip": 2.0, "deepest_mm": 1.5, "wave": 0.0} | changed)


def worn_with(animal, *chips):
    """The animal with these flakes off, everything else the same."""
    jaw = replace(animal.jaw, chips=chips)
    return replace(animal, jaw=jaw, crowns=crown_fields(jaw, px_per_mm=14.0, seed=5, device=CPU))


def test_a_flake_takes_from_the_rim_what_it_says(animal):
    """
    A level cut through a roof: the outer rim lies at depth / slope from the ridge, the flake begins 0.4 mm
    inside it. The rim is found in steps of 0.05 mm on the nearest node (0.04 mm).
    """
    tooth, pitch, slope, depth = animal.jaw.teeth[3], 14.0, 5.0, 2.0
    lobe = replace(tooth.lobes[0], ridges=np.stack([np.column_stack([
        np.linspace(0, 7, 13), np.full(13, v), np.zeros(13)]) for v in (0.0, 4.0, 8.0)]))  # fmt: skip
    tooth = replace(tooth, lobes=(lobe,))
    x, y = torch.arange(140)[None, None] / pitch - 1.0, torch.arange(140)[None, :, None] / pitch - 5.0
    z_o = torch.minimum(slope * y, -1.8 * y).expand(1, 140, 140)
    w = torch.full_like(z_o, -depth)
    left = broken_surface([flake()], [tooth], x, y, z_o - w, w, pitch)[0]
    middle = int((3.5 + 1.0) * pitch)
    gone = (left < torch.minimum(z_o, w)[0])[:, middle]
    begins = float(y[0, :, 0][gone].max())
    assert begins == pytest.approx(-depth / slope + 0.4, abs=0.05 + 0.04 + 0.5 / pitch)
    # It falls by 2 mm per mm there, and ends where the flank, 5 mm per mm, is lower: 0.4 * 2 / (5 - 2) out.
    assert float(y[0, :, 0][gone].min()) == pytest.approx(-depth / slope - 0.27, abs=0.15)
    width = float(gone.shape[0] and torch.isfinite(left).any(0).sum()) / pitch
    assert width == pytest.approx(1.2, abs=0.15)
    inner = broken_surface([flake(outward=False)], [tooth], x, y, z_o - w, w, pitch)[0]
    lost = (inner < torch.minimum(z_o, w)[0])[:, middle]
    assert float(y[0, :, 0][lost].min()) == pytest.approx(depth / 1.8 - 0.4, abs=0.05 + 0.04 + 0.5 / pitch)


def test_labels_change_only_where_a_flake_came_off(animal):
    whole, chipped = worn_with(animal), worn_with(animal, flake(), flake(into_mm=1.2, tooth=5, dip=1.0))
    a, b = whole.crowns, chipped.crowns
    lost = b.chip > 0
    assert 30 < int(lost.sum()) < 2000 and a.chip is None
    for name in ("outer", "inner"):
        same = (getattr(a, name) > 0) == (getattr(b, name) > 0)
        assert same[~lost].all(), name
    assert torch.equal(a.tooth, b.tooth) and torch.equal(a.fossa, b.fossa)
    assert torch.equal(a.surface[~lost], b.surface[~lost])
    assert (b.surface < a.surface)[lost].all()
    # Broken enamel is a wall, not a band; where it broke through the junction dentine lies open.
    broken = lost & (b.tooth == 4) & (a.outer > 0) & (a.inner < 0)
    assert ((b.outer < 0) | (b.inner > 0))[broken].all() and (b.outer < 0)[broken].any()
    opened = lost & (b.tooth == 5) & (a.inner < 0) & (b.inner > 0)
    assert int(opened.sum()) > 5


def test_widths_are_those_of_the_stations_left_whole(animal):
    lobe, at = animal.jaw.teeth[3].lobes[0], 0.45
    before = crest_truth(worn_with(animal), lobe)
    after = crest_truth(worn_with(animal, flake(at=at)), lobe)
    rows = {row.tobytes() for row in before.edges_mm}
    assert LEAST_SOUND_SHARE * len(before.edges_mm) <= len(after.edges_mm) < len(before.edges_mm)
    assert all(row.tobytes() in rows for row in after.edges_mm)  # to the last digit
    kept = {row.tobytes() for row in after.edges_mm}
    gone = np.array([row[1:3].mean(0) for row in before.edges_mm if row.tobytes() not in kept])
    ridge = lobe.ridges[0]
    point = [np.interp(at * 12, np.arange(13), ridge[:, k]) for k in range(2)]
    # A flake of 0.6 mm to a side, seen square to the ridge, which turns a little.
    assert np.abs(gone[:, 0] - point[0]).max() < 0.9
    width = np.linalg.norm(after.edges_mm[:, 1] - after.edges_mm[:, 2], axis=1)
    assert after.dentine_mm == pytest.approx(np.median(width), rel=1e-9)
    assert np.isfinite(after.ratio) and abs(after.ratio / before.ratio - 1) < 0.1


def test_a_rim_that_is_mostly_gone_has_no_truth(animal):
    chips = [flake(at=at, half_mm=1.2, into_mm=0.6) for at in (0.3, 0.5, 0.7)]
    broken = worn_with(animal, *chips)
    crest = crest_truth(broken, animal.jaw.teeth[3].lobes[0])
    assert np.isnan(crest.ratio) and np.isnan(crest.dentine_mm) and len(crest.edges_mm) == 0
    assert not crest.infundibulum_gone and crest.by_definition == {}
    row = evidence(teeth_truth(broken), broken.jaw, definitions=True)
    assert row.teeth[3].crests[0].ratio is None and row.teeth[3].crests[1].ratio is not None


def test_some_animals_have_flakes_off(animal):
    """800 animals: 3 sigma of a share of 0.13 are 0.036."""
    drawn = [sample_chips(np.random.default_rng(k), animal.jaw.teeth) for k in range(800)]
    assert np.mean([bool(c) for c in drawn]) == pytest.approx(CHIPPED_SHARE, abs=0.036)
    teeth = [replace(t, wear_mm=0.1) for t in animal.jaw.teeth]
    assert not any(sample_chips(np.random.default_rng(k), teeth) for k in range(50))


def pictured(animal, seed=3):
    rng = np.random.default_rng(seed)
    camera = levelled_camera(
        rng, animal, width=768, height=224, px_per_mm=7.2, tilt_deg=4.0, roll_deg=0.0, offset_px=(0.0, 0.0)
    )
    return draw_scene(rng, animal, camera, PLAIN, CPU, with_row=True, clutter=False)


def same_labels(one, other):
    return all(
        torch.equal(getattr(one, name), getattr(other, name))
        for name in ("material", "tooth", "lingual", "state", "lobe", "tilt")
    )


def test_hairlines_darken_enamel_and_change_no_label(animal, monkeypatch):
    drawn = []
    for share in (0.0, 1.0):
        monkeypatch.setattr(paint, "HAIRLINE_SHARE", share)
        drawn.append(pictured(animal))
    plain, cracked = drawn
    assert same_labels(plain, cracked)
    change = (cracked.light - plain.light).mean(0)
    assert change[plain.tooth == 0].abs().max() == 0
    band = plain.material == 3
    darker = (change < -0.01) & band
    assert 0.005 < float(darker.sum() / band.sum()) < 0.3
    assert change.max() < 0.01


@pytest.fixture(scope="module")
def old():
    """An old animal with its horns drawn."""
    animal = sample_specimen(np.random.default_rng(3), PLAIN, CPU, age_years=7.5, abnormal=False)
    horns = tuple(
        Horn(
            tooth=tooth, lobe=1, ridge=0, along=0.0, off_ridge_mm=0.9, half_along=0.2, half_across_mm=0.4,
            pit_mm=pit_mm,
        )
        for tooth, pit_mm in ((4, 0.0), (5, 1.2))
    )  # fmt: skip
    return replace(animal, jaw=replace(animal.jaw, horns=horns))


def test_pulp_lies_in_dentine_and_moves_no_width(old):
    """Under a level cut an ellipse of 0.4 mm by 0.2 half lengths; dentine round it may cut off a part."""
    bare = replace(old, jaw=replace(old.jaw, horns=()))
    a, b = (crown_fields(s.jaw, px_per_mm=14.0, seed=5, device=CPU) for s in (bare, old))
    assert a.pulp is None
    cut = b.pulp > 0
    assert (b.inner[cut] > 0).all()
    for tooth in (4, 5):
        lobe = old.jaw.teeth[tooth - 1].lobes[0]
        whole = np.pi * 0.4 * 0.2 * 0.5 * lobe.length
        assert 0.5 * whole < float((cut & (b.tooth == tooth)).sum()) / 14.0**2 < 1.03 * whole
    for name in ("outer", "inner", "fossa", "tooth", "outer_edge", "inner_edge"):
        assert torch.equal(getattr(a, name), getattr(b, name)), name
    sunk = a.surface - b.surface
    assert sunk[b.tooth == 4].max() == 0 and sunk[~cut].max() == 0
    assert float(sunk.max()) == pytest.approx(1.2, abs=1e-4)
    for lobe in old.jaw.teeth[4].lobes:
        one, other = (crest_truth(replace(old, crowns=c), lobe) for c in (a, b))
        np.testing.assert_equal(other.dentine_mm, one.dentine_mm)
        np.testing.assert_equal(other.ratio, one.ratio)


def test_pulp_is_seen_and_called_dentine(old):
    bare = replace(old, jaw=replace(old.jaw, horns=()))
    flat = replace(old, jaw=replace(old.jaw, horns=tuple(replace(h, pit_mm=0.0) for h in old.jaw.horns)))
    scenes = [
        pictured(replace(s, crowns=crown_fields(s.jaw, px_per_mm=14.0, seed=5, device=CPU)))
        for s in (bare, flat)
    ]
    assert same_labels(*scenes)
    change = (scenes[1].light - scenes[0].light).abs().amax(0)
    assert int((change > 0.01).sum()) > 40
    assert (scenes[0].material[change > 1e-3] == 4).float().mean() > 0.98  # light wanders a little over edges


def test_some_old_animals_show_their_pulp(old, animal):
    """800 animals: 3 sigma of a share of 0.3 are 0.049. Some roofs are deeper than any wear: a few less."""
    drawn = [sample_horns(np.random.default_rng(k), old.jaw.teeth) for k in range(800)]
    assert np.mean([bool(h) for h in drawn]) == pytest.approx(PULP_SHARE, abs=0.06)
    pits = [any(h.pit_mm for h in horns) for horns in drawn if horns]
    assert 0.15 < np.mean(pits) < 0.4
    young = [replace(t, wear_mm=2.0) for t in animal.jaw.teeth]
    assert not any(sample_horns(np.random.default_rng(k), young) for k in range(50))


def with_teeth(animal, **places):
    """The animal with some teeth moved: t5=(along, across, turn)."""
    teeth = tuple(moved(t, *places.get(f"t{t.position}", (0.0, 0.0, 0.0))) for t in animal.jaw.teeth)
    jaw = replace(animal.jaw, teeth=teeth, row_mm=teeth[5].x0 + teeth[5].length, unsettled=True)
    return replace(animal, jaw=jaw, crowns=crown_fields(jaw, px_per_mm=14.0, seed=5, device=CPU))


@pytest.fixture(scope="module")
def level(animal):
    """The animal worn level, so that a turned tooth is worn as it was before."""
    teeth = tuple(replace(t, wear_slope=(0.0, 0.0), dish_mm=0.0) for t in animal.jaw.teeth)
    return replace(animal, jaw=replace(animal.jaw, teeth=teeth))


def test_a_shifted_tooth_keeps_its_widths(level):
    """By whole nodes it is the same field elsewhere; float32 places of some 80 mm are left."""
    lobes = level.jaw.teeth[5].lobes[:2]
    far = with_teeth(level, t6=(2.0, 0.0, 0.0))
    for lobe, there in zip(lobes, far.jaw.teeth[5].lobes, strict=False):
        assert there.x == pytest.approx(lobe.x + 2.0)
        before, after = crest_truth(with_teeth(level), lobe), crest_truth(far, there)
        assert after.dentine_mm == pytest.approx(before.dentine_mm, abs=2e-3)
        assert after.enamel_outer_mm == pytest.approx(before.enamel_outer_mm, abs=2e-3)


def test_a_turned_tooth_is_the_same_tooth_turned(level):
    """
    Ridges keep their lengths, the crown its area and widths: to 5 %, since small waves of wear and of the
    enamel stay where they were.
    """
    turn = np.deg2rad(12.0)
    tooth = level.jaw.teeth[4]
    turned = moved(tooth, 0.0, 0.0, turn)
    for lobe, was in zip(turned.lobes, tooth.lobes, strict=True):
        steps = [np.linalg.norm(np.diff(b.ridges[0], axis=0), axis=1) for b in (lobe, was)]
        np.testing.assert_allclose(*steps, atol=1e-9)
        way, before = (b.ridges[1, -1, :2] - b.ridges[1, 0, :2] for b in (lobe, was))
        angle = np.arctan2(way[1], way[0]) - np.arctan2(before[1], before[0])
        assert angle == pytest.approx(turn) and lobe.yaw == pytest.approx(was.yaw + turn)
    shown, plain = (with_teeth(level, t5=(3.0, 0.0, t), t6=(6.0, 0.0, 0.0)) for t in (turn, 0.0))
    cut = [(s.crowns.tooth == 5) & (s.crowns.outer > 0) for s in (shown, plain)]
    assert int(cut[0].sum()) == pytest.approx(int(cut[1].sum()), rel=0.05)
    x, y = shown.crowns.grid.nodes(CPU)
    ends = []
    for here, angle in zip(cut, (turn, 0.0), strict=True):  # in the tooth's own frame, to a node and a half
        along = np.cos(angle) * (x[here] - tooth.x0) + np.sin(angle) * (y[here] - tooth.y)
        ends.append([float(along.min()), float(along.max())])
    middle = 0.5 * tooth.length + 3.0
    ends[0] = [end + (1 - np.cos(turn)) * middle for end in ends[0]]
    np.testing.assert_allclose(ends[0], ends[1], atol=0.1)
    for k in range(2):
        before = crest_truth(plain, plain.jaw.teeth[4].lobes[k])
        after = crest_truth(shown, shown.jaw.teeth[4].lobes[k])
        assert after.dentine_mm == pytest.approx(before.dentine_mm, rel=0.05)
        assert after.enamel_outer_mm == pytest.approx(before.enamel_outer_mm, rel=0.05)


def test_no_width_is_stated_where_a_neighbour_stands_over_the_band(level):
    """Tooth 5 pushed 2.5 mm into tooth 4 and over its tongue side: fewer stations, and those are its own."""
    crowded = with_teeth(level, t5=(-2.5, -1.5, 0.1), t6=(-2.5, 0.0, 0.0))
    lobe = crowded.jaw.teeth[3].lobes[1]
    blind = replace(crowded, jaw=replace(crowded.jaw, unsettled=False))
    counted, all_of_them = crest_truth(crowded, lobe), crest_truth(blind, lobe)
    assert len(counted.edges_mm) < len(all_of_them.edges_mm)
    grid, owner = crowded.crowns.grid, crowded.crowns.tooth.float()
    for k in range(4):
        at = torch.as_tensor(counted.edges_mm[:, k, :2], dtype=torch.float32)
        at = at[torch.isfinite(at).all(1)]
        assert (sample(grid, owner, at[:, 0], at[:, 1], mode="nearest") == 4).all()


def test_some_rows_are_out_of_order(animal):
    """800 animals: 3 sigma of a share of 0.14 are 0.037."""
    teeth, changed = list(animal.jaw.teeth), []
    for k in range(800):
        after, shift = unsettled(np.random.default_rng(k), teeth)
        changed.append(after is not teeth)
        assert all(np.degrees(abs(t.turn)) <= MOST_TURNED_DEG + 1e-9 for t in after)
        assert all(abs(t.out_mm) <= MOST_OUT_MM + 1e-9 for t in after)
        assert all(abs(t.y) + 0.5 * t.width <= FARTHEST_SIDE_MM + 1e-9 for t in after if t.out_mm)
        np.testing.assert_allclose([t.x0 for t in after], [t.x0 for t in teeth] + shift[:, 0])
    assert np.mean(changed) == pytest.approx(UNSETTLED_SHARE, abs=0.037)


@pytest.mark.parametrize("out_mm", [-3.0, 3.0])
def test_bone_goes_with_a_tooth_out_of_line(level, out_mm):
    """Half a millimetre beside the crown there is bone at the gum line, as there is without the shift."""
    heights = []
    for across in (0.0, out_mm):
        shown = with_teeth(level, t3=(0.0, across, 0.0))
        bone = jaw_fields(shown.jaw, shown.crowns, np.random.default_rng(6), CPU, fleshy=False)
        tooth = shown.jaw.teeth[2]
        side = tooth.y + np.sign(out_mm) * (0.5 * tooth.width + 0.5)
        at = torch.tensor([tooth.x0 + 0.5 * tooth.length]), torch.tensor([side])
        heights.append(float(sample(bone.grid, bone.surface, *(a.float() for a in at))))
    assert heights[1] > level.jaw.gum_z - 4.0
    assert heights[1] == pytest.approx(heights[0], abs=2.5)
