"""
What the training looked like: mean and spread of `LOOKS`, in a file beside the weights. Edge module.

The numbers are measured through the networks themselves on photographs of the kind that they were trained on,
and that training did not see. A photo far outside is one from which there is something to learn.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.inference.looks import LOOKS, check_law

FILE: Final = "familiar.toml"
SCHEMA: Final = "crestgauge.familiar/1"
LEAST_PHOTOS: Final = 20
"""Fewer photos give no spread worth the name."""
NEAR_SD, FAR_SD = 1.5, 3.0
"""
Root mean square of the standardised looks up to which a photo is like those trained on, and from which on it
is wholly unlike them. For nine independent normal looks 1 is expected, and 1.5 is passed by one photo in 60
(chi-squared, 9 degrees of freedom, 9 x 1.5^2 = 20.3: p = 0.016).
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Familiar:
    """
    Parameters
    ----------
    model : str
        Weights that the looks were measured with, as in ``versions.model``.
    source : str
        Which photographs, in words.
    photos : int
    mean, sd : mapping of str to float
        By name of `LOOKS`; standard deviations above 0.
    """

    model: str
    source: str
    photos: int
    mean: Mapping[str, float]
    sd: Mapping[str, float]

    def __post_init__(self) -> None:
        check_law(self.mean, self.sd, LOOKS)

    def standardised(self, look: Mapping[str, float]) -> dict[str, float]:
        """Every look in standard deviations from its mean."""
        return {name: (value - self.mean[name]) / self.sd[name] for name, value in look.items()}


def fit_familiar(looks: Sequence[Mapping[str, float]], *, model: str, source: str) -> Familiar:
    """
    Mean and spread of the looks of many photos.

    Raises
    ------
    InputError
        If there are too few, or a look does not vary.
    """
    found = {name: np.array([look[name] for look in looks if name in look]) for name in LOOKS}
    fewest = min(len(values) for values in found.values())
    if fewest < LEAST_PHOTOS:
        raise InputError(f"{fewest} photos show what is needed; needs {LEAST_PHOTOS}. Add photos.")
    return Familiar(
        model=model,
        source=source,
        photos=len(looks),
        mean={name: float(values.mean()) for name, values in found.items()},
        sd={name: float(values.std(ddof=1)) for name, values in found.items()},
    )


def strangeness(z: Mapping[str, float]) -> tuple[float, str | None]:
    """
    How unlike the training a photo is, 0 to 1, and the phrase of `LOOKS` for what is most so.

    Parameters
    ----------
    z : mapping of str to float
        `Familiar.standardised`.
    """
    if not z:
        return 0.0, None
    size = math.sqrt(sum(v * v for v in z.values()) / len(z))
    value = min(1.0, max(0.0, (size - NEAR_SD) / (FAR_SD - NEAR_SD)))
    return value, LOOKS[max(z, key=lambda name: abs(z[name]))] if value else None


def load_familiar(folder: Path) -> Familiar | None:
    """
    The file beside the weights in ``folder``; None where there is none.

    Raises
    ------
    WeightsError
        If it cannot be read or understood.
    """
    path = folder / FILE
    if not path.is_file():
        return None
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        if table.pop("schema", None) != SCHEMA:
            raise InputError(f"no {SCHEMA}")
        return Familiar(**table)
    except OSError as error:
        raise WeightsError(f"{path}: cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, InputError, TypeError) as error:
        words = f'{path}: {error}. Write it again with "crestgauge labels familiar".'
        raise WeightsError(words) from error


def write_familiar(familiar: Familiar, path: Path) -> None:
    """Write the file so that `load_familiar` gives it back."""
    lines = [
        "# What photographs like those of the training look like through these weights; written by",
        "# crestgauge labels familiar. Meanings and units: crestgauge.inference.looks.look_of.",
        f'schema = "{SCHEMA}"',
        f"model = {json.dumps(familiar.model)}",
        f"source = {json.dumps(familiar.source)}",
        f"photos = {familiar.photos}",
    ]
    for part in ("mean", "sd"):
        lines += ["", f"[{part}]", *(f"{k} = {v:.6g}" for k, v in getattr(familiar, part).items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
