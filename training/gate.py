"""
Old weights against new ones, on the same photos: may the new ones take the place?

Three sets of photos: the user's animals that did not train, an independent family of pictures, and a fixed
set of drawn ones. The new weights pass where they are shown to be better on the user's animals (ratio error
or class) and nothing got worse anywhere; "not worse" is shown too, against declared margins, and not taken
for granted.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

from crestgauge.inference.compare.paired import Paired, bootstrap_interval, compare_paired
from crestgauge.inference.errors import InputError
from crestgauge.inference.pipeline import ReadOptions
from crestgauge.inference.version import VERSION
from crestgauge.model.local import MANIFEST, SHIPPED, WeightsSet, gate_path, weights_folder
from crestgauge.training.evaluate import list_pairs, read_pairs
from crestgauge.training.finish import judged_photos
from crestgauge.training.own import Split, held_out, read_own
from crestgauge.training.recalibrate import Judged
from crestgauge.training.score import CLASSES, K95, core_numbers

SCHEMA: Final = "crestgauge.gate/1"
Rows = list[dict[str, Any]]
MARGINS: Final[Mapping[str, float]] = {"ratio": 0.03, "class": 0.10, "refused": 0.10, "spoilt": 0.15}
"""Increase that does not matter: of the ratio's error (3 %, less than half of what the shipped weights have),
of the share of wrong classes, of refused good photos, of spoilt photos that are read. Ours."""
WORDS: Final = {
    "ratio": "ratio error",
    "class": "wrong class",
    "refused": "good photos refused",
    "spoilt": "spoilt photos read",
}
TITLES: Final = {
    "own": "your own animals",
    "independent": "the independent pictures",
    "drawn": "the drawn pictures",
}
LEAST_RATIO: Final = 0.2
"""Crests below this have hardly any dentine; a relative error says nothing there."""
LARGEST_ERROR: Final = math.log(3)
LEAST_COVERAGE: Final = 0.90
FIXED_SEED: Final = 9_700_000
"""Of the fixed drawn set; training, checks and evaluations have others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GateOptions:
    """
    What a comparison is made on.

    Parameters
    ----------
    own : Path
        Folder of labelled photos.
    independent : Path or None
        Folder with photos/ and truth/ of another source; None where there is none.
    drawn : int
        Photos of the fixed drawn set; 0 = none.
    workers : int
    folder : Path or None
        The user's weights folder; keeps the drawn set and readings that can be used again.
    """

    own: Path
    independent: Path | None
    drawn: int = 24
    workers: int = 1
    folder: Path | None = None


def default_independent() -> Path | None:
    """The independent test family, where this is a checkout of the repository: it is not installed."""
    path = Path(__file__).resolve().parent.parent / "tests" / "data" / "traced"
    return path if (path / "truth").is_dir() else None


def compare_weights(
    old: WeightsSet,
    new: WeightsSet,
    options: GateOptions,
    *,
    made: str,
    tell: Callable[[str, int, int], None] = lambda what, done, of: None,
) -> dict[str, Any]:
    """
    Read everything with both, compare, and keep the result with the new set.

    Parameters
    ----------
    old, new : WeightsSet
    options : GateOptions
    made : str
        Date and time, ISO 8601.
    tell : callable
        Gets (what is being done, done, of).

    Returns
    -------
    dict
        As in ``gates/OLD.json``: numbers, verdict in words, ``passed``.

    Raises
    ------
    InputError
        If the new set is the shipped or the old one, or no photo is left to judge by.
    """
    if new.name == SHIPPED or new.identity() == old.identity():
        raise InputError(f"{new.name} against {old.name}: needs a set of your own, and another one.")
    parts: dict[str, Any] = {"own": None, "independent": None, "drawn": None}
    judged, notes = own_photos(options.own, old, new)
    sets: dict[str, list[Judged]] = {"own": judged}
    if options.independent is not None:
        sets["independent"] = _pairs_as_judged(options.independent)
    if options.drawn:
        sets["drawn"] = fixed_drawn(options, tell)
    for part, photos in sets.items():
        rows = [
            judge(
                which,
                photos,
                options,
                part,
                tell=partial(tell, f"Reading with {which.name}"),
            )
            for which in (old, new)
        ]
        parts[part] = compare_rows(*rows)
    result: dict[str, Any] = {
        "schema": SCHEMA,
        "made": made,
        "crestgauge": VERSION,
        "old": {"name": old.name, "model": old.model, "identity": old.identity()},
        "new": {"name": new.name, "model": new.model, "identity": new.identity()},
        "notes": notes,
        "margins": dict(MARGINS),
        "parts": parts,
    }
    faults = find_faults(parts)
    result |= {"passed": not faults, "faults": faults, "verdict": verdict(parts, faults)}
    path = gate_path(new, old)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.with_suffix(".md").write_text(page(result), encoding="utf-8")
    path.write_text(json.dumps(result, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    return result


def own_photos(folder: Path, old: WeightsSet, new: WeightsSet) -> tuple[list[Judged], list[str]]:
    """
    The user's photos that neither set was trained on, with their truth, and what should be known of them.

    Raises
    ------
    InputError
        If none is left.
    """
    own = read_own(folder)
    notes = list(own.notes)
    photos = own.photos
    for which in (old, new):
        path = which.folder / "plan.json"
        if not path.is_file():
            continue
        split = Split.from_dict(json.loads(path.read_text(encoding="utf-8"))["split"])
        kept, gone = held_out(own, split)
        names = {photo.name for photo in kept}
        photos = tuple(photo for photo in photos if photo.name in names)
        if gone:
            notes.append(
                f"{len(gone)} animals kept back for judging {which.name} are not in {folder.name} any more."
            )
    if not photos:
        raise InputError(
            f"{folder}: every animal was used to train {new.name} or to stop its training; needs others. "
            "Label more animals."
        )
    return judged_photos(photos, new.folder / "judged"), notes


def fixed_drawn(options: GateOptions, tell: Callable[[str, int, int], None]) -> list[Judged]:
    """The fixed drawn photos, drawn now as far as they are missing (about ten seconds each on one core)."""
    import torch

    from crestgauge.synthetic_data.dataset import DatasetOptions, write_dataset

    folder = weights_folder(options.folder) / ".drawn" / f"photos-{options.drawn}"
    device = torch.device("cuda:0" if torch.cuda.is_available() else "cpu")
    plain = DatasetOptions(long_side_px=(1600, 2000), share_unusable=0.2)
    drawn = write_dataset(folder, n=options.drawn, seed=FIXED_SEED, device=device, options=plain)
    for done, _ in enumerate(drawn, 1):
        tell("Drawing the fixed set", done, options.drawn)
    return _pairs_as_judged(folder)


def judge(
    which: WeightsSet,
    photos: Sequence[Judged],
    options: GateOptions,
    part: str,
    *,
    tell: Callable[[int, int], None] = lambda done, of: None,
) -> Rows:
    """
    Scores of every photo read with one set of weights, each with its ``animal``.

    Readings of the independent and the drawn set are kept, by weights and photos, for the next comparison.
    """
    manifest = which.folder / MANIFEST
    digest = hashlib.sha256(f"{VERSION} {which.identity()}".encode())
    for photo in photos:
        digest.update(photo.photo.name.encode() + hashlib.sha256(photo.truth.read_bytes()).digest())
    kept = weights_folder(options.folder) / ".judged" / f"{part}-{digest.hexdigest()[:24]}.json"
    if part != "own" and kept.is_file():
        found: Rows = json.loads(kept.read_text(encoding="utf-8"))
        return found
    reading = ReadOptions(threads=1, manifest=manifest, weights=which.fine)
    rows: Rows = []
    for photo, (row, _) in zip(
        photos, read_pairs([(p.photo, p.truth) for p in photos], reading, options.workers), strict=True
    ):
        rows.append(row | {"animal": photo.animal})
        tell(len(rows), len(photos))
    if part != "own":
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_text(json.dumps(rows) + "\n", encoding="utf-8")
    return rows


def compare_rows(old: Rows, new: Rows) -> dict[str, Any]:
    """
    Two readings of the same photos.

    Returns
    -------
    dict
        ``old``, ``new``: plain numbers of each; ``paired``: for each of `WORDS` a `Paired` as plain values,
        or None; ``coverage``: of old and new, with a bootstrap interval over animals.
    """
    before, after = by_animal(old, new), by_animal(new, old)
    paired: dict[str, Paired | None] = {
        key: compare_paired(before[key], after[key], margin=MARGINS[key]) for key in WORDS
    }
    return {
        "photos": len(old),
        "animals": len({row["animal"] for row in old}),
        "old": numbers(old),
        "new": numbers(new),
        "paired": {key: None if value is None else value.to_dict() for key, value in paired.items()},
        "coverage": {"old": coverage(old), "new": coverage(new)},
    }


def numbers(rows: Rows) -> dict[str, Any]:
    """A few of the numbers of an evaluation."""
    core = core_numbers([row for row in rows if row["usable"]])
    keys = ("count", "read", "exact", "within_one", "refused", "borderline", "ratio_error_median",
            "ratio_error_95", "ratio_bias_median", "wide_crests")  # fmt: skip
    errors = [abs(error) for crests in errors_of(rows).values() for error in crests.values()]
    middle = sorted(errors)[len(errors) // 2] if errors else None
    return {key: core[key] for key in keys} | {"all_crests": len(errors), "all_ratio_error_median": middle}


def errors_of(rows: Rows) -> dict[str, dict[tuple[int, int], float]]:
    """ln(measured / true) of every crest with enough dentine, by photo and then (tooth, lobe)."""
    found: dict[str, dict[tuple[int, int], float]] = {}
    for row in rows:
        if row["usable"] and not row["refused"]:
            found[row["file"]] = {
                (c["position"], c["lobe"]): math.log(max(c["ratio"], 1e-3) / c["true_ratio"])
                for c in row["crests"]
                if c["ratio"] is not None and (c["true_ratio"] or 0) >= LEAST_RATIO
            }
    return found


def by_animal(rows: Rows, other: Rows) -> dict[str, dict[str, list[float]]]:
    """
    Values to compare, less is better, by number and animal; of crests and classes those that both gave.
    """
    values: dict[str, dict[str, list[float]]] = {key: defaultdict(list) for key in WORDS}
    own, others = errors_of(rows), errors_of(other)
    twins = {row["file"]: row for row in other}
    for row in rows:
        animal, twin = row["animal"], twins[row["file"]]
        if not row["usable"]:
            values["spoilt"][animal].append(float(not row["refused"]))
            continue
        gone = [each["refused"] or each["error"] is not None for each in (row, twin)]
        values["refused"][animal].append(float(gone[0]))
        if any(gone):
            continue
        if row["true_class"] in CLASSES:
            values["class"][animal].append(float(row["age_class"] != row["true_class"]))
        both = own[row["file"]].keys() & others[row["file"]].keys()
        values["ratio"][animal] += [min(abs(own[row["file"]][key]), LARGEST_ERROR) for key in sorted(both)]
    return values


def coverage(rows: Rows) -> dict[str, Any] | None:
    """
    Share of 95 % intervals that hold the truth, mean over animals, with its interval; None without any.

    A truth that comes from a person's labels is uncertain itself, and the interval is that of the difference.
    """
    held: dict[str, list[bool]] = defaultdict(list)
    for row in rows:
        if not row["usable"] or row["refused"]:
            continue
        for crest in row["crests"]:
            if crest["ratio"] is not None and crest["true_ratio"] is not None:
                u = math.hypot(crest["u"], crest.get("true_u", 0.0))
                held[row["animal"]].append(abs(crest["ratio"] - crest["true_ratio"]) <= K95 * u)
    if not held:
        return None
    shares = [sum(each) / len(each) for each in held.values()]
    low, high = bootstrap_interval(shares)
    crests = sum(len(each) for each in held.values())
    return {
        "share": sum(shares) / len(shares),
        "low": low,
        "high": high,
        "animals": len(held),
        "crests": crests,
    }


def find_faults(parts: Mapping[str, Any]) -> list[str]:
    """Why the new weights do not pass; empty where they do."""
    faults = []
    own = parts["own"]
    gains = [own["paired"][key] for key in ("ratio", "class")]
    if not any(gain is not None and gain["verdict"] == "better" for gain in gains):
        faults.append("not shown to be better on your own animals")
    held = own["coverage"]["new"]
    if held is not None and held["high"] < LEAST_COVERAGE:
        faults.append(f"95 % intervals hold only {100 * held['share']:.0f} % on your own animals")
    for part, title in TITLES.items():
        found = parts[part]
        if found is None:
            faults.append(f"{title} were not looked at")
            continue
        for key, paired in found["paired"].items():
            if paired is not None and paired["verdict"] == "worse":
                faults.append(f"{WORDS[key]} got worse on {title}")
        ratio = found["paired"]["ratio"]
        if part != "own" and (ratio is None or ratio["verdict"] == "cannot tell"):
            faults.append(f"too few of {title} to tell whether the ratios are still measured as well")
    return faults


def verdict(parts: Mapping[str, Any], faults: Sequence[str]) -> str:
    """The outcome in one sentence."""
    if faults:
        return "; ".join(faults)
    ratio = parts["own"]["paired"]["ratio"]
    words = f"better on {parts['own']['animals']} animals of your own"
    if ratio is not None:
        words += f" (ratio error {100 * ratio['old']:.1f} % before, {100 * ratio['new']:.1f} % now)"
    return words + ", nothing forgotten on the other pictures"


def page(result: Mapping[str, Any]) -> str:
    """The comparison as Markdown."""
    lines = [
        f"### {result['new']['name']} against {result['old']['name']}, {result['made'][:10]}",
        "",
        f"**{'Passed' if result['passed'] else 'Not passed'}**: {result['verdict']}.",
        "",
        "Means over animals, less is better; difference new - old with its 95 % interval (bootstrap over "
        "animals), p of random signs.",
        "",
        "| photos | animals | number | old | new | difference | p | verdict |",
        "|---|---|---|---|---|---|---|---|",
    ]
    shown = {part: found for part, found in result["parts"].items() if found is not None}
    for part, found in shown.items():
        for key, paired in found["paired"].items():
            if paired is not None:
                lines.append(f"| {part} | {paired_cells(WORDS[key], paired)} |")
    lines += ["", "| photos | crests | 95 % intervals that hold, old | new |", "|---|---|---|---|"]
    for part, found in shown.items():
        old, new = found["coverage"]["old"], found["coverage"]["new"]
        if old is not None and new is not None:
            lines.append(f"| {part} | {new['crests']} | {share_words(old)} | {share_words(new)} |")
    return "\n".join([*lines, "", *(f"- {note}" for note in result["notes"])]) + "\n"


def paired_cells(words: str, paired: Mapping[str, Any]) -> str:
    """Cells of one paired comparison, in percent."""
    old, new, difference, low, high = (
        f"{100 * paired[name]:.1f}" for name in ("old", "new", "difference", "low", "high")
    )
    return (
        f"{paired['animals']} | {words}, % | {old} | {new} | {difference} ({low} to {high}) | "
        f"{paired['p']:.3f} | {paired['verdict']}"
    )


def share_words(held: Mapping[str, Any]) -> str:
    """A coverage with its interval."""
    return f"{100 * held['share']:.0f} % ({100 * held['low']:.0f} to {100 * held['high']:.0f})"


def _pairs_as_judged(folder: Path) -> list[Judged]:
    return [Judged(animal=photo.stem, photo=photo, truth=truth) for photo, truth in list_pairs(folder)]
