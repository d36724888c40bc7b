"""
Pages from a ledger: the one place that decides what a viewer may see. Edge module: asks a ledger.

A blind viewer who has not called yet gets `BlindJawPage` and `BlindQueuePage`, which cannot hold anything
that the machine or another reader said. Once they have called a photo, they get its `JawPage`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal

import sqlalchemy as sa

from crestgauge.inference.confirm.calls import calls_view, has_called, same_person, stored_corrections
from crestgauge.inference.confirm.corrected import corrected_reading
from crestgauge.inference.confirm.corrections import Corrections
from crestgauge.inference.confirm.geometry import level_of, level_view
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
from crestgauge.inference.confirm.station import new_jaw_page, specimen_page
from crestgauge.inference.confirm.views import (
    Axis,
    BlindJawPage,
    BlindQueuePage,
    BlindQueueRow,
    CallForm,
    CallsView,
    Choice,
    HeapView,
    JawPage,
    MachineView,
    MeasurementView,
    PhotoView,
    QueueAsk,
    QueuePage,
    QueueRow,
    RetakeMessage,
    SiblingView,
    Viewer,
)
from crestgauge.inference.criteria import Criteria
from crestgauge.inference.errors import InputError
from crestgauge.inference.explain import explain
from crestgauge.inference.ledger.measurements import measurements_of
from crestgauge.inference.ledger.paging import HEAPS, PageQuery, QueueIndex
from crestgauge.inference.ledger.specimen import AGE_CLASSES, COARSE_CLASSES
from crestgauge.inference.ledger.states import PhotoCalls
from crestgauge.inference.ledger.store import Ledger
from crestgauge.inference.ledger.tables import Base
from crestgauge.inference.reading import Reading
from crestgauge.inference.screening.report import check_template, default_template, retake_message

Profiles = Mapping[tuple[int, int], CrestProfile]
_T = Base.metadata.tables
EVERYBODY: Final = 1_000_000
"""Readers wanted by a blind viewer: whoever else has called, they call too."""
CONFIDENCES: Final = (
    Choice(value="H", label="sure"),
    Choice(value="M", label="fairly sure"),
    Choice(value="L", label="unsure"),
)
REASONS: Final = tuple(
    Choice(value=words, label=words)
    for words in (
        "the bands are not where they were drawn",
        "stain or packed food taken for dentine",
        "a tooth has the wrong number",
        "milk and permanent tooth mixed up",
        "odd wear: a lost or crooked tooth beside it",
        "the jaw in hand shows it differently",
    )
)
_ACTIONS: Final = {
    "confirm": Choice(value="confirm", label="Confirm", key="c"),
    "change": Choice(value="change", label="Another class", key="x"),
    "own": Choice(value="own", label="Keep my call", key="c"),
    "settle": Choice(value="settle", label="Settle", key="s"),
    "retake": Choice(value="retake", label="Ask for a new photo", key="r"),
    "leave": Choice(value="leave", label="Leave for a second reader", key="l"),
    "withdraw": Choice(value="withdraw", label="Take my call back", key="u"),
}


def queue_page(
    ledger: Ledger, viewer: Viewer, ask: QueueAsk | None = None, *, index: QueueIndex | None = None
) -> QueuePage | BlindQueuePage:
    """
    One page of the queue, as `QueueAsk` wants it; a blind viewer gets the blind one.

    Parameters
    ----------
    index : QueueIndex or None
        Of this ledger, kept by a server from page to page (share one); None reads the queue anew.
    """
    ask = ask or QueueAsk()
    index = index or QueueIndex(ledger)
    if viewer.blind:
        return _blind_queue(index, viewer, ask)
    page = index.page(_page_query(viewer, ask))
    with ledger.reading() as connection:
        failures = connection.execute(sa.select(sa.func.count()).select_from(_T["failures"])).scalar_one()
    return QueuePage(
        viewer=viewer,
        ask=ask,
        rows=tuple(_queue_row(row, viewer) for row in page.rows),
        total=page.total,
        pages=max(1, -(-page.total // ask.page_size)),
        heaps=tuple(HeapView(outcome=heap, to_do=page.todo[heap], total=page.all[heap]) for heap in HEAPS),
        failures=failures,
        classes=AGE_CLASSES,
    )


def _page_query(viewer: Viewer, ask: QueueAsk) -> PageQuery:
    return PageQuery(
        person=viewer.person,
        readers_wanted=viewer.readers_wanted,
        outcomes=ask.outcomes,
        todo=ask.todo,
        age_class=ask.age_class,
        search=ask.search,
        limit=ask.page_size,
        offset=(ask.page - 1) * ask.page_size,
    )


def _blind_query(viewer: Viewer, ask: QueueAsk) -> PageQuery:
    """Nothing of it depends on a reading: all heaps, no class, the order of the content hashes."""
    return PageQuery(
        person=viewer.person,
        readers_wanted=EVERYBODY,
        todo=_blind_todo(ask),
        search=ask.search,
        by_hash=True,
        limit=ask.page_size,
        offset=(ask.page - 1) * ask.page_size,
    )


def _blind_todo(ask: QueueAsk) -> Literal["mine", "done", "all"]:
    """Second reads and disagreements are no lists for somebody who must not know of other calls."""
    return ask.todo if ask.todo in ("done", "all") else "mine"


def _blind_queue(index: QueueIndex, viewer: Viewer, ask: QueueAsk) -> BlindQueuePage:
    query = _blind_query(viewer, ask)
    page = index.page(query)
    return BlindQueuePage(
        viewer=viewer,
        search=ask.search,
        todo=_blind_todo(ask),
        page=ask.page,
        page_size=ask.page_size,
        rows=tuple(
            BlindQueueRow(
                photo_id=row["photo_id"],
                sha256=row["sha256"],
                specimen_id=row["specimen_id"],
                level=_level(json.loads(row["reading"])),
                done=viewer.person in row["calls"].classes,
            )
            for row in page.rows
        ),
        total=page.total,
        pages=max(1, -(-page.total // ask.page_size)),
        done=page.done,
        all=sum(page.all.values()),
    )


def _queue_row(row: Mapping[str, Any], viewer: Viewer) -> QueueRow:
    reading = json.loads(row["reading"])
    calls: PhotoCalls = row["calls"]
    return QueueRow(
        photo_id=row["photo_id"],
        sha256=row["sha256"],
        file=reading["photo"]["file"],
        specimen_id=row["specimen_id"],
        outcome=row["outcome"],
        age_class=row["age_class"],
        possible=tuple(reading["possible"]),
        words=_deciding(reading),
        doubt=row["doubt"],
        level=_level(reading),
        calls=calls.state(viewer.readers_wanted),
        own_call=calls.classes.get(viewer.person),
    )


def _deciding(reading: Mapping[str, Any]) -> str:
    """The step that decided, or why the photo is refused, from the plain JSON of a reading."""
    refused = reasons(reading.get("retake") or ())
    if refused:
        return " ".join(reason.words for reason in refused)
    for step in reading["steps"]:
        if step["id"] == reading.get("deciding"):
            name = next((t["name"] for t in reading["teeth"] if t["position"] == step["tooth"]), "")
            return f"Tooth {step['tooth']}{f' ({name})' if name else ''}: {step['why']}: {step['answer']}"
    return ""


def _level(reading: Mapping[str, Any]) -> Any:
    boxes = [tooth["box"] for tooth in reading.get("teeth") or () if tooth["box"] is not None]
    return level_of(reading["photo"]["width"], reading["photo"]["height"], boxes)


def jaw_page(
    ledger: Ledger,
    criteria: Criteria,
    viewer: Viewer,
    photo_id: int,
    *,
    profiles: Profiles | None = None,
    draft: Corrections | None = None,
    index: QueueIndex | None = None,
    ask: QueueAsk | None = None,
) -> JawPage | BlindJawPage:
    """
    The page of one photo.

    Parameters
    ----------
    criteria : Criteria
        At hand for corrections and sources; the machine's answer is shown as it was read, with whatever
        criteria its reading names.
    profiles : mapping or None
        From `crestgauge.inference.confirm.profiles.crest_profiles` of the same reading.
    draft : Corrections or None
        Shown instead of the viewer's stored ones, and not stored: the answer to a drag. ``next_photo_id`` is
        then None.
    index : QueueIndex or None
        Kept by a server, as for `queue_page`.
    ask : QueueAsk or None
        Which queue the next photo is taken from.

    Raises
    ------
    LedgerError
        If there is no such photo or it has no reading.
    InputError
        If the draft does not fit the reading, or a blind viewer sends one.
    """
    row = newest_reading(ledger, photo_id)
    machine = Reading.from_json(row["reading"])
    photo = PhotoView(
        photo_id=photo_id,
        sha256=row["sha256"],
        file=machine.photo.file,
        width=machine.photo.width,
        height=machine.photo.height,
    )
    following = None if draft is not None else _next(ledger, viewer, photo_id, index, ask)
    if viewer.blind and not has_called(ledger, viewer.person, photo_id):
        if draft is not None:
            raise InputError("corrections: hidden while you read blind. Call the photo first.")
        return BlindJawPage(
            viewer=viewer,
            photo=photo,
            specimen_id=row["specimen_id"],
            level=level_view(machine),
            sibling_photo_ids=tuple(s["photo_id"] for s in _siblings(ledger, row, photo_id)),
            form=_blind_form(viewer, photo_id),
            next_photo_id=following,
        )
    at_hand = criteria if criteria.label == machine.versions.criteria else None
    given = draft if draft is not None else stored_corrections(ledger, viewer, row["id"])
    shown = machine
    if given and (draft is not None or (at_hand is not None and machine.teeth)):
        shown = corrected_reading(machine, given, criteria)
    calls = calls_view(ledger, viewer, photo_id)
    words = explain(shown)
    axis = Axis()
    siblings = _siblings(ledger, row, photo_id)
    return JawPage(
        viewer=viewer,
        photo=photo,
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
        crests=crest_views(shown, machine, axis=axis, criteria=at_hand, profiles=profiles, corrections=given),
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
        form=_form(viewer, shown, calls, _shown(row["id"], shown, given)),
        next_photo_id=following,
        versions=_versions(machine),
    )


def _siblings(ledger: Ledger, row: Mapping[str, Any], photo_id: int) -> list[dict[str, Any]]:
    """Newest readings of the other photos of the same animal, oldest photo first."""
    if row["specimen_id"] is None:
        return []
    return [s for s in animal_photos(ledger, row["specimen_id"]) if s["photo_id"] != photo_id]


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


def _next(
    ledger: Ledger, viewer: Viewer, photo_id: int, index: QueueIndex | None, ask: QueueAsk | None
) -> int | None:
    asked = ask or QueueAsk()
    query = _blind_query(viewer, asked) if viewer.blind else _page_query(viewer, asked)
    return (index or QueueIndex(ledger)).after(query, photo_id)


def _machine(reading: Reading) -> MachineView:
    return MachineView(
        headline=explain(reading).headline,
        outcome=reading.outcome,
        age_class=reading.age_class,
        possible=reading.possible,
    )


def _versions(reading: Reading) -> str:
    v = reading.versions
    return f"crestgauge {v.crestgauge}, weights {v.model}, criteria {v.criteria}"


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


def _classes() -> tuple[tuple[Choice, ...], tuple[Choice, ...]]:
    """Classes with their digit as key, and coarse classes."""
    single = tuple(Choice(value=name, label=name, key=name[0]) for name in AGE_CLASSES)
    return single, tuple(Choice(value=name, label=name) for name in COARSE_CLASSES)


def _form(viewer: Viewer, shown: Reading, calls: CallsView, fingerprint: str) -> CallForm:
    own = [call for call in calls.calls if call.own and call.standing]
    if calls.may_settle:
        names = ["settle"]
    else:
        names = ["confirm"] if shown.age_class is not None else []
        names += ["change", "retake"] + ([] if calls.asked_by_viewer else ["leave"])
    names += ["withdraw"] if own else []
    single, coarse = _classes()
    return CallForm(
        person=viewer.person,
        actions=tuple(_ACTIONS[name] for name in names),
        confirm_class=shown.age_class,
        classes=single,
        coarse_classes=coarse,
        confidences=CONFIDENCES,
        reasons=REASONS,
        own_call=own[-1].call_id if own else None,
        shown=fingerprint,
    )


def _blind_form(viewer: Viewer, photo_id: int) -> CallForm:
    single, coarse = _classes()
    return CallForm(
        person=viewer.person,
        actions=tuple(_ACTIONS[name] for name in ("own", "retake", "leave")),
        confirm_class=None,
        classes=single,
        coarse_classes=coarse,
        confidences=CONFIDENCES,
        reasons=(),
        own_call=None,
        shown=f"blind-{photo_id}",
    )


def _shown(reading_id: int, shown: Reading, given: Corrections) -> str:
    """Fingerprint of what a page concluded."""
    said = json.dumps([reading_id, shown.outcome, shown.age_class, shown.possible, given.to_dict()])
    return hashlib.sha256(said.encode()).hexdigest()[:16]


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


__all__ = [
    "jaw_page",
    "measurement_words",
    "new_jaw_page",
    "queue_page",
    "retake_message_page",
    "specimen_page",
]
