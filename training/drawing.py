"""
Where the pictures of a run come from, and which seeds they have.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import torch

from crestgauge.training.batch import Draw, Drawn
from crestgauge.training.config import TrainConfig
from crestgauge.training.files import FileDraw

CHECK_SEED = 1_900_000_000
"""Seeds from here on are for checks; training counts up from ``seed`` * `SEED_SPAN`."""
SEED_SPAN = 10_000_000


def drawing(config: TrainConfig) -> Draw:
    """
    The generator's drawing function with the options of ``config``, or photographs in between; can be
    pickled.

    ``draw.photos`` names a folder of labelled photographs, ``draw.photo_share`` the share of batches that
    comes from it.
    """
    options = dict(config.draw)
    folder, share = options.pop("photos", None), float(options.pop("photo_share", 1.0))
    drawn = partial(_draw, role=config.role, options=options)
    return drawn if folder is None else FileDraw(Path(folder), config.role, share, drawn)


def _draw(seed: int, count: int, device: torch.device, *, role: str, options: dict[str, Any]) -> Drawn:
    from crestgauge.synthetic_data.draw import draw_batch
    from crestgauge.synthetic_data.options import COARSE, FINE

    plain: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in options.items()
    }
    chosen: Drawn = draw_batch(seed, count, replace(FINE if role == "fine" else COARSE, **plain), device)
    return chosen
