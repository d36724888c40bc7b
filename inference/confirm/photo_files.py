"""
The bytes of a photo by their content hash. Edge module: reads and writes files.

Uploads go into a folder beside the ledger, named by their hash; photos that were screened are read where they
were seen. What comes back always has the hash that was asked for. No name that a client sent ever becomes
part of a path: the only text that does is 64 hexadecimal digits.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from crestgauge.inference.confirm.clean import SUFFIXES, without_capture_data
from crestgauge.inference.errors import LedgerError, PhotoError
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.photo import LIMITS, PhotoLimits, sniff
from crestgauge.inference.screening.sources import read_bytes

FOLDER_SUFFIX: Final = ".photos"
"""A ledger ``season.db`` keeps its uploads in ``season.db.photos`` unless told otherwise."""
_SHA256: Final = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A photo that is safe on disk: its hash, its place (for `sightings`) and whether it was new."""

    sha256: str
    location: str
    new: bool


class PhotoStore:
    """
    Photos by content hash. Safe to share between threads and processes.

    Parameters
    ----------
    folder : Path
        Where uploads are kept; made when the first one comes.
    limits : PhotoLimits
    remote : bool
        Also fetch photos that were screened from a URL. Without, nothing is ever asked of a network.
    """

    def __init__(self, folder: Path, *, limits: PhotoLimits = LIMITS, remote: bool = False) -> None:
        self.folder = folder.absolute()
        self.limits = limits
        self.remote = remote

    def put(self, data: bytes) -> Stored:
        """
        Keep an upload: its capture data (position, camera, date, thumbnail) is taken out of the file first,
        then it is written under its hash, synced, and put in place whole or not at all.

        ``sha256`` is that of the file without capture data, which is the photo from here on.

        Raises
        ------
        PhotoError
            If it is empty, too large, or no picture format that is read (by its first bytes).
        LedgerError
            If the disk refuses.
        """
        clean = without_capture_data(data, limits=self.limits)
        sha256 = hashlib.sha256(clean).hexdigest()
        place = self._place(sha256, SUFFIXES[sniff(clean)])
        if _has(place, sha256):
            return Stored(sha256=sha256, location=str(place), new=False)
        try:
            _write(place, clean)
        except OSError as error:
            raise LedgerError(
                f"{self.folder}: the photo cannot be kept ({error.strerror or error}). Free some space, or "
                "choose another folder; nothing was filed."
            ) from error
        return Stored(sha256=sha256, location=str(place), new=True)

    def get(self, ledger: Ledger, sha256: str) -> bytes:
        """
        Bytes of a photo, from the folder or from a place where the ledger saw them; the hash is checked.

        Raises
        ------
        PhotoError
            If ``sha256`` is no hash, or the bytes are nowhere to be found unchanged.
        """
        if not _SHA256.fullmatch(sha256):
            raise PhotoError("photo: not a content hash; needs 64 hexadecimal digits.")
        for suffix in SUFFIXES.values():
            place = self._place(sha256, suffix)
            if place.is_file() and (data := _checked(str(place), sha256)) is not None:
                return data
        table = Base.metadata.tables["sightings"]
        query = sa.select(table.c.location).where(table.c.sha256 == sha256).order_by(table.c.id.desc())
        with ledger.reading() as connection:
            places = connection.execute(query).scalars().all()
        near = [place for place in places if self.remote or "://" not in place]
        for location in near:
            if (data := _checked(location, sha256)) is not None:
                return data
        raise PhotoError(
            f"photo {sha256[:12]}: its file is not where it was seen, or has changed since "
            f"({len(near)} places looked at, {len(places) - len(near)} URLs left alone). Put it back; the "
            "reading is kept all the same."
        )

    def _place(self, sha256: str, suffix: str) -> Path:
        return self.folder / sha256[:2] / f"{sha256}{suffix}"


def default_folder(ledger: Ledger) -> Path | None:
    """The folder beside an SQLite ledger's file; None for a database server or a ledger in memory."""
    if ledger.url.get_backend_name() != "sqlite" or ledger.name == ":memory:":
        return None
    return Path(ledger.name + FOLDER_SUFFIX)


def _checked(location: str, sha256: str) -> bytes | None:
    """The bytes at a place if they have this hash."""
    try:
        data = read_bytes(location)
    except PhotoError:
        return None
    return data if hashlib.sha256(data).hexdigest() == sha256 else None


def _has(place: Path, sha256: str) -> bool:
    return place.is_file() and _checked(str(place), sha256) is not None


def _write(place: Path, data: bytes) -> None:
    """Write under a name of its own, sync, and move into place: whole after a power cut, or not there."""
    place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    part = place.with_name(f".{secrets.token_hex(8)}.part")
    try:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, place)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    for folder in (place.parent, place.parent.parent):
        _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    if not hasattr(os, "O_DIRECTORY"):  # Windows cannot sync a folder
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
