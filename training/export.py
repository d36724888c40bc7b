"""
From trained weights to the file that is shipped: ONNX with halved storage, checked against torch, entered in
the manifest.

The stored numbers are float16 and are cast back when the session loads, so the file is half as large and all
arithmetic stays float32. The network that is compared is the torch one with the SAME rounded numbers, so the
parity figure is about the two engines; what rounding itself changes is measured beside it.
"""

from __future__ import annotations

import hashlib
import io
import json
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import onnxruntime
import torch
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper
from timm.layers import Conv2dSame
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.utils.fusion import fuse_conv_bn_eval

from crestgauge.inference.errors import WeightsError
from crestgauge.model.labels import CHANNELS
from crestgauge.model.network import Activated, JawNetwork, NetworkConfig
from crestgauge.model.weights import INPUT, OUTPUT, SCHEMA, Role, WeightsEntry, format_entry, load_manifest
from crestgauge.training.config import build
from crestgauge.training.record import RECORD, WEIGHTS

OPSET = 18
HALVED_FROM = 64
"""Tensors of fewer numbers stay float32: they cost nothing, and offsets are the most sensitive to rounding.
"""
PARITY_LIMIT = 1e-3
"""Largest difference between torch and onnxruntime that may be shipped, over all outputs but blur. [1]"""
PARITY_SIZES = ((1, 128, 256), (2, 64, 96), (1, 448, 1536))
"""(pictures, height, width) of the parity check: other sizes than the exported one, and the one in use. [px]
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parity:
    """
    What the check found.

    Parameters
    ----------
    max_abs : float
        Largest difference torch - onnxruntime over all outputs, blur as log2.
    rounding_max_abs, rounding_mean_abs : float
        What storing float16 changed in torch's own material probabilities.
    """

    max_abs: float
    rounding_max_abs: float
    rounding_mean_abs: float


def export(
    run: Path,
    folder: Path,
    *,
    licence: str = "Apache-2.0",
    make_default: bool = True,
    by_content: bool = False,
) -> WeightsEntry:
    """
    Export a finished run into a folder with a manifest.

    Parameters
    ----------
    run : Path
        Folder of `crestgauge.training.fit.train`, with ``weights.pt`` and ``record.json``.
    folder : Path
        Gets ``weights/NAME.onnx``, ``weights/NAME.json`` (the run record) and an entry in ``weights.toml``.
    licence : str
        SPDX name.
    make_default : bool
        Make it the one that is used for its role.
    by_content : bool
        Add the first six digits of the file's hash to its name, so that two people who choose one name still
        have two.

    Raises
    ------
    WeightsError
        If torch and onnxruntime differ by more than `PARITY_LIMIT`, or the name is taken by other bytes.
    """
    network, record = load_run(run)
    trained: str = record["name"]
    data, rounded = to_onnx(network)
    parity = compare(data, network, rounded)
    if parity.max_abs > PARITY_LIMIT:
        raise WeightsError(
            f"{trained}: torch and onnxruntime differ by {parity.max_abs:.2e}; "
            f"needs {PARITY_LIMIT:.0e}. Export with another opset, or look for the first layer that differs."
        )
    digest = hashlib.sha256(data).hexdigest()
    name = f"{trained}-{digest[:6]}" if by_content else trained
    entry = WeightsEntry(
        name=name,
        role=record["role"],
        path=Path("weights") / f"{name}.onnx",
        size=len(data),
        sha256=digest,
        licence=licence,
        trained_by=f"weights/{name}.json",
        card="MODEL_CARD.md",
        parity_max_abs=float(f"{parity.max_abs:.3g}"),
        parity={
            "torch": torch.__version__,
            "onnxruntime": onnxruntime.__version__,
            "opset": OPSET,
            "rounding_max_abs": float(f"{parity.rounding_max_abs:.3g}"),
            "rounding_mean_abs": float(f"{parity.rounding_mean_abs:.3g}"),
        },
    )
    (folder / "weights").mkdir(parents=True, exist_ok=True)
    _refuse_other_bytes(folder / entry.path, data, entry.name)
    (folder / entry.path).write_bytes(data)
    (folder / entry.trained_by).write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    enter(entry, folder / "weights.toml", make_default=make_default)
    return entry


def load_run(run: Path) -> tuple[JawNetwork, dict[str, Any]]:
    """
    Averaged network (evaluation mode, on the CPU) and record of a finished run.

    Of the settings only the network's form is read, so that a run made with a setting that has gone since can
    still be exported.
    """
    record: dict[str, Any] = json.loads((run / RECORD).read_text(encoding="utf-8"))
    form: NetworkConfig = build(NetworkConfig, record["config"]["network"], str(run / RECORD))
    network = JawNetwork(form)
    network.load_state_dict(torch.load(run / WEIGHTS, map_location="cpu", weights_only=True))
    return network.eval(), record


def copy_default(manifest: Path | None, role: Role, folder: Path) -> WeightsEntry:
    """Copy the default weights of one role, checked, into another folder and its manifest."""
    found = load_manifest(manifest).find(role)
    data = found.read()
    entry = replace(found, path=Path("weights") / found.path.name)
    (folder / "weights").mkdir(parents=True, exist_ok=True)
    (folder / entry.path).write_bytes(data)
    record = found.path.parent.parent / found.trained_by
    if record.is_file():
        (folder / entry.trained_by).write_bytes(record.read_bytes())
    enter(entry, folder / "weights.toml", make_default=True)
    return entry


def to_onnx(network: JawNetwork) -> tuple[bytes, JawNetwork]:
    """
    ONNX file of ``network`` with activated output, and the torch network with the same rounded numbers.

    Returns
    -------
    tuple of bytes and JawNetwork
    """
    fused = _fused(network)
    buffer = io.BytesIO()
    example = torch.rand(1, 3, 64, 96, generator=torch.Generator().manual_seed(0))
    with warnings.catch_warnings():
        # The tracing exporter says that it is old. The new one needed over ten minutes of symbolic algebra
        # for the dynamic height and width of this network; the check below judges the file either way.
        warnings.simplefilter("ignore")
        torch.onnx.export(
            Activated(fused).eval(),
            (example,),
            buffer,  # type: ignore[arg-type]  # torch names paths only; its tracing exporter writes to buffers too
            dynamo=False,
            opset_version=OPSET,
            input_names=[str(INPUT["name"])],
            output_names=[str(OUTPUT["name"])],
            dynamic_axes={str(name): {0: "N", 2: "H", 3: "W"} for name in (INPUT["name"], OUTPUT["name"])},
        )
    model = onnx.load_from_string(buffer.getvalue())
    padded_convolutions(model)
    halve(model)
    onnx.checker.check_model(model)
    with torch.no_grad():
        for parameter in fused.parameters():
            if parameter.numel() >= HALVED_FROM:
                parameter.copy_(parameter.half().float())
    return model.SerializeToString(), fused


def halve(model: onnx.ModelProto) -> None:
    """
    Store the large float32 tensors of ``model`` as float16, each followed by a Cast to float32; in place.
    """
    casts, kept = [], []
    for tensor in model.graph.initializer:
        values = numpy_helper.to_array(tensor)
        if tensor.data_type != TensorProto.FLOAT or values.size < HALVED_FROM:
            kept.append(tensor)
            continue
        stored = numpy_helper.from_array(values.astype(np.float16), tensor.name + "_stored")
        kept.append(stored)
        casts.append(helper.make_node("Cast", [stored.name], [tensor.name], to=TensorProto.FLOAT))
    del model.graph.initializer[:]
    model.graph.initializer.extend(kept)
    nodes = [*casts, *model.graph.node]
    del model.graph.node[:]
    model.graph.node.extend(nodes)


def compare(data: bytes, network: JawNetwork, rounded: JawNetwork) -> Parity:
    """Differences of the file from ``rounded``, and of ``rounded`` from ``network``, on fixed pictures."""
    session = onnxruntime.InferenceSession(data, providers=["CPUExecutionProvider"])
    worst, shift, mean = 0.0, 0.0, []
    material = CHANNELS["material"]
    for seed, size in enumerate(PARITY_SIZES):
        picture = parity_picture(seed, *size)
        (found,) = session.run(None, {str(INPUT["name"]): picture})
        with torch.inference_mode():
            expected = Activated(rounded).eval()(torch.from_numpy(picture))
            before = Activated(network).eval()(torch.from_numpy(picture))
        worst = max(worst, float(np.abs(_plain(torch.from_numpy(found)) - _plain(expected)).max()))
        change = (before - expected)[:, material].abs()
        shift = max(shift, float(change.max()))
        mean.append(float(change.mean()))
    return Parity(max_abs=worst, rounding_max_abs=shift, rounding_mean_abs=float(np.mean(mean)))


def parity_picture(seed: int, count: int, height: int, width: int) -> NDArray[np.float32]:
    """
    A fixed picture with slow and fast parts, shape (N, 3, H, W), in 0..1.

    Parameters
    ----------
    seed, count, height, width : int
    """
    rng = np.random.default_rng(seed)
    slow = rng.random((count, 3, height // 16, width // 16)).repeat(16, axis=2).repeat(16, axis=3)
    return np.clip(0.8 * slow + 0.2 * rng.random((count, 3, height, width)), 0, 1).astype(np.float32)


def enter(entry: WeightsEntry, manifest: Path, *, make_default: bool) -> None:
    """
    Add ``entry`` to a manifest, in place of an entry of the same name.

    Raises
    ------
    WeightsError
        If the manifest cannot be read before or after.
    """
    entries: list[WeightsEntry] = []
    default: dict[str, str] = {}
    if manifest.is_file():
        before = load_manifest(manifest)
        entries = [_relative(old, manifest.parent) for old in before.entries if old.name != entry.name]
        default = dict(before.default)
    entries.append(entry)
    if make_default:
        default[entry.role] = entry.name
    lines = [
        "# Written by the export of crestgauge.training; one name is one file for ever.",
        f'schema = "{SCHEMA}"',
        "",
        "[default]",
        *(f'{role} = "{name}"' for role, name in sorted(default.items())),
    ]
    text = "\n".join(lines) + "\n\n" + "\n".join(format_entry(each) for each in entries)
    part = manifest.with_name(manifest.name + ".part")
    part.write_text(text, encoding="utf-8")
    load_manifest(part)
    part.replace(manifest)


def _relative(entry: WeightsEntry, folder: Path) -> WeightsEntry:
    return replace(entry, path=entry.path.relative_to(folder))


def _refuse_other_bytes(path: Path, data: bytes, name: str) -> None:
    if path.is_file() and path.read_bytes() != data:
        raise WeightsError(
            f"{path}: {name} exists with other bytes; a name is never reused. "
            "Give the run another name in its config."
        )


class _EvenSame(nn.Conv2d):
    """
    A strided "same" convolution for inputs of even height and width, where its padding is the same at any
    size: `padded_convolutions` can then make it part of the convolution.
    """

    def __init__(self, conv: Conv2dSame) -> None:
        size, step = (conv.kernel_size[0], conv.kernel_size[1]), (conv.stride[0], conv.stride[1])
        super().__init__(conv.in_channels, conv.out_channels, size, stride=step, groups=conv.groups)
        if conv.bias is None:
            self.bias = None
        self.load_state_dict(conv.state_dict())
        # An even length of n cells gives n / stride cells, whose kernels reach kernel - stride cells past it.
        (top, left), (down, right) = _pads(size, step)
        self.border = (left, right, top, down)

    def forward(self, input: Tensor) -> Tensor:
        return functional.conv2d(
            functional.pad(input, self.border), self.weight, self.bias, self.stride, groups=self.groups
        )


def _pads(size: Sequence[int], step: Sequence[int]) -> tuple[list[int], list[int]]:
    """Cells before and after, per axis, of a "same" convolution over an even number of cells."""
    over = [max(kernel - stride, 0) for kernel, stride in zip(size, step, strict=True)]
    return [cells // 2 for cells in over], [cells - cells // 2 for cells in over]


def padded_convolutions(model: onnx.ModelProto) -> None:
    """
    Make each padding before a convolution part of it; in place.

    As an operator of its own, padding takes a twentieth of the session's time, and breaks the blocked layout
    that onnxruntime keeps between convolutions.
    """
    pads = {node.output[0]: node for node in model.graph.node if node.op_type == "Pad"}
    for node in list(model.graph.node):
        if node.op_type != "Conv" or node.input[0] not in pads:
            continue
        pad = pads.pop(node.input[0])
        words = {attribute.name: attribute for attribute in node.attribute}
        before, after = _pads(words["kernel_shape"].ints, words["strides"].ints)
        words["pads"].ints[:] = [*before, *after]
        node.input[0] = pad.input[0]
        model.graph.node.remove(pad)


def _fixed_padding(network: nn.Module) -> None:
    """Put `_EvenSame` in the place of every strided "same" convolution, in place."""
    for parent in list(network.modules()):
        for name, child in list(parent.named_children()):
            if isinstance(child, Conv2dSame):
                setattr(parent, name, _EvenSame(child))


def _fused(network: JawNetwork) -> JawNetwork:
    """A copy whose batch norms are folded into the convolutions before them, where there is one."""
    copy = JawNetwork(network.config)
    copy.load_state_dict(network.state_dict())
    copy.eval().requires_grad_(False)
    for parent in copy.modules():
        before: tuple[str, nn.Conv2d] | None = None
        for name, child in list(parent.named_children()):
            if before is not None and isinstance(child, nn.BatchNorm2d) and _follows(parent, before[0], name):
                setattr(parent, before[0], fuse_conv_bn_eval(before[1], _bare(child)))
                activation = getattr(child, "act", None)  # timm's norm carries its activation along
                setattr(parent, name, activation if activation is not None else nn.Identity())
                before = None
            else:
                before = (name, child) if isinstance(child, nn.Conv2d) else None
    _fixed_padding(copy)
    return copy


def _follows(parent: nn.Module, conv: str, norm: str) -> bool:
    """Whether ``norm`` is what ``parent`` applies to the output of ``conv``: by order, or by timm's names."""
    return isinstance(parent, nn.Sequential) or norm.startswith("bn")


def _bare(norm: nn.BatchNorm2d) -> nn.BatchNorm2d:
    plain = nn.BatchNorm2d(norm.num_features, eps=norm.eps)
    plain.load_state_dict({k: v for k, v in norm.state_dict().items() if k in plain.state_dict()})
    return plain.eval()


def _plain(maps: Tensor) -> NDArray[np.float32]:
    """Blur as log2, so that one limit fits all channels."""
    blur = CHANNELS["blur"]
    return torch.cat([maps[:, : blur.start], maps[:, blur].log2()], dim=1).numpy()
