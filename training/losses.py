"""
Losses of the label channels.

Every block is judged in float32 whatever the network computed in, only on pixels where its label means
something, and as a mean over those pixels, so that neither the size of a picture nor the number of ignored
pixels changes its weight. A block without a single valid pixel in the batch gives 0, with a gradient of 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional

from crestgauge.model.labels import CHANNELS, Material
from crestgauge.model.network import LOG_SIGMA_RANGE
from crestgauge.training.batch import IGNORE, Labelled

BAND_REACH_PX = 6
"""How far from a band's pixels its edges are judged: somewhat more than half a band of enamel, so that a band
that is missed, or seen where there is none, counts as well. [crop px]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class LossConfig:
    """
    Weights of the blocks and of the classes.

    Parameters
    ----------
    material, dice, tooth, lingual, lobe, state, tilt, blur : float
        Weight of each block in the sum; ``dice`` is the overlap term of the material block.
    edges : float
        Weight of the material once more where widths are decided (`near_bands`), all classes alike: bands
        are a small part of a picture, and what is measured is where they end. 0 = not judged.
    material_classes : tuple of float
        Weight of each `Material`. All four crown materials have ONE weight on purpose: a heavier enamel class
        would move the place where two probabilities are equal, and that place is the band edge that is
        measured.
    slow_stride : int
        Every how many-th pixel of the slowly varying blocks is judged, to save time.
    beta : float
        Exponent of the beta-NLL of tilt (Seitzer et al. 2022, "On the pitfalls of heteroscedastic uncertainty
        estimation", ICLR): 0 is the plain Gaussian likelihood, 1 weighs errors like a squared loss.
    """

    material: float = 1.0
    dice: float = 0.5
    tooth: float = 0.5
    lingual: float = 0.3
    lobe: float = 2.0
    state: float = 0.2
    tilt: float = 0.1
    blur: float = 0.1
    edges: float = 0.0
    material_classes: tuple[float, ...] = (0.6, 0.6, 1.5, 1.5, 1.5, 1.5)
    slow_stride: int = 2
    beta: float = 0.5


def total_loss(raw: Tensor, truth: Labelled, config: LossConfig) -> tuple[Tensor, dict[str, Tensor]]:
    """
    Weighted sum of all blocks.

    Parameters
    ----------
    raw : Tensor, shape (N, N_CHANNELS, H, W)
        Raw channels of the network, any float type.
    truth : Labelled
    config : LossConfig

    Returns
    -------
    tuple of Tensor and dict
        The sum, shape (), and each unweighted block, detached, by name.
    """
    step = slice(None, None, config.slow_stride)
    slow = raw[:, :, step, step]
    tooth = truth.tooth.masked_fill(truth.void, IGNORE)[:, step, step]
    crown = (tooth > 0) & (tooth != IGNORE)
    lingual = truth.lingual[:, step, step]
    state = truth.state[:, step, step]
    material = truth.material.masked_fill(truth.void, IGNORE)
    parts = {
        "material": material_loss(raw[:, CHANNELS["material"]], material, config.material_classes),
        "dice": dice_loss(raw[:, CHANNELS["material"]], truth),
        "tooth": class_loss(slow[:, CHANNELS["tooth"]], tooth, tooth_weights(tooth.device)),
        "lingual": binary_loss(slow[:, CHANNELS["lingual"]][:, 0], lingual, crown & (lingual != IGNORE)),
        "lobe": heat_loss(
            slow[:, CHANNELS["lobe"]][:, 0],
            truth.lobe[:, step, step],
            ~truth.void[:, step, step] & truth.lobe[:, step, step].isfinite(),
        ),
        "state": class_loss(slow[:, CHANNELS["state"]], state.masked_fill(~crown, IGNORE)),
        "tilt": tilt_loss(
            slow[:, CHANNELS["tilt"]],
            slow[:, CHANNELS["tilt_log_sigma"]][:, 0],
            truth.tilt[:, :, step, step],
            crown & truth.tilt[:, 0, step, step].isfinite(),
            beta=config.beta,
        ),
        "blur": blur_loss(slow[:, CHANNELS["blur"]][:, 0], truth.blur, crown),
    }
    if config.edges:
        equal = (1.0,) * len(Material)
        near = material_near_bands(truth.material).masked_fill(truth.void, IGNORE)
        parts["edges"] = material_loss(raw[:, CHANNELS["material"]], near, equal)
    total = torch.stack([getattr(config, name) * part for name, part in parts.items()]).sum()
    return total, {name: part.detach() for name, part in parts.items()}


def near_bands(truth: Labelled) -> Labelled:
    """``truth`` with its material known only where widths are decided (`material_near_bands`)."""
    return replace(truth, material=material_near_bands(truth.material))


def material_near_bands(material: Tensor, reach_px: int = BAND_REACH_PX) -> Tensor:
    """
    Labels no farther than ``reach_px`` rows and columns from enamel band or dentine, `IGNORE` elsewhere,
    shape (N, H, W). A picture with neither has none left.
    """
    bands = (material == int(Material.ENAMEL_BAND)) | (material == int(Material.DENTINE))
    near = (
        functional.max_pool2d(bands.float()[:, None], 2 * reach_px + 1, stride=1, padding=reach_px)[:, 0] > 0
    )
    return material.masked_fill(~near, IGNORE)


def tooth_weights(device: torch.device) -> Tensor:
    """
    Weights of none and teeth 1..6: crowns are a tenth of a picture, and which tooth it is matters more than
    where it ends.
    """
    return torch.tensor((0.3, *(1.5,) * 6), device=device)


def masked_mean(values: Tensor, valid: Tensor) -> Tensor:
    """Mean of ``values`` where ``valid``; 0 where nothing is valid."""
    chosen = torch.where(valid, values, torch.zeros_like(values))
    return chosen.sum() / valid.sum().clamp(min=1)


def material_loss(logits: Tensor, material: Tensor, weights: tuple[float, ...]) -> Tensor:
    """Cross entropy of the material block over its valid labels, weighted by class. [nat]"""
    weight = torch.tensor(weights, device=logits.device, dtype=torch.float32)
    return class_loss(logits, material, weight)


def class_loss(logits: Tensor, labels: Tensor, weight: Tensor | None = None) -> Tensor:
    """
    Cross entropy over the valid pixels; with ``weight``, the weighted mean. [nat]

    Parameters
    ----------
    logits : Tensor, shape (N, C, H, W)
    labels : Tensor of uint8, shape (N, H, W)
        `IGNORE` where not judged.
    weight : Tensor, shape (C,), optional
    """
    valid = labels != IGNORE
    target = torch.where(valid, labels, torch.zeros_like(labels)).long()
    surprise = functional.cross_entropy(logits.float(), target, reduction="none")
    share = valid.float() if weight is None else valid * weight[target]
    return (surprise * share).sum() / share.sum().clamp(min=1e-6)


def dice_loss(logits: Tensor, truth: Labelled) -> Tensor:
    """
    1 - soft overlap, mean over those crown materials that the batch has; thin bands count like wide areas.

    The overlap is 2 sum(p t) / (sum p + sum t) over all valid pixels of the batch.
    """
    valid = (truth.material != IGNORE) & ~truth.void
    probability = logits.float().softmax(dim=1)
    losses, present = [], []
    for material in range(int(Material.CROWN_WALL), len(Material)):
        said = probability[:, material] * valid
        true = (truth.material == material) & valid
        losses.append(1 - 2 * (said * true).sum() / (said.sum() + true.sum()).clamp(min=1e-6))
        present.append(true.any())
    return masked_mean(torch.stack(losses), torch.stack(present))


def binary_loss(logits: Tensor, labels: Tensor, valid: Tensor) -> Tensor:
    """Binary cross entropy where ``valid``; all shapes (N, H, W). [nat]"""
    surprise = functional.binary_cross_entropy_with_logits(
        logits.float(), (labels == 1).float(), reduction="none"
    )
    return masked_mean(surprise, valid)


def heat_loss(logits: Tensor, heat: Tensor, valid: Tensor) -> Tensor:
    """
    Cross entropy of a heat map less its own entropy (0 for a perfect answer), hot pixels weighted up; shapes
    (N, H, W).

    The weight depends on the true heat alone, so it does not move the answer that is best at a pixel.
    """
    heat = torch.where(valid, heat.float(), 0.0).clamp(0, 1)
    cross = functional.binary_cross_entropy_with_logits(logits.float(), heat, reduction="none")
    own = -(torch.special.xlogy(heat, heat) + torch.special.xlogy(1 - heat, 1 - heat))
    return masked_mean((cross - own) * (0.2 + heat), valid)


def tilt_loss(view: Tensor, log_sigma: Tensor, true: Tensor, valid: Tensor, *, beta: float) -> Tensor:
    """
    Gaussian negative log-likelihood of (vx, vy) with one sigma, weighted by sigma^(2 beta) without gradient.

    Parameters
    ----------
    view, true : Tensor, shape (N, 2, H, W)
    log_sigma : Tensor, shape (N, H, W)
        Held in `LOG_SIGMA_RANGE`.
    valid : Tensor of bool, shape (N, H, W)
    beta : float
    """
    held = log_sigma.float().clamp(*LOG_SIGMA_RANGE)
    known = torch.where(valid.unsqueeze(1), true.float(), 0.0)
    squared = (view.float() - known).square().sum(dim=1)
    likelihood = 0.5 * squared * torch.exp(-2 * held) + 2 * held
    return masked_mean(likelihood * torch.exp(2 * beta * held.detach()), valid)


def blur_loss(log2_sigma: Tensor, true: Tensor, crown: Tensor) -> Tensor:
    """
    Absolute error of log2 blur on crown pixels, or on all pixels of a picture that has none.

    Parameters
    ----------
    log2_sigma : Tensor, shape (N, H, W)
    true : Tensor, shape (N,)
        NaN = unknown, not judged.
    crown : Tensor of bool, shape (N, H, W)
    """
    known = true.isfinite()
    judged = (crown | ~crown.any(dim=(1, 2), keepdim=True)) & known[:, None, None]
    target = torch.where(known, true, torch.zeros_like(true)).float()[:, None, None]
    return masked_mean((log2_sigma.float() - target).abs(), judged)
