"""
The tables to type results into, as CSV text by file name. Their columns are those that
`crestgauge.inference.exchange` takes, so each can be imported into a ledger as it is.
"""

from __future__ import annotations

import re
from typing import Any, Final

from crestgauge.inference.compare.files import csv_text
from crestgauge.inference.exchange.callipers import COLUMNS as CALLIPER_COLUMNS
from crestgauge.inference.study.plan import LOBES, REPEATS, TEETH, UNKNOWN, Look, Plan

SPECIMENS: Final = "specimens.csv"
PHOTO_LIST: Final = "photos.csv"
CALLIPERS: Final = "callipers.csv"
SPECIMEN_COLUMNS: Final = (
    "specimen_id", "sex", "harvest_date", "area", "jaw_side", "age_years", "age_kind", "age_basis",
    "cementum_age", "cementum_certainty", "cementum_low", "cementum_high", "disease_sample", "note",
)  # fmt: skip
CALL_COLUMNS: Final = (
    "specimen_id", "person", "decision", "age_class", "confidence", "saw", "saw_detail", "method", "reason",
    "decided_on",
)  # fmt: skip
KEY_COLUMNS: Final = ("reader", "reading", "line", "code", "specimen_id", "photo")


def detail(look: Look) -> str:
    """What a row of a call table says of the blind reading behind it."""
    return f"blind code {look.code}, reading {look.reading}"


def reading_of(saw_detail: str) -> int | None:
    """Number of the reading in such a cell; None where it says nothing of one."""
    found = re.search(r"reading (\d+)\s*$", saw_detail)
    return int(found.group(1)) if found else None


def call_form(reader: str) -> str:
    """File name of a reader's table."""
    return f"calls_{re.sub(r'[^A-Za-z0-9]+', '_', reader).strip('_').lower() or 'reader'}.csv"


def forms(plan: Plan) -> dict[str, str]:
    """Every table of the kit by file name, one row for each result that the plan asks for."""
    sexes = {a.id: "" if a.sex == UNKNOWN else a.sex for a in plan.animals}
    specimens = [[a.id, sexes[a.id]] + [""] * (len(SPECIMEN_COLUMNS) - 2) for a in plan.animals]
    made = {
        SPECIMENS: csv_text(SPECIMEN_COLUMNS, specimens),
        PHOTO_LIST: csv_text(("photo", "specimen_id"), [[name, key] for name, key, _ in plan.photos()]),
        CALLIPERS: csv_text(CALLIPER_COLUMNS, _calliper_rows(plan)),
    }
    for reader in plan.options.readers:
        name = call_form(reader)
        if name in made:
            name = name.replace(".csv", f"_{len(made)}.csv")
        rows = [
            [look.animal, reader, "own", "", "", plan.options.read_from, detail(look), "", "", ""]
            for look in plan.looks
            if look.reader == reader
        ]
        made[name] = csv_text(CALL_COLUMNS, rows)
    return made


def key_table(plan: Plan) -> str:
    """Which animal stands behind which blind code: for the keeper alone."""
    photo = plan.options.read_from == "photo"
    rows = [
        [k.reader, k.reading, k.line, k.code, k.animal, f"{k.animal}_1.jpg" if photo else ""]
        for k in plan.looks
    ]
    return csv_text(KEY_COLUMNS, rows)


def _calliper_rows(plan: Plan) -> list[list[Any]]:
    """Each person's rows together, repeats one after the other, so that nobody sees the last value."""
    first = plan.measurers[0]
    return [
        [a.id, "", "", tooth, lobe, "", "", "", "mm", who, repeat]
        for who in plan.measurers
        for repeat in range(1, REPEATS + 1)
        for a in plan.animals
        if a.gauge or (a.by_hand and who == first and repeat == 1)
        for tooth in TEETH
        for lobe in LOBES
    ]
