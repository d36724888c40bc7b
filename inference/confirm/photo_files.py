"""
The bytes of a photo by their content hash. Edge module: reads and writes files.

Uploads go into a folder beside the ledger, named by their hash; photos that were screened are read where they
were seen. What comes back always has the hash that was asked for. No name that a client sent ever becomes
part of a path: the only text that does is 64 hexadecimal digits.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.photo import LIMITS, PhotoLimits

FOLDER_SUFFIX: Final = ".photos"
"""A ledger ``season.db`` keeps its uploads in ``season.db.photos`` unless told otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A photo that is safe on disk: its hash, its place (for `sightings`) and whether it was new."""

    sha256: str
    location: str
    new: bool


class PhotoStore:
    """
    Photos by content hash.

    Parameters
    ----------
    folder : Path
        Where uploads are kept; made when the first one comes.
    limits : PhotoLimits
    """

    def __init__(self, folder: Path, *, limits: PhotoLimits = LIMITS) -> None:
        self.folder = folder
        self.limits = limits

    def put(self, data: bytes) -> Stored:
        """
        Keep an upload: its capture data (position, camera, date, thumbnail) is taken out of the file first,
        then it is written under its hash, synced, and put in place whole or not at all.

        Raises
        ------
        PhotoError
            If it is empty, too large, or no picture format that is read (by its first bytes).
        LedgerError
            If the disk refuses.
        """
        raise NotImplementedError

    def get(self, ledger: Ledger, sha256: str) -> bytes:
        """
        Bytes of a photo, from the folder or from a place where the ledger saw them; the hash is checked.

        Raises
        ------
        PhotoError
            If ``sha256`` is no hash, or the bytes are nowhere to be found unchanged.
        """
        raise NotImplementedError


def default_folder(ledger: Ledger) -> Path | None:
    """The folder beside an SQLite ledger's file; None for a database server or a ledger in memory."""
    raise NotImplementedError
