"""Readers, their pages and their calls in a built season, for tests of pages."""

from __future__ import annotations

from built_readings import KEY

from crestgauge.inference.confirm.calls import (
    CallInput,
    file_call,
)
from crestgauge.inference.confirm.corrections import Corrections, edges_from_widths
from crestgauge.inference.confirm.pages import JawOptions, jaw_page
from crestgauge.inference.confirm.views import Viewer

ANN, BEN, CY = (Viewer(person=name) for name in ("Ann", "Ben", "Cy"))
BLIND = Viewer(person="Dora", blind=True)
PAIR = [Viewer(person=name, readers_wanted=2) for name in ("Ann", "Ben", "Cy")]


def page(season, viewer, name="borderline", **more):
    ledger, photos = season
    return jaw_page(ledger, KEY, viewer, photos[name], JawOptions(**more))


def call(season, viewer, name="borderline", **given):
    ledger, _ = season
    return file_call(ledger, viewer, page(season, viewer, name), CallInput(**given))


def narrow(tooth=4, ratio=0.4):
    """Edges on both crests of a tooth that make it clearly narrow or wide."""
    return Corrections(
        edges=tuple(
            edges_from_widths(
                tooth, lobe, dentine_px=20 * ratio, enamel_outer_px=20, enamel_inner_px=20, at=at, zoom=8
            )
            for lobe in (1, 2)
            for at in (0.25, 0.5, 0.75)
        )
    )
