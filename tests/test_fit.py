"""Fit checks: each limit refuses on its far side, cautions near it, and is silent on the near side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from painted_jaws import result

from crestgauge.inference.evidence import Quantity
from crestgauge.inference.fine_pass import FinePass
from crestgauge.inference.fit import both
from crestgauge.inference.fit_limits import ADVICE, SECOND_ROW, Elsewhere, Fit, FitLimits
from crestgauge.inference.fit_row import check_row
from crestgauge.inference.fit_search import check_search
from crestgauge.inference.measured import MeasuredRow, ToothFlag
from crestgauge.inference.row import RowSearch
from crestgauge.inference.views import View, both_views

LIMITS = FitLimits()
REASONS = {
    "not_a_jaw",
    "no_chewing_surface",
    "tilted",
    "blurred",
    "too_small",
    "glare",
    "dark",
    "cut_off",
    "covered",
    "two_rows",
    "teeth_unclear",
}


def check(row: MeasuredRow | None = None, *, crop: np.ndarray | None = None, maps=None, elsewhere=None):
    """`check_row` on the painted adult jaw, with something changed."""
    found = result("adult")
    fine = FinePass(
        frame=found.frame,
        crop=found.crop if crop is None else crop,
        maps=found.maps if maps is None else maps,
        row=found.row if row is None else row,
    )
    return check_row(fine, (found.photo.width, found.photo.height), elsewhere=elsewhere or Elsewhere())


def from_above(tilt_deg: float, u: float = 0.1) -> View:
    """A view that far from straight above."""
    return View(x=float(np.sin(np.radians(tilt_deg))), y=0.0, u=u)


def reasons(fit) -> list[str]:
    return [item.reason for item in fit.retake]


def test_every_reason_has_one_sentence_of_advice():
    assert set(ADVICE) == REASONS
    for words in ADVICE.values():
        assert words.endswith(".") and words.count(". ") == 0


def test_a_good_photo_passes_without_a_word():
    assert check().retake == ()
    assert [words.split()[2:4] for words in check().cautions] == [["pixels", "per"]]  # 16 of them


@pytest.mark.parametrize(
    ("tilt", "refused", "cautioned"), [(14.9, False, False), (15.1, False, True), (25.1, True, False)]
)
def test_tilt(tilt, refused, cautioned):
    fit = check(replace(result("adult").row, tilt_deg=Quantity(tilt, 1.0)))
    assert reasons(fit) == (["tilted"] if refused else [])
    assert (len(fit.cautions) == 2) == cautioned  # beside that on pixels per millimetre
    if refused:
        assert (fit.retake[0].measured, fit.retake[0].limit) == (tilt, LIMITS.max_tilt_deg)


def test_both_passes_say_whether_a_row_is_tilted():
    """By their mean, as single pictures fool the fine pass; a tilt by a card stands alone."""
    row = replace(result("adult").row, tilt_deg=Quantity(30.0, 3.0))
    for coarse, refused in ((None, True), (19.0, False), (21.0, True)):
        fit = check(row, elsewhere=Elsewhere(tilt_deg=coarse))
        assert reasons(fit) == (["tilted"] if refused else [])
    assert fit.retake[0].measured == pytest.approx(25.5)


def test_the_stated_tilt_cautions():
    row = replace(result("adult").row, tilt_deg=Quantity(30.0, 3.0))
    for stated, cautioned in ((15.2, True), (14.8, False)):
        fit = check(row, elsewhere=Elsewhere(tilt_deg=5.0, both_deg=stated))
        assert fit.retake == ()
        assert any("15 degrees from the side" in text for text in fit.cautions) is cautioned


def test_the_coarse_pass_sees_a_blur_that_the_fine_pass_does_not():
    """The wider of both counts. Enamel of the painted jaw is 0.55 to 0.65 mm at 16 px per mm, 9 to 10 px, so
    a third of it, the limit, is 2.9 to 3.5 px."""
    sharp = result("adult").row
    for coarse, refused in ((None, False), (2.8, False), (3.6, True)):
        fit = check(sharp, elsewhere=Elsewhere(blur_px=coarse))
        assert reasons(fit) == (["blurred"] if refused else [])
    assert fit.retake[0].measured < LIMITS.min_band_over_blur
    assert reasons(check(replace(sharp, blur_px=3.6), elsewhere=Elsewhere(blur_px=1.0))) == ["blurred"]


def test_unknown_tilt_and_blur_refuse_nothing():
    assert check(replace(result("adult").row, tilt_deg=None, blur_px=None)).retake == ()


@pytest.mark.parametrize(
    ("times", "refused", "cautioned"),
    [(4.1, False, False), (3.9, False, True), (3.1, False, True), (2.9, True, False)],
)
def test_blur_is_judged_by_the_measured_enamel(times, refused, cautioned):
    """The painted jaw's enamel bands are 9 * 1.05 px wide."""
    fit = check(replace(result("adult").row, blur_px=9.45 / times))
    assert reasons(fit) == (["blurred"] if refused else [])
    assert (len(fit.cautions) == 2) == cautioned  # beside that on pixels per millimetre


def test_glare_is_a_blank_plateau_beside_the_enamel():
    found = result("adult")
    crop = found.crop.copy()
    crop[found.maps.block("material").argmax(axis=0) == 3] = 255  # enamel alone, as under a flash
    assert check(crop=crop).retake == ()
    for white in (255, 226):  # a copy may have lowered the clipped white
        assert reasons(check(crop=np.full_like(found.crop, white))) == ["glare"]
    rng = np.random.default_rng(4)
    lively = rng.integers(150, 256, found.crop.shape, dtype=np.uint8)  # bright, but not blank
    assert check(crop=lively).retake == ()


def test_dark():
    fit = check(crop=result("adult").crop // 8)
    assert reasons(fit) == ["dark"]
    assert fit.retake[0].measured < LIMITS.min_light


def changed(position: int, **change: object) -> MeasuredRow:
    row = result("adult").row
    teeth = tuple(replace(t, **change) if t.position == position else t for t in row.teeth)
    return replace(row, teeth=teeth)


def test_cut_off_and_covered_only_count_where_the_key_asks():
    assert reasons(check(changed(6, flags=ToothFlag.CUT_BY_BORDER))) == ["cut_off"]
    assert reasons(check(changed(1, flags=ToothFlag.CUT_BY_BORDER))) == []
    hidden = {"state": "unseen", "centre": (600.0, 600.0), "box": None}
    assert reasons(check(changed(5, **hidden))) == ["covered"]
    assert reasons(check(changed(5, state="unseen", centre=(-40.0, 600.0)))) == ["cut_off"]
    assert reasons(check(changed(2, state="unseen"))) == []
    assert reasons(check(changed(6, state="absent", centre=(-40.0, 600.0)))) == []


def test_a_crown_in_view_whose_tooth_is_not_known_is_not_covered():
    """A numbering that lobes speak against, or a tooth 3 of unknown kind, covers nothing."""
    (found,) = check(changed(3, state="unseen")).retake
    assert (found.reason, found.measured) == ("teeth_unclear", 1)
    row = changed(3, state="unseen")
    both_kinds = (*row.teeth[:5], replace(row.teeth[5], state="unseen", box=None))
    assert reasons(check(replace(row, teeth=both_kinds))) == ["teeth_unclear"]


def test_dentine_without_a_rim_of_enamel_is_something_that_covers_the_tooth():
    (refused,) = check(changed(4, enclosed=LIMITS.min_enclosed - 0.01)).retake
    assert (refused.reason, refused.limit) == ("covered", LIMITS.min_enclosed)
    assert refused.measured == pytest.approx(LIMITS.min_enclosed - 0.01)
    assert reasons(check(changed(4, enclosed=LIMITS.min_enclosed))) == []
    assert reasons(check(changed(4, enclosed=None))) == []


def test_missing_rims_count_on_whole_teeth_that_the_key_asks_about_and_after_other_faults():
    assert reasons(check(changed(2, enclosed=0.0))) == []
    assert reasons(check(changed(4, enclosed=0.0, state="broken"))) == []
    assert reasons(check(changed(4, enclosed=0.0), crop=result("adult").crop // 8)) == ["dark"]


def test_a_number_where_the_materials_show_no_tooth_is_something_that_covers_it():
    (refused,) = check(changed(5, off_crown=LIMITS.max_off_crown + 0.01)).retake
    assert (refused.reason, refused.limit) == ("covered", LIMITS.max_off_crown)
    assert refused.measured == pytest.approx(LIMITS.max_off_crown + 0.01)
    assert reasons(check(changed(5, off_crown=LIMITS.max_off_crown))) == []
    assert reasons(check(changed(5, off_crown=1.0, state="erupting"))) == []  # under its gum
    assert reasons(check(changed(2, off_crown=1.0))) == []


def test_walls_alone_are_no_chewing_surface():
    from crestgauge.inference.maps import LabelMaps

    channels = result("adult").maps.channels.copy()
    channels[2] += channels[3:6].sum(axis=0)
    channels[3:6] = 0
    assert reasons(check(maps=LabelMaps(channels))) == ["no_chewing_surface"]


def test_no_row_after_the_fine_pass_is_not_a_jaw():
    found = result("adult")
    size = (found.photo.width, found.photo.height)

    def at(blur_px: float | None) -> list[str]:
        elsewhere = Elsewhere(blur_px=blur_px)
        fine = FinePass(frame=found.frame, crop=found.crop, maps=found.maps, row=None)
        return reasons(check_row(fine, size, elsewhere=elsewhere))

    assert at(None) == at(1.0) == ["not_a_jaw"]
    # Unless the coarse pass, which found the row, sees a blur as wide as the enamel: 0.55 mm at 16 px per mm.
    assert at(9.0) == ["blurred"]


def test_scale():
    from crestgauge.inference.maps import RowFrame
    from crestgauge.inference.nominal import CROP_PX_PER_MM

    found = result("adult")
    size = (found.photo.width, found.photo.height)

    def at(px_per_mm: float, by_card: float | None = None):
        frame = RowFrame(np.eye(2, 3) * CROP_PX_PER_MM / px_per_mm)
        row = replace(found.row, blur_px=None)
        elsewhere = Elsewhere(px_per_mm=by_card)
        fine = FinePass(frame=frame, crop=found.crop, maps=found.maps, row=row)
        return check_row(fine, size, elsewhere=elsewhere)

    # 10 px per mm of the smallest animals, whose row is 0.85 of the nominal one; 10 by a card.
    assert reasons(at(8.4)) == ["too_small"] and at(8.4).retake[0].limit == pytest.approx(8.5)
    assert reasons(at(8.6)) == [] and at(8.6).cautions
    assert reasons(at(12.0, by_card=9.9)) == ["too_small"]
    assert at(12.0, by_card=9.9).retake[0].measured == 9.9
    assert reasons(at(7.0, by_card=10.1)) == [] and at(7.0, by_card=10.1).cautions
    assert at(20.1) == at(40.0) == at(7.0, by_card=20.1)
    assert at(20.1).cautions == ()


def test_a_side_view_is_no_chewing_surface_and_nothing_else():
    fit = check(replace(result("adult").row, tilt_deg=Quantity(70.0, 5.0), blur_px=99.0))
    assert reasons(fit) == ["no_chewing_surface"]


def with_crowns(search: RowSearch, **changes) -> RowSearch:
    """The same search with other crowns."""
    return replace(search, crowns=replace(search.crowns, **changes))


def seen(fine: float | None, coarse: float | None, p: float = 1.0) -> list[str]:
    """Reasons for a row that the fine pass sees at one tilt, with numbers that sure, and the coarse pass at
    another."""
    tilt = None if fine is None else Quantity(fine, 3.0)
    together = None
    if fine is not None and coarse is not None:
        together = both_views(from_above(fine, 0.05), from_above(coarse, 0.2)).tilt_deg().value
    elsewhere = Elsewhere(tilt_deg=coarse, both_deg=together)
    return reasons(check(replace(with_numbers(p), tilt_deg=tilt), elsewhere=elsewhere))


def test_both_passes_must_see_the_side():
    """On drawn photos at 48 and 51 degrees the fine pass saw 83 and 61, the coarse pass 28 and 31."""
    assert seen(83, 28) == seen(61, 31) == seen(39, 45) == ["tilted"]
    assert seen(41, 41) == seen(60, 48) == ["no_chewing_surface"]
    assert seen(5, 48) == seen(None, 48) == []


def test_where_the_teeth_are_not_known_the_coarse_pass_says_whether_it_is_the_side():
    """On drawn photos at 72 and 73 degrees the fine pass saw 36 and 14, the coarse pass 28 and 46."""
    assert seen(36, 28, p=0.74) == seen(14, 46, p=0.72) == seen(None, 40, p=0.7) == ["no_chewing_surface"]
    assert seen(41, 24, p=0.74) == ["tilted"]
    assert seen(36, None, p=0.94) == ["tilted"]  # by a card


def test_a_few_teeth_far_away_are_too_small_rather_than_no_jaw():
    bare = result("bare").search
    small = replace(bare, teeth=(4, 5), fill=0.9, order_score=0.9, row_length_px=290.0)
    far = with_crowns(small, view=from_above(5.0))
    maps = result("adult").maps
    fit = check_search(far, maps)
    assert reasons(fit) == ["too_small"] and fit.retake[0].measured == pytest.approx(290 / 82)
    assert reasons(check_search(replace(far, order_score=0.1), maps)) != ["too_small"]
    assert reasons(check_search(replace(far, row_length_px=1600.0), maps)) != ["too_small"]


def test_bone_with_hardly_a_tooth_is_told_from_no_jaw():
    """No tooth at all: no row to be seen. A bit of one seen from above: the rest is covered, else it would be
    in view. Seen from the side: no chewing surface. Without bone, crowns may be anything."""
    from crestgauge.inference.maps import LabelMaps

    bare = result("bare").search
    empty = result("adult").maps.channels[:, :384, :512] * 0
    bone, nothing = LabelMaps(empty), LabelMaps(empty + 1.0)
    assert reasons(check_search(bare, bone)) == reasons(check_search(bare, nothing)) == ["not_a_jaw"]
    bit = with_crowns(replace(bare, crown_px=400.0), view=from_above(10.0))
    assert reasons(check_search(bit, bone)) == ["covered"]
    assert reasons(check_search(bit, nothing)) == ["not_a_jaw"]
    assert reasons(check_search(with_crowns(bit, view=from_above(26.0)), bone)) == ["no_chewing_surface"]


def test_a_second_row_is_a_caution_and_no_refusal():
    """From its share of the row's own label area on; stray patches stay unmentioned."""
    seen, maps = result("adult").search, result("adult").maps
    assert check_search(seen, maps) == Fit()
    beside = check_search(replace(seen, second_row=LIMITS.second_row), maps)
    assert beside == Fit(cautions=(SECOND_ROW,))
    assert check_search(replace(seen, second_row=LIMITS.second_row - 0.01), maps) == Fit()


def test_two_rows_of_which_either_may_be_meant_are_refused():
    """
    The row that is read is the larger one: refused where the other lies nearer to the middle, or, as near,
    is worn otherwise and so another animal's. The other half of the same jaw is none.
    """
    seen, maps = result("adult").search, result("adult").maps
    two = replace(seen, second_row=0.6)
    assert check_search(replace(two, second_nearer=0.0, second_wear=0.1), maps) == Fit(cautions=(SECOND_ROW,))
    assert check_search(replace(two, second_nearer=-0.1, second_wear=0.5), maps) == Fit(
        cautions=(SECOND_ROW,)
    )
    for nearer, wear in ((0.06, 0.0), (0.0, 0.3), (-0.04, 0.3)):
        assert reasons(check_search(replace(two, second_nearer=nearer, second_wear=wear), maps)) == [
            "two_rows"
        ]


def test_limits_are_ordered():
    """A caution begins on the good side of its refusal."""
    assert LIMITS.caution_px_per_mm > LIMITS.min_px_per_mm
    assert LIMITS.caution_tilt_deg < LIMITS.max_tilt_deg
    assert LIMITS.caution_band_over_blur > LIMITS.min_band_over_blur


def with_numbers(p: float) -> MeasuredRow:
    row = result("adult").row
    return replace(row, teeth=tuple(replace(t, number_p=p) for t in row.teeth))


def test_teeth_that_cannot_be_told_apart_are_not_measured():
    """Said only where nothing else is found wrong, since it names no cause."""
    assert check(with_numbers(0.91)).retake == ()
    fit = check(with_numbers(0.89))
    assert reasons(fit) == ["teeth_unclear"]
    assert (fit.retake[0].measured, fit.retake[0].limit) == (pytest.approx(0.89), 0.9)
    assert reasons(check(with_numbers(0.5), crop=result("adult").crop // 8)) == ["dark"]


def test_crowns_too_few_for_their_breadth_are_part_of_a_row():
    """Cut off where they touch the border, else covered; where there is no jaw, nothing is covered."""
    seen, maps = result("adult").search, result("adult").maps
    assert seen.crowns.shape > LIMITS.min_row_shape
    stout = with_crowns(replace(seen, frame=None), shape=4.0)
    fit = check_search(stout, maps)
    assert reasons(fit) == ["covered"]
    assert (fit.retake[0].measured, fit.retake[0].limit) == (4.0, LIMITS.min_row_shape)
    assert reasons(check_search(replace(stout, borders=("left",)), maps)) == ["cut_off"]
    assert check_search(replace(stout, frame=seen.frame), maps) == Fit()
    least = 7 * LIMITS.min_px_per_mm * LIMITS.least_row
    assert seen.crowns.breadth_px > least
    far = with_crowns(replace(stout, row_length_px=300.0), breadth_px=least - 1)
    assert reasons(check_search(far, maps)) == ["too_small"]
    nothing = replace(maps, channels=maps.channels * 0)
    nothing.block("material")[0] = 1.0
    assert reasons(check_search(with_crowns(result("bare").search, shape=4.0), nothing)) == ["not_a_jaw"]


def test_crowns_that_end_where_the_bone_ends_are_part_of_a_row():
    found, maps = result("adult").search, result("adult").maps
    ends = with_crowns(replace(found, frame=None, order_score=0.0), bare_end=0.81)
    fit = check_search(ends, maps)
    assert reasons(fit) == ["covered"]
    assert (fit.retake[0].measured, fit.retake[0].limit) == (0.81, LIMITS.max_bare_end)
    assert reasons(check_search(replace(ends, borders=("left",)), maps)) == ["cut_off"]
    assert reasons(check_search(with_crowns(ends, bare_end=0.79), maps)) == ["not_a_jaw"]
    assert reasons(check_search(with_crowns(ends, view=from_above(26.0)), maps)) == ["no_chewing_surface"]


def small_row(p: float) -> tuple[MeasuredRow, Fit]:
    """The adult's row three times too far away, with numbers that sure."""
    found = result("adult")
    far = replace(found.frame, matrix=found.frame.matrix * 3.0)
    row = replace(with_numbers(p), blur_px=None)
    fine = FinePass(frame=far, crop=found.crop, maps=found.maps, row=row)
    return row, check_row(fine, (found.photo.width, found.photo.height))


def test_part_of_a_row_is_not_called_small_or_unclear():
    """Only where it is refused for that already: a fawn's row of four teeth is as stout, and is read."""
    found = result("adult")
    row, small = small_row(0.91)
    assert reasons(small) == ["too_small"]
    for part in (with_crowns(found.search, shape=4.0), with_crowns(found.search, bare_end=1.0)):
        assert reasons(both(part, small, row)) == ["covered"]
        tilted = Fit(retake=small.retake + check(replace(row, tilt_deg=Quantity(40.0, 3.0))).retake)
        assert reasons(both(part, tilted, row)) == ["too_small", "tilted"]
        assert reasons(both(part, check(with_numbers(0.5)), with_numbers(0.5))) == ["covered"]
        assert both(part, check(), with_numbers(0.91)) == check()
    assert reasons(both(found.search, small, row)) == ["too_small"]
    fawn = result("fawn")
    assert fawn.search.crowns.shape < LIMITS.min_row_shape and fawn.reading.outcome == "clear"


def test_a_whole_row_is_no_part_however_it_looks():
    """What is far away looks stout to the coarse pass, whose pixels are as large as a tooth is broad."""
    row, small = small_row(0.96)
    stout = with_crowns(result("adult").search, shape=4.0, bare_end=1.0)
    assert reasons(both(stout, small, row)) == ["too_small"]


def test_a_row_of_unsure_numbers_that_runs_into_the_border_is_cut_off():
    """It may be numbered from the wrong end; with sure numbers the first tooth may touch the border."""
    cut = replace(result("adult").search, borders=("right",))
    assert reasons(both(cut, Fit(), with_numbers(0.92))) == ["cut_off"]
    assert both(cut, Fit(), with_numbers(0.96)) == Fit()
    assert both(result("adult").search, Fit(), with_numbers(0.92)) == Fit()
