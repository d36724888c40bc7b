"""
What the key says of a reading once a person's corrections are in it. Pure.

The corrected evidence goes through the one rule layer (`crestgauge.inference.rules.propose`); there is no
second copy of the key anywhere, also not in a browser. `answer` takes about 2 ms.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from crestgauge.inference.build import CrestWidths, Measured, build_reading, evidence_of, round_evidence
from crestgauge.inference.confirm.corrections import (
    BY_PERSON,
    GONE_LEFT,
    MIDDLE,
    UNWORN_RATIO_U,
    BandEdges,
    Corrections,
    Pointing,
    Ruler,
    SideMark,
    fail,
)
from crestgauge.inference.confirm.geometry import measured_side
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import DEFINITIONS, CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.numeric import median
from crestgauge.inference.reading import (
    INFUNDIBULUM_GONE,
    TOOTH_UNSEEN,
    CrestReading,
    Reading,
    Retake,
    ToothReading,
)
from crestgauge.inference.rules import Proposal, propose
from crestgauge.inference.season import Season
from crestgauge.inference.uncertainty import two_band_u
from crestgauge.model.labels import LOBES, MILK_LOBES


def corrected(reading: Reading, corrections: Corrections, *, pointing: Pointing | None = None) -> RowEvidence:
    """
    The evidence of a reading with a person's corrections in it; the reading stays as it is.

    Raises
    ------
    InputError
        If the reading has no teeth, or the corrections name a crest or place that it does not have.
    """
    return _apply(reading, corrections, pointing or Pointing())[0]


def answer(
    reading: Reading,
    corrections: Corrections,
    criteria: Criteria,
    *,
    pointing: Pointing | None = None,
    season: Season | None = None,
) -> Proposal:
    """
    What the key says of the corrected evidence.

    Also for a photo that was refused: whether to show it there is the caller's choice; `corrected_reading`
    keeps the refusal.

    Raises
    ------
    InputError
        As `corrected`.
    """
    return propose(corrected(reading, corrections, pointing=pointing), criteria, season=season)


def corrected_reading(
    reading: Reading,
    corrections: Corrections,
    criteria: Criteria,
    *,
    pointing: Pointing | None = None,
    season: Season | None = None,
) -> Reading:
    """
    The reading as it would be with the corrections: same form, so that every view of a reading shows it.

    Corrected crests carry the flag `BY_PERSON`. Reasons for a retake that lie in the photo (blurred, too
    small
    ...) stand, and so no class is given; "a tooth is not seen" is asked anew. It is for showing: what is kept
    is the machine's reading and, beside it, the corrections.

    Raises
    ------
    InputError
        As `corrected`, or if ``criteria`` are not those that the reading names.
    """
    pointing = pointing or Pointing()
    if criteria.label != reading.versions.criteria:
        raise InputError(
            f"corrections: reading by criteria {reading.versions.criteria}; not by {criteria.label}. "
            "Read the photo again with the present criteria."
        )
    evidence, widths = _apply(reading, corrections, pointing)
    scale = reading.px_per_mm
    if corrections.ruler is not None:
        scale = ruler_scale(corrections.ruler, pointing=pointing).value
    boxes = {tooth.position: tooth.box for tooth in reading.teeth if tooth.box is not None}
    measured = Measured(
        evidence=evidence,
        boxes=boxes,
        widths=widths,
        side=corrections.side.side if corrections.side else reading.side,
        tilt_deg=reading.tilt_deg,
        px_per_mm=scale,
    )
    proposal = propose(evidence, criteria, season=season)
    machine = propose(_evidence(reading), criteria)
    return build_reading(
        photo=reading.photo,
        versions=reading.versions,
        measured=measured,
        proposal=proposal,
        retake=photo_reasons(reading),
        cautions=tuple(note for note in reading.notes if note not in machine.notes),
    )


def photo_reasons(reading: Reading) -> tuple[Retake, ...]:
    """Reasons for a retake that lie in the photo, which no correction can cure."""
    return tuple(item for item in reading.retake if item.reason != TOOTH_UNSEEN)


def ruler_scale(ruler: Ruler, *, pointing: Pointing | None = None) -> Quantity:
    """Pixels per mm of two ruler points, with the pointing error of both. [px/mm]"""
    length = math.dist(ruler.first, ruler.second)
    sigma = (pointing or Pointing()).edge_px(ruler.zoom)
    return Quantity(length / ruler.length_mm, math.sqrt(2.0) * sigma / ruler.length_mm)


def _evidence(reading: Reading) -> RowEvidence:
    evidence = evidence_of(reading)
    if evidence is None:
        raise InputError(
            f"{reading.photo.file}: no tooth row was found in it, so there is nothing to correct. "
            "Take the photo again."
        )
    return evidence


_Widths = dict[tuple[int, int], CrestWidths]


def _apply(reading: Reading, given: Corrections, pointing: Pointing) -> tuple[RowEvidence, _Widths]:
    """Evidence and widths with the corrections in them, tooth by tooth."""
    evidence = _evidence(reading)
    _check_against(reading, given)
    dropped = _cheek_side(reading, given.side)
    teeth, widths = [], _Widths()
    for tooth, found in zip(reading.teeth, evidence.teeth, strict=True):
        teeth.append(_tooth(tooth, found, given, pointing, widths, dropped=dropped))
    return round_evidence(RowEvidence(tuple(teeth))), widths


def _cheek_side(reading: Reading, mark: SideMark | None) -> bool:
    """Whether the person's side says that the machine measured the crests of the cheek side."""
    if mark is None or mark.crests_stand:
        return False
    return mark.side != measured_side(reading)


def _tooth(
    tooth: ToothReading,
    found: ToothEvidence,
    given: Corrections,
    pointing: Pointing,
    widths: _Widths,
    *,
    dropped: bool,
) -> ToothEvidence:
    """One tooth corrected; the widths of its crests go into ``widths``."""
    mark = next((m for m in given.teeth if m.tooth == tooth.position), None)
    state, milk, lobes = found.state, found.milk, found.lobes
    if mark is not None:
        state = mark.state or ("erupted" if mark.milk is not None and state == "unseen" else state)
        if mark.milk is not None:
            usual = LOBES | MILK_LOBES if mark.milk else LOBES
            milk, lobes = mark.milk, usual[tooth.position]
    if mark is not None and mark.state in _BARE:
        return ToothEvidence(position=tooth.position, state=mark.state, milk=milk)
    crests = []
    for crest, seen in zip(tooth.crests, found.crests, strict=True):
        evidence, width = _crest(tooth.position, crest, seen, given, pointing, dropped=dropped)
        crests.append(evidence)
        widths[tooth.position, crest.lobe] = width
    left = found.infundibulum_left
    marked = {m.lobe for m in given.crests if m.tooth == tooth.position and m.mark == "infundibulum_gone"}
    if marked and {c.lobe for c in crests if c.infundibulum_gone} >= {1, 2}:
        left = GONE_LEFT
    return replace(found, state=state, milk=milk, lobes=lobes, crests=tuple(crests), infundibulum_left=left)


_BARE: Final = ("absent", "missing", "broken", "unseen")
"""States of a tooth on which nothing measured is left to use."""


def _crest(
    position: int,
    crest: CrestReading,
    found: CrestEvidence,
    given: Corrections,
    pointing: Pointing,
    *,
    dropped: bool,
) -> tuple[CrestEvidence, CrestWidths]:
    """One crest corrected: its evidence and its widths."""
    lobe = crest.lobe
    flags = tuple(flag for flag in crest.flags if flag != INFUNDIBULUM_GONE)
    none = CrestWidths(
        dentine_px=None,
        enamel_outer_px=None,
        enamel_inner_px=None,
        line=crest.line,
        flags=(*flags, BY_PERSON),
    )
    mark = next((m.mark for m in given.crests if (m.tooth, m.lobe) == (position, lobe)), None)
    if mark == "unusable":
        return CrestEvidence(lobe=lobe, ratio=None), none
    if mark == "infundibulum_gone":
        return CrestEvidence(lobe=lobe, ratio=None, infundibulum_gone=True), none
    if mark == "no_dentine":
        zeros = dict.fromkeys(DEFINITIONS, 0.0)
        return CrestEvidence(lobe=lobe, ratio=Quantity(0.0, UNWORN_RATIO_U), ratio_by_definition=zeros), none
    drawn = [e for e in given.edges if (e.tooth, e.lobe) == (position, lobe)]
    if drawn:
        return _drawn(crest, found, drawn, pointing, (*flags, BY_PERSON))
    if dropped:
        return CrestEvidence(lobe=lobe, ratio=None), none
    return found, CrestWidths(
        dentine_px=crest.dentine_px,
        enamel_outer_px=crest.enamel_outer_px,
        enamel_inner_px=crest.enamel_inner_px,
        line=crest.line,
        flags=flags,
    )


def _drawn(
    crest: CrestReading,
    found: CrestEvidence,
    drawn: list[BandEdges],
    pointing: Pointing,
    flags: tuple[str, ...],
) -> tuple[CrestEvidence, CrestWidths]:
    """A crest whose edges a person placed, at one place or several."""
    dentine = [e.dentine_px for e in drawn]
    outer = [e.enamel_outer_px for e in drawn]
    inner = [e.enamel_inner_px for e in drawn]
    sigma = max(pointing.edge_px(e.zoom) for e in drawn)
    ratios = [2 * d / (o + i) for d, o, i in zip(dentine, outer, inner, strict=True)]
    value = float(median(np.asarray(ratios)))
    d, o, i = (float(median(np.asarray(w))) for w in (dentine, outer, inner))
    # One person's idea of where an edge lies goes the same way at every place: no gain by repeating.
    edge = float(two_band_u(d, o, i, sigma))
    u = math.hypot(edge, value * _taper_share(drawn, found, pointing))
    by_definition = {
        "outer": float(median(np.asarray([d / o for d, o in zip(dentine, outer, strict=True)]))),
        "inner": float(median(np.asarray([d / i for d, i in zip(dentine, inner, strict=True)]))),
    }
    middle = [r for r, e in zip(ratios, drawn, strict=True) if MIDDLE[0] <= e.at <= MIDDLE[1]]
    if middle:
        by_definition["middle"] = sum(middle) / len(middle)
    if len(drawn) > 1:
        by_definition["widest"] = ratios[dentine.index(max(dentine))]
    width_u = math.sqrt(2.0) * sigma
    return (
        CrestEvidence(lobe=crest.lobe, ratio=Quantity(value, u), ratio_by_definition=by_definition),
        CrestWidths(
            dentine_px=Quantity(d, width_u),
            enamel_outer_px=Quantity(o, width_u),
            enamel_inner_px=Quantity(i, width_u),
            line=crest.line,
            flags=flags,
        ),
    )


def _taper_share(drawn: list[BandEdges], found: CrestEvidence, pointing: Pointing) -> float:
    """
    Standard uncertainty, as a share of the ratio, of measuring at these places instead of all along the
    middle half.

    None is left where at least three places span most of that half. Else it is the difference between the
    machine's ratio at the exact middle and its median, as a rectangular distribution, or
    `Pointing.taper_share` where the machine has no two ratios to compare.
    """
    at = [e.at for e in drawn]
    if len(at) >= 3 and max(at) - min(at) >= 0.4:
        return 0.0
    middle = found.ratio_by_definition.get("middle")
    if found.ratio is None or middle is None or found.ratio.value <= 0 or middle <= 0:
        return pointing.taper_share
    return abs(middle / found.ratio.value - 1.0) / math.sqrt(3.0)


def _check_against(reading: Reading, given: Corrections) -> None:
    """What only the reading can tell: whether crests and places exist."""
    there = {(own.position, crest.lobe) for own in reading.teeth for crest in own.crests}
    named = [(e.tooth, e.lobe) for e in given.edges] + [(c.tooth, c.lobe) for c in given.crests]
    for tooth, lobe in named:
        if (tooth, lobe) not in there:
            fail(
                f"tooth {tooth}, lobe {lobe}",
                "no crest there in the reading",
                "a crest that was found; a tooth without one can be given a state",
            )
    for mark in given.teeth:
        state = reading.teeth[mark.tooth - 1].state
        if mark.milk is not None and (mark.state or state) in ("absent", "missing"):
            fail(f"tooth {mark.tooth}", f"milk or permanent, but {mark.state or state}", "its state as well")
    size = (reading.photo.width, reading.photo.height)
    points = () if given.ruler is None else (given.ruler.first, given.ruler.second)
    for x, y in points:
        if not (-0.5 <= x <= size[0] - 0.5 and -0.5 <= y <= size[1] - 0.5):
            fail("ruler", (x, y), f"points inside the photo, {size[0]} x {size[1]} px")
