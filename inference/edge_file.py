"""
The edge model on disk: how wrong one band edge is, as an evaluation found it for the weights beside it.

Edge module: reads and writes one small TOML file.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

from crestgauge.inference.errors import InputError, WeightsError
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import EDGE_FILE


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
