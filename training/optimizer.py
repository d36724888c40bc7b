"""
What a step does to the weights beside their gradients: rates, decay, norms, the running mean.
"""

from __future__ import annotations

import math

import torch
from torch import nn

from crestgauge.model.network import JawNetwork
from crestgauge.training.config import ScheduleConfig


def rate_at(share: float, schedule: ScheduleConfig) -> float:
    """
    Learning rate at ``share`` of the run: straight up, then half a cosine down to ``final_share`` of the
    highest.
    """
    if share < schedule.warmup_share:
        return schedule.rate * (0.05 + 0.95 * share / schedule.warmup_share)
    down = (share - schedule.warmup_share) / (1 - schedule.warmup_share)
    low = schedule.rate * schedule.final_share
    return low + (schedule.rate - low) * 0.5 * (1 + math.cos(math.pi * min(down, 1.0)))


def make_optimizer(network: JawNetwork, schedule: ScheduleConfig) -> torch.optim.AdamW:
    """AdamW with four groups: encoder or not, decayed (weights) or not (norms and offsets)."""
    encoder = {id(p) for p in network.encoder_parameters()}
    groups = []
    for is_encoder in (True, False):
        for decays in (True, False):
            chosen = [
                p for p in network.parameters() if (id(p) in encoder) is is_encoder and (p.ndim > 1) is decays
            ]
            groups.append(
                {
                    "params": chosen,
                    "encoder": is_encoder,
                    "weight_decay": schedule.weight_decay if decays else 0.0,
                }
            )
    return torch.optim.AdamW(groups, lr=schedule.rate, betas=(0.9, 0.99))


def set_rates(optimizer: torch.optim.Optimizer, rate: float, *, encoder_factor: float) -> None:
    """Learning rates of the groups of `make_optimizer`."""
    for group in optimizer.param_groups:
        group["lr"] = rate * encoder_factor if group["encoder"] else rate


def keep_norms(network: nn.Module) -> None:
    """Batch norms use the statistics that they have: those of a few pictures would be too rough."""
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()


class Average:
    """Running mean of the weights; batch statistics are averaged the same way."""

    def __init__(self, network: JawNetwork, decay: float) -> None:
        self.decay = decay
        self.network = JawNetwork(network.config)
        self.network.load_state_dict(network.state_dict())
        self.network.to(next(network.parameters()).device).to(memory_format=torch.channels_last)
        self.network.requires_grad_(False).eval()

    @torch.no_grad()
    def update(self, network: JawNetwork, step: int) -> None:
        """Move towards ``network``; faster in the first steps, so that the start is forgotten."""
        decay = min(self.decay, (1 + step) / (10 + step))
        pairs = zip(self.network.state_dict().values(), network.state_dict().values(), strict=True)
        floating = [(mine, other) for mine, other in pairs if mine.is_floating_point()]
        torch._foreach_lerp_([mine for mine, _ in floating], [other for _, other in floating], 1 - decay)
