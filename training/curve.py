"""
What a number of labelled animals is worth: a family of pictures taken as somebody's own jaws.

    python -m crestgauge.training.curve --out curve --animals 0 10 20 40 --labels truth noisy

Some animals are labelled (with true labels, and again as a person would draw them), the shipped weights are
trained on with them, and both are judged on the animals that were never labelled, and on drawn pictures for
what was forgotten. Writes ``curve.json``, ``curve.md`` and ``curve.svg``; what is done already is not done
again. With ``--prints`` all photos are made copies of old prints first, a look that the shipped weights read
badly. With ``--all-others`` each point is judged by all animals that it did not label, and not only by those
that no point did: few labelled ones are judged by many then. Weights made here are for this question only:
the family is a test set, and nothing trained on it is shipped.
"""

from __future__ import annotations

import argparse
import json
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from crestgauge.inference.compare.svg import Axis, ticks
from crestgauge.inference.errors import InputError
from crestgauge.model.local import MANIFEST, SHIPPED, WeightsSet, find_set
from crestgauge.synthetic_data.memory import keep_memory
from crestgauge.training.batch import Draw
from crestgauge.training.files import read_labels
from crestgauge.training.gate import (
    GateOptions,
    Rows,
    compare_rows,
    default_independent,
    fixed_drawn,
    judge,
    paired_cells,
    share_words,
)
from crestgauge.training.job import Job
from crestgauge.training.label_noise import NoiseOptions, noisy_labels
from crestgauge.training.own import OwnPhoto, OwnSet, Split, read_own
from crestgauge.training.prints import print_folder
from crestgauge.training.recalibrate import Judged
from crestgauge.training.report import percent_of
from crestgauge.training.retrain import retrain
from crestgauge.training.retrain_config import RetrainConfig, read_retrain_config

RESULT, PAGE, PLOT = "curve.json", "curve.md", "curve.svg"
CHECK_SHARE: Final = 0.2
"""Share of the labelled animals that say when to stop, at least two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveOptions:
    """
    What is drawn.

    Parameters
    ----------
    data : Path
        photos/, labels/ and truth/ with true widths.
    out : Path
    animals : tuple of int
        Numbers of labelled animals; 0 is the start weights.
    labels : tuple of str
        "truth", "noisy" or both.
    config : RetrainConfig
    drawn : int
        Drawn photos for what is forgotten; 0 = none.
    device : str or None
    workers : int
        Reading processes.
    seed : int
        Of which animals are labelled.
    prints : bool
        All photos as copies of old prints, which the start weights read badly.
    all_others : bool
        Each point is judged by all animals that it did not label, 0 by all. Without it the same animals judge
        every point: those that none labelled.
    """

    data: Path
    out: Path
    animals: tuple[int, ...] = (0, 10, 20, 40)
    labels: tuple[str, ...] = ("truth", "noisy")
    config: RetrainConfig
    drawn: int = 24
    device: str | None = None
    workers: int = 1
    seed: int = 1
    prints: bool = False
    all_others: bool = False


def deal(own: OwnSet, seed: int) -> list[str]:
    """
    Usable animals in the order in which they are labelled: at random, but each class in turn, so that every
    number of labelled animals has a mixture of ages.
    """
    classes = {photo.animal: photo.age_class or "" for photo in own.photos if photo.usable}
    rng = np.random.default_rng(seed)
    shuffled = [sorted(classes)[i] for i in rng.permutation(len(classes))]
    ranks: dict[str, int] = {}
    order = []
    for animal in shuffled:
        rank = ranks[classes[animal]] = ranks.get(classes[animal], -1) + 1
        order.append((rank, animal))
    return [animal for _, animal in sorted(order, key=lambda pair: pair[0])]


def draw_curve(
    options: CurveOptions,
    *,
    draw: Draw | None = None,
    log: Callable[[str], None] = print,
) -> dict[str, Any]:
    """
    Train and judge every point that is not there yet.

    Parameters
    ----------
    options : CurveOptions
    draw : Draw, optional
        Another source of drawn pictures to train with.
    log : callable

    Returns
    -------
    dict
        As in ``curve.json``.

    Raises
    ------
    InputError
        If there are not enough animals, or the data have no true widths.
    """
    if options.prints:
        options = replace(options, data=print_folder(options.data, options.out / "prints"))
    own = read_own(options.data)
    order, most = deal(own, options.seed), max(options.animals)
    if most + 5 > len(order):
        raise InputError(
            f"{options.data}: {len(order)} usable animals; {most} labelled ones leave fewer than 5 to judge "
            "by. Ask for fewer."
        )
    judged = {
        count: [
            Judged(animal=photo.animal, photo=photo.paths.photo, truth=photo.paths.truth)
            for photo in own.of(order[count if options.all_others else most :])
            if photo.paths.truth is not None
        ]
        for count in options.animals
    }
    made: dict[tuple[str, int], WeightsSet | None] = {}
    for labels in options.labels:
        for count in options.animals:
            began = time.monotonic()
            made[labels, count] = trained(own, order[:count], labels, options, draw, log) if count else None
            log(f"{labels}, {count} animals: made in {time.monotonic() - began:.0f} s")
    old = find_set(SHIPPED, folder=options.out / "weights")
    points, drawn_photos = _judged_points(made, judged, old, options, log)
    result = {
        "data": options.data.name,
        "judged_animals": min(map(len, judged.values())),
        "all_others": options.all_others,
        "drawn_photos": drawn_photos,
        "start": old.model,
        "device": options.device,
        "config": json.loads(json.dumps(_plain(options.config))),
        "points": points,
    }
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / RESULT).write_text(json.dumps(result, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    (options.out / PAGE).write_text(page(result), encoding="utf-8")
    (options.out / PLOT).write_text(plot(result), encoding="utf-8")
    return result


def _judged_points(
    made: Mapping[tuple[str, int], WeightsSet | None],
    judged: Mapping[int, Sequence[Judged]],
    old: WeightsSet,
    options: CurveOptions,
    log: Callable[[str], None],
) -> tuple[list[dict[str, Any]], int]:
    """
    Every point judged against the start weights ``old``, and how many drawn photos judged with.

    Parameters
    ----------
    made : mapping of (labels, animals) to WeightsSet or None
        None: nothing was trained, as with no animal.
    judged : mapping of animals to sequence of Judged
        The photos that judge each number of labelled animals.
    """
    gate = GateOptions(
        own=options.data,
        independent=None,
        drawn=options.drawn,
        workers=options.workers,
        folder=options.out / "weights",
    )
    drawn = fixed_drawn(gate, lambda what, done, of: None) if options.drawn else []
    widest = max(judged.values(), key=len)
    before = {part: judge(old, photos, gate, part) for part, photos in (("rest", widest), ("drawn", drawn))}
    points = []
    for (labels, count), new in made.items():
        names = {each.photo.name for each in judged[count]}
        start = before | {"rest": [row for row in before["rest"] if row["file"] in names]}
        rows = start
        if new is not None:
            of_point = {"rest": judged[count], "drawn": drawn}
            rows = {part: judge(new, photos, gate, part) for part, photos in of_point.items()}
        points.append(point(labels, count, start, rows, new))
        log(f"{labels}, {count} animals: {words_of(points[-1])}")
    return points, len(drawn)


def trained(
    own: OwnSet,
    animals: Sequence[str],
    labels: str,
    options: CurveOptions,
    draw: Draw | None,
    log: Callable[[str], None],
) -> WeightsSet:
    """The weights of one point; made before or now."""
    name = f"{labels}-{len(animals)}"
    weights = options.out / "weights"
    if (weights / name / MANIFEST).is_file():
        return find_set(name, folder=weights)
    folder = options.out / "data" / name
    write_labelled(own.of(animals), folder, labels, options.seed)
    checks = max(2, round(CHECK_SHARE * len(animals)))
    # Every fifth in the order of labelling, which mixes the classes.
    check = tuple(animals[:: max(len(animals) // checks, 1)][:checks])
    split = Split(train=tuple(a for a in animals if a not in check), check=check, test=())
    job = Job(
        name=name,
        config=options.config,
        start=SHIPPED,
        folder=weights,
        device=options.device,
        split=split,
        workers=options.workers,
    )
    return retrain(folder, job, draw=draw, log=log)


def write_labelled(photos: Sequence[OwnPhoto], folder: Path, labels: str, seed: int) -> None:
    """
    The photos with their labels as one's own data set; true widths are taken out of the truth files, since
    nobody who labels pixels knows them.
    """
    shutil.rmtree(folder, ignore_errors=True)
    for part in ("photos", "labels", "truth"):
        (folder / part).mkdir(parents=True)
    lines = ["photo,specimen_id"]
    for photo in photos:
        paths = photo.paths
        assert paths.truth is not None
        truth = json.loads(paths.truth.read_text(encoding="utf-8"))
        truth |= {"age_class": None, "teeth": [{**tooth, "crests": []} for tooth in truth["teeth"]]}
        material, tooth = read_labels(paths)
        if labels == "noisy":
            number = int.from_bytes(photo.name.encode()[-6:], "big")
            rng = np.random.default_rng([seed, number])
            material, tooth, truth = noisy_labels(material, tooth, truth, rng, NoiseOptions())
        shutil.copyfile(paths.photo, folder / "photos" / paths.photo.name)
        cv2.imwrite(str(folder / "labels" / f"{photo.name}.material.png"), material)
        cv2.imwrite(str(folder / "labels" / f"{photo.name}.tooth.png"), tooth)
        (folder / "truth" / f"{photo.name}.json").write_text(json.dumps(truth) + "\n", encoding="utf-8")
        lines.append(f"{paths.photo.name},{photo.animal}")
    (folder / "animals.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def point(
    labels: str, count: int, start: dict[str, Rows], rows: dict[str, Rows], new: WeightsSet | None
) -> dict[str, Any]:
    """One point: both parts compared with the start weights."""
    found: dict[str, Any] = {"labels": labels, "animals": count, "model": None if new is None else new.model}
    for part in ("rest", "drawn"):
        found[part] = compare_rows(start[part], rows[part]) if rows[part] else None
    if new is not None:
        found["calibration"] = json.loads((new.folder / "calibration.json").read_text(encoding="utf-8"))
    return found


def words_of(found: dict[str, Any]) -> str:
    """A point in a line."""
    rest = found["rest"]["new"]
    error = rest["ratio_error_median"]
    held, exact = found["rest"]["coverage"]["new"], rest["exact"]
    coverage = "-" if held is None else share_words(held)
    return f"ratio error {percent_of(error)}, intervals hold {coverage}, exact class {_count(exact)}"


def page(result: dict[str, Any]) -> str:
    """The curve as Markdown tables."""
    judges = f"{result['judged_animals']} animals judge that were never labelled"
    if result.get("all_others"):
        counts = sorted({(each["animals"], each["rest"]["animals"]) for each in result["points"]})
        each_by = ", ".join(f"{labelled} by {of}" for labelled, of in counts)
        judges = f"each number of labelled animals is judged by all others ({each_by})"
    lines = [
        f"`{result['data']}` taken as somebody's own jaws: {judges}; {result['drawn_photos']} drawn "
        f"photographs show what is forgotten. Start: {result['start']}.",
        "",
        "| labels | labelled animals | ratio error, median (wide bands) | the same, all crests | intervals "
        "that hold | exact class | refused | on drawn: ratio error, all crests | exact class |",
        "|---" * 9 + "|",
    ]
    for each in result["points"]:
        rest, drawn = each["rest"]["new"], (each["drawn"] or {}).get("new")
        held = each["rest"]["coverage"]["new"]
        cells = [
            each["labels"],
            str(each["animals"]),
            percent_of(rest["ratio_error_median"]),
            percent_of(rest["all_ratio_error_median"]),
            "-" if held is None else share_words(held),
            _before_and_now(each["rest"], "exact", each["animals"]),
            _count(rest["refused"]),
            "-" if drawn is None else percent_of(drawn["all_ratio_error_median"]),
            "-" if drawn is None else _before_and_now(each["drawn"], "exact", each["animals"]),
        ]
        lines.append("| " + " | ".join(cells) + " |")
    lines += [
        "",
        "Against the start weights on the same crests and photos (means over animals, less is better; "
        "difference with its 95 % interval):",
        "",
        "| labels | labelled | photos | animals | number | start | now | difference | p | verdict |",
        "|---" * 10 + "|",
    ]
    for each in result["points"]:
        for part in ("rest", "drawn"):
            if each["animals"] and each[part] is not None:
                for key, words in (("ratio", "ratio error"), ("class", "wrong class")):
                    paired = each[part]["paired"][key]
                    if paired is not None:
                        cells_of = paired_cells(words, paired)
                        lines.append(f"| {each['labels']} | {each['animals']} | {part} | {cells_of} |")
    return "\n".join(lines) + "\n"


START: Final = "start"
COLOURS: Final = {START: "#777777", "truth": "#0072B2", "noisy": "#D55E00"}
"""Okabe and Ito, and grey; noisy labels are also dashed and marked by squares, the start has no marks."""
LEGEND: Final = {
    START: "– before, the same animals",
    "truth": "● true labels",
    "noisy": "■ as a person draws",
}
SHARES: Final = ("coverage", "exact")
SERIES: Final = (
    (
        "rest",
        "ratio_error_median",
        "ratio error on animals never labelled, bands of 8 px and more, median, %",
    ),
    ("rest", "all_ratio_error_median", "the same over all crests, %"),
    ("rest", "coverage", "95 % intervals that hold there, %"),
    ("rest", "exact", "exact class there, %"),
    ("drawn", "all_ratio_error_median", "ratio error on drawn pictures (what is forgotten), median, %"),
)


def plot(result: dict[str, Any]) -> str:
    """The curve as one SVG of small panels over the number of labelled animals."""
    width, height, left = 460, 150, 46
    counts = sorted({each["animals"] for each in result["points"]})
    across = Axis(0, max(counts) or 1, left, width - 16)
    parts, at = [], 8
    for part, key, title in SERIES:
        every = {labels: _values(result["points"], labels, part, key) for labels in COLOURS}
        series = {labels: pairs for labels, pairs in every.items() if pairs}
        values = [value for pairs in series.values() for _, value in pairs]
        if values:
            parts += _panel(
                series, across, _up(values, key in SHARES, (at, height)), (at, height), title, counts
            )
            at += height + 34
    drawn = {START, *(each["labels"] for each in result["points"])}
    legend = "".join(
        f'<text x="{left + (0, 160, 250)[k]}" y="{at + 6}" fill="{COLOURS[labels]}">{words}</text>'
        for k, (labels, words) in enumerate(LEGEND.items())
        if labels in drawn
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {at + 18}" role="img" '
        f'font-family="sans-serif" font-size="11"><title>Retraining: labelled animals against error</title>'
        f'<rect width="100%" height="100%" fill="#fff"/>{"".join(parts)}{legend}</svg>\n'
    )


def _up(values: Sequence[float], share: bool, place: tuple[int, int]) -> Axis:
    """Upwards: errors from zero, shares from a half to all, so that a small step looks small."""
    top, height = place
    low, high = (min(50.0, *values), 100.0) if share else (0.0, 1.15 * max(values) or 1.0)
    return Axis(low, high, top + height, top + 16)


def _panel(
    series: dict[str, list[tuple[int, float]]],
    across: Axis,
    up: Axis,
    place: tuple[int, int],
    title: str,
    counts: Sequence[int],
) -> list[str]:
    top, height = place
    parts = [f'<text x="{across.start}" y="{top + 8}" fill="#222">{title}</text>']
    for value in ticks(up.low, up.high, 4):
        y = up(value)
        parts.append(
            f'<line x1="{across.start}" x2="{across.end}" y1="{y:.1f}" y2="{y:.1f}" stroke="#ddd"/>'
            f'<text x="{across.start - 6}" y="{y + 4:.1f}" text-anchor="end" fill="#444">{value:g}</text>'
        )
    below = f'y="{top + height + 15}" text-anchor="middle" fill="#444"'
    parts += [f'<text x="{across(count):.1f}" {below}>{count}</text>' for count in counts]
    for labels, pairs in series.items():
        colour, noisy = COLOURS[labels], labels == "noisy"
        points = " ".join(f"{across(count):.1f},{up(value):.1f}" for count, value in pairs)
        dash = ' stroke-dasharray="5 3"' if noisy else ""
        thick = 1 if labels == START else 2
        parts.append(
            f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="{thick}"{dash}/>'
        )
        for count, value in () if labels == START else pairs:
            x, y = across(count), up(value)
            parts.append(
                f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="{colour}"/>'
                if noisy
                else f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{colour}"/>'
            )
    return parts


def _values(points: Sequence[dict[str, Any]], labels: str, part: str, key: str) -> list[tuple[int, float]]:
    """
    A number at each count of labelled animals: with these labels, or of the start weights on the animals
    that judge that count.
    """
    which = "old" if labels == START else "new"
    found: dict[int, float] = {}
    for each in points:
        value = _value(each, part, key, which) if labels in (START, each["labels"]) else None
        if value is not None:
            found.setdefault(each["animals"], value)
    return sorted(found.items())


def _value(each: dict[str, Any], part: str, key: str, which: str) -> float | None:
    found = each[part]
    if found is None:
        return None
    value = found["coverage"][which] if key == "coverage" else found[which][key]
    if value is None:
        return None
    return 100 * float(value["share"] if isinstance(value, dict) else value)


def _before_and_now(found: dict[str, Any], key: str, animals: int) -> str:
    """A count, and that of the start weights on the same photos where something was trained."""
    before = found["old"][key]
    now = _count(found["new"][key])
    return now if not animals or before is None else f"{now} (before {before['count']} of {before['of']})"


def _count(share: dict[str, Any] | None) -> str:
    return "-" if share is None else f"{share['count']} of {share['of']}"


def _plain(config: RetrainConfig) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(config)


def main(arguments: Sequence[str] | None = None) -> None:
    """The command line of this module."""
    import torch

    keep_memory()
    parser = argparse.ArgumentParser(
        prog="python -m crestgauge.training.curve", description=__doc__.split("\n")[1]
    )
    parser.add_argument(
        "--data", type=Path, default=default_independent(), help="labelled photos with true widths"
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--animals", type=int, nargs="+", default=[0, 10, 20, 40])
    parser.add_argument("--labels", nargs="+", choices=["truth", "noisy"], default=["truth", "noisy"])
    parser.add_argument("--config", default="retrain-gpu" if torch.cuda.is_available() else "retrain-cpu")
    parser.add_argument("--steps", type=int, help="in place of the config's")
    parser.add_argument("--drawn", type=int, default=24, help="drawn photos for what is forgotten")
    parser.add_argument("--device")
    parser.add_argument("--workers", type=int, default=1, help="processes that read photos")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--prints", action="store_true", help="all photos as copies of old prints")
    parser.add_argument(
        "--all-others", action="store_true", help="each point is judged by all animals that it did not label"
    )
    given = parser.parse_args(arguments)
    if given.data is None:
        parser.error(
            "--data: the independent family lies in the repository only (tests/data/traced); name a folder"
        )
    config = read_retrain_config(given.config)
    if given.steps:
        config = replace(config, schedule=replace(config.schedule, max_steps=given.steps))
    options = CurveOptions(
        data=given.data,
        out=given.out,
        animals=tuple(given.animals),
        labels=tuple(given.labels),
        config=config,
        drawn=given.drawn,
        device=given.device,
        workers=given.workers,
        seed=given.seed,
        prints=given.prints,
        all_others=given.all_others,
    )
    draw_curve(options, log=lambda line: print(line, flush=True))
    print((given.out / PAGE).read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
