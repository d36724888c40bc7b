"""Photos as copies of old prints: what changes, what stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from crestgauge.training.prints import CONTRAST, GRAIN, GREY, PAPER, as_print, print_folder


def test_a_print_is_grey_flat_grainy_and_yellowed():
    """
    Red, green and blue of one brightness become one grey on paper; two greys 100 levels apart come to lie
    100 x CONTRAST apart. A mean over 20,000 pixels of grain is known to 0.3 levels, and rounding down takes
    half of one.
    """
    pixels = np.zeros((100, 400, 3), dtype=np.uint8)
    pixels[:, :200], pixels[:, 200:] = 160, 60
    found = as_print(pixels, np.random.default_rng(1)).astype(float)
    light, dark = found[:, :190].mean(axis=(0, 1)), found[:, 210:].mean(axis=(0, 1))
    np.testing.assert_allclose(light - dark, 100 * CONTRAST * np.array(PAPER), atol=0.6)
    np.testing.assert_allclose(light, (GREY + CONTRAST * (160 - GREY)) * np.array(PAPER) - 0.5, atol=0.6)
    # A Gaussian of sigma s leaves 1 / (2 s sqrt(pi)) of white noise's deviation.
    assert found[:, :190, 0].std() == pytest.approx(GRAIN / (2 * 1.2 * np.sqrt(np.pi)), rel=0.1)


def test_a_folder_keeps_labels_and_truth_and_gives_the_same_prints_again(tmp_path):
    data = tmp_path / "data"
    for part in ("photos", "labels", "truth"):
        (data / part).mkdir(parents=True)
    rng = np.random.default_rng(2)
    cv2.imwrite(str(data / "photos" / "jaw-0007.jpg"), rng.integers(0, 256, (80, 120, 3), dtype=np.uint8))
    (data / "photos" / "notes.txt").write_text("no photo", encoding="utf-8")
    (data / "truth" / "jaw-0007.json").write_text("{}", encoding="utf-8")
    (data / "labels" / "jaw-0007.tooth.png").write_bytes(b"as it is")
    made = [print_folder(data, tmp_path / name) for name in ("one", "two", "one")]
    names = [sorted(p.relative_to(each).as_posix() for p in each.rglob("*.*")) for each in made]
    assert names[0] == names[1] == ["labels/jaw-0007.tooth.png", "photos/jaw-0007.jpg", "truth/jaw-0007.json"]
    assert (made[0] / "labels" / "jaw-0007.tooth.png").read_bytes() == b"as it is"
    pictures = [(each / "photos" / "jaw-0007.jpg").read_bytes() for each in made]
    assert pictures[0] == pictures[1] != (data / "photos" / "jaw-0007.jpg").read_bytes()
