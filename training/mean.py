"""
The mean of several runs that started from one another, number by number, as a run of its own.

    python -m crestgauge.training.mean OUT --name crest-fine-6 shipped runs/first runs/second

Networks that went apart from one start lie in one valley of the loss, and their mean holds better away from
what they were trained on than each of them (Wortsman et al. 2022, Model soups, ICML; from memory). The result
is exported like any run.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import torch
from torch import Tensor

from crestgauge.inference.errors import InputError
from crestgauge.model.local import SHIPPED, find_set
from crestgauge.model.weights import Role
from crestgauge.training.beginning import start_file
from crestgauge.training.record import RECORD, WEIGHTS

SILENT: Final = 1e9
"""A running variance from here on silences its channel (decision 108); whoever hears it leaves it below."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Member:
    """One network: where it is from, and what is known of it."""

    words: str
    state: dict[str, Tensor]
    record: dict[str, Any] | None


def mean_of_runs(members: Sequence[str | Path], out: Path, name: str) -> dict[str, Any]:
    """
    Write ``weights.pt`` and ``record.json`` of the mean.

    Parameters
    ----------
    members : sequence of str or Path
        Folders of finished runs, and "shipped" for the network that is shipped in their role; at least two,
        one of them a run. What the record says of training is that of the last run.
    out : Path
    name : str
        Of the mean, as a run has one.

    Returns
    -------
    dict
        The record; ``averaged`` says of what.

    Raises
    ------
    InputError
        If there are fewer, a folder is no finished run, or the networks are of different form or role.
    """
    folders = [Path(each) for each in members if str(each) != SHIPPED]
    if len(members) < 2 or not folders:
        raise InputError(f"mean: {len(members)} networks, {len(folders)} of them runs; needs 2 and 1")
    records = {folder: _record(folder) for folder in folders}
    last = records[folders[-1]]
    role: Role = last["role"]
    found = []
    for each in members:
        if str(each) == SHIPPED:
            chosen = find_set(SHIPPED)
            state = torch.load(start_file(chosen, role), map_location="cpu", weights_only=True)
            found.append(_Member(words=chosen.manifest.find(role).name, state=state, record=None))
        else:
            record = records[Path(each)]
            state = torch.load(Path(each) / WEIGHTS, map_location="cpu", weights_only=True)
            words = f"{record['name']} (seed {record['seed']}, {record['steps']} steps)"
            found.append(_Member(words=words, state=state, record=record))
    _same_form(found, last)
    mean = {
        key: _mean_of(key, [m.state for m in found]) if value.is_floating_point() else value
        for key, value in found[-1].state.items()
    }
    out.mkdir(parents=True, exist_ok=True)
    part = out / (WEIGHTS + ".part")
    torch.save(mean, part)
    part.replace(out / WEIGHTS)
    made: dict[str, Any] = {
        **last,
        "name": name,
        "config": {**last["config"], "name": name},
        "averaged": "each number is the mean of those of " + ", ".join(m.words for m in found),
        "members": [_kept(m.record) for m in found if m.record is not None],
    }
    (out / RECORD).write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")
    return made


def _mean_of(key: str, states: Sequence[dict[str, Tensor]]) -> Tensor:
    """Mean of one tensor; batch statistics of a channel silent in a member are those of the others."""
    values = torch.stack([state[key].float() for state in states])
    layer, _, kind = key.rpartition(".")
    if kind not in ("running_mean", "running_var"):
        return values.mean(dim=0)
    heard = torch.stack([state[f"{layer}.running_var"].float() for state in states]) < SILENT
    heard |= ~heard.any(dim=0)
    return (values * heard).sum(dim=0) / heard.sum(dim=0)


def _record(folder: Path) -> dict[str, Any]:
    path = folder / RECORD
    try:
        found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, json.JSONDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}); needs a finished run") from error
    if not (folder / WEIGHTS).is_file():
        raise InputError(f"{folder / WEIGHTS}: not there; needs a finished run")
    return found


def _same_form(found: Sequence[_Member], last: dict[str, Any]) -> None:
    for member in found:
        if member.record is not None and member.record["role"] != last["role"]:
            raise InputError(f"mean: {member.words} is {member.record['role']}; needs {last['role']} in all")
        other = {key: value.shape for key, value in member.state.items()}
        if other != {key: value.shape for key, value in found[-1].state.items()}:
            raise InputError(f"mean: {member.words} has another form than {found[-1].words}; needs one form")


def _kept(record: dict[str, Any]) -> dict[str, Any]:
    """What the mean's record keeps of a run, beside what is already there of the last."""
    keys = ("name", "seed", "commit", "steps", "seconds", "pictures_drawn", "metrics")
    return {key: record[key] for key in keys if key in record}


def main(arguments: Sequence[str] | None = None) -> None:
    """The command: python -m crestgauge.training.mean OUT --name NAME RUN RUN ..."""
    parser = argparse.ArgumentParser(prog="python -m crestgauge.training.mean", description=__doc__)
    parser.add_argument("out", type=Path, help="folder of the mean, as of a run")
    parser.add_argument("members", nargs="+", help='folders of runs, or "shipped"')
    parser.add_argument("--name", required=True, help="of the mean")
    asked = parser.parse_args(arguments)
    print(mean_of_runs(asked.members, asked.out, asked.name)["averaged"])


if __name__ == "__main__":
    main()
