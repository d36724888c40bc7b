"""A whole comparison: biases that were put in come out, and thin data say so."""

from __future__ import annotations

import numpy as np
import pytest

from crestgauge.inference.compare.ages import SCALES
from crestgauge.inference.compare.align import AgeSet, Row, align
from crestgauge.inference.compare.study import compare_ages
from crestgauge.inference.errors import InputError

LABELS = SCALES["years"].labels


def _set(name, codes, kind="reader"):
    rows = tuple(Row(row=i + 2, id=f"D{i}", age="" if c < 0 else LABELS[c]) for i, c in enumerate(codes))
    return AgeSet(name=name, kind=kind, rows=rows)


def _study(sets, reference="known", scale="years", **options):
    strata = options.pop("strata", None)
    return compare_ages(sets, align(sets, SCALES[scale], strata=strata), reference=reference, **options)


@pytest.fixture(scope="module")
def readers():
    """
    240 animals 1.5 to 6.5; b reads half of the females one class too old, c everything as it is or one below.
    """
    rng = np.random.default_rng(21)
    known = rng.integers(1, 7, 240)
    sex = rng.choice(["female", "male"], 240)
    noise = rng.choice([-1, 0, 1], (240, 3), p=[0.15, 0.7, 0.15])
    b = known + noise[:, 1] + ((sex == "female") & (rng.random(240) < 0.5))
    c = known - (rng.random(240) < 0.4)
    sets = [_set("known", known, "known"), _set("a", known + noise[:, 0]), _set("b", b), _set("c", c)]
    return _study(sets, strata={"sex": {f"D{i}": s for i, s in enumerate(sex)}})


def test_biases_come_out_with_their_sign_and_place(readers):
    a, b, c = (next(p for p in readers.pairs if p.to_reference and p.second == name) for name in "abc")
    assert a.bias.low < 0 < a.bias.high
    assert 0.1 < b.bias.low and c.bias.high < -0.3
    assert c.bias.value == pytest.approx(-0.4, abs=0.1)  # 3 standard errors of 240 draws with share 0.4
    assert a.tests[2].p > 0.01 and c.tests[1].p < 1e-6
    assert c.tests[2].statistic == pytest.approx(
        c.n - np.trace(c.table)
    )  # only one side of the diagonal is used
    assert all(row.mean.high < row.reference for row in c.age_bias)
    assert np.tril(c.table).sum() == c.n  # rows are known ages: too young lies left of the diagonal


def test_a_bias_of_one_sex_is_found(readers):
    by = {(t.set_name, t.by): t.test for t in readers.stratum_tests}
    assert by["b", "sex"].p_holm < 0.001 and by["c", "sex"].p > 0.01
    female, male = (next(p for p in readers.strata if p.second == "b" and p.stratum == f"sex = {s}") for s in
                    ("female", "male"))  # fmt: skip
    assert female.bias.value - male.bias.value == pytest.approx(0.5, abs=0.25)
    assert female.n + male.n == 240


def test_group_consensus_and_contests(readers):
    assert readers.group.n_complete == 240
    assert readers.group.exact.value < min(p.exact.value for p in readers.pairs if not p.to_reference)
    assert readers.consensus.right_mode.value > readers.consensus.right_single.value
    assert len(readers.contests) == 3 and all(c.test.p_holm >= c.test.p for c in readers.contests)
    contest = readers.contests[0]
    total = contest.only_first_right + contest.only_second_right + contest.both_right + contest.neither_right
    assert total == 240


def test_coarse_classes_have_no_years():
    known, other = [0, 1, 2, 5, 8, 7] * 3, [0, 1, 3, 5, 8, 6] * 3
    study = _study([_set("known", known, "known"), _set("x", other)], scale="stages")
    (pair,) = study.pairs
    assert "unequal width" in pair.bias.reason and "unequal width" in pair.acv.reason
    assert pair.exact.value == pytest.approx(100 * 5 / 6) and pair.kappas["quadratic"].value > 0.8
    assert pair.age_bias == () and any("not defined" in s for s in study.statements)


def test_open_class_is_stated():
    study = _study([_set("known", [8, 7, 3]), _set("x", [8, 8, 3])])
    assert any("8.5+ is an open class" in s and "2 animals" in s for s in study.statements)


def test_gaps_are_allowed_and_counted():
    sets = [_set("a", [1, 2, 3, 4, -1] * 4), _set("b", [1, 2, -1, 4, 5] * 4), _set("c", [1, -1, 3, 4, 5] * 4)]
    study = _study(sets, reference=None)
    assert study.group.n_complete == 8 and study.group.alpha["ordinal"].value == 1
    assert study.group.alpha["ordinal"].n == 20
    assert "no reference" in study.consensus.right_mode.reason


@pytest.mark.parametrize(
    "codes", [([], []), ([3], [2]), ([3, 3, 3], [3, 3, 3]), ([3] * 10, [1, 2, 3, 4, 5] * 2)]
)
def test_thin_data_never_fail_and_never_give_zero(codes):
    study = _study([_set("known", codes[0]), _set("x", codes[1])],
                   strata={"sex": {f"D{i}": "female" for i in range(len(codes[0]))}})  # fmt: skip
    (pair,) = study.pairs
    assert pair.n == len(codes[0])
    if pair.n == 0:
        assert pair.exact.reason and pair.bias.reason and any("no usable age" in s for s in study.statements)
    if codes[0] == [3, 3, 3]:
        assert pair.kappas["linear"].reason and pair.tests[0].reason
    assert all(test.test.reason for test in study.stratum_tests)


def test_reference_must_be_there():
    sets = [_set("a", [1]), _set("b", [1])]
    with pytest.raises(InputError, match="none of the sets"):
        _study(sets, reference="known")
