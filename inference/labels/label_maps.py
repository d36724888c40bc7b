"""
Label maps as plain PNG with a palette: class numbers that any picture program shows in colour. Edge module.

Programs write what they like: a palette in another order, plain colours, or bare numbers in grey. All three
are read, by colour where there is a colour, and what is no class is named with its place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from crestgauge.inference.errors import ExchangeError
from crestgauge.inference.exchange.coco import NOT_LABELLED, UNKNOWN
from crestgauge.inference.exchange.problems import Problem
from crestgauge.model.labels import N_TEETH, TOOTH_NAMES, Material

Labels = NDArray[np.uint8]
Colour = tuple[int, int, int]

MATERIALS: Final[Mapping[int, tuple[str, Colour]]] = {
    Material.BACKGROUND: ("background", (0, 0, 0)),
    Material.JAW: ("jaw", (204, 121, 167)),
    Material.CROWN_WALL: ("crown_wall", (86, 180, 233)),
    Material.ENAMEL_BAND: ("enamel_band", (240, 228, 66)),
    Material.DENTINE: ("dentine", (213, 94, 0)),
    Material.INFUNDIBULUM: ("infundibulum", (0, 114, 178)),
    UNKNOWN: (NOT_LABELLED, (255, 255, 255)),
}
"""Class number to name and colour. Colours from Okabe & Ito, Color Universal Design, 2008 (from memory)."""
TEETH: Final[Mapping[int, tuple[str, Colour]]] = {
    0: ("no_tooth", (0, 0, 0)),
    **{
        position: (f"tooth_{position} ({TOOTH_NAMES[position]})", colour)
        for position, colour in zip(
            range(1, N_TEETH + 1),
            (
                (230, 159, 0),
                (86, 180, 233),
                (0, 158, 115),
                (240, 228, 66),
                (0, 114, 178),
                (213, 94, 0),
            ),
            strict=True,
        )
    },
    UNKNOWN: (NOT_LABELLED, (255, 255, 255)),
}
_NO_CLASS: Final = 254
KINDS: Final = {"material": MATERIALS, "tooth": TEETH}
"""The two maps of a picture, by the word in their file names."""


def index_of_classes() -> dict[str, list[dict[str, Any]]]:
    """Numbers, names and colours of both maps, for the index file beside them."""
    return {
        kind: [{"value": int(v), "name": name, "colour": list(colour)} for v, (name, colour) in table.items()]
        for kind, table in KINDS.items()
    }


def write_label_map(path: Path, labels: Labels, kind: str) -> None:
    """
    Write one label map.

    Raises
    ------
    ExchangeError
        If the file cannot be written.
    """
    plain = np.ascontiguousarray(labels, dtype=np.uint8)
    image = Image.frombytes("P", plain.shape[::-1], plain.tobytes())
    palette = [grey for value in range(256) for grey in (value, value, value)]
    for value, (_, colour) in KINDS[kind].items():
        palette[3 * value : 3 * value + 3] = colour
    image.putpalette(palette)
    try:
        image.save(path, format="PNG", optimize=False, compress_level=6)
    except OSError as error:
        raise ExchangeError(f"{path}: cannot be written ({error.strerror}). Choose another place.") from error


def read_label_map(path: Path, kind: str, size: tuple[int, int]) -> Labels | Problem:
    """
    Read one label map back, or say why not.

    Parameters
    ----------
    kind : "material" or "tooth"
    size : (int, int)
        (width, height) that it must have. [px]
    """
    table = KINDS[kind]

    def refuse(what: str, words: str) -> Problem:
        return Problem(where=str(path), kind=what, words=words)

    try:
        with Image.open(path) as image:
            if image.size != size:
                found = f"{image.size[0]} x {image.size[1]} px; needs {size[0]} x {size[1]} as its picture."
                return refuse("size", f"{found} Export it again without scaling or cropping.")
            image.load()
            numbers = np.asarray(image) if image.mode in ("L", "I;16", "I", "P") else None
            colours = None if image.mode in ("L", "I;16", "I") else np.asarray(image.convert("RGB"))
    except (OSError, ValueError, SyntaxError) as error:
        return refuse("file", f"cannot be read as a picture ({error}). Export it again as PNG.")
    if colours is None:
        assert numbers is not None
        return _by_number(numbers, table, refuse)
    packed = colours.astype(np.int64) @ np.array([65536, 256, 1])
    labels = np.full(packed.shape, _NO_CLASS, dtype=np.uint8)
    for value, (_, (red, green, blue)) in table.items():
        labels[packed == red * 65536 + green * 256 + blue] = value
    wrong = labels == _NO_CLASS
    if not wrong.any():
        return labels
    if numbers is not None and np.isin(numbers, list(table)).all():
        return np.asarray(numbers, dtype=np.uint8)  # right numbers under somebody else's palette
    row, column = (int(v) for v in np.argwhere(wrong)[0])
    return refuse(
        "unknown_class",
        f"{int(wrong.sum())} px of a colour that is no class, first {colours[row, column].tolist()} at "
        f"({column}, {row}); needs the colours of classes.json, without soft edges.",
    )


def _by_number(
    numbers: NDArray[Any],
    table: Mapping[int, tuple[str, Colour]],
    refuse: Callable[[str, str], Problem],
) -> Labels | Problem:
    wrong = ~np.isin(numbers, list(table))
    if not wrong.any():
        return np.asarray(numbers, dtype=np.uint8)
    row, column = (int(v) for v in np.argwhere(wrong)[0])
    known = ", ".join(str(int(v)) for v in table)
    first = f"first {numbers[row, column]} at ({column}, {row})"
    return refuse(
        "unknown_class", f"{int(wrong.sum())} px of no class, {first}; needs {known} (classes.json)."
    )
