"""Labels of parts: what nobody labelled teaches nothing, head by head, from the file to the loss."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
import torch
from toy_jaws import draw_toy

from crestgauge.model.labels import CHANNELS, N_CHANNELS
from crestgauge.training.augment import AugmentConfig, augment
from crestgauge.training.batch import IGNORE, as_labelled, crown_code, crown_labels, pack, unpack
from crestgauge.training.files import list_photos, read_view
from crestgauge.training.losses import LossConfig, total_loss
from crestgauge.training.pool import generator_for

CPU = torch.device("cpu")
HEADS = {
    "material": ("material",),
    "tooth": ("tooth",),
    "lingual": ("lingual",),
    "state": ("state",),
    "lobe": ("lobe",),
    "tilt": ("tilt", "tilt_log_sigma"),
}


def test_every_combination_of_known_and_unknown_survives_the_small_form():
    """All 8 x 3 x 4 combinations, there and back."""
    grid = torch.cartesian_prod(
        torch.tensor([*range(7), 255]), torch.tensor([0, 1, 255]), torch.tensor([0, 1, 2, 255])
    ).to(torch.uint8)
    back = crown_labels(crown_code(*grid.T))
    for before, after in zip(grid.T, back, strict=True):
        assert torch.equal(before, after)


def toy_with_unknown(head: str, half: slice):
    """The toy jaws with one head's labels unknown in one half of the picture."""
    drawn = draw_toy(3, 2, CPU)
    labels = getattr(drawn, head)
    if labels.dtype == torch.uint8:
        labels[..., half] = IGNORE
    else:
        labels[..., half] = torch.nan
    return drawn


@pytest.mark.parametrize("head", HEADS)
@pytest.mark.parametrize("varied", [False, True])
def test_unknown_labels_of_one_head_move_only_the_others(head, varied):
    """
    The gradient of the loss is exactly 0 on this head's channels where its labels are unknown, and not 0 for
    the other heads there. Varied pictures are not moved, so that the half stays where it is.
    """
    still = AugmentConfig(
        share=0.5, turn_deg=0.0, zoom=1.0, shift=0.0, mirror_rows=False, patches=0, jpeg_quality=(90, 95)
    )
    packed = pack(toy_with_unknown(head, slice(0, 48)))
    truth = augment(packed, still, generator_for(1, 1)) if varied else unpack(packed)
    raw = torch.zeros(2, N_CHANNELS, 64, 96, requires_grad=True)
    total, _ = total_loss(raw, truth, LossConfig())
    total.backward()
    # 4 px away from the border: heat is enlarged from a quarter of the resolution.
    gradient = raw.grad[..., 2:44].abs()
    own = [CHANNELS[name] for name in HEADS[head]]
    assert max(float(gradient[:, block].max()) for block in own) == 0
    # Material that is not labelled is void: no loss looks at such a pixel, but for tilt and blur of a crown.
    if head != "material":
        assert float(gradient[:, CHANNELS["material"]].max()) > 0
    assert float(raw.grad[..., 52:][:, own[0]].abs().max()) > 0


def test_unknown_material_in_whole_pictures_gives_a_finite_loss():
    drawn = toy_with_unknown("material", slice(None))
    raw = torch.zeros(2, N_CHANNELS, 64, 96, requires_grad=True)
    total, parts = total_loss(raw, replace(as_labelled(drawn)), LossConfig())
    total.backward()
    assert total.isfinite() and raw.grad.isfinite().all()
    assert float(parts["material"]) == float(parts["dice"]) == 0


def test_a_file_with_one_labelled_tooth(tmp_path):
    """Tooth numbers, state and lobes are known on the labelled teeth only; the rest of the jaw is unknown."""
    for name in ("photos", "labels", "truth"):
        (tmp_path / name).mkdir()
    tooth = np.full((300, 900), 255, np.uint8)
    material = np.full_like(tooth, 255)
    for number, x in ((4, 400), (5, 560)):
        tooth[120:180, x : x + 120] = number
        material[120:180, x : x + 120] = 4
    cv2.imwrite(str(tmp_path / "photos" / "a.png"), np.full((300, 900, 3), 90, np.uint8))
    cv2.imwrite(str(tmp_path / "labels" / "a.tooth.png"), tooth)
    cv2.imwrite(str(tmp_path / "labels" / "a.material.png"), material)
    teeth = [
        {"position": 4, "state": "erupted", "lobe_centres": [[430, 150], [490, 150]]},
        {"position": 5, "state": None, "lobe_centres": None},
    ]
    (tmp_path / "truth" / "a.json").write_text(json.dumps({"side": None, "view": None, "teeth": teeth}))
    view = read_view(list_photos(tmp_path)[0], "fine")
    assert set(np.unique(view.tooth)) == {0, 4, 5, 255}  # 0: outside the photo, where material is 255
    assert set(np.unique(view.material)) == {4, 255}
    assert set(np.unique(view.material[view.tooth == 0])) == {255}
    assert np.isnan(view.lobe[view.tooth == 5]).all() and np.isnan(view.lobe[view.tooth == 255]).all()
    assert np.isfinite(view.lobe[view.tooth == 4]).all() and view.lobe[view.tooth == 4].max() > 0.9
    assert set(np.unique(view.state[view.tooth == 4])) == {0}
    assert set(np.unique(view.state[view.tooth == 5])) == {255}
    assert set(np.unique(view.lingual)) == {255}
