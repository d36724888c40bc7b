"""Hand-measured widths come in by row: kept, empty, or refused with the reason."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.exchange.callipers import COLUMNS, read_callipers

HEAD = ",".join(COLUMNS)


def table(tmp_path: Path, *lines: str, head: str = HEAD) -> Path:
    path = tmp_path / "callipers.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


def test_a_row_gives_its_ratio_by_the_declared_definition(tmp_path):
    """Dentine over the mean of both bands: 0.9 / mean(0.5, 0.7) = 1.5, by hand."""
    found = read_callipers(table(tmp_path, "S-001,left,,4,1,0.90,0.50,0.70,mm,Alder,1"))
    assert not found.refused and not found.empty
    (row,) = found.rows
    assert row.ratio == pytest.approx(1.5, abs=1e-12)
    assert (row.specimen_id, row.side, row.tooth, row.lobe, row.who) == ("S-001", "left", 4, 1, "Alder")


def test_no_dentine_is_0_and_no_inner_band_is_without_end(tmp_path):
    found = read_callipers(
        table(
            tmp_path,
            "S-001,,,6,1,0,0.5,0.6,mm,A,1",
            "S-001,,,4,1,2.1,0.5,gone,mm,A,1",
            "S-001,,,5,1,1.1,0.5,,mm,A,1",
        )
    )
    assert [row.ratio for row in found.rows] == [0.0, math.inf, None]


def test_semicolons_and_decimal_commas_are_read(tmp_path):
    path = table(tmp_path, "S-001;;;4;1;0,9;0,5;0,7;mm;A;1", head=HEAD.replace(",", ";"))
    assert read_callipers(path).rows[0].ratio == pytest.approx(1.5, abs=1e-12)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("S-001,left,,7,1,0.9,0.5,0.7,mm,A,1", "tooth '7'"),
        ("S-001,left,,4,1,09.x,0.5,0.7,mm,A,1", "needs a number"),
        ("S-001,left,,4,1,90,0.5,0.7,mm,A,1", "Check the unit"),
        ("S-001,left,,4,1,0.9,0.5,0.7,inch,A,1", "needs mm or px"),
        ("S-001,left,,4,1,20,9,11,px,A,1", "unit px without a photo"),
        ("S-001,up,,4,1,0.9,0.5,0.7,mm,A,1", "jaw 'up'"),
        ("S-001,left,,4,1,0.9,0,0.7,mm,A,1", "width 0"),
        (",left,,4,1,0.9,0.5,0.7,mm,A,1", "specimen"),
        ("S-002,left,,4,1,0.8,0.5,0.7,mm,A,1", "the same crest, person and repeat as line 2"),
    ],
)
def test_a_wrong_row_is_refused_with_its_line_and_the_others_are_kept(tmp_path, line, reason):
    found = read_callipers(table(tmp_path, "S-002,left,,4,1,0.9,0.5,0.7,mm,A,1", line))
    assert [row.row for row in found.rows] == [2]
    ((number, _, why),) = found.refused
    assert number == 3 and reason in why


def test_an_empty_row_of_the_form_is_told_as_not_measured(tmp_path):
    found = read_callipers(table(tmp_path, "S-001,left,,4,2,,,,mm,Alder,2"))
    assert found.rows == () and found.empty == ((2, "S-001, tooth 4, lobe 2 by Alder, repeat 2"),)


def test_a_table_without_the_needed_columns_is_refused_as_a_whole(tmp_path):
    with pytest.raises(ExchangeError, match="needs outer_enamel, inner_enamel too"):
        read_callipers(table(tmp_path, "S,4,1,0.9", head="specimen,tooth,lobe,dentine"))
    with pytest.raises(ExchangeError, match="unknown column colour"):
        read_callipers(
            table(
                tmp_path,
                "S,4,1,0.9,,,red",
                head="specimen,tooth,lobe,dentine,outer enamel,inner enamel,colour",
            )
        )
