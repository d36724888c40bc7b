"""
Files of a run, and what its record says of code, versions and machine.
"""

from __future__ import annotations

import math
import os
import platform
import subprocess
from pathlib import Path
from typing import Any, Final

import torch

CHECKPOINT: Final = "checkpoint.pt"
WEIGHTS: Final = "weights.pt"
RECORD: Final = "record.json"


def without_nan(value: Any) -> Any:
    """The same tables with None for every number that JSON has no word for."""
    if isinstance(value, dict):
        return {key: without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [without_nan(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def commit() -> str | None:
    """
    Commit of the code, with "+" if files were changed since.

    Outside a git checkout, what the environment variable CRESTGAUGE_COMMIT says, or None.
    """

    def git(*arguments: str) -> str | None:
        try:
            done = subprocess.run(
                ["git", *arguments],
                cwd=Path(__file__).parent,
                capture_output=True,
                text=True,
                timeout=10,
                check=True,
            )
        except (OSError, subprocess.SubprocessError):
            return None
        return done.stdout.strip()

    head = git("rev-parse", "HEAD")
    if head is None:
        return os.environ.get("CRESTGAUGE_COMMIT")
    return head + ("+" if git("status", "--porcelain", "-uno") else "")


def versions() -> dict[str, str]:
    """Versions that a result may depend on."""
    import segmentation_models_pytorch
    import timm

    return {
        "python": platform.python_version(),
        "torch": torch.__version__,
        "timm": timm.__version__,
        "segmentation_models_pytorch": segmentation_models_pytorch.__version__,
    }


def device_name(device: torch.device) -> str:
    """What the run ran on, in words."""
    return torch.cuda.get_device_name(device) if device.type == "cuda" else f"cpu ({platform.machine()})"
