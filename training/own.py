"""
Somebody's own labelled photos: which animal each one shows, which animals train and which judge.

The folder is that of `crestgauge.training.files`. Two files may stand beside its sub-folders: ``animals.csv``
(columns ``photo`` and ``id`` or ``specimen_id``) and ``split.csv`` (``photo`` and ``part``: train, check or
test). Animals are split, never photos: two photos of one jaw on both sides would praise what was learned by
heart.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from crestgauge.inference.compare.files import ID_COLUMNS, read_table
from crestgauge.inference.errors import InputError
from crestgauge.training.files import PHOTO_TYPES, LabelledPhoto, list_photos

Part = Literal["train", "check", "test"]
PARTS: Final[tuple[Part, ...]] = ("train", "check", "test")
ANIMALS_FILE, SPLIT_FILE = "animals.csv", "split.csv"
LEAST_ANIMALS: Final = 8
"""Fewer cannot be split into learning, stopping and judging with two animals to stop and two to judge by."""
SHARES: Final[Mapping[Part, float]] = {"train": 0.6, "check": 0.2, "test": 0.2}


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnPhoto:
    """
    One labelled photo.

    Parameters
    ----------
    name : str
        Its file name without the ending.
    paths : LabelledPhoto
    animal : str
    age_class : str or None
        As its truth file says.
    usable : bool
        False for photos that were labelled as not fit to read.
    """

    name: str
    paths: LabelledPhoto
    animal: str
    age_class: str | None
    usable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnSet:
    """
    A folder of labelled photos.

    Parameters
    ----------
    folder : Path
    photos : tuple of OwnPhoto
        By name.
    notes : tuple of str
        What the user should know: sentences, each about something that was not as it might be.
    """

    folder: Path
    photos: tuple[OwnPhoto, ...]
    notes: tuple[str, ...]

    @property
    def animals(self) -> tuple[str, ...]:
        """Every animal once, sorted."""
        return tuple(sorted({photo.animal for photo in self.photos}))

    def of(self, animals: Sequence[str]) -> list[OwnPhoto]:
        """Photos of these animals."""
        wanted = set(animals)
        return [photo for photo in self.photos if photo.animal in wanted]

    def fingerprint(self) -> str:
        """SHA-256 over names, pictures, labels and truth: the same data gives the same one."""
        digest = hashlib.sha256()
        for photo in self.photos:
            digest.update(f"{photo.name}\0{photo.animal}\0".encode())
            for path in (photo.paths.photo, photo.paths.material, photo.paths.tooth, photo.paths.truth):
                digest.update(hashlib.sha256(path.read_bytes()).digest() if path is not None else b"none")
        return digest.hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """
    Which animals learn (``train``), which say when to stop and how sure to be (``check``), and which judge
    (``test``).
    """

    train: tuple[str, ...]
    check: tuple[str, ...]
    test: tuple[str, ...]

    def __post_init__(self) -> None:
        for one, other in (("train", "check"), ("train", "test"), ("check", "test")):
            both = sorted(set(getattr(self, one)) & set(getattr(self, other)))
            if both:
                raise InputError(
                    f"split: animal {both[0]} is in both {one} and {other}; each animal belongs to one part, "
                    f"with all its photos. Correct {SPLIT_FILE}."
                )

    def to_dict(self) -> dict[str, list[str]]:
        """Plain lists, by part."""
        return {part: list(getattr(self, part)) for part in PARTS}

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> Split:
        """The reverse of `to_dict`."""
        return cls(**{part: tuple(table[part]) for part in PARTS})


def read_own(folder: Path) -> OwnSet:
    """
    Read and check a folder of labelled photos.

    Raises
    ------
    InputError
        If there is no labelled photo, a photo or label map is missing, a photo has two files or is there
        under two names, or animals.csv names no animal for one.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; needs labelled photos (photos/, labels/, truth/).")
    listed = list_photos(folder)
    notes: list[str] = []
    _one_file_each(folder, listed)
    named = _animals(folder, listed, notes)
    photos = []
    for paths in listed:
        truth = _truth(paths)
        photos.append(
            OwnPhoto(
                name=paths.photo.stem,
                paths=paths,
                animal=named.get(paths.photo.stem) or str(truth.get("specimen_id") or paths.photo.stem),
                age_class=truth.get("age_class"),
                usable=bool(truth.get("usable", True)),
            )
        )
    _no_picture_twice(photos)
    pictures = (p for p in sorted((folder / "photos").iterdir()) if p.suffix.lower() in PHOTO_TYPES)
    bare = [p.name for p in pictures if p.stem not in {photo.name for photo in photos}]
    if bare:
        notes.append(f"{len(bare)} photos have no label maps and are not used: {_some(bare)}.")
    without = [photo.name for photo in photos if photo.paths.truth is None]
    if without:
        notes.append(
            f"{len(without)} photos have labels but no truth/NAME.json with side and lobe centres: they "
            f"train the surfaces and tooth numbers, but cannot judge ratios: {_some(without)}."
        )
    own = OwnSet(folder=folder, photos=tuple(photos), notes=())
    return OwnSet(folder=folder, photos=own.photos, notes=(*notes, *class_notes(own)))


def class_notes(own: OwnSet) -> list[str]:
    """A sentence where all animals of known class are of one."""
    classes = {photo.age_class for photo in own.photos if photo.age_class is not None}
    if len(classes) != 1 or len(own.animals) < 2:
        return []
    return [
        f"All animals of known class are {classes.pop()}: other wear is learned from drawn pictures alone, "
        "and whether it is still read well is judged on these alone. Label other classes too if you read "
        "them."
    ]


def split_animals(own: OwnSet, *, seed: int = 1, shares: Mapping[Part, float] = SHARES) -> Split:
    """
    Deal the animals out, each class evenly; or as split.csv in the folder says.

    Raises
    ------
    InputError
        If there are fewer than `LEAST_ANIMALS` animals with a usable photo, split.csv has an animal in two
        parts or another word for a part, or a part would be empty.
    """
    path = own.folder / SPLIT_FILE
    if path.is_file():
        return _given_split(own, path)
    animals = sorted({photo.animal for photo in own.photos if photo.usable})
    if len(animals) < LEAST_ANIMALS:
        raise InputError(
            f"{own.folder}: {len(own.photos)} labelled photos of {len(animals)} animals; needs "
            f"{LEAST_ANIMALS} animals, since some must be kept back to say when to stop and whether it got "
            "better. Label more photos."
        )
    classes = {photo.animal: photo.age_class or "" for photo in own.photos}
    order = np.random.default_rng(seed).permutation(len(animals))
    dealt = sorted((animals[i] for i in order), key=lambda animal: classes[animal])
    parts: dict[Part, list[str]] = {part: [] for part in PARTS}
    debt = {part: 0.0 for part in PARTS}
    for animal in dealt:
        # Each animal goes where most is owed, so that every part gets its share of every class.
        for part in PARTS:
            debt[part] += shares[part]
        part = max(PARTS, key=lambda each: debt[each])
        debt[part] -= 1
        parts[part].append(animal)
    for part in PARTS[1:]:
        while len(parts[part]) < 2:
            parts[part].append(parts["train"].pop())
    # Photos that are not usable teach nothing about bands; they go with the animals that train.
    rest = sorted({photo.animal for photo in own.photos} - set(animals))
    return Split(
        train=tuple(sorted([*parts["train"], *rest])),
        check=tuple(sorted(parts["check"])),
        test=tuple(sorted(parts["test"])),
    )


def held_out(own: OwnSet, split: Split) -> tuple[list[OwnPhoto], list[str]]:
    """
    Photos that may judge weights which were trained with ``split``: those of its test animals, and of animals
    that it does not know.

    Returns
    -------
    photos : list of OwnPhoto
    gone : list of str
        Test animals of the split that the folder no longer has.
    """
    trained = {*split.train, *split.check}
    there = set(own.animals)
    return [p for p in own.photos if p.animal not in trained], sorted(set(split.test) - there)


def _given_split(own: OwnSet, path: Path) -> Split:
    table = read_table(path)
    photo_column = table.column(None, ("photo", "file"), "photo")
    part_column = table.column(None, ("part",), "part")
    said = {}
    for line, cells in table.rows:
        part = cells[part_column].lower()
        if part not in PARTS:
            raise InputError(f"{path}: line {line}: part {part!r}; needs {', '.join(PARTS)}. Correct it.")
        said[Path(cells[photo_column]).stem] = part
    missing = [photo.name for photo in own.photos if photo.name not in said]
    if missing:
        raise InputError(f"{path}: no part for {_some(missing)}; every labelled photo needs one. Add it.")
    parts: dict[str, set[str]] = {part: set() for part in PARTS}
    for photo in own.photos:
        parts[said[photo.name]].add(photo.animal)
    empty = [part for part in PARTS if not parts[part]]
    if empty:
        raise InputError(f"{path}: no animal in {' or '.join(empty)}; every part needs some. Correct it.")
    return Split.from_dict({part: sorted(parts[part]) for part in PARTS})


def _animals(folder: Path, listed: Sequence[LabelledPhoto], notes: list[str]) -> dict[str, str]:
    path = folder / ANIMALS_FILE
    if not path.is_file():
        if not any(_truth(paths).get("specimen_id") for paths in listed):
            notes.append(
                f"No {ANIMALS_FILE} (columns photo and id): every photo counts as an animal of its own. If "
                "two photos show one jaw, say so there, or results will look better than they are."
            )
        return {}
    table = read_table(path)
    photo_column = table.column(None, ("photo", "file"), "photo")
    id_column = table.column(None, [c for c in ID_COLUMNS if c != "photo"], "animal's id")
    said: dict[str, str] = {}
    for line, cells in table.rows:
        stem, animal = Path(cells[photo_column]).stem, cells[id_column]
        if said.get(stem, animal) != animal:
            raise InputError(
                f"{path}: line {line}: photo {stem} is of {said[stem]} and of {animal}; needs one. Correct "
                "it."
            )
        said[stem] = animal
    missing = [paths.photo.stem for paths in listed if not said.get(paths.photo.stem)]
    if missing:
        raise InputError(f"{path}: no animal for {_some(missing)}; every labelled photo needs one. Add it.")
    return said


def _one_file_each(folder: Path, listed: Sequence[LabelledPhoto]) -> None:
    for paths in listed:
        files = [e for e in PHOTO_TYPES if (folder / "photos" / (paths.photo.stem + e)).is_file()]
        if len(files) > 1:
            raise InputError(
                f"{folder / 'photos'}: {paths.photo.stem} is there as {' and '.join(files)}; labels belong "
                "to one of them. Remove the other."
            )


def _no_picture_twice(photos: Sequence[OwnPhoto]) -> None:
    seen: dict[bytes, str] = {}
    for photo in photos:
        digest = hashlib.sha256(photo.paths.photo.read_bytes()).digest()
        if digest in seen:
            raise InputError(
                f"{photo.paths.photo}: the same picture as {seen[digest]}, so it has two labels. Remove one."
            )
        seen[digest] = photo.name


def _truth(paths: LabelledPhoto) -> dict[str, Any]:
    if paths.truth is None:
        return {}
    try:
        found = json.loads(paths.truth.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise InputError(f"{paths.truth}: cannot be read ({error}). Write the labels again.") from error
    if not isinstance(found, dict):
        raise InputError(f"{paths.truth}: no table of values. Write the labels again.")
    return found


def _some(names: Sequence[str], most: int = 5) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
