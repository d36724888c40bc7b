"""
The tool's own proposals as labels to correct: pictures, COCO JSON and palette PNG in one folder. Edge module.

The picture is by default the row turned level, at the photo's own resolution: all six teeth at the size at
which bands are measured, in a file that every annotation program opens at once. The whole photo is the other
choice. Either way the picture is written upright and without capture data, and label maps have its size.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.exchange.coco import STATES, UNKNOWN, CocoBook, LabelledPhoto, ToothLabel
from crestgauge.inference.homography import mapped
from crestgauge.inference.labels.label_maps import index_of_classes, write_label_map
from crestgauge.inference.labels.manifest import (
    CLASSES_FILE,
    COCO_FILE,
    MAPS,
    PHOTOS_CSV,
    PICTURES,
    TEETH_CSV,
    LabelItem,
    View,
    area_mask,
    proposed_of,
    rounded,
    write_manifest,
)
from crestgauge.inference.maps import CROP_SIZE, LabelMaps, RowFrame
from crestgauge.inference.networks import coarse_view, warp_crop
from crestgauge.inference.photo import Photo
from crestgauge.inference.pipeline import Result
from crestgauge.inference.screening.report import write_csv
from crestgauge.model.labels import CROWN_MATERIALS, Material

Floats = NDArray[np.float64]
MOST_ENLARGED: Final = 3
"""The level picture has at most this many pixels for one of the crop's. 45 px per nominal mm. [1]"""
NO_ROW_LONG_SIDE: Final = 4096
"""Long side of the picture of a photo without a row, at most. [px]"""
HOW_TO: Final = """\
Correcting these labels

pictures/       what to draw on
coco.json       the proposals for annotation programs that read COCO (instance segmentation)
maps/           the same as pictures: NAME.material.png and NAME.tooth.png, one colour a class (classes.json)
photos.csv      fill in the animal of each photo, the side (left, right) where it is wrong, and under unusable
                why a photo cannot be read: not_a_jaw, no_chewing_surface, tilted, blurred, too_small, glare,
                dark, cut_off, covered
teeth.csv       state (erupted, erupting, broken) and milk (yes, no) of each tooth, where wrong
labels.json     leave as it is

Correct coco.json OR the maps of a photo, whichever suits your program, and save under the same name (or put
another COCO file beside coco.json). Export at the same size. Mark as not_labelled what you cannot tell. What
you do not touch counts as not looked at, unless you say otherwise. Then:

    crestgauge labels in THIS-FOLDER --photos PHOTOS --out DATASET

enamel_band is enamel cut by wear, the pale line beside dentine; uncut crown is crown_wall.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOptions:
    """How proposals are written: which picture, and polygons instead of run lengths."""

    view: View = "row"
    polygons: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Handout:
    """
    One photo's picture and proposals.

    Parameters
    ----------
    item : LabelItem
    picture : ndarray of uint8, shape (H, W, 3)
    labels : LabelledPhoto
        ``file`` is the picture's; all `UNKNOWN` where nothing is proposed.
    """

    item: LabelItem
    picture: NDArray[np.uint8]
    labels: LabelledPhoto


def handout(original: Photo, result: Result, *, name: str, animal: str | None, view: View = "row") -> Handout:
    """
    The picture to draw on, and what the tool would draw.

    Parameters
    ----------
    original : Photo
        As it came; ``result.photo`` may be balanced and straightened by a card.
    result : Result
        Read with ``keep_maps``.
    name : str
        Stem of the files.
    """
    if result.maps is None or result.frame is None:
        return _blank(original, result, name=name, animal=animal)
    from_turned = np.vstack([result.frame.matrix, [0, 0, 1]])
    turn = np.eye(3) if result.straightening is None else result.straightening
    if view == "row":
        factor = min(MOST_ENLARGED, max(1, math.ceil(1 / result.frame.scale - 0.25)))
        enlarge = np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1.0]])
        size = (CROP_SIZE[0] * factor, CROP_SIZE[1] * factor)
        picture_from_turned, picture_from_crop = enlarge @ from_turned, enlarge
        colour = coarse_view(result.photo.pixels).edge_colour
        frame = RowFrame(picture_from_turned[:2])
        picture = warp_crop(result.photo.pixels, frame, colour, size)
    else:
        size, picture = (original.width, original.height), original.pixels
        picture_from_turned = np.linalg.inv(turn)
        picture_from_crop = picture_from_turned @ np.linalg.inv(from_turned)
    file = f"{name}.png" if view == "row" else f"{name}.jpg"
    width, height = CROP_SIZE
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]]) - 0.5
    area = tuple((round(float(x), 2), round(float(y), 2)) for x, y in mapped(picture_from_crop, corners))
    material, tooth = proposed_maps(result.maps, picture_from_crop, size)
    outside = ~area_mask(area, size)
    material[outside] = tooth[outside] = UNKNOWN
    labels = LabelledPhoto(
        file=file, material=material, tooth=tooth, teeth=_teeth(result, picture_from_turned, tooth)
    )
    item = _item(
        original,
        result,
        name=name,
        animal=animal,
        view=view,
        picture=file,
        size=size,
        from_photo=picture_from_turned @ turn,
    )
    return Handout(
        item=replace(item, area=area, proposed=proposed_of(labels)), picture=picture, labels=labels
    )


def proposed_maps(
    maps: LabelMaps, picture_from_crop: Floats, size: tuple[int, int]
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """
    The most probable material and tooth of every pixel of a picture, as if the crop went on beyond its
    border.

    Probabilities are interpolated before the choice, so that an enlarged label has smooth edges in the right
    place. Crown materials where no tooth is probable are specks: they become jaw or background.
    """
    matrix = np.asarray(picture_from_crop, dtype=np.float64)

    def best(planes: NDArray[np.float32], numbers: Iterable[int]) -> tuple[NDArray[Any], NDArray[Any]]:
        top = np.full(size[::-1], -1.0, dtype=np.float32)
        names = np.zeros(size[::-1], dtype=np.uint8)
        for number in numbers:
            plane = cv2.warpPerspective(
                planes[number], matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )
            higher = plane > top
            names[higher] = number
            top[higher] = plane[higher]
        return names, top

    material, _ = best(maps.block("material"), range(len(Material)))
    tooth, _ = best(maps.block("tooth"), range(7))
    crown = np.isin(material, [int(m) for m in CROWN_MATERIALS])
    if (crown & (tooth == 0)).any():
        plain, _ = best(maps.block("material"), (int(Material.BACKGROUND), int(Material.JAW)))
        specks = crown & (tooth == 0)
        material[specks] = plain[specks]
    tooth[~np.isin(material, [int(m) for m in CROWN_MATERIALS])] = 0
    return material, tooth


def _teeth(result: Result, picture_from_turned: Floats, tooth: NDArray[np.uint8]) -> tuple[ToothLabel, ...]:
    """What the reading says of every tooth that has pixels."""
    there = set(np.unique(tooth).tolist()) & set(range(1, 7))
    known = {} if result.row is None else {t.position: t for t in result.row.teeth}
    labels = []
    for position in sorted(there):
        said = known.get(position)
        if said is None:
            labels.append(ToothLabel(position=position))
            continue
        lobes = np.asarray(said.lobe_centres, dtype=np.float64).reshape(-1, 2)[:3]
        points = mapped(picture_from_turned, lobes) if len(lobes) else lobes
        labels.append(
            ToothLabel(
                position=position,
                state=said.state if said.state in STATES else None,
                milk=said.milk if position <= 3 else False,
                lobe_centres=tuple((float(x), float(y)) for x, y in points),
            )
        )
    return rounded(labels)


def _blank(original: Photo, result: Result, *, name: str, animal: str | None) -> Handout:
    """A photo without a row: the whole of it, not too large, with nothing drawn."""
    scale = min(1.0, NO_ROW_LONG_SIDE / max(original.width, original.height))
    size = (max(1, round(original.width * scale)), max(1, round(original.height * scale)))
    picture = original.pixels
    if size != (original.width, original.height):
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    x, y = size[0] / original.width, size[1] / original.height
    matrix = np.array([[x, 0, (x - 1) / 2], [0, y, (y - 1) / 2], [0, 0, 1.0]])
    nothing = np.full(size[::-1], UNKNOWN, dtype=np.uint8)
    file = f"{name}.jpg"
    item = _item(
        original, result, name=name, animal=animal, view="photo", picture=file, size=size, from_photo=matrix
    )
    labels = LabelledPhoto(file=file, material=nothing, tooth=nothing.copy())
    return Handout(item=item, picture=picture, labels=labels)


def _item(
    original: Photo,
    result: Result,
    *,
    name: str,
    animal: str | None,
    view: View,
    picture: str,
    size: tuple[int, int],
    from_photo: Floats,
) -> LabelItem:
    rows = [(float(a), float(b), float(c)) for a, b, c in from_photo / from_photo[2, 2]]
    return LabelItem(
        name=name,
        file=original.file,
        sha256=original.sha256,
        width=original.width,
        height=original.height,
        animal=animal,
        side=result.reading.side,
        outcome=result.reading.outcome,
        model=result.reading.versions.model,
        view=view,
        picture=picture,
        size=size,
        from_photo=(rows[0], rows[1], rows[2]),
        area=None,
        proposed=None,
    )


def write_folder(
    folder: Path, handouts: Iterable[Handout], options: OutOptions | None = None
) -> Iterator[LabelItem]:
    """
    Write photo by photo, and at the end the files that are about all of them; yields each item when its
    pictures are there.

    Raises
    ------
    ExchangeError
        If the folder has labels already, or a file cannot be written.
    """
    options = options or OutOptions()
    if (folder / COCO_FILE).exists() or (folder / MAPS).exists():
        raise ExchangeError(
            f"{folder}: has labels in it already, perhaps corrected ones. Choose another folder."
        )
    for part in (PICTURES, MAPS):
        (folder / part).mkdir(parents=True, exist_ok=True)
    items: list[LabelItem] = []
    book = CocoBook(polygons=options.polygons)
    for given in handouts:
        path = folder / PICTURES / given.item.picture
        jpeg = [cv2.IMWRITE_JPEG_QUALITY, 97] if path.suffix == ".jpg" else [cv2.IMWRITE_PNG_COMPRESSION, 4]
        if not cv2.imwrite(str(path), given.picture[..., ::-1], jpeg):
            raise ExchangeError(f"{path}: cannot be written. Choose another place.")
        for kind in ("material", "tooth"):
            target = folder / MAPS / f"{given.item.name}.{kind}.png"
            write_label_map(target, getattr(given.labels, kind), kind)
        items.append(given.item)
        book.add(given.labels)
        yield given.item
    write_manifest(folder, items)
    book.write(folder / COCO_FILE, description="Labels proposed by crestgauge, for a person to correct")
    (folder / CLASSES_FILE).write_text(json.dumps(index_of_classes(), indent=1) + "\n", encoding="utf-8")
    (folder / "README.txt").write_text(HOW_TO, encoding="utf-8")
    write_tables(folder, items)


def write_tables(folder: Path, items: Iterable[LabelItem]) -> None:
    """``photos.csv`` and ``teeth.csv``: what no pixel says."""
    listed = list(items)
    photos = (
        {"name": i.name, "file": i.file, "animal": i.animal, "side": i.side, "unusable": ""} for i in listed
    )
    write_csv(folder / PHOTOS_CSV, photos, ("name", "file", "animal", "side", "unusable"))
    words = {True: "yes", False: "no", None: ""}
    teeth = (
        {"name": i.name, "tooth": t.position, "state": t.state, "milk": words[t.milk]}
        for i in listed
        if i.proposed is not None
        for t in i.proposed.teeth
    )
    write_csv(folder / TEETH_CSV, teeth, ("name", "tooth", "state", "milk"))
