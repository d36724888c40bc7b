"""Masks as COCO keeps them: every polygon and run length by the format's own library, pixel for pixel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from crestgauge.inference.errors import InputError
from crestgauge.inference.exchange.masks import mask_of, polygons_of, run_lengths

SHAPES = hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9)


@given(hnp.arrays(bool, SHAPES))
@settings(max_examples=60, deadline=None)
def test_polygons_are_the_mask(mask):
    """Holes, corners that touch, single pixels: what comes back is the mask, with nothing lost or added."""
    assert np.array_equal(mask_of(polygons_of(mask), mask.shape), mask)


# pycocotools hands numpy an array type of its own that does not know NumPy 2's copy keyword.
@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
@given(hnp.arrays(bool, SHAPES, elements=st.booleans()).filter(np.any))
@settings(max_examples=30, deadline=None)
def test_polygons_by_the_reference_library(mask):
    """pycocotools fills our polygons with the same pixels, and decodes our run lengths to them."""
    coco_mask = pytest.importorskip("pycocotools.mask")
    height, width = mask.shape
    joined = coco_mask.merge(coco_mask.frPyObjects(polygons_of(mask), height, width))
    assert np.array_equal(np.asarray(coco_mask.decode(joined)).astype(bool), mask)
    runs = {"size": [height, width], "counts": run_lengths(mask)}
    whole = coco_mask.decode(coco_mask.frPyObjects(runs, height, width))
    assert np.array_equal(np.asarray(whole).astype(bool), mask)


def test_a_drawn_outline_keeps_its_width():
    """
    A band 9 px wide drawn as a turned rectangle has the area of the rectangle: 9 x 60 px, to 1 % (pixels at
    the rim come and go). An outline through pixel centres would be 11 % narrower.
    """
    angle = np.deg2rad(23)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[-30, -4.5], [30, -4.5], [30, 4.5], [-30, 4.5]]) @ turn.T + [50.3, 40.7]
    mask = mask_of([corners.ravel().tolist()], (80, 100))
    assert mask.sum() == pytest.approx(540, rel=0.01)


def test_a_large_mask_with_holes():
    """Blobs of a size that jaws have, there and back."""
    rng = np.random.default_rng(3)
    mask = cv2.GaussianBlur(rng.random((200, 500)), (0, 0), 6) > 0.5
    assert np.array_equal(mask_of(polygons_of(mask), mask.shape), mask)


@pytest.mark.parametrize(
    ("segmentation", "words"),
    [
        ([[1, 1, 30, 1, 5, 5]], r"\(30, 1\) outside the picture of 20 x 10 px"),
        ([[1, 1, 3, 3]], "2 points"),
        ([[1, 1, float("nan"), 3, 4, 4]], "finite"),
        ([["a", "b"]], "cannot be read"),
        ({"size": [20, 10], "counts": [200]}, "size"),
        ({"size": [10, 20], "counts": [-1, 5]}, "run lengths"),
        ({"size": [10, 20], "counts": [150, 100]}, "add up to 250"),
        ("text", "mask of size"),
    ],
)
def test_what_is_no_mask(segmentation, words):
    with pytest.raises(InputError, match=words):
        mask_of(segmentation, (10, 20))
