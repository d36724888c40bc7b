"""
COCO JSON of label masks, out for correcting. Edge module;
`crestgauge.inference.exchange.coco_read` reads it back.

One annotation per tooth and material, and one per tooth with its whole crown (category ``tooth``), its
position, state and kind as attributes and its lobe centres as key points. Masks are uncompressed run lengths,
column by column, zeros first (the format of the COCO data set, cocodataset.org/#format-data), or polygons.
Polygons that people draw have no holes, so materials are painted in the order of `PAINT_ORDER`, what lies
inside last.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.exchange.masks import polygons_of, run_lengths, unpacked
from crestgauge.inference.maps import LabelMaps, RowFrame
from crestgauge.model.labels import CROWN_MATERIALS, Material

Labels = NDArray[np.uint8]

PAINT_ORDER: Final = (
    Material.JAW,
    Material.CROWN_WALL,
    Material.ENAMEL_BAND,
    Material.DENTINE,
    Material.INFUNDIBULUM,
)
TOOTH, NOT_LABELLED, UNKNOWN = "tooth", "not_labelled", 255
"""Category of whole crowns; category, and label value, of what nothing is said about."""
TOOTH_ID: Final = 7
STATES: Final = ("erupted", "erupting", "broken")
LOBE_POINTS: Final = ("lobe_1", "lobe_2", "lobe_3")
CATEGORIES: Final = [
    *({"id": int(m), "name": m.name.lower(), "supercategory": "material"} for m in PAINT_ORDER),
    {
        "id": TOOTH_ID,
        "name": TOOTH,
        "supercategory": "tooth",
        "keypoints": list(LOBE_POINTS),
        "skeleton": [[1, 2], [2, 3]],
    },
    {"id": 8, "name": NOT_LABELLED, "supercategory": "material"},
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothLabel:
    """
    What is said of one tooth as a whole; None, or no point, where nothing is said.

    Parameters
    ----------
    position : int
        1..6.
    state : str or None
        One of `STATES`.
    milk : bool or None
    lobe_centres : tuple of (x, y)
        Front first. [px]
    """

    position: int
    state: str | None = None
    milk: bool | None = None
    lobe_centres: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabelledPhoto:
    """
    Label masks of one picture.

    Parameters
    ----------
    file : str
    material : ndarray of uint8, shape (H, W)
        `Material` of each pixel, `UNKNOWN` where nothing is said.
    tooth : ndarray of uint8, shape (H, W)
        0 = none, 1..6, `UNKNOWN`.
    teeth : tuple of ToothLabel
        By position; empty where only the masks are known.
    """

    file: str
    material: Labels
    tooth: Labels
    teeth: tuple[ToothLabel, ...] = ()


def labels_of(
    maps: LabelMaps,
    frame: RowFrame,
    size: tuple[int, int],
    file: str,
    *,
    straightening: NDArray[np.float64] | None = None,
) -> LabelledPhoto:
    """
    The most probable labels of the levelled crop, laid back into the upright photo.

    Parameters
    ----------
    maps : LabelMaps
        Of the crop.
    frame : RowFrame
        Photo to crop.
    size : (int, int)
        Width and height of the photo. [px]
    file : str
    straightening : ndarray, shape (3, 3), or None
        Homography from the photo to the straightened one that ``frame`` belongs to (`Result.straightening`).
    """
    to_crop = np.vstack([frame.matrix, [0, 0, 1]]) @ (np.eye(3) if straightening is None else straightening)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    material = maps.block("material").argmax(axis=0).astype(np.uint8)
    tooth = maps.block("tooth").argmax(axis=0).astype(np.uint8)
    tooth[~np.isin(material, [int(m) for m in CROWN_MATERIALS])] = 0
    return LabelledPhoto(
        file=file,
        material=np.asarray(cv2.warpPerspective(material, to_crop, size, flags=flags), dtype=np.uint8),
        tooth=np.asarray(cv2.warpPerspective(tooth, to_crop, size, flags=flags), dtype=np.uint8),
    )


def write_coco(
    path: Path, photos: Sequence[LabelledPhoto], *, description: str, polygons: bool = False
) -> int:
    """
    Write one COCO file for all photos.

    Parameters
    ----------
    polygons : bool
        Masks as polygons along the pixel corners instead of run lengths.

    Returns
    -------
    int
        Annotations written.

    Raises
    ------
    ExchangeError
        If the file cannot be written.
    """
    book = CocoBook(polygons=polygons)
    for photo in photos:
        book.add(photo)
    book.write(path, description=description)
    return len(book.annotations)


class CocoBook:
    """
    A COCO file in the making, photo by photo, so that no two photos' masks are in memory.

    Parameters
    ----------
    polygons : bool
    """

    def __init__(self, *, polygons: bool = False) -> None:
        self.polygons = polygons
        self.images: list[dict[str, Any]] = []
        self.annotations: list[dict[str, Any]] = []

    def add(self, photo: LabelledPhoto) -> None:
        """Take the masks of one picture."""
        height, width = photo.material.shape
        image_id = len(self.images) + 1
        self.images.append({"id": image_id, "file_name": photo.file, "width": width, "height": height})
        for tooth in range(7):
            for material in PAINT_ORDER:
                mask = (photo.material == material) & (photo.tooth == tooth)
                if mask.any():
                    self._annotate(mask, int(material), {"attributes": {"tooth": tooth}})
        for label in photo.teeth:
            crown = photo.tooth == label.position
            if crown.any():
                self._annotate(crown, TOOTH_ID, _tooth_entry(label))

    def write(self, path: Path, *, description: str) -> None:
        """
        Write the file.

        Raises
        ------
        ExchangeError
            If it cannot be written.
        """
        whole = {
            "info": {"description": description, "version": "crestgauge.coco/1"},
            "licenses": [],
            "images": self.images,
            "categories": CATEGORIES,
            "annotations": self.annotations,
        }
        try:
            path.write_text(json.dumps(whole, separators=(",", ":")), encoding="utf-8")
        except OSError as error:
            raise ExchangeError(
                f"{path}: cannot be written ({error.strerror}). Choose another place."
            ) from error

    def _annotate(self, mask: NDArray[np.bool_], category: int, rest: dict[str, Any]) -> None:
        key = len(self.annotations) + 1
        self.annotations.append(_annotation(mask, key, len(self.images), category, self.polygons) | rest)


def _annotation(
    mask: NDArray[np.bool_], key: int, image_id: int, category: int, polygons: bool
) -> dict[str, Any]:
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = [int(cols[0]), int(rows[0]), int(cols[-1] - cols[0] + 1), int(rows[-1] - rows[0] + 1)]
    runs = {"size": list(mask.shape), "counts": run_lengths(mask)}
    return {
        "id": key,
        "image_id": image_id,
        "category_id": category,
        "segmentation": polygons_of(mask) if polygons else runs,
        "area": int(mask.sum()),
        "bbox": box,
        "iscrowd": 0,
    }


def _tooth_entry(label: ToothLabel) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "attributes": {"tooth": label.position, "state": label.state, "milk": label.milk}
    }
    if label.lobe_centres:
        points = [v for x, y in label.lobe_centres for v in (round(x + 0.5, 2), round(y + 0.5, 2), 2)]
        missing = len(LOBE_POINTS) - len(label.lobe_centres)
        entry |= {"keypoints": points + [0, 0, 0] * missing, "num_keypoints": len(label.lobe_centres)}
    return entry


__all__ = [
    "CATEGORIES",
    "PAINT_ORDER",
    "CocoBook",
    "LabelledPhoto",
    "ToothLabel",
    "labels_of",
    "run_lengths",
    "unpacked",
    "write_coco",
]
