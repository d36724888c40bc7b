"""Small labelled photos in the form of somebody's own data set."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np


def make_photos(folder: Path, count: int, classes: tuple[str | None, ...] = ("2.5", "3.5")) -> Path:
    """``count`` labelled photos, two of each animal: a00, a01 of A0 ..."""
    for part in ("photos", "labels", "truth"):
        (folder / part).mkdir(parents=True)
    lines = ["photo,specimen_id"]
    for k in range(count):
        name = f"p{k:02d}"
        labels = np.full((8, 12), 1, np.uint8)
        cv2.imwrite(str(folder / "photos" / f"{name}.png"), np.full((8, 12, 3), k, np.uint8))
        for kind in ("material", "tooth"):
            cv2.imwrite(str(folder / "labels" / f"{name}.{kind}.png"), labels)
        truth = {"age_class": classes[k // 2 % len(classes)]}
        (folder / "truth" / f"{name}.json").write_text(json.dumps(truth))
        lines.append(f"{name}.png,A{k // 2:02d}")
    (folder / "animals.csv").write_text("\n".join(lines) + "\n")
    return folder
