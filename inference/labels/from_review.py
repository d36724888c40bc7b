"""
What people corrected on the review page as labels of what they cover, and of nothing else. Edge module.

Four band edges across a crest label a short strip along it: two bands of enamel and the dentine between, on
the tooth that was named. All other pixels of the photo stay unlabelled. What has no pixels (side, state, milk
or permanent, a crest without dentine or without infundibulum) stands in the truth file, where it counts for
judging and, on the strips, for training. Crests marked as unusable are labelled nowhere.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.confirm.corrections import BandEdges, Corrections, from_parts
from crestgauge.inference.confirm.geometry import place
from crestgauge.inference.errors import CrestgaugeError
from crestgauge.inference.exchange.coco import STATES, UNKNOWN, ToothLabel
from crestgauge.inference.exchange.masks import filled
from crestgauge.inference.labels.corrected import Intake
from crestgauge.inference.labels.dataset import About, DatasetWriter, PhotoFinder, RowLabels
from crestgauge.inference.ledger.measurements import all_measurements
from crestgauge.inference.ledger.queries import newest_readings, reading_of
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.maps import CROP_SIZE
from crestgauge.inference.nominal import nominal_centres_px
from crestgauge.inference.reading import CrestReading, Reading, ToothReading
from crestgauge.model.labels import Material

STRIP_SHARE: Final = 0.10
STRIP_LEAST_PX: Final = 4.0
"""
Length of a labelled strip as a share of its crest, and at least: the profile that the person saw is averaged
over as much (`crestgauge.inference.confirm.profiles`). [1, px]
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reviewed:
    """
    One photo with what people corrected of it.

    Parameters
    ----------
    sha256 : str
    animal : str or None
    reading : Reading
        The machine's, which the corrections stand beside.
    corrections : Corrections
    labels : RowLabels
    truth : dict
        What the truth file says beyond `truth_of`: crests, and the frame to level the row by.
    """

    sha256: str
    animal: str | None
    reading: Reading
    corrections: Corrections
    labels: RowLabels
    truth: dict[str, Any]


def reviewed_photos(ledger: Ledger, intake: Intake) -> Iterator[Reviewed]:
    """
    Every photo of a ledger that somebody corrected something on.

    Where two people corrected the same part differently, nothing is labelled there, and that is noted: whose
    is right is a question for them.
    """
    animals = {row["sha256"]: row["specimen_id"] for row in newest_readings(ledger)}
    by_photo: dict[str, list[Mapping[str, Any]]] = defaultdict(list)
    for row in all_measurements(ledger):
        by_photo[row["sha256"]].append(row)
    for sha256, rows in by_photo.items():
        newest = max(row["reading_id"] for row in rows)
        name = sha256[:12]
        older = sum(row["reading_id"] != newest for row in rows)
        if older:
            words = f"{older} corrections stand beside an older reading; only those of the newest are labels."
            intake.note("measurements", name, "older", words, fatal=False)
        kept = _undisputed([row for row in rows if row["reading_id"] == newest], name, intake)
        try:
            reading = Reading.from_dict(reading_of(ledger, newest))
            corrections = from_parts((row["kind"], row["value"]) for row in kept)
        except CrestgaugeError as error:
            intake.note("measurements", name, "corrections", str(error))
            continue
        if not corrections:
            intake.note("measurements", name, "empty", "nothing is left that can be a label.")
            continue
        labels = review_labels(reading, corrections)
        if not (labels.material != UNKNOWN).any():
            words = "no band edges, so no pixel is labelled; the truth file keeps the rest."
            intake.note("measurements", name, "no_pixels", words, fatal=False)
        yield Reviewed(
            sha256=sha256,
            animal=animals.get(sha256),
            reading=reading,
            corrections=corrections,
            labels=labels,
            truth=review_truth(reading, corrections),
        )


def _undisputed(rows: Sequence[Mapping[str, Any]], name: str, intake: Intake) -> list[Mapping[str, Any]]:
    """Rows on whose part all people who corrected it agree."""
    parts: dict[tuple[Any, ...], list[Mapping[str, Any]]] = defaultdict(list)
    for row in rows:
        kind = "crest" if row["kind"] == "edges" else row["kind"]
        parts[kind, row["tooth"], row["lobe"]].append(row)
    kept = []
    for (_, tooth, lobe), same in parts.items():
        people = sorted({row["person"] for row in same})
        first = [row["value"] for row in same if row["person"] == people[0]]
        if any([row["value"] for row in same if row["person"] == who] != first for who in people[1:]):
            what = " ".join(
                str(p) for p in (same[0]["kind"], tooth and f"of tooth {tooth}", lobe and f"lobe {lobe}") if p
            )
            words = f"{what}: {' and '.join(people)} differ, so it labels nothing. Settle it on the page."
            intake.note("measurements", name, "differ", words, fatal=False)
            continue
        kept += [row for row in same if row["person"] == people[0]]
    return sorted(kept, key=lambda row: int(row["id"]))


def review_labels(reading: Reading, corrections: Corrections) -> RowLabels:
    """
    Label maps of the upright photo: strips where a person placed edges, `UNKNOWN` elsewhere.
    """
    shape = (reading.photo.height, reading.photo.width)
    material = np.full(shape, UNKNOWN, dtype=np.uint8)
    tooth = np.full(shape, UNKNOWN, dtype=np.uint8)
    for edges in corrections.edges:
        found = _crest_of(reading, edges.tooth, edges.lobe)
        if found is not None:
            _paint(material, tooth, reading, edges, *found)
    marks = {mark.tooth: mark for mark in corrections.teeth}
    touched = sorted({e.tooth for e in corrections.edges} | set(marks))
    teeth = []
    for position in touched:
        mark = marks.get(position)
        state = None if mark is None or mark.state not in STATES else mark.state
        teeth.append(ToothLabel(position=position, state=state, milk=None if mark is None else mark.milk))
    side = corrections.side.side if corrections.side is not None else None
    return RowLabels(material=material, tooth=tooth, teeth=tuple(teeth), side=side)


def _crest_of(reading: Reading, position: int, lobe: int) -> tuple[ToothReading, CrestReading] | None:
    for tooth in reading.teeth:
        for crest in tooth.crests:
            if (tooth.position, crest.lobe) == (position, lobe):
                return tooth, crest
    return None


def _paint(
    material: NDArray[np.uint8],
    numbers: NDArray[np.uint8],
    reading: Reading,
    edges: BandEdges,
    tooth: ToothReading,
    crest: CrestReading,
) -> None:
    """Three quadrilaterals across the crest: enamel, dentine, enamel."""
    at = place(reading, tooth, crest, edges.at)
    if at is None:
        return
    line = np.asarray(crest.line, dtype=np.float64)
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    half = max(STRIP_SHARE * length, STRIP_LEAST_PX) / 2
    centre, normal = np.array(at.centre), np.array(at.normal)
    along = half * np.array([-normal[1], normal[0]])
    bands = (Material.ENAMEL_BAND, Material.DENTINE, Material.ENAMEL_BAND)
    for value, outer, inner in zip(bands, edges.edges_px[:-1], edges.edges_px[1:], strict=True):
        ends = centre + normal * outer, centre + normal * inner
        corners = np.array([ends[0] - along, ends[0] + along, ends[1] + along, ends[1] - along])
        where, mask = filled(corners + 0.5, material.shape)  # filled counts from the picture's corner
        material[where][mask] = value
        numbers[where][mask] = edges.tooth


def review_truth(reading: Reading, corrections: Corrections) -> dict[str, Any]:
    """Crests as people gave them, by tooth, and the frame that lays the reading's row level."""
    crests: dict[int, dict[int, dict[str, Any]]] = defaultdict(dict)
    places: dict[tuple[int, int], list[BandEdges]] = defaultdict(list)
    for edges in corrections.edges:
        places[edges.tooth, edges.lobe].append(edges)
    for (position, lobe), given in places.items():
        enamel = [(e.enamel_outer_px + e.enamel_inner_px) / 2 for e in given]
        ratios = [e.dentine_px / width for e, width in zip(given, enamel, strict=True)]
        crests[position][lobe] = {
            "ratio": round(float(np.median(ratios)), 5),
            "infundibulum_gone": False,
            "dentine_px": round(float(np.median([e.dentine_px for e in given])), 3),
            "enamel_px": round(float(np.median(enamel)), 3),
        }
    for mark in corrections.crests:
        if mark.mark != "unusable":
            crests[mark.tooth][mark.lobe] = {
                "ratio": 0.0 if mark.mark == "no_dentine" else None,
                "infundibulum_gone": mark.mark == "infundibulum_gone",
                "dentine_px": None,
                "enamel_px": None,
            }
    listed = {t: [{"lobe": lobe, **crest} for lobe, crest in sorted(c.items())] for t, c in crests.items()}
    return {"crests": listed, "frame": level_matrix(reading)}


def level_matrix(reading: Reading) -> list[list[float]] | None:
    """
    Similarity from the photo to the level crop, by the middles of the reading's teeth, shape (2, 3); None
    with fewer than two. A strip on one tooth alone could not tell how the row lies.
    """
    photo, crop = [], []
    for tooth in reading.teeth:
        if tooth.box is not None:
            x0, y0, x1, y1 = tooth.box
            photo.append(complex((x0 + x1) / 2, (y0 + y1) / 2))
            crop.append(complex(nominal_centres_px()[tooth.position - 1], (CROP_SIZE[1] - 1) / 2))
    if len(photo) < 2:
        return None
    source, target = np.array(photo), np.array(crop)
    centred = source - source.mean()
    a = np.vdot(centred, target - target.mean()) / np.vdot(centred, centred)
    b = target.mean() - a * source.mean()
    return [[a.real, -a.imag, b.real], [a.imag, a.real, b.imag]]


def add_reviewed(
    found: Sequence[Reviewed],
    places: Sequence[str],
    writer: DatasetWriter,
    intake: Intake,
    *,
    photos_are_animals: bool = False,
) -> None:
    """Write a data set of reviewed photos; `photos_are_animals` as in `build_dataset`."""
    finder = PhotoFinder(places)
    taken: set[str] = set()
    for each in found:
        photo, name = each.reading.photo, each.sha256[:12]
        animal = each.animal or (f"photo:{name}" if photos_are_animals else None)
        if animal is None:
            words = "no animal. Link it, or say --photos-are-animals where no two photos show the same one."
            intake.note(photo.file, name, "no_animal", words)
            continue
        size = (photo.width, photo.height)
        there = finder.find(sha256=each.sha256, file=photo.file, name=name, size=size, intake=intake)
        if there is None:
            continue
        stem = Path(photo.file).stem
        stem = stem if stem.lower() not in taken else f"{stem}-{name}"
        taken.add(stem.lower())
        writer.add(
            *there,
            each.labels,
            About(
                name=stem,
                animal=animal,
                kind="review",
                model=each.reading.versions.model,
                crests=each.truth["crests"],
                frame=each.truth["frame"],
            ),
        )
    writer.close()
