"""What goes out can be read by others and comes back whole; what cannot be taken in is named row by row."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
import zipfile

import numpy as np
import pytest
from built_readings import READINGS
from drawn_row import draw, plain_row

from crestgauge.cli.__main__ import main
from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.exchange.coco import (
    PAINT_ORDER,
    LabelledPhoto,
    labels_of,
    run_lengths,
    unpacked,
    write_coco,
)
from crestgauge.inference.exchange.coco_read import read_coco
from crestgauge.inference.exchange.darwin_core import MEASUREMENT, OCCURRENCE, export_darwin_core
from crestgauge.inference.exchange.tables_in import import_calls, import_specimens, read_rows
from crestgauge.inference.exchange.tables_out import TABLES, dictionary, export_tables
from crestgauge.inference.ledger.queries import specimen_history, specimens, standing_calls
from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, link_photo
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.maps import RowFrame
from crestgauge.model.labels import Material

DWC_OCCURRENCE_TERMS = {
    *("occurrenceID", "catalogNumber", "sex", "preparations", "occurrenceStatus", "occurrenceRemarks"),
    *(
        "basisOfRecord",
        "scientificName",
        "taxonRank",
        "kingdom",
        "class",
        "order",
        "family",
        "eventDate",
        "locality",
    ),
}
"""Terms of Darwin Core used here, written down from its list of terms (TDWG, dwc.tdwg.org/terms)."""
DWC_MEASUREMENT_TERMS = {
    *("measurementID", "measurementType", "measurementValue", "measurementAccuracy", "measurementUnit"),
    *("measurementDeterminedBy", "measurementDeterminedDate", "measurementMethod", "measurementRemarks"),
}


@pytest.fixture
def ledger(tmp_path):
    """Real readings of every kind, one animal each; and calls of two people."""
    with Ledger(str(tmp_path / "l.db"), by="test") as opened:
        (tmp_path / "animals.csv").write_text(
            "specimen_id,sex,harvest_date,area,weight,weight_kind,weight_unit,cementum_age,cementum_certainty\n"
            "clear,male,2026-11-14,Unit 7,70.5,dressed,kg,4,A\nyearling,female,2026-11-15,Unit 7,,,,,\n"
        )
        assert import_specimens(tmp_path / "animals.csv", opened).added == 2
        for k, (name, reading) in enumerate(READINGS.items()):
            sha256 = f"{k:064x}"
            facts = PhotoFacts(sha256=sha256, width=4032, height=3024, format="JPEG", picture_hash="0" * 64)
            with opened.writing() as connection:
                photo = add_photo(connection, opened, facts)
                add_reading(connection, opened, photo, reading.to_dict(), reading.to_json())
                if name != "no jaw":
                    link_photo(connection, opened, sha256, name, source="list")
        (tmp_path / "calls.csv").write_text(
            "specimen_id;person;age_class;confidence;saw;reason\nclear;R;4.5;H;jaw;\nclear;S;3.5;L;photo;=worn?\n"
        )
        assert import_calls(tmp_path / "calls.csv", opened).added == 2
        yield opened


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_and_its_dictionary(ledger, tmp_path):
    """Every column of every table is in the dictionary, in order; values are those of the readings."""
    counts = export_tables(ledger, tmp_path / "out")
    assert counts["readings"] == len(READINGS)
    assert counts["calls"] == 2
    described = rows_of(tmp_path / "out" / "dictionary.csv")
    assert described == dictionary()
    for name, columns in TABLES.items():
        header = (tmp_path / "out" / f"{name}.csv").read_text(encoding="utf-8").split("\n")[0].strip()
        assert header == ",".join(c.name for c in columns)
        assert header.split(",") == [d["column"] for d in described if d["table"] == name]
        assert all(c.meaning for c in columns)
    crest = READINGS["clear"].teeth[3].crests[0]
    row = next(
        r
        for r in rows_of(tmp_path / "out" / "crests.csv")
        if (r["specimen_id"], r["tooth"]) == ("clear", "4")
    )
    assert float(row["ratio"]) == pytest.approx(crest.ratio.value, abs=1e-9)
    assert float(row["dentine_mm"]) == pytest.approx(18.123 / 23.4568, abs=1e-4)
    readings = {r["specimen_id"]: r for r in rows_of(tmp_path / "out" / "readings.csv")}
    assert readings["blurred"]["retake_reasons"] == "blurred"
    assert readings["borderline"]["possible"] == " ".join(READINGS["borderline"].possible)
    assert {r["caution"] for r in readings.values()} == {"a proposal for a trained person to confirm"}
    assert rows_of(tmp_path / "out" / "calls.csv")[1]["reason"] == "'=worn?"


def test_parquet_is_the_same(ledger, tmp_path):
    """Read back by pyarrow: same rows as the CSV, with types and each column's meaning in the metadata."""
    parquet = pytest.importorskip("pyarrow.parquet")
    export_tables(ledger, tmp_path / "p", parquet=True)
    export_tables(ledger, tmp_path / "c")
    for name, columns in TABLES.items():
        table = parquet.read_table(tmp_path / "p" / f"{name}.parquet")
        assert table.column_names == [c.name for c in columns]
        assert table.num_rows == len(rows_of(tmp_path / "c" / f"{name}.csv"))
    field = parquet.read_table(tmp_path / "p" / "crests.parquet").schema.field("dentine_px")
    assert str(field.type) == "double"
    assert field.metadata[b"unit"] == b"px"


@pytest.mark.published(source="Darwin Core, TDWG", where="list of terms; text guide")
def test_darwin_core_archive(ledger, tmp_path):
    """
    Descriptor as the text guide asks: core with id, extension with coreid, every field a Darwin Core term.
    """
    assert set(OCCURRENCE) == DWC_OCCURRENCE_TERMS
    assert set(MEASUREMENT) == DWC_MEASUREMENT_TERMS | {"occurrenceID"}
    path = tmp_path / "a.zip"
    counts = export_darwin_core(ledger, path, dataset="demo")
    with zipfile.ZipFile(path) as archive:
        meta = ET.fromstring(archive.read("meta.xml"))
        tables = {
            name: list(csv.reader(io.StringIO(archive.read(name).decode())))
            for name in ("occurrence.csv", "measurementorfact.csv")
        }
    space = "{http://rs.tdwg.org/dwc/text/}"
    assert meta.tag == f"{space}archive"
    for tag, key in (("core", "id"), ("extension", "coreid")):
        part = meta.find(f"{space}{tag}")
        rows = tables[part.find(f"{space}files/{space}location").text]
        assert part.find(f"{space}{key}").get("index") == "0"
        assert part.get("linesTerminatedBy") == "\\n"
        terms = {int(f.get("index")): f.get("term") for f in part.iter(f"{space}field")}
        for index, term in terms.items():
            assert term == f"http://rs.tdwg.org/dwc/terms/{rows[0][index]}"
        assert {len(row) for row in rows} == {len(rows[0])}
    occurrences = {row[0] for row in tables["occurrence.csv"][1:]}
    assert occurrences == {f"demo:{name}" for name in READINGS if name != "no jaw"}
    assert len(occurrences) == counts["occurrence"]
    measured = [dict(zip(MEASUREMENT, row, strict=True)) for row in tables["measurementorfact.csv"][1:]]
    assert {m["occurrenceID"] for m in measured} <= occurrences
    assert len({m["measurementID"] for m in measured}) == len(measured) == counts["measurementorfact"]
    proposals = [m for m in measured if m["measurementType"] == "proposed age class"]
    assert proposals
    assert all("to confirm" in m["measurementRemarks"] for m in proposals)
    called = [m for m in measured if m["measurementType"] == "age class"]
    assert sorted(m["measurementValue"] for m in called) == ["3.5", "4.5"]


def test_import_names_every_row_not_taken(ledger, tmp_path):
    table = tmp_path / "more.csv"
    table.write_text(
        "\ufeffspecimen_id\tsex\tweight\nclear\tfemale\t\nnew\tfemale\t60\nx y \thind\t\nz\tmale\tmany\n"
    )
    taken = import_specimens(table, ledger)
    assert taken.added == 0
    assert [(w.rsplit(":", 1)[-1], why.split(":")[0].split(";")[0]) for w, why in taken.refused] == [
        ("2", "is in the ledger with another sex"),
        ("3", "weight"),
        ("4", "sex 'hind'"),
        ("5", "weight 'many'"),
    ]
    table.write_text("specimen_id,sex\nclear,female\n")
    assert import_specimens(table, ledger, correct=True).corrected == 1
    history = specimen_history(ledger, "clear")
    assert [row["sex"] for row in history] == ["male", "female"]
    assert history[1]["weight"] == 70.5
    assert import_specimens(table, ledger, correct=True).unchanged == 1
    assert len(specimens(ledger)) == 2


def test_calls_are_not_added_twice(ledger, tmp_path):
    assert import_calls(tmp_path / "calls.csv", ledger).unchanged == 2
    table = tmp_path / "bad.csv"
    table.write_text("specimen_id,person,age_class,photo_id\nA,R,3,\nA,,2.5,\nA,R,2.5,1\n")
    taken = import_calls(table, ledger)
    assert taken.added == 0
    assert [why.split(":")[0].split(" ")[0] for _, why in taken.refused] == [
        "age_class",
        "column",
        "photo_id",
    ]
    assert len(standing_calls(ledger)) == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "is empty"),
        (b"specimen_id,sex,sex\n", "there twice"),
        (b"specimen_id,sex\nA\n", "1 cells; needs 2"),
        (b"specimen_id,horns\nA,2\n", "unknown column horns"),
        (b"sex\nmale\n", "needs one called specimen_id"),
        (b"specimen_id\n\xff\n", "not UTF-8"),
        (b'specimen_id\n"A\n', "unexpected end"),
    ],
)
def test_tables_that_cannot_be_used(ledger, tmp_path, text, words):
    (tmp_path / "t.csv").write_bytes(text)
    with pytest.raises(ExchangeError, match=words):
        import_specimens(tmp_path / "t.csv", ledger)
    with pytest.raises(ExchangeError, match="cannot be read"):
        read_rows(tmp_path / "gone.csv")


def labelled(seed=2, shape=(60, 90)):
    rng = np.random.default_rng(seed)
    blocks = rng.integers(0, 6, (6, 9))
    material = np.kron(blocks, np.ones((10, 10), dtype=np.uint8)).astype(np.uint8)
    tooth = np.where(material >= 2, np.arange(shape[1])[None, :] // 15 + 1, 0).astype(np.uint8)
    return LabelledPhoto(file="a.jpg", material=material, tooth=tooth)


def test_coco_comes_back_whole(tmp_path):
    photo = labelled()
    write_coco(tmp_path / "c.json", [photo], description="test")
    (back,) = read_coco(tmp_path / "c.json")
    assert np.array_equal(back.material, photo.material)
    assert np.array_equal(back.tooth, photo.tooth)


# pycocotools hands numpy an array type of its own that does not know NumPy 2's copy keyword.
@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
def test_coco_by_its_reference_library(tmp_path, capsys):
    """pycocotools, the format's own library: masks, areas and boxes are as it decodes them."""
    coco_module = pytest.importorskip("pycocotools.coco")
    from pycocotools import mask as coco_mask

    photo = labelled()
    write_coco(tmp_path / "c.json", [photo], description="test")
    coco = coco_module.COCO(str(tmp_path / "c.json"))
    for entry in coco.anns.values():
        mask = coco.annToMask(entry).astype(bool)
        assert np.array_equal(
            mask, (photo.material == entry["category_id"]) & (photo.tooth == entry["attributes"]["tooth"])
        )
        encoded = coco_mask.encode(np.asfortranarray(mask.astype(np.uint8)))
        assert coco_mask.area(encoded) == entry["area"]
        assert coco_mask.toBbox(encoded).tolist() == entry["bbox"]
        assert unpacked(encoded["counts"].decode()) == run_lengths(mask)


def test_coco_polygons_as_other_tools_write_them(tmp_path):
    """A 10 x 6 wall with a 4 x 2 hole of dentine: polygons without holes, inner painted last."""
    whole = {
        "images": [{"id": 7, "file_name": "b.jpg", "width": 20, "height": 12}],
        "categories": [{"id": 1, "name": "dentine"}, {"id": 2, "name": "crown_wall"}],
        "annotations": [
            {
                "id": 1,
                "image_id": 7,
                "category_id": 1,
                "segmentation": [[5, 4, 9, 4, 9, 6, 5, 6]],
                "tooth": 4,
            },
            {
                "id": 2,
                "image_id": 7,
                "category_id": 2,
                "segmentation": [[2, 2, 12, 2, 12, 8, 2, 8]],
                "tooth": 4,
            },
        ],
    }
    (tmp_path / "p.json").write_text(json.dumps(whole))
    (photo,) = read_coco(tmp_path / "p.json")
    assert photo.material[5, 7] == Material.DENTINE
    assert photo.material[2, 2] == Material.CROWN_WALL
    assert photo.tooth[5, 7] == 4
    for change, words in (
        ({"category_id": 9}, "category"),
        ({"image_id": 8}, "image 8"),
        ({"segmentation": {"size": [1, 2], "counts": [2]}}, "size"),
        ({"segmentation": {"size": [12, 20], "counts": [500]}}, "add up"),
        ({"tooth": 8}, "tooth 8"),
    ):
        broken = json.loads(json.dumps(whole))
        broken["annotations"][0] |= change
        (tmp_path / "x.json").write_text(json.dumps(broken))
        with pytest.raises(ExchangeError, match=words):
            read_coco(tmp_path / "x.json")


def test_labels_lie_where_the_photo_has_them():
    """
    A row shifted by 30, 20 px and enlarged twice: the label at a crop pixel is found at its photo pixel.
    """
    maps = draw(plain_row())
    frame = RowFrame(np.array([[0.5, 0, -15.0], [0, 0.5, -10.0]]))
    photo = labels_of(maps, frame, (3200, 1000), "a.jpg")
    crop = maps.block("material").argmax(axis=0)
    rng = np.random.default_rng(5)
    for x, y in rng.integers(20, 400, (200, 2)):
        px, py = frame.to_photo(np.array([[x, y]], dtype=float))[0]
        assert photo.material[round(py), round(px)] == crop[y, x]
    assert set(np.unique(photo.material)) >= {int(m) for m in PAINT_ORDER[1:]}


def test_commands(ledger, tmp_path, capsys):
    place = str(tmp_path / "l.db")
    assert (
        main(
            [
                "summary",
                "--ledger",
                place,
                "--out",
                str(tmp_path / "s.html"),
                "--json",
                str(tmp_path / "s.json"),
            ]
        )
        == 0
    )
    assert json.loads((tmp_path / "s.json").read_text())["photos"] == len(READINGS)
    assert main(["export", str(tmp_path / "t"), "--ledger", place]) == 0
    assert main(["export", str(tmp_path / "a.zip"), "--ledger", place, "--as", "darwin-core"]) == 0
    (tmp_path / "n.csv").write_text("specimen_id,sex\nN-1,male\nN-2,cow\n")
    assert main(["import", str(tmp_path / "n.csv"), "--ledger", place]) == 3
    printed = capsys.readouterr()
    assert "1 added, 0 corrected, 0 there already, 1 not taken" in printed.out
    assert "n.csv:3: sex 'cow'" in printed.err
    assert main(["export", "x", "--ledger", str(tmp_path / "gone.db")]) == 2
    assert main(["export", "x", "--ledger", place, "--as", "xml"]) == 2
    assert main(["summary", "--ledger", place, "--from", "today"]) == 2
