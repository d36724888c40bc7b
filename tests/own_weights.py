"""Sets of weights, rows of scores and toy pictures for tests of retraining."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import painted_jaws
import torch
from toy_jaws import draw_toy

from crestgauge.model.weights import SCHEMA, format_entry, load_manifest
from crestgauge.training.augment import AugmentConfig
from crestgauge.training.config import ScheduleConfig
from crestgauge.training.files import View
from crestgauge.training.retrain_config import OwnConfig, RetrainConfig

CPU = torch.device("cpu")
CONFIG = RetrainConfig(
    schedule=ScheduleConfig(max_steps=6, batch=2, rate=4e-3, encoder_rate=0.0, keep_norms=True, ema=0.5),
    own=OwnConfig(drawn=2, drawn_check=1, variants=1, check_steps=2, patience=9, every=3),
    augment=AugmentConfig(share=0.0),
)


def make_set(folder: Path, name: str) -> Path:
    """A set whose fine network is called NAME-fine, made of the painted networks."""
    target = folder / name
    shutil.copytree(painted_jaws.manifest().parent, target)
    manifest = load_manifest(target / "weights.toml")
    entries = []
    for role in ("fine", "coarse"):
        entry = manifest.find(role)
        named = f"{name}-fine" if role == "fine" else entry.name
        entries.append(replace(entry, name=named, path=entry.path.relative_to(target)))
    head = f'schema = "{SCHEMA}"\n\n[default]\n' + "".join(f'{e.role} = "{e.name}"\n' for e in entries)
    text = head + "\n" + "\n".join(format_entry(e) for e in entries)
    (target / "weights.toml").write_text(text, encoding="utf-8")
    return target


def rows(
    seed: int, error: float, *, count: int = 30, wrong: int = 3, refused: int = 0, u: float = 0.1
) -> list:
    """
    Rows of ``count`` animals with two crests each; the seed gives the truth, ``error`` the size of errors.
    """
    rng = np.random.default_rng(seed)
    out = []
    for k in range(count):
        crests = []
        for lobe in (1, 2):
            true = float(rng.uniform(0.5, 2.0))
            crests.append(
                {
                    "position": 4,
                    "lobe": lobe,
                    "true_ratio": true,
                    "ratio": true * float(np.exp(error * rng.normal())),
                    "u": u,
                    "dentine_px": 12.0,
                    "enamel_px": 9.0,
                    "gone": False,
                    "true_gone": False,
                }
            )
        out.append(
            {
                "file": f"{k}.jpg",
                "animal": f"a{k}",
                "usable": k % 10 != 9,
                "refused": k < refused or k % 10 == 9,
                "error": None,
                "outcome": "retake" if k < refused or k % 10 == 9 else "clear",
                "true_class": "3.5",
                "true_class_by_key": None,
                "age_class": "2.5" if count - 1 - k < wrong + 3 else "3.5",
                "possible": ["3.5"],
                "side_right": True,
                "tilt_error_deg": None,
                "teeth": [],
                "crests": crests,
                "groups": {},
                "reasons": [],
                "true_reasons": [],
            }
        )
    return out


def toy_view(paths, role: str) -> View:
    """
    The toy picture of a photo, by its name and the network that sees it; colours other than those of the
    drawn ones.
    """
    drawn = draw_toy((500 if role == "fine" else 700) + int(paths.photo.stem[1:]), 1, CPU)
    image = (255 * drawn.image[0].permute(1, 2, 0).numpy()).astype(np.uint8)
    return View(
        image=np.ascontiguousarray(255 - image),
        material=drawn.material[0].numpy(),
        tooth=drawn.tooth[0].numpy(),
        lingual=drawn.lingual[0].numpy(),
        lobe=drawn.lobe[0].numpy(),
        state=drawn.state[0].numpy(),
        view=(0.1, -0.2),
        blur=0.5,
    )
