"""
Weights of one's own: a folder per user that holds sets of weights, and which of them reading uses.

    FOLDER/NAME/weights.toml       manifest in the form of the shipped one: a fine and a coarse network
    FOLDER/NAME/weights/*.onnx     the networks, with their run records
    FOLDER/NAME/edge_model.toml    how wrong a band edge is with these weights
    FOLDER/NAME/start/*.pt         state dicts to train on from
    FOLDER/NAME/gates/OLD.json     comparison with the weights that it would replace
    FOLDER/history.jsonl           which set became the default when, and why; only ever longer

A set is one folder that stands alone: it can be copied to another machine as it is. Without a choice of the
user the shipped weights are used. Needs neither torch nor onnxruntime.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import WeightsError
from crestgauge.model.weights import Manifest, load_manifest, shipped_manifest_path

FOLDER_VARIABLE: Final = "CRESTGAUGE_WEIGHTS_DIR"
"""Environment variable that names the folder."""
SHIPPED_PREFIX: Final = "crest-"
SHIPPED: Final = "shipped"
"""Name of the set that is installed with the package."""
MANIFEST, HISTORY, GATES, START = "weights.toml", "history.jsonl", "gates", "start"
EDGE_FILE: Final = "edge_model.toml"
LOOK_FILE: Final = "look_bias.toml"
"""Edge model in the folder of a weights manifest."""
HISTORY_SCHEMA: Final = "crestgauge.weights-use/1"
NAME_PATTERN: Final = re.compile(r"[a-z0-9]+([.-][a-z0-9]+)*")


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightsSet:
    """
    A fine and a coarse network that are used together.

    Parameters
    ----------
    name : str
        `SHIPPED`, or the name of its folder; for weights of a manifest that was named by its path, that path.
    manifest : Manifest
    fine : str or None
        Fine weights of the manifest to take; None takes its default.
    """

    name: str
    manifest: Manifest
    fine: str | None = None

    @property
    def folder(self) -> Path:
        """Folder of the manifest."""
        return self.manifest.path.parent

    @property
    def model(self) -> str:
        """What readings call these weights, as in ``versions.model``."""
        return f"{self.manifest.find('fine', self.fine).name} {self.manifest.find('coarse').name}"

    def identity(self) -> str:
        """SHA-256 over both networks and the files of their errors: what a comparison was made with."""
        edge, look = self.folder / EDGE_FILE, self.folder / LOOK_FILE
        parts = [
            self.manifest.find("fine", self.fine).sha256,
            self.manifest.find("coarse").sha256,
            hashlib.sha256(edge.read_bytes()).hexdigest() if edge.is_file() else "none",
            *([hashlib.sha256(look.read_bytes()).hexdigest()] if look.is_file() else []),
        ]
        return hashlib.sha256(" ".join(parts).encode()).hexdigest()


def weights_folder(folder: Path | None = None) -> Path:
    """
    The folder of the user's own weights; it need not exist.

    ``folder`` if given, else `FOLDER_VARIABLE`, else where the system keeps data of programs: on Linux
    $XDG_DATA_HOME or ~/.local/share (XDG Base Directory Specification), on macOS ~/Library/Application
    Support, on Windows %LOCALAPPDATA%.
    """
    if folder is not None:
        return folder
    named = os.environ.get(FOLDER_VARIABLE)
    if named:
        return Path(named)
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        named = os.environ.get("XDG_DATA_HOME", "")
        base = Path(named) if Path(named).is_absolute() else home / ".local" / "share"
    return base / "crestgauge" / "weights"


def check_name(name: str) -> str:
    """
    ``name`` if a set may be called so.

    Raises
    ------
    WeightsError
        If it has other signs than small letters, digits, dots and hyphens, or is kept for shipped weights, of
        this version or any other.
    """
    kept = name == SHIPPED or name.startswith(SHIPPED_PREFIX)
    if kept or not NAME_PATTERN.fullmatch(name):
        found = "is a name of shipped weights" if kept else "has other signs"
        raise WeightsError(
            f"weights {name!r}: {found}; needs small letters, digits, dots and hyphens, such as ridge-2026."
        )
    return name


def find_set(
    name: str | None = None, *, folder: Path | None = None, manifest: Path | None = None
) -> WeightsSet:
    """
    The set to read with.

    Parameters
    ----------
    name : str or None
        `SHIPPED`, a set in the user's folder, or fine weights of the shipped manifest. None takes the user's
        default, and without one what is shipped. With ``manifest``: fine weights in that manifest.
    folder : Path or None
        As for `weights_folder`.
    manifest : Path or None
        A manifest named by its path; then the user's folder is not looked at.

    Raises
    ------
    WeightsError
        If there is no such set, or its manifest cannot be read.
    """
    if manifest is not None:
        return WeightsSet(name=str(manifest), manifest=load_manifest(manifest), fine=name)
    home = weights_folder(folder)
    if name is None:
        name = current(home)
    own = home / name / MANIFEST
    if name != SHIPPED and NAME_PATTERN.fullmatch(name) and own.is_file():
        return WeightsSet(name=name, manifest=load_manifest(own))
    shipped = load_manifest()
    if name == SHIPPED:
        return WeightsSet(name=SHIPPED, manifest=shipped)
    if any(entry.role == "fine" and entry.name == name for entry in shipped.entries):
        return WeightsSet(name=name, manifest=shipped, fine=name)
    known = ", ".join([SHIPPED, *_own_names(home)])
    raise WeightsError(
        f"{home}: no weights called {name!r}; known: {known}. Choose one of these, or name their folder with "
        f"{FOLDER_VARIABLE}."
    )


def list_sets(folder: Path | None = None) -> tuple[WeightsSet, ...]:
    """
    The shipped set, then the user's own by name.

    Raises
    ------
    WeightsError
        If a manifest cannot be read.
    """
    home = weights_folder(folder)
    own = (WeightsSet(name=name, manifest=load_manifest(home / name / MANIFEST)) for name in _own_names(home))
    return (WeightsSet(name=SHIPPED, manifest=load_manifest(shipped_manifest_path())), *own)


def history(folder: Path | None = None) -> tuple[Mapping[str, Any], ...]:
    """
    Every change of the default, oldest first.

    Raises
    ------
    WeightsError
        If a line cannot be read.
    """
    path = weights_folder(folder) / HISTORY
    if not path.is_file():
        return ()
    rows = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        try:
            row = json.loads(line)
            good = row["schema"] == HISTORY_SCHEMA and row["action"] in ("use", "back") and str(row["name"])
        except (json.JSONDecodeError, KeyError, TypeError):
            good = False
        if not good:
            raise WeightsError(
                f"{path}: line {number} is no entry of {HISTORY_SCHEMA}. Restore the file, or move it away "
                "to read with the shipped weights."
            )
        rows.append(row)
    return tuple(rows)


def chosen(folder: Path | None = None) -> tuple[str, ...]:
    """Defaults on top of each other, the present one last: "use" puts one on, "back" takes one off."""
    stack = [SHIPPED]
    for row in history(folder):
        if row["action"] == "use":
            stack.append(row["name"])
        elif len(stack) > 1:
            stack.pop()
    return tuple(stack)


def current(folder: Path | None = None) -> str:
    """Name of the set that is used where none is named."""
    return chosen(folder)[-1]


def use(name: str, *, at: str, why: Mapping[str, Any], folder: Path | None = None) -> None:
    """
    Make a set the default.

    Parameters
    ----------
    name : str
    at : str
        Date and time, ISO 8601.
    why : mapping
        What it rests on, kept in the history: the gate, or that the user said so.

    Raises
    ------
    WeightsError
        If there is no such set, or it is the default already.
    """
    home = weights_folder(folder)
    found = find_set(name, folder=home)
    if name == current(home):
        raise WeightsError(f"{home}: {name} is the default already.")
    row = {"action": "use", "name": name, "at": at, "model": found.model, "identity": found.identity()}
    _append(home, {**row, "why": dict(why)})


def back(*, at: str, folder: Path | None = None) -> str:
    """
    Return to the default before the present one; its name.

    Raises
    ------
    WeightsError
        If there is nothing to return to, or that set is gone.
    """
    home = weights_folder(folder)
    stack = chosen(home)
    if len(stack) < 2:
        raise WeightsError(f"{home}: the shipped weights are the default; there is nothing to go back to.")
    find_set(stack[-2], folder=home)
    _append(home, {"action": "back", "name": stack[-2], "at": at, "from": stack[-1]})
    return stack[-2]


def gate_path(new: WeightsSet, old: WeightsSet) -> Path:
    """Where the comparison of ``new`` with ``old`` is kept; the shipped set has no such place."""
    return new.folder / GATES / f"{Path(old.name).stem}.json"


def read_gate(new: WeightsSet, old: WeightsSet) -> dict[str, Any] | None:
    """
    The comparison of these two sets; None where there is none, or it was made with other files.

    Raises
    ------
    WeightsError
        If the file is damaged.
    """
    path = gate_path(new, old)
    if not path.is_file():
        return None
    try:
        gate: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        made_with = (gate["new"]["identity"], gate["old"]["identity"], bool(gate["passed"]))
    except (json.JSONDecodeError, KeyError, TypeError) as error:
        raise WeightsError(f'{path}: damaged ({error}). Run "crestgauge weights compare" again.') from error
    return gate if made_with[:2] == (new.identity(), old.identity()) else None


def _own_names(home: Path) -> list[str]:
    if not home.is_dir():
        return []
    return sorted(
        path.name
        for path in home.iterdir()
        if NAME_PATTERN.fullmatch(path.name) and (path / MANIFEST).is_file()
    )


def _append(home: Path, row: dict[str, Any]) -> None:
    """One more line, by way of a second file, so that a kill leaves the old history whole."""
    home.mkdir(parents=True, exist_ok=True)
    path = home / HISTORY
    before = path.read_text(encoding="utf-8") if path.is_file() else ""
    part = path.with_name(HISTORY + ".part")
    part.write_text(before + json.dumps({"schema": HISTORY_SCHEMA, **row}) + "\n", encoding="utf-8")
    part.replace(path)
