"""Where training on from a set of weights starts: the state dict of each network, and its form."""

from __future__ import annotations

import json
import typing
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from crestgauge.inference.errors import WeightsError
from crestgauge.model.local import SHIPPED, START, WeightsSet
from crestgauge.model.network import NetworkConfig
from crestgauge.model.weights import Role
from crestgauge.training.config import build


def start_file(base: WeightsSet, role: Role) -> Path:
    """
    State dict of a set's network, to train on from.

    Raises
    ------
    WeightsError
        If there is none.
    """
    entry = base.manifest.find(role, base.fine if role == "fine" else None)
    names = [entry.name, str(_record(base, role)["name"])]  # an export may be named anew, its numbers not
    shipped = Path(str(files("crestgauge.training").joinpath(START)))
    places = [folder / f"{name}.pt" for name in names for folder in (base.folder / START, shipped)]
    found = next((path for path in places if path.is_file()), None)
    if found is None:
        raise WeightsError(
            f"{places[0]}: not there; {entry.name} cannot be trained on without its state dict. Start from "
            f"{SHIPPED}, or copy the folder of the set as a whole."
        )
    return found


def halved(state: Mapping[str, Tensor]) -> dict[str, Tensor]:
    """
    A state dict in half the space: float16 wherever no number outgrows it.

    Running variances of a decoder do outgrow it (65,504); as float16 they would be infinite, which silences
    their channel, and training on from there learns nothing.
    """

    def smaller(values: Tensor) -> Tensor:
        half = values.half()
        return half if values.is_floating_point() and bool(torch.isfinite(half).all()) else values

    return {name: smaller(values) for name, values in state.items()}


def start_network(base: WeightsSet, role: Role) -> NetworkConfig:
    """
    Form of a set's network, from its run record.

    Raises
    ------
    WeightsError
        If the record cannot be read.
    """
    table = _record(base, role)["config"]["network"]
    return typing.cast(NetworkConfig, build(NetworkConfig, table, f"run record of {base.name}"))


def _record(base: WeightsSet, role: Role) -> dict[str, Any]:
    entry = base.manifest.find(role, base.fine if role == "fine" else None)
    path = base.folder / entry.trained_by
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if found["name"] and found["config"]["network"]:
            return found
        raise KeyError("network")
    except (OSError, KeyError, TypeError, json.JSONDecodeError) as error:
        raise WeightsError(
            f"{path}: no run record of {entry.name} ({error!r}). Copy the set again."
        ) from error
