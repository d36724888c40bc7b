"""``crestgauge retrain``: labelled photos of one's own in, weights of one's own out."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from crestgauge.cli.app import app
from crestgauge.cli.develop import Device, Quiet, needs_train_extra
from crestgauge.cli.terminal import step_progress
from crestgauge.cli.weights import FolderOption


@app.command()
def retrain(
    dataset: Annotated[
        Path,
        typer.Argument(metavar="DATASET", help="Labelled photos: photos/, labels/, truth/, animals.csv."),
    ],
    name: Annotated[str, typer.Option(metavar="NAME", help="Of the new weights; never used twice.")],
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="NAME", help="Weights to start from; else the default ones."),
    ] = None,
    config: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="Other settings than retrain-cpu or retrain-gpu (training/)."),
    ] = None,
    steps: Annotated[int | None, typer.Option(min=1, metavar="N", help="Most steps.")] = None,
    batch: Annotated[int | None, typer.Option(min=1, metavar="N", help="Photos a step.")] = None,
    coarse: Annotated[
        bool,
        typer.Option("--coarse", help="Train the coarse network too, which finds the row in the photo."),
    ] = False,
    workers: Annotated[
        int, typer.Option(min=1, metavar="N", help="Processes that read photos at the end.")
    ] = 1,
    folder: FolderOption = None,
    device: Device = None,
    quiet: Quiet = False,
) -> None:
    """
    Train on from the shipped weights with your own labelled photos; the result is a set of weights of your
    own.

    Animals are split, never photos: some train, some say when to stop and how sure readings may be, some are
    kept back to judge by. Stopped or killed, the same line goes on from the last checkpoint. Nothing reads
    with the new weights until "crestgauge weights compare" was passed, or you say so. Needs the extra
    "train".

    \b
    Example:  crestgauge retrain dataset --name ridge-2026
    Exit status:  0 the weights are made   2 wrong usage, or data that cannot be used   130 stopped
    """
    needs_train_extra("synthetic_data.memory").keep_memory()
    making = needs_train_extra("training.retrain")
    configs, jobs = needs_train_extra("training.retrain_config"), needs_train_extra("training.job")
    torch = import_module("torch")
    target = device or ("cuda:0" if torch.cuda.is_available() else "cpu")
    settings = configs.read_retrain_config(
        config or ("retrain-gpu" if target.startswith("cuda") else "retrain-cpu")
    )
    settings = configs.with_bounds(settings, steps=steps, batch=batch)
    job = jobs.Job(
        name=name,
        config=settings,
        start=start,
        folder=folder,
        device=target,
        workers=workers,
        coarse=coarse,
    )
    with step_progress(quiet=quiet) as tell:
        made = making.retrain(dataset, job, log=_log(quiet), tell=tell)
    typer.echo(f"{made.name} ({made.model}): {made.folder}")
    typer.echo(f"Is it better?  crestgauge weights compare {start or 'shipped'} {name} --own {dataset}")


def _log(quiet: bool) -> Callable[[str], None]:
    def log(line: str) -> None:
        if not quiet:
            typer.echo(line, err=True)

    return log
