"""Labels handed out from painted jaws: the chain is real, the network decodes colours."""

from __future__ import annotations

from pathlib import Path

import painted_jaws

from crestgauge.inference.labels.proposals import OutOptions, handout, write_folder
from crestgauge.inference.photo import read_photo


def hand_out(folder: Path, names: tuple[str, ...], *, animals: bool = True, **options) -> Path:
    """Labels of painted photos in ``folder``."""
    chosen = OutOptions(**options)

    def made():
        for number, name in enumerate(names):
            photo = read_photo(painted_jaws.photo(name))
            kept = name == "adult"  # read once for the whole run
            result = painted_jaws.result(name) if kept else painted_jaws.reader().read(photo, keep_maps=True)
            animal = f"D-{number}" if animals else None
            yield handout(photo, result, name=name, animal=animal, view=chosen.view)

    assert len(list(write_folder(folder, made(), chosen))) == len(names)
    return folder
