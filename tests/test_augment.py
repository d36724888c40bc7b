"""Augmentation: labels go where the picture goes; the compression against Pillow's."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
import torch
from PIL import Image
from toy_jaws import draw_toy

from crestgauge.model.labels import Material
from crestgauge.training.augment import (
    AugmentConfig,
    Dice,
    augment,
    change_materials,
    change_surroundings,
    gaussian_blur,
    move,
    turn_matrix,
)
from crestgauge.training.batch import IGNORE, as_labelled, pack, unpack
from crestgauge.training.jpeg import CHROMA_TABLE, LUMA_TABLE, jpeg_like, scaled_table

CPU = torch.device("cpu")
STILL = {"turn_deg": 0.0, "zoom": 1.0, "shift": 0.0, "share": 1.0}


def generator(seed: int = 0) -> torch.Generator:
    return torch.Generator().manual_seed(seed)


def test_packing_keeps_every_label():
    drawn = draw_toy(1, 3, CPU)
    back = unpack(pack(drawn))
    assert torch.equal(back.tooth, drawn.tooth)
    assert torch.equal(back.lingual, drawn.lingual) and torch.equal(back.state, drawn.state)
    assert torch.equal(back.void, drawn.void)
    assert torch.equal(back.material[~drawn.void], drawn.material[~drawn.void])
    assert bool((back.material[drawn.void] == IGNORE).all())
    # Kept in 8 bits: image 1/255, directions 1/127; half a step each.
    assert float((back.image - drawn.image).abs().max()) <= 0.5 / 255 + 1e-6
    crown = (drawn.tooth > 0)[:, None].expand_as(drawn.tilt)
    assert float((back.tilt - drawn.tilt)[crown].abs().max()) <= 0.5 / 127 + 1e-6


def test_share_zero_changes_nothing():
    packed = pack(draw_toy(2, 2, CPU))
    same = augment(packed, AugmentConfig(share=0.0), generator())
    assert torch.equal(same.image, unpack(packed).image) and torch.equal(same.material, packed.material)


def mirrored(seed: int, config: AugmentConfig) -> tuple:
    drawn = as_labelled(draw_toy(seed, 1, CPU))
    return drawn, move(drawn, config, Dice(1, 1.0, generator(seed)))


def test_mirror_top_to_bottom_turns_the_other_jaw_up():
    """Seeds are tried until one mirrors: rows reversed everywhere, vy negated, vx and blur kept."""
    config = AugmentConfig(mirror_rows=True, **STILL)
    for seed in range(20):
        drawn, out = mirrored(seed, config)
        if not torch.equal(out.tooth, drawn.tooth):
            break
    for name in ("tooth", "lingual", "state", "void"):
        assert torch.equal(getattr(out, name), getattr(drawn, name).flip(1)), name
    assert torch.allclose(out.image, drawn.image.flip(2), atol=1e-5)
    assert torch.allclose(out.tilt[:, 0], drawn.tilt[:, 0].flip(1), atol=1e-6)
    assert torch.allclose(out.tilt[:, 1], -drawn.tilt[:, 1].flip(1), atol=1e-6)


def test_other_surroundings_leave_the_crowns_as_they_are():
    """
    Blur of 0.5 px fades within the 9 px that the kernel reaches, by far: 6 sigma are 3 px. The ground
    changes in some of eight pictures.
    """
    truth = unpack(pack(draw_toy(5, 8, CPU)))
    truth.blur = torch.full_like(truth.blur, -1.0)
    config = AugmentConfig(surroundings=0.5)
    image = change_surroundings(truth.image, truth, config, Dice(8, 0.5, generator(1)))
    around = (truth.material < int(Material.CROWN_WALL)) | truth.void
    near = torch.nn.functional.max_pool2d(around.float()[:, None], 7, stride=1, padding=3) > 0
    inside = ~near.expand_as(image)
    assert bool(inside.any())
    assert float((image - truth.image)[inside].abs().max()) < 1e-4
    where = (truth.material == int(Material.BACKGROUND))[:, None].expand_as(image)  # toys have no bone
    moved = [float((image - truth.image)[k][where[k]].abs().mean()) for k in range(8)]
    assert 0 < sum(m > 0.01 for m in moved) < 8


def test_other_materials_stay_within_their_borders():
    """
    Ground and bone are left alone beyond the 3 px over which a blur of 0.5 px fades; enamel changes in some
    of eight pictures, and in the mean by a factor of exp(0.09 + 2 x 0.14) at most (two standard deviations of
    its grain).
    """
    truth = unpack(pack(draw_toy(5, 8, CPU)))
    truth.blur = torch.full_like(truth.blur, -1.0)
    image = change_materials(truth.image, truth, AugmentConfig(materials=0.5), Dice(8, 0.5, generator(1)))
    crowns = (truth.material >= int(Material.CROWN_WALL)) & ~truth.void
    near = torch.nn.functional.max_pool2d(crowns.float()[:, None], 7, stride=1, padding=3) > 0
    away = ~near.expand_as(image)
    assert bool(away.any())
    assert float((image - truth.image)[away].abs().max()) < 1e-4
    factors = []
    for k in range(8):
        enamel = (truth.material[k] == int(Material.ENAMEL_BAND)) & ~truth.void[k]
        factors.append(float(image[k][:, enamel].mean() / truth.image[k][:, enamel].mean()))
    assert all(math.exp(-0.37) < factor < math.exp(0.37) for factor in factors)
    assert 0 < sum(abs(factor - 1) > 0.01 for factor in factors) < 8


def test_fine_pictures_keep_tooth_1_at_the_left():
    """Over 40 draws with the default settings, the mean column of tooth 1 stays left of that of tooth 6."""
    packed = pack(draw_toy(4, 4, CPU))
    columns = torch.arange(96).float()
    for seed in range(10):
        out = augment(packed, AugmentConfig(), generator(seed))
        for tooth in out.tooth:
            first, last = (tooth == 1).float().sum(0), (tooth == 6).float().sum(0)
            if first.sum() and last.sum():
                assert (first * columns).sum() / first.sum() < (last * columns).sum() / last.sum()


def test_a_quarter_turn_carries_directions_and_pixels_alike():
    """
    A quarter turn of x towards y (clockwise on the screen): what lay to the right lies below. On a square
    picture that is numpy's rot90 with k = -1; the direction (0.1, -0.2) becomes (0.2, 0.1).
    """
    drawn = as_labelled(draw_toy(3, 1, CPU, height=64, width=64))
    turn = turn_matrix(torch.tensor([math.pi / 2]), torch.ones(1), torch.ones(1))
    from crestgauge.training.augment import resample, sampling_matrix

    theta = sampling_matrix(turn, torch.ones(1), torch.zeros(1, 2), 64, 64)
    grid = torch.nn.functional.affine_grid(theta, [1, 3, 64, 64], align_corners=False)
    out = resample(drawn, grid, turn, torch.ones(1), torch.zeros(1))
    assert torch.equal(out.tooth[0], torch.from_numpy(np.rot90(drawn.tooth[0].numpy(), -1).copy()))
    crown = out.tooth[0] > 0
    assert out.tilt[0][:, crown].mean(1).tolist() == pytest.approx([0.2, 0.1], abs=1e-5)


def test_zoom_about_the_middle_scales_widths_and_blur():
    """Doubling: a label strip of 4 columns becomes 8, and log2 blur rises by 1 plus what resampling adds."""
    drawn = as_labelled(draw_toy(3, 1, CPU))
    from crestgauge.training.augment import resample, sampling_matrix

    turn = turn_matrix(torch.zeros(1), torch.ones(1), torch.ones(1))
    theta = sampling_matrix(turn, torch.tensor([2.0]), torch.zeros(1, 2), 96, 64)
    grid = torch.nn.functional.affine_grid(theta, [1, 3, 64, 96], align_corners=False)
    out = resample(drawn, grid, turn, torch.tensor([2.0]), torch.ones(1))
    row = out.material[0, 32]
    changes = (row[1:] != row[:-1]).nonzero()[:, 0]
    assert set(torch.diff(changes).tolist()) == {8}
    assert float(out.blur) == pytest.approx(0.5 * math.log2(4 * 2.0 + 1 / 6), abs=1e-5)  # 2^(2 * 0.5) = 2


def test_outside_is_void_and_covered_is_background():
    config = AugmentConfig(shift=0.5, turn_deg=0.0, zoom=1.0, share=1.0, mirror_rows=False)
    drawn = as_labelled(draw_toy(6, 4, CPU))
    out = move(drawn, config, Dice(4, 1.0, generator(1)))
    assert bool(out.void.any()) and bool((out.material[out.void] == IGNORE).all())
    assert bool((out.void.sum((1, 2)) > drawn.void.sum((1, 2))).all())


def test_the_same_generator_gives_the_same_picture():
    packed = pack(draw_toy(2, 2, CPU))
    one, two = (augment(packed, AugmentConfig(), generator(7)) for _ in range(2))
    assert torch.equal(one.image, two.image) and torch.equal(one.material, two.material)
    other = augment(packed, AugmentConfig(), generator(8))
    assert not torch.equal(one.image, other.image)


def test_blur_has_the_sigma_it_says():
    """
    A single bright pixel spreads to a variance of sigma^2 per axis; 1 % for the sampled, cut-off kernel.
    """
    image = torch.zeros(3, 3, 41, 41)
    image[:, :, 20, 20] = 1
    sigma = torch.tensor([0.8, 1.7, 0.0])
    out = gaussian_blur(image, sigma)
    place = torch.arange(41).float() - 20
    for k in range(2):
        assert float((out[k, 0].sum(0) * place**2).sum()) == pytest.approx(float(sigma[k]) ** 2, rel=0.01)
    assert torch.allclose(out[2], image[2])


def natural(height: int = 64, width: int = 96) -> np.ndarray:
    """A smooth colour field with edges and grain, 8 bits."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:height, :width] / 16
    base = np.stack([np.sin(x) + np.cos(y), np.sin(x + y), np.cos(2 * x - y)], -1) * 50 + 128
    base[20:40, 30:60] = (230, 220, 200)
    return np.clip(base + rng.normal(0, 6, base.shape), 0, 255).round().astype(np.uint8)


@pytest.mark.parametrize("quality", [50, 20, 85])
def test_tables_are_those_that_pillow_writes(quality):
    """
    Reference: Pillow (libjpeg) writes the tables of ITU-T T.81, scaled by quality, into its files; exact.
    """
    buffer = io.BytesIO()
    Image.fromarray(natural()).save(buffer, "JPEG", quality=quality)
    tables = Image.open(io.BytesIO(buffer.getvalue())).quantization
    for number, table in enumerate((LUMA_TABLE, CHROMA_TABLE)):
        ours = scaled_table(table, torch.tensor([float(quality)]))[0].int().flatten().tolist()
        assert ours == list(tables[number])


@pytest.mark.parametrize("quality", [30, 75])
def test_compression_does_what_pillow_does(quality):
    """
    Reference: a file written and read by Pillow. In grey, they differ by Pillow's rounding to 8 bits, which
    is 0.25 grey levels in the mean. In colour with halved chroma, also by how chroma is enlarged, at strong
    edges: a third of what the compression itself changed (5 grey levels here) at most.
    """
    grey = np.repeat(natural()[..., :1], 3, axis=2)
    for picture, limit in ((grey, 0.05), (natural(), 0.33)):
        buffer = io.BytesIO()
        Image.fromarray(picture).save(buffer, "JPEG", quality=quality, subsampling=2)
        reference = np.asarray(Image.open(io.BytesIO(buffer.getvalue())).convert("RGB")).astype(float)
        image = torch.from_numpy(picture).permute(2, 0, 1)[None].float() / 255
        ours = jpeg_like(image, torch.tensor([float(quality)]))[0].permute(1, 2, 0).numpy() * 255
        changed = np.abs(reference - picture).mean()
        assert np.abs(ours - reference).mean() < 0.27 + limit * changed
