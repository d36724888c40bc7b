"""The plan repeats with its seed, is balanced, and its sheets tell a reader nothing."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from itertools import pairwise

import pypdfium2
import pytest

from crestgauge.cli.__main__ import main
from crestgauge.inference.compare.files import read_photo_ids
from crestgauge.inference.compare.planning import (
    agreement_half_width,
    animals_for_agreement,
    items_for_mean,
)
from crestgauge.inference.errors import CrestgaugeError, InputError
from crestgauge.inference.exchange.callipers import read_callipers
from crestgauge.inference.exchange.tables_in import import_calls, import_specimens
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.study.forms import call_form, forms
from crestgauge.inference.study.plan import (
    CLASSES,
    SEXES,
    Jaw,
    PlanOptions,
    make_plan,
    plan_from_dict,
    plan_to_dict,
)
from crestgauge.inference.study.sheets import write_sheets


def text_of(path) -> str:
    pages = pypdfium2.PdfDocument(path)
    text = "\n".join(page.get_textpage().get_text_range() for page in pages)
    pages.close()
    return text


def test_the_same_seed_gives_the_same_plan_and_another_seed_another_order():
    first, again, other = (make_plan(PlanOptions(seed=s)) for s in (1, 1, 2))
    assert first == again
    assert [k.animal for k in first.looks] != [k.animal for k in other.looks]
    assert plan_from_dict(json.loads(json.dumps(plan_to_dict(first)))) == first


def test_numbers_follow_from_the_aims_and_are_balanced_over_class_and_sex():
    plan = make_plan(PlanOptions())
    aims = plan.options.aims
    cells = plan.cells()
    assert set(cells) == {(c, s) for c in CLASSES for s in SEXES}
    assert len(set(cells.values())) == 1
    assert len(plan.animals) >= animals_for_agreement(aims.agreement, aims.agreement_half_width)
    assert agreement_half_width(aims.agreement, len(plan.animals)) <= aims.agreement_half_width
    by_hand = [a for a in plan.animals if a.by_hand]
    assert len(by_hand) == items_for_mean(aims.ratio_sd, aims.ratio_half_width)
    by_class = Counter(a.age_class for a in by_hand)
    assert "1.5" not in by_class  # no dentine band to measure
    assert max(by_class.values()) - min(by_class.values()) <= 2  # two sexes, dealt in turn
    assert sum(a.gauge for a in plan.animals) == 10
    assert all(a.by_hand for a in plan.animals if a.gauge)


def test_an_id_says_nothing_of_the_age():
    """Ids run in random order over the classes: neighbours are of one class about as often as any two are."""
    plan = make_plan(PlanOptions(animals=600))
    labels = [a.age_class for a in plan.animals]
    same = sum(a == b for a, b in pairwise(labels)) / 599
    assert abs(same - 1 / len(CLASSES)) < 0.06  # four standard errors of a share of 1/6 of 599


def test_each_reader_has_an_order_of_his_own_and_codes_never_return():
    plan = make_plan(PlanOptions())
    orders = {
        (reader, reading): [k.animal for k in plan.looks if (k.reader, k.reading) == (reader, reading)]
        for reader in plan.options.readers
        for reading in (1, 2)
    }
    firsts = [order for (_, reading), order in orders.items() if reading == 1]
    assert sorted(firsts[0]) == sorted(firsts[1]) and firsts[0] != firsts[1]
    twice = {a.id for a in plan.animals if a.twice}
    assert all(set(order) == twice for (_, reading), order in orders.items() if reading == 2)
    codes = [k.code for k in plan.looks]
    assert len(set(codes)) == len(codes)


def test_jaws_at_hand_are_chosen_evenly_and_what_falls_short_is_said():
    jaws = [Jaw(id=f"J{i}", sex=SEXES[i % 2], age_class="2.5") for i in range(30)]
    jaws += [Jaw(id=f"K{i}", sex="male", age_class="8.5+") for i in range(3)]
    jaws += [Jaw(id=f"L{i}") for i in range(4)]
    plan = make_plan(PlanOptions(animals=20), jaws)
    assert plan.from_jaws and len(plan.animals) == 20
    assert {a.id for a in plan.animals} >= {"K0", "K1", "K2"}  # the scarce ones are all taken
    assert "class 3.5, female: 0 at hand, 1 would be balanced." in plan.notes
    small = make_plan(PlanOptions(animals=50), jaws)
    assert small.notes[0] == "50 animals are wanted, 37 jaws are at hand: all are used."


@pytest.mark.parametrize(
    ("jaws", "words"),
    [
        ([Jaw(id="A"), Jaw(id="A")], "is there twice"),
        ([Jaw(id="A", age_class="3")], "class '3'"),
        ([Jaw(id="A", sex="buck")], "sex 'buck'"),
        ([Jaw(id=" ")], "specimen_id"),
    ],
)
def test_wrong_jaws_are_refused(jaws, words):
    with pytest.raises(InputError, match=words):
        make_plan(PlanOptions(), jaws)


@pytest.mark.parametrize(
    "options", [{"readers": ("A",)}, {"readers": ("A", "a")}, {"animals": 1}, {"measurers": ("X", " ")}]
)
def test_wrong_options_are_refused(options):
    with pytest.raises(InputError):
        PlanOptions(**options)


def test_sheets_of_readers_hold_codes_but_no_id_and_no_age_of_an_animal(tmp_path):
    plan = make_plan(PlanOptions(animals=24))
    made = write_sheets(plan, tmp_path, paper="a4")
    sheet = text_of(tmp_path / "reader_reader_a.pdf")
    assert all(k.code in sheet for k in plan.looks if k.reader == "Reader A")
    assert not any(a.id in sheet for a in plan.animals)
    assert not any(k.code in sheet for k in plan.looks if k.reader == "Reader B")
    key = text_of(tmp_path / "keeper_key.pdf")
    assert all(k.code in key and k.animal in key for k in plan.looks)
    assert all(a.id in text_of(tmp_path / "photo_log.pdf") for a in plan.animals)
    checks = " ".join(text_of(tmp_path / "checklist.pdf").split())
    for words in ("Wear gloves", "Local rules come first", "Lymph nodes", "Do not post jaws", "proposal"):
        assert words in checks
    assert "callipers_reader_b.pdf" in made
    with pytest.raises(CrestgaugeError, match="paper"):
        write_sheets(plan, tmp_path, paper="b5")


def test_forms_are_taken_by_the_importers_as_they_are(tmp_path):
    """Specimens and calls go into a ledger, widths through their reader, photos through theirs."""
    plan = make_plan(PlanOptions(animals=12, readers=("Alder", "Birch")))
    for name, text in forms(plan).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    calls = tmp_path / call_form("Alder")
    rows = list(csv.DictReader(io.StringIO(calls.read_text(encoding="utf-8"))))
    for row in rows[1:]:
        row["age_class"] = "3.5"
    with calls.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    with Ledger(str(tmp_path / "s.db"), by="test") as ledger:
        assert import_specimens(tmp_path / "specimens.csv", ledger).added == 12
        taken = import_calls(calls, ledger)
    assert taken.added == len(rows) - 1 and len(taken.refused) == 1  # the one left empty is told
    table = read_callipers(tmp_path / "callipers.csv")
    by_hand, gauge = (sum(getattr(a, name) for a in plan.animals) for name in ("by_hand", "gauge"))
    # 6 crests: once each by the first, and for the gauge jaws one more by the first and two by the second.
    assert len(table.empty) == 6 * (by_hand + 3 * gauge) and not table.refused
    assert read_photo_ids(tmp_path / "photos.csv")["S-003_2.jpg"] == "S-003"


def test_command_writes_the_kit_and_never_over_one(tmp_path, capsys):
    jaws = tmp_path / "jaws.csv"
    jaws.write_text("specimen_id,sex,age_class\nA,female,2.5\nB,male,3 1/2\nC,,\n", encoding="utf-8")
    kit = tmp_path / "kit"
    words = [
        "study",
        "plan",
        "--out",
        str(kit),
        "--jaws",
        str(jaws),
        "--reader",
        "Alder",
        "--reader",
        "Birch",
    ]
    assert main(words) == 0
    assert "3 jaws are at hand: all are used" in capsys.readouterr().out
    page = (kit / "plan.html").read_text(encoding="utf-8")
    assert "<script" not in page and "http" not in page.replace("http-equiv", "")
    assert "Wilson 1927" in page and "AIAG 2010" in page
    assert {p.name for p in (kit / "sheets").iterdir()} >= {"cards.pdf", "reader_alder.pdf", "checklist.pdf"}
    assert main(words) == 2
    assert "holds the forms of a study already" in capsys.readouterr().err
    jaws.write_text("specimen_id,age_class\nA,old\n", encoding="utf-8")
    assert main([*words[:3], str(tmp_path / "other"), "--jaws", str(jaws)]) == 2
    assert "jaws.csv:2" in capsys.readouterr().err
    assert not (tmp_path / "other").exists()
