"""Photographs on disk as training pictures: labels stay on their pixels, what is unknown stays unknown."""

from __future__ import annotations

import json
import math

import cv2
import numpy as np
import pytest
import torch
from toy_jaws import draw_toy

from crestgauge.inference.errors import InputError
from crestgauge.inference.maps import CROP_SIZE
from crestgauge.inference.nominal import nominal_centres_px
from crestgauge.model.labels import CHANNELS, N_CHANNELS
from crestgauge.training.augment import AugmentConfig, augment
from crestgauge.training.batch import pack
from crestgauge.training.files import (
    FileDraw,
    LabelledPhoto,
    as_batch,
    level_frame,
    list_photos,
    read_view,
    vary,
)
from crestgauge.training.losses import LossConfig, total_loss

CPU = torch.device("cpu")
TURN_DEG, SCALE = 130.0, 0.4
"""How the jaw lies in the photo, against the levelled crop."""


def photo_points(points: np.ndarray) -> np.ndarray:
    """Crop points in the photo of the fixture, shape (N, 2)."""
    angle = np.deg2rad(TURN_DEG)
    turn = SCALE * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return (points - [768, 224]) @ turn.T + [320, 300]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """
    One photo: six discs in grey of 30 times their number on black, upper half of each (in the crop) brighter.
    """
    path = tmp_path_factory.mktemp("files")
    for name in ("photos", "labels", "truth"):
        (path / name).mkdir()
    tooth = np.zeros((600, 640), np.uint8)
    centres = photo_points(np.stack([nominal_centres_px(), np.full(6, 223.5)], 1))
    for number, (x, y) in enumerate(centres, 1):
        cv2.circle(tooth, (round(x), round(y)), 22, number, -1)
    image = np.repeat((tooth * 30)[..., None], 3, axis=2)
    cv2.imwrite(str(path / "photos" / "a.png"), image)
    cv2.imwrite(str(path / "labels" / "a.tooth.png"), tooth)
    cv2.imwrite(str(path / "labels" / "a.material.png"), np.where(tooth > 0, 4, 1).astype(np.uint8))
    states = ["erupted"] * 5 + ["erupting"]
    teeth = [{"position": k + 1, "state": states[k], "lobe_centres": [centres[k].tolist()]} for k in range(6)]
    angle = np.deg2rad(TURN_DEG)
    view = [0.2 * math.cos(angle), 0.2 * math.sin(angle)]  # along the row, towards tooth 6
    truth = {"side": "left", "view": view, "blur_px": 3.0, "teeth": teeth}
    (path / "truth" / "a.json").write_text(json.dumps(truth))
    return path


def test_the_row_is_levelled_with_its_labels(folder):
    """
    Discs of 22 px radius drawn at whole pixels: their middles are known to half a photo pixel, 1.3 crop px.
    """
    view = read_view(list_photos(folder)[0], "fine")
    assert view.tooth.shape == view.image.shape[:2] == CROP_SIZE[::-1]
    for number, x in enumerate(nominal_centres_px(), 1):
        rows, columns = np.nonzero(view.tooth == number)
        assert (columns.mean(), rows.mean()) == (pytest.approx(x, abs=2.0), pytest.approx(223.5, abs=2.0))
        inside = view.image[rows, columns].mean()
        assert inside == pytest.approx(30 * number, rel=0.05)  # cubic resampling at the discs' edges
    assert set(np.unique(view.material[view.tooth > 0])) == {4}


def test_edges_of_photo_and_labels_are_one(tmp_path):
    """
    Discs whose pixels are as bright as the share of them that lies inside, labels by pixel middles: in the
    crop both have the same area and middle. Tolerance: stairs of a label edge average out over a rim of 200
    px or more to 0.03 px; a shift of half a pixel, in crop or photo, would be 0.3 px or more.
    """
    for name in ("photos", "labels"):
        (tmp_path / name).mkdir()
    scale, angle = 1.7, np.deg2rad(17)  # photo px per crop px
    y, x = np.mgrid[:1100, :2600].astype(np.float64)
    inside, tooth = np.zeros(x.shape), np.zeros(x.shape, np.uint8)
    for number, along in enumerate((nominal_centres_px() - 768) * scale, 1):
        centre = (1300.3 + along * np.cos(angle), 550.2 + along * np.sin(angle))
        depth = (30 + 3 * number) * scale - np.hypot(x - centre[0], y - centre[1])
        inside = np.maximum(inside, np.clip(depth + 0.5, 0, 1))
        tooth[depth > 0] = number
    image = np.repeat((20 + 200 * inside).round().astype(np.uint8)[..., None], 3, axis=2)
    cv2.imwrite(str(tmp_path / "photos" / "a.png"), image)
    cv2.imwrite(str(tmp_path / "labels" / "a.tooth.png"), tooth)
    cv2.imwrite(str(tmp_path / "labels" / "a.material.png"), np.where(tooth > 0, 4, 0).astype(np.uint8))
    view = read_view(list_photos(tmp_path)[0], "fine")
    bright = np.clip((view.image[..., 0].astype(np.float64) - 20) / 200, 0, 1)
    for number, middle in enumerate(nominal_centres_px(), 1):
        window = np.s_[:, round(middle) - 60 : round(middle) + 61]
        weights = [bright[window], (view.tooth[window] == number).astype(np.float64)]
        rows, columns = np.mgrid[: weights[0].shape[0], : weights[0].shape[1]]
        seen, said = (
            ((w * columns).sum() / w.sum(), (w * rows).sum() / w.sum(), np.sqrt(w.sum() / np.pi))
            for w in weights
        )
        assert seen == pytest.approx(said, abs=0.12)


def test_outside_the_photo_has_the_colour_that_a_reading_gives_it(folder, tmp_path):
    """A photo that ends beside the row, grey at its edge: the mean of its outermost pixels, 70."""
    for name in ("photos", "labels"):
        (tmp_path / name).mkdir()
    tooth = np.zeros((80, 700), np.uint8)
    for number in range(1, 7):
        cv2.circle(tooth, (100 * number, 40), 20, number, -1)
    cv2.imwrite(str(tmp_path / "photos" / "a.png"), np.full((80, 700, 3), 70, np.uint8))
    for kind in ("tooth", "material"):
        cv2.imwrite(
            str(tmp_path / "labels" / f"a.{kind}.png"), np.minimum(tooth, 5) if kind == "material" else tooth
        )
    view = read_view(list_photos(tmp_path)[0], "fine")
    outside = view.image[view.material == 255]
    assert len(outside) > 1000 and outside.min() == outside.max() == 70


def test_truth_goes_along(folder):
    view = read_view(list_photos(folder)[0], "fine")
    assert view.view == (pytest.approx(0.2, abs=0.005), pytest.approx(0.0, abs=0.005))
    assert view.blur == pytest.approx(math.log2(3.0 / SCALE), abs=0.02)
    assert set(np.unique(view.state[view.tooth == 6])) == {1} and set(
        np.unique(view.state[view.tooth == 2])
    ) == {0}
    assert set(np.unique(view.state[view.tooth == 0])) == {255}
    y, x = np.nonzero(view.lobe > 0.98)
    assert {int(np.argmin(np.abs(nominal_centres_px() - c))) for c in x} == set(range(6)) and abs(
        y - 223.5
    ).max() < 8
    upper, lower = (view.lingual[part][view.tooth[part] > 0] for part in (slice(0, 210), slice(238, None)))
    assert set(np.unique(upper)) == {1} and set(np.unique(lower)) == {0}  # a left jaw: tongue side up


def test_without_truth_nothing_is_made_up(folder):
    known = list_photos(folder)[0]
    view = read_view(
        LabelledPhoto(photo=known.photo, material=known.material, tooth=known.tooth, truth=None), "fine"
    )
    assert np.isnan(view.lobe).all() and np.isnan(view.view).all() and math.isnan(view.blur)
    assert set(np.unique(view.lingual)) == set(np.unique(view.state)) == {255}


def test_coarse_view_is_letterboxed_and_the_pad_is_void(folder):
    view = read_view(list_photos(folder)[0], "coarse")
    assert view.image.shape == (512, 512, 3)
    assert set(np.unique(view.material[485:])) == {255} and set(np.unique(view.material[:475, :505])) == {
        1,
        4,
    }


def test_level_frame_needs_two_teeth_and_keeps_angles():
    one = np.zeros((50, 50), np.uint8)
    one[10:20, 10:20] = 4
    assert level_frame(one) is None
    one[10:20, 30:40] = 3  # tooth 3 to the right of tooth 4: the crop is turned by half a turn
    matrix = level_frame(one).matrix
    assert (
        matrix[0, 0] < 0 and matrix[0, 0] == pytest.approx(matrix[1, 1]) and matrix[0, 1] == pytest.approx(0)
    )


def test_variation_moves_labels_with_the_picture(folder):
    """
    Where a distorted picture is bright, its labels say tooth; seeds repeat. Seen over 8 seeds: 98 % agree or
    more.
    """
    view = read_view(list_photos(folder)[0], "fine")
    changed = 0
    for seed in range(8):
        one = vary(view, seed)
        assert np.array_equal(one.tooth, vary(view, seed).tooth)
        changed += not np.array_equal(one.tooth, view.tooth)
        big = one.tooth >= 4
        assert (one.image[..., 1][big] > 60).mean() > 0.95
    assert changed >= 2


def test_photos_and_drawings_mix_by_batch(folder):
    """With share 1/2 some of 12 seeds give the photo, some the stand-in; the same seed, the same."""

    def draw(seed, count, device):
        return draw_toy(seed, count, device)

    mixed = FileDraw(folder, "fine", 0.5, draw)
    widths = [int(mixed(seed, 1, CPU).image.shape[-1]) for seed in range(12)]
    assert set(widths) == {96, 1536}
    seed = widths.index(1536)
    assert torch.equal(mixed(seed, 1, CPU).image, mixed(seed, 1, CPU).image)


def test_losses_leave_out_what_a_photo_does_not_say(folder):
    """Without a truth file only the labelled blocks get a gradient, and all stays finite."""
    known = list_photos(folder)[0]
    bare = LabelledPhoto(photo=known.photo, material=known.material, tooth=known.tooth, truth=None)
    packed = pack(as_batch([read_view(bare, "coarse")], CPU))
    truth = augment(packed, AugmentConfig(patches=0), torch.Generator().manual_seed(1))
    raw = torch.zeros(1, N_CHANNELS, *truth.tooth.shape[1:], requires_grad=True)
    total, _ = total_loss(raw, truth, LossConfig())
    total.backward()
    assert math.isfinite(total.item()) and bool(raw.grad.isfinite().all())
    moved = {name: float(raw.grad[:, block].abs().max()) > 0 for name, block in CHANNELS.items()}
    assert moved == dict.fromkeys(CHANNELS, False) | {"material": True, "tooth": True}


@pytest.mark.parametrize(
    ("labels", "words"),
    [
        (np.full((600, 640), 9, np.uint8), r"value 9; needs 0\.\.6 or 255"),
        (np.zeros((60, 64), np.uint8), "needs an 8-bit grey PNG of shape"),
    ],
)
def test_wrong_label_maps_are_named(folder, tmp_path, labels, words):
    known = list_photos(folder)[0]
    path = tmp_path / "a.tooth.png"
    cv2.imwrite(str(path), labels)
    with pytest.raises(InputError, match=words):
        read_view(LabelledPhoto(photo=known.photo, material=known.material, tooth=path, truth=None), "fine")


def test_missing_files_are_named(tmp_path):
    with pytest.raises(InputError, match=r"no labels/\*\.material\.png"):
        list_photos(tmp_path)
    (tmp_path / "labels").mkdir()
    (tmp_path / "labels" / "b.material.png").write_bytes(b"")
    with pytest.raises(InputError, match=r"photos/b\.jpg is missing"):
        list_photos(tmp_path)
    with pytest.raises(InputError, match="another source"):
        FileDraw(tmp_path, "fine", 0.5)
