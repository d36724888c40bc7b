"""
The study filled in for drawn jaws, with errors that were put in: what `study score` must find again.

The animals and their true widths come from the project's own generator (`data/jaws.jsonl`, written by
`crestgauge.synthetic_data.study_jaws`). No picture is drawn: a photo is the true widths with the error of
each band edge drawn from the shipped model of such errors (`EdgeModel`), independently for each photo, which
is kinder than photographs, whose errors of one jaw hang together. Readers and callipers are simulated.
`PUT_IN` and `READERS` say what was put in. Names are invented; nothing here is a real deer.
"""

from __future__ import annotations

import csv
import io
import json
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np

from crestgauge.inference.build import CrestWidths, Measured, build_reading, round_evidence
from crestgauge.inference.compare.demo import ReaderModel, call_age
from crestgauge.inference.compare.files import csv_text
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.evidence import CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.reading import INFUNDIBULUM_GONE, PhotoRef, Reading, Retake, Versions
from crestgauge.inference.rules import propose
from crestgauge.inference.study.forms import CALL_COLUMNS, CALLIPERS, SPECIMENS, forms, reading_of
from crestgauge.inference.study.plan import Jaw, Plan, PlanOptions, make_plan
from crestgauge.inference.uncertainty import EdgeModel, two_band_u

CROP_PX_PER_MM: Final = 15.0
"""The scale that edge errors refer to: crop pixels for each nominal millimetre."""
PHOTO_PX_PER_MM: Final = 30.0
STATIONS: Final = 9
SPACING_PX: Final = 8.0
SPREAD_PX: Final = 0.89
"""Median spread that crest-fine-8 states for edges of 1,478 drawn crests with dentine. [crop px]"""
MODEL: Final = "simulated-widths"

READERS: Final[Mapping[str, ReaderModel]] = {
    "Alder": ReaderModel(one_off=0.10),
    "Birch": ReaderModel(one_off=0.10, too_old_young=0.35, too_young_old=0.35),
}
"""Two invented readers: one without bias; one with young too old and old too young."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PutIn:
    """
    Errors that were put in.

    Parameters
    ----------
    tool_dentine_mm, tool_enamel_mm : float
        What the tool adds to every dentine width and to every enamel width. [mm]
    hand_sd_mm : float
        SD of one width by hand. [mm]
    second_hand_enamel_mm : float
        What the second person who measures adds to every enamel width. [mm]
    retakes : int
        Second photos that turned out blurred.
    no_known_age : int
        Animals without a known age.
    """

    tool_dentine_mm: float = 0.06
    tool_enamel_mm: float = -0.03
    hand_sd_mm: float = 0.03
    second_hand_enamel_mm: float = 0.08
    retakes: int = 3
    no_known_age: int = 4


PUT_IN: Final = PutIn()


def shipped_edges() -> EdgeModel:
    """The model of edge errors of the shipped networks."""
    return EdgeModel.from_mapping(tomllib.loads(_text("crestgauge.model", "edge_model.toml")))


def _text(package: str, name: str) -> str:
    return files(package).joinpath(name).read_text(encoding="utf-8")


@cache
def drawn_jaws() -> tuple[dict[str, Any], ...]:
    """The drawn animals."""
    text = _text("crestgauge.inference.study", "data/jaws.jsonl")
    return tuple(json.loads(line) for line in text.splitlines())


def demo_plan(seed: int = 6) -> Plan:
    """A plan over the drawn jaws, whose true class the keeper knows."""
    jaws = [Jaw(id=a["id"], sex=a["sex"], age_class=a["known_age"]) for a in drawn_jaws()]
    options = PlanOptions(
        title="Demo study on drawn jaws", readers=tuple(READERS), read_from="photo", seed=seed
    )
    return make_plan(options, jaws)


def demo_files(
    plan: Plan, criteria: Criteria, edges: EdgeModel, *, version: str, seed: int = 6
) -> dict[str, str]:
    """The filled forms by name, and ``readings.jsonl``, with a few odd cells as people type them."""
    rng = np.random.default_rng(seed)
    drawn = {a["id"]: a for a in drawn_jaws()}
    made = forms(plan)
    chosen = [drawn[a.id] for a in plan.animals]
    readings = _readings(rng, plan, chosen, criteria, edges, version)
    for name in made:
        if name.startswith("calls_"):
            made[name] = _calls(rng, made[name], drawn)
    made[CALLIPERS] = _by_hand(rng, plan, made[CALLIPERS], drawn)
    made[SPECIMENS] = _specimens(rng, made[SPECIMENS], drawn)
    made["readings.jsonl"] = "".join(r.to_json(indent=None).strip() + "\n" for r in readings)
    return made


def edge_sigma_mm(edges: EdgeModel) -> float:
    """1-sigma error of one band edge of one crest in a sharp, level photo. [mm]"""
    sigma = edges.crest_sigma_px(
        n_stations=STATIONS, spacing_px=SPACING_PX, blur_px=1.0,
        crop_per_photo=CROP_PX_PER_MM / PHOTO_PX_PER_MM, tilt_rad=0.0, spread_px=SPREAD_PX,
    )  # fmt: skip
    return edges.scale * sigma / CROP_PX_PER_MM


def _readings(
    rng: np.random.Generator, plan: Plan, chosen: list[dict[str, Any]], criteria: Criteria, edges: EdgeModel,
    version: str,
) -> list[Reading]:  # fmt: skip
    blurred = {int(i) for i in rng.choice(len(chosen), PUT_IN.retakes, replace=False)}
    versions = Versions(crestgauge=version, model=MODEL, criteria=criteria.label)
    out = []
    for shot in (1, 2):
        for k, animal in enumerate(chosen):
            photo = PhotoRef(
                file=f"{animal['id']}_{shot}.jpg", sha256=f"{shot:x}{k:063x}", width=4000, height=3000
            )
            measured = _measured(rng, animal, edge_sigma_mm(edges))
            retake = []
            if shot == 2 and k in blurred:
                advice = "Hold the phone still, or lean it on something."
                retake = [Retake(reason="blurred", measured=None, limit=None, advice=advice)]
            assert measured.evidence is not None
            proposal = propose(measured.evidence, criteria)
            out.append(
                build_reading(
                    photo=photo, versions=versions, measured=measured, proposal=proposal, retake=retake,
                    cautions=("Simulated widths of a drawn jaw: no photo was read.",),
                )
            )  # fmt: skip
    return out


def _measured(rng: np.random.Generator, animal: Mapping[str, Any], sigma: float) -> Measured:
    """What a photo would have given: true widths, each with the error of its edges."""
    teeth, widths, boxes = [], {}, {}
    for tooth in animal["teeth"]:
        crests = []
        for true in tooth["crests"]:
            crest, found = _crest(rng, true, sigma)
            crests.append(crest)
            widths[tooth["position"], true["lobe"]] = found
        left, share = tooth["infundibulum_left"], tooth["dentine_share"]
        teeth.append(
            ToothEvidence(
                position=tooth["position"], state=tooth["state"], milk=tooth["milk"], lobes=tooth["lobes"],
                crests=tuple(crests), infundibulum_left=_share(rng, left), dentine_share=_share(rng, share),
            )
        )  # fmt: skip
        if tooth["lobes"]:
            at = 100.0 + 400 * tooth["position"]
            boxes[tooth["position"]] = (at, 1200.0, at + 380.0, 1500.0)
    evidence = round_evidence(RowEvidence(teeth=tuple(teeth)))
    return Measured(
        evidence=evidence, boxes=boxes, widths=widths, side=animal["side"], px_per_mm=PHOTO_PX_PER_MM
    )


def _share(rng: np.random.Generator, true: float | None) -> Quantity | None:
    """A share with an error of 0.02, kept within 0 and 1."""
    return None if true is None else Quantity(float(np.clip(true + rng.normal(0, 0.02), 0, 1)), 0.02)


def _crest(
    rng: np.random.Generator, true: Mapping[str, Any], sigma: float
) -> tuple[CrestEvidence, CrestWidths]:
    e = rng.normal(0, sigma, 4)  # outer enamel, dentine, dentine, inner enamel; outwards is towards the cheek
    dentine, outer, inner = (true[f"{n}_mm"] for n in ("dentine", "enamel_outer", "enamel_inner"))
    if dentine is not None and dentine > 0:
        dentine = max(dentine + PUT_IN.tool_dentine_mm + e[2] - e[1], 0.02)
    outer = None if outer is None else max(outer + PUT_IN.tool_enamel_mm + e[1] - e[0], 0.05)
    inner = None if inner is None else max(inner + PUT_IN.tool_enamel_mm + e[3] - e[2], 0.05)
    ratio = None
    if dentine == 0:
        ratio = Quantity(0.0, 0.02)
    elif None not in (dentine, outer, inner):
        assert outer is not None and inner is not None and dentine is not None
        ratio = Quantity(2 * dentine / (outer + inner), float(two_band_u(dentine, outer, inner, sigma)))

    def px(width: float | None) -> Quantity | None:
        """Two edges, so sqrt(2) times the error of one."""
        scale = PHOTO_PX_PER_MM
        return None if width is None else Quantity(width * scale, math.sqrt(2) * sigma * scale)

    gone = bool(true["gone"])
    evidence = CrestEvidence(lobe=true["lobe"], ratio=None if gone else ratio, infundibulum_gone=gone)
    widths = CrestWidths(
        dentine_px=px(dentine), enamel_outer_px=px(outer), enamel_inner_px=None if gone else px(inner),
        line=[], flags=(INFUNDIBULUM_GONE,) if gone else (),
    )  # fmt: skip
    return evidence, widths


def _rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def _calls(rng: np.random.Generator, text: str, drawn: Mapping[str, dict[str, Any]]) -> str:
    """Each blind reading called anew; one cell in another style, one no age, one left empty."""
    rows = _rows(text)
    for i, row in enumerate(rows):
        row["age_class"] = call_age(rng, READERS[row["person"]], drawn[row["specimen_id"]])
        row["confidence"] = "HM"[int(rng.random() < 0.4)]
        first = reading_of(row["saw_detail"]) == 1
        if row["person"] == "Alder" and first and i in (3, 7, 11):
            row["age_class"] = {3: row["age_class"].replace(".5", " 1/2"), 7: "old", 11: ""}[i]
        if row["person"] == "Birch" and first and i == 5:
            row |= {"age_class": "", "decision": "none", "reason": "tooth 4 broken"}
    return csv_text(CALL_COLUMNS, [[row[name] for name in CALL_COLUMNS] for row in rows])


def _by_hand(rng: np.random.Generator, plan: Plan, text: str, drawn: Mapping[str, dict[str, Any]]) -> str:
    """Widths by hand to 0.01 mm; one typed without its decimal point, two crests not measured."""
    rows = _rows(text)
    for i, row in enumerate(rows):
        animal = drawn[row["specimen"]]
        tooth = animal["teeth"][int(row["tooth"]) - 1]
        crest = next((c for c in tooth["crests"] if c["lobe"] == int(row["lobe"])), None)
        row["jaw"] = animal["side"]
        if crest is None or i in (20, 21):
            continue
        second = row["who"] != plan.measurers[0]
        shift = PUT_IN.second_hand_enamel_mm if second else 0.0
        for column, name, by in (
            ("dentine", "dentine_mm", 0.0), ("outer_enamel", "enamel_outer_mm", shift),
            ("inner_enamel", "enamel_inner_mm", shift),
        ):  # fmt: skip
            true = crest[name]
            if true is None:
                row[column] = "gone" if column == "inner_enamel" and crest["gone"] else ""
            elif true == 0:
                row[column] = "0"
            else:
                row[column] = f"{max(true + by + rng.normal(0, PUT_IN.hand_sd_mm), 0.05):.2f}"
        if i == 40:
            row["dentine"] = "92"
    header = tuple(rows[0])
    return csv_text(header, [[row[name] for name in header] for row in rows])


def _specimens(rng: np.random.Generator, text: str, drawn: Mapping[str, dict[str, Any]]) -> str:
    rows = _rows(text)
    unknown = {int(i) for i in rng.choice(len(rows), PUT_IN.no_known_age, replace=False)}
    for i, row in enumerate(rows):
        animal = drawn[row["specimen_id"]]
        row |= {"area": "Demo County", "jaw_side": animal["side"]}
        years = float(animal["known_age"].rstrip("+"))
        if i not in unknown:
            row |= {"age_years": f"{years:g}", "age_kind": "known", "age_basis": "drawn at this age"}
        if i % 3 == 0:
            count = max(int(years) + int(rng.choice([-1, 0, 0, 0, 1])), 0)
            row |= {"cementum_age": str(count), "cementum_certainty": "AB"[int(rng.random() < 0.3)]}
    header = tuple(rows[0])
    return csv_text(header, [[row[name] for name in header] for row in rows])
