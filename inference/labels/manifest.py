"""
``labels.json``: what was handed out for correcting, so that it can be recognised when it comes back.

One item per photo: its hash and size, its animal, which picture was made of it and how that lies in the
photo, and the proposals as hashes, so that what a person changed is told from what nobody touched. Edge
module: reads and writes the file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.exchange.coco import LabelledPhoto, ToothLabel
from crestgauge.inference.maps import CROP_SIZE

SCHEMA: Final = "crestgauge.labels/1"
FILE: Final = "labels.json"
COCO_FILE, CLASSES_FILE = "coco.json", "classes.json"
PHOTOS_CSV, TEETH_CSV = "photos.csv", "teeth.csv"
PICTURES, MAPS = "pictures", "maps"

View = Literal["row", "photo"]
Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposed:
    """
    What the tool drew, to be told from what a person changed.

    Parameters
    ----------
    material, tooth : str
        `map_hash` of the two label maps.
    teeth : tuple of ToothLabel
        Lobe centres in pixels of the picture.
    """

    material: str
    tooth: str
    teeth: tuple[ToothLabel, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelItem:
    """
    One photo that was handed out.

    Parameters
    ----------
    name : str
        Stem of all files of this photo, unique in the folder.
    file, sha256 : str
        The photo's name without folder, and the hash of its bytes.
    width, height : int
        Of the upright photo. [px]
    animal : str or None
    side : "left", "right" or None
    outcome, model : str
        Of the reading that the proposals come from.
    view : "row" or "photo"
    picture : str
        File name of the picture that was made, below `PICTURES`.
    size : (int, int)
        (width, height) of the picture and its label maps. [px]
    from_photo : Matrix
        Homography that carries pixels of the upright photo to pixels of the picture.
    area : tuple of (x, y), or None
        Corners, in the picture, of what the network looked at closely; nothing is said beyond them. None =
        everywhere.
    proposed : Proposed or None
        None where no tooth row was found, so that a person draws from nothing.
    """

    name: str
    file: str
    sha256: str
    width: int
    height: int
    animal: str | None
    side: str | None
    outcome: str
    model: str
    view: View
    picture: str
    size: tuple[int, int]
    from_photo: Matrix
    area: tuple[tuple[float, float], ...] | None
    proposed: Proposed | None

    @property
    def matrix(self) -> NDArray[np.float64]:
        """``from_photo`` as an array, shape (3, 3)."""
        return np.array(self.from_photo, dtype=np.float64)


def map_hash(labels: NDArray[np.uint8]) -> str:
    """SHA-256 of a label map's class numbers, row by row."""
    return hashlib.sha256(np.ascontiguousarray(labels, dtype=np.uint8).tobytes()).hexdigest()


def area_mask(area: Sequence[tuple[float, float]], size: tuple[int, int]) -> NDArray[np.bool_]:
    """
    Pixels of a picture of ``size`` that lie in what was handed out, whose corners are ``area``.

    Proposals and corrections are cut by this one rule, or untouched proposals would seem changed at the rim.
    """
    width, height = CROP_SIZE
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float32) - 0.5
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), np.array(area, dtype=np.float32))
    ones = np.ones((height, width), dtype=np.uint8)
    return np.asarray(cv2.warpPerspective(ones, matrix, size, flags=cv2.INTER_NEAREST)) > 0


def proposed_of(labels: LabelledPhoto) -> Proposed:
    """What is kept of a proposal."""
    return Proposed(
        material=map_hash(labels.material), tooth=map_hash(labels.tooth), teeth=rounded(labels.teeth)
    )


def rounded(teeth: Sequence[ToothLabel]) -> tuple[ToothLabel, ...]:
    """Lobe centres to a hundredth of a pixel, as every file of a label folder keeps them."""
    return tuple(
        ToothLabel(
            position=t.position,
            state=t.state,
            milk=t.milk,
            lobe_centres=tuple((round(x, 2), round(y, 2)) for x, y in t.lobe_centres),
        )
        for t in teeth
    )


def write_manifest(folder: Path, items: Sequence[LabelItem]) -> None:
    """
    Write ``labels.json``.

    Raises
    ------
    ExchangeError
        If it cannot be written.
    """
    path = folder / FILE
    whole = {"schema": SCHEMA, "photos": [asdict(item) for item in items]}
    try:
        path.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error


def read_manifest(folder: Path) -> list[LabelItem]:
    """
    Read ``labels.json``.

    Raises
    ------
    ExchangeError
        If it is missing or not as it was written.
    """
    path = folder / FILE
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
        if whole["schema"] != SCHEMA:
            raise ValueError(f"schema {whole['schema']}")
        return [_item(entry) for entry in whole["photos"]]
    except OSError as error:
        raise ExchangeError(
            f"{path}: cannot be read ({error.strerror}); needs the folder that labels out wrote, "
            f"with {FILE} in it."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise ExchangeError(
            f"{path}: not {SCHEMA} ({type(error).__name__}: {error}). Put the file back as it was written."
        ) from error


def _item(entry: dict[str, Any]) -> LabelItem:
    proposed = entry["proposed"]
    values = dict(entry)
    values["size"] = tuple(entry["size"])
    values["from_photo"] = tuple(tuple(float(v) for v in row) for row in entry["from_photo"])
    values["area"] = None if entry["area"] is None else tuple((float(x), float(y)) for x, y in entry["area"])
    values["proposed"] = None
    if proposed is not None:
        teeth = tuple(
            ToothLabel(**(t | {"lobe_centres": tuple((float(x), float(y)) for x, y in t["lobe_centres"])}))
            for t in proposed["teeth"]
        )
        values["proposed"] = Proposed(material=proposed["material"], tooth=proposed["tooth"], teeth=teeth)
    return LabelItem(**values)
