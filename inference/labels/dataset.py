"""
A data set to train on and to judge by, from labels that people corrected. Edge module: reads, writes files.

    OUT/photos/NAME.jpg|png   the photo without capture data, pixels as they were
    OUT/labels/NAME.material.png, NAME.tooth.png   8-bit class numbers, 255 = nothing said
    OUT/truth/NAME.json       side, teeth, animal, where the labels come from; ratios follow from the labels
    OUT/animals.csv           photo and specimen_id
    OUT/dataset.json          one entry a photo: name, animal, hash, what its labels cover

Every photo has an animal, since a data set is split by animal and never by photo.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.confirm.clean import SUFFIXES, without_capture_data
from crestgauge.inference.errors import CrestgaugeError, ExchangeError
from crestgauge.inference.exchange.coco import UNKNOWN, ToothLabel
from crestgauge.inference.homography import mapped
from crestgauge.inference.labels.corrected import Corrected, Intake
from crestgauge.inference.photo import Photo, decode_photo, sniff
from crestgauge.inference.screening.report import write_csv
from crestgauge.inference.screening.sources import find_photos, read_bytes

SCHEMA: Final = "crestgauge.dataset/1"
INDEX, ANIMALS = "dataset.json", "animals.csv"
KINDS: Final = ("corrected", "accepted", "review")
"""Labels that a person changed, that a person let stand, and single corrections of the review page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RowLabels:
    """
    Labels of one photo, in its own pixels.

    Parameters
    ----------
    material, tooth : ndarray of uint8, shape (H, W)
        `UNKNOWN` where nothing is said.
    teeth : tuple of ToothLabel
    side : "left", "right" or None
    """

    material: NDArray[np.uint8]
    tooth: NDArray[np.uint8]
    teeth: tuple[ToothLabel, ...]
    side: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """
    One photo of a data set.

    Parameters
    ----------
    name : str
        Stem of its files.
    photo : str
        File below the folder.
    sha256 : str
        Of the photo as it came.
    animal : str
    kind : str
        One of `KINDS`.
    labelled_share : float
        Share of the photo's pixels whose material is labelled. [1]
    model : str
        Weights whose proposals were corrected.
    """

    name: str
    photo: str
    sha256: str
    animal: str
    kind: str
    labelled_share: float
    model: str


class PhotoFinder:
    """
    Photos by the hash of their bytes.

    Parameters
    ----------
    places : list of str
        As `crestgauge.inference.screening.sources.find_photos` takes them.
    """

    def __init__(self, places: Sequence[str]) -> None:
        found = find_photos(list(places))
        self.by_hash: dict[str, str] = {}
        self.by_name: dict[str, str] = {}
        self.unreadable: list[tuple[str, str]] = [(r.where, r.why) for r in found.refused]
        for item in found.items:
            try:
                data = read_bytes(item.location)
            except CrestgaugeError as error:
                self.unreadable.append((item.location, str(error)))
                continue
            self.by_hash.setdefault(hashlib.sha256(data).hexdigest(), item.location)
            self.by_name[Path(item.location).name.lower()] = item.location

    def find(
        self, *, sha256: str, file: str, name: str, size: tuple[int, int], intake: Intake
    ) -> tuple[Photo, bytes] | None:
        """The photo of a label called ``name``, or None with the reason noted."""
        place = self.by_hash.get(sha256)
        if place is None:
            other = self.by_name.get(file.lower())
            if other is None:
                words = f"{file} is in none of the places named. Name the folder that holds it (--photos)."
                intake.note(file, name, "missing_photo", words)
            else:
                words = (
                    "changed since it was handed out (other bytes). Put the old file back, or hand out again."
                )
                intake.note(other, name, "changed_photo", words)
            return None
        try:
            data = read_bytes(place)
            photo = decode_photo(data, name=place)
        except CrestgaugeError as error:
            intake.note(place, name, "unreadable_photo", str(error))
            return None
        if (photo.width, photo.height) != size:
            words = f"{photo.width} x {photo.height} px; was {size[0]} x {size[1]} when handed out."
            intake.note(place, name, "size", words)
            return None
        return photo, data


def in_photo(corrected: Corrected) -> RowLabels:
    """Labels of the handed-out picture, laid back into the upright photo; beyond it nothing is said."""
    item, labels = corrected.item, corrected.labels
    size, back = (item.width, item.height), np.asarray(np.linalg.inv(item.matrix), dtype=np.float64)

    def lay(plane: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return np.asarray(
            cv2.warpPerspective(
                plane,
                item.matrix,
                size,
                flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=UNKNOWN,
            ),
            dtype=np.uint8,
        )

    def moved(tooth: ToothLabel) -> ToothLabel:
        if not tooth.lobe_centres:
            return tooth
        points = mapped(back, np.array(tooth.lobe_centres))
        centres = tuple((round(float(x), 2), round(float(y), 2)) for x, y in points)
        return ToothLabel(position=tooth.position, state=tooth.state, milk=tooth.milk, lobe_centres=centres)

    return RowLabels(
        material=lay(labels.material),
        tooth=lay(labels.tooth),
        teeth=tuple(moved(t) for t in labels.teeth),
        side=item.side,
    )


def truth_of(labels: RowLabels, crests: Mapping[int, Sequence[Mapping[str, Any]]]) -> dict[str, Any]:
    """
    What labels say of whole teeth, as a truth file (``crestgauge.truth/1``).

    Tilt, view, blur, scale and age stay None, since nobody labelled them. Widths and ratios follow from the
    label maps themselves.
    """
    teeth = []
    extra = [ToothLabel(position=p) for p in sorted(set(crests) - {t.position for t in labels.teeth})]
    for label in (*labels.teeth, *extra):
        rows, columns = np.nonzero(labels.tooth == label.position)
        there = len(rows) > 0
        corners = (columns.min(), rows.min(), columns.max(), rows.max()) if there else ()
        teeth.append(
            {
                "position": label.position,
                "state": label.state,
                "milk": label.milk,
                "lobes": len(label.lobe_centres) or None,
                "centre": [float(columns.mean()), float(rows.mean())] if there else None,
                "box": [int(v) for v in corners] or None,
                "lobe_centres": [list(point) for point in label.lobe_centres],
                "crests": [dict(crest) for crest in crests.get(label.position, ())],
            }
        )
    nothing = dict.fromkeys(("tilt_deg", "view", "px_per_mm", "blur_px", "age_years", "age_class"))
    return {
        "schema": "crestgauge.truth/1",
        "family": "own",
        "side": labels.side,
        "conditions": {},
        "teeth": teeth,
        **nothing,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class About:
    """
    What is known of a labelled photo beside its labels.

    Parameters
    ----------
    name : str
        Stem of its files.
    animal : str
    kind : str
        One of `KINDS`: how its labels came about.
    model : str
        Weights that proposed them.
    crests : mapping or None
        Crests of known ratio by tooth, where they do not follow from the labels.
    frame : nested sequence, shape (2, 3), or None
        Photo to level crop, where too few crowns are labelled to tell.
    unusable : sequence of str
        Retake reasons, where a person says that the photo cannot be read.
    """

    name: str
    animal: str
    kind: str
    model: str
    crests: Mapping[int, Sequence[Mapping[str, Any]]] | None = None
    frame: Sequence[Sequence[float]] | None = None
    unusable: Sequence[str] = ()


class DatasetWriter:
    """
    A data set in the making, photo by photo.

    Parameters
    ----------
    folder : Path
        New or empty.

    Raises
    ------
    ExchangeError
        If the folder has a data set in it, or cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        if (folder / INDEX).exists() or (folder / "labels").exists():
            raise ExchangeError(f"{folder}: has a data set in it already. Choose another folder.")
        self.folder = folder
        self.entries: list[Entry] = []
        try:
            for part in ("photos", "labels", "truth"):
                (folder / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ExchangeError(
                f"{folder}: cannot be made ({error.strerror}). Choose another place."
            ) from error

    def add(self, photo: Photo, data: bytes, labels: RowLabels, about: About) -> Entry:
        """
        Write one photo with its labels.

        Parameters
        ----------
        data : bytes
            The photo's file.
        about : About
        """
        name, animal = about.name, about.animal
        plain = without_capture_data(data)
        ending = SUFFIXES[sniff(plain)]
        said = truth_of(labels, about.crests or {}) | {
            **({} if about.frame is None else {"frame": about.frame}),
            "usable": not about.unusable,
            "unusable": list(about.unusable),
            "file": f"{name}{ending}",
            "sha256": photo.sha256,
            "specimen_id": animal,
            "width": photo.width,
            "height": photo.height,
            "labels": {"kind": about.kind, "model": about.model},
        }
        try:
            (self.folder / "photos" / f"{name}{ending}").write_bytes(plain)
            for part in ("material", "tooth"):
                path = self.folder / "labels" / f"{name}.{part}.png"
                ok = cv2.imwrite(str(path), getattr(labels, part), [cv2.IMWRITE_PNG_COMPRESSION, 6])
                if not ok:
                    raise OSError(0, "refused by the picture library")
            text = json.dumps(said, indent=1, allow_nan=False) + "\n"
            (self.folder / "truth" / f"{name}.json").write_text(text, encoding="utf-8")
        except OSError as error:
            raise ExchangeError(
                f"{self.folder}: {name} cannot be written ({error.strerror}). Choose another place."
            ) from error
        entry = Entry(
            name=name,
            photo=f"photos/{name}{ending}",
            sha256=photo.sha256,
            animal=animal,
            kind=about.kind,
            labelled_share=round(float((labels.material != UNKNOWN).mean()), 5),
            model=about.model,
        )
        self.entries.append(entry)
        return entry

    def close(self) -> None:
        """Write the index and the table of animals."""
        rows = ({"photo": Path(e.photo).name, "specimen_id": e.animal} for e in self.entries)
        write_csv(self.folder / ANIMALS, rows, ("photo", "specimen_id"))
        whole = {"schema": SCHEMA, "photos": [asdict(entry) for entry in self.entries]}
        (self.folder / INDEX).write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")


def read_index(folder: Path) -> list[Entry]:
    """
    Entries of a data set.

    Raises
    ------
    ExchangeError
        If the index is missing or not as it was written.
    """
    path = folder / INDEX
    try:
        whole = json.loads(path.read_text(encoding="utf-8"))
        if whole["schema"] != SCHEMA:
            raise ValueError(f"schema {whole['schema']}")
        return [Entry(**entry) for entry in whole["photos"]]
    except OSError as error:
        raise ExchangeError(
            f"{path}: cannot be read ({error.strerror}); needs a data set that labels in wrote."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise ExchangeError(
            f"{path}: not {SCHEMA} ({type(error).__name__}: {error}). Write it again."
        ) from error


def build_dataset(
    labels: Iterable[Corrected],
    photos: PhotoFinder,
    writer: DatasetWriter,
    intake: Intake,
    *,
    photos_are_animals: bool = False,
) -> None:
    """
    Put corrected labels and their photos together.

    Parameters
    ----------
    photos_are_animals : bool
        A photo without an animal is taken as an animal of its own. Otherwise it is refused: a second photo
        of the same animal could land on the other side of a split.
    """
    for where, why in photos.unreadable:
        intake.note(where, "", "unreadable_photo", why)
    for each in labels:
        item = each.item
        animal = item.animal or (f"photo:{item.sha256[:12]}" if photos_are_animals else None)
        if animal is None:
            words = (
                "no animal. Fill it in in photos.csv, or say --photos-are-animals where no two photos show "
                "the same one."
            )
            intake.note(item.file, item.name, "no_animal", words)
            continue
        if item.side is None and not each.unusable:
            words = "no side, so tongue and cheek side are not labelled. Fill it in in photos.csv."
            intake.note(item.file, item.name, "side", words, fatal=False)
        found = photos.find(
            sha256=item.sha256,
            file=item.file,
            name=item.name,
            size=(item.width, item.height),
            intake=intake,
        )
        if found is None:
            continue
        photo, data = found
        kind = "accepted" if each.source == "unchanged" else "corrected"
        writer.add(
            photo,
            data,
            in_photo(each),
            About(name=item.name, animal=animal, kind=kind, model=item.model, unusable=each.unusable),
        )
    writer.close()
