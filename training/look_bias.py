"""
Biases for two kinds of photos: those that look like the own ones, and all others.

How far new weights draw bands wider than the start weights is measured on drawn pictures, which need no truth
for that: the same picture, both networks, the same geometry. That is the move elsewhere. The same pictures in
the look of own photos (`crestgauge.training.own_look`) show the move there, and how far that look alone
misled the start weights; animals kept back say what is different on own photos themselves
(`crestgauge.training.recalibrate`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Final

import numpy as np
import torch
from scipy.stats import trim_mean

from crestgauge.inference.edge_file import load_edge_model, load_look_bias, write_look_bias
from crestgauge.inference.errors import CrestgaugeError, InputError
from crestgauge.inference.labels.familiar import load_familiar
from crestgauge.inference.labels.rereading import look_in
from crestgauge.inference.look_bias import LookBias, LookLaw, own_law
from crestgauge.inference.looks import OF_THE_PICTURE
from crestgauge.inference.maps import RowFrame
from crestgauge.inference.measure import measure_row
from crestgauge.inference.networks import Network
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.row_context import MeasureOptions
from crestgauge.inference.uncertainty import EdgeModel
from crestgauge.model.local import LOOK_FILE, MANIFEST, WeightsSet
from crestgauge.model.weights import load_manifest
from crestgauge.training.batch import Packed
from crestgauge.training.files import read_view
from crestgauge.training.own import OwnPhoto
from crestgauge.training.own_look import CrownLook, looks_of_views, restyled

MOST_PHOTOS: Final = 40
"""Own photos whose look is measured; more say hardly more of seven means and spreads."""
MOST_DRAWN: Final = 32
"""Drawn pictures that both networks look at: a mean move to a tenth of a pixel, at a second a picture."""
ASTRAY: Final = 0.2
"""Share of the pictures that is left out at either end of a mean move."""
LEAST_PHOTOS: Final = 5
LEAST_DIFFERENCE_PX: Final = 0.05
"""Biases that differ by less are one. [crop px]"""
Move = tuple[float, float]
"""By how much (dentine, enamel) widths are larger with the new weights. [crop px]"""
Tell = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """
    By how much widths of drawn pictures are larger than the start weights read them in their own look.

    Parameters
    ----------
    elsewhere : tuple of float
        The new weights, on the same pictures.
    here : tuple of float
        The new weights, on these pictures in the look of own photos; as ``elsewhere`` where no look is known.
    look : tuple of float
        The start weights on those: what the look does by itself; 0 where none is known.
    """

    elsewhere: Move = (0.0, 0.0)
    here: Move = (0.0, 0.0)
    look: Move = (0.0, 0.0)


def own_looks(photos: Sequence[OwnPhoto]) -> list[CrownLook]:
    """Looks of the crowns of own photos, of at most `MOST_PHOTOS` evenly chosen ones."""
    usable = [photo for photo in photos if photo.usable]
    step = max(1.0, len(usable) / MOST_PHOTOS)
    chosen = [usable[int(k * step)] for k in range(min(len(usable), MOST_PHOTOS))]
    return looks_of_views([read_view(photo.paths, "fine") for photo in chosen])


def moved_on_drawn(
    new: Path,
    start: WeightsSet,
    drawn: Packed,
    edge: EdgeModel,
    looks: Sequence[CrownLook] = (),
    *,
    tell: Tell = lambda done, of: None,
) -> Moves:
    """
    By how much new weights draw bands of the same drawn pictures wider than the start weights.

    Median over the crests of a picture, then the mean over pictures without the outer fifths: in another look
    single pictures go astray by many pixels. 0 where no picture shows a crest to both.

    Parameters
    ----------
    new : Path
        Folder of the new weights.
    start : WeightsSet
    drawn : Packed
    edge : EdgeModel
        For all; its biases cancel.
    looks : sequence of CrownLook
        Of own photos.
    tell : callable
        Gets (pictures, of).
    """
    entries = load_manifest(new / MANIFEST).find("fine"), start.manifest.find("fine", start.fine)
    now, before = (Network(entry, threads=1) for entry in entries)
    found: dict[str, list[Move]] = {"elsewhere": [], "here": [], "look": []}
    count = min(len(drawn.image), MOST_DRAWN)
    for number in range(count):
        picture = drawn.image[number]
        then = _widths(before, _crop(picture), edge)
        readings = {"elsewhere": _widths(now, _crop(picture), edge)}
        if looks:
            roll = torch.Generator().manual_seed(number)
            one = restyled(drawn.take(torch.tensor([number])), looks, roll).image[0]
            readings |= {"here": _widths(now, _crop(one), edge), "look": _widths(before, _crop(one), edge)}
        for what, widths in readings.items():
            both = sorted(widths.keys() & then.keys())
            if both:
                pairs = np.array([np.subtract(widths[key], then[key]) for key in both])
                found[what].append((median(pairs[:, 0]), median(pairs[:, 1])))
        tell(number + 1, count)
    elsewhere = _mean(found["elsewhere"])
    if not found["here"] or not found["look"]:
        return Moves(elsewhere=elsewhere, here=elsewhere)
    return Moves(elsewhere=elsewhere, here=_mean(found["here"]), look=_mean(found["look"]))


def _crop(picture: torch.Tensor) -> np.ndarray:
    return np.ascontiguousarray(picture.permute(1, 2, 0).numpy())


def _mean(moves: Sequence[Move]) -> Move:
    if not moves:
        return 0.0, 0.0
    dentine, enamel = (float(trim_mean(values, ASTRAY)) for values in zip(*moves, strict=True))
    return dentine, enamel


def _widths(network: Network, crop: np.ndarray, edge: EdgeModel) -> dict[tuple[int, int], Move]:
    """(dentine, mean enamel) of every crest of a crop with bands, by tooth and lobe. [crop px]"""
    frame = RowFrame(np.eye(2, 3))
    row = measure_row(network.run(crop), frame, crop, MeasureOptions(edge_model=edge))
    found = {}
    for tooth in () if row is None else row.teeth:
        for crest in tooth.crests:
            widths = crest.dentine_px, crest.enamel_outer_px, crest.enamel_inner_px
            if crest.ratio is not None and crest.ratio.value > 0 and None not in widths:
                dentine, outer, inner = (width.value for width in widths if width is not None)
                found[tooth.position, crest.lobe] = dentine, 0.5 * (outer + inner)
    return found


def elsewhere_of(start: WeightsSet) -> tuple[LookLaw, Move] | None:
    """
    What photos elsewhere look like to the start weights, and the biases of widths there; None where nothing
    beside those weights says so.

    Raises
    ------
    WeightsError
        If a file beside them is damaged.
    """
    edge, kept = load_edge_model(start.folder), load_look_bias(start.folder)
    if kept is not None:
        return kept.elsewhere, (kept.dentine_bias_px, kept.enamel_bias_px)
    familiar = load_familiar(start.folder)
    if familiar is None:
        return None
    law = LookLaw(
        photos=familiar.photos,
        mean={name: familiar.mean[name] for name in OF_THE_PICTURE},
        sd={name: familiar.sd[name] for name in OF_THE_PICTURE},
    )
    return law, (edge.dentine_bias_px, edge.enamel_bias_px)


def follow_look(
    new: Path,
    start: WeightsSet,
    photos: Sequence[Path],
    move: Move,
    *,
    tell: Tell = lambda done, of: None,
) -> LookBias | None:
    """
    Write ``look_bias.toml`` beside new weights whose edge model has the biases of own photos.

    Parameters
    ----------
    new : Path
        Folder of the new weights, with their edge model.
    start : WeightsSet
    photos : sequence of Path
        Own photos, whether they trained or not: training changes no look.
    move : tuple of float
        `moved_on_drawn`, elsewhere.
    tell : callable
        Gets (photos, of).

    Returns
    -------
    LookBias or None
        None, and no file, where both kinds have the same biases, or too little is known of either look.
    """
    (new / LOOK_FILE).unlink(missing_ok=True)
    other, own = elsewhere_of(start), load_edge_model(new)
    if other is None:
        return None
    law, (dentine, enamel) = other
    dentine, enamel = dentine + move[0], enamel + move[1]
    apart = max(abs(own.dentine_bias_px - dentine), abs(own.enamel_bias_px - enamel))
    if apart < LEAST_DIFFERENCE_PX:
        return None
    looks = _looks(new, photos, tell)
    if len(looks) < LEAST_PHOTOS:
        return None
    try:
        mine = own_law(looks, law)
    except InputError:  # no photo shows both bands, so there is no contrast to know them by
        return None
    bias = LookBias(own=mine, elsewhere=law, dentine_bias_px=dentine, enamel_bias_px=enamel)
    write_look_bias(bias, new / LOOK_FILE)
    return bias


def _looks(folder: Path, photos: Sequence[Path], tell: Tell) -> list[dict[str, float]]:
    """Looks of the photos in which a row was found."""
    reader = Reader(ReadOptions(threads=1, manifest=folder / MANIFEST))
    step = max(1.0, len(photos) / MOST_PHOTOS)
    chosen = [photos[int(k * step)] for k in range(min(len(photos), MOST_PHOTOS))]
    looks = []
    for number, photo in enumerate(chosen, 1):
        try:
            look = look_in(reader.read(photo, keep_maps=True))
        except CrestgaugeError:
            look = {}  # reading the data set has said so already
        if look:
            looks.append(look)
        tell(number, len(chosen))
    return looks
