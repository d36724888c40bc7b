"""
The two networks at work: onnxruntime sessions, and the pictures they are given.

Edge module: loads weights. The coarse network sees the whole photo small; the fine one sees the row turned
level at measuring resolution. Both say the same kind of label maps (`crestgauge.model.labels`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import cv2
import numpy as np
import onnxruntime as ort
from numpy.typing import NDArray

from crestgauge.inference.errors import WeightsError
from crestgauge.inference.maps import COARSE_LONG_SIDE, CROP_SIZE, LabelMaps, RowFrame
from crestgauge.model.labels import N_CHANNELS
from crestgauge.model.weights import INPUT, OUTPUT, WeightsEntry

Pixels = NDArray[np.uint8]
STRIDE: Final = 32
"""Height and width that a network takes are multiples of this. [px]"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoarseView:
    """
    The photo as the coarse network sees it.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        Long side `COARSE_LONG_SIDE`, padded right and below to multiples of `STRIDE` with the mean of its
        edge.
    content : tuple of int
        (width, height) of the picture inside it. [px]
    frame : RowFrame
        Photo pixels to pixels of this view.
    edge_colour : tuple of float
        Mean colour of the picture's outermost pixels, the colour of all padding.
    """

    pixels: Pixels
    content: tuple[int, int]
    frame: RowFrame
    edge_colour: tuple[float, float, float]


class Network:
    """
    One loaded network.

    Parameters
    ----------
    entry : WeightsEntry
        Bytes and hash are checked here.
    threads : int
        Threads of one session call. In bulk work, several processes of one thread each are faster than one
        process of many.

    Raises
    ------
    WeightsError
        If the file is damaged, cannot be loaded, or its inputs and outputs are not the manifest's.
    """

    def __init__(self, entry: WeightsEntry, *, threads: int) -> None:
        data = entry.read()
        _one_arena()
        options = ort.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        # Threads that spin between calls steal time from the geometry and from other workers.
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        # Pictures differ in size; a memory plan kept for each size costs 200 MB and saves no time.
        options.enable_mem_pattern = False
        options.add_session_config_entry("session.use_env_allocators", "1")
        # The blocked tensor layout of the highest level saves a third of the time; our export is written so
        # that it holds from the first convolution to the last (it is left and entered at a price in memory).
        options.graph_optimization_level = ort.GraphOptimizationLevel.ORT_ENABLE_ALL
        options.log_severity_level = 3
        try:
            self._session = ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])
        except Exception as error:  # onnxruntime raises a family of its own that has no common base
            found = " ".join(str(error).split())[:200]
            raise WeightsError(
                f"{entry.path}: cannot be loaded ({found}); needs an ONNX network. Install crestgauge again."
            ) from error
        inputs = [(value.name, len(value.shape)) for value in self._session.get_inputs()]
        outputs = [(value.name, value.shape[1:2]) for value in self._session.get_outputs()]
        if inputs != [(INPUT["name"], 4)] or outputs != [(OUTPUT["name"], [N_CHANNELS])]:
            raise WeightsError(
                f"{entry.path}: inputs {inputs}, outputs {outputs}; needs {INPUT['name']} with 4 axes and "
                f"{OUTPUT['name']} with {N_CHANNELS} channels. Export it again."
            )
        self.name = entry.name

    def run(self, pixels: Pixels) -> LabelMaps:
        """
        Label maps of one picture.

        Parameters
        ----------
        pixels : ndarray of uint8, shape (H, W, 3)
            RGB; H and W multiples of `STRIDE`.
        """
        image = np.empty((1, 3, *pixels.shape[:2]), dtype=np.float32)
        np.multiply(pixels.transpose(2, 0, 1), np.float32(1 / 255), out=image[0])
        (maps,) = self._session.run([str(OUTPUT["name"])], {str(INPUT["name"]): image})
        return LabelMaps(np.asarray(maps)[0])


@cache
def _one_arena() -> None:
    """Let all sessions of a process take their memory from one pool: 70 MB less at a reader's peak."""
    memory = ort.OrtMemoryInfo("Cpu", ort.OrtAllocatorType.ORT_ARENA_ALLOCATOR, 0, ort.OrtMemType.DEFAULT)
    ort.create_and_register_allocator(memory, None)


def coarse_view(pixels: Pixels) -> CoarseView:
    """
    The whole photo, small.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    """
    height, width = pixels.shape[:2]
    scale = COARSE_LONG_SIDE / max(height, width)
    small_size = (max(1, round(width * scale)), max(1, round(height * scale)))
    method = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = cv2.resize(pixels, small_size, interpolation=method)
    edge = np.concatenate([small[0], small[-1], small[:, 0], small[:, -1]]).mean(axis=0)
    right, below = (-small_size[0] % STRIDE), (-small_size[1] % STRIDE)
    colour = (float(edge[0]), float(edge[1]), float(edge[2]))
    padded = cv2.copyMakeBorder(small, 0, below, 0, right, cv2.BORDER_CONSTANT, value=colour)
    return CoarseView(
        pixels=np.asarray(padded, dtype=np.uint8),
        content=small_size,
        frame=RowFrame(_resize_matrix(small_size[0] / width, small_size[1] / height)),
        edge_colour=colour,
    )


def warp_crop(
    pixels: Pixels,
    frame: RowFrame,
    colour: tuple[float, float, float] = (0.0, 0.0, 0.0),
    size: tuple[int, int] = CROP_SIZE,
) -> Pixels:
    """
    The levelled crop of a photo.

    Shrinking goes in two steps: the needed region is area-averaged to the crop's scale, then turned at 1:1
    with cubic weights. One warp alone would sample a sharp photo with gaps and turn fine texture into false
    bands.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
    frame : RowFrame
        Photo to crop.
    colour : tuple of float
        Fills what lies outside the photo.
    size : tuple of int
        (width, height). [px]

    Returns
    -------
    ndarray of uint8, shape (size[1], size[0], 3)
    """
    width, height = size
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64) - 0.5
    reach = frame.to_photo(corners)
    margin = np.ceil(4 / min(frame.scale, 1.0)) + 1  # the kernel's reach in photo pixels
    low = np.clip(np.floor(reach.min(axis=0) - margin), 0, None).astype(int)
    high = np.clip(np.ceil(reach.max(axis=0) + margin), 0, [pixels.shape[1], pixels.shape[0]]).astype(int)
    if np.any(high <= low):
        return np.broadcast_to(np.rint(colour).astype(np.uint8), (height, width, 3)).copy()
    region = pixels[low[1] : high[1], low[0] : high[0]]
    to_region = np.array([[1, 0, -low[0]], [0, 1, -low[1]], [0, 0, 1]], dtype=np.float64)
    scale_x = scale_y = 1.0
    if frame.scale < 1:
        wide = max(1, round(region.shape[1] * frame.scale))
        tall = max(1, round(region.shape[0] * frame.scale))
        scale_x, scale_y = wide / region.shape[1], tall / region.shape[0]
        region = np.asarray(cv2.resize(region, (wide, tall), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    to_small = np.vstack([_resize_matrix(scale_x, scale_y), [0, 0, 1]]) @ to_region
    matrix = np.vstack([frame.matrix, [0, 0, 1]]) @ np.linalg.inv(to_small)
    crop = cv2.warpAffine(
        region, matrix[:2], size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=colour
    )
    return np.asarray(crop, dtype=np.uint8)


def _resize_matrix(scale_x: float, scale_y: float) -> NDArray[np.float64]:
    """Pixel centres before to pixel centres after a resize: pixel 0 covers -0.5 .. 0.5 on both sides."""
    return np.array([[scale_x, 0, (scale_x - 1) / 2], [0, scale_y, (scale_y - 1) / 2]], dtype=np.float64)
