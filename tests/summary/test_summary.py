"""Shares and survival against published examples, and a season counted animal by animal."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy import stats

from crestgauge.inference.errors import InputError
from crestgauge.inference.ledger.record import (
    Call,
    PhotoFacts,
    add_call,
    add_photo,
    add_reading,
    add_specimen,
    link_photo,
)
from crestgauge.inference.ledger.specimen import AGE_CLASSES, Specimen
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.summary.page import page_html, write_page
from crestgauge.inference.summary.season import season_json, sex_structure, summarise
from crestgauge.inference.summary.statistics import SURVIVAL_CONDITIONS, chapman_robson, wilson


@pytest.mark.published(
    source="Ogle, FSA (fisheries stock assessment), brook trout example", where="chapmanRobson"
)
def test_chapman_robson_of_the_brook_trout_example():
    """
    Ages 2..6 counted 112, 45, 58, 12, 8: n 235, T 229, S 49.46 %, SE 2.326 %.

    Printed to 6 decimals in the project's facts, so half of the last one is asked.
    """
    s = chapman_robson([112, 45, 58, 12, 8])
    assert (s.n, s.coded_sum) == (235, 229)
    assert s.value == pytest.approx(0.494600, abs=5e-7)
    assert s.u == pytest.approx(0.023261, abs=5e-7)


@pytest.mark.published(source="Wisconsin DNR, yearling buck share", where="42 of 100")
def test_wilson_of_the_yearling_example():
    """42 of 100 bucks: 32.8 to 51.8 %, printed to 0.1 %."""
    share = wilson(42, 100)
    assert 100 * share.low == pytest.approx(32.8, abs=0.05)
    assert 100 * share.high == pytest.approx(51.8, abs=0.05)


@pytest.mark.published(source="Cook & Hart 1979, Proc. SEAFWA", where="242 of 363 right, Wilson interval")
def test_wilson_of_cook_and_hart():
    share = wilson(242, 363)
    assert (round(100 * share.low, 1), round(100 * share.high, 1)) == (61.7, 71.3)


@pytest.mark.parametrize(("hits", "n"), [(0, 5), (5, 5), (1, 3), (40, 1000)])
def test_wilson_against_scipy(hits, n):
    """scipy.stats.binomtest, method "wilson": the same formula written by others."""
    reference = stats.binomtest(hits, n).proportion_ci(method="wilson")
    share = wilson(hits, n)
    assert (share.low, share.high) == pytest.approx((reference.low, reference.high), abs=1e-12)


def test_wilson_of_nothing_says_nothing():
    share = wilson(0, 0)
    assert math.isnan(share.value)
    assert (share.low, share.high) == (0.0, 1.0)
    with pytest.raises(InputError):
        wilson(3, 2)


@pytest.mark.parametrize("last_is_open", [False, True])
def test_survival_by_simulation(last_is_open):
    """
    4,000 herds of 300 with true survival 0.62: mean and spread of the estimate.

    The mean's own error is 0.02 / sqrt(4000) = 0.0003; 4 of them. The standard error may be off by 5 %.
    """
    rng = np.random.default_rng(11)
    ages = rng.geometric(1 - 0.62, size=(4000, 300)) - 1
    top = 7 if last_is_open else ages.max()
    ages = np.minimum(ages, top)
    found = [
        chapman_robson(np.bincount(row, minlength=top + 1).tolist(), last_is_open=last_is_open)
        for row in ages
    ]
    values = np.array([f.value for f in found])
    assert values.mean() == pytest.approx(0.62, abs=0.0013 if not last_is_open else 0.0025)
    assert np.mean([f.u for f in found]) == pytest.approx(values.std(), rel=0.05)


def test_no_survival_from_too_little():
    assert chapman_robson([5]) is None
    assert chapman_robson([1, 0]) is None
    assert chapman_robson([0, 0, 9], last_is_open=True) is None
    assert chapman_robson([5, 3]).few
    with pytest.raises(InputError):
        chapman_robson([3, -1])


def test_fawns_are_in_neither_yearling_share_nor_survival():
    counts = dict.fromkeys(AGE_CLASSES, 0) | {"0.5": 90, "1.5": 42, "2.5": 30, "3.5": 28}
    structure = sex_structure(counts)
    assert (structure.yearlings.hits, structure.yearlings.n) == (42, 100)
    assert structure.survival.n == 100
    assert structure.shares["0.5"].n == 190


@pytest.fixture
def ledger(tmp_path):
    from ledger_rows import make_reading

    with Ledger(str(tmp_path / "l.db"), by="test") as opened:
        for k, (name, sex, day) in enumerate(
            [
                ("A", "male", "2026-11-14"),
                ("B", "male", "2026-11-15"),
                ("C", "female", "2025-11-15"),
                ("D", "female", None),
            ]
        ):
            add_specimen(opened, Specimen(specimen_id=name, sex=sex, harvest_date=day))
            with opened.writing() as connection:
                for copy, age in ((0, "1.5"), (1, "1.5" if name != "B" else "2.5")):
                    sha256 = f"{2 * k + copy:064x}"
                    facts = PhotoFacts(sha256=sha256, width=9, height=9, format="JPEG", picture_hash="0" * 64)
                    photo = add_photo(connection, opened, facts)
                    link_photo(connection, opened, sha256, name, source="list")
                    add_reading(connection, opened, photo, make_reading(sha256, age_class=age))
        add_call(opened, Call(person="R", decision="own", age_class="2.5", specimen_id="A"))
        add_call(opened, Call(person="S", decision="own", age_class="2.5", specimen_id="A"))
        add_call(opened, Call(person="R", decision="own", age_class="2.5", specimen_id="B"))
        add_call(opened, Call(person="S", decision="own", age_class="3.5", specimen_id="B"))
        add_call(opened, Call(person="R", decision="own", age_class="3.5+", specimen_id="C"))
        add_call(opened, Call(person="R", decision="none", specimen_id="D"))
        yield opened


def test_one_animal_counts_once_and_proposals_stay_apart(ledger):
    season = summarise(ledger)
    assert season.called.by_sex["male"].counts["2.5"] == 1
    assert (season.called.animals, season.called.coarse, season.called.undecided) == (1, 1, 1)
    assert season.called.disagreeing == ("B",)
    assert season.proposed.by_sex["male"].counts["1.5"] == 1
    assert season.proposed.by_sex["female"].counts["1.5"] == 2
    assert season.proposed.disagreeing == ("B",)
    assert (season.animals, season.photos) == (4, 8)
    assert json.loads(season_json(season))["called"]["animals"] == 1


def test_dates(ledger):
    season = summarise(ledger, start="2026-07-01")
    assert (season.animals, season.photos) == (2, 4)
    assert season.proposed.by_sex["female"].counts["1.5"] == 0


def test_page_says_the_conditions_and_escapes(ledger, tmp_path):
    text = page_html(summarise(ledger), title="<script>x</script>")
    assert "<script>" not in text
    assert "for a trained person to confirm" in text
    assert all(condition in text for condition in SURVIVAL_CONDITIONS)
    assert text.count("<svg") == 2
    write_page(tmp_path / "s.html", summarise(ledger), title="Demo")
    assert (tmp_path / "s.html").read_text(encoding="utf-8").startswith("<!doctype html>")
