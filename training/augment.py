"""
Fresh variation of drawn pictures each time they are used, on whatever device they are on.

Drawing a jaw is slow and training is fast, so each picture is used several times; what changes between uses
is what a camera, a phone and a hand would change: colour, light, sharpness, noise, compression, a small turn,
a thing in front. Labels follow: a turn or a mirror changes the view direction, blur adds to the blur label, a
thing in front is background.

The fine network must keep tooth 1 at the left, so its pictures are only mirrored top to bottom (which is the
other side of the jaw). The coarse one may see any turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from crestgauge.model.labels import Material
from crestgauge.training.batch import IGNORE, Labelled, Packed, crown_code, crown_labels, unpack
from crestgauge.training.jpeg import jpeg_like

BILINEAR_VARIANCE = 1 / 6
"""Mean variance that bilinear resampling at a random offset adds: the mean of f (1 - f) over f in 0..1.
[px^2]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class AugmentConfig:
    """
    How far each change may go; every strength is drawn anew for every picture.

    Parameters
    ----------
    share : float
        Share of pictures that get each optional change. 0 = pictures go through unchanged.
    turn_deg : float
        Largest turn to either side. [degree]
    zoom : float
        Largest enlargement or reduction, as a factor >= 1.
    shift : float
        Largest shift as a share of the height.
    mirror_rows, mirror_columns : bool
        Mirror top to bottom / left to right, each in half of the pictures.
    gamma, gain, cast, mixing, contrast : float
        Log-range of gamma and exposure; range of colour cast, of leaking between channels, of contrast.
    shading : float
        Range of a slow brightness field over the picture.
    local_contrast : float
        Range of local contrast (subtracting or adding what is left after a wide blur).
    grey : float
        Share of pictures made grey.
    blur_px : float
        Largest sigma of added Gaussian blur. [px]
    sharpen : float
        Largest unsharp mask.
    noise : float
        Largest sigma of added noise, 0..1.
    jpeg_quality : tuple of int
        Lowest and highest quality of the compression.
    patches : int
        Most things laid over a picture.
    surroundings : float
        Share of pictures whose ground, and whose jaw, each get a colour and brightness of their own, without
        regard to what looks right: crowns darker than the ground, gum of any hue. Crowns stay as they are.
    materials : float
        Share of pictures in which each material of the crowns, by itself, gets a grain and a tone of its own.
        What tells enamel from dentine elsewhere than here is where they lie, not what they look like.
    """

    share: float = 0.5
    turn_deg: float = 4.0
    zoom: float = 1.15
    shift: float = 0.06
    mirror_rows: bool = True
    mirror_columns: bool = False
    gamma: float = 0.45
    gain: float = 0.35
    cast: float = 0.18
    mixing: float = 0.12
    contrast: float = 0.35
    shading: float = 0.35
    local_contrast: float = 0.5
    grey: float = 0.06
    blur_px: float = 2.2
    sharpen: float = 1.5
    noise: float = 0.06
    jpeg_quality: tuple[int, int] = (25, 95)
    patches: int = 2
    surroundings: float = 0.0
    materials: float = 0.0


class Dice:
    """Random numbers of one batch, one per picture, from one generator."""

    def __init__(self, count: int, share: float, generator: torch.Generator) -> None:
        self.count, self.share, self.generator = count, share, generator
        self.device = generator.device

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Numbers in low..high, shape (N, *shape)."""
        return low + (high - low) * torch.rand(
            (self.count, *shape), device=self.device, generator=self.generator
        )

    def normal(self, *shape: int) -> Tensor:
        """Standard normal numbers, shape (N, *shape)."""
        return torch.randn((self.count, *shape), device=self.device, generator=self.generator)

    def chosen(self, share: float | None = None) -> Tensor:
        """Which pictures get a change, shape (N,), bool."""
        return self.uniform(0, 1) < (self.share if share is None else share)


def augment(packed: Packed, config: AugmentConfig, generator: torch.Generator) -> Labelled:
    """
    One varied version of each picture.

    Parameters
    ----------
    packed : Packed
    config : AugmentConfig
    generator : torch.Generator
        On the device of the pictures.
    """
    truth = unpack(packed)
    if config.share <= 0:
        return truth
    dice = Dice(len(packed), config.share, generator)
    truth = move(truth, config, dice)
    cover(truth, config, dice)
    image = truth.image
    if config.surroundings > 0:
        image = change_surroundings(image, truth, config, dice)
    if config.materials > 0:
        image = change_materials(image, truth, config, dice)
    image = change_light(image, config, dice)
    image = change_sharpness(image, truth, config, dice)
    image = add_noise(image, config, dice)
    quality = dice.uniform(*config.jpeg_quality)
    truth.image = torch.where(_each(dice.chosen()), jpeg_like(image, quality), image).clamp(0, 1)
    return truth


def move(truth: Labelled, config: AugmentConfig, dice: Dice) -> Labelled:
    """Turn, zoom, shift and mirror pictures with their labels; what comes from outside is void."""
    height, width = truth.image.shape[-2:]
    moved = dice.chosen().float()
    angle = torch.deg2rad(dice.uniform(-config.turn_deg, config.turn_deg)) * moved
    zoom = torch.exp(dice.uniform(-1, 1) * math.log(config.zoom) * moved)
    shift = dice.uniform(-config.shift, config.shift, 2) * height * moved[:, None]
    rows = torch.where(dice.chosen(0.5), -1.0, 1.0) if config.mirror_rows else torch.ones_like(angle)
    columns = torch.where(dice.chosen(0.5), -1.0, 1.0) if config.mirror_columns else torch.ones_like(angle)
    turn = turn_matrix(angle, columns, rows)
    theta = sampling_matrix(turn, zoom, shift, width, height)
    grid = functional.affine_grid(theta, [len(angle), 3, height, width], align_corners=False)
    return resample(truth, grid, turn, zoom, moved)


def turn_matrix(angle: Tensor, columns: Tensor, rows: Tensor) -> Tensor:
    """
    What a mirror (first) and a turn do to a direction of the picture, x right and y down, shape (N, 2, 2).

    Parameters
    ----------
    angle : Tensor, shape (N,)
        Positive turns x towards y. [rad]
    columns, rows : Tensor, shape (N,)
        -1 mirrors left to right / top to bottom, 1 does not.
    """
    cos, sin = torch.cos(angle), torch.sin(angle)
    return torch.stack(
        [torch.stack([cos * columns, -sin * rows], -1), torch.stack([sin * columns, cos * rows], -1)], -2
    )


def sampling_matrix(turn: Tensor, zoom: Tensor, shift: Tensor, width: int, height: int) -> Tensor:
    """Where each new pixel comes from, in the -1..1 units of ``affine_grid``, shape (N, 2, 3)."""
    back = turn.transpose(1, 2) / zoom[:, None, None]  # a mirror-and-turn is its own transpose's inverse
    half = torch.tensor([width / 2, height / 2], device=turn.device)
    linear = back * (half[None, None, :] / half[None, :, None])
    offset = -(back @ shift[:, :, None])[:, :, 0] / half
    return torch.cat([linear, offset[:, :, None]], dim=2)


def resample(truth: Labelled, grid: Tensor, turn: Tensor, zoom: Tensor, moved: Tensor) -> Labelled:
    """``truth`` on the pixels of ``grid``; directions turned, blur enlarged."""

    def smooth(planes: Tensor) -> Tensor:
        return functional.grid_sample(
            planes, grid, mode="bilinear", padding_mode="border", align_corners=False
        )

    def nearest(labels: Tensor) -> Tensor:
        planes = labels.float().unsqueeze(1)
        out = functional.grid_sample(planes, grid, mode="nearest", padding_mode="border", align_corners=False)
        return out[:, 0].round().to(torch.uint8)

    outside = (grid.abs() > 1).any(dim=-1)
    tooth, lingual, state = crown_labels(nearest(crown_code(truth.tooth, truth.lingual, truth.state)))
    material = nearest(truth.material.masked_fill(truth.void, IGNORE)).masked_fill(outside, IGNORE)
    tilt = functional.grid_sample(
        truth.tilt, grid, mode="nearest", padding_mode="border", align_corners=False
    )
    variance = torch.exp2(2 * truth.blur) * zoom.square() + BILINEAR_VARIANCE * moved
    return Labelled(
        image=smooth(truth.image),
        material=material,
        tooth=tooth,
        lingual=lingual,
        lobe=smooth(truth.lobe.unsqueeze(1))[:, 0],
        state=state,
        tilt=torch.einsum("nij,njhw->nihw", turn, tilt),
        blur=0.5 * torch.log2(variance),
        void=material == IGNORE,
    )


def cover(truth: Labelled, config: AugmentConfig, dice: Dice) -> None:
    """Lay flat or speckled things over pictures, in place; what they hide is background."""
    height, width = truth.image.shape[-2:]
    y = torch.arange(height, device=dice.device)[None, :, None]
    x = torch.arange(width, device=dice.device)[None, None, :]
    for _ in range(config.patches):
        centre = dice.uniform(0, 1, 2)
        size = dice.uniform(0.02, 0.16, 2) * height * dice.chosen().float()[:, None]
        colour, speckle = dice.uniform(0, 1, 3), dice.uniform(0, 0.15)
        across = ((x - centre[:, 0, None, None] * width) / size[:, 0, None, None].clamp(min=1e-3)).abs()
        along = ((y - centre[:, 1, None, None] * height) / size[:, 1, None, None].clamp(min=1e-3)).abs()
        round_one = dice.chosen(0.5)[:, None, None]
        hidden = torch.where(round_one, across.square() + along.square(), torch.maximum(across, along)) < 1
        surface = colour[:, :, None, None] + speckle[:, None, None, None] * dice.normal(3, height, width)
        truth.image = torch.where(hidden[:, None], surface.clamp(0, 1), truth.image)
        truth.material = truth.material.masked_fill(hidden & ~truth.void, int(Material.BACKGROUND))
        truth.tooth = truth.tooth.masked_fill(hidden, 0)
        truth.lingual = truth.lingual.masked_fill(hidden, IGNORE)
        truth.state = truth.state.masked_fill(hidden, IGNORE)
        truth.lobe = truth.lobe.masked_fill(hidden, 0.0)


def change_surroundings(image: Tensor, truth: Labelled, config: AugmentConfig, dice: Dice) -> Tensor:
    """
    Ground and jaw in other colours, each by itself; the change fades over the picture's own blur, so that
    the border of a crown keeps its sharpness.
    """
    sharpness = torch.exp2(truth.blur).nan_to_num(nan=1.0).clamp(0.3, 3.0)
    for material in (Material.BACKGROUND, Material.JAW):
        on = _each(dice.chosen(config.surroundings).float())
        gain = (
            torch.exp(_each(dice.uniform(-0.9, 0.9)))
            * torch.exp(dice.uniform(-0.35, 0.35, 3))[..., None, None]
        )
        lift = dice.uniform(-0.25, 0.25, 3)[..., None, None]
        where = (truth.material == int(material)).float()[:, None].expand_as(image)
        image = image + on * gaussian_blur(where, sharpness) * ((gain - 1) * image + lift)
    return image.clamp(0, 1)


_TONES = {
    Material.CROWN_WALL: (0.35, 0.10, 0.25),
    Material.INFUNDIBULUM: (0.50, 0.15, 0.35),
    Material.ENAMEL_BAND: (0.05, 0.04, 0.14),
    Material.DENTINE: (0.05, 0.10, 0.25),
}
"""Per material: log-range of brightness, log-range of colour, largest strength of grain. Brightness of enamel
and dentine moves little: where they come out alike, nobody could say where one ends."""

_GRAINS_PX = (3, 10, 32)
"""Sizes of grain that are mixed: pores, scratches and spots, clouds. [px]"""


def change_materials(image: Tensor, truth: Labelled, config: AugmentConfig, dice: Dice) -> Tensor:
    """
    Crown wall, infundibulum, enamel and dentine with a grain and a tone of their own, each by itself.

    The change fades over the picture's own blur, as in `change_surroundings`: an edge keeps its place and
    its sharpness.
    """
    sharpness = torch.exp2(truth.blur).nan_to_num(nan=1.0).clamp(0.3, 3.0)
    for material, (tone, colour, strength) in _TONES.items():
        on = _each(dice.chosen(config.materials).float())
        gain = dice.uniform(-tone, tone)[:, None] + dice.uniform(-colour, colour, 3)
        change = (
            torch.exp(gain[..., None, None] + grain(strength, (image.shape[-2], image.shape[-1]), dice)) - 1
        )
        where = (truth.material == int(material)).float()[:, None]
        image = image + on * gaussian_blur(where, sharpness) * change * image
    return image.clamp(0, 1)


def grain(strength: float, size: tuple[int, int], dice: Dice) -> Tensor:
    """
    Smooth noise of several sizes, drawn out in one direction in some pictures, shape (N, 1, H, W).

    Parameters
    ----------
    strength : float
        Largest standard deviation; each picture draws its own.
    size : tuple of int
        Rows and columns.
    """
    height, width = size
    parts = []
    for px in _GRAINS_PX:
        long = int(torch.randint(1, 4, (1,), device=dice.device, generator=dice.generator))
        cells = dice.normal(1, max(height // px, 1), max(width // (px * long), 1))
        parts.append(functional.interpolate(cells, size=size, mode="bilinear", align_corners=False))
    share = dice.uniform(0, 1, len(parts)).square()
    share = share / share.square().sum(dim=1, keepdim=True).sqrt().clamp(min=1e-3)
    mixed = torch.einsum("nk,nkhw->nhw", share, torch.cat(parts, dim=1))[:, None]
    return _each(dice.uniform(0, strength)) * mixed


def change_light(image: Tensor, config: AugmentConfig, dice: Dice) -> Tensor:
    """Exposure, gamma, colour cast, leaking channels, contrast, slow shading, local contrast, grey."""

    def part(strength: float, *shape: int) -> Tensor:
        on = dice.chosen().float().reshape(-1, *([1] * len(shape)))
        return dice.uniform(-strength, strength, *shape) * on

    height, width = image.shape[-2:]
    image = image.clamp(1e-4, 1) ** torch.exp(_each(part(config.gamma)))
    gain = torch.exp(part(config.gain))[:, None] * (1 + part(config.cast, 3))
    mixing = torch.eye(3, device=image.device) + part(config.mixing, 3, 3)
    mixing = mixing / mixing.sum(dim=2, keepdim=True).clamp(min=0.3)
    image = torch.einsum("nij,njhw->nihw", mixing * gain[:, :, None], image)
    mean = image.mean(dim=(2, 3), keepdim=True)
    image = mean + (image - mean) * torch.exp(_each(part(config.contrast)))
    field = functional.interpolate(
        part(config.shading, 1, 3, 5), size=(height, width), mode="bicubic", align_corners=True
    )
    image = image * (1 + field)
    cell = max(height // 14, 1)
    small = functional.avg_pool2d(image, cell, ceil_mode=True)
    wide = functional.interpolate(small, size=(height, width), mode="bilinear", align_corners=False)
    image = image + _each(part(config.local_contrast)) * (image - wide)
    luma = (image * image.new_tensor([0.299, 0.587, 0.114])[:, None, None]).sum(dim=1, keepdim=True)
    return torch.where(_each(dice.chosen(config.grey)), luma.expand_as(image), image).clamp(0, 1)


def change_sharpness(image: Tensor, truth: Labelled, config: AugmentConfig, dice: Dice) -> Tensor:
    """Blur some pictures and sharpen others; the blur label of ``truth`` follows the blur."""
    # Squared, so that slight blur is common and strong blur rare.
    sigma = config.blur_px * dice.uniform(0, 1).square() * dice.chosen()
    image = gaussian_blur(image, sigma)
    truth.blur = 0.5 * torch.log2(torch.exp2(2 * truth.blur) + sigma.square())
    amount = dice.uniform(0, config.sharpen) * dice.chosen()
    halo = gaussian_blur(image, dice.uniform(0.6, 2.0))
    return (image + _each(amount) * (image - halo)).clamp(0, 1)


def gaussian_blur(image: Tensor, sigma: Tensor) -> Tensor:
    """
    Each picture blurred by its own sigma; a sigma below 0.05 px leaves it as it is.

    Parameters
    ----------
    image : Tensor, shape (N, 3, H, W)
    sigma : Tensor, shape (N,)
        [px] At most 3: the kernel has 19 taps, always, so that no length has to be fetched from the device.
    """
    count, planes, height, width = image.shape
    reach = 9
    offset = torch.arange(-reach, reach + 1, device=image.device)
    kernel = torch.exp(-0.5 * (offset[None] / sigma.clamp(min=0.05)[:, None]).square())
    kernel = (kernel / kernel.sum(dim=1, keepdim=True)).repeat_interleave(planes, dim=0)
    flat = image.reshape(1, count * planes, height, width)
    flat = functional.pad(flat, (reach, reach, reach, reach), mode="replicate")
    flat = functional.conv2d(flat, kernel[:, None, None, :], groups=count * planes)
    flat = functional.conv2d(flat, kernel[:, None, :, None], groups=count * planes)
    return flat.reshape(image.shape)


def add_noise(image: Tensor, config: AugmentConfig, dice: Dice) -> Tensor:
    """Noise that grows with light, per channel or common, as fine as a pixel or as coarse as two."""
    height, width = image.shape[-2:]
    sigma = config.noise * dice.uniform(0, 1).square() * dice.chosen()
    fine = dice.normal(3, height, width)
    coarse = functional.interpolate(
        dice.normal(3, (height + 1) // 2, (width + 1) // 2),
        scale_factor=2.0,
        mode="bilinear",
        align_corners=False,
    )[..., :height, :width]
    noise = torch.where(_each(dice.chosen(0.4)), 1.3 * coarse, fine)
    noise = torch.where(_each(dice.chosen(0.5)), noise[:, :1].expand_as(noise), noise)
    return (image + _each(sigma) * noise * (0.3 + image).sqrt()).clamp(0, 1)


def _each(values: Tensor) -> Tensor:
    """One value per picture, shaped to meet (N, C, H, W)."""
    return values[:, None, None, None]
