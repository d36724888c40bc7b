"""
Pixel metrics on drawn batches: overlap per class, and errors of the slowly varying blocks.

These say how well the labels are learnt, not how well an age is told: for that, see
`crestgauge.training.evaluate`.
"""

from __future__ import annotations

import torch
from torch import Tensor

from crestgauge.model.labels import CHANNELS, N_TEETH, Material
from crestgauge.model.network import Activated, JawNetwork
from crestgauge.training.batch import IGNORE, Draw, Labelled, as_labelled
from crestgauge.training.drawing import CHECK_SEED


def confusion(predicted: Tensor, truth: Tensor, classes: int) -> Tensor:
    """
    Counts, row = truth, column = said.

    Parameters
    ----------
    predicted, truth : Tensor of integers, same shape
        Pixels whose truth is `IGNORE` are not counted.
    classes : int

    Returns
    -------
    Tensor of int64, shape (classes, classes)
    """
    valid = truth != IGNORE
    cells = truth[valid].long() * classes + predicted[valid].long()
    return torch.bincount(cells, minlength=classes * classes).reshape(classes, classes)


def overlap(counts: Tensor) -> Tensor:
    """Intersection over union per class, shape (classes,); NaN for a class that is neither true nor said."""
    hit = counts.diagonal().double()
    union = counts.sum(dim=0) + counts.sum(dim=1) - counts.diagonal()
    return hit / union  # 0 / 0 is NaN


class PixelScore:
    """Adds up batches; `values` gives the metrics so far."""

    def __init__(self) -> None:
        self.material = torch.zeros(len(Material), len(Material), dtype=torch.int64)
        self.tooth = torch.zeros(N_TEETH + 1, N_TEETH + 1, dtype=torch.int64)
        self.lingual = torch.zeros(2, 2, dtype=torch.int64)
        self.tilt_deg: list[Tensor] = []
        self.pulls: list[Tensor] = []
        self.blur: list[Tensor] = []

    def add(self, maps: Tensor, truth: Labelled) -> None:
        """
        Count one batch.

        Parameters
        ----------
        maps : Tensor, shape (N, N_CHANNELS, H, W)
            Activated.
        truth : Labelled
        """
        material = truth.material.masked_fill(truth.void, IGNORE)
        tooth = truth.tooth.masked_fill(truth.void, IGNORE)
        crown = (tooth > 0) & (tooth != IGNORE)
        self.material += confusion(maps[:, CHANNELS["material"]].argmax(1), material, len(Material)).cpu()
        self.tooth += confusion(maps[:, CHANNELS["tooth"]].argmax(1), tooth, N_TEETH + 1).cpu()
        side = (maps[:, CHANNELS["lingual"]][:, 0] > 0.5).to(torch.uint8)
        self.lingual += confusion(side, truth.lingual.masked_fill(~crown, IGNORE), 2).cpu()
        error = maps[:, CHANNELS["tilt"]] - truth.tilt
        for index in range(len(maps)):
            on = crown[index]
            if on.any():
                mean = error[index][:, on].mean(dim=1)
                self.tilt_deg.append(torch.rad2deg(torch.asin(mean.norm().clamp(max=1))).cpu())
                sigma = maps[index, CHANNELS["tilt_log_sigma"]][0][on]
                self.pulls.append((error[index][:, on] / sigma).square().mean().cpu())
            said = maps[index, CHANNELS["blur"]][0]
            said = said[on].median() if on.any() else said.median()
            if truth.blur[index].isfinite():
                self.blur.append((said.log2() - truth.blur[index]).abs().cpu())

    def values(self) -> dict[str, float]:
        """Metrics by name; NaN where nothing was seen."""
        result = {
            f"iou_{m.name.lower()}": float(v) for m, v in zip(Material, overlap(self.material), strict=True)
        }
        crown = self.tooth[1:]
        result["tooth_right"] = float(crown.diagonal(1).sum() / crown.sum())
        result["tooth_number_right"] = float(crown.diagonal(1).sum() / crown[:, 1:].sum())
        result["lingual_right"] = float(self.lingual.diagonal().sum() / self.lingual.sum())
        result["tilt_deg_median"] = _median(self.tilt_deg)
        result["tilt_pull_rms"] = _mean(self.pulls) ** 0.5
        result["blur_log2_mean"] = _mean(self.blur)
        return result


def pixel_scores(
    network: JawNetwork, draw: Draw, pictures: int, device: torch.device, *, first_seed: int = CHECK_SEED
) -> dict[str, float]:
    """
    Pixel metrics of ``network`` on pictures that training never draws, at most 8 at a time.

    Parameters
    ----------
    network : JawNetwork
        On ``device``.
    draw : Draw
    pictures : int
    device : torch.device
    first_seed : int
        Batch k is drawn with this + k.
    """
    activated = Activated(network).eval()
    score = PixelScore()
    size = min(8, pictures)
    for number in range(-(-pictures // size)):
        with torch.inference_mode():
            truth = as_labelled(draw(first_seed + number, size, device))
            image = truth.image.float().contiguous(memory_format=torch.channels_last)
            with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
                maps = activated(image).float()
            score.add(maps, truth)
    return score.values()


def _median(values: list[Tensor]) -> float:
    return float(torch.stack(values).median()) if values else float("nan")


def _mean(values: list[Tensor]) -> float:
    return float(torch.stack(values).mean()) if values else float("nan")
