"""What is drawn: views, conditions and the families of conditions that can be held out of training."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from crestgauge.inference.errors import InputError

View = Literal["fine", "coarse"]

LIGHTS = ("overcast", "sun", "lamp", "flash", "window")
BACKGROUNDS = ("plain", "wood", "cloth", "metal", "grass", "gravel", "paper", "picture", "dark", "earth")
STAINS = ("pale", "honey", "brown", "black")
SHAPES = ("typical", "broad", "narrow", "irregular")

FAMILIES = {"light": LIGHTS, "background": BACKGROUNDS, "stain": STAINS, "shape": SHAPES}

UNUSABLE = (
    "tilted",
    "blurred",
    "too_small",
    "no_chewing_surface",
    "cut_off",
    "not_a_jaw",
    "glare",
    "dark",
    "covered",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawOptions:
    """
    Options of one drawn batch.

    Parameters
    ----------
    view : "fine" or "coarse"
        fine: the tooth row turned level at measuring resolution. coarse: the whole photograph, letterboxed.
    width, height : int
        Size of the drawn picture. [px]
    hold_out : tuple of str
        Conditions left out of the draw, as ``"light:sun"`` or ``"background:grass"``.
    only : tuple of str
        The other way round: within a named family draw these conditions alone.
    share_without_jaw : float
        Share of pictures without a tooth row (empty ground, objects, bare bone).
    steep_share : float
        Share of pictures from 15 to 80 degrees off the normal; the others stay within the few degrees of a
        careful hand.
    blur_px : tuple of float
        Range of the sigma of all blur (log-uniform). [px of the drawn picture]
    density : tuple of float
        Range of sensor pixels per pixel of the drawn picture.

    Raises
    ------
    InputError
        If a condition is unknown or nothing is left to draw.
    """

    view: View = "fine"
    width: int = 1536
    height: int = 448
    hold_out: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    share_without_jaw: float = 0.04
    steep_share: float = 0.28
    blur_px: tuple[float, float] = (0.4, 6.0)
    density: tuple[float, float] = (0.4, 1.0)

    def __post_init__(self) -> None:
        for name in (*self.hold_out, *self.only):
            family, _, condition = name.partition(":")
            if condition not in FAMILIES.get(family, ()):
                raise InputError(
                    f"draw options: unknown condition {name!r}; needs family:condition out of {FAMILIES}"
                )
        for family in FAMILIES:
            if not self.allowed(family):
                raise InputError(f"draw options: nothing is left to draw of family {family!r}")

    def allowed(self, family: str) -> tuple[str, ...]:
        """Conditions of ``family`` that may be drawn."""
        kept = [c for c in FAMILIES[family] if f"{family}:{c}" in self.only]
        pool = kept or list(FAMILIES[family])
        return tuple(c for c in pool if f"{family}:{c}" not in self.hold_out)


COARSE = DrawOptions(view="coarse", width=512, height=512, share_without_jaw=0.12, blur_px=(0.6, 5.0))
FINE = DrawOptions()
