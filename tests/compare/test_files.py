"""Files people bring: odd CSV, broken cells, readings of mixed versions; every fault is told with its row."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from built_readings import READINGS

from crestgauge.inference.compare.ages import SCALES
from crestgauge.inference.compare.align import AgeSet, Row, align
from crestgauge.inference.compare.files import (
    SetSource,
    file_facts,
    parse_source,
    read_age_set,
    read_measures,
    read_photo_ids,
    read_strata,
    read_table,
    reading_measures,
)
from crestgauge.inference.compare.measures import Measure, known_age_of, method_pairs, repeatability
from crestgauge.inference.errors import InputError


def write(folder, name, text, encoding="utf-8"):
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("id,age\nD1,3.5\nD2,2.5\n", "utf-8"),
        ("\ufeffid;age\nD1;3.5\nD2;2.5\n", "utf-8"),
        ("ID\tAge\r\nD1\t3.5\r\n\r\nD2\t2.5\r\n", "utf-8"),
        ('specimen,age_class\n"D1","3.5"\nD2,2.5', "utf-8"),
        ("id,age,note\nD1,3.5,Müller\nD2,2.5,\n", "cp1252"),
    ],
)
def test_csv_dialects(tmp_path, text, encoding):
    ages, problems = read_age_set(SetSource(name="a", path=write(tmp_path, "a.csv", text, encoding)))
    assert [(r.id, r.age) for r in ages.rows] == [("D1", "3.5"), ("D2", "2.5")]
    assert not problems and ages.rows[0].row == 2


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "no header"),
        ("id,age\0\n", "zero bytes"),
        ("id,ID\n1,2\n", "twice"),
        ("id,years\nD1,3.5\n", "no column age or"),
        ('id,age\nD1,"3.5\n', "line"),
        ("age\n3.5\n", "animal's id"),
    ],
)
def test_files_that_cannot_be_used_say_why(tmp_path, text, word):
    with pytest.raises(InputError, match=word):
        read_age_set(SetSource(name="a", path=write(tmp_path, "a.csv", text)))


def test_missing_file_and_missing_column(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_table(tmp_path / "no.csv")
    path = write(tmp_path, "a.csv", "id,age\nD1,3.5\n")
    with pytest.raises(InputError, match='no column "reader"'):
        read_age_set(SetSource(name="a", path=path, column="reader"))


def test_ragged_rows(tmp_path):
    path = write(tmp_path, "a.csv", "id,age\nD1\nD2,2.5,extra\nD3,1.5,,\n")
    ages, problems = read_age_set(SetSource(name="a", path=path))
    assert [r.age for r in ages.rows] == ["", "2.5", "1.5"]
    assert [p.row for p in problems] == [3]


def test_sources(tmp_path):
    path = write(tmp_path, "a.csv", "id,age\n")
    assert parse_source(f"known={path}") == SetSource(name="known", path=path)
    assert parse_source(f"known={path}:age").column == "age"
    for bad in ("a.csv", "=a.csv", "a="):
        with pytest.raises(InputError, match="NAME=FILE"):
            parse_source(bad)
    assert "SHA-256" in file_facts(path)


def _named(kind, file):
    reading = READINGS[kind]
    return replace(reading, photo=replace(reading.photo, file=file))


def test_readings_are_a_set_by_photo_or_by_a_table_of_photos(tmp_path):
    folder = tmp_path / "readings"
    folder.mkdir()
    for kind, name in (("clear", "D1.jpg"), ("blurred", "D2.jpg"), ("dished", "IMG_7.jpg")):
        (folder / f"{name}.reading.json").write_text(_named(kind, name).to_json(indent=1))
    (folder / "broken.json").write_text("{}")
    photos = read_photo_ids(write(tmp_path, "photos.csv", "photo,id\nIMG_7.jpg,D3\n"))
    ages, problems = read_age_set(SetSource(name="tool", path=folder), ids=photos)
    assert {r.id: r.age for r in ages.rows} == {
        "D1": "4.5",
        "D2": "no class, the reading ended in retake",
        "D3": "8.5+",
    }
    assert ages.kind == "tool" and [p.id for p in problems] == ["broken.json"]
    assert any("model: rows-1" in line for line in ages.about)
    measures, mixed = reading_measures(folder, reader="tool", ids=photos)
    assert not mixed
    gone = [m for m in measures if m.id == "D3" and m.quantity == "ratio"]
    assert gone and all(math.isinf(m.value) for m in gone)
    with pytest.raises(InputError, match="holds no reading"):
        read_age_set(SetSource(name="t", path=write(tmp_path, "x.json", "[1]")))


def test_mixed_versions_are_flagged(tmp_path):
    other = _named("clear", "D2.jpg")
    other = replace(other, versions=replace(other.versions, model="rows-2"))
    path = write(tmp_path, "all.jsonl", "\n".join(r.to_json() for r in (_named("clear", "D1.jpg"), other)))
    _, problems = read_age_set(SetSource(name="tool", path=path))
    assert "2 different versions of model" in problems[0].what and "rows-2" in problems[0].what
    _, problems = reading_measures(path, reader="tool")
    assert [p.set_name for p in problems] == ["tool, measured"] and "rows-1, rows-2" in problems[0].what


def test_measurements_by_row(tmp_path):
    lines = (
        "id,tooth,value,reader,trial", "D1,4,1.25,a,1", 'D1,tooth 5,"0,8",a,1', "D1,4,gone,b,1", "D1,7,1,a,1",
        "D1,4,x,a,2", "D1,4,-1,a,3", "D1,4,1.3,a,1", ",4,1,a,1", "D1,4,,a,4", "D1,4,nan,a,5",
    )  # fmt: skip
    text = "\n".join(lines)
    measures, problems = read_measures(write(tmp_path, "m.csv", text))
    assert [(m.tooth, m.value) for m in measures] == [(4, 1.25), (5, 0.8), (4, math.inf)]
    told = {p.row: p.what for p in problems}
    for row, word in {5: "1 to 6", 6: "no number", 7: "not negative", 8: "as row 2", 9: "no id", 10: "empty",
                      11: "not negative"}.items():  # fmt: skip
        assert word in told[row]


def test_strata(tmp_path):
    path = write(tmp_path, "animals.csv", "id,sex,area\nD1,female,north\n")
    assert read_strata(path, ["sex"]) == {"sex": {"D1": "female"}}
    with pytest.raises(InputError, match='"weight"'):
        read_strata(path, ["weight"])


def _measure(key, value, reader="tool", trial="1", tooth=4):
    return Measure(row=1, id=key, tooth=tooth, quantity="ratio", value=value, reader=reader, trial=trial)


def test_repeats_by_one_reader_and_a_gauge_study_are_both_found():
    """Twelve jaws photographed twice; five of them measured by two hands twice, one a tenth higher."""
    rng = np.random.default_rng(0)
    true = rng.uniform(0.5, 2.5, 12)
    rows = [_measure(f"D{i}", t + rng.normal(0, 0.05), trial=k) for i, t in enumerate(true) for k in "12"]
    rows += [
        _measure(f"D{i}", true[i] + shift + rng.normal(0, 0.02), reader, k)
        for i in range(5)
        for reader, shift in (("hand a", 0.0), ("hand b", 0.1))
        for k in "12"
    ]
    found = {r.readers: r for r in repeatability(rows)}
    assert found["tool",].n_items == 12 and found["tool",].by_anova.reason is not None
    assert found["tool",].icc_columns == "trials" and found["tool",].icc["ICC(1,1)"].value > 0.9
    block = found["hand a", "hand b", "tool"]
    assert block.n_items == 5 and block.by_anova.study is not None and block.icc_columns == "readers"
    pairs = {(p.first, p.second): p for p in method_pairs(rows)}
    assert pairs["hand a", "hand b"].limits.mean_difference.value == pytest.approx(-0.1, abs=0.05)
    assert pairs["hand a", "tool"].limits.mean_difference.n == 5


def test_known_age_takes_the_mean_over_trials():
    rows = (Row(row=2, id="D1", age="3.5"), Row(row=3, id="D2", age="8.5+"))
    sets = [AgeSet(name="known", rows=rows), AgeSet(name="nobody", rows=())]
    aligned = align(sets, SCALES["years"])
    measures = [
        _measure("D1", 1.0), _measure("D1", 2.0, trial="2"), _measure("D2", math.inf),
        _measure("D2", 3.0, trial="2"), _measure("D2", math.inf, trial="3"), _measure("D9", 1.0),
    ]  # fmt: skip
    known, problems = known_age_of(measures, aligned, "known", SCALES["years"].labels)
    assert known.ids == ("D1", "D2") and known.codes.tolist() == [3, 8]
    assert known.values["ratio", 4].tolist() == [1.5, math.inf]
    assert [p.id for p in problems] == ["D9"]
