"""Measurements, second readers, settlements and the queue by pages, on both databases."""

from __future__ import annotations

import itertools
import random

import pytest
import sqlalchemy as sa
from alembic import command
from ledger_rows import make_reading

from crestgauge.inference.errors import InputError, LedgerError
from crestgauge.inference.ledger.measurements import (
    Measurement,
    add_measurement,
    all_measurements,
    measurements_of,
)
from crestgauge.inference.ledger.paging import HEAPS, PageQuery, QueueIndex
from crestgauge.inference.ledger.queries import disagreements, queue, specimens, standing_calls
from crestgauge.inference.ledger.readers import (
    add_settlement,
    calls_of,
    known_spelling,
    readers_of,
    requests_of,
    settlement_of,
    unwant_second,
    want_second,
)
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
from crestgauge.inference.ledger.store import Ledger, ledger_url, make_engine, migration_config
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.summary.season import summarise


def keep(ledger, k, *, specimen_id=None, **reading):
    """Photo k with one reading; ids of both."""
    sha256 = f"{(k * 7919) % 9973:064x}"
    with ledger.writing() as connection:
        facts = PhotoFacts(sha256=sha256, width=10, height=10, format="JPEG", picture_hash=f"{k:016x}")
        photo = add_photo(connection, ledger, facts)
        if specimen_id:
            link_photo(connection, ledger, sha256, specimen_id, source="list")
        return photo, add_reading(connection, ledger, photo, make_reading(sha256, **reading))


def said(ledger, person, photo, age_class, *, replaces=None):
    """One call; None is a call without a class."""
    decision = "none" if age_class is None else "own"
    call = Call(person=person, decision=decision, age_class=age_class, photo_id=photo)
    return add_call(ledger, call, replaces=replaces)


def test_a_measurement_is_a_row_and_its_correction_another(ledger):
    _, reading = keep(ledger, 1)
    part = Measurement(
        reading_id=reading, person="Ann", kind="crest", tooth=4, lobe=1, value={"mark": "unusable"}
    )
    first = add_measurement(ledger, part)
    changed = Measurement(
        reading_id=reading, person="Ann", kind="crest", tooth=4, lobe=1, value={"mark": "no_dentine"}
    )
    second = add_measurement(ledger, changed, replaces=first)
    (row,) = measurements_of(ledger, reading)
    assert (row["id"], row["value"], row["recorded_by"]) == (second, {"mark": "no_dentine"}, "test")
    with pytest.raises(LedgerError, match="replaced already"):
        add_measurement(ledger, part, replaces=first)
    taken = Measurement(reading_id=reading, person="Ann", kind="crest", tooth=4, lobe=1)
    third = add_measurement(ledger, taken, replaces=second)
    assert measurements_of(ledger, reading) == []
    assert [r["id"] for r in measurements_of(ledger, reading, history=True)] == [first, second, third]
    assert all_measurements(ledger) == []


def test_people_do_not_replace_each_others_measurements(ledger):
    photo, reading = keep(ledger, 1)
    ann = Measurement(reading_id=reading, person="Ann", kind="side", value={"side": "left"})
    ben = Measurement(reading_id=reading, person="Ben", kind="side", value={"side": "right"})
    first = add_measurement(ledger, ann)
    with pytest.raises(LedgerError, match="another person"):
        add_measurement(ledger, ben, replaces=first)
    add_measurement(ledger, ben)
    assert [row["person"] for row in measurements_of(ledger, reading)] == ["Ann", "Ben"]
    assert [row["value"] for row in measurements_of(ledger, reading, person="Ben")] == [{"side": "right"}]
    assert {row["photo_id"] for row in all_measurements(ledger)} == {photo}
    with pytest.raises(LedgerError, match="not in the ledger"):
        add_measurement(ledger, Measurement(reading_id=99, person="Ann", kind="side", value={}))
    with pytest.raises(LedgerError, match="must name the row"):
        add_measurement(ledger, Measurement(reading_id=reading, person="Ann", kind="side"))


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "colour"},
        {"kind": "edges", "tooth": 4},
        {"kind": "side", "tooth": 4},
        {"kind": "tooth"},
        {"kind": "side", "person": " "},
    ],
)
def test_measurements_that_cannot_be(wrong):
    with pytest.raises(InputError):
        Measurement(**({"reading_id": 1, "person": "Ann", "value": {}} | wrong))


def test_the_database_itself_refuses_what_cannot_be(ledger):
    photo, reading = keep(ledger, 1)
    row = {"reading_id": reading, "person": "A", "kind": "side", "tooth": None, "lobe": None, "value": "{}"}
    for wrong in ({"kind": "colour"}, {"tooth": 4}, {"lobe": 1}, {"reading_id": 99}):
        with pytest.raises(sa.exc.IntegrityError), ledger.writing() as connection:
            ledger.add(connection, "measurements", {**row, **wrong, "replaces": None})
    calls = [said(ledger, person, photo, "3.5") for person in ("A", "B")]
    settled = {"photo_id": photo, "person": "C", "call_id": calls[0], "first_call_id": calls[0]}
    with pytest.raises(sa.exc.IntegrityError), ledger.writing() as connection:
        ledger.add(connection, "settlements", {**settled, "second_call_id": calls[1], "replaces": None})


def test_second_readers_are_asked_for_and_not(ledger):
    photo, _ = keep(ledger, 1)
    request = want_second(ledger, photo, "Ann", why="stained")
    assert [(r["person"], r["why"]) for r in requests_of(ledger, photo)] == [("Ann", "stained")]
    with pytest.raises(LedgerError, match="another person"):
        unwant_second(ledger, request, "Ben")
    unwant_second(ledger, request, "Ann")
    assert requests_of(ledger, photo) == []
    with pytest.raises(LedgerError, match="already"):
        unwant_second(ledger, request, "Ann")
    with pytest.raises(LedgerError, match="not in the ledger"):
        want_second(ledger, 99, "Ann")


def test_readers_and_what_a_third_settles(ledger):
    photo, _ = keep(ledger, 1)
    other, _ = keep(ledger, 2)
    a, b = said(ledger, "Ann", photo, "2.5"), said(ledger, "Ben", photo, "3.5")
    elsewhere = said(ledger, "Cy", other, "3.5")
    assert readers_of(ledger, photo) == ("Ann", "Ben")
    with pytest.raises(LedgerError, match="three people"):
        add_settlement(ledger, photo, "Cy", call_id=elsewhere, between=(a, b))
    c = said(ledger, "Cy", photo, "3.5")
    add_settlement(ledger, photo, "Cy", call_id=c, between=(a, b))
    assert settlement_of(ledger, photo)["call_id"] == c
    withdrawn = Call(person="Cy", decision="withdrawn", photo_id=photo)
    add_call(ledger, withdrawn, replaces=c)
    assert settlement_of(ledger, photo) is None
    assert readers_of(ledger, photo) == ("Ann", "Ben")
    assert [row["standing"] for row in calls_of(ledger, photo)] == [True, True, False, False]


def test_what_a_third_reader_settles_is_the_animals_age(ledger):
    """Before, the animal disagrees and has no age in the season's summary; after, it has the settled one."""
    photo, _ = keep(ledger, 1, specimen_id="A-1")
    a, b = said(ledger, "Ann", photo, "2.5"), said(ledger, "Ben", photo, "3.5")
    assert [found.specimen_id for found in disagreements(ledger)] == ["A-1"]
    assert summarise(ledger).called.animals == 0
    c = said(ledger, "Cy", photo, "3.5")
    add_settlement(ledger, photo, "Cy", call_id=c, between=(a, b))
    assert disagreements(ledger) == []
    assert summarise(ledger).called.by_sex["unknown"].counts["3.5"] == 1
    assert [row["overruled"] for row in standing_calls(ledger)] == [True, True, False]


def test_names_are_found_in_the_spelling_that_is_there(ledger):
    photo, _ = keep(ledger, 1)
    said(ledger, "Ann Lee", photo, "2.5")
    want_second(ledger, photo, "Jörg")
    assert known_spelling(ledger, "ann lee") == "Ann Lee"
    assert known_spelling(ledger, "JÖRG") == "Jörg"
    assert known_spelling(ledger, "Ben") == "Ben"


def slow_state(calls, asked, settled, readers):
    """Where the calls of a photo stand, written the long way."""
    needed = 2 if asked or readers == 2 else 1
    if len(calls) < needed:
        return "second_wanted" if calls or asked else "none"
    if settled:
        return "settled"
    if len(calls) == 1:
        return "one"
    return "agreed" if len(set(calls.values())) == 1 else "disagree"


def slow_todo(todo, person, calls, asked, state):
    if todo == "all":
        return True
    if todo == "done":
        return person in calls
    if todo == "second":
        return state == "second_wanted"
    if todo == "disagree":
        return state == "disagree"
    if person in calls or (person in asked and not calls):
        return False
    return state in ("none", "second_wanted", "disagree")


def test_pages_against_the_long_way(ledger):
    """A season at random, every question: same photos in the same order, same counts."""
    rng = random.Random(4)
    heaps = {heap: [] for heap in HEAPS}
    calls, asked, settled = {}, {}, {}
    for k in range(40):
        outcome = rng.choice(HEAPS)
        ratio = (rng.choice([0.7, 0.9, 0.95, 1.02, 1.3]), 0.08)
        photo, reading = keep(
            ledger, k, outcome=outcome, ratio=ratio, age_class=rng.choice(["2.5", "3.5"]), specimen_id=f"S{k}"
        )
        calls[photo], asked[photo], settled[photo] = {}, [], False
        ids = []
        for person in rng.sample(["Ann", "Ben", "Cy"], rng.choice([0, 0, 1, 2, 3])):
            age_class = rng.choice(["2.5", "3.5", None])
            ids.append(said(ledger, person, photo, age_class))
            if rng.random() < 0.2:
                age_class = rng.choice(["2.5", "3.5"])
                ids[-1] = said(ledger, person, photo, age_class, replaces=ids[-1])
            calls[photo][person] = age_class
        if rng.random() < 0.2:
            asked[photo] = ["Ann"]
            want_second(ledger, photo, "Ann")
        if len(ids) == 3 and rng.random() < 0.5:
            add_settlement(ledger, photo, "Cy", call_id=ids[2], between=(ids[0], ids[1]))
            settled[photo] = True
        heaps[outcome].append((photo, reading))
    rows = {row["id"]: row for row in queue(ledger, undecided=False)}
    for heap in heaps.values():
        heap.sort(key=lambda pair: (-(rows[pair[1]]["doubt"] or 0), -pair[1]))
    index = QueueIndex(ledger)
    for todo, person, readers in itertools.product(
        ("mine", "second", "disagree", "done", "all"), ("Ann", "Cy", "Dan"), (1, 2)
    ):
        state = {p: slow_state(calls[p], asked[p], settled[p], readers) for p in calls}
        expected = [
            photo
            for heap in HEAPS
            for photo, _ in heaps[heap]
            if slow_todo(todo, person, calls[photo], asked[photo], state[photo])
        ]
        query = PageQuery(person=person, readers_wanted=readers, todo=todo, limit=100)
        page = index.page(query)
        assert [row["photo_id"] for row in page.rows] == expected
        assert page.total == len(expected)
        assert sum(page.matching.values()) == len(expected)
        assert page.done == sum(person in found for found in calls.values())
        assert dict(page.all) == {heap: len(rows) for heap, rows in heaps.items()}
        for row in page.rows:
            assert row["calls"].state(readers) == state[row["photo_id"]]
        if expected:
            assert index.after(query, expected[0]) == (expected[1] if len(expected) > 1 else None)
    by_hash = index.page(PageQuery(todo="all", by_hash=True, limit=100)).rows
    assert [row["sha256"] for row in by_hash] == sorted(row["sha256"] for row in by_hash)


def test_an_index_that_is_kept_sees_what_is_added(ledger):
    """By anybody: readings, calls, requests, settlements."""
    index = QueueIndex(ledger)
    everything = PageQuery(person="Ann", todo="mine")
    assert index.page(everything).total == 0
    photo, _ = keep(ledger, 1)
    assert index.page(everything).total == 1
    call = said(ledger, "Ben", photo, "2.5")
    assert index.page(everything).total == 0
    want_second(ledger, photo, "Ben")
    assert index.page(everything).total == 1
    add_call(ledger, Call(person="Ben", decision="withdrawn", photo_id=photo), replaces=call)
    assert index.page(everything).rows[0]["calls"].classes == {}


def test_a_newer_reading_of_a_photo_takes_the_place_of_the_older(ledger):
    photo, _ = keep(ledger, 1, outcome="borderline")
    newer = {"versions": {"crestgauge": "0", "model": "m-2", "criteria": "c-1"}}
    _, second = keep(ledger, 1, outcome="clear", **newer)
    page = QueueIndex(ledger).page(PageQuery())
    assert [(row["id"], row["photo_id"]) for row in page.rows] == [(second, photo)]
    assert dict(page.all) == {"borderline": 0, "retake": 0, "clear": 1}


def test_a_ledger_of_the_first_schema_is_brought_up_with_its_rows(place):
    """
    Made as the first release made it, filled, and opened: nothing is lost, and the new tables are guarded.
    """
    engine = make_engine(ledger_url(place), 30.0, "old")
    with engine.connect().execution_options(crestgauge_write=True) as connection, connection.begin():
        command.upgrade(migration_config(connection), "0001")
        connection.execute(
            sa.insert(Base.metadata.tables["specimens"]).values(
                specimen_id="A-1", recorded_at="2026-11-01", recorded_by="old", clock_back=False
            )
        )
    engine.dispose()
    with Ledger(place, by="test") as ledger:
        assert [row["specimen_id"] for row in specimens(ledger)] == ["A-1"]
        add_specimen(ledger, Specimen(specimen_id="A-2"))
        photo, reading = keep(ledger, 1)
        add_measurement(ledger, Measurement(reading_id=reading, person="A", kind="side", value={}))
        with pytest.raises(LedgerError, match="only added"), ledger.writing() as connection:
            connection.exec_driver_sql("DELETE FROM measurements")
    with Ledger(place) as again:
        assert len(specimens(again)) == 2
        assert [row["photo_id"] for row in QueueIndex(again).page(PageQuery()).rows] == [photo]
