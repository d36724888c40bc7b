"""Pixel metrics counted by hand on 4 x 4 maps."""

from __future__ import annotations

import math

import pytest
import torch
from toy_jaws import draw_toy

from crestgauge.model.labels import CHANNELS, N_CHANNELS
from crestgauge.training.batch import IGNORE, as_labelled
from crestgauge.training.metrics import PixelScore, confusion, overlap


def test_overlap_by_hand_with_an_empty_class_and_ignored_pixels():
    """
    Truth: 8 of class 0, 4 of class 1, 4 ignored. Said: class 1 right on 3 of 4, and on 1 pixel of class 0.
    Class 0: 7 / (8 + 1) ; class 1: 3 / (4 + 1); class 2: neither true nor said.
    """
    truth = torch.tensor([[0] * 4, [0] * 4, [1] * 4, [IGNORE] * 4], dtype=torch.uint8)
    said = torch.tensor([[0, 0, 0, 1], [0] * 4, [1, 1, 1, 0], [2] * 4])
    counts = confusion(said, truth, 3)
    assert counts.tolist() == [[7, 1, 0], [1, 3, 0], [0, 0, 0]]
    values = overlap(counts).tolist()
    assert values[:2] == pytest.approx([7 / 9, 3 / 5]) and math.isnan(values[2])


def test_score_of_a_perfect_and_of_a_shifted_answer():
    """
    All blocks said as drawn: every share 1 and every error 0. Tooth numbers shifted by one: none is right.
    """
    drawn = as_labelled(draw_toy(1, 2, torch.device("cpu")))
    maps = torch.zeros(2, N_CHANNELS, *drawn.tooth.shape[1:])
    maps[:, CHANNELS["material"]] = (
        torch.nn.functional.one_hot(drawn.material.long(), 6).permute(0, 3, 1, 2).float()
    )
    maps[:, CHANNELS["lingual"]] = (drawn.lingual == 1)[:, None].float()
    maps[:, CHANNELS["tilt"]] = drawn.tilt
    maps[:, CHANNELS["tilt_log_sigma"]] = 0.1
    maps[:, CHANNELS["blur"]] = 2**0.5
    for shift, right in ((0, 1.0), (1, 0.0)):
        number = torch.where(drawn.tooth > 0, (drawn.tooth.long() - 1 + shift) % 6 + 1, 0)
        maps[:, CHANNELS["tooth"]] = torch.nn.functional.one_hot(number, 7).permute(0, 3, 1, 2).float()
        score = PixelScore()
        score.add(maps, drawn)
        values = score.values()
        assert values["tooth_number_right"] == values["tooth_right"] == right
        assert values["iou_dentine"] == values["lingual_right"] == 1
        assert values["tilt_deg_median"] == pytest.approx(0, abs=1e-4)
        assert values["blur_log2_mean"] == pytest.approx(0, abs=1e-6)
        assert math.isnan(values["iou_jaw"])
