"""
Where photos come from: folders, archives, CSV lists, single files, and any URL that fsspec can open.

Edge module: reads files. A place is a text that a worker on another machine can open too: ``folder/a.jpg``,
``season.zip!deer/a.jpg`` for a member of an archive, ``s3://bucket/a.jpg``.
"""

from __future__ import annotations

import os
import tarfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.errors import CrestgaugeError, ExchangeError, PhotoError
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.photo import LIMITS

PHOTO_SUFFIXES: Final = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})
ARCHIVE_SUFFIXES: Final = (".zip", ".tar", ".tar.gz", ".tgz", ".tar.bz2", ".tar.xz")
INSIDE: Final = "!"


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """
    One photo to read.

    Parameters
    ----------
    location : str
    specimen_id : str or None
        From a list; None leaves it to a card in the picture.
    sha256 : str or None
        Hash of the bytes, once they were read.
    """

    location: str
    specimen_id: str | None = None
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Something that was not taken: where it stands, and why."""

    where: str
    why: str


@dataclass(slots=True, kw_only=True)
class Found:
    """What a walk found: photos in a fixed order, animals from lists, and what was left out."""

    items: list[Item] = field(default_factory=list)
    specimens: list[Specimen] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    other_files: int = 0


def find_photos(places: list[str]) -> Found:
    """
    Walk through everything named.

    Parameters
    ----------
    places : list of str
        Folders, photos, archives, CSV lists with a column ``photo``, URLs of a file or (ending in "/") a
        folder.

    Raises
    ------
    ExchangeError
        If a place does not exist or is of no known kind. What lies inside a folder never raises.
    """
    found = Found()
    for place in places:
        _walk(place, found)
    seen: set[str] = set()
    unique = []
    for item in found.items:
        if item.location not in seen:
            seen.add(item.location)
            unique.append(item)
    found.items = unique
    return found


def read_bytes(location: str) -> bytes:
    """
    The bytes of one photo.

    Raises
    ------
    PhotoError
        If they cannot be read, or are more than a photo may have.
    """
    archive, _, member = location.partition(INSIDE)
    try:
        if member and archive.lower().endswith(ARCHIVE_SUFFIXES):
            return _member_bytes(archive, member)
        if "://" in location:
            with _open_url(location) as stream:
                data = bytes(stream.read(LIMITS.max_bytes + 1))
        else:
            with open(location, "rb") as file:
                data = file.read(LIMITS.max_bytes + 1)
    except PhotoError:
        raise
    except (
        OSError,
        EOFError,
        zipfile.BadZipFile,
        tarfile.TarError,
        KeyError,
        RuntimeError,
        NotImplementedError,
    ) as error:
        words = getattr(error, "strerror", None) or " ".join(str(error).split()) or type(error).__name__
        raise PhotoError(
            f"{location}: cannot be read ({words}). Check the file and its permissions."
        ) from error
    if len(data) > LIMITS.max_bytes:
        raise PhotoError(f"{location}: more than {LIMITS.max_bytes / 2**20:.0f} MiB. Export it as JPEG.")
    return data


def _walk(place: str, found: Found) -> None:
    lower = place.lower()
    if "://" in place:
        _walk_url(place, found)
    elif os.path.isdir(place):
        _walk_folder(Path(place), found)
    elif not os.path.exists(place):
        raise ExchangeError(f"{place}: is not there; needs a folder, a photo, an archive or a CSV list.")
    elif lower.endswith(ARCHIVE_SUFFIXES):
        _walk_archive(place, found)
    elif lower.endswith(".csv"):
        _walk_list(Path(place), found)
    elif Path(lower).suffix in PHOTO_SUFFIXES:
        found.items.append(Item(location=place))
    else:
        raise ExchangeError(f"{place}: of no known kind; needs a folder, a photo, an archive or a CSV list.")


def _walk_folder(folder: Path, found: Found) -> None:
    def complain(error: OSError) -> None:
        found.refused.append(Refusal(where=str(error.filename), why=f"cannot be opened ({error.strerror})"))

    for here, folders, files in os.walk(folder, onerror=complain):
        folders.sort()
        for name in sorted(files):
            path = os.path.join(here, name)
            if name.startswith("."):
                continue
            if Path(name.lower()).suffix in PHOTO_SUFFIXES:
                found.items.append(Item(location=path))
            elif name.lower().endswith(ARCHIVE_SUFFIXES):
                _walk_archive(path, found)
            else:
                found.other_files += 1


def _walk_archive(path: str, found: Found) -> None:
    try:
        names = sorted(_member_names(path))
    except (OSError, EOFError, zipfile.BadZipFile, tarfile.TarError) as error:
        found.refused.append(
            Refusal(where=path, why=f"archive cannot be read ({' '.join(str(error).split())})")
        )
        return
    for name in names:
        if Path(name.lower()).suffix in PHOTO_SUFFIXES and not Path(name).name.startswith("."):
            found.items.append(Item(location=f"{path}{INSIDE}{name}"))
        else:
            found.other_files += 1


def _member_names(path: str) -> Iterator[str]:
    if path.lower().endswith(".zip"):
        with zipfile.ZipFile(path) as archive:
            yield from (info.filename for info in archive.infolist() if not info.is_dir())
    else:
        with tarfile.open(path) as tar:
            yield from (info.name for info in tar if info.isfile())


def _member_bytes(path: str, member: str) -> bytes:
    """One member in memory, never unpacked to disk, so that no name in an archive can point outside it."""
    limit = LIMITS.max_bytes
    if path.lower().endswith(".zip"):
        with zipfile.ZipFile(path) as archive, archive.open(member) as stream:
            data = stream.read(limit + 1)
    else:
        with tarfile.open(path) as tar:
            inside = tar.extractfile(member)
            if inside is None:
                raise PhotoError(f"{path}{INSIDE}{member}: is no file in the archive.")
            data = inside.read(limit + 1)
    if len(data) > limit:
        raise PhotoError(f"{path}{INSIDE}{member}: more than {limit / 2**20:.0f} MiB unpacked.")
    return data


def _walk_list(path: Path, found: Found) -> None:
    """A CSV list: column ``photo``, and, if wanted, ``specimen_id`` with any field of a specimen."""
    from crestgauge.inference.exchange.tables_in import read_rows, specimen_of

    try:
        rows, columns = read_rows(path)
    except CrestgaugeError:
        raise
    if "photo" not in columns:
        raise ExchangeError(f"{path}: columns {', '.join(columns)}; needs one called photo.")
    animals: dict[str, Specimen] = {}
    for number, row in rows:
        where = f"{path}:{number}"
        photo = row.get("photo", "")
        if not photo:
            found.refused.append(Refusal(where=where, why="no photo named in column photo"))
            continue
        specimen_id = row.get("specimen_id") or None
        if specimen_id is not None:
            try:
                animal = specimen_of({k: v for k, v in row.items() if k != "photo"})
            except CrestgaugeError as error:
                found.refused.append(Refusal(where=where, why=str(error)))
                continue
            if animals.setdefault(specimen_id, animal) != animal:
                why = f"specimen {specimen_id} has other values here than in an earlier row"
                found.refused.append(Refusal(where=where, why=why))
                continue
        location = photo if "://" in photo or os.path.isabs(photo) else str(path.parent / photo)
        found.items.append(Item(location=location, specimen_id=specimen_id))
    found.specimens += animals.values()


def _walk_url(url: str, found: Found) -> None:
    if url.lower().endswith(".csv"):
        raise ExchangeError(f"{url}: a list must be a local file; its photos may be URLs.")
    if Path(url.lower()).suffix in PHOTO_SUFFIXES:
        found.items.append(Item(location=url))
        return
    fsspec = _fsspec()
    protocol = url.split("://")[0]
    try:
        system, path = fsspec.core.url_to_fs(url)
        names = sorted(system.find(path))
    except Exception as error:  # every file system of fsspec has errors of its own
        raise ExchangeError(f"{url}: cannot be listed ({' '.join(str(error).split())}).") from error
    for name in names:
        if Path(name.lower()).suffix in PHOTO_SUFFIXES:
            found.items.append(Item(location=f"{protocol}://{name}"))
        else:
            found.other_files += 1


def _open_url(url: str) -> Any:
    try:
        return _fsspec().open(url, "rb")
    except (ValueError, ImportError) as error:
        raise PhotoError(f"{url}: cannot be opened ({' '.join(str(error).split())}).") from error


def _fsspec() -> Any:
    try:
        import fsspec
    except ImportError as error:
        raise ExchangeError(
            'fsspec is not installed; needed for URLs. Run: pip install "crestgauge[cluster]"'
        ) from error
    return fsspec


__all__ = ["INSIDE", "PHOTO_SUFFIXES", "Found", "Item", "Refusal", "find_photos", "read_bytes"]
