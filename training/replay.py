"""
Drawn pictures beside one's own, so that nothing is forgotten: drawn once, kept on disk, used by every run.

Drawing a crop takes seconds on a CPU and a fraction of one on a GPU, so a CPU makes do with few, varied anew
at each use; the first retraining draws them, later ones take them from the file. Seeds are those of no other
use.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Final

import torch

from crestgauge.training.batch import Draw, Packed, pack

REPLAY_SEED: Final = 1_850_000_000
"""
First seed of these pictures; training counts up from its own seed and never gets here, checks lie above.
"""
SAVE_EVERY: Final = 8


def drawn_pictures(
    path: Path,
    count: int,
    draw: Draw,
    device: torch.device,
    *,
    together: int = 1,
    tell: Callable[[int, int], None] = lambda done, of: None,
) -> Packed:
    """
    The first ``count`` pictures of the kept set, drawn now as far as they are missing.

    Parameters
    ----------
    path : Path
        File of the set; made if missing, and longer after a call that asks for more.
    count : int
    draw : Draw
        Picture k is drawn alone with seed `REPLAY_SEED` + k, so that the set is the same however it was made.
    device : torch.device
        Where they are drawn. Pictures of a CPU and of a GPU are alike but not equal; the file says which.
    together : int
        Pictures between two saves, at least 1.
    tell : callable
        Gets (done, of).

    Returns
    -------
    Packed
        On the CPU.
    """
    kept = kept_pictures(path)
    parts = [kept] if kept is not None else []
    done = 0 if kept is None else len(kept)
    if done >= count:
        return kept.take(torch.arange(count)) if kept is not None else join_pictures([])
    path.parent.mkdir(parents=True, exist_ok=True)
    for number in range(done, count):
        with torch.inference_mode():
            parts.append(pack(draw(REPLAY_SEED + number, 1, device)).to(torch.device("cpu")))
        tell(number + 1, count)
        if (number + 1 - done) % max(together, SAVE_EVERY) == 0 or number + 1 == count:
            parts = [join_pictures(parts)]
            save_pictures(parts[0], path)
    return parts[0]


def join_pictures(parts: list[Packed]) -> Packed:
    """All pictures of several sets, in order."""
    return Packed(**{f.name: torch.cat([getattr(part, f.name) for part in parts]) for f in fields(Packed)})


def save_pictures(packed: Packed, path: Path) -> None:
    """Write a set under another name first, so that a kill leaves the old one whole."""
    part = path.with_name(path.name + ".part")
    torch.save({f.name: getattr(packed, f.name).clone() for f in fields(Packed)}, part)
    part.replace(path)


def kept_pictures(path: Path) -> Packed | None:
    """The kept set on the CPU; None where there is none."""
    if not path.is_file():
        return None
    return Packed(**torch.load(path, map_location="cpu", weights_only=True))
