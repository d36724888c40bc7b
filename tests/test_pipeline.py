"""The chain from picture file to reading, on painted jaws of known widths."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.resources import files

import cv2
import numpy as np
import painted_jaws
import pytest
from drawn_row import draw
from painted import paint
from painted_jaws import AT_3_5, photo, reader, result
from PIL import Image

from crestgauge.inference.build import evidence_of
from crestgauge.inference.errors import CriteriaError, PhotoError, WeightsError
from crestgauge.inference.fit_limits import SECOND_ROW
from crestgauge.inference.maps import LabelMaps
from crestgauge.inference.nominal import CROP_PX_PER_MM
from crestgauge.inference.photo import read_photo
from crestgauge.inference.pipeline import Reader, ReadOptions
from crestgauge.inference.reading import Reading
from crestgauge.inference.rules import propose
from crestgauge.model.labels import CHANNELS


def test_widths_ratios_and_class_of_a_known_jaw():
    """
    Ratios within 3.5 % and widths within 0.15 px, the errors seen from resampling a picture whose bands are
    4 to 15 px wide. Widths are in photo px: 1.05 times those drawn.
    """
    reading = result("adult").reading
    assert (reading.outcome, reading.age_class, reading.possible) == ("clear", "3.5", ("3.5",))
    assert reading.side == "left"
    for tooth in reading.teeth:
        assert tooth.state == "erupted" and tooth.milk is False
        for crest in tooth.crests:
            drawn = AT_3_5[tooth.position]
            assert crest.ratio.value == pytest.approx(drawn / 9, rel=0.035)
            assert crest.dentine_px.value == pytest.approx(1.05 * drawn, abs=0.15)
            for enamel in (crest.enamel_outer_px, crest.enamel_inner_px):
                assert enamel.value == pytest.approx(1.05 * 9, abs=0.15)
            assert abs(crest.ratio.value - drawn / 9) < 2 * crest.ratio.u
    assert [len(tooth.crests) for tooth in reading.teeth] == [1, 2, 2, 2, 2, 3]


def test_a_second_row_is_named_and_not_mixed_in(tmp_path):
    """
    An older jaw of the other side 21 nominal mm beside the same jaw: class and ratios are those of the row in
    the middle (3.5 %, as above), with a note that no photo of one row has.
    """
    main = painted_jaws.jaw(AT_3_5, shift=(0, -60), turn_deg=12)  # turned, as pixels of level bands repeat
    older = dict.fromkeys(range(1, 7), 20.0)
    other = painted_jaws.jaw(older, shift=(0, 270), side="right", turn_deg=12)
    a, b = draw(main).channels, draw(other).channels
    both = np.where(b[CHANNELS["tooth"]][:1] < 0.5, b, a)
    Image.fromarray(paint(LabelMaps(both))).save(tmp_path / "two.png")
    found = reader().read(tmp_path / "two.png")
    assert found.search.second_row == pytest.approx(1.0, abs=0.1)
    assert (found.reading.age_class, found.reading.side) == ("3.5", "left")
    for tooth in found.reading.teeth:
        for crest in tooth.crests:
            assert crest.ratio.value == pytest.approx(AT_3_5[tooth.position] / 9, rel=0.035)
    assert SECOND_ROW in found.reading.notes
    assert SECOND_ROW not in result("adult").reading.notes


def test_crest_lines_lie_on_the_drawn_crests():
    """1.5 px: the strip's middle is found on whole pixels, in a crop about as fine as the photo."""
    row = painted_jaws.ROWS["adult"]
    reading = result("adult").reading
    for tooth in reading.teeth:
        place = row.teeth[tooth.position].lobes[0].place
        for crest in tooth.crests:
            x, y = np.array(crest.line).T
            s, t = row.to_row(x, y)
            begin, end = row.lobe_spans(tooth.position)[crest.lobe - 1]
            assert np.abs(t - place).max() < 1.5
            assert begin - 2 < s.min() and s.max() < end + 2


def test_a_borderline_right_jaw_upside_down():
    reading = result("borderline").reading
    assert (reading.outcome, reading.age_class, reading.possible) == ("borderline", "2.5", ("2.5", "3.5"))
    assert reading.side == "right"
    assert reading.deciding == "tooth-4-wide"


def test_a_fawn():
    reading = result("fawn").reading
    assert (reading.outcome, reading.age_class) == ("clear", "0.5")
    assert [tooth.state for tooth in reading.teeth[4:]] == ["absent", "absent"]
    assert reading.teeth[2].milk and reading.teeth[2].lobes == 3


@pytest.mark.parametrize(
    ("name", "reason"), [("bare", "not_a_jaw"), ("cut", "cut_off"), ("small", "too_small")]
)
def test_photos_that_cannot_be_read_say_why(name, reason):
    reading = result(name).reading
    assert (reading.outcome, reading.age_class, reading.possible) == ("retake", None, ())
    assert [item.reason for item in reading.retake] == [reason]
    item = reading.retake[0]
    assert item.measured < item.limit if reason != "cut_off" else item.measured > item.limit
    assert item.advice.endswith(".")


def test_what_could_be_measured_is_kept_on_a_refused_photo():
    small = result("small").reading
    assert all(crest.ratio is not None for tooth in small.teeth for crest in tooth.crests)
    assert small.steps == ()


@pytest.mark.parametrize("name", ["adult", "borderline", "fawn", "bare", "cut", "small"])
def test_every_reading_survives_its_json_and_gives_the_same_class_again(name):
    found = result(name)
    again = Reading.from_json(found.reading.to_json())
    assert again == found.reading
    evidence = evidence_of(again)
    if evidence is not None and found.reading.steps:
        proposal = propose(evidence, reader().criteria)
        assert (proposal.age_class, proposal.possible) == (again.age_class, again.possible)


def test_maps_are_kept_only_on_request():
    assert result("adult").maps is not None
    assert result("borderline").maps is None


def test_rotating_the_file_by_its_exif_tag_changes_no_ratio(tmp_path):
    """
    The same pixels stored sideways give the same picture, so the same numbers to the last digit.
    """
    exif = Image.Exif()
    exif[0x0112] = 6  # stored turned 90 degrees against the clock; viewers turn it back
    upright = Image.open(photo("adult"))
    path = tmp_path / "turned.png"
    upright.transpose(Image.Transpose.ROTATE_90).save(path, exif=exif, compress_level=1)
    turned = reader().read(path).reading
    assert turned.teeth == result("adult").reading.teeth


def test_pixels_with_no_meaning_never_break_the_chain():
    """Noise, stripes and a photo of one colour end as retake, not as an error."""
    rng = np.random.default_rng(5)
    pictures = [
        rng.integers(0, 256, (300, 420, 3), dtype=np.uint8),
        np.full((200, 1000, 3), 255, dtype=np.uint8),
        np.tile(np.arange(256, dtype=np.uint8)[None, :, None], (256, 2, 3)),
    ]
    for pixels in pictures:
        found = reader().read(painted_photo(pixels))
        assert found.reading.outcome == "retake"
        assert found.reading.age_class is None


def painted_photo(pixels: np.ndarray):
    """A photo value object around some pixels."""
    from crestgauge.inference.photo import Photo

    return Photo(file="x.png", sha256="0" * 64, pixels=pixels, format="PNG")


def test_unreadable_weights_and_key_are_named(tmp_path):
    with pytest.raises(WeightsError, match="no fine weights called 'mine'"):
        Reader(ReadOptions(manifest=painted_jaws.manifest(), fine="mine"))
    key = tmp_path / "key.toml"
    key.write_text("schema = 1")
    with pytest.raises(CriteriaError, match=re.escape(key.name)):
        Reader(ReadOptions(manifest=painted_jaws.manifest(), criteria=key))
    with pytest.raises(PhotoError, match="cannot be read"):
        reader().read(tmp_path / "none.jpg")


def test_a_jaw_far_away_is_looked_at_more_closely():
    """
    A shipped example, six times smaller in a large photo, has a sixth of its pixels per mm.

    Within 8 %: its teeth are then 10 photo px broad, and the nominal row is laid over them by their middles.
    """
    near = read_photo(str(files("crestgauge.inference").joinpath("examples/alder-fork-104.jpg")))
    shipped = Reader(ReadOptions(threads=1))
    full = shipped.read(near)
    far = cv2.resize(near.pixels, (near.width // 6, near.height // 6), interpolation=cv2.INTER_AREA)
    pixels = np.empty((1800, 2400, 3), dtype=np.uint8)
    pixels[:] = np.median(near.pixels.reshape(-1, 3), axis=0)
    pixels[200 : 200 + far.shape[0], 300 : 300 + far.shape[1]] = far
    (refused,) = shipped.read(replace(near, pixels=pixels)).reading.retake
    assert refused.reason == "too_small"
    assert full.frame is not None
    assert refused.measured == pytest.approx(CROP_PX_PER_MM / full.frame.scale / 6, rel=0.08)
