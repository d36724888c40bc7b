"""
COCO JSON of label masks back in, corrected by whatever program, with every fault by item. Edge module.

The form is that of `crestgauge.inference.exchange.coco`. Materials are painted in the order of `PAINT_ORDER`,
what lies inside last, so that outlines without holes will do.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import ExchangeError, InputError
from crestgauge.inference.exchange.coco import (
    LOBE_POINTS,
    NOT_LABELLED,
    PAINT_ORDER,
    STATES,
    TOOTH,
    UNKNOWN,
    LabelledPhoto,
    Labels,
    ToothLabel,
)
from crestgauge.inference.exchange.masks import mask_of
from crestgauge.inference.exchange.problems import Problem
from crestgauge.model.labels import CROWN_MATERIALS, N_TEETH

NESTED: Final = 0.5
"""
A mask of which at least this share lies on another one was drawn inside it, and is painted over it. Of less,
the two claim the same pixels, which are then taken as not labelled. [1]
"""
SAME_CROWN: Final = 0.2
"""Two teeth that share more than this of the smaller one are drawn on the same crown. [1]"""
MAX_PIXELS: Final = 120_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CocoFile:
    """
    What a COCO file holds.

    Parameters
    ----------
    photos : tuple of LabelledPhoto
        Every picture whose annotations could be taken.
    refused : tuple of str
        File names of the others.
    problems : tuple of Problem
    """

    photos: tuple[LabelledPhoto, ...]
    refused: tuple[str, ...]
    problems: tuple[Problem, ...]


def read_coco(path: Path) -> list[LabelledPhoto]:
    """
    Read a COCO file back, all or nothing.

    Raises
    ------
    ExchangeError
        If it is no COCO file, or anything in it cannot be taken; the message names the first such item.
    """
    found = scan_coco(path)
    for problem in found.problems:
        if problem.fatal:
            raise ExchangeError(str(problem))
    return list(found.photos)


def scan_coco(path: Path) -> CocoFile:
    """
    Read a COCO file back, corrected by whatever program, picture by picture.

    Category names are those of `CATEGORIES`, in any order and with any ids; ``tooth_1`` to ``tooth_6`` are
    taken too, for programs without attributes. The tooth of a material stands in ``attributes.tooth`` or
    ``tooth`` and is only used where a picture has no annotation of whole crowns.

    Raises
    ------
    ExchangeError
        If it is no COCO file.
    """
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
        images, categories, annotations = whole["images"], whole["categories"], whole["annotations"]
        names = {c["id"]: str(c["name"]).strip().lower().replace(" ", "_") for c in categories}
        keys = [image["id"] for image in images]
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be read ({error.strerror}).") from error
    except (ValueError, KeyError, TypeError) as error:
        raise ExchangeError(
            f"{path}: no COCO file ({type(error).__name__}: {error}); needs images, categories, annotations."
        ) from error
    problems: list[Problem] = []
    photos, refused = [], []
    by_image: dict[Any, list[dict[str, Any]]] = {key: [] for key in keys}
    for entry in annotations:
        if entry.get("image_id") not in by_image:
            words = f"image {entry.get('image_id')} is not in the file. Add it, or remove the annotation."
            item = f"annotation {entry.get('id')}"
            problems.append(Problem(where=str(path), item=item, kind="image", words=words))
            continue
        by_image[entry["image_id"]].append(entry)
    for image in images:
        if keys.count(image["id"]) > 1:
            words = f"id {image['id']} is there twice; needs every id once."
            item = f"image {image.get('file_name')}"
            problems.append(Problem(where=str(path), item=item, kind="ids", words=words))
            refused.append(str(image.get("file_name")))
            continue
        painter = _Painter(path, image)
        photo = painter.paint(by_image[image["id"]], names)
        problems += painter.problems
        if photo is None:
            refused.append(painter.file)
        else:
            photos.append(photo)
    return CocoFile(photos=tuple(photos), refused=tuple(refused), problems=tuple(problems))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """One annotation that can be painted; of its mask, the box that holds it is kept."""

    item: str
    name: str
    place: tuple[slice, slice]
    mask: NDArray[np.bool_]
    shape: tuple[int, int]
    entry: Mapping[str, Any]


class _Painter:
    """Puts the annotations of one picture together, and keeps what is wrong with them."""

    def __init__(self, path: Path, image: Mapping[str, Any]) -> None:
        self.path, self.image = path, image
        self.problems: list[Problem] = []
        self.file = str(image.get("file_name"))
        self.teeth: dict[int, ToothLabel] = {}

    def note(self, kind: str, words: str, *, item: str = "", fatal: bool = True) -> None:
        """Keep one problem."""
        item = f"image {self.file}" + (f", {item}" if item else "")
        self.problems.append(Problem(where=str(self.path), item=item, kind=kind, words=words, fatal=fatal))

    def paint(self, entries: Sequence[dict[str, Any]], names: Mapping[Any, str]) -> LabelledPhoto | None:
        """The picture's labels, or None where anything in it cannot be taken."""
        shape = self._shape()
        if shape is None:
            return None
        parts: list[_Part] = []
        seen: set[Any] = set()
        for entry in entries:
            item = f"annotation {entry.get('id')}"
            if entry.get("id") in seen:
                self.note("ids", "id is there twice; needs every id once.", item=item)
            seen.add(entry.get("id"))
            name = names.get(entry.get("category_id"), f"of id {entry.get('category_id')}")
            if not _is_known(name):
                known = ", ".join([m.name.lower() for m in PAINT_ORDER] + [TOOTH, NOT_LABELLED])
                self.note("unknown_class", f"category {name}; known are {known}.", item=item)
                continue
            try:
                mask = mask_of(entry.get("segmentation"), shape)
            except InputError as error:
                self.note("mask", f"{error}. Draw it again, or remove it.", item=item)
                continue
            rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
            if not len(rows):
                self.note("empty", "covers no pixel. Draw it again, or remove it.", item=item)
                continue
            place = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
            kept = mask[place].copy()
            parts.append(_Part(item=item, name=name, place=place, mask=kept, shape=shape, entry=entry))
        material = self._materials(parts, shape)
        tooth = self._crowns(parts, material)
        if any(problem.fatal for problem in self.problems):
            return None
        teeth = tuple(self.teeth[position] for position in sorted(self.teeth))
        return LabelledPhoto(file=self.file, material=material, tooth=tooth, teeth=teeth)

    def _shape(self) -> tuple[int, int] | None:
        try:
            width, height = int(self.image["width"]), int(self.image["height"])
            str(self.image["file_name"])
        except (KeyError, TypeError, ValueError):
            self.note("size", f"{dict(self.image)!r} has no width, height or file_name.")
            return None
        if width < 1 or height < 1 or width * height > MAX_PIXELS:
            self.note("size", f"{width} x {height} px; needs 1 to {MAX_PIXELS} pixels.")
            return None
        return height, width

    def _materials(self, parts: Sequence[_Part], shape: tuple[int, int]) -> Labels:
        material = np.zeros(shape, dtype=np.uint8)
        contested = np.zeros(shape, dtype=bool)
        for value in PAINT_ORDER:
            name = value.name.lower()
            below = material.copy()
            for part in (p for p in parts if p.name == name):
                under = np.where(part.mask, below[part.place], 0)
                shared_px = np.bincount(under.ravel(), minlength=len(PAINT_ORDER) + 1)
                for other in PAINT_ORDER:
                    shared = int(shared_px[other])
                    if other >= value or not shared or shared >= NESTED * part.mask.sum():
                        continue
                    contested[part.place] |= under == other
                    words = (
                        f"{name} and {other.name.lower()} both claim {shared} px; these count as not "
                        "labelled. Correct one of the two."
                    )
                    self.note("overlap", words, item=part.item, fatal=False)
                material[part.place][part.mask] = value
        material[contested] = UNKNOWN
        for part in (p for p in parts if p.name == NOT_LABELLED):
            material[part.place][part.mask] = UNKNOWN
        return material

    def _crowns(self, parts: Sequence[_Part], material: Labels) -> Labels:
        tooth = np.zeros(material.shape, dtype=np.uint8)
        crowns = [part for part in parts if part.name.startswith(TOOTH)]
        by_material = not crowns
        for part in parts if by_material else crowns:
            position, mask, here = self._position(part), part.mask, tooth[part.place]
            if position is None or position == 0:
                continue
            if not by_material:
                self._tooth(part, position)
            both = mask & (here != 0) & (here != position)
            if both.any():
                other = int(np.bincount(here[both]).argmax())
                smaller = min(int(mask.sum()), int((tooth == other).sum()))
                fatal = not by_material and int(both.sum()) > SAME_CROWN * smaller
                words = f"tooth {position} and tooth {other} both claim {int(both.sum())} px" + (
                    ". Keep one of them." if fatal else "; these count as not labelled."
                )
                self.note("overlap", words, item=part.item, fatal=fatal)
            here[mask] = position
            here[both] = UNKNOWN
        crown = np.isin(material, [int(m) for m in CROWN_MATERIALS])
        if not by_material:
            self._compare(crown, tooth)
        tooth[~crown & (material != UNKNOWN)] = 0
        tooth[(material == UNKNOWN) | (crown & (tooth == 0))] = UNKNOWN
        return tooth

    def _compare(self, crown: NDArray[np.bool_], tooth: Labels) -> None:
        """Crowns and crown materials should cover the same pixels."""
        number = (tooth > 0) & (tooth != UNKNOWN)
        for where, words in (
            (
                crown & (tooth == 0),
                "px of crown materials lie on no tooth; their tooth counts as not labelled",
            ),
            (number & ~crown, "px of teeth have no crown material; they count as no tooth"),
        ):
            if where.sum() > 0.02 * max(1, int(crown.sum())):
                self.note("crown", f"{int(where.sum())} {words}.", fatal=False)

    def _position(self, part: _Part) -> int | None:
        """Tooth of an annotation; 0 = none given for a material; None = reported."""
        name, attributes = part.name, _attributes(part)
        given = name.rpartition("_")[2] if name.startswith(TOOTH + "_") else None
        value = given or attributes.get("tooth", part.entry.get("tooth"))
        if value in (None, "") and name != TOOTH:
            return 0
        try:
            number = float(str(value))  # some programs write every attribute as text, or 4.0 for 4
            position = int(number) if number.is_integer() else -1
        except ValueError:
            position = -1
        least = 1 if name.startswith(TOOTH) else 0
        if not least <= position <= N_TEETH:
            words = f"tooth {value}; needs {least} to {N_TEETH} (attribute tooth)."
            self.note("tooth", words, item=part.item)
            return None
        return position

    def _tooth(self, part: _Part, position: int) -> None:
        """Keep what is said of one whole tooth."""
        if position in self.teeth:
            self.note("tooth", f"tooth {position} is there twice. Number one of them again.", item=part.item)
            return
        item, attributes = part.item, _attributes(part)
        state, milk = _given(attributes.get("state")), _given(attributes.get("milk"))
        if state is not None and state not in STATES:
            self.note("state", f"state {state}; needs one of {', '.join(STATES)}.", item=item)
            state = None
        words = {"true": True, "false": False, "yes": True, "no": False, "1": True, "0": False}
        if not isinstance(milk, bool | None):
            if str(milk).lower() not in words:
                self.note("state", f"milk {milk}; needs true or false.", item=item)
            milk = words.get(str(milk).lower())
        if milk and position > 3:
            self.note("state", f"tooth {position} as a milk tooth; only teeth 1 to 3 have one.", item=item)
        self.teeth[position] = ToothLabel(
            position=position, state=state, milk=milk, lobe_centres=self._lobes(part)
        )

    def _lobes(self, part: _Part) -> tuple[tuple[float, float], ...]:
        item, shape = part.item, part.shape
        points = part.entry.get("keypoints") or []
        try:
            values = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        except (ValueError, TypeError):
            self.note("lobes", "key points cannot be read; needs x, y, visibility for each.", item=item)
            return ()
        values = values[values[:, 2] > 0]
        inside = (values[:, :2] >= 0).all(axis=1) & (values[:, 0] <= shape[1]) & (values[:, 1] <= shape[0])
        if not inside.all() or len(values) > len(LOBE_POINTS):
            self.note("lobes", f"key points {points}; needs at most 3, inside the picture.", item=item)
            return ()
        return tuple((float(x) - 0.5, float(y) - 0.5) for x, y, _ in values)


def _given(value: Any) -> Any:
    """An attribute; None where a program writes its own word for nothing."""
    return None if str(value).strip().lower() in ("", "none", "null", "unknown") else value


def _attributes(part: _Part) -> Mapping[str, Any]:
    given = part.entry.get("attributes")
    return given if isinstance(given, dict) else {}


def _is_known(name: str) -> bool:
    tooth = name == TOOTH or name in [f"{TOOTH}_{n}" for n in range(1, N_TEETH + 1)]
    return tooth or name == NOT_LABELLED or name in [m.name.lower() for m in PAINT_ORDER]
