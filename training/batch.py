"""
Drawn pictures on their way to the network: what a batch holds, and the small form it is kept in.

What a drawing function returns is taken by its field names, so that this package can be tested with any of
them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, Protocol

import torch
from torch import Tensor
from torch.nn import functional

from crestgauge.synthetic_data.labelled import IGNORE as IGNORE
from crestgauge.synthetic_data.labelled import Labelled as Labelled

NO_TOOTH_SAID, NO_SIDE_SAID, NO_STATE_SAID = 7, 2, 3
"""What `crown_code` keeps for `IGNORE`."""
SLOW_STRIDE = 4
"""Stride at which heat and tilt are kept; they vary slowly. [px]"""


class Drawn(Protocol):
    """What a drawing function returns; shapes and meaning as in `Labelled`, image in 0..1."""

    image: Tensor
    material: Tensor
    tooth: Tensor
    lingual: Tensor
    lobe: Tensor
    state: Tensor
    tilt: Tensor
    blur: Tensor
    void: Tensor


Draw = Callable[[int, int, torch.device], Drawn]
"""(seed, pictures, device) to a batch; the same seed gives the same pictures."""


@dataclass(slots=True, kw_only=True)
class Packed:
    """
    The same in 5.3 bytes per pixel.

    Parameters
    ----------
    image : Tensor of uint8, shape (N, 3, H, W)
    material : Tensor of uint8, shape (N, H, W)
        With `IGNORE` where void.
    crown : Tensor of uint8, shape (N, H, W)
        `crown_code`.
    slow : Tensor of uint8, shape (N, 3, H / 4, W / 4)
        Heat, vx, vy, as (value + 1) * 127; 255 = unknown.
    blur : Tensor of float32, shape (N,)
    """

    image: Tensor
    material: Tensor
    crown: Tensor
    slow: Tensor
    blur: Tensor

    def __len__(self) -> int:
        return int(self.image.shape[0])

    def to(self, device: torch.device) -> Packed:
        """The same pictures on ``device``."""
        return Packed(**{f.name: getattr(self, f.name).to(device) for f in fields(self)})

    def take(self, index: Tensor) -> Packed:
        """Pictures ``index``, copied."""
        return Packed(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def crown_code(tooth: Tensor, lingual: Tensor, state: Tensor) -> Tensor:
    """
    Three labels in one number: tooth (7 = ignore) + 8 * lingual (2 = ignore) + 32 * state (3 = ignore).

    A label that is not known, in any of the three, stays apart from the others: people label parts.
    """
    code = tooth.clamp(max=NO_TOOTH_SAID) + 8 * lingual.clamp(max=NO_SIDE_SAID)
    return (code + 32 * state.clamp(max=NO_STATE_SAID)).to(torch.uint8)


def crown_labels(code: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Tooth, lingual and state of `crown_code`, with `IGNORE`."""
    tooth, lingual, state = code & 7, (code >> 3) & 3, (code >> 5) & 3
    return (
        tooth.masked_fill(tooth >= NO_TOOTH_SAID, IGNORE),
        lingual.masked_fill(lingual >= NO_SIDE_SAID, IGNORE),
        state.masked_fill(state >= NO_STATE_SAID, IGNORE),
    )


def pack(drawn: Drawn) -> Packed:
    """Small form of freshly drawn pictures."""
    height, width = drawn.image.shape[-2:]
    grid = (height // SLOW_STRIDE, width // SLOW_STRIDE)
    slow = torch.cat([drawn.lobe.float().unsqueeze(1), drawn.tilt.float()], dim=1)
    # A mean over a cell would mix in the zeros outside a crown; the crown's own mean does not.
    crown = ((drawn.tooth > 0) & (drawn.tooth != IGNORE)).unsqueeze(1).float()
    inside = functional.adaptive_avg_pool2d(crown, grid)
    tilt = functional.adaptive_avg_pool2d(torch.where(crown > 0, slow[:, 1:], 0.0), grid) / inside.clamp(
        min=1e-6
    )
    heat = functional.adaptive_avg_pool2d(slow[:, :1], grid)
    small = torch.cat([heat, torch.where(inside > 0, tilt, 0.0)], dim=1)
    return Packed(
        image=(drawn.image.clamp(0, 1) * 255).round().to(torch.uint8),
        material=drawn.material.masked_fill(drawn.void.bool(), IGNORE).to(torch.uint8),
        crown=crown_code(drawn.tooth, drawn.lingual, drawn.state),
        slow=((small.clamp(-1, 1) + 1) * 127).round().nan_to_num(nan=255).to(torch.uint8),
        blur=drawn.blur.float(),
    )


def unpack(packed: Packed) -> Labelled:
    """Labels of the small form, at full resolution."""
    height, width = packed.image.shape[-2:]
    tooth, lingual, state = crown_labels(packed.crown)
    slow = torch.where(packed.slow == IGNORE, torch.nan, packed.slow.float() / 127 - 1)
    heat = functional.interpolate(slow[:, :1], size=(height, width), mode="bilinear", align_corners=False)
    tilt = functional.interpolate(slow[:, 1:], size=(height, width), mode="nearest")
    return Labelled(
        image=packed.image.float() / 255,
        material=packed.material,
        tooth=tooth,
        lingual=lingual,
        lobe=heat[:, 0],
        state=state,
        tilt=tilt,
        blur=packed.blur,
        void=packed.material == IGNORE,
    )


def as_labelled(drawn: Any) -> Labelled:
    """A generator's batch as `Labelled`, through no other form (for checks and for evaluation)."""
    return Labelled(**{f.name: getattr(drawn, f.name) for f in fields(Labelled)})
