"""Losses on 4 x 4 maps counted by hand."""

from __future__ import annotations

import math

import pytest
import torch

from crestgauge.model.labels import CHANNELS, N_CHANNELS, Material
from crestgauge.training.batch import IGNORE, Labelled
from crestgauge.training.losses import (
    LossConfig,
    blur_loss,
    class_loss,
    dice_loss,
    heat_loss,
    masked_mean,
    material_near_bands,
    tilt_loss,
    total_loss,
)

EXACT = 1e-6
"""Single precision over sixteen pixels."""


def truth(material: torch.Tensor, **changes: torch.Tensor) -> Labelled:
    """One 4 x 4 picture; teeth nowhere unless given."""
    shape = material.shape
    values = {
        "image": torch.zeros(shape[0], 3, *shape[1:]),
        "material": material,
        "tooth": torch.zeros_like(material),
        "lingual": torch.full_like(material, IGNORE),
        "lobe": torch.zeros(shape),
        "state": torch.full_like(material, IGNORE),
        "tilt": torch.zeros(shape[0], 2, *shape[1:]),
        "blur": torch.full((shape[0],), math.nan),
        "void": torch.zeros(shape, dtype=torch.bool),
    }
    return Labelled(**(values | changes))


def certain(labels: torch.Tensor, classes: int) -> torch.Tensor:
    """Logits that are all but certain of ``labels``."""
    return 50.0 * torch.nn.functional.one_hot(labels.long(), classes).permute(0, 3, 1, 2).float()


def test_class_loss_is_the_weighted_mean_over_valid_pixels():
    """Two classes, even odds everywhere: ln 2 whatever the weights; ignored pixels do not dilute it."""
    labels = torch.zeros(1, 4, 4, dtype=torch.uint8)
    labels[0, 0, :2] = 1
    labels[0, 3] = IGNORE
    assert float(class_loss(torch.zeros(1, 2, 4, 4), labels)) == pytest.approx(math.log(2), abs=EXACT)
    # Logit 1 for class 0: surprise a on the 10 pixels of class 0 and b on the 2 of class 1, weights 1 and 5.
    logits = torch.zeros(1, 2, 4, 4)
    logits[:, 0] = 1
    a, b = math.log(1 + math.exp(-1)), math.log(1 + math.e)
    found = float(class_loss(logits, labels, torch.tensor([1.0, 5.0])))
    assert found == pytest.approx((10 * a + 2 * 5 * b) / (10 + 2 * 5), abs=EXACT)


def test_class_loss_without_a_valid_pixel_is_zero_and_harmless():
    logits = torch.zeros(1, 3, 4, 4, requires_grad=True)
    loss = class_loss(logits, torch.full((1, 4, 4), IGNORE, dtype=torch.uint8))
    loss.backward()
    assert loss.item() == 0 and float(logits.grad.abs().max()) == 0


def test_dice_counts_overlap_of_present_crown_materials_only():
    """
    Enamel 4 pixels, dentine 4 pixels, background 8. The net says background, plus dentine on 2 of its 4
    pixels and on 2 of enamel's: dentine 1 - 2*2/(4+4) = 1/2, enamel 1 - 0 = 1; wall and infundibulum are
    absent and not counted.
    """
    material = torch.zeros(1, 4, 4, dtype=torch.uint8)
    material[0, 0], material[0, 1] = Material.ENAMEL_BAND, Material.DENTINE
    said = torch.zeros_like(material)
    said[0, 0, :2] = said[0, 1, :2] = Material.DENTINE
    loss = float(dice_loss(certain(said, len(Material)), truth(material)))
    assert loss == pytest.approx((0.5 + 1.0) / 2, abs=EXACT)


def test_dice_leaves_void_pixels_out():
    """The same picture with the wrong two enamel pixels and dentine's unsaid two void: dentine is perfect."""
    material = torch.zeros(1, 4, 4, dtype=torch.uint8)
    material[0, 1] = Material.DENTINE
    said = torch.zeros_like(material)
    said[0, 0, :2] = said[0, 1, :2] = Material.DENTINE
    void = torch.zeros(1, 4, 4, dtype=torch.bool)
    void[0, 0, :2] = void[0, 1, 2:] = True
    assert float(dice_loss(certain(said, len(Material)), truth(material, void=void))) == pytest.approx(
        0, abs=EXACT
    )


def test_heat_loss_is_zero_at_the_truth_and_weighs_hot_pixels():
    heat = torch.full((1, 4, 4), 0.3)
    valid = torch.ones(1, 4, 4, dtype=torch.bool)
    assert float(heat_loss(torch.logit(heat), heat, valid)) == pytest.approx(0, abs=EXACT)
    # Heat 1 answered with probability 1/2: ln 2 times the weight 0.2 + 1.
    assert float(heat_loss(torch.zeros(1, 4, 4), torch.ones(1, 4, 4), valid)) == pytest.approx(
        1.2 * math.log(2), abs=EXACT
    )


@pytest.mark.parametrize("beta", [0.0, 0.5, 1.0])
def test_tilt_loss_by_hand_and_its_best_sigma(beta):
    """
    Error (0.3, 0.4), sigma 0.5: (0.25 / (2 * 0.25) + 2 ln 0.5) * 0.5^(2 beta); least at sigma^2 = 0.25 / 2.
    """
    view, true = torch.zeros(1, 2, 4, 4), torch.zeros(1, 2, 4, 4)
    true[:, 0], true[:, 1] = 0.3, 0.4
    valid = torch.zeros(1, 4, 4, dtype=torch.bool)
    valid[0, 1, 1:3] = True
    log_sigma = torch.full((1, 4, 4), math.log(0.5))
    found = float(tilt_loss(view, log_sigma, true, valid, beta=beta))
    assert found == pytest.approx((0.5 + 2 * math.log(0.5)) * 0.5 ** (2 * beta), abs=EXACT)
    best = torch.full((1, 4, 4), 0.5 * math.log(0.125), requires_grad=True)
    tilt_loss(view, best, true, valid, beta=beta).backward()
    assert float(best.grad.abs().max()) < EXACT


def test_blur_is_judged_on_crowns_else_everywhere_and_not_when_unknown():
    said = torch.tensor([2.0, 3.0, 4.0])[:, None, None].repeat(1, 4, 4)
    said[0, 0, 0] = 7.0
    crown = torch.zeros(3, 4, 4, dtype=torch.bool)
    crown[0, 0, 0] = True  # picture 0: one crown pixel, off by 6; picture 1: no crown, all 16 off by 1
    true = torch.tensor([1.0, 2.0, math.nan])
    assert float(blur_loss(said, true, crown)) == pytest.approx((6 + 16 * 1) / 17, abs=EXACT)


def test_masked_mean_of_nothing_is_zero():
    assert float(masked_mean(torch.ones(4), torch.zeros(4, dtype=torch.bool))) == 0


@pytest.mark.parametrize("kind", [torch.float32, torch.bfloat16])
def test_total_is_finite_for_extreme_outputs_of_either_precision(kind):
    """
    Outputs of +-60, as an untrained net under mixed precision may give, must not overflow to inf or NaN.
    """
    generator = torch.Generator().manual_seed(5)
    raw = (120 * torch.rand(2, N_CHANNELS, 4, 4, generator=generator) - 60).to(kind).requires_grad_()
    material = torch.randint(0, 6, (2, 4, 4), generator=generator).to(torch.uint8)
    labels = truth(
        material,
        tooth=(material > 1).to(torch.uint8),
        lingual=(material > 3).to(torch.uint8),
        state=torch.zeros_like(material),
        blur=torch.tensor([0.5, math.nan]),
    )
    total, parts = total_loss(raw, labels, LossConfig(slow_stride=1))
    total.backward()
    assert math.isfinite(total.item()) and all(math.isfinite(float(v)) for v in parts.values())
    assert bool(raw.grad.isfinite().all())


def test_lingual_and_state_count_on_crowns_only():
    """Nothing but background: no gradient reaches lingual, state and tilt, whatever their maps hold."""
    raw = torch.zeros(1, N_CHANNELS, 4, 4, requires_grad=True)
    empty = torch.zeros(1, 4, 4, dtype=torch.uint8)
    labels = truth(empty, lingual=empty.clone(), state=empty.clone(), tilt=torch.ones(1, 2, 4, 4))
    total_loss(raw, labels, LossConfig(slow_stride=1))[0].backward()
    for name in ("lingual", "state", "tilt", "tilt_log_sigma"):
        assert float(raw.grad[:, CHANNELS[name]].abs().max()) == 0, name
    assert float(raw.grad[:, CHANNELS["tooth"]].abs().max()) > 0


def test_near_bands_keeps_what_decides_widths():
    """One enamel pixel at (5, 4): rows 3..7 and columns 2..6 stay, all else is not judged."""
    material = torch.full((2, 12, 12), int(Material.JAW), dtype=torch.uint8)
    material[0, 5, 4] = int(Material.ENAMEL_BAND)
    material[0, 4, 4] = IGNORE
    near = material_near_bands(material, 2)
    kept = torch.zeros(12, 12, dtype=torch.bool)
    kept[3:8, 2:7] = True
    kept[4, 4] = False
    assert torch.equal(near[0] != IGNORE, kept)
    assert torch.equal(near[0][kept], material[0][kept])
    assert (near[1] == IGNORE).all()
    assert int((material == IGNORE).sum()) == 1  # the given labels are as they were


def test_edges_are_judged_again_with_equal_weights():
    """
    Even odds everywhere cost ln 6 a pixel, so the term adds its weight times ln 6, whatever the classes
    weigh; a picture without bands adds nothing.
    """
    material = torch.zeros(1, 4, 4, dtype=torch.uint8)
    material[0, 0] = int(Material.DENTINE)
    raw = torch.zeros(1, N_CHANNELS, 4, 4)
    uneven = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
    for given, wanted in ((material, 0.7 * math.log(6)), (torch.zeros_like(material), 0.0)):
        labels = truth(given)
        plain, _ = total_loss(raw, labels, LossConfig(slow_stride=1, material_classes=uneven))
        more, parts = total_loss(raw, labels, LossConfig(slow_stride=1, material_classes=uneven, edges=0.7))
        assert float(more - plain) == pytest.approx(wanted, abs=EXACT)
        assert float(parts["edges"]) == pytest.approx(wanted / 0.7, abs=EXACT)
