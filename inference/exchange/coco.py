"""
COCO JSON of label masks, out for correcting and in for training. Edge module.

One annotation per tooth and material, as uncompressed run lengths: column by column, zeros first (the format
of the COCO data set, cocodataset.org/#format-data). Polygons are read too, since most tools write them; they
cannot hold holes, so they are painted in the order of `PAINT_ORDER`, what lies inside last.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import ExchangeError
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
CATEGORIES: Final = [{"id": int(m), "name": m.name.lower(), "supercategory": "material"} for m in PAINT_ORDER]
MAX_PIXELS: Final = 120_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LabelledPhoto:
    """
    Label masks of one photo.

    Parameters
    ----------
    file : str
    material : ndarray of uint8, shape (H, W)
        `Material` of each pixel of the upright photo.
    tooth : ndarray of uint8, shape (H, W)
        0 = none, 1..6.
    """

    file: str
    material: Labels
    tooth: Labels


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


def write_coco(path: Path, photos: Sequence[LabelledPhoto], *, description: str) -> int:
    """
    Write one COCO file for all photos.

    Returns
    -------
    int
        Annotations written.

    Raises
    ------
    ExchangeError
        If the file cannot be written.
    """
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for image_id, photo in enumerate(photos, start=1):
        height, width = photo.material.shape
        images.append({"id": image_id, "file_name": photo.file, "width": width, "height": height})
        for tooth in range(7):
            for material in PAINT_ORDER:
                mask = (photo.material == material) & (photo.tooth == tooth)
                if mask.any():
                    entry = _annotation(mask, len(annotations) + 1, image_id, int(material))
                    annotations.append(entry | {"attributes": {"tooth": tooth}})
    whole = {
        "info": {"description": description, "version": "crestgauge.coco/1"},
        "licenses": [],
        "images": images,
        "categories": CATEGORIES,
        "annotations": annotations,
    }
    try:
        path.write_text(json.dumps(whole, separators=(",", ":")), encoding="utf-8")
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error
    return len(annotations)


def read_coco(path: Path) -> list[LabelledPhoto]:
    """
    Read a COCO file back, corrected by whatever tool.

    Category names are those of `CATEGORIES`, in any order and with any ids; the tooth of an annotation stands
    in ``attributes.tooth`` or ``tooth``, 0 where it is missing.

    Raises
    ------
    ExchangeError
        If it is no COCO file, or an annotation cannot be understood; the message names it.
    """
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
        images = {image["id"]: image for image in whole["images"]}
        names = {c["id"]: str(c["name"]).upper() for c in whole["categories"]}
        annotations = whole["annotations"]
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be read ({error.strerror}).") from error
    except (ValueError, KeyError, TypeError) as error:
        raise ExchangeError(
            f"{path}: no COCO file ({type(error).__name__}: {error}); needs images, categories, annotations."
        ) from error
    drawn = {key: _blank(path, image) for key, image in images.items()}
    order = {m.name: k for k, m in enumerate(PAINT_ORDER)}
    unknown = sorted({names.get(a.get("category_id"), "?") for a in annotations} - set(order))
    if unknown:
        raise ExchangeError(
            f"{path}: category {', '.join(unknown).lower()}; known are {', '.join(order).lower()}."
        )
    for entry in sorted(annotations, key=lambda a: order[names[a["category_id"]]]):
        where = f"{path}: annotation {entry.get('id')}"
        if entry.get("image_id") not in drawn:
            raise ExchangeError(f"{where}: image {entry.get('image_id')} is not in the file.")
        photo = drawn[entry["image_id"]]
        mask = _mask(entry.get("segmentation"), photo.material.shape, where)
        tooth = (entry.get("attributes") or {}).get("tooth", entry.get("tooth", 0))
        if not isinstance(tooth, int) or not 0 <= tooth <= 6:
            raise ExchangeError(f"{where}: tooth {tooth!r}; needs 0 to 6.")
        photo.material[mask] = int(Material[names[entry["category_id"]]])
        photo.tooth[mask] = tooth
    return list(drawn.values())


def run_lengths(mask: NDArray[np.bool_]) -> list[int]:
    """Run lengths down the columns, zeros first."""
    flat = np.concatenate([[False], mask.ravel(order="F"), [False]])
    edges = np.flatnonzero(flat[1:] != flat[:-1])
    runs = np.diff(np.concatenate([[0], edges, [mask.size]])).tolist()
    return [int(n) for n in runs[:-1]] if runs[-1] == 0 else [int(n) for n in runs]


def _annotation(mask: NDArray[np.bool_], key: int, image_id: int, category: int) -> dict[str, Any]:
    rows, cols = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    box = [int(cols[0]), int(rows[0]), int(cols[-1] - cols[0] + 1), int(rows[-1] - rows[0] + 1)]
    return {
        "id": key,
        "image_id": image_id,
        "category_id": category,
        "segmentation": {"size": list(mask.shape), "counts": run_lengths(mask)},
        "area": int(mask.sum()),
        "bbox": box,
        "iscrowd": 0,
    }


def _blank(path: Path, image: Mapping[str, Any]) -> LabelledPhoto:
    try:
        width, height, file = int(image["width"]), int(image["height"]), str(image["file_name"])
    except (KeyError, TypeError, ValueError) as error:
        raise ExchangeError(f"{path}: image {image!r} has no width, height or file_name.") from error
    if width < 1 or height < 1 or width * height > MAX_PIXELS:
        raise ExchangeError(f"{path}: image {file} of {width} x {height} px; needs 1 to {MAX_PIXELS} pixels.")
    return LabelledPhoto(
        file=file,
        material=np.zeros((height, width), dtype=np.uint8),
        tooth=np.zeros((height, width), dtype=np.uint8),
    )


def _mask(segmentation: Any, shape: tuple[int, ...], where: str) -> NDArray[np.bool_]:
    if isinstance(segmentation, list):
        mask = np.zeros(shape, dtype=np.uint8)
        try:
            for polygon in segmentation:
                points = np.asarray(polygon, dtype=np.float64).reshape(-1, 2)
                # COCO counts from pixel corners, this project from pixel centres.
                cv2.fillPoly(mask, [np.round(points - 0.5).astype(np.int32)], 1)
        except (ValueError, TypeError) as error:
            raise ExchangeError(f"{where}: polygon cannot be read ({error}).") from error
        return mask.astype(bool)
    if not isinstance(segmentation, dict) or list(segmentation.get("size", ())) != list(shape):
        raise ExchangeError(f"{where}: mask is not of the image's size {list(shape)}.")
    counts = segmentation.get("counts")
    runs = unpacked(counts) if isinstance(counts, str) else counts
    if not isinstance(runs, list) or any(not isinstance(n, int) or n < 0 for n in runs):
        raise ExchangeError(f"{where}: run lengths cannot be read.")
    if sum(runs) > shape[0] * shape[1]:
        raise ExchangeError(
            f"{where}: run lengths add up to {sum(runs)}; needs at most {shape[0] * shape[1]}."
        )
    flat = np.zeros(shape[0] * shape[1], dtype=bool)
    values = np.repeat(np.arange(len(runs)) % 2 == 1, runs)
    flat[: len(values)] = values
    return flat.reshape(shape, order="F")


def unpacked(text: str) -> list[int]:
    """
    Run lengths from COCO's compressed text: 5 bits a character from "0" on, bit 6 = more follows, bit 5 of
    the last one = sign; from the fourth on the difference to the one two before.
    """
    runs: list[int] = []
    value = shift = 0
    for character in text:
        code = ord(character) - 48
        value |= (code & 0x1F) << shift
        shift += 5
        if code & 0x20:
            continue
        if code & 0x10:
            value -= 1 << shift
        runs.append(value + runs[-2] if len(runs) > 2 else value)
        value = shift = 0
    return runs
