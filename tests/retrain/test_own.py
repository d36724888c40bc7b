"""Own photos: animals, the split by animal, and what bad data get: one sentence each."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest
from own_photos import make_photos

from crestgauge.inference.errors import InputError
from crestgauge.training.own import PARTS, Split, held_out, read_own, split_animals


def test_animals_are_split_and_never_photos(tmp_path):
    own = read_own(make_photos(tmp_path / "d", 60))
    assert len(own.animals) == 30 and own.notes == ()
    split = split_animals(own, seed=3)
    assert [len(getattr(split, part)) for part in PARTS] == [18, 6, 6]
    assert sorted([*split.train, *split.check, *split.test]) == list(own.animals)
    for part in PARTS:  # 15 animals of each class: every part has both, evenly to one animal
        classes = [photo.age_class for photo in own.of(getattr(split, part))]
        assert abs(classes.count("2.5") - classes.count("3.5")) <= 2
    assert split_animals(own, seed=3) == split != split_animals(own, seed=4)
    assert Split.from_dict(split.to_dict()) == split


def test_photos_of_new_animals_may_judge(tmp_path):
    own = read_own(make_photos(tmp_path / "d", 20))
    split = Split(train=("A00", "A01"), check=("A02",), test=("A03", "A99"))
    photos, gone = held_out(own, split)
    assert {photo.animal for photo in photos} == {f"A{k:02d}" for k in range(3, 10)}
    assert gone == ["A99"]


def test_the_fingerprint_follows_every_file(tmp_path):
    folder = make_photos(tmp_path / "d", 16)
    before = read_own(folder).fingerprint()
    assert read_own(folder).fingerprint() == before
    labels = cv2.imread(str(folder / "labels" / "p03.tooth.png"), cv2.IMREAD_UNCHANGED)
    labels[0, 0] = 2
    cv2.imwrite(str(folder / "labels" / "p03.tooth.png"), labels)
    assert read_own(folder).fingerprint() != before


def test_five_photos_are_too_few(tmp_path):
    own = read_own(make_photos(tmp_path / "d", 5))
    with pytest.raises(InputError, match="5 labelled photos of 3 animals; needs 8 animals"):
        split_animals(own)


def test_all_of_one_class_is_said(tmp_path):
    own = read_own(make_photos(tmp_path / "d", 20, classes=("1.5",)))
    assert len(own.notes) == 1 and "All animals of known class are 1.5" in own.notes[0]


def test_without_animals_every_photo_is_one_and_that_is_said(tmp_path):
    folder = make_photos(tmp_path / "d", 16)
    (folder / "animals.csv").unlink()
    own = read_own(folder)
    assert len(own.animals) == 16 and "every photo counts as an animal of its own" in own.notes[0]


def test_unlabelled_photos_are_said(tmp_path):
    folder = make_photos(tmp_path / "d", 16)
    cv2.imwrite(str(folder / "photos" / "bare.png"), np.zeros((4, 4, 3), np.uint8))
    (folder / "truth" / "p01.json").unlink()
    notes = read_own(folder).notes
    assert "1 photos have no label maps and are not used: bare.png" in notes[0]
    assert "cannot judge ratios: p01" in notes[1]


def missing_photo(folder: Path) -> None:
    (folder / "photos" / "p01.png").unlink()


def missing_labels(folder: Path) -> None:
    (folder / "labels" / "p01.tooth.png").unlink()


def two_files(folder: Path) -> None:
    cv2.imwrite(str(folder / "photos" / "p01.jpg"), np.zeros((8, 12, 3), np.uint8))


def same_picture(folder: Path) -> None:
    shutil.copyfile(folder / "photos" / "p01.png", folder / "photos" / "p02.png")


def no_animal(folder: Path) -> None:
    (folder / "animals.csv").write_text("photo,id\np00.png,A0\n")


def two_animals(folder: Path) -> None:
    with (folder / "animals.csv").open("a") as file:
        file.write("p01.png,B7\n")


def broken_truth(folder: Path) -> None:
    (folder / "truth" / "p01.json").write_text("{")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (missing_photo, r"photos/p01\.jpg is missing"),
        (missing_labels, r"labels/p01\.tooth\.png is missing"),
        (two_files, r"p01 is there as \.jpg and \.png"),
        (same_picture, "the same picture as p01, so it has two labels"),
        (no_animal, "no animal for p01, p02, p03, p04, p05 and 10 more"),
        (two_animals, "photo p01 is of A00 and of B7"),
        (broken_truth, r"p01\.json: cannot be read"),
    ],
)
def test_data_that_contradict_themselves_are_refused(tmp_path, spoil, words):
    folder = make_photos(tmp_path / "d", 16)
    spoil(folder)
    with pytest.raises(InputError, match=words):
        read_own(folder)


def test_a_split_of_ones_own_has_each_animal_once(tmp_path):
    folder = make_photos(tmp_path / "d", 20)
    parts = {k: PARTS[(k // 2) % 3] for k in range(20)}
    path = folder / "split.csv"

    def write(lines: dict[int, str]) -> None:
        path.write_text("photo,part\n" + "".join(f"p{k:02d}.png,{part}\n" for k, part in lines.items()))

    write(parts)
    assert split_animals(read_own(folder)).check == ("A01", "A04", "A07")
    write(parts | {3: "train"})  # p02 and p03 are of A01
    with pytest.raises(InputError, match="animal A01 is in both train and check"):
        split_animals(read_own(folder))
    write(parts | {3: "exam"})
    with pytest.raises(InputError, match="line 5: part 'exam'"):
        split_animals(read_own(folder))
    write({k: part for k, part in parts.items() if k != 5})
    with pytest.raises(InputError, match="no part for p05"):
        split_animals(read_own(folder))
    write(dict.fromkeys(range(20), "train"))
    with pytest.raises(InputError, match="no animal in check or test"):
        split_animals(read_own(folder))
