"""
The weights manifest: which files are shipped, what goes in and out of them, and that they are what they say.

One name is one file for ever. Bytes and SHA-256 are checked on every load; a difference is an error, never a
warning. A second manifest (somebody's own retrained weights) has the same form and lies beside its files.
Needs neither torch nor onnxruntime.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Literal, cast

from crestgauge.inference.errors import WeightsError  # the one tree of errors; it imports nothing
from crestgauge.model.labels import CHANNELS, N_CHANNELS

SCHEMA: Final = "crestgauge.weights/1"
ROLES: Final = ("coarse", "fine")
Role = Literal["coarse", "fine"]

INPUT: Final[Mapping[str, object]] = {
    "name": "image",
    "shape": ["N", 3, "H", "W"],
    "multiple_of": 32,
    "channels": "RGB",
    "dtype": "float32",
    "range": [0.0, 1.0],
    "normalisation": "inside the graph",
}
"""What every network takes; the manifest must say the same."""
OUTPUT: Final[Mapping[str, object]] = {
    "name": "maps",
    "shape": ["N", N_CHANNELS, "H", "W"],
    "dtype": "float32",
    "blocks": {name: [block.start, block.stop] for name, block in CHANNELS.items()},
}
"""What every network gives, activated; ``blocks`` are the ranges of `crestgauge.model.labels.CHANNELS`."""

_NAME: Final = re.compile(r"[a-z0-9]+([.-][a-z0-9]+)*")
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightsEntry:
    """
    One weights file as its manifest describes it.

    Parameters
    ----------
    name : str
        Never reused for other bytes.
    role : {"coarse", "fine"}
        Whole picture, or levelled crop.
    path : Path
        The ONNX file. In the manifest: ``file``, relative to the manifest's folder and inside it.
    size : int
        [byte] In the manifest: ``bytes``.
    sha256, licence : str
    trained_by, card : str
        Run record and model card.
    parity_max_abs : float
        Largest difference of any output between torch and onnxruntime that the export measured.
    parity : mapping
        The whole ``parity`` table, with versions and opset.
    """

    name: str
    role: Role
    path: Path
    size: int
    sha256: str
    licence: str
    trained_by: str
    card: str
    parity_max_abs: float
    parity: Mapping[str, Any]

    def read(self) -> bytes:
        """
        The file's bytes, checked.

        Raises
        ------
        WeightsError
            If the file is missing, or its size or SHA-256 is not the manifest's.
        """
        try:
            data = self.path.read_bytes()
        except OSError as error:
            raise WeightsError(
                f"{self.path}: cannot be read ({error.strerror or error}); needs the weights {self.name}. "
                "Install crestgauge again; weights of your own: make or copy them again."
            ) from error
        found = hashlib.sha256(data).hexdigest()
        if len(data) != self.size or found != self.sha256:
            raise WeightsError(
                f"{self.path}: {self.name} should have {self.size} bytes and hash to {self.sha256[:12]}..., "
                f"the file has {len(data)} bytes and hashes to {found[:12]}... "
                "Delete it and install crestgauge again; weights of your own: make or copy them again."
            )
        return data


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """
    All weights of one folder, and which of them are the default.

    Parameters
    ----------
    path : Path
    entries : tuple of WeightsEntry
    default : mapping of role to name
    """

    path: Path
    entries: tuple[WeightsEntry, ...]
    default: Mapping[str, str]

    def find(self, role: Role, name: str | None = None) -> WeightsEntry:
        """
        The entry of that role: by name, or the default one.

        Raises
        ------
        WeightsError
            If there is none.
        """
        wanted = self.default.get(role) if name is None else name
        for entry in self.entries:
            if entry.role == role and entry.name == wanted:
                return entry
        known = ", ".join(entry.name for entry in self.entries if entry.role == role) or "none"
        raise WeightsError(
            f"{self.path}: no {role} weights called {wanted!r}; known: {known}. Choose one of these."
        )


def shipped_manifest_path() -> Path:
    """Path of the manifest that is installed with the package."""
    return Path(str(files("crestgauge.model").joinpath("weights.toml")))


def load_manifest(path: Path | None = None) -> Manifest:
    """
    Read and check a manifest; the shipped one without a path.

    Raises
    ------
    WeightsError
        If it is missing, is no TOML, or has an unknown, missing or wrong key; the key is named.
    """
    path = shipped_manifest_path() if path is None else Path(path)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise WeightsError(
            f"{path}: cannot be read ({error.strerror or error}); needs a weights manifest. "
            "Install crestgauge again, or name another manifest."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise WeightsError(
            f"{path}: no TOML ({error}); needs a weights manifest. Restore the file."
        ) from error
    _only(path, "", table, {"schema", "default", "weights"})
    if table.get("schema") != SCHEMA:
        raise _wrong(path, "schema", table.get("schema"), f'"{SCHEMA}"')
    rows = table.get("weights", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise _wrong(path, "weights", rows, "[[weights]] tables")
    entries = tuple(_entry(path, row) for row in rows)
    for field, values in (("name", [e.name for e in entries]), ("file", [e.path for e in entries])):
        if len(set(values)) != len(values):
            raise _wrong(path, f"weights.{field}", "the same one twice", "one entry per file and name")
    default = table.get("default", {})
    if not isinstance(default, dict):
        raise _wrong(path, "default", default, "a table of role = name")
    _only(path, "default.", default, set(ROLES))
    manifest = Manifest(path=path, entries=entries, default=default)
    for role in default:
        manifest.find(cast(Role, role))
    return manifest


def format_entry(entry: WeightsEntry) -> str:
    """
    The ``[[weights]]`` text of one entry, as `load_manifest` reads it; the export writes this.

    The three contract tables are not chosen by the caller: a network that differs from `INPUT` and `OUTPUT`
    has no place in a manifest.
    """
    lines = ["[[weights]]"]
    rows: dict[str, object] = {
        "name": entry.name,
        "role": entry.role,
        "file": entry.path.as_posix(),
        "bytes": entry.size,
        "sha256": entry.sha256,
        "licence": entry.licence,
        "trained_by": entry.trained_by,
        "card": entry.card,
    }
    lines += [f"{key} = {_toml(value)}" for key, value in rows.items()]
    parity = {**entry.parity, "max_abs": entry.parity_max_abs}
    for title, table in (("input", INPUT), ("output", OUTPUT), ("parity", parity)):
        lines += ["", f"[weights.{title}]", *(f"{key} = {_toml(value)}" for key, value in table.items())]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    """One value in TOML's own spelling."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return repr(value)


_TEXTS: Final = ("name", "role", "file", "sha256", "licence", "trained_by", "card")


def _entry(path: Path, row: Mapping[str, Any]) -> WeightsEntry:
    """One ``[[weights]]`` table, every key checked."""
    _only(path, "weights.", row, {*_TEXTS, "bytes", "input", "output", "parity"})
    for key in _TEXTS:
        if not isinstance(row.get(key), str) or not row[key]:
            raise _wrong(path, f"weights.{key}", row.get(key), "a text")
    where = f"weights {row['name']}: "
    if not _NAME.fullmatch(row["name"]):
        raise _wrong(path, "weights.name", row["name"], "small letters, digits, dots and hyphens")
    if row["role"] not in ROLES:
        raise _wrong(path, where + "role", row["role"], " or ".join(ROLES))
    if not _SHA256.fullmatch(row["sha256"]):
        raise _wrong(path, where + "sha256", row["sha256"], "64 hexadecimal digits")
    size = row.get("bytes")
    if not isinstance(size, int) or isinstance(size, bool) or size <= 0:
        raise _wrong(path, where + "bytes", size, "a positive whole number")
    file = Path(row["file"])
    if file.is_absolute() or ".." in file.parts:
        raise _wrong(path, where + "file", row["file"], "a path below the manifest's folder")
    for key, contract in (("input", INPUT), ("output", OUTPUT)):
        if row.get(key) != contract:
            raise _wrong(path, where + key, row.get(key), str(dict(contract)))
    parity = row.get("parity")
    if not isinstance(parity, dict):
        raise _wrong(path, where + "parity", parity, "the table that the export wrote")
    worst = parity.get("max_abs")
    if not isinstance(worst, int | float) or isinstance(worst, bool) or not 0 <= worst < math.inf:
        raise _wrong(path, where + "parity.max_abs", worst, "a number from 0")
    return WeightsEntry(
        name=row["name"],
        role=cast(Role, row["role"]),
        path=path.parent / file,
        size=size,
        sha256=row["sha256"],
        licence=row["licence"],
        trained_by=row["trained_by"],
        card=row["card"],
        parity_max_abs=float(worst),
        parity={key: value for key, value in parity.items() if key != "max_abs"},
    )


def _only(path: Path, where: str, table: Mapping[str, Any], known: set[str]) -> None:
    """Refuse keys that nobody reads."""
    for key in table:
        if key not in known:
            raise WeightsError(
                f"{path}: unknown key {where}{key}; known: {', '.join(sorted(known))}. Remove it."
            )


def _wrong(path: Path, key: str, found: object, needed: str) -> WeightsError:
    return WeightsError(f"{path}: {key} is {found!r}; needs {needed}. Correct the manifest.")
