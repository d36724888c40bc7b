"""``crestgauge synth``, ``train`` and ``evaluate``: drawn jaws, new networks, and how good they are."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

from crestgauge.cli.app import EXIT_USAGE, app
from crestgauge.cli.screen import ManifestOption, WeightsOption
from crestgauge.cli.terminal import progress


def needs_train_extra(module: str) -> Any:
    """
    Import a module of the training side, or end with what to install.

    Parameters
    ----------
    module : str
        Below ``crestgauge``.
    """
    try:
        return import_module(f"crestgauge.{module}")
    except ModuleNotFoundError as error:
        if error.name is None or error.name.startswith("crestgauge"):
            raise
        typer.echo(
            f"This command needs {error.name}, which reading photos does not. "
            "Install it with: pip install 'crestgauge[train]'",
            err=True,
        )
        raise typer.Exit(EXIT_USAGE) from error


Device = Annotated[
    str | None, typer.Option(metavar="NAME", help="cpu, cuda:0 ...; a GPU where there is one.")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but failures.")]


@app.command()
def synth(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for photos and their truth.")],
    n: Annotated[int, typer.Option("--n", min=1, help="Photos to draw.")] = 20,
    seed: Annotated[int, typer.Option(min=0, help="The same seed draws the same photos.")] = 1,
    unusable: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="Share that is spoilt on purpose, in all ways.")
    ] = 0.25,
    labels: Annotated[bool, typer.Option("--labels", help="Write label maps too.")] = False,
    device: Device = None,
    quiet: Quiet = False,
) -> None:
    """
    Draw photos of synthetic jaws with their truth: widths, teeth, side, tilt, class by the key.

    A run that was stopped goes on where it ended. Needs the extra "train".

    \b
    Example:  crestgauge synth --n 4 --seed 7 --out drawn
    Exit status:  0 all drawn   2 wrong usage, nothing started   130 stopped, finished photos are kept
    """
    needs_train_extra("synthetic_data.memory").keep_memory()
    dataset = needs_train_extra("synthetic_data.dataset")
    torch = import_module("torch")
    target = torch.device(device or ("cuda:0" if torch.cuda.is_available() else "cpu"))
    settings = dataset.DatasetOptions(share_unusable=unusable, labels=labels)
    drawn = dataset.write_dataset(out, n=n, seed=seed, device=target, options=settings)
    for path in progress(drawn, n, words="Drawing", quiet=quiet):
        if not quiet:
            typer.echo(path)


@app.command()
def train(
    config: Annotated[
        str, typer.Argument(metavar="CONFIG", help="A TOML file, or a shipped one by its name.")
    ],
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder of the run: checkpoint, weights, record.")],
    export_to: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Export to ONNX into this folder and its weights.toml.")
    ] = None,
    max_seconds: Annotated[float | None, typer.Option(min=1.0, help="End after this time.")] = None,
    device: Device = None,
    quiet: Quiet = False,
) -> None:
    """
    Train one network on drawn jaws, and export it.

    A run that was stopped goes on from its last checkpoint when started again with the same folder. Shipped
    configs are in training/configs: coarse, fine, toy. "both" trains coarse and fine at the same time, on two
    GPUs where there are two, and exports both. Needs the extra "train".

    \b
    Example:  crestgauge train toy --out runs/toy --export-to weights
    Exit status:  0 trained   2 wrong usage, nothing started   130 stopped, the checkpoint is kept
    """
    needs_train_extra("synthetic_data.memory").keep_memory()
    if config == "both":
        both = needs_train_extra("training.both")
        settings = both.BothConfig(
            devices=(device,) if device else (), max_seconds=max_seconds, export_to=export_to
        )
        both.train_both(out, settings, log=(lambda line: None) if quiet else typer.echo)
        return
    fit = needs_train_extra("training.fit")
    fit.train(config, out, device, max_seconds, log=(lambda line: None) if quiet else typer.echo)
    if export_to is not None:
        entry = needs_train_extra("training.export").export(out, export_to)
        agree = f"torch and onnxruntime agree to {entry.parity_max_abs:.1e}"
        typer.echo(f"{entry.name}: {entry.size / 1e6:.1f} MB, {agree}")


@app.command()
def evaluate(
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the results.")],
    data: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Photos with truth; without it fresh ones are drawn.")
    ] = None,
    n: Annotated[int, typer.Option("--n", min=1, help="Fresh photos to draw.")] = 400,
    seed: Annotated[int, typer.Option(min=0, help="Of the fresh photos; never one that training saw.")] = 0,
    weights: WeightsOption = None,
    manifest: ManifestOption = None,
    workers: Annotated[
        int, typer.Option(min=1, metavar="N", help="Processes that read, one thread each.")
    ] = 1,
    drawers: Annotated[int, typer.Option(min=1, metavar="N", help="Processes that draw fresh photos.")] = 1,
    edge_model: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another edge model than that beside the weights.")
    ] = None,
    calibrate: Annotated[
        bool, typer.Option("--calibrate", help="Also fit edge_model.toml to these photos.")
    ] = False,
    quiet: Quiet = False,
) -> None:
    """
    Read photos of known truth from file to class, and print how far the readings can be trusted.

    Numbers on drawn photos say little about real ones: no photo of a real deer is among them. Drawing fresh
    photos needs the extra "train"; photos with truth files of your own do not.

    \b
    Example:  crestgauge evaluate --n 4 --out evaluation
    Exit status:  0 evaluated   2 wrong usage, nothing started   130 stopped
    """
    evaluation = needs_train_extra("training.evaluate")
    settings = evaluation.EvaluateConfig(
        photos=n,
        seed=seed,
        weights=weights,
        manifest=manifest,
        workers=workers,
        drawers=drawers,
        edge_model=edge_model,
        calibrate=calibrate,
    )
    log = (lambda line: None) if quiet else (lambda line: typer.echo(line, err=True))
    if data is None:
        needs_train_extra("synthetic_data.dataset")
        evaluation.evaluate_fresh(out, settings, log=log)
    else:
        evaluation.evaluate_folder(data, out, settings, log=log)
    typer.echo((out / "evaluation.md").read_text(encoding="utf-8"))
