"""
From plain measured values and a proposal to a reading, and from a reading back to the evidence in it.

Nothing here measures or decides; geometry, rule layer and the checks of a photo each hand over their part.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from crestgauge.inference.errors import InputError
from crestgauge.inference.evidence import DEFINITIONS, CrestEvidence, Quantity, RowEvidence, ToothEvidence
from crestgauge.inference.reading import (
    INFUNDIBULUM_GONE,
    RATIO_DECIMALS,
    TOOTH_UNSEEN,
    AccuracyReading,
    Box,
    CoarseReading,
    CrestReading,
    DefinitionRatios,
    PhotoRef,
    Point,
    Reading,
    Retake,
    Side,
    StepReading,
    ToothReading,
    Versions,
)
from crestgauge.inference.rules import Proposal
from crestgauge.model.labels import tooth_name


@dataclass(frozen=True, slots=True, kw_only=True)
class CrestWidths:
    """What a reading keeps of one crest beside its evidence. [px of the upright photo]"""

    dentine_px: Quantity | None
    enamel_outer_px: Quantity | None
    enamel_inner_px: Quantity | None
    line: Sequence[Point]
    flags: Sequence[str] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """
    What geometry found, in plain values.

    Parameters
    ----------
    evidence : RowEvidence or None
        None where no tooth row was found.
    boxes : mapping of tooth position to (x0, y0, x1, y1)
        Of the teeth that have a crown on the photo.
    widths : mapping of (tooth position, lobe) to CrestWidths
        For every crest in the evidence.
    """

    evidence: RowEvidence | None = None
    boxes: Mapping[int, Box] = field(default_factory=dict)
    widths: Mapping[tuple[int, int], CrestWidths] = field(default_factory=dict)
    side: Side | None = None
    tilt_deg: Quantity | None = None
    px_per_mm: float | None = None


def build_reading(
    *,
    photo: PhotoRef,
    versions: Versions,
    measured: Measured | None = None,
    proposal: Proposal | None = None,
    retake: Sequence[Retake] = (),
    cautions: Sequence[str] = (),
) -> Reading:
    """
    Put a reading together.

    Parameters
    ----------
    measured : Measured or None
        What could be measured; kept also where the photo is refused.
    proposal : Proposal or None
        From the rule layer. None needs a reason in ``retake``.
    retake : sequence of Retake
        Reasons to refuse the photo. Where there is one, no class, steps or coarse classes are kept:
        measured on a photo that is not good enough they would be a guess.
    cautions : sequence of str
        Sentences on the photo; they become the reading's first notes.

    Raises
    ------
    InputError
        If there is neither proposal nor reason, or proposal and versions name different criteria.
    ReadingError
        If the parts contradict each other or a number is not finite.
    """
    measured = measured or Measured()
    if proposal is None and not retake:
        raise InputError("reading: neither proposal nor reason for a retake; needs one of them.")
    if proposal is not None and proposal.criteria != versions.criteria:
        raise InputError(
            f"reading: proposal by {proposal.criteria}; needs {versions.criteria}, as in versions."
        )
    if retake or proposal is None:
        kept, reasons = None, tuple(retake)
    else:
        kept = proposal
        reasons = _unseen_retake(proposal.unseen_teeth) if proposal.outcome == "retake" else ()
    ratios = {} if proposal is None else proposal.tooth_ratios
    teeth = () if measured.evidence is None else measured.evidence.teeth
    reading = Reading(
        photo=photo,
        outcome=kept.outcome if kept else "retake",
        age_class=kept.age_class if kept else None,
        possible=kept.possible if kept else (),
        deciding=kept.deciding if kept else None,
        coarse=_coarse(kept) if kept else {},
        side=measured.side,
        tilt_deg=measured.tilt_deg,
        px_per_mm=measured.px_per_mm,
        teeth=tuple(_tooth(tooth, measured, ratios.get(tooth.position)) for tooth in teeth),
        steps=_steps(kept) if kept else (),
        notes=(*cautions, *(kept.notes if kept else ())),
        retake=reasons,
        versions=versions,
    )
    return Reading.from_dict(reading.to_dict())


def round_evidence(evidence: RowEvidence) -> RowEvidence:
    """
    Evidence rounded as a reading keeps it.

    Propose from this, and the proposal follows from the written reading alone, to the last digit.
    """
    teeth = []
    for tooth in evidence.teeth:
        crests = tuple(
            replace(
                crest,
                ratio=_rounded(crest.ratio),
                ratio_by_definition={k: _round(v) for k, v in crest.ratio_by_definition.items()},
            )
            for crest in tooth.crests
        )
        left, share = _rounded(tooth.infundibulum_left), _rounded(tooth.dentine_share)
        teeth.append(replace(tooth, crests=crests, infundibulum_left=left, dentine_share=share))
    return RowEvidence(tuple(teeth))


def evidence_of(reading: Reading) -> RowEvidence | None:
    """The evidence that a reading carries, for asking the key again; None where no tooth row was found."""
    if not reading.teeth:
        return None
    return RowEvidence(tuple(_tooth_evidence(tooth) for tooth in reading.teeth))


def _round(value: float) -> float:
    return round(float(value), RATIO_DECIMALS)


def _rounded(quantity: Quantity | None) -> Quantity | None:
    return None if quantity is None else Quantity(_round(quantity.value), _round(quantity.u))


def _tooth_evidence(tooth: ToothReading) -> ToothEvidence:
    left, left_u = tooth.infundibulum_left, tooth.infundibulum_left_u
    crests = []
    for crest in tooth.crests:
        definitions = {name: getattr(crest.ratio_by_definition, name) for name in DEFINITIONS}
        crests.append(
            CrestEvidence(
                lobe=crest.lobe,
                ratio=crest.ratio,
                ratio_by_definition={name: value for name, value in definitions.items() if value is not None},
                infundibulum_gone=INFUNDIBULUM_GONE in crest.flags,
            )
        )
    return ToothEvidence(
        position=tooth.position,
        state=tooth.state,
        milk=tooth.milk,
        lobes=tooth.lobes,
        crests=tuple(crests),
        infundibulum_left=None if left is None or left_u is None else Quantity(left, left_u),
        dentine_share=tooth.dentine_share,
    )


def _tooth(tooth: ToothEvidence, measured: Measured, ratio: Quantity | None) -> ToothReading:
    left = tooth.infundibulum_left
    return ToothReading(
        position=tooth.position,
        name=tooth_name(tooth.position, milk=bool(tooth.milk) and tooth.position <= 3),
        milk=tooth.milk,
        state=tooth.state,
        lobes=tooth.lobes,
        box=measured.boxes.get(tooth.position),
        infundibulum_left=None if left is None else left.value,
        infundibulum_left_u=None if left is None else left.u,
        dentine_share=tooth.dentine_share,
        ratio=ratio,
        crests=tuple(
            _crest(crest, measured.widths.get((tooth.position, crest.lobe))) for crest in tooth.crests
        ),
    )


def _crest(crest: CrestEvidence, widths: CrestWidths | None) -> CrestReading:
    widths = widths or CrestWidths(dentine_px=None, enamel_outer_px=None, enamel_inner_px=None, line=())
    gone = (INFUNDIBULUM_GONE,) if crest.infundibulum_gone else ()
    return CrestReading(
        lobe=crest.lobe,
        dentine_px=widths.dentine_px,
        enamel_outer_px=widths.enamel_outer_px,
        enamel_inner_px=widths.enamel_inner_px,
        ratio=crest.ratio,
        ratio_by_definition=DefinitionRatios(
            **{name: crest.ratio_by_definition.get(name) for name in DEFINITIONS}
        ),
        line=tuple((float(x), float(y)) for x, y in widths.line),
        flags=gone + tuple(flag for flag in widths.flags if flag != INFUNDIBULUM_GONE),
    )


def _steps(proposal: Proposal) -> tuple[StepReading, ...]:
    return tuple(
        StepReading(
            id=step.id,
            question=step.question,
            tooth=step.tooth,
            measured=step.measured,
            threshold=step.threshold,
            answer=step.answer,
            class_if_no=step.class_if_no,
            class_if_yes=step.class_if_yes,
            why=step.why,
            definitions=step.definitions,
        )
        for step in proposal.steps
    )


def _coarse(proposal: Proposal) -> dict[str, CoarseReading]:
    return {
        name: CoarseReading(
            label=coarse.label,
            possible=coarse.possible,
            words=coarse.words,
            accuracy=tuple(
                AccuracyReading(percent=a.percent, of=a.of, source=f"{a.source.text}; {a.source.where}")
                for a in coarse.accuracy
            ),
        )
        for name, coarse in proposal.coarse.items()
    }


def _unseen_retake(teeth: tuple[int, ...]) -> tuple[Retake, ...]:
    names = ", ".join(f"{position} ({tooth_name(position)})" for position in teeth)
    advice = (
        f"The key needs tooth {names}, which this photo does not show well enough. Clean the row, lay "
        "all six teeth in the frame with nothing over them, and take the photo from straight above."
    )
    return (Retake(reason=TOOTH_UNSEEN, measured=None, limit=None, advice=advice),)
