"""
The page of one jaw from a ledger, as far as a viewer may see it, and the message to its sender.

A blind viewer who has not called yet gets `BlindJawPage`, which cannot hold anything that the machine or
another reader said. Once they have called a photo, they get its `JawPage`. Edge module: asks a ledger.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from crestgauge.inference.confirm.call_form import blind_form, call_form, fingerprint
from crestgauge.inference.confirm.calls import (
    calls_view,
    has_called,
    own_requests,
    same_person,
    stored_corrections,
)
from crestgauge.inference.confirm.corrected import corrected_reading
from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.geometry import level_view
from crestgauge.inference.confirm.jaw_pages import BlindJawPage, JawPage, MachineView, MeasurementView
from crestgauge.inference.confirm.jaw_views import (
    cannot_show,
    coarse_views,
    crest_views,
    interval,
    ladder,
    reasons,
    remarks,
    tooth_views,
)
from crestgauge.inference.confirm.lookups import animal_photos, newest_reading
from crestgauge.inference.confirm.profiles import CrestProfile
from crestgauge.inference.confirm.queue import next_photo
from crestgauge.inference.confirm.queue_pages import QueueAsk
from crestgauge.inference.confirm.station_pages import RetakeMessage
from crestgauge.inference.confirm.views import Axis, CallsView, PhotoView, SiblingView, Viewer
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.errors import InputError
from crestgauge.inference.explain import explain
from crestgauge.inference.ledger.measurements import measurements_of
from crestgauge.inference.ledger.paging import QueueIndex
from crestgauge.inference.ledger.specimen import AGE_CLASSES
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.reading import Reading
from crestgauge.inference.screening.report import check_template, default_template, retake_message

Profiles = Mapping[tuple[int, int], CrestProfile]


@dataclass(frozen=True, slots=True, kw_only=True)
class JawOptions:
    """
    What the page of a jaw is made with beside the ledger.

    Parameters
    ----------
    profiles : mapping or None
        From `crestgauge.inference.confirm.profiles.crest_profiles` of the same reading.
    draft : Corrections or None
        Shown instead of the viewer's stored ones, and not stored: the answer to a drag. ``next_photo_id`` is
        then None.
    index : QueueIndex or None
        Kept by a server, as for `crestgauge.inference.confirm.queue.queue_page`.
    ask : QueueAsk or None
        Which queue the next photo is taken from.
    """

    profiles: Profiles | None = None
    draft: Corrections | None = None
    index: QueueIndex | None = None
    ask: QueueAsk | None = None


def jaw_page(
    ledger: Ledger, criteria: Criteria, viewer: Viewer, photo_id: int, options: JawOptions | None = None
) -> JawPage | BlindJawPage:
    """
    The page of one photo.

    Parameters
    ----------
    criteria : Criteria
        At hand for corrections and sources; the machine's answer is shown as it was read, with whatever
        criteria its reading names.
    options : JawOptions or None

    Raises
    ------
    LedgerError
        If there is no such photo or it has no reading.
    InputError
        If the draft does not fit the reading, or a blind viewer sends one.
    """
    options = options or JawOptions()
    draft = options.draft
    row = newest_reading(ledger, photo_id)
    following = None
    if draft is None:
        following = next_photo(ledger, viewer, photo_id, options.index, options.ask)
    if not viewer.blind or has_called(ledger, viewer.person, photo_id):
        return replace(_open_page(ledger, criteria, viewer, row, options), next_photo_id=following)
    if draft is not None:
        raise InputError("corrections: hidden while you read blind. Call the photo first.")
    machine = Reading.from_json(row["reading"])
    return BlindJawPage(
        viewer=viewer,
        photo=_photo(row, machine),
        specimen_id=row["specimen_id"],
        level=level_view(machine),
        sibling_photo_ids=tuple(s["photo_id"] for s in _siblings(ledger, row)),
        form=blind_form(viewer, photo_id, asked=bool(own_requests(ledger, viewer.person, photo_id))),
        next_photo_id=following,
    )


def _open_page(
    ledger: Ledger, criteria: Criteria, viewer: Viewer, row: Mapping[str, Any], options: JawOptions
) -> JawPage:
    """The page of a photo, ``row`` its newest reading, for a viewer who may see everything."""
    machine, draft = Reading.from_json(row["reading"]), options.draft
    at_hand = criteria if criteria.label == machine.versions.criteria else None
    given = draft if draft is not None else stored_corrections(ledger, viewer, row["id"])
    shown = machine
    if given and (draft is not None or (at_hand is not None and machine.teeth)):
        shown = corrected_reading(machine, given, criteria)
    calls = calls_view(ledger, viewer, row["photo_id"])
    words = explain(shown)
    axis, siblings = Axis(), _siblings(ledger, row)
    return JawPage(
        viewer=viewer,
        photo=_photo(row, machine),
        specimen_id=row["specimen_id"],
        reading_id=row["id"],
        level=level_view(machine),
        headline=words.headline,
        outcome=shown.outcome,
        age_class=shown.age_class,
        possible=shown.possible,
        possible_words=words.possible,
        deciding=shown.deciding,
        side=shown.side,
        tilt_deg=interval(shown.tilt_deg, unit="degrees"),
        px_per_mm=shown.px_per_mm,
        axis=axis,
        crests=crest_views(
            shown, machine, axis=axis, criteria=at_hand, profiles=options.profiles, corrections=given
        ),
        teeth=tooth_views(shown, given),
        ladder=ladder(shown, at_hand),
        notes=shown.notes,
        retake=reasons(shown.retake),
        coarse=coarse_views(shown),
        remarks=remarks(at_hand) if shown.possible else (),
        cannot_show=cannot_show(shown),
        corrections=given,
        can_correct=bool(machine.teeth) and at_hand is not None,
        machine=_machine(machine) if shown is not machine else None,
        measurements=_measurements(ledger, viewer, row["id"], calls),
        siblings=tuple(_sibling(s) for s in siblings),
        disagreement=_disagreement(shown, siblings),
        calls=calls,
        form=call_form(viewer, shown, calls, fingerprint(row["id"], shown, given)),
        next_photo_id=None,
        versions=machine.versions.in_words(),
    )


def _photo(row: Mapping[str, Any], machine: Reading) -> PhotoView:
    return PhotoView(
        photo_id=row["photo_id"],
        sha256=row["sha256"],
        file=machine.photo.file,
        width=machine.photo.width,
        height=machine.photo.height,
    )


def _siblings(ledger: Ledger, row: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Newest readings of the other photos of the same animal, oldest photo first."""
    if row["specimen_id"] is None:
        return []
    return [s for s in animal_photos(ledger, row["specimen_id"]) if s["photo_id"] != row["photo_id"]]


def _sibling(row: Mapping[str, Any]) -> SiblingView:
    return SiblingView(
        photo_id=row["photo_id"],
        file=row["file"],
        side=row["side"],
        outcome=row["outcome"],
        age_class=row["age_class"],
        possible=row["possible"],
    )


def _disagreement(shown: Reading, siblings: Sequence[Mapping[str, Any]]) -> str:
    others = [s for s in siblings if s["age_class"] is not None]
    if shown.age_class is None or all(s["age_class"] == shown.age_class for s in others):
        return ""
    said = ", ".join(
        f"{s['file']} ({s['side'] or 'side unknown'}): {s['age_class']}"
        for s in others
        if s["age_class"] != shown.age_class
    )
    common = set(shown.possible).intersection(*(s["possible"] for s in others))
    why = (
        f"All allow {', '.join(sorted(common, key=AGE_CLASSES.index))}, so measuring errors can explain it."
        if common
        else "No class is possible on all of them: look for a misread tooth, or a photo of another animal."
    )
    return f"Other photos of this animal say otherwise: {said}. {why}"


def _machine(reading: Reading) -> MachineView:
    return MachineView(
        headline=explain(reading).headline,
        outcome=reading.outcome,
        age_class=reading.age_class,
        possible=reading.possible,
    )


def _measurements(
    ledger: Ledger, viewer: Viewer, reading_id: int, calls: CallsView
) -> tuple[MeasurementView, ...]:
    """What people measured on this reading; others' as long as their calls would show."""
    found = []
    for row in measurements_of(ledger, reading_id):
        own = same_person(row["person"], viewer.person)
        if own or not (calls.state == "second_wanted" or calls.hidden):
            found.append(
                MeasurementView(
                    measurement_id=row["id"],
                    person=row["person"],
                    kind=row["kind"],
                    words=measurement_words(row["kind"], row["value"]),
                    recorded_at=row["recorded_at"],
                    own=own,
                )
            )
    return tuple(found)


def measurement_words(kind: str, value: Mapping[str, Any]) -> str:
    """One measurement in words."""
    if kind == "edges":
        a, b, c, d = value["edges_px"]
        return (
            f"tooth {value['tooth']}, lobe {value['lobe']}, at {100 * value['at']:.0f} % of the crest: "
            f"dentine {b - c:.1f}, outer enamel {a - b:.1f}, inner enamel {c - d:.1f} px"
        )
    if kind == "crest":
        return f"tooth {value['tooth']}, lobe {value['lobe']}: {value['mark'].replace('_', ' ')}"
    if kind == "tooth":
        said = [value["state"]] if value["state"] else []
        if value["milk"] is not None:
            said.append("milk tooth" if value["milk"] else "permanent tooth")
        return f"tooth {value['tooth']}: {', '.join(said)}"
    if kind == "side":
        return f"{value['side']} jaw"
    return f"ruler: {value['length_mm']:g} mm"


def retake_message_page(
    ledger: Ledger, photo_id: int, *, asked: str = "", template: str | None = None
) -> RetakeMessage:
    """
    The message for a photo whose newest reading says retake, or that a person wants retaken.

    Parameters
    ----------
    asked : str
        What a person wants of the new photo; stands beside or in place of the machine's reasons.
    template : str or None
        Text of the message; None takes the shipped one.

    Raises
    ------
    LedgerError
        If there is no such photo or reading.
    ExchangeError
        If the template is wrong.
    """
    row = newest_reading(ledger, photo_id)
    reading = json.loads(row["reading"])
    wishes = [*reading["retake"]]
    if asked.strip() or not wishes:
        advice = asked.strip() or "A reader looked at it and could not settle the class from this photo."
        wishes.append({"reason": "asked", "measured": None, "limit": None, "advice": advice})
    words = check_template(default_template() if template is None else template)
    text = retake_message({**reading, "retake": wishes}, words, specimen_id=row["specimen_id"])
    return RetakeMessage(
        photo_id=photo_id, specimen_id=row["specimen_id"], text=text, reasons=reasons(wishes)
    )
