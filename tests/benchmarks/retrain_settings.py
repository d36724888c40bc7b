"""
Settings of a retraining compared in one run, each judged on animals of the independent family that were never
labelled.

    python tests/benchmarks/retrain_settings.py --out DIR --seconds 540 [--only NAME...]

Meant for a machine with a GPU and 16 cores. One line of a table per setting as soon as it is judged; what is
done when the time is over stays in DIR/table.md and DIR/results.jsonl. Weights stay in the work folder and
are never shipped: the family is a test set. Drawn pictures are drawn once and shared; a setting is judged by
processes while the next one trains.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import statistics
import sys
import tempfile
import time
import traceback
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")  # of the children; the parent sets its own below
os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")


def link_names(repo: Path, work: Path) -> None:
    """The folders of the repository as one namespace, for this process and for those it starts."""
    space = work / "ns"
    (space / "crestgauge").mkdir(parents=True, exist_ok=True)
    for name in ("model", "inference", "synthetic_data", "training", "cli"):
        link = space / "crestgauge" / name
        if not link.exists():
            link.symlink_to((repo / name).resolve())
    sys.path.insert(0, str(space))
    os.environ["PYTHONPATH"] = str(space)


@dataclass(frozen=True)
class Setting:
    """One point: labels, and what is other than in retrain-gpu.toml."""

    name: str
    labels: str = "truth"
    base: str = "retrain-gpu"
    schedule: tuple[tuple[str, Any], ...] = ()
    own: tuple[tuple[str, Any], ...] = ()
    augment: tuple[tuple[str, Any], ...] = ()
    loss: tuple[tuple[str, Any], ...] = ()


def settings() -> list[Setting]:
    """In the order of what one wants to know first."""

    def gpu(name: str, labels: str = "truth", own: dict | None = None, **schedule: Any) -> Setting:
        return Setting(name, labels, "retrain-gpu", tuple(schedule.items()), tuple((own or {}).items()))

    def cpu(name: str, labels: str = "noisy", own: dict | None = None, **schedule: Any) -> Setting:
        return Setting(name, labels, "retrain-cpu", tuple(schedule.items()), tuple((own or {}).items()))

    return [
        gpu("default"),
        gpu("default-noisy", "noisy"),
        gpu("rate-1e-3-enc-0.3", rate=1e-3, encoder_rate=0.3),
        gpu("rate-1e-3-enc-0.3-noisy", "noisy", rate=1e-3, encoder_rate=0.3),
        cpu("cpu-default-noisy"),
        cpu("cpu-rate-1e-4-noisy", rate=1e-4, warmup_share=0.2),
        cpu("cpu-rate-3e-5-noisy", rate=3e-5, warmup_share=0.2),
        gpu("rate-1e-4", rate=1e-4),
        gpu("warmup-0.3", warmup_share=0.3),
        gpu("enc-0", encoder_rate=0.0),
        gpu("enc-0.3", encoder_rate=0.3),
        gpu("steps-600-enc-0.3", max_steps=600, encoder_rate=0.3),
        gpu("steps-150", max_steps=150),
        gpu("own-0.75", own={"share": 0.75}),
        gpu("own-0.25", own={"share": 0.25}),
        gpu("variants-12", own={"variants": 12}),
        gpu("norms-move", keep_norms=False),
        gpu("rate-1e-4-noisy", "noisy", rate=1e-4),
        gpu("enc-0-noisy", "noisy", encoder_rate=0.0),
        gpu("own-0.75-noisy", "noisy", own={"share": 0.75}),
        cpu("cpu-batch-4-rate-1e-4", max_steps=120, batch=4, rate=1e-4),
        cpu("cpu-enc-0.1-rate-1e-4", rate=1e-4, encoder_rate=0.1),
    ]


def config_of(setting: Setting, given: argparse.Namespace) -> Any:
    """The settings of a retraining."""
    from crestgauge.training.retrain_config import read_retrain_config

    config = read_retrain_config(setting.base)
    config = replace(
        config,
        schedule=replace(config.schedule, **dict(setting.schedule)),
        own=replace(config.own, **dict(setting.own)),
        augment=replace(config.augment, **dict(setting.augment)),
        loss=replace(config.loss, **dict(setting.loss)),
    )
    own = replace(config.own, drawn=min(config.own.drawn, given.replay), drawn_check=given.replay_check)
    # Few looks: each costs as much as some steps, and patience must not end what a table compares.
    own = replace(own, check_steps=max(config.schedule.max_steps // 6, 1), patience=99)
    if given.steps:
        config = replace(config, schedule=replace(config.schedule, max_steps=given.steps))
        own = replace(own, check_steps=max(given.steps // 4, 1))
    if given.toy:
        config = replace(config, schedule=replace(config.schedule, max_steps=2, batch=2))
        own = replace(own, check_steps=2, variants=1)
    return replace(config, own=own)


def draw_part(numbers: list[int], device: str, path: str) -> int:
    """Some pictures of the replay set, as one file."""
    import torch

    from crestgauge.training.batch import pack
    from crestgauge.training.config import ScheduleConfig, TrainConfig
    from crestgauge.training.drawing import drawing
    from crestgauge.training.replay import REPLAY_SEED, join_pictures, save_pictures

    draw = drawing(TrainConfig(name="replay", role="fine", schedule=ScheduleConfig(max_steps=1)))
    parts = []
    for number in numbers:
        with torch.inference_mode():
            parts.append(pack(draw(REPLAY_SEED + number, 1, torch.device(device))).to(torch.device("cpu")))
    save_pictures(join_pictures(parts), Path(path))
    return len(numbers)


def draw_replay(given: argparse.Namespace, count: int, drawers: int) -> None:
    """The replay set, by several processes, at the place where a retraining looks for it."""
    import torch

    from crestgauge.training.replay import join_pictures, kept_pictures, save_pictures

    kind = torch.device(given.device).type
    target = given.work / "weights" / ".drawn" / f"fine-{kind}.pt"
    target.parent.mkdir(parents=True, exist_ok=True)
    kept = kept_pictures(target)
    if kept is not None and len(kept) >= count:
        return
    drawers = min(drawers, count)
    jobs = [list(range(k, count, drawers)) for k in range(drawers)]
    files = [str(given.work / f"replay-{k}.pt") for k in range(drawers)]
    with ProcessPoolExecutor(drawers, multiprocessing.get_context("spawn")) as pool:
        for done in [
            pool.submit(draw_part, job, given.device, path) for job, path in zip(jobs, files, strict=True)
        ]:
            done.result()
    parts = [kept_pictures(Path(path)) for path in files]
    places = torch.tensor([number for job in jobs for number in job]).argsort()
    save_pictures(join_pictures(parts).take(places), target)


def draw_photos(given: argparse.Namespace) -> None:
    """The fixed drawn photographs that judge what is forgotten."""
    from crestgauge.training.gate import fixed_drawn

    fixed_drawn(gate_options(given), lambda what, done, of: None)


def gate_options(given: argparse.Namespace) -> Any:
    """Where the judging set lies."""
    from crestgauge.training.gate import GateOptions

    return GateOptions(
        own=given.data,
        independent=None,
        drawn=given.photos,
        workers=given.workers,
        folder=given.work / "weights",
    )


def judged(given: argparse.Namespace, part: str) -> list[Any]:
    """Photos that judge: animals never labelled, or drawn ones."""
    from crestgauge.training.curve import deal
    from crestgauge.training.gate import fixed_drawn
    from crestgauge.training.own import read_own
    from crestgauge.training.recalibrate import Judged

    if part == "drawn":
        return fixed_drawn(gate_options(given), lambda what, done, of: None) if given.photos else []
    own = read_own(given.data)
    order = deal(own, given.seed)
    photos = own.of(order[given.animals :])
    photos = photos[: given.judged or None]
    return [Judged(animal=p.animal, photo=p.paths.photo, truth=p.paths.truth) for p in photos]


def read_rows(
    given: argparse.Namespace, which: Any, edge_model: Any | None
) -> dict[str, list[dict[str, Any]]]:
    """Scores of all judging photos with a set of weights; ``edge_model`` in place of its own."""
    from crestgauge.inference.pipeline import ReadOptions
    from crestgauge.inference.row_context import MeasureOptions
    from crestgauge.model.local import MANIFEST
    from crestgauge.training.evaluate import read_pairs

    options = ReadOptions(threads=1, manifest=which.folder / MANIFEST, weights=which.fine)
    if edge_model is not None:
        options = replace(options, measure=MeasureOptions(edge_model=edge_model))
    sets = {part: judged(given, part) for part in ("rest", "drawn")}
    photos = [(part, each) for part, found in sets.items() for each in found]
    rows: dict[str, list[dict[str, Any]]] = {part: [] for part in sets}
    pairs = [(each.photo, each.truth) for _, each in photos]
    for (part, each), (row, _) in zip(photos, read_pairs(pairs, options, given.workers), strict=True):
        rows[part].append(row | {"animal": each.animal})
    kept = given.work / "rows"
    kept.mkdir(exist_ok=True)
    kind = "own" if edge_model is None else "start"
    (kept / f"{which.name}-{kind}.json").write_text(json.dumps(rows), encoding="utf-8")
    return rows


def wait_for(path: Path) -> None:
    """Until the judging photographs are drawn; ten minutes at most."""
    for _ in range(1200):
        if path.exists():
            return
        time.sleep(0.5)


def judge_start(given: argparse.Namespace) -> dict[str, Any]:
    """The start weights."""
    from crestgauge.model.local import SHIPPED, find_set

    wait_for(given.work / "photos.done")
    rows = read_rows(given, find_set(SHIPPED, folder=given.work / "weights"), None)
    (given.work / "start.json").write_text(json.dumps(rows), encoding="utf-8")
    return {"name": "start", "labels": "-", "own_model": numbers(rows, rows), "start_model": None}


def judge_setting(given: argparse.Namespace, setting: Setting) -> dict[str, Any]:
    """Export, uncertainties, and readings with the new edge model and with that of the start weights."""
    import torch

    from crestgauge.inference.edge_file import load_edge_model
    from crestgauge.model.local import SHIPPED, find_set
    from crestgauge.training.finish import finish
    from crestgauge.training.job import Listener, Task
    from crestgauge.training.own import read_own

    torch.set_num_threads(2)
    wait_for(given.work / "start.json")
    began = time.monotonic()
    base = find_set(SHIPPED, folder=given.work / "weights")
    job, split, folder = job_of(given, setting)
    own = read_own(folder)
    task = Task(job=job, own=own, split=split, base=base)
    made = finish(task, task.plan(), Listener(log=lambda line: None, tell=lambda what, done, of: None))
    start = json.loads((given.work / "start.json").read_text(encoding="utf-8"))
    calibration = json.loads((made.folder / "calibration.json").read_text(encoding="utf-8"))
    found: dict[str, Any] = {
        "name": setting.name,
        "labels": setting.labels,
        "start_model": numbers(start, read_rows(given, made, load_edge_model(base.folder))),
        "own_model": numbers(start, read_rows(given, made, None)),
        "calibration": {k: calibration[k] for k in ("method", "factor", "bias_moved", "coverage_before")}
        | {k: calibration["model"][k] for k in ("dentine_bias_px", "enamel_bias_px", "scale")},
        "judged_s": round(time.monotonic() - began, 1),
    }
    record = json.loads((made.folder / "run" / "record.json").read_text(encoding="utf-8"))
    return found | {"checks": record["checks"], "steps_s": record["seconds"], "steps": record["steps"]}


def numbers(start: dict[str, Any], rows: dict[str, Any]) -> dict[str, Any]:
    """Plain numbers, and the paired comparison with the start weights."""
    from crestgauge.training.gate import compare_rows

    return {part: compare_rows(start[part], rows[part]) if rows[part] else None for part in rows}


def job_of(given: argparse.Namespace, setting: Setting) -> tuple[Any, Any, Path]:
    """The retraining of a setting, its split and the folder of its labelled photos."""
    from crestgauge.model.local import SHIPPED
    from crestgauge.training.curve import CHECK_SHARE, deal, write_labelled
    from crestgauge.training.job import Job
    from crestgauge.training.own import Split, read_own

    own = read_own(given.data)
    animals = deal(own, given.seed)[: given.animals]
    folder = given.work / "data" / setting.labels
    if not (folder / "animals.csv").is_file():
        write_labelled(own.of(animals), folder, setting.labels, given.seed)
    checks = max(2, round(CHECK_SHARE * len(animals)))
    check = tuple(animals[:: max(len(animals) // checks, 1)][:checks])
    split = Split(train=tuple(a for a in animals if a not in check), check=check, test=())
    job = Job(
        name=setting.name,
        config=config_of(setting, given),
        start=SHIPPED,
        folder=given.work / "weights",
        device=given.device,
        split=split,
        workers=given.workers,
    )
    return job, split, folder


HEAD = (
    "| setting | labels | steps | s | looks: own, drawn reading loss, first > last (best at) | model "
    "| rest: median all "
    "| wide | bias | mean | diff to start (95 %) | exact class | refused | coverage | drawn: median all "
    "| diff to start | exact | dentine/enamel bias px, scale |"
)


def lines_of(found: dict[str, Any]) -> list[str]:
    """A line for each edge model."""

    def percent(value: float | None) -> str:
        return "-" if value is None else f"{100 * value:.1f}"

    def share(value: dict[str, Any] | None) -> str:
        return "-" if value is None else f"{value['count']}/{value['of']}"

    def difference(part: dict[str, Any] | None) -> tuple[str, str]:
        ratio = None if part is None else part["paired"]["ratio"]
        if ratio is None:
            return "-", "-"
        return (
            f"{100 * ratio['old']:.1f}>{100 * ratio['new']:.1f}",
            f"{100 * ratio['difference']:+.1f} ({100 * ratio['low']:+.1f}..{100 * ratio['high']:+.1f})",
        )

    out = []
    for key, words in (("start_model", "start's"), ("own_model", "own")):
        if found[key] is None:
            continue
        rest, drawn = found[key]["rest"], found[key]["drawn"]
        looks, best = found.get("checks") or [], "-"
        looks = [c for c in looks if "own_reading" in c]
        if looks:
            least = min(looks, key=lambda c: c.get("score", c["own_reading"]))
            best = (
                f"{looks[0]['own_reading']:.3f}>{looks[-1]['own_reading']:.3f} ({least['step']:.0f}), "
                f"{looks[0]['drawn_reading']:.3f}>{looks[-1]['drawn_reading']:.3f}"
            )
        new, held = rest["new"], rest["coverage"]["new"]
        mean, change = difference(rest)
        _, forgotten = difference(drawn)
        cal = found.get("calibration")
        cells = [
            found["name"], found["labels"], str(found.get("steps", "-")), str(found.get("steps_s", "-")),
            best, words, percent(new["all_ratio_error_median"]), percent(new["ratio_error_median"]),
            percent(new["ratio_bias_median"]), mean, change, share(new["exact"]), share(new["refused"]),
            "-" if held is None else percent(held["share"]),
            "-" if drawn is None else percent(drawn["new"]["all_ratio_error_median"]), forgotten,
            "-" if drawn is None else share(drawn["new"]["exact"]),
            "-" if cal is None or key == "start_model" else
            f"{cal['dentine_bias_px']:+.2f}/{cal['enamel_bias_px']:+.2f}, {cal['scale']:.2f}",
        ]  # fmt: skip
        out.append("| " + " | ".join(cells) + " |")
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--repo", type=Path, default=Path("."))
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--work", type=Path, default=Path(tempfile.gettempdir()) / "retrain-settings")
    parser.add_argument("--seconds", type=float, default=540.0)
    parser.add_argument("--animals", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", help="names of settings, in this order")
    parser.add_argument("--replay", type=int, default=160, help="most drawn pictures to train with")
    parser.add_argument("--replay-check", type=int, default=12)
    parser.add_argument("--photos", type=int, default=24, help="drawn photographs that judge; 0 = none")
    parser.add_argument("--workers", type=int, default=max((os.cpu_count() or 2) // 2, 1))
    parser.add_argument("--drawers", type=int, default=5)
    parser.add_argument("--device", default=None)
    parser.add_argument("--steps", type=int, help="in place of each setting's own")
    parser.add_argument("--judged", type=int, default=0, help="most animals that judge; 0 = all others")
    parser.add_argument("--toy", action="store_true")
    given = parser.parse_args()
    started = time.monotonic()
    given.repo = given.repo.resolve()
    given.data = given.repo / "tests" / "data" / "traced"
    given.work.mkdir(parents=True, exist_ok=True)
    given.out.mkdir(parents=True, exist_ok=True)
    link_names(given.repo, given.work)

    import cv2
    import torch

    from crestgauge.model.local import SHIPPED, find_set
    from crestgauge.training import own_steps
    from crestgauge.training.job import PLAN, RUN, Listener, Task, keep_plan
    from crestgauge.training.own import read_own
    from crestgauge.training.retrain import take_steps

    silent = Listener(log=lambda line: None, tell=lambda what, done, of: None)
    given.device = given.device or ("cuda:0" if torch.cuda.is_available() else "cpu")
    torch.set_num_threads(4 if torch.cuda.is_available() else 1)
    cv2.setNumThreads(1)

    def say(line: str) -> None:
        print(f"[{time.monotonic() - started:5.0f} s] {line}", flush=True)

    def left() -> float:
        return given.seconds - (time.monotonic() - started)

    named = {each.name: each for each in settings()}
    chosen = [named[name] for name in given.only] if given.only else list(named.values())
    table, results = given.out / "table.md", given.out / "results.jsonl"
    with table.open("a", encoding="utf-8") as file:
        file.write(HEAD + "\n" + "|---" * (HEAD.count("|") - 1) + "|\n")
    print(HEAD, flush=True)

    told: set[Future[dict[str, Any]]] = set()

    def tell(future: Future[dict[str, Any]]) -> None:
        try:
            report(future)
        finally:
            told.add(future)

    def report(future: Future[dict[str, Any]]) -> None:
        try:
            found = future.result()
        except Exception:
            say("a setting could not be judged:\n" + traceback.format_exc())
            return
        lines = lines_of(found)
        print("\n".join(lines), flush=True)
        with table.open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
        with results.open("a", encoding="utf-8") as file:
            file.write(json.dumps(found) + "\n")

    # Views of one photo are the same for every setting; only how they are varied is new.
    plain, views = own_steps.read_view, {}

    def read_once(paths: Any, role: str) -> Any:
        key = (str(paths.photo), role)
        if key not in views:
            views[key] = plain(paths, role)
        return views[key]

    own_steps.read_view = read_once
    context = multiprocessing.get_context("spawn")
    judges = ProcessPoolExecutor(3, context)
    (given.work / "photos.done").unlink(missing_ok=True)
    (given.work / "start.json").unlink(missing_ok=True)
    photos = judges.submit(draw_photos, given)
    photos.add_done_callback(lambda done: (given.work / "photos.done").touch())
    waiting = [judges.submit(judge_start, given)]
    waiting[0].add_done_callback(tell)
    most = max(config_of(each, given).own.drawn for each in chosen) + given.replay_check
    draw_replay(given, most, given.drawers)
    say(f"{most} drawn pictures to train with are there")
    base = find_set(SHIPPED, folder=given.work / "weights")
    rates: list[float] = []  # seconds a picture
    for setting in chosen:
        config = config_of(setting, given)
        work = config.schedule.max_steps * config.schedule.batch
        expected = 15 + (statistics.median(rates) * work if rates else 0)
        if expected > left() - 40:
            say(f"{setting.name}: {expected:.0f} s are not left, not begun")
            continue
        began = time.monotonic()
        try:
            job, split, folder = job_of(given, setting)
            own = read_own(folder)
            run = job.home / RUN
            run.mkdir(parents=True, exist_ok=True)
            task = Task(job=job, own=own, split=split, base=base)
            keep_plan(run / PLAN, task.plan())
            if not (run / "weights.pt").is_file():
                take_steps(task, "fine", None, silent)
                rates.append((time.monotonic() - began) / work)
        except Exception:
            say(f"{setting.name} failed:\n" + traceback.format_exc())
            continue
        say(f"{setting.name}: {config.schedule.max_steps} steps in {time.monotonic() - began:.0f} s")
        future = judges.submit(judge_setting, given, setting)
        future.add_done_callback(tell)
        waiting.append(future)
    while left() > 0 and len(told) < len(waiting):
        time.sleep(0.2)
    if len(told) < len(waiting):
        say(f"{len(waiting) - len(told)} not judged in time")
    say("end")
    # Children that still read would hold the machine; what is known is on disk.
    for process in list(getattr(judges, "_processes", {}).values()):
        process.terminate()
    os._exit(0)


if __name__ == "__main__":
    main()
