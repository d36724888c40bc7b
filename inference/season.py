"""
How the months of birth and harvest shift an age class by teeth.

Age labels (0.5, 1.5 ...) are those of the autumn season for deer born about late May to July (Texas Parks &
Wildlife guide by Cain & Wallace, docslib.org/doc/10956482; Michigan DNR bulletin 214fbb8). Where does breed
late, teeth run months behind: parts of Louisiana have births until October or November, which blurs 1.5,
2.5 and 3.5 (biologist's column, louisianasportsman.com details.php?id=12203).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from crestgauge.inference.errors import InputError

USUAL_MONTHS: Final = range(3, 9)
"""Whole months from birth to harvest that the labels mean: born May to July, taken October to January."""
MEANT_MONTHS: Final = 6
_MONTHS: Final = (
    "January February March April May June July August September October November December"
).split()  # the standard library's names follow the locale


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """
    When deer of the area are mostly born, and when this one was taken.

    Parameters
    ----------
    birth_month, harvest_month : int
        1 (January) to 12.

    Raises
    ------
    InputError
        If a month is not 1 to 12.
    """

    birth_month: int
    harvest_month: int

    def __post_init__(self) -> None:
        for name, month in (("birth month", self.birth_month), ("harvest month", self.harvest_month)):
            if month not in range(1, 13):
                raise InputError(f"season: {name} {month!r}; needs 1 to 12. Leave the season out if unknown.")


def season_note(season: Season) -> str | None:
    """What a reader must know where the months are not those that the labels mean; None where they are."""
    months = (season.harvest_month - season.birth_month) % 12
    if months in USUAL_MONTHS:
        return None
    shift = months - MEANT_MONTHS
    run = f"{abs(shift)} months {'behind' if shift < 0 else 'ahead of'} the key"
    born, taken = _MONTHS[season.birth_month - 1], _MONTHS[season.harvest_month - 1]
    here = f"{months}, {12 + months} or {24 + months}"
    meant = f"{MEANT_MONTHS}, {12 + MEANT_MONTHS} or {24 + MEANT_MONTHS}"
    return (
        f"Born about {born} and taken in {taken}, deer here are about {here} months old where the key means "
        f"{meant}: teeth run {run}, so neighbouring young classes are blurred."
    )
