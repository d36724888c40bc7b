"""Sets out of a ledger: people, the tool, known and cementum ages; blind calls apart."""

from __future__ import annotations

from dataclasses import replace

import pytest
from built_readings import READINGS

from crestgauge.cli.__main__ import main
from crestgauge.inference.compare.from_ledger import read_ledger
from crestgauge.inference.errors import CrestgaugeError
from crestgauge.inference.ledger.record import (
    Call,
    PhotoFacts,
    add_call,
    add_photo,
    add_reading,
    add_specimen,
    link_photo,
)
from crestgauge.inference.ledger.specimen import Specimen
from crestgauge.inference.ledger.store import Ledger


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Twelve animals: eight known, one minimum, two counted; all read, one by other weights."""
    place = str(tmp_path_factory.mktemp("ledger") / "season.db")
    with Ledger(place, by="test") as ledger:
        for i in range(12):
            age = {"age_years": 4.5, "age_kind": "known", "age_basis": "tagged as fawn"} if i < 8 else {}
            if i == 8:
                age = {"age_years": 3.5, "age_kind": "minimum", "age_basis": "tagged as adult"}
            counted = {"cementum_age": 4} if i in (9, 10) else {}
            sex = "female" if i % 2 else "male"
            add_specimen(ledger, Specimen(specimen_id=f"D{i}", sex=sex, area="north", **age, **counted))
            sha, reading = f"{i:064x}", READINGS["dished" if i == 3 else "clear"]
            model = "rows-2" if i == 11 else "rows-1"
            reading = replace(
                reading,
                photo=replace(reading.photo, sha256=sha, file="jaw.jpg"),
                versions=replace(reading.versions, model=model),
            )
            with ledger.writing() as connection:
                facts = PhotoFacts(sha256=sha, width=10, height=10, format="JPEG", picture_hash=sha)
                photo = add_photo(connection, ledger, facts)
                if i != 10:
                    link_photo(connection, ledger, sha, f"D{i}", source="person")
                add_reading(connection, ledger, photo, reading.to_dict(), reading.to_json())
            for person in ("Alder", "Birch", "known"):
                saw, decision = ("proposal", "changed") if person == "Birch" and i < 4 else ("jaw", "own")
                label = "3.5" if person == "Birch" else "4.5"
                add_call(
                    ledger,
                    Call(person=person, decision=decision, age_class=label, specimen_id=f"D{i}", saw=saw),
                )
    return place


def test_every_kind_of_set_is_found(season):
    found = read_ledger(season)
    sets = {s.name: s for s in found.sets}
    assert set(sets) == {"known", "cementum", "tool", "Alder", "Birch", "person known"}
    assert len(sets["known"].rows) == 8 and "1 minimum" in sets["known"].about[1]
    assert [r.age for r in sets["cementum"].rows] == [
        "4",
        "4",
    ]  # whole years: the rules decide, not this module
    tool = {r.id: r.age for r in sets["tool"].rows}
    assert tool["D3"] == "8.5+" and tool["D0"] == "4.5"
    assert any(key.startswith("photo ") for key in tool) and "D10" not in tool
    assert "4 of them made with the proposal" in sets["Birch"].about[1]
    assert any("2 different versions of model" in p.what for p in found.problems)
    assert found.strata["sex"]["D1"] == "female"
    assert {m.quantity for m in found.measures} == {"ratio", "infundibulum_left", "dentine_mm"}


def test_blind_only_leaves_out_calls_made_with_the_proposal(season):
    found = read_ledger(season, blind_only=True)
    assert len(next(s for s in found.sets if s.name == "Birch").rows) == 8
    assert sum("not a blind call" in p.what for p in found.problems) == 4


def test_compare_command_on_a_ledger(season, tmp_path, capsys):
    out = tmp_path / "out"
    arguments = ["--ledger", season, "--reference", "known", "--by", "sex", "--whole-years", "add-half"]
    assert main(["compare", *arguments, "--out", str(out)]) == 3
    printed, _ = capsys.readouterr()
    assert "Birch against known: n 8, same class 0.0 %" in printed
    assert "sex = female" in (out / "report.html").read_text(encoding="utf-8")


def test_a_missing_or_empty_ledger_says_so(tmp_path):
    with pytest.raises(CrestgaugeError, match=r"(?i)ledger"):
        read_ledger(str(tmp_path / "no.db"))
    empty = str(tmp_path / "empty.db")
    Ledger(empty, by="test").close()
    with pytest.raises(CrestgaugeError, match="holds no reading"):
        read_ledger(empty)


def test_a_reference_that_the_ledger_lacks_is_named(tmp_path, capsys):
    """One set of ages with measured values: only the reference can be wrong."""
    place = str(tmp_path / "readings.db")
    reading = READINGS["clear"]
    with Ledger(place, by="test") as ledger, ledger.writing() as connection:
        sha = reading.photo.sha256
        facts = PhotoFacts(sha256=sha, width=10, height=10, format="JPEG", picture_hash=sha)
        add_reading(connection, ledger, add_photo(connection, ledger, facts), reading.to_dict())
    assert main(["compare", "--ledger", place, "--reference", "known", "--out", str(tmp_path / "out")]) == 2
    assert 'reference "known" is none of the sets' in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
