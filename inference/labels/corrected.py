"""
Corrected labels back from whatever program, photo by photo, every fault by item. Edge module: reads files.

For each photo that was handed out, the label that differs from the proposal is the corrected one, whether it
came as COCO JSON or as label maps. Two that differ from the proposal and from each other are a question for
the person, never for a rule. What nobody touched is not taken for checked unless that is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import Any, Final

import numpy as np

from crestgauge.inference.errors import CrestgaugeError
from crestgauge.inference.exchange.coco import STATES, UNKNOWN, LabelledPhoto, ToothLabel
from crestgauge.inference.exchange.coco_read import scan_coco
from crestgauge.inference.exchange.problems import Problem
from crestgauge.inference.exchange.tables_in import read_rows
from crestgauge.inference.fit_limits import ADVICE
from crestgauge.inference.labels.label_maps import read_label_map
from crestgauge.inference.labels.manifest import (
    CLASSES_FILE,
    FILE,
    MAPS,
    PHOTOS_CSV,
    TEETH_CSV,
    LabelItem,
    area_mask,
    map_hash,
    rounded,
)
from crestgauge.model.labels import CROWN_MATERIALS

LEAST_CROWN_PX: Final = 50
"""Fewer crown pixels than this are no label of a tooth. [px]"""
_Teeth = dict[int, ToothLabel]
_YES, _NO = ("yes", "true", "1"), ("no", "false", "0")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corrected:
    """
    The labels of one photo, as a person left them.

    Parameters
    ----------
    item : LabelItem
        With animal and side as in ``photos.csv``.
    labels : LabelledPhoto
        In pixels of the picture that was handed out.
    source : str
        File that they come from, "unchanged" where the proposal was accepted as it was.
    unusable : tuple of str
        Retake reasons that a person gave the photo in ``photos.csv``; such a photo needs no drawn tooth.
    """

    item: LabelItem
    labels: LabelledPhoto
    source: str
    unusable: tuple[str, ...] = ()


@dataclass(slots=True, kw_only=True)
class Intake:
    """
    What became of a folder of corrected labels.

    Parameters
    ----------
    problems : list of Problem
    untouched : list of str
        Names of photos whose proposals nobody changed, and that were therefore left out.
    refused : set of str
        Names of photos that could not be taken.
    """

    problems: list[Problem] = field(default_factory=list)
    untouched: list[str] = field(default_factory=list)
    refused: set[str] = field(default_factory=set)

    def note(self, where: object, name: str, kind: str, words: str, *, fatal: bool = True) -> None:
        """Keep one problem of one photo."""
        item = f"photo {name}" if name else ""
        self.problems.append(Problem(where=str(where), item=item, kind=kind, words=words, fatal=fatal))
        if fatal and name:
            self.refused.add(name)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    """One label of a photo: its file, and whether it differs from what was handed out."""

    source: str
    labels: LabelledPhoto
    changed: bool


def take_back(
    folder: Path, items: Sequence[LabelItem], intake: Intake, *, accept_unchanged: bool = False
) -> Iterator[Corrected]:
    """
    The corrected labels of a folder, one photo at a time.

    Parameters
    ----------
    folder : Path
        As `write_folder` made it, corrected.
    items : sequence of LabelItem
        Its manifest.
    intake : Intake
        Gets every problem.
    accept_unchanged : bool
        Take untouched proposals too, since somebody looked at all of them.
    """
    items, turned, unusable = _read_photos(folder, items, intake)
    tables = _read_teeth(folder, items, intake)
    from_coco = _coco_labels(folder, items, intake)
    twice = [i.sha256 for i in items]
    for item in items:
        if twice.count(item.sha256) > 1:
            same = ", ".join(i.name for i in items if i.sha256 == item.sha256)
            words = f"two labels for one photo: {same} are the same file. Remove one from {FILE}."
            intake.note(folder / FILE, item.name, "twice", words)
            continue
        found = list(from_coco.get(item.name, ()))
        maps = _map_labels(folder, item, intake)
        if maps is not None:
            found.append(maps)
        if item.name in intake.refused:
            continue
        if item.name in unusable:
            yield _refused_by_a_person(item, found, unusable[item.name])
            continue
        by_table = item.name in turned or _table_changed(item, tables[item.name])
        if by_table and found and not any(each.changed for each in found):
            found = [replace(found[0], changed=True)]
        chosen = _choose(folder, item, found, intake, accept_unchanged=accept_unchanged)
        if chosen is None:
            continue
        labels = _with_teeth(folder, item, chosen, tables[item.name], intake)
        crown = np.isin(labels.material, [int(m) for m in CROWN_MATERIALS])
        numbered = (labels.tooth > 0) & (labels.tooth != UNKNOWN)
        if int((crown & numbered).sum()) < LEAST_CROWN_PX:
            words = "empty label: no tooth is drawn in it. Draw the crowns, or remove the photo."
            intake.note(chosen.source, item.name, "empty", words)
        if item.name not in intake.refused:
            yield Corrected(item=item, labels=labels, source=chosen.source)


def _refused_by_a_person(item: LabelItem, found: Sequence[_Candidate], reasons: tuple[str, ...]) -> Corrected:
    """A photo that cannot be read: labelled by what a person drew, if anything, never by the proposal."""
    drawn = next((each for each in found if each.changed), None)
    if drawn is not None:
        return Corrected(item=item, labels=drawn.labels, source=drawn.source, unusable=reasons)
    nothing = np.full(item.size[::-1], UNKNOWN, dtype=np.uint8)
    labels = LabelledPhoto(file=item.picture, material=nothing, tooth=nothing.copy())
    return Corrected(item=item, labels=labels, source=PHOTOS_CSV, unusable=reasons)


def _choose(
    folder: Path,
    item: LabelItem,
    found: Sequence[_Candidate],
    intake: Intake,
    *,
    accept_unchanged: bool,
) -> _Candidate | None:
    """The label that a person changed, or None with the reason noted."""
    if not found:
        words = f"no label: neither a COCO file nor {MAPS}/ has it. Put it back, or remove it from {FILE}."
        intake.note(folder, item.name, "missing_label", words)
        return None
    changed = [each for each in found if each.changed]
    if not changed:
        if item.proposed is not None and accept_unchanged:
            return replace(found[0], source="unchanged")
        intake.untouched.append(item.name)
        return None
    for other in changed[1:]:
        differ = (other.labels.material != changed[0].labels.material) | (
            other.labels.tooth != changed[0].labels.tooth
        )
        if differ.any() or _said(other.labels.teeth) != _said(changed[0].labels.teeth):
            what = f"{int(differ.sum())} px" if differ.any() else "what they say of the teeth"
            words = (
                f"two labels for one photo: {changed[0].source} and {other.source} were both changed and "
                f"differ in {what}. Keep the right one; put the other back as it was, or remove it."
            )
            intake.note(folder, item.name, "differ", words)
            return None
    return changed[0]


def _said(teeth: Sequence[ToothLabel]) -> list[tuple[int, str | None, bool | None]]:
    return [(t.position, t.state, t.milk) for t in teeth]


def _coco_labels(folder: Path, items: Sequence[LabelItem], intake: Intake) -> Mapping[str, list[_Candidate]]:
    """Labels of every COCO file of the folder, by name of the photo."""
    by_picture = {item.picture.lower(): item for item in items}
    found: dict[str, list[_Candidate]] = {}
    for path in sorted(folder.glob("*.json")):
        if path.name in (FILE, CLASSES_FILE):
            continue
        try:
            whole = scan_coco(path)
        except CrestgaugeError as error:
            intake.problems.append(
                Problem(where=str(path), kind="file", words=str(error).removeprefix(f"{path}: "))
            )
            continue
        intake.problems += whole.problems
        taken: set[str] = set()
        for file in whole.refused:
            known = by_picture.get(_last_name(file))
            if known is not None:
                intake.refused.add(known.name)
        for labels in whole.photos:
            known = by_picture.get(_last_name(labels.file))
            if known is None:
                words = f"image {labels.file} was not handed out ({FILE}). Remove it, or name it as before."
                intake.problems.append(Problem(where=str(path), kind="unknown_photo", words=words))
                continue
            if known.name in taken:
                words = "two labels for one photo: its image is twice in the file. Remove one."
                intake.note(path, known.name, "twice", words)
                continue
            taken.add(known.name)
            if labels.material.shape != known.size[::-1]:
                height, width = labels.material.shape
                words = (
                    f"label of {width} x {height} px; needs {known.size[0]} x {known.size[1]} as its "
                    "picture. Export it again without scaling."
                )
                intake.note(path, known.name, "size", words)
                continue
            limited = _within_area(known, labels)
            if not limited.material.any() and known.proposed is None:
                continue  # nothing was proposed, and nothing was drawn here
            found.setdefault(known.name, []).append(
                _Candidate(source=path.name, labels=limited, changed=_differs(known, limited))
            )
    return found


def _last_name(file: str) -> str:
    """File name without folders of either kind of system, in small letters."""
    return PurePosixPath(file.replace("\\", "/")).name.lower()


def _map_labels(folder: Path, item: LabelItem, intake: Intake) -> _Candidate | None:
    """The two label maps of a photo, or None where there is none or it cannot be read."""
    paths = {kind: folder / MAPS / f"{item.name}.{kind}.png" for kind in ("material", "tooth")}
    there = [path for path in paths.values() if path.exists()]
    if not there:
        return None
    if len(there) == 1:
        missing = next(path for path in paths.values() if path not in there)
        intake.note(
            there[0], item.name, "missing_label", f"{missing.name} is missing beside it. Put it back."
        )
        return None
    read = {}
    for kind, path in paths.items():
        labels = read_label_map(path, kind, item.size)
        if isinstance(labels, Problem):
            intake.note(path, item.name, labels.kind, labels.words)
        else:
            read[kind] = labels
    if len(read) < 2:
        return None
    material, tooth = read["material"], read["tooth"]
    crown = np.isin(material, [int(m) for m in CROWN_MATERIALS])
    stray = crown & (tooth == 0)
    if stray.sum() > 0.02 * max(1, int(crown.sum())):
        words = f"{int(stray.sum())} px of crown materials have no tooth; their tooth is not labelled."
        intake.note(paths["tooth"], item.name, "crown", words, fatal=False)
    off = (tooth > 0) & (tooth != UNKNOWN) & ~crown & (material != UNKNOWN)
    if off.sum() > 0.02 * max(1, int(crown.sum())):
        words = f"{int(off.sum())} px of teeth have no crown material; they count as no tooth."
        intake.note(paths["tooth"], item.name, "crown", words, fatal=False)
    tooth = np.where(off, 0, np.where(stray | (material == UNKNOWN), UNKNOWN, tooth)).astype(np.uint8)
    limited = _within_area(item, LabelledPhoto(file=item.picture, material=material, tooth=tooth))
    return _Candidate(
        source=f"{MAPS}/{item.name}.*.png", labels=limited, changed=_differs(item, limited, teeth=False)
    )


def _within_area(item: LabelItem, labels: LabelledPhoto) -> LabelledPhoto:
    """Nothing is said beyond what was handed out for correcting."""
    if item.area is None:
        return labels
    outside = ~area_mask(item.area, item.size)
    material, tooth = labels.material.copy(), labels.tooth.copy()
    material[outside] = tooth[outside] = UNKNOWN
    return replace(labels, material=material, tooth=tooth)


def _differs(item: LabelItem, labels: LabelledPhoto, *, teeth: bool = True) -> bool:
    """Whether a label is not the proposal any more."""
    if item.proposed is None:
        return bool(np.any((labels.material != UNKNOWN) & (labels.material != 0)))
    hashes = (map_hash(labels.material), map_hash(labels.tooth))
    if hashes != (item.proposed.material, item.proposed.tooth):
        return True
    # A program that knows no attributes or key points drops them: that is no correction.
    given = {t.position: t for t in labels.teeth}
    for proposed in item.proposed.teeth if teeth else ():
        said = given.get(proposed.position)
        if said is None:
            continue
        if said.state not in (None, proposed.state) or said.milk not in (None, proposed.milk):
            return True
        if said.lobe_centres and rounded([said])[0].lobe_centres != proposed.lobe_centres:
            return True
    return False


def _with_teeth(
    folder: Path, item: LabelItem, chosen: _Candidate, table: _Teeth, intake: Intake
) -> LabelledPhoto:
    """
    What is said of whole teeth: by the label itself or by ``teeth.csv``, whichever differs from the proposal.
    """
    proposed = _proposed_teeth(item)
    given = {t.position: t for t in chosen.labels.teeth}
    numbers = set(np.unique(chosen.labels.tooth).tolist()) & set(range(1, 7))
    teeth = []
    for position in sorted(numbers):
        nothing = ToothLabel(position=position)
        before = proposed.get(position, nothing)
        said, row = given.get(position, nothing), table.get(position, before)
        values: dict[str, Any] = {}
        for name in ("state", "milk"):
            old, by_label, by_row = (getattr(each, name) for each in (before, said, row))
            answers = {v for v in (by_label, by_row) if v is not None and v != old}
            if len(answers) == 2:
                words = (
                    f"tooth {position}: {name} is {by_label} in {chosen.source} and {by_row} in {TEETH_CSV}. "
                    "Make them the same."
                )
                intake.note(folder / TEETH_CSV, item.name, "differ", words)
            values[name] = answers.pop() if answers else old
        lobes = rounded([said])[0].lobe_centres
        if lobes in ((), before.lobe_centres):  # dropped by the program, or left where they were
            lobes = before.lobe_centres if _lobes_stand(before, values["milk"], chosen.labels) else ()
        teeth.append(ToothLabel(position=position, lobe_centres=lobes, **values))
    return replace(chosen.labels, teeth=tuple(teeth))


def _proposed_teeth(item: LabelItem) -> _Teeth:
    return {} if item.proposed is None else {t.position: t for t in item.proposed.teeth}


def _lobes_stand(before: ToothLabel, milk: bool | None, labels: LabelledPhoto) -> bool:
    """Whether proposed lobe centres still fit: same kind of tooth, and on the crown as it is drawn now."""
    if before.milk != milk:
        return False
    height, width = labels.tooth.shape
    for x, y in before.lobe_centres:
        column, row = round(x), round(y)
        if not (0 <= column < width and 0 <= row < height) or labels.tooth[row, column] != before.position:
            return False
    return True


def _read_photos(
    folder: Path, items: Sequence[LabelItem], intake: Intake
) -> tuple[list[LabelItem], set[str], dict[str, tuple[str, ...]]]:
    """
    ``photos.csv``: items with their animal and side, names of those whose side a person changed, and reasons
    of those that a person refused.
    """
    path = folder / PHOTOS_CSV
    if not path.exists():
        return list(items), set(), {}
    rows, columns = read_rows(path)
    known = {item.name: item for item in items}
    if "name" not in columns:
        words = f"columns {', '.join(columns)}; needs one called name. Write it again."
        intake.note(path, "", "columns", words)
        return list(items), set(), {}
    changed, seen = set(), set()
    unusable: dict[str, tuple[str, ...]] = {}
    for line, row in rows:
        name = row["name"]
        where = f"{path}:{line}"
        if name not in known:
            intake.note(where, "", "unknown_photo", f"photo {name} was not handed out. Remove the row.")
            continue
        if name in seen:
            intake.note(where, name, "twice", "has two rows. Remove one.")
            continue
        seen.add(name)
        side = row.get("side", "").lower() or None
        if side not in ("left", "right", None):
            intake.note(where, name, "side", f"side {side}; needs left, right or nothing.")
            continue
        reasons = tuple(row.get("unusable", "").replace(",", " ").replace(";", " ").lower().split())
        unknown = [reason for reason in reasons if reason not in ADVICE]
        if unknown:
            words = f"unusable for {', '.join(unknown)}; needs some of {', '.join(ADVICE)}, or nothing."
            intake.note(where, name, "unusable", words)
            continue
        if reasons:
            unusable[name] = reasons
        item = known[name]
        if side is not None and side != item.side:
            changed.add(name)
        known[name] = replace(item, animal=row.get("animal") or item.animal, side=side or item.side)
    return [known[item.name] for item in items], changed, unusable


def _read_teeth(folder: Path, items: Sequence[LabelItem], intake: Intake) -> dict[str, _Teeth]:
    """State and kind of every tooth in ``teeth.csv``, by photo."""
    path = folder / TEETH_CSV
    found: dict[str, _Teeth] = {item.name: {} for item in items}
    if not path.exists():
        return found
    rows, columns = read_rows(path)
    if not {"name", "tooth"} <= set(columns):
        words = f"columns {', '.join(columns)}; needs name, tooth, state, milk. Write it again."
        intake.note(path, "", "columns", words)
        return found
    for line, row in rows:
        where, name, tooth = f"{path}:{line}", row["name"], row["tooth"]
        state, milk = row.get("state", "").lower() or None, row.get("milk", "").lower()
        if name not in found:
            intake.note(where, "", "unknown_photo", f"photo {name} was not handed out. Remove the row.")
        elif tooth not in ("1", "2", "3", "4", "5", "6"):
            intake.note(where, name, "tooth", f"tooth {tooth}; needs 1 to 6.")
        elif int(tooth) in found[name]:
            intake.note(where, name, "twice", f"tooth {tooth} has two rows. Remove one.")
        elif state not in (None, *STATES):
            intake.note(where, name, "state", f"state {state}; needs one of {', '.join(STATES)}.")
        elif milk not in ("", *_YES, *_NO):
            intake.note(where, name, "state", f"milk {milk}; needs yes or no.")
        elif milk in _YES and int(tooth) > 3:
            intake.note(where, name, "state", f"tooth {tooth} as a milk tooth; only teeth 1 to 3 have one.")
        else:
            kind = True if milk in _YES else False if milk in _NO else None
            found[name][int(tooth)] = ToothLabel(position=int(tooth), state=state, milk=kind)
    return found


def _table_changed(item: LabelItem, table: _Teeth) -> bool:
    before = _proposed_teeth(item)
    return any(
        (t.state is not None and t.state != before.get(p, t).state)
        or (t.milk is not None and t.milk != before.get(p, t).milk)
        for p, t in table.items()
    )
