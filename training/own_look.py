"""
Drawn pictures in the look of own photos: their colours, their contrast, their grain.

Labels of own photos are few, and edges drawn by a person wander by a pixel; those of drawn pictures are many
and exact, but show another look. A drawn picture that looks like the own photos has both: it teaches where a
band ends in that look, and it shows how a network misreads widths there, without anybody's labels.

The look is taken from crowns only: mean and covariance of the colours of enamel and dentine, each counting a
half, so that it is their contrast that is met and not how much there is of either (Monge-Kantorovich map
between two normal laws; Pitie and Kokaram 2007, "The linear Monge-Kantorovitch linear colour mapping for
example-based colour transfer", CVMP; from memory), and how strong grain is in two octaves. Sharpness is not
changed: training varies it anyway.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np
import torch
from numpy.typing import NDArray
from scipy.optimize import nnls
from torch import Tensor

from crestgauge.model.labels import Material
from crestgauge.training.augment import gaussian_blur
from crestgauge.training.batch import IGNORE, Packed, crown_labels
from crestgauge.training.files import View

GRAIN_PX: Final = (0.0, 1.0, 2.0)
"""Grain is measured between neighbouring ones of these blurs: as fine as a pixel, and as two. [crop px]"""
LEAST_PIXELS: Final = 2000
"""Crown pixels that a look needs."""
LEAST_OF_BAND: Final = 300
"""Pixels of enamel, and of dentine, that a look needs."""
LEAST_VARIANCE: Final = 1e-6
"""Keeps the colour map finite where drawn crowns hardly vary. [sRGB 0..1, squared]"""
_MAD: Final = 1.4826  # of a normal law, standard deviation by median absolute deviation


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CrownLook:
    """
    Colours of enamel and dentine, and grain of the crowns, of one picture.

    Parameters
    ----------
    mean : Tensor, shape (3,)
        sRGB in 0..1.
    covariance : Tensor, shape (3, 3)
    grey, colour : Tensor, shape (len(GRAIN_PX) - 1,)
        Standard deviation of the grain in each octave: of what channels have in common, and of what is left
        in each.
    """

    mean: Tensor
    covariance: Tensor
    grey: Tensor
    colour: Tensor


def crown_look(image: Tensor, crown: Tensor, material: Tensor) -> CrownLook | None:
    """
    The look of one picture; None where too little of a crown, of enamel or of dentine is seen.

    Parameters
    ----------
    image : Tensor, shape (3, H, W)
        sRGB in 0..1.
    crown : Tensor of bool, shape (H, W)
    material : Tensor of uint8, shape (H, W)
    """
    bands = [material == int(each) for each in (Material.ENAMEL_BAND, Material.DENTINE)]
    if int(crown.sum()) < LEAST_PIXELS or min(int(band.sum()) for band in bands) < LEAST_OF_BAND:
        return None
    colours = [image[:, band].double() for band in bands]
    mean = torch.stack([each.mean(dim=1) for each in colours]).mean(dim=0)
    squares = [(each - mean[:, None]) @ (each - mean[:, None]).T / each.shape[1] for each in colours]
    grey, colour = _grain(image, crown)
    return CrownLook(mean=mean, covariance=torch.stack(squares).mean(dim=0), grey=grey, colour=colour)


def looks_of_views(views: Sequence[View]) -> list[CrownLook]:
    """Looks of own photos as the network sees them, of those that show both bands."""
    looks = []
    for view in views:
        image = torch.from_numpy(view.image).permute(2, 0, 1).float() / 255
        tooth = torch.from_numpy(view.tooth)
        look = crown_look(image, (tooth > 0) & (tooth != IGNORE), torch.from_numpy(view.material))
        if look is not None:
            looks.append(look)
    return looks


def restyled(packed: Packed, looks: Sequence[CrownLook], roll: torch.Generator) -> Packed:
    """
    Drawn pictures, each in one of these looks, chosen at random; labels as they are.

    Parameters
    ----------
    packed : Packed
        A picture without dentine or enamel keeps its look.
    looks : sequence of CrownLook
        At least one.
    roll : Generator
        On the CPU: which look, and the grain.
    """
    images = packed.image.clone()
    for k in range(len(packed)):
        to = looks[int(torch.randint(len(looks), (1,), generator=roll))]
        tooth = crown_labels(packed.crown[k])[0]
        crown = (tooth > 0) & (tooth != IGNORE)
        image = in_look(packed.image[k].float() / 255, crown, packed.material[k], to, roll)
        images[k] = (255 * image).round().to(torch.uint8)
    return Packed(
        image=images, material=packed.material, crown=packed.crown, slow=packed.slow, blur=packed.blur
    )


def in_look(image: Tensor, crown: Tensor, material: Tensor, to: CrownLook, roll: torch.Generator) -> Tensor:
    """
    One picture in another look, shape (3, H, W), in 0..1: enamel and dentine get its mean, covariance and,
    where the crowns have less, its grain; everything else goes through the same map.
    """
    own = crown_look(image, crown, material)
    if own is None:
        return image
    change = colour_map(own.covariance, _without_grain(to).to(image.device)).to(image.dtype)
    mean, target = (each.to(image)[:, None, None] for each in (own.mean, to.mean))
    mapped = torch.einsum("ij,jhw->ihw", change, image - mean) + target
    # A print's grain is that of its paper: as strong in each channel as the channel is bright.
    tone = target / target.mean().clamp(min=1e-3)
    for k, size in enumerate(_sizes(to.grey.to(image) ** 2 - _grain(mapped, crown)[0] ** 2)):
        field = torch.randn((1, *image.shape[1:]), generator=roll)
        mapped = mapped + size * tone * _softened(k, field).to(image)
    for k, size in enumerate(_sizes(to.colour.to(image) ** 2 - _grain(mapped, crown)[1] ** 2)):
        field = torch.randn(image.shape, generator=roll)
        mapped = mapped + size * _softened(k, field - field.mean(dim=0)).to(image)
    return mapped.clamp(0, 1)


def colour_map(before: Tensor, after: Tensor) -> Tensor:
    """
    The symmetric matrix A that turns covariance ``before`` into ``after`` and moves colours least: A before A
    = after, shape (3, 3).
    """
    before = before + LEAST_VARIANCE * torch.eye(3, dtype=before.dtype, device=before.device)
    root, back = _power(before, 0.5), _power(before, -0.5)
    return back @ _power(root @ after @ root, 0.5) @ back


def _power(matrix: Tensor, exponent: float) -> Tensor:
    """Power of a symmetric matrix without negative eigenvalues."""
    values, vectors = torch.linalg.eigh(matrix)
    powers = values.clamp(min=0 if exponent > 0 else 1e-12) ** exponent
    found: Tensor = vectors @ torch.diag(powers) @ vectors.T
    return found


def _blurred(planes: Tensor, sigma: float) -> Tensor:
    return planes if sigma == 0 else gaussian_blur(planes[None], planes.new_tensor([sigma]))[0]


def _octaves(planes: Tensor) -> list[Tensor]:
    """What each octave of `GRAIN_PX` holds of (C, H, W)."""
    return [fine - coarse for fine, coarse in pairwise(_blurred(planes, sigma) for sigma in GRAIN_PX)]


def _softened(k: int, noise: Tensor) -> Tensor:
    """Grain as soft as the k-th of `GRAIN_PX`, with standard deviation 1, from white noise (C, H, W)."""
    grain = _blurred(noise, GRAIN_PX[k])
    return grain / grain.std()


@cache
def _shown() -> NDArray[np.float64]:
    """
    Variance that octave i shows of grain as soft as `GRAIN_PX` j, from fields of 512 x 512 px.

    Without the softest: what is coarser than two pixels is texture of teeth, and taken for grain it would
    drown bands in spots that no own photo has.
    """
    roll = torch.Generator().manual_seed(0)
    fields = [_softened(k, torch.randn((1, 512, 512), generator=roll)) for k in range(len(GRAIN_PX) - 1)]
    return np.array([[float(each.var()) for each in _octaves(field)] for field in fields]).T


def _without_grain(look: CrownLook) -> Tensor:
    """
    Covariance of the colours of a look less that of its grain, which comes by itself; at least a half of it.
    """
    tone = look.mean / look.mean.mean().clamp(min=1e-3)
    grain = sum(size**2 for size in _sizes(look.grey**2)) * torch.outer(tone, tone)
    whole, part = float(look.covariance.trace()), float(grain.trace())
    return look.covariance - grain * min(1.0, 0.5 * whole / max(part, 1e-9))


def _sizes(missing: Tensor) -> list[float]:
    """How much grain of each softness shows these variances in the octaves, as nearly as it can. [1 s]"""
    square, _ = nnls(_shown(), missing.double().cpu().numpy())
    return [float(each) for each in np.sqrt(square)]


def _grain(image: Tensor, crown: Tensor) -> tuple[Tensor, Tensor]:
    """Grain of grey and of colours by octave. By medians: edges of bands are a small part of a crown."""
    grey, colour = [], []
    for octave in _octaves(image):
        inside = octave[:, crown]
        common = inside.mean(dim=0)
        grey.append(_MAD * common.abs().median())
        colour.append(_MAD * (inside - common).abs().median())
    return torch.stack(grey), torch.stack(colour)
