"""Stand-in for the generator in tests of the training code: coloured blocks, whose colour IS their label."""

from __future__ import annotations

from types import SimpleNamespace

import torch

from crestgauge.inference.errors import InputError
from crestgauge.training.config import TrainConfig

COLOURS = torch.tensor(
    [
        [0.1, 0.2, 0.1],
        [0.7, 0.4, 0.4],
        [0.6, 0.6, 0.5],
        [0.95, 0.95, 0.9],
        [0.4, 0.2, 0.1],
        [0.05, 0.05, 0.05],
    ]
)


def draw_toy(
    seed: int, count: int, device: torch.device, *, height: int = 64, width: int = 96
) -> SimpleNamespace:
    """
    A strip of six teeth, each with the four crown materials side by side; heights and places vary with the
    seed.
    """
    generator = torch.Generator().manual_seed(seed)
    material = torch.zeros(count, height, width, dtype=torch.uint8)
    tooth = torch.zeros_like(material)
    lingual = torch.full_like(material, 255)
    state = torch.full_like(material, 255)
    lobe = torch.zeros(count, height, width)
    top = torch.randint(8, height // 2 - 8, (count,), generator=generator)
    columns = torch.arange(width)
    for k in range(count):
        rows = slice(int(top[k]), int(top[k]) + height // 2)
        material[k, rows] = 2 + (columns // 4 % 4).to(torch.uint8)
        tooth[k, rows] = (1 + columns * 6 // width).to(torch.uint8)
        lingual[k, rows] = 0
        lingual[k, int(top[k]) : int(top[k]) + height // 4] = 1
        state[k, rows] = 0
        lobe[k, rows, width // 12 :: width // 6] = 1
    tilt = torch.zeros(count, 2, height, width)
    tilt[:, 0], tilt[:, 1] = 0.1, -0.2
    image = COLOURS[material.long()].permute(0, 3, 1, 2) + 0.02 * torch.randn(
        count, 3, height, width, generator=generator
    )
    void = torch.zeros(count, height, width, dtype=torch.bool)
    void[:, :, :2] = True
    drawn = SimpleNamespace(
        image=image.clamp(0, 1),
        material=material,
        tooth=tooth,
        lingual=lingual,
        lobe=lobe,
        state=state,
        tilt=tilt,
        blur=torch.full((count,), 0.5),
        void=void,
    )
    return SimpleNamespace(**{name: value.to(device) for name, value in vars(drawn).items()})


def draws_two_batches(seed: int, count: int, device: torch.device) -> SimpleNamespace:
    """The stand-in, until its third seed; here because drawing processes must be able to import it."""
    if seed == 52:
        raise InputError("no such jaw")
    return draw_toy(seed, count, device)


def stand_in(config: TrainConfig):
    """The stand-in for any settings; here because training processes must be able to import it."""
    return draw_toy


def broken_without(config: TrainConfig):
    """The stand-in, but no jaw at all where a condition is left out."""
    if "hold_out" in config.draw:
        raise InputError("no such jaw")
    return draw_toy
