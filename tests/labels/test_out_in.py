"""Labels handed out, corrected as programs and people correct them, and taken back item by item."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import painted_jaws
import pytest
from labels_out import hand_out
from PIL import ExifTags, Image

from crestgauge.cli.__main__ import main
from crestgauge.inference.exchange.coco import UNKNOWN
from crestgauge.inference.exchange.coco_read import scan_coco
from crestgauge.inference.labels.corrected import Corrected, Intake, take_back
from crestgauge.inference.labels.dataset import (
    About,
    DatasetWriter,
    PhotoFinder,
    RowLabels,
    build_dataset,
    in_photo,
    read_index,
)
from crestgauge.inference.labels.label_maps import MATERIALS, read_label_map, write_label_map
from crestgauge.inference.labels.manifest import read_manifest
from crestgauge.inference.labels.proposals import handout, mapped
from crestgauge.inference.photo import read_photo
from crestgauge.model.labels import Material


def taken(folder: Path, **options):
    """Corrected labels and what was wrong."""
    intake = Intake()
    return list(take_back(folder, read_manifest(folder), intake, **options)), intake


def kinds(intake: Intake) -> list[tuple[str, str]]:
    """(photo or picture, kind) of every problem."""
    return [(p.item.split(" ")[1].rstrip(",") if p.item else "", p.kind) for p in intake.problems]


def edit_coco(folder: Path, change) -> None:
    path = folder / "coco.json"
    whole = json.loads(path.read_text())
    change(whole)
    path.write_text(json.dumps(whole))


def material_map(folder: Path, name: str = "adult") -> np.ndarray:
    item = next(i for i in read_manifest(folder) if i.name == name)
    labels = read_label_map(folder / "maps" / f"{name}.material.png", "material", item.size)
    assert isinstance(labels, np.ndarray)
    return labels


def widen_dentine(folder: Path) -> np.ndarray:
    """The adult's material map with every dentine band two pixels wider downwards; written and returned."""
    labels = material_map(folder)
    wide = labels.copy()
    for shift in (1, 2):
        wide[shift:][(labels == Material.DENTINE)[:-shift] & (wide[shift:] == Material.ENAMEL_BAND)] = 4
    assert (wide != labels).sum() > 500
    write_label_map(folder / "maps" / "adult.material.png", wide, "material")
    return wide


def test_coco_and_maps_say_the_same(handed_out):
    """Both forms of the proposal, read back, are one; the fawn's tooth 3 is a milk tooth of three lobes."""
    photos = {Path(p.file).stem: p for p in scan_coco(handed_out / "coco.json").photos}
    items = {i.name: i for i in read_manifest(handed_out)}
    for name in ("adult", "fawn"):
        for kind in ("material", "tooth"):
            path = handed_out / "maps" / f"{name}.{kind}.png"
            assert np.array_equal(read_label_map(path, kind, items[name].size), getattr(photos[name], kind))
    third = next(t for t in photos["fawn"].teeth if t.position == 3)
    assert (third.milk, third.state, len(third.lobe_centres)) == (True, "erupted", 3)
    assert [t.position for t in photos["adult"].teeth] == [1, 2, 3, 4, 5, 6]
    assert items["bare"].proposed is None and not photos["bare"].material.any()


# pycocotools hands numpy an array type of its own that does not know NumPy 2's copy keyword.
@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
def test_the_reference_library_reads_what_is_handed_out(handed_out, capsys):
    """pycocotools: every tooth an instance with key points, every band a mask equal to the palette PNG."""
    COCO = pytest.importorskip("pycocotools.coco").COCO
    coco = COCO(str(handed_out / "coco.json"))
    names = {c["id"]: c["name"] for c in coco.loadCats(coco.getCatIds())}
    assert set(names.values()) == {
        *("jaw", "crown_wall", "enamel_band", "dentine", "infundibulum", "tooth", "not_labelled")
    }
    (image,) = (i for i in coco.imgs.values() if i["file_name"] == "adult.png")
    drawn = np.zeros((image["height"], image["width"]), dtype=np.uint8)
    teeth = {}
    for entry in coco.loadAnns(coco.getAnnIds(imgIds=[image["id"]])):
        mask = coco.annToMask(entry).astype(bool)
        if names[entry["category_id"]] == "tooth":
            teeth[entry["attributes"]["tooth"]] = entry
            x, y, seen = np.array(entry["keypoints"]).reshape(-1, 3)[0]
            assert seen == 2 and mask[int(y), int(x)]
        else:
            assert not drawn[mask].any()
            drawn[mask] = entry["category_id"]
    assert sorted(teeth) == [1, 2, 3, 4, 5, 6]
    with Image.open(handed_out / "maps" / "adult.material.png") as palette:
        assert palette.mode == "P"
        assert np.array_equal(np.asarray(palette), drawn)


def test_what_nobody_touched_is_not_taken_for_checked(folder):
    found, intake = taken(folder)
    assert not found and not intake.problems
    assert sorted(intake.untouched) == ["adult", "bare", "fawn"]
    found, intake = taken(folder, accept_unchanged=True)
    assert [(each.item.name, each.source) for each in found] == [
        ("adult", "unchanged"),
        ("fawn", "unchanged"),
    ]
    assert intake.untouched == ["bare"]  # nothing was proposed there that could be right


def test_a_corrected_map_lands_on_the_photo(folder):
    """A pixel of the corrected picture is found at its place in the photo; beyond it nothing is said."""
    wide = widen_dentine(folder)
    (each,), intake = taken(folder)
    assert not intake.problems and each.item.name == "adult"
    labels = in_photo(each)
    assert labels.material.shape == painted_jaws.SIZE[::-1]
    rng = np.random.default_rng(1)
    back = np.linalg.inv(each.item.matrix)
    edges = np.zeros(wide.shape, bool)
    for axis in (0, 1):
        for step in (-1, 1):
            edges |= np.roll(wide, step, axis) != wide
    rows, columns = np.nonzero(~edges)
    for k in rng.integers(len(rows), size=300):
        x, y, w = back @ (columns[k], rows[k], 1)
        column, row = round(x / w), round(y / w)
        if 0 <= row < labels.material.shape[0] and 0 <= column < labels.material.shape[1]:
            # A photo pixel reaches at most 0.7 picture pixels away, and these have equal neighbours.
            assert labels.material[row, column] == wide[rows[k], columns[k]]
    assert labels.material[0, 0] == labels.tooth[0, 0] == UNKNOWN


@pytest.mark.parametrize("how", ["rgb", "other palette", "grey"])
def test_label_maps_as_programs_save_them(folder, how):
    wide = widen_dentine(folder)
    path = folder / "maps" / "adult.material.png"
    if how == "rgb":
        Image.open(path).convert("RGB").save(path)
    elif how == "grey":
        Image.fromarray(wide).save(path)
    else:
        # Only the colours in use, in an order of the program's own.
        order = sorted(np.unique(wide).tolist(), reverse=True)
        new = np.searchsorted(-np.array(order), -wide.astype(int)).astype(np.uint8)
        image = Image.frombytes("P", new.shape[::-1], new.tobytes())
        image.putpalette([v for value in order for v in MATERIALS[value][1]])
        image.save(path)
    (each,), intake = taken(folder)
    assert not intake.problems
    assert np.array_equal(each.labels.material, wide)


def test_a_corrected_annotation_with_what_it_says_of_the_tooth(folder):
    """A polygon in place of the run lengths, another state, and a program that dropped all key points."""

    def change(whole):
        for entry in whole["annotations"]:
            entry.pop("keypoints", None)
            if entry["category_id"] == 7 and entry["image_id"] == 1 and entry["attributes"]["tooth"] == 6:
                entry["attributes"]["state"] = "erupting"

    edit_coco(folder, change)
    (each,), intake = taken(folder)
    assert not intake.problems
    said = {t.position: t for t in each.labels.teeth}
    assert said[6].state == "erupting" and said[5].state == "erupted"
    proposed = {t.position: t for t in each.item.proposed.teeth}
    assert said[4].lobe_centres == proposed[4].lobe_centres  # the crown was not redrawn, so they still fit


def test_tables_are_corrections_too(folder):
    """Kind of a tooth in teeth.csv: its proposed lobe centres go, since the other kind has another number."""
    text = (folder / "teeth.csv").read_text().replace("fawn,3,erupted,yes", "fawn,3,erupting,no")
    (folder / "teeth.csv").write_text(text)
    side = (folder / "photos.csv").read_text()
    (folder / "photos.csv").write_text(side.replace("D-0,left", "F-9,right"))
    found, intake = taken(folder)
    assert not intake.problems
    by_name = {each.item.name: each for each in found}
    third = next(t for t in by_name["fawn"].labels.teeth if t.position == 3)
    assert (third.state, third.milk, third.lobe_centres) == ("erupting", False, ())
    assert (by_name["adult"].item.side, by_name["adult"].item.animal) == ("right", "F-9")


def test_a_person_can_refuse_a_photo(folder, photos, tmp_path):
    """Nothing of its proposal is a label then; an unknown reason is named."""
    path = folder / "photos.csv"
    text = path.read_text()
    path.write_text(
        text.replace("bare.png,D-2,,", "bare.png,D-2,,not_a_jaw").replace("D-1,left,", "D-1,left,wet")
    )
    assert main(["labels", "in", str(folder), "--photos", photos, "--out", str(tmp_path / "d")]) == 3
    (entry,) = read_index(tmp_path / "d")
    truth = json.loads((tmp_path / "d" / "truth" / "bare.json").read_text())
    assert (truth["usable"], truth["unusable"], truth["teeth"]) == (False, ["not_a_jaw"], [])
    assert entry.labelled_share == 0
    _, intake = taken(folder)
    assert kinds(intake) == [("fawn", "unusable")] and "wet" in intake.problems[0].words


def first_of(whole, category, image=1):
    return next(a for a in whole["annotations"] if a["category_id"] == category and a["image_id"] == image)


SPOILED_COCO = {
    "unknown_class": lambda w: first_of(w, 4).update(category_id=99),
    "mask": lambda w: first_of(w, 4).update(segmentation=[[0, 0, 99999, 0, 5, 5]]),
    "empty": lambda w: first_of(w, 4).update(
        segmentation={"size": first_of(w, 4)["segmentation"]["size"], "counts": []}
    ),
    "ids": lambda w: first_of(w, 4).update(id=first_of(w, 3)["id"]),
    "tooth": lambda w: first_of(w, 7)["attributes"].update(tooth=2),
    "state": lambda w: first_of(w, 7)["attributes"].update(state="rotten"),
    "lobes": lambda w: first_of(w, 7).update(keypoints=[-50, 3, 2]),
    "overlap": lambda w: first_of(w, 7).update(
        segmentation=[a for a in w["annotations"] if a["category_id"] == 7][3]["segmentation"]
    ),
}


@pytest.mark.parametrize("kind", SPOILED_COCO)
def test_a_spoiled_annotation_is_named_and_its_photo_left_out(folder, kind):
    """The fault is told by file, picture and annotation; the other photo of the file is taken."""
    edit_coco(folder, SPOILED_COCO[kind])
    found, intake = taken(folder, accept_unchanged=True)
    fatal = [p for p in intake.problems if p.fatal]
    assert kind in {p.kind for p in fatal}
    assert all(p.where.endswith("coco.json") and "image adult.png, annotation " in p.item for p in fatal)
    assert [each.item.name for each in found] == ["fawn"]
    assert intake.refused == {"adult"}


def spoil_size(folder: Path) -> None:
    path = folder / "maps" / "adult.material.png"
    Image.open(path).resize((100, 50)).save(path)


def spoil_class(folder: Path) -> None:
    labels = material_map(folder)
    labels[7, 9] = 77
    Image.fromarray(labels).save(folder / "maps" / "adult.material.png")


def spoil_colour(folder: Path) -> None:
    path = folder / "maps" / "adult.material.png"
    image = Image.open(path).convert("RGB")
    image.putpixel((9, 7), (1, 2, 3))
    image.save(path)


def spoil_pair(folder: Path) -> None:
    (folder / "maps" / "adult.tooth.png").unlink()


def spoil_file(folder: Path) -> None:
    (folder / "maps" / "adult.material.png").write_bytes(b"no picture")


def empty_both(folder: Path) -> None:
    for kind in ("material", "tooth"):
        labels = np.zeros_like(material_map(folder))
        write_label_map(folder / "maps" / f"adult.{kind}.png", labels, kind)


def change_both(folder: Path) -> None:
    widen_dentine(folder)
    edit_coco(folder, lambda w: w["annotations"].remove(first_of(w, 4)))


def second_file(folder: Path) -> None:
    widen_dentine(folder)
    shutil.copy(folder / "coco.json", folder / "other.json")
    path = folder / "other.json"
    whole = json.loads(path.read_text())
    whole["annotations"].remove(first_of(whole, 4))
    path.write_text(json.dumps(whole))


def same_photo(folder: Path) -> None:
    path = folder / "labels.json"
    whole = json.loads(path.read_text())
    whole["photos"].append(whole["photos"][0] | {"name": "again"})
    path.write_text(json.dumps(whole))


def image_twice(folder: Path) -> None:
    edit_coco(folder, lambda w: w["images"].append(w["images"][0] | {"id": 50}))


def wrong_row(folder: Path) -> None:
    with (folder / "teeth.csv").open("a") as file:
        file.write("adult,9,erupted,no\n")


def contradicting_tables(folder: Path) -> None:
    text = (folder / "teeth.csv").read_text()
    (folder / "teeth.csv").write_text(text.replace("adult,6,erupted", "adult,6,broken"))

    def change(whole):
        for entry in whole["annotations"]:
            if entry["category_id"] == 7 and entry["image_id"] == 1 and entry["attributes"]["tooth"] == 6:
                entry["attributes"]["state"] = "erupting"

    edit_coco(folder, change)


def no_label(folder: Path) -> None:
    edit_coco(
        folder,
        lambda w: (
            w["images"].pop(0) and w.update(annotations=[a for a in w["annotations"] if a["image_id"] != 1])
        ),
    )
    for path in (folder / "maps").glob("adult.*"):
        path.unlink()


SPOILED = {
    spoil_size: ("size", "100 x 50 px"),
    spoil_class: ("unknown_class", "first 77 at (9, 7)"),
    spoil_colour: ("unknown_class", "first [1, 2, 3] at (9, 7)"),
    spoil_pair: ("missing_label", "adult.tooth.png is missing"),
    spoil_file: ("file", "cannot be read"),
    empty_both: ("empty", "no tooth is drawn"),
    change_both: ("differ", "coco.json and maps/adult.*.png"),
    second_file: ("differ", "two labels for one photo"),
    same_photo: ("twice", "adult, again are the same file"),
    image_twice: ("twice", "its image is twice"),
    wrong_row: ("tooth", "tooth 9"),
    contradicting_tables: ("differ", "tooth 6: state is erupting in coco.json and broken in teeth.csv"),
    no_label: ("missing_label", "neither a COCO file nor"),
}


@pytest.mark.parametrize("spoil", SPOILED, ids=lambda f: f.__name__)
def test_spoiled_labels_are_named(folder, spoil):
    kind, words = SPOILED[spoil]
    spoil(folder)
    found, intake = taken(folder, accept_unchanged=True)
    assert any(p.kind == kind and words in p.words and p.fatal for p in intake.problems), intake.problems
    assert "adult" in intake.refused
    assert [each.item.name for each in found] == ["fawn"]


def test_pixels_that_two_materials_claim_count_as_not_labelled(folder):
    """
    Dentine pushed 4 px into the enamel beside it: what both claim is left open, the rest of both stands.
    """

    def change(whole):
        entry = next(
            a for a in whole["annotations"] if a["category_id"] == 4 and a["attributes"]["tooth"] == 4
        )
        counts = entry["segmentation"]["counts"]
        counts[0], counts[-1] = counts[0] + 4, counts[-1] - 4

    before = material_map(folder)
    edit_coco(folder, change)
    (each,), intake = taken(folder)
    assert "overlap" in {p.kind for p in intake.problems} <= {"overlap", "crown"}
    assert all(str(p).endswith("(taken)") for p in intake.problems)
    lost = each.labels.material == UNKNOWN
    assert 0 < lost.sum() < 0.02 * (before >= 2).sum()


def test_photos_are_looked_for_by_their_bytes(folder, tmp_path):
    """A photo that was renamed is found; one that was changed or is gone is named; animals are asked for."""
    widen_dentine(folder)
    photos = tmp_path / "photos"
    photos.mkdir()
    shutil.copy(painted_jaws.photo("adult"), photos / "renamed.png")
    shutil.copy(painted_jaws.photo("adult"), photos / "fawn.png")  # another picture under this name

    def build(name: str, *, places=photos, strip=False):
        intake = Intake()
        items = read_manifest(folder)
        if strip:
            (folder / "photos.csv").write_text("name,side\nadult,\nfawn,\nbare,\n")
            path = folder / "labels.json"
            path.write_text(path.read_text().replace('"D-0"', "null"))
            items = read_manifest(folder)
        writer = DatasetWriter(tmp_path / name)
        labels = take_back(folder, items, intake, accept_unchanged=True)
        build_dataset(labels, PhotoFinder([str(places)]), writer, intake)
        return writer.entries, intake

    entries, intake = build("one")
    assert [(e.name, e.animal, e.kind) for e in entries] == [("adult", "D-0", "corrected")]
    assert kinds(intake) == [("fawn", "changed_photo")]
    (photos / "fawn.png").unlink()
    _, intake = build("two")
    assert kinds(intake) == [("fawn", "missing_photo")]
    entries, intake = build("three", strip=True)
    assert not entries and ("adult", "no_animal") in kinds(intake)


def test_the_data_set_is_what_training_reads(folder, photos, tmp_path):
    """Photo, labels, truth and animals as `crestgauge.training.files` wants them, at the level crop."""
    files = pytest.importorskip("crestgauge.training.files")
    wide = widen_dentine(folder)
    code = main(["labels", "in", str(folder), "--photos", photos, "--out", str(tmp_path / "d")])
    assert code == 0
    (entry,) = read_index(tmp_path / "d")
    assert entry.animal == "D-0"
    (paths,) = files.list_photos(tmp_path / "d")
    view = files.read_view(paths, "fine")
    # Two nearest-neighbour warps move a border by up to a pixel; areas stay, to 3 % of dentine.
    assert (view.material == Material.DENTINE).sum() == pytest.approx(
        (wide == Material.DENTINE).sum() * (view.tooth == 4).sum() / crown_px(folder, 4), rel=0.03
    )
    assert set(np.unique(view.tooth)) >= {0, 1, 2, 3, 4, 5, 6}
    assert (view.lingual == 1).any() and (view.lingual == 0).any()
    assert (view.state == 0).any()
    truth = json.loads((tmp_path / "d" / "truth" / "adult.json").read_text())
    assert truth["specimen_id"] == "D-0" and truth["side"] == "left"


def crown_px(folder: Path, position: int) -> int:
    item = next(i for i in read_manifest(folder) if i.name == "adult")
    labels = read_label_map(folder / "maps" / "adult.tooth.png", "tooth", item.size)
    assert isinstance(labels, np.ndarray)
    return int((labels == position).sum())


@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
def test_the_whole_photo_with_polygons(tmp_path):
    """The other view and the other form: untouched comes back untouched, and both forms are one."""
    folder = hand_out(tmp_path / "photo", ("adult",), view="photo", polygons=True)
    (item,) = read_manifest(folder)
    assert item.size == painted_jaws.SIZE and item.from_photo[0] == (1.0, 0.0, 0.0)
    whole = json.loads((folder / "coco.json").read_text())
    assert isinstance(whole["annotations"][0]["segmentation"], list)
    found, intake = taken(folder)
    assert intake.untouched == ["adult"] and not intake.problems and not found
    labels = read_label_map(folder / "maps" / "adult.material.png", "material", item.size)
    assert isinstance(labels, np.ndarray)
    assert 0.2 < (labels == UNKNOWN).mean() < 0.8  # the crop covers about half of the photo
    result = painted_jaws.result("adult")
    crop = result.maps.block("material").argmax(axis=0)
    share = (labels == Material.DENTINE).sum() * result.frame.scale**2 / (crop == Material.DENTINE).sum()
    assert share == pytest.approx(1, abs=0.02)


@pytest.mark.parametrize("view", ["photo", "row"])
def test_a_straightened_photo_gets_its_labels_back_where_it_had_them(view):
    """
    A photo that the card turned straight: what the labels say at a pixel of the photo as it came is what the
    straight one says where that pixel went. Borders of labels move by up to a pixel: 97 % of points agree.
    """
    result = painted_jaws.result("adult")
    plain = in_photo(as_corrected(handout(result.photo, result, name="a", animal="D-1")))
    turn = np.array([[1.02, 0.05, -40.0], [-0.03, 0.97, 35.0], [1.5e-5, 2e-5, 1.0]])
    turned = replace(result, straightening=turn)
    labels = in_photo(as_corrected(handout(result.photo, turned, name="a", animal="D-1", view=view)))
    rows, columns = np.nonzero((labels.tooth > 0) & (labels.tooth != UNKNOWN))
    moved = mapped(turn, np.stack([columns, rows], axis=1).astype(float))
    x, y = np.rint(moved).astype(int).T
    assert len(rows) > 50_000
    for kind in ("material", "tooth"):
        agree = getattr(labels, kind)[rows, columns] == getattr(plain, kind)[y, x]
        assert agree.mean() > 0.97
    ours = {t.position: t.lobe_centres for t in labels.teeth}
    for tooth in plain.teeth:
        there = mapped(turn, np.array(ours[tooth.position]))
        assert np.abs(there - np.array(tooth.lobe_centres)).max() < 0.1


def as_corrected(given):
    return Corrected(item=given.item, labels=given.labels, source="unchanged")


def test_no_capture_data_travels(tmp_path):
    """A photo with a position: its copy in the data set has its pixels, the right way up, no position."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif[ExifTags.Base.Make] = "Maker"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (44.0, 1.0, 2.0)
    noise = np.random.default_rng(2).integers(0, 255, (90, 130, 3), dtype=np.uint8)
    Image.fromarray(noise).save(tmp_path / "a.jpg", exif=exif)
    photo, data = read_photo(tmp_path / "a.jpg"), (tmp_path / "a.jpg").read_bytes()
    nothing = np.full((photo.height, photo.width), UNKNOWN, dtype=np.uint8)
    labels = RowLabels(material=nothing, tooth=nothing, teeth=(), side=None)
    writer = DatasetWriter(tmp_path / "d")
    entry = writer.add(photo, data, labels, About(name="a", animal="D-1", kind="corrected", model="m"))
    copy = tmp_path / "d" / entry.photo
    assert np.array_equal(read_photo(copy).pixels, photo.pixels)
    assert b"Maker" not in copy.read_bytes()
    with Image.open(copy) as opened:
        assert not opened.getexif().get_ifd(ExifTags.IFD.GPSInfo)


def test_commands(folder, photos, tmp_path, capsys):
    """Exit statuses: 3 where something was refused, 2 where nothing could start."""
    spoil_class(folder)
    arguments = ["labels", "in", str(folder), "--photos", photos, "--accept-unchanged", "--out"]
    assert main([*arguments, str(tmp_path / "d")]) == 3
    said = capsys.readouterr()
    assert "photo adult: 1 px of no class" in said.err and "1 photos of 1 animals taken" in said.out
    assert main([*arguments, str(tmp_path / "d")]) == 2  # a data set is there already
    assert main(["labels", "in", str(tmp_path), "--photos", photos, "--out", str(tmp_path / "e")]) == 2
    assert main(["labels", "in", str(folder), "--out", str(tmp_path / "e")]) == 2
    out = tmp_path / "o"
    place = tmp_path / "photos"
    place.mkdir()
    shutil.copy(painted_jaws.photo("fawn"), place / "a.png")
    (place / "b.png").write_bytes(b"broken")
    options = ["--manifest", str(painted_jaws.manifest()), "--out", str(out)]
    assert main(["labels", "out", str(place), *options]) == 3
    said = capsys.readouterr()
    assert "b.png" in said.err
    assert [i.file for i in read_manifest(out)] == ["a.png"]
    assert main(["labels", "out", str(place), *options]) == 2
    assert "labels in it already" in capsys.readouterr().err
    assert read_photo(out / "pictures" / "a.png").width == 1536
