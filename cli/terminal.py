"""What commands share on the terminal: photo lists, one line per reading, a progress bar that comes late."""

from __future__ import annotations

import glob
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from crestgauge.model.labels import tooth_name

if TYPE_CHECKING:
    from crestgauge.inference.reading import Reading

SUFFIXES: Final = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
"""Files of a folder that are taken as photos. What a file really is, its content decides."""
PATIENCE_S: Final = 2.0
"""A progress bar appears only on what takes longer. [s]"""

Item = TypeVar("Item")


def collect_photos(arguments: Sequence[str]) -> tuple[list[Path], list[str]]:
    """
    Photos that the arguments name: files, folders (their pictures, not their sub-folders) and patterns.

    Returns
    -------
    photos : list of Path
        In the order given, each once.
    nothing : list of str
        Arguments that name no file at all.
    """
    photos: dict[Path, None] = {}
    nothing = []
    for argument in arguments:
        path = Path(argument)
        if path.is_dir():
            found = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
        elif path.exists() or path.is_symlink():
            found = [path]
        else:
            # Shells that do not expand patterns hand them over as they are.
            found = [Path(name) for name in sorted(glob.glob(argument, recursive=True))]
            found = [p for p in found if p.is_file()]
        if not found:
            nothing.append(argument)
        photos.update(dict.fromkeys(found))
    return list(photos), nothing


def unused_name(stem: str, taken: set[str]) -> str:
    """``stem``, or ``stem-2``, ``stem-3`` ... where it is taken already; marks it as taken."""
    name, number = stem, 2
    while name.lower() in taken:  # some disks do not tell A from a
        name, number = f"{stem}-{number}", number + 1
    taken.add(name.lower())
    return name


def one_line(reading: Reading, *, width: int = 0) -> str:
    """
    Outcome, class, what decided it and what is borderline, on one line.

    Parameters
    ----------
    reading : Reading
    width : int
        The file's name is padded to this.
    """
    head = f"{reading.photo.file:<{width}}  {reading.outcome:<10}  "
    if reading.outcome == "retake":
        reasons = "; ".join(
            item.reason.replace("_", " ")
            + (
                ""
                if item.measured is None or item.limit is None
                else f" ({_amount(item.measured, item.limit)})"
            )
            for item in reading.retake
        )
        return f"{head}{'-':<5}  {reasons}"
    steps = {step.id: step for step in reading.steps}
    decided = steps[reading.deciding] if reading.deciding in steps else None
    words = f"{_tooth(decided.tooth)}: {decided.why}" if decided else ""
    if reading.outcome == "borderline":
        doubt = [step for step in reading.steps if step.answer == "borderline" and step is not decided]
        words = "; ".join([words, *(f"{_tooth(step.tooth)}: {step.why}" for step in doubt)])
        words += f"; possible: {' or '.join(reading.possible)}"
    return f"{head}{reading.age_class or '?':<5}  {words}"


def _tooth(position: int) -> str:
    return f"tooth {position} ({tooth_name(position)})"


def _amount(measured: float, limit: float) -> str:
    return f"{measured:.3g}, limit {limit:.3g}"


def progress(items: Iterable[Item], total: int, *, words: str, quiet: bool) -> Iterator[Item]:
    """
    Yield the items; once that takes longer than `PATIENCE_S`, with a bar on the error stream.

    Nothing is drawn when ``quiet``, or when the error stream is no terminal.
    """
    if quiet or not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(words), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=True, redirect_stdout=True)
    task = bar.add_task(words, total=total)
    begun, shown = time.monotonic(), False
    try:
        for item in items:
            if not shown and time.monotonic() - begun > PATIENCE_S:
                bar.start()
                shown = True
            yield item
            bar.advance(task)
    finally:
        if shown:
            bar.stop()


@contextmanager
def step_progress(*, quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """
    A function that takes (what is being done, done, of) and shows a bar for each thing in turn.

    Nothing is drawn when ``quiet``, or when the error stream is no terminal.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda what, done, of: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, redirect_stderr=True) as bar:
        tasks: dict[str, Any] = {}

        def tell(what: str, done: int, of: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=of)
            bar.update(tasks[what], completed=done, total=of, visible=done < of)

        yield tell
