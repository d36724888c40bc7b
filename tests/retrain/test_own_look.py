"""Drawn pictures in the look of own photos: colours by their law, grain by theory, labels untouched."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
import torch
from scipy.linalg import sqrtm

from crestgauge.training.batch import Packed, crown_code
from crestgauge.training.own_look import CrownLook, colour_map, crown_look, in_look, restyled
from crestgauge.training.prints import CONTRAST, GRAIN, GREY, PAPER, as_print

SIZE = (96, 256)


def picture(seed: int = 1) -> torch.Tensor:
    """Coloured slow variation with a little grain, far from black and white, shape (3, H, W)."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    slow = np.stack([np.sin(x / (20 + 7 * k) + k) + np.cos(y / (15 + 4 * k)) for k in range(3)])
    image = 0.5 + 0.08 * slow + 0.005 * rng.normal(size=slow.shape)
    return torch.from_numpy(image.astype(np.float32))


def everywhere() -> torch.Tensor:
    return torch.ones(SIZE, dtype=torch.bool)


def halves() -> torch.Tensor:
    """Enamel at the left, dentine at the right."""
    label = torch.full(SIZE, 3, dtype=torch.uint8)
    label[:, SIZE[1] // 2 :] = 4
    return label


def packed(images: torch.Tensor, tooth: int = 1) -> Packed:
    """Pictures of one tooth that fills them."""
    count, _, height, width = images.shape
    label = torch.full((count, height, width), tooth, dtype=torch.uint8)
    bands = torch.full_like(label, 3)
    bands[:, height // 2 :] = 4
    return Packed(
        image=images,
        material=bands,
        crown=crown_code(label, torch.zeros_like(label), torch.zeros_like(label)),
        slow=torch.zeros((count, 3, height // 4, width // 4), dtype=torch.uint8),
        blur=torch.zeros(count),
    )


def law(seed: int) -> torch.Tensor:
    factor = np.random.default_rng(seed).normal(size=(3, 3))
    return torch.from_numpy(factor @ factor.T + 0.1 * np.eye(3))


def test_the_colour_map_is_that_of_two_normal_laws():
    """A before A = after with A symmetric; the same matrix by scipy's matrix roots, up to the small floor."""
    before, after = law(1), law(2)
    found = colour_map(before, after)
    root = np.real(sqrtm(before.numpy()))
    wanted = np.linalg.inv(root) @ np.real(sqrtm(root @ after.numpy() @ root)) @ np.linalg.inv(root)
    np.testing.assert_allclose(found, wanted, atol=1e-4)
    np.testing.assert_allclose(found @ before @ found, after, atol=1e-4)
    # A grey law makes every colour grey.
    grey = torch.full((3, 3), 0.04, dtype=torch.float64)
    moved = colour_map(before, grey) @ torch.tensor([1.0, -2.0, 0.5], dtype=torch.float64)
    assert float(moved.std()) < 1e-6 < abs(float(moved.mean()))


def test_grain_of_a_print_is_measured_as_theory_says():
    """
    White noise of deviation s after a blur g has the variance s^2 / (4 pi g^2); between blurs 0 and 1 px it
    has s^2 / (4 pi) (1 / g^2 + 1 / (g^2 + 1) - 2 / (g^2 + 1/2)). Within 8 %: sampled kernels, rounding to
    whole levels, and the paper's mean tone of 0.87.
    """
    flat = np.full((*SIZE, 3), 110, dtype=np.uint8)
    found = as_print(flat, np.random.default_rng(3))
    look = crown_look(torch.from_numpy(found).permute(2, 0, 1).float() / 255, everywhere(), halves())
    assert look is not None
    g2 = 1.2**2
    variance = GRAIN**2 / (4 * np.pi) * (1 / g2 + 1 / (g2 + 1) - 2 / (g2 + 0.5))
    assert 255 * float(look.grey[0]) == pytest.approx(np.mean(PAPER) * np.sqrt(variance), rel=0.08)
    assert float(look.colour[0]) < 0.2 * float(look.grey[0])


def test_a_picture_gets_the_look_of_a_print():
    """
    Mean and contrast are those that making a print gives (levels, formula of the print); the grain comes to
    within 20 % of the print's in both octaves: that of the print is softened by 1.2 px, that which is laid
    over by 1 px at most.
    """
    image = picture()
    as_bytes = (255 * image).round().to(torch.uint8).permute(1, 2, 0).numpy()
    print_ = torch.from_numpy(as_print(as_bytes, np.random.default_rng(2))).permute(2, 0, 1).float() / 255
    to = crown_look(print_, everywhere(), halves())
    assert to is not None
    made = in_look(picture(7), everywhere(), halves(), to, torch.Generator().manual_seed(1))
    look = crown_look(made, everywhere(), halves())
    assert look is not None
    grey = np.tensordot((0.2126, 0.7152, 0.0722), as_bytes.reshape(-1, 3).T.astype(float), 1)
    wanted = (GREY + CONTRAST * (grey - GREY)).mean() * np.array(PAPER) - 0.5
    np.testing.assert_allclose(255 * look.mean.numpy(), wanted, atol=0.5)
    torch.testing.assert_close(look.grey, to.grey, rtol=0.20, atol=0)
    # Slow variation and grain together. How soft grain is shows in its two octaves only roughly.
    assert float(look.covariance.trace()) == pytest.approx(float(to.covariance.trace()), rel=0.15)


def look_like(mean: float) -> CrownLook:
    return CrownLook(
        mean=torch.full((3,), mean, dtype=torch.float64),
        covariance=1e-4 * torch.eye(3, dtype=torch.float64),
        grey=torch.zeros(2),
        colour=torch.zeros(2),
    )


def test_pictures_change_and_no_label_does():
    """Each picture gets the mean of one of two looks, half of 200 each: 79 to 121 is three deviations."""
    images = torch.randint(60, 190, (200, 3, 48, 48), dtype=torch.uint8)
    given = packed(images)
    made = restyled(given, [look_like(0.2), look_like(0.8)], torch.Generator().manual_seed(4))
    again = restyled(given, [look_like(0.2), look_like(0.8)], torch.Generator().manual_seed(4))
    assert torch.equal(made.image, again.image)
    means = (made.image.float().mean(dim=(1, 2, 3)) / 255).round(decimals=1)
    assert {round(float(m), 1) for m in means} == {0.2, 0.8}
    assert 79 <= int((means < 0.5).sum()) <= 121
    for each in fields(Packed):
        if each.name != "image":
            assert torch.equal(getattr(made, each.name), getattr(given, each.name))


def test_without_a_crown_there_is_no_look():
    bare = packed(torch.full((1, 3, 48, 48), 100, dtype=torch.uint8), tooth=0)
    made = restyled(bare, [look_like(0.8)], torch.Generator().manual_seed(1))
    assert torch.equal(made.image, bare.image)
    assert crown_look(picture(), torch.zeros(SIZE, dtype=torch.bool), halves()) is None
    assert crown_look(picture(), everywhere(), torch.full(SIZE, 4, dtype=torch.uint8)) is None
