"""Corrections of the review page as labels of what they cover, from the ledger to what training reads."""

from __future__ import annotations

import json

import numpy as np
import painted_jaws
import pytest

from crestgauge.cli.__main__ import main
from crestgauge.inference.confirm.corrections import (
    BandEdges,
    Corrections,
    CrestMark,
    SideMark,
    ToothMark,
    parts_of,
)
from crestgauge.inference.confirm.geometry import place
from crestgauge.inference.errors import LedgerError, PhotoError
from crestgauge.inference.exchange.coco import UNKNOWN
from crestgauge.inference.labels.corrected import Intake
from crestgauge.inference.labels.from_review import level_matrix, review_labels, reviewed_photos
from crestgauge.inference.labels.sources import LedgerQuery, Source, from_ledger
from crestgauge.inference.ledger.measurements import Measurement, add_measurement
from crestgauge.inference.ledger.record import (
    PhotoFacts,
    add_photo,
    add_reading,
    add_sighting,
    link_photo,
)
from crestgauge.inference.ledger.store import Ledger
from crestgauge.model.labels import Material

EDGES = BandEdges(tooth=4, lobe=1, at=0.5, edges_px=(17.0, 7.5, -7.5, -18.0), zoom=4.0)
GIVEN = Corrections(
    edges=(EDGES,),
    crests=(CrestMark(tooth=5, lobe=1, mark="unusable"), CrestMark(tooth=6, lobe=1, mark="no_dentine")),
    teeth=(ToothMark(tooth=3, milk=False), ToothMark(tooth=4, state="erupted")),
    side=SideMark(side="left"),
)


def reading():
    return painted_jaws.result("adult").reading


@pytest.fixture
def filled(tmp_path):
    """A ledger with one painted photo, its reading, and its animal."""
    with Ledger(str(tmp_path / "season.db"), by="test") as ledger:
        photo = painted_jaws.photo("adult")
        read = reading()
        with ledger.writing() as connection:
            facts = PhotoFacts(
                sha256=read.photo.sha256,
                width=read.photo.width,
                height=read.photo.height,
                format="PNG",
                picture_hash="0" * 64,
                row_hash=None,
            )
            row = add_photo(connection, ledger, facts)
            number = add_reading(connection, ledger, row, read.to_dict(), read.to_json())
            add_sighting(connection, ledger, read.photo.sha256, str(photo))
            link_photo(connection, ledger, read.photo.sha256, "D-7", source="person")
        yield ledger, number


def correct(ledger: Ledger, number: int, person: str, given: Corrections) -> None:
    for part in parts_of(given):
        add_measurement(
            ledger,
            Measurement(
                reading_id=number,
                person=person,
                kind=part.kind,
                tooth=part.tooth,
                lobe=part.lobe,
                value=part.value,
            ),
        )


def test_edges_label_a_strip_of_their_widths():
    """
    Along the normal through the strip's middle: enamel 9.5, dentine 15, enamel 10.5 px wide, to a pixel of
    the turned grid; enamel and dentine have the areas of their widths times the strip's length, to 5 %.
    """
    labels = review_labels(reading(), GIVEN)
    tooth = next(t for t in reading().teeth if t.position == 4)
    crest = next(c for c in tooth.crests if c.lobe == 1)
    at = place(reading(), tooth, crest, 0.5)
    steps = np.arange(-25, 25, 0.1)
    points = np.array(at.centre) + steps[:, None] * np.array(at.normal)
    seen = labels.material[np.rint(points[:, 1]).astype(int), np.rint(points[:, 0]).astype(int)]
    assert (seen == Material.DENTINE).sum() * 0.1 == pytest.approx(15, abs=1)
    outer = (seen == Material.ENAMEL_BAND) & (steps > 0)
    inner = (seen == Material.ENAMEL_BAND) & (steps < 0)
    assert outer.sum() * 0.1 == pytest.approx(9.5, abs=1) and inner.sum() * 0.1 == pytest.approx(10.5, abs=1)
    dentine, enamel = ((labels.material == m).sum() for m in (Material.DENTINE, Material.ENAMEL_BAND))
    assert dentine / enamel == pytest.approx(15 / 20, rel=0.05)
    known = labels.material != UNKNOWN
    assert set(np.unique(labels.tooth[known])) == {4} and (labels.tooth[~known] == UNKNOWN).all()
    assert known.mean() < 0.01 and labels.side == "left"


def test_people_who_differ_label_nothing_there(filled):
    ledger, number = filled
    correct(ledger, number, "anna", GIVEN)
    other = BandEdges(tooth=4, lobe=1, at=0.5, edges_px=(15.0, 5.0, -5.0, -15.0), zoom=4.0)
    correct(ledger, number, "ben", Corrections(edges=(other,), side=SideMark(side="left")))
    intake = Intake()
    (each,) = reviewed_photos(ledger, intake)
    assert [p.kind for p in intake.problems] == ["differ", "no_pixels"]
    assert "edges of tooth 4 lobe 1: anna and ben differ" in intake.problems[0].words
    assert not each.corrections.edges and each.labels.side == "left"
    assert each.truth["crests"][6][0]["ratio"] == 0.0 and 5 not in each.truth["crests"]


def test_a_data_set_from_the_page(filled, tmp_path, capsys):
    """Strips train, side and state on them, all else is unknown; the row is levelled by the reading."""
    files = pytest.importorskip("crestgauge.training.files")
    ledger, number = filled
    correct(ledger, number, "anna", GIVEN)
    out = tmp_path / "d"
    assert main(["labels", "review", "--ledger", str(tmp_path / "season.db"), "--out", str(out)]) == 0
    assert "1 photos of 1 animals" in capsys.readouterr().out
    truth = json.loads((out / "truth" / "adult.json").read_text())
    by_position = {t["position"]: t for t in truth["teeth"]}
    crest = by_position[4]["crests"][0]
    assert crest["ratio"] == pytest.approx(2 * 15 / (9.5 + 10.5)) and truth["specimen_id"] == "D-7"
    assert by_position[3]["milk"] is False and by_position[4]["state"] == "erupted"
    (paths,) = files.list_photos(out)
    view = files.read_view(paths, "fine")
    known = view.material != UNKNOWN
    assert set(np.unique(view.material[known])) == {Material.ENAMEL_BAND, Material.DENTINE}
    assert set(np.unique(view.tooth[known])) == {4} and set(np.unique(view.state[known])) == {0}
    assert np.isnan(view.lobe[known]).all()
    # The strip lies where tooth 4 has its place in the level crop, within half a tooth (100 px).
    frame = files.known_frame(truth)
    expected = files.nominal_centres_px()[3]
    assert abs(np.nonzero(known)[1].mean() - expected) < 100
    assert frame.scale == pytest.approx(painted_jaws.result("adult").frame.scale, rel=0.03)


def test_photos_of_a_ledger_by_question(filled):
    ledger, _ = filled
    (source,) = from_ledger(ledger, LedgerQuery(outcomes=("clear",), specimens=("D-7",), undecided=True))
    assert source.specimen_id == "D-7" and source.read().sha256 == reading().photo.sha256
    assert from_ledger(ledger, LedgerQuery(outcomes=("retake",))) == []
    assert from_ledger(ledger, LedgerQuery(specimens=("D-8",))) == []
    with pytest.raises(LedgerError, match="needs clear, borderline, retake"):
        from_ledger(ledger, LedgerQuery(outcomes=("maybe",)))
    other = Source(location=source.location, sha256="0" * 64)
    with pytest.raises(PhotoError, match="another file"):
        other.read()


def test_a_ledger_without_corrections(filled, tmp_path, capsys):
    place_of = str(tmp_path / "season.db")
    assert main(["labels", "review", "--ledger", place_of, "--out", str(tmp_path / "d")]) == 2
    assert "nobody corrected anything" in capsys.readouterr().err
    assert level_matrix(painted_jaws.result("bare").reading) is None
