"""
What is known of the errors of weights, on disk beside them: the edge model, and biases that follow the look.

Edge module: reads and writes two small TOML files.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Final

from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.inference.look_bias import LookBias
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import EDGE_FILE, LOOK_FILE

LOOK_SCHEMA: Final = "crestgauge.look_bias/1"


def load_edge_model(folder: Path) -> EdgeModel:
    """
    Edge model of the weights in ``folder``; the declared one where there is no file.

    Raises
    ------
    WeightsError
        If the file cannot be read, or a key is unknown or out of range.
    """
    path = folder / EDGE_FILE
    if not path.is_file():
        return EdgeModel()
    return read_edge_model(path)


def read_edge_model(path: Path) -> EdgeModel:
    """
    Edge model from a file.

    Raises
    ------
    WeightsError
        As for `load_edge_model`.
    """
    try:
        return EdgeModel.from_mapping(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise WeightsError(
            f"{path}: cannot be read ({error.strerror or error}); needs an edge model. "
            'Write one with "crestgauge evaluate --calibrate".'
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, InputError) as error:
        raise WeightsError(
            f'{path}: {error}. Write it again with "crestgauge evaluate --calibrate".'
        ) from error


def write_edge_model(model: EdgeModel, path: Path) -> None:
    """Write ``model`` so that `read_edge_model` gives it back."""
    lines = [
        "# Error of one band edge, fitted by crestgauge evaluate --calibrate;",
        "# meanings and units: crestgauge.inference.uncertainty.EdgeModel.",
    ]
    for name, value in model.to_mapping().items():
        # A JSON string is a TOML basic string as well.
        text = json.dumps(value) if isinstance(value, str) else repr(float(value))
        lines.append(f"{name} = {text}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def load_look_bias(folder: Path) -> LookBias | None:
    """
    Biases that follow the look, of the weights in ``folder``; None where there is no such file.

    Raises
    ------
    WeightsError
        If the file cannot be read or understood.
    """
    path = folder / LOOK_FILE
    if not path.is_file():
        return None
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        if table.pop("schema", None) != LOOK_SCHEMA:
            raise InputError(f"no {LOOK_SCHEMA}")
        return LookBias.from_mapping(table)
    except OSError as error:
        raise WeightsError(f"{path}: cannot be read ({error.strerror or error}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, InputError) as error:
        raise WeightsError(f"{path}: {error}. Retrain again, or restore the file.") from error


def write_look_bias(bias: LookBias, path: Path) -> None:
    """Write ``bias`` so that `load_look_bias` gives it back."""
    table = bias.to_mapping()
    lines = [
        "# Biases of photos that do not look like the own ones; those of own photos are in edge_model.toml.",
        "# Written by crestgauge retrain; meanings: crestgauge.inference.look_bias.",
        f'schema = "{LOOK_SCHEMA}"',
        *(f"{key} = {table[key]!r}" for key in ("dentine_bias_px", "enamel_bias_px")),
    ]
    for kind in ("own", "elsewhere"):
        lines += ["", f"[{kind}]", f"photos = {table[kind]['photos']}"]
        for part in ("mean", "sd"):
            lines += ["", f"[{kind}.{part}]", *(f"{k} = {v!r}" for k, v in table[kind][part].items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
