"""Pictures with their labels: what the generator draws and what training takes."""

from __future__ import annotations

from dataclasses import dataclass

from torch import Tensor

IGNORE = 255
"""Label of a pixel of which nothing is said; a loss leaves it out."""


@dataclass(slots=True, kw_only=True)
class Labelled:
    """
    Pictures with their labels, all on one device, ready for the losses.

    Parameters
    ----------
    image : Tensor of float32, shape (N, 3, H, W)
        sRGB in 0..1.
    material, tooth, state : Tensor of uint8, shape (N, H, W)
        Class numbers; tooth 0..6; `IGNORE` where not to be judged.
    lingual : Tensor of uint8, shape (N, H, W)
        1 on the tongue side, 0 on the cheek side, `IGNORE` elsewhere.
    lobe : Tensor of float32, shape (N, H, W)
        Heat 0..1, 1 at a lobe's centre; NaN where unknown.
    tilt : Tensor of float32, shape (N, 2, H, W)
        View direction (vx, vy); means something where tooth is 1..6; NaN where unknown.
    blur : Tensor of float32, shape (N,)
        log2 of the sigma of all blur together; NaN where unknown. [log2 px]
    void : Tensor of bool, shape (N, H, W)
        Pixels that no loss looks at.
    """

    image: Tensor
    material: Tensor
    tooth: Tensor
    lingual: Tensor
    lobe: Tensor
    state: Tensor
    tilt: Tensor
    blur: Tensor
    void: Tensor
