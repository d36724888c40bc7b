"""Hand-measured widths against readings: rows in, pairs, and statistics with a published example."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import painted_jaws
import pytest

from crestgauge.cli.__main__ import main
from crestgauge.inference.labels.widths import Pair, pair_widths, read_widths, values_of, width_errors
from crestgauge.inference.reading import Reading

HEAD = "specimen,photo,tooth,lobe,dentine,outer_enamel,inner_enamel,unit,who,repeat\n"


def table(tmp_path: Path, body: str, head: str = HEAD) -> Path:
    path = tmp_path / "callipers.csv"
    path.write_text(head + body)
    return path


def adult(px_per_mm: float | None = None) -> Reading:
    reading = painted_jaws.result("adult").reading
    return replace(reading, px_per_mm=px_per_mm)


def test_every_row_that_is_not_used_is_named(tmp_path):
    body = (
        "D-1,,4,1,1.2,0.6,0.6,mm,anna,1\n"
        "D-1,,7,1,1.2,0.6,0.6,mm,anna,1\n"
        "D-1,,5,2,,,,mm,anna,1\n"
        "D-1,,4,2,1.2,0.6,gone,mm,anna,1\n"
    )
    rows, problems = read_widths(table(tmp_path, body))
    assert [r.row for r in rows] == [2, 5]
    assert values_of(rows[0])["ratio"] == pytest.approx(2.0)
    assert set(values_of(rows[1])) == {"dentine", "enamel_outer"}  # an endless ratio is no number to compare
    assert [(int(p.where.rsplit(":", 1)[1]), p.kind) for p in problems] == [(3, "row"), (4, "empty")]


def test_pairs_are_the_readings_own_widths(tmp_path):
    """
    A painted jaw of known widths: dentine of tooth 4 is 14 row px at 1.05 photo px each, enamel bands 9. Hand
    rows give exactly that, in px and, at 16 px per mm, in mm; the tool is within its own 2 standard errors.
    """
    dentine, enamel = 14 * 1.05, 9 * 1.05
    body = (
        f"D-1,adult.png,4,1,{dentine},{enamel},{enamel},px,anna,1\n"
        f"D-1,adult.png,4,1,{dentine + 0.2},{enamel},{enamel},px,anna,2\n"
        f"D-1,,4,2,{dentine / 16},{enamel / 16},{enamel / 16},mm,anna,1\n"
        "D-2,,4,2,1,1,1,mm,anna,1\n"
        "D-1,adult.png,4,3,1,1,1,mm,anna,1\n"
    )
    rows, problems = read_widths(table(tmp_path, body))
    assert not problems
    pairs, unmatched = pair_widths(rows, [("D-1", adult(16.0))])
    assert [(p.where, p.kind) for p in unmatched] == [("widths:5", "no_reading"), ("widths:6", "no_reading")]
    of = {(p.quantity, p.unit, p.lobe): p for p in pairs}
    assert of["dentine", "px", 1].hand == pytest.approx(dentine + 0.1)
    assert of["dentine", "px", 1].tool == pytest.approx(of["dentine", "mm", 2].tool * 16, rel=0.05)
    for pair in pairs:
        if pair.u is not None and pair.lobe == 2:
            assert abs(pair.tool - pair.hand) < 2 * pair.u
    assert of["ratio", "1", 2].hand == pytest.approx(14 / 9)
    results = {(r.quantity, r.unit): r for r in width_errors(pairs, rows)}
    # Two repeats 0.2 apart: standard deviation 0.2 / sqrt 2.
    assert results["dentine", "px"].hand_sd.value == pytest.approx(0.2 / np.sqrt(2))
    assert results["enamel", "px"].covered.value is None


def test_millimetres_need_a_scale_and_ratios_do_not(tmp_path):
    rows, _ = read_widths(table(tmp_path, "D-1,,4,1,1.2,0.6,0.6,mm,anna,1\nD-1,,4,2,1.2,,,mm,anna,1\n"))
    pairs, unmatched = pair_widths(rows, [("D-1", adult())])
    assert [p.quantity for p in pairs] == ["ratio"]
    assert len(unmatched) == 1 and "with a scale" in unmatched[0].words


PEFR = (
    (494, 512), (395, 430), (516, 520), (434, 428), (476, 500), (557, 600), (413, 364), (442, 380),
    (650, 658), (433, 445), (417, 432), (656, 626), (267, 260), (478, 477), (178, 259), (423, 350),
    (427, 451),
)  # fmt: skip
"""First reading by the large and by the mini peak flow meter, l/min (Bland & Altman 1986, Table 1)."""


@pytest.mark.published(source="Bland & Altman 1986, Lancet 327:307-310", where="table and text")
def test_bias_and_limits_of_a_published_example():
    """
    The paper's own: mean difference -2.1 l/min, SD 38.8, limits -79.7 and 75.5 with 2 SD. Ours are with 1.96.

    Figures from memory. Tolerance: half of the last printed digit.
    """
    pairs = [
        Pair(animal=str(k), tooth=4, lobe=1, quantity="dentine", unit="px", hand=b, tool=a, u=None)
        for k, (a, b) in enumerate(PEFR)
    ]
    (result,) = width_errors(pairs, [])
    assert result.bias.value == pytest.approx(-2.1, abs=0.05)
    assert result.agreement.sd.value == pytest.approx(38.8, abs=0.05)
    assert result.agreement.lower_limit.value == pytest.approx(-2.12 - 1.96 * 38.77, abs=0.05)
    low, high = result.bias.low, result.bias.high
    # By the t interval of the paper: -22.0 to 17.8; a bootstrap of 17 is somewhat narrower.
    assert -22.0 - 2 < low < -2.1 < high < 17.8 + 2


def test_crests_of_one_animal_are_not_independent():
    """Four equal crests each of nine animals: the bias is no surer than with one crest each."""
    rng = np.random.default_rng(8)
    off = rng.normal(0.3, 0.5, 9)

    def pairs(crests: int) -> list[Pair]:
        return [
            Pair(animal=str(a), tooth=4, lobe=c, quantity="ratio", unit="1", hand=1, tool=1 + d, u=0.5)
            for a, d in enumerate(off)
            for c in range(crests)
        ]

    (one,), (four,) = width_errors(pairs(1), []), width_errors(pairs(4), [])
    assert (four.bias.low, four.bias.high) == pytest.approx((one.bias.low, one.bias.high))
    assert four.crests == 36 and four.animals == 9


def test_command(tmp_path, capsys):
    readings = tmp_path / "readings"
    readings.mkdir()
    (readings / "adult.reading.json").write_text(adult().to_json())
    path = table(tmp_path, "adult,adult.png,4,1,14.7,9.5,9.5,px,anna,1\nadult,,9,1,1,1,1,,anna,1\n")
    options = ["--readings", str(readings), "--out", str(tmp_path / "w")]
    assert main(["labels", "widths", str(path), *options]) == 3
    said = capsys.readouterr()
    assert f"{path}:3: adult: tooth '9'" in said.err and "| ratio | 1 (1) |" in said.out
    assert "dentine,px" in (tmp_path / "w" / "pairs.csv").read_text()
    assert (
        main(["labels", "widths", str(path), *options, "--who", "ben"]) == 2
    )  # nobody of this name measured
    assert main(["labels", "widths", str(path), "--out", str(tmp_path / "w")]) == 2
