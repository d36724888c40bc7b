"""
Does ``labels rank`` find the photos on which the tool is wrong? On photos with truth, against random order.

    python tests/benchmarks/label_ranking.py FOLDER... [--rereads 1]

FOLDER holds photos/ and truth/, as ``crestgauge synth`` writes them. A reading is wrong if its class is not
the true one, if a usable photo was refused, or an unusable one was not. Prints, for each folder, how many of
the wrong ones stand in the first quarter of the list, and how many would by chance.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from crestgauge.inference.labels.familiar import load_familiar
from crestgauge.inference.labels.ranking import rank, signs_of
from crestgauge.inference.labels.rereading import reread
from crestgauge.inference.photo import read_photo
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.reading import Reading
from crestgauge.model.local import SHIPPED, find_set


def is_wrong(truth: dict[str, Any], reading: Reading) -> bool:
    """Whether the reading of a photo is not what its truth file says."""
    refused = reading.outcome == "retake"
    if not truth["usable"]:
        return not refused
    return refused or reading.age_class != truth["age_class"]


def ratio_error(truth: dict[str, Any], reading: Reading) -> float | None:
    """Mean relative error of ratios on teeth 4 to 6, a ratio below 0.3 counted as 0.3; None without any."""
    if not truth["usable"] or reading.outcome == "retake":
        return None
    true = {(t["position"], c["lobe"]): c["ratio"] for t in truth["teeth"] for c in t["crests"]}
    errors = [
        abs(crest.ratio.value - ratio) / max(ratio, 0.3)
        for tooth in reading.teeth
        if tooth.position >= 4
        for crest in tooth.crests
        if crest.ratio is not None and (ratio := true.get((tooth.position, crest.lobe))) is not None
    ]
    return sum(errors) / len(errors) if errors else None


def chance_of(hits: int, chosen: int, wrong: int, total: int) -> float:
    """Probability of at least so many hits by chance (hypergeometric law)."""
    ways = math.comb(total, chosen)
    most = min(chosen, wrong)
    return (
        sum(math.comb(wrong, k) * math.comb(total - wrong, chosen - k) for k in range(hits, most + 1)) / ways
    )


def summary(order: Sequence[bool]) -> str:
    """One line about a list of right (False) and wrong (True), best ranked first."""
    total, wrong, chosen = len(order), sum(order), max(1, len(order) // 4)
    hits = sum(order[:chosen])
    return (
        f"{wrong} of {total} wrong; {hits} of them in the first {chosen}, {wrong * chosen / total:.1f} by "
        f"chance ({hits * total / max(1, wrong * chosen):.1f} times, "
        f"p = {chance_of(hits, chosen, wrong, total):.2g})"
    )


def measure(folder: Path, rereads: int) -> tuple[list[bool], list[float]]:
    """Whether each photo was read wrong, and the ratio errors of those that have any, in the list's order."""
    reader = Reader(ReadOptions(threads=1, weights=SHIPPED))
    familiar = load_familiar(find_set(SHIPPED).folder)
    photos, wrong, errors = [], {}, {}
    for truth_file in sorted((folder / "truth").glob("*.json")):
        truth = json.loads(truth_file.read_text(encoding="utf-8"))
        place = next((folder / "photos").glob(f"{truth_file.stem}.*"))
        seen = reread(reader, read_photo(place), times=rereads)
        z = {} if familiar is None else familiar.standardised(seen.look)
        photos.append((place.name, None, seen.reading, signs_of(seen.reading, seen.again, z)))
        wrong[place.name] = is_wrong(truth, seen.reading)
        errors[place.name] = ratio_error(truth, seen.reading)
    order = [each.photo for each in rank(photos)]
    return [wrong[name] for name in order], [e for name in order if (e := errors[name]) is not None]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--rereads", type=int, default=1)
    given = parser.parse_args()
    for each in given.folders:
        order, off = measure(each, given.rereads)
        first = off[: max(1, len(off) // 4)]
        print(f"{each.name}: {summary(order)}")
        means = (sum(part) / len(part) for part in (first, off))
        print("  ratio error {:.3f} in the first quarter, {:.3f} in all".format(*means))
