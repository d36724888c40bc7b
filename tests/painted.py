"""
A network that needs no training: it decodes label maps painted into the colours of a test picture.

Red and green carry the material, blue carries tooth, tongue side and lobe centre. The ONNX graph asks for
each pixel which painted colour is nearest (a softmax over squared distances) and blurs the lobe dots into a
heat map. It lets the whole chain from file to reading be tested on jaws of known widths; it knows nothing of
real pictures and is never shipped.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

from crestgauge.inference.maps import LabelMaps
from crestgauge.model.labels import CHANNELS, N_CHANNELS
from crestgauge.model.weights import SCHEMA, WeightsEntry, format_entry

MATERIAL_COLOURS = np.array([[0, 0], [0, 120], [90, 40], [170, 130], [255, 60], [130, 255]], dtype=np.float64)
"""(red, green) of background, jaw, wall, enamel band, dentine, infundibulum: between any two that touch
along a crest lies no third."""
MATERIAL_SPREAD, CODE_SPREAD = 40.0, 3.0
"""Softness of the choice, in grey levels. Materials are chosen softly, so that a pixel that is half dentine
says so: the place of an edge within a pixel is what the geometry measures. Tooth codes lie 10 levels apart
and are chosen sharply."""
TILT, TILT_SIGMA, BLUR_PX = (0.05, -0.08), 0.02, 1.2


def _blue(tooth: np.ndarray, lingual: np.ndarray, dot: np.ndarray) -> np.ndarray:
    """Blue level 10 .. 240 of a crown pixel; neighbours along a tooth's middle stay so in blue."""
    order = np.where(lingual, 2 + dot, 1 - dot)
    return 10.0 * (4 * (tooth - 1) + order + 1)


def paint(maps: LabelMaps) -> np.ndarray:
    """The picture (H, W, 3) that the graph below decodes into ``maps``, up to mixed colours at borders."""
    # A pixel that is half dentine gets a colour half-way: a hard choice would move every edge to whole
    # pixels.
    colours = np.tensordot(maps.block("material"), MATERIAL_COLOURS.astype(np.float32), axes=(0, 0))
    tooth = maps.block("tooth").argmax(axis=0)
    dot = (maps.block("lobe")[0] > 0.6).astype(int)
    lingual = maps.block("lingual")[0] > 0.5
    blue = np.where(tooth > 0, _blue(tooth, lingual, dot), 0.0)
    return np.rint(np.concatenate([colours, blue[..., None]], axis=-1)).astype(np.uint8)


def _nearest(colours: np.ndarray, spread: float) -> tuple[np.ndarray, np.ndarray]:
    """Kernel and bias of the convolution whose softmax picks the nearest of ``colours`` (K, 3); NaN = any."""
    used = np.nan_to_num(colours)
    kernel = used * 255.0 / spread**2
    bias = -(used**2).sum(axis=1) / (2 * spread**2)
    return kernel[..., None, None].astype(np.float32), bias.astype(np.float32)


def save_painted_network(path: Path, heat_sigma_px: float, blur_px: float) -> None:
    """Write the decoding graph; ``heat_sigma_px`` is the blur of the lobe dots, ``blur_px`` what it says of
    that of its picture."""
    material = np.column_stack([MATERIAL_COLOURS, np.full(6, np.nan)])
    steps = np.arange(24)
    codes = np.column_stack([np.full((25, 2), np.nan), np.append(10.0 * (steps + 1), 0.0)])
    tooth, order = steps // 4 + 1, steps % 4
    mix = np.zeros((N_CHANNELS - 1, 31), dtype=np.float32)  # all channels but the lobe heat
    bias = np.zeros(N_CHANNELS - 1, dtype=np.float32)
    channel = [c for c in range(N_CHANNELS) if c != CHANNELS["lobe"].start]
    place = {c: i for i, c in enumerate(channel)}
    for m in range(6):
        mix[place[CHANNELS["material"].start + m], m] = 1
    first = CHANNELS["tooth"].start
    mix[place[first], 6 + 24] = 1
    mix[[place[first + t] for t in tooth], 6 + steps] = 1
    mix[place[CHANNELS["lingual"].start], 6 + steps[order >= 2]] = 1
    bias[place[CHANNELS["state"].start]] = 1
    bias[place[CHANNELS["tilt"].start]], bias[place[CHANNELS["tilt"].start + 1]] = TILT
    bias[place[CHANNELS["tilt_log_sigma"].start]] = TILT_SIGMA
    bias[place[CHANNELS["blur"].start]] = blur_px
    dots = np.zeros((1, 25), dtype=np.float32)
    dots[0, steps[(order == 0) | (order == 3)]] = 1
    reach = int(3 * heat_sigma_px)
    gauss = np.exp(-0.5 * (np.arange(-reach, reach + 1) / heat_sigma_px) ** 2)
    gauss = (gauss / gauss.sum()).astype(np.float32)
    before = CHANNELS["lobe"].start
    weights = {
        "material_kernel": _nearest(material, MATERIAL_SPREAD)[0],
        "material_bias": _nearest(material, MATERIAL_SPREAD)[1],
        "code_kernel": _nearest(codes, CODE_SPREAD)[0],
        "code_bias": _nearest(codes, CODE_SPREAD)[1],
        "mix_kernel": mix[..., None, None],
        "mix_bias": bias,
        "dot_kernel": dots[..., None, None],
        "gauss_x": gauss[None, None, None, :],
        "gauss_y": gauss[None, None, :, None],
    }
    nodes = [
        helper.make_node("Conv", ["image", "material_kernel", "material_bias"], ["material_logits"]),
        helper.make_node("Softmax", ["material_logits"], ["material"], axis=1),
        helper.make_node("Conv", ["image", "code_kernel", "code_bias"], ["code_logits"]),
        helper.make_node("Softmax", ["code_logits"], ["codes"], axis=1),
        helper.make_node("Concat", ["material", "codes"], ["all"], axis=1),
        helper.make_node("Conv", ["all", "mix_kernel", "mix_bias"], ["mixed"]),
        helper.make_node("Conv", ["codes", "dot_kernel"], ["dots"]),
        helper.make_node("Conv", ["dots", "gauss_x"], ["smeared"], pads=[0, reach, 0, reach]),
        helper.make_node("Conv", ["smeared", "gauss_y"], ["heat"], pads=[reach, 0, reach, 0]),
        helper.make_node("Split", ["mixed", "sizes"], ["front", "back"], axis=1),
        helper.make_node("Concat", ["front", "heat", "back"], ["maps"], axis=1),
    ]
    sizes = numpy_helper.from_array(np.array([before, N_CHANNELS - 1 - before], dtype=np.int64), "sizes")
    graph = helper.make_graph(
        nodes,
        "painted",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, ["N", 3, "H", "W"])],
        [helper.make_tensor_value_info("maps", TensorProto.FLOAT, ["N", N_CHANNELS, "H", "W"])],
        [sizes, *(numpy_helper.from_array(np.ascontiguousarray(v), name) for name, v in weights.items())],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def write_manifest(folder: Path) -> Path:
    """Both painted networks and their manifest; returns the manifest's path."""
    entries = []
    # On the coarse grid the same blur is finer than a pixel.
    for role, sigma, blur_px in (("coarse", 1.0, 0.5), ("fine", 10.0, BLUR_PX)):
        path = folder / f"painted-{role}.onnx"
        save_painted_network(path, sigma, blur_px)
        data = path.read_bytes()
        entries.append(
            WeightsEntry(
                name=path.stem,
                role=role,
                path=Path(path.name),
                size=len(data),
                sha256=hashlib.sha256(data).hexdigest(),
                licence="Apache-2.0",
                trained_by="tests/painted.py",
                card="none",
                parity_max_abs=0.0,
                parity={},
            )
        )
    head = f'schema = "{SCHEMA}"\n\n[default]\n' + "".join(f'{e.role} = "{e.name}"\n' for e in entries)
    path = folder / "weights.toml"
    path.write_text(head + "\n" + "\n".join(format_entry(entry) for entry in entries), encoding="utf-8")
    return path
