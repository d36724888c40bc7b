"""What people get after a run: three heaps, duplicates, and a message for each retake."""

from __future__ import annotations

import csv
from functools import partial

import pytest
from ledger_rows import make_reading

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.fit_limits import ADVICE
from crestgauge.inference.ledger.record import PhotoFacts, add_photo, add_reading, link_photo
from crestgauge.inference.pipeline import Reader
from crestgauge.inference.screening.pool import read_here
from crestgauge.inference.screening.report import (
    check_template,
    default_template,
    defused,
    duplicates,
    retake_message,
    write_heaps,
)
from crestgauge.inference.screening.run import ScreenOptions, screen
from crestgauge.inference.screening.sources import find_photos


def table(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_three_heaps(season, ledger, options, tmp_path):
    (tmp_path / "list.csv").write_text(f"photo,specimen_id\n{season}/jaw.png,A-1\n{season}/meadow0.jpg,A-2\n")
    read = partial(read_here, reader=Reader(options))
    for place in (str(tmp_path / "list.csv"), str(season)):
        screen(find_photos([place]), ledger, ScreenOptions(read=options), read=read)
    out = tmp_path / "out"
    counts = write_heaps(ledger, out)
    assert (counts["clear"], counts["borderline"], counts["retake"]) == (1, 0, 4)
    assert (counts["duplicates"], counts["disagreements"], counts["failures"]) == (1, 0, 2)
    (clear,) = table(out / "clear.csv")
    assert clear["specimen_id"] == "A-1"
    assert clear["caution"] == "a proposal for a trained person to confirm"
    retakes = table(out / "retake.csv")
    reasons = {row["photo"].rsplit("/", 1)[-1]: row["reasons"].split() for row in retakes}
    assert all(reasons.values())
    (twice,) = table(out / "duplicates.csv")
    assert (twice["kind"], twice["same_animal"]) == ("same bytes", "yes")
    messages = sorted((out / "messages").iterdir())
    assert len(messages) == 4
    text = next(p for p in messages if p.name.startswith("meadow0")).read_text(encoding="utf-8")
    assert "meadow0.jpg of A-2" in text
    assert "do not post jaws" in text
    assert all(ADVICE[reason] in text for reason in reasons["meadow0.jpg"])
    assert duplicates(ledger) == [dict(twice, bits=0)]


def test_own_template():
    reading = {"photo": {"file": "a.jpg"}, "retake": [{"advice": "Go closer."}]}
    words = check_template("$photo/$specimen_id: $reasons $$5")
    assert retake_message(reading, words, specimen_id=None) == "a.jpg/: - Go closer. $5"
    for wrong in ("$name", "costs 5 $ each"):
        with pytest.raises(ExchangeError, match="placeholder"):
            check_template(wrong)
    check_template(default_template())


def test_cells_that_a_spreadsheet_would_run():
    assert defused("=cmd()") == "'=cmd()"
    assert defused("a=b") == "a=b"
    assert defused(-3) == -3


def test_disagreeing_jaws_are_shown(ledger, tmp_path):
    """Left jaw 3.5, right jaw 4.5 or 3.5: one row that names both sides."""
    for k, (side, age, possible) in enumerate((("left", "3.5", ["3.5"]), ("right", "4.5", ["3.5", "4.5"]))):
        reading = make_reading(f"{k:064x}", age_class=age, side=side, possible=possible, retake=[])
        facts = PhotoFacts(sha256=f"{k:064x}", width=9, height=9, format="JPEG", picture_hash=f"{k:02x}" * 32)
        with ledger.writing() as connection:
            add_reading(connection, ledger, add_photo(connection, ledger, facts), reading)
            link_photo(connection, ledger, f"{k:064x}", "A-1", source="list")
    write_heaps(ledger, tmp_path / "out")
    (row,) = table(tmp_path / "out" / "disagreements.csv")
    assert (row["specimen_id"], row["classes"], row["within_measuring_error"]) == ("A-1", "3.5 4.5", "yes")
    assert "(left): 3.5" in row["where"]
    assert "(right): 4.5" in row["where"]
