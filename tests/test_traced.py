"""The independent picture family: widths from its solids, its labels, its plan."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("scipy", reason="the traced family needs the extra 'traced'")
pytest.importorskip("skimage", reason="the traced family needs the extra 'traced'")

from crestgauge.model.labels import Material
from crestgauge.synthetic_data.traced.blades import Blade
from crestgauge.synthetic_data.traced.conditions import FAULTS
from crestgauge.synthetic_data.traced.crowns import Body, Crown, Lobe, Wear
from crestgauge.synthetic_data.traced.dataset import AGE_RANGES, plan
from crestgauge.synthetic_data.traced.jaws import make_jaw
from crestgauge.synthetic_data.traced.surfaces import Packing, crown_top, worn_volume
from crestgauge.synthetic_data.traced.widths import lobe_spans, measure_crest, station_edges

NO_CHIPS, NO_WAVES = np.zeros((0, 4)), np.zeros((0, 4))


def straight_blade(y: float, out_sign: int, *, enamel: float, slope_in: float, lingual: bool) -> Blade:
    """A blade 8 mm long, parallel to x, with a level crest 8 mm high."""
    x = np.arange(-4.0, 4.0, 0.03)
    ones = np.ones_like(x)
    return Blade(
        line=np.column_stack([x, y * ones]), height=8.0 * ones, out_sign=out_sign, top=0.35, slope_out=0.15,
        slope_in=slope_in, swell=0.0, bulge=0.0, enamel_out=enamel * ones, enamel_in=0.8 * enamel * ones,
        enamel_top=enamel * ones, lobe=1, lingual=lingual,
    )  # fmt: skip


def block(depth: float, slope: float = 0.0) -> Crown:
    """One lobe of two straight blades 5 mm apart, cut ``depth`` mm below the tongue-side crest."""
    blades = (
        straight_blade(2.5, 1, enamel=0.6, slope_in=0.2, lingual=True),
        straight_blade(-2.5, -1, enamel=0.6, slope_in=0.2, lingual=False),
    )
    basin = np.vstack([blades[0].line, blades[1].line[::-1]])
    lobe = Lobe(number=1, x0=-4.0, x1=4.0, main=True, basin=basin)
    body = Body(x=0.0, y=0.0, half_x=4.0, half_y=3.0, top=0.5, enamel=0.5)
    wear = Wear(
        level=8.0 - depth - 2.5 * slope,
        slope_x=0.0,
        slope_y=slope,
        hollow=0.0,
        waves=NO_WAVES,
        sink=0.2,
        chips=NO_CHIPS,
    )
    return Crown(blades=blades, bodies=(body,), lobes=(lobe,), half_length=6.0, half_width=5.0, wear=wear)


def seen(crown: Crown, step: float = 0.035):
    x, y, z, volume = worn_volume(crown, 0.15, Packing(below=1.5, lumps=0.05, seed=1))
    return crown_top(crown, step, x, y, z, volume)


@pytest.mark.parametrize("depth", [2.0, 3.0, 4.5])
def test_block_of_known_shape_gives_its_known_widths(depth):
    """Half widths by the blade's own law: top + slope * depth on each side, less the enamel of that side.

    Tolerance 0.012 mm: profiles are stepped at 0.01 mm with straight lines between.
    """
    crown = block(depth)
    crest = measure_crest(crown, seen(crown), 0)
    dentine, outer, inner = crest.widths()
    assert not crest.infundibulum_gone
    assert np.nanmedian(outer) == pytest.approx(0.6, abs=0.012)
    assert np.nanmedian(inner) == pytest.approx(0.48, abs=0.012)
    assert np.nanmedian(dentine) == pytest.approx(0.70 + 0.35 * depth - 1.08, abs=0.012)


def test_sloping_cut_lengthens_the_bands_on_the_surface():
    """On a cut that climbs at slope m towards the tongue, enamel of side slope k and level thickness t is
    t * sqrt(1 + m^2) / (1 -+ k m) wide: the wall comes towards or goes away from the cut. Solved by hand.

    Tolerance 0.015 mm as above, plus the straight profile's 0.01 mm step on two edges.
    """
    m, t_out, t_in = 0.3, 0.6, 0.48
    crown = block(3.5, slope=m)
    _, outer, inner = measure_crest(crown, seen(crown), 0).widths()
    stretch = np.sqrt(1.0 + m * m)
    assert np.nanmedian(outer) == pytest.approx(t_out * stretch / (1.0 + 0.15 * m), abs=0.015)
    assert np.nanmedian(inner) == pytest.approx(t_in * stretch / (1.0 - 0.2 * m), abs=0.015)


def test_fused_enamel_is_no_inner_band():
    """Dentine, enamel, dentine without a gap: an outer band and two dentine edges, but no inner rim."""
    s = np.arange(-5.0, 3.0, 0.01)
    outer = np.abs(s + 1.0) - 3.0
    core = np.where(s > -1.5, np.abs(s) - 0.8, np.abs(s + 2.5) - 0.9)
    edges = station_edges(s, outer, core)
    assert edges[:3] == pytest.approx([2.0, 0.8, -0.8], abs=1e-6)
    assert np.isnan(edges[3])


def test_widths_agree_with_the_label_map_seen_from_above():
    """A real molar: pixel counts across the crest in the middle column against the widths from the solids.

    Tolerance 2.5 map pixels of 0.035 mm: two edges, and a profile not quite square to the map's columns.
    """
    jaw = make_jaw(np.random.default_rng(8), 4.5, "left")
    tooth = jaw.teeth[3]
    top = seen(tooth.crown)
    crest = measure_crest(tooth.crown, top, 0)
    # The map is a plan view, so compare lengths in plan, not on the sloping surface.
    outer, dentine, inner = np.linalg.norm(np.diff(crest.edges[:, :, :2], axis=1), axis=2).T
    k = int(np.nanargmax(dentine))
    place = crest.edges[k]
    column = int(np.argmin(np.abs(top.x - place[1, 0])))
    rows = np.flatnonzero(
        np.abs(top.y - (place[1, 1] + place[2, 1]) / 2) < (dentine[k] + outer[k] + inner[k]) / 2 + 0.3
    )
    strip = top.material[rows, column]
    tangent = crest.line[-1, :2] - crest.line[0, :2]
    lean = abs(tangent[0]) / np.hypot(*tangent)
    assert (strip == Material.DENTINE).sum() * 0.035 * lean == pytest.approx(dentine[k], abs=2.5 * 0.035)
    assert (strip == Material.ENAMEL_BAND).sum() * 0.035 * lean == pytest.approx(
        outer[k] + inner[k], abs=4 * 0.035
    )


def test_lobe_spans_run_from_halfway_to_halfway():
    empty = np.zeros((0, 2))
    lobes = tuple(
        Lobe(number=k, x0=a, x1=b, basin=empty, main=True) for k, a, b in ((1, 0, 4), (2, 4, 10), (3, 10, 12))
    )
    assert lobe_spans(lobes) == [(-1.0, 4.5), (4.5, 9.0), (9.0, 13.0)]


def test_wear_goes_in_order_with_age():
    """Deeper cuts lay more dentine open: m1 of ever older jaws of one seed."""
    shares = []
    for age in (1.6, 3.5, 5.5, 8.5):
        crown = make_jaw(np.random.default_rng(5), age, "right").teeth[3].crown
        shares.append((seen(crown, 0.06).material == Material.DENTINE).mean())
    assert shares == sorted(shares) and shares[-1] > 0.25


def test_plan_goes_round_all_ages_and_faults():
    plans = [plan(k) for k in range(65)]
    usable = [band for band, fault in plans if fault is None]
    assert {fault for _, fault in plans} == {None, *FAULTS}
    counts = np.bincount(usable, minlength=len(AGE_RANGES))
    assert len(usable) == 52 and counts.min() >= 5


def test_same_seed_same_teeth():
    """Two draws of one seed cut the same crown: materials and widths are equal to the last bit."""
    tops = [seen(make_jaw(np.random.default_rng(11), 3.5, "left").teeth[4].crown, 0.08) for _ in range(2)]
    assert np.array_equal(tops[0].material, tops[1].material) and np.array_equal(
        tops[0].height, tops[1].height
    )


@pytest.mark.slow
def test_same_seed_same_picture():
    """Two tiny renders of one seed are the same array, labels and truth too. Minutes on a busy core."""
    pytest.importorskip("mitsuba", reason="the renderer comes with the extra 'traced'")
    from crestgauge.synthetic_data.traced.dataset import draw_one
    from crestgauge.synthetic_data.traced.picture import Effort

    effort = Effort(jaw=1, own=1, rest=1, bounces=2)
    one, truth = draw_one(3, 4, effort, size=(320, 240))
    two, again = draw_one(3, 4, effort, size=(320, 240))
    assert one.image.shape == (240, 320, 3)
    assert np.array_equal(one.image, two.image) and np.array_equal(one.material, two.material)
    assert truth == again
