"""Pictures for the networks, and sessions that refuse what is not theirs."""

from __future__ import annotations

import functools
import hashlib
from pathlib import Path

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

from crestgauge.inference.errors import WeightsError
from crestgauge.inference.maps import COARSE_LONG_SIDE, CROP_SIZE, RowFrame
from crestgauge.inference.networks import Network, coarse_view, warp_crop
from crestgauge.model.labels import N_CHANNELS
from crestgauge.model.weights import WeightsEntry


def save_network(path: Path, *, channels: int = N_CHANNELS, output: str = "maps") -> WeightsEntry:
    """A network of one 1 x 1 convolution: channel c is the mean of red, green and blue times c."""
    kernel = np.repeat(np.arange(channels, dtype=np.float32)[:, None] / 3, 3, axis=1)[..., None, None]
    graph = helper.make_graph(
        [helper.make_node("Conv", ["image", "kernel"], [output])],
        "test",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, ["N", 3, "H", "W"])],
        [helper.make_tensor_value_info(output, TensorProto.FLOAT, ["N", channels, "H", "W"])],
        [numpy_helper.from_array(kernel, "kernel")],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.save(model, path)
    return entry_of(path)


def entry_of(path: Path) -> WeightsEntry:
    data = path.read_bytes()
    return WeightsEntry(
        name=path.stem,
        role="fine",
        path=path,
        size=len(data),
        sha256=hashlib.sha256(data).hexdigest(),
        licence="Apache-2.0",
        trained_by="tests",
        card="none",
        parity_max_abs=0.0,
        parity={},
    )


def test_a_session_gives_maps_of_the_pictures_size(tmp_path):
    network = Network(save_network(tmp_path / "tiny.onnx"), threads=1)
    pixels = np.random.default_rng(0).integers(0, 256, (64, 96, 3), dtype=np.uint8)
    maps = network.run(pixels)
    assert maps.size == (96, 64)
    wanted = np.arange(N_CHANNELS)[:, None, None] * (pixels.mean(axis=2) / 255)[None]
    np.testing.assert_allclose(maps.channels, wanted, atol=1e-5)  # float32 of sums below 22


@pytest.mark.parametrize("change", [{"channels": 21}, {"output": "logits"}])
def test_a_network_of_another_contract_is_refused(tmp_path, change):
    entry = save_network(tmp_path / "other.onnx", **change)
    with pytest.raises(WeightsError, match=r"other\.onnx: inputs .* needs image"):
        Network(entry, threads=1)


def test_a_file_that_is_no_network_is_refused(tmp_path):
    path = tmp_path / "text.onnx"
    path.write_bytes(b"this is no network")
    with pytest.raises(WeightsError, match=r"text\.onnx: cannot be loaded"):
        Network(entry_of(path), threads=1)


@functools.cache
def ramp(width: int, height: int) -> np.ndarray:
    """A picture whose red is linear in x, green linear in y: every resampling must leave it so."""
    y, x = np.mgrid[:height, :width]
    return np.stack([20 + 200 * x / width, 20 + 200 * y / height, np.full_like(x, 99.0)], -1).astype(np.uint8)


@pytest.mark.parametrize("size", [(4000, 3000), (3000, 4000), (512, 384), (300, 200), (5000, 400), (64, 64)])
def test_coarse_view_is_padded_and_its_frame_is_true(size):
    width, height = size
    view = coarse_view(ramp(width, height))
    assert max(view.content) == COARSE_LONG_SIDE
    assert view.pixels.shape[0] % 32 == 0 and view.pixels.shape[1] % 32 == 0
    x, y = np.meshgrid(np.arange(5, view.content[0] - 5), np.arange(5, view.content[1] - 5))
    photo = view.frame.to_photo(np.stack([x.ravel(), y.ravel()], -1))
    seen = view.pixels[y.ravel(), x.ravel()].astype(float)
    # 1.6 levels: the source is cut to whole levels, the view rounded to them.
    assert np.abs(seen[:, 0] - (20 + 200 * photo[:, 0] / width)).max() < 1.6
    assert np.abs(seen[:, 1] - (20 + 200 * photo[:, 1] / height)).max() < 1.6
    outside = view.pixels[view.content[1] :, view.content[0] :]
    assert outside.size == 0 or (outside == np.rint(view.edge_colour)).all()


def frame(scale: float, turn_deg: float, centre: tuple[float, float]) -> RowFrame:
    """Similarity that brings ``centre`` of the photo to the middle of the crop."""
    c, s = scale * np.cos(np.radians(turn_deg)), scale * np.sin(np.radians(turn_deg))
    linear = np.array([[c, -s], [s, c]])
    offset = np.array(CROP_SIZE) / 2 - linear @ np.array(centre)
    return RowFrame(np.column_stack([linear, offset]))


@pytest.mark.parametrize("scale", [0.31, 0.5, 0.83, 1.0, 1.7])
@pytest.mark.parametrize("turn", [0, 7, -90, 135, 180])
def test_crop_pixels_come_from_where_the_frame_says(scale, turn):
    photo = ramp(3000, 2400)
    row = frame(scale, turn, (1500, 1200))
    crop = warp_crop(photo, row, (7.0, 7.0, 7.0))
    assert crop.shape == (CROP_SIZE[1], CROP_SIZE[0], 3)
    x, y = np.meshgrid(np.arange(0, CROP_SIZE[0], 7), np.arange(0, CROP_SIZE[1], 7))
    place = row.to_photo(np.stack([x.ravel(), y.ravel()], -1))
    inside = ((place > 20) & (place < np.array([2980, 2380]))).all(axis=1)
    far_out = ((place < -20) | (place > np.array([3020, 2420]))).any(axis=1)
    seen = crop[y.ravel(), x.ravel()].astype(float)
    # 1.6 levels: whole levels twice, and a twentieth of a pixel from rounding the shrunken region's size.
    assert np.abs(seen[inside, 0] - (20 + 200 * place[inside, 0] / 3000)).max() < 1.6
    assert np.abs(seen[inside, 1] - (20 + 200 * place[inside, 1] / 2400)).max() < 1.6
    assert (seen[far_out] == 7).all()


def test_fine_texture_is_averaged_not_sampled():
    """
    Stripes two pixels apart at 0.3 of the scale are beyond what the crop can show: it must come out grey.

    The average over 1 / 0.3 pixels leaves |sin(pi f)| / (pi f) = 0.165 of the contrast at f = 0.5 / 0.3 (box
    filter), a standard deviation of 21; sampling one pixel would leave 127.
    """
    photo = np.zeros((1600, 5200, 3), dtype=np.uint8)
    photo[:, ::2] = 255
    crop = warp_crop(photo, frame(0.3, 3, (2600, 800)))
    middle = crop[150:300, 200:1300].astype(float)
    assert abs(middle.mean() - 127.5) < 2
    assert middle.std() < 22


def test_a_frame_beside_the_photo_gives_padding():
    crop = warp_crop(ramp(300, 200), frame(1.0, 0, (9000, 9000)), (1.0, 2.0, 3.0))
    assert (crop == (1, 2, 3)).all()
