"""
A criteria file with other thresholds: the text that was started from, with the changed lines and their
provenance.

Comments, words, order and options of the starting file stay. The result is checked by the loader of
criteria files before anybody gets it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass

from crestgauge.inference.compare.thresholds import Calibration, StepFit
from crestgauge.inference.criteria import Criteria, parse_criteria
from crestgauge.inference.errors import CriteriaError

SOURCE_KEY = "local-calibration"


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """
    What a calibrated file says of where it comes from.

    Parameters
    ----------
    data : tuple of str
        Files the animals came from, by name, each with its SHA-256.
    date : str
        ISO date.
    program : str
        Name and version of the program.
    started_from : str
        Id, version and hash of the criteria file that was started from.
    """

    data: tuple[str, ...]
    date: str
    program: str
    started_from: str


def calibrated_text(
    text: str, calibration: Calibration, provenance: Provenance, *, new_id: str
) -> tuple[str, Criteria]:
    """
    The new file and what the loader makes of it.

    Parameters
    ----------
    text : str
        TOML text of the file that was started from.
    new_id : str
        Id of the new file; small letters, digits, - and _.

    Raises
    ------
    CriteriaError
        If no threshold moves (there is nothing to write), or the result does not pass the loader.
    """
    moved = [fit for fit in calibration.steps if fit.moves]
    if not moved:
        raise CriteriaError(f"{new_id}: no threshold moves, so there is no new file. {calibration.verdict}")
    parts = re.split(
        r"(?m)^(?=\[\[criterion\]\]|\[\[coarse\]\]|\[\[accuracy\]\]|\[sources\]|\[options)", text
    )
    for fit in moved:
        at = next(
            (
                i
                for i, part in enumerate(parts)
                if part.startswith("[[criterion]]") and _id_of(part) == fit.criterion
            ),
            None,
        )
        if at is None:
            raise CriteriaError(f"{new_id}: the starting file has no criterion {fit.criterion}.")
        parts[at] = _with_threshold(parts[at], fit)
    document = "".join(parts)
    document = _set_line(document, "id", json.dumps(new_id))
    document = _set_line(document, "title", json.dumps(_title(text)))
    source = f"{SOURCE_KEY} = {json.dumps(_source(provenance, calibration), ensure_ascii=False)}\n"
    document = re.sub(rf"(?m)^\"?{SOURCE_KEY}\"? *=.*\n", "", document)
    document = re.sub(r"(?m)^\[sources\]\n", lambda m: m.group() + source, document, count=1)
    result = _header(provenance, calibration, moved) + document
    return result, parse_criteria(result.encode("utf-8"), name=new_id)


def _id_of(part: str) -> str | None:
    found = re.search(r'(?m)^id *= *"([^"]+)"', part)
    return found.group(1) if found else None


def _with_threshold(part: str, fit: StepFit) -> str:
    value, e = _rounded(fit), fit.fitted
    where = (
        f"fitted {value:g}, interval {e.low:.3f} to {e.high:.3f}, on {fit.n_younger} younger and "
        f"{fit.n_older} older animals near the split; default {fit.default:g}"
    )
    part = re.sub(r"(?m)^threshold *=.*$", f"threshold = {value!r}", part, count=1)
    line = f'threshold_source = {{ key = "{SOURCE_KEY}", where = {json.dumps(where)} }}'
    return re.sub(r"(?m)^threshold_source *=.*$", lambda _: line, part, count=1)


def _rounded(fit: StepFit) -> float:
    assert fit.fitted.value is not None
    return round(fit.fitted.value, 3)


def _set_line(text: str, key: str, value: str) -> str:
    """The first top-level ``key = ...`` line with another value."""
    return re.sub(rf"(?m)^{key} *=.*$", lambda _: f"{key} = {value}", text, count=1)


def _title(text: str) -> str:
    found = re.search(r'(?m)^title *= *"([^"]*)"', text)
    title = found.group(1) if found else "Key"
    return title if "locally calibrated" in title else f"{title}; thresholds locally calibrated"


def _source(provenance: Provenance, calibration: Calibration) -> str:
    return (
        f"Local calibration on {calibration.n_animals} animals of known age ({'; '.join(provenance.data)}), "
        f"{provenance.date}, {provenance.program}, started from {provenance.started_from}, "
        f"seed {calibration.seed}"
    )


def _header(provenance: Provenance, calibration: Calibration, moved: Sequence[StepFit]) -> str:
    lines = [
        "LOCALLY CALIBRATED KEY. Ages by it are proposals for a trained person to confirm.",
        f"Made by {provenance.program} on {provenance.date}, started from {provenance.started_from}.",
        *(f"Input: {item}" for item in provenance.data),
        f"{calibration.n_animals} animals of 2.5 and older; seed {calibration.seed}.",
        *(f"{fit.criterion}: {fit.why}" for fit in calibration.steps),
        f"Whole class right, held-out animals: {calibration.right_default.sentence(1)} by the starting file, "
        f"{calibration.right_fitted.sentence(1)} by this one.",
        calibration.verdict,
    ]
    assert moved
    return "".join(f"# {' '.join(line.split())}\n" for line in lines) + "#\n"
