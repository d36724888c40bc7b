"""
Photographs on disk as a source of training pictures: one's own labelled photos, or a drawn data set.

A folder holds ``photos/NAME.jpg`` (any picture format that can be read), ``labels/NAME.material.png`` and
``labels/NAME.tooth.png`` (8-bit class numbers of `crestgauge.model.labels`, same size as the upright photo,
255 = not labelled) and, if known, ``truth/NAME.json`` with tooth states, lobe centres, side and view. What is
not known is left out of the losses. Which animal a photo shows: see `crestgauge.training.own`.

Pictures are cut as the networks see them (the whole photo small, or the row turned level) and varied with
albumentations in ways that need the file's own pixels: lens and paper distortion, local contrast, cast
shadows, compression. Colour, blur, noise and turns come later, for drawn and for filed pictures alike
(`crestgauge.training.augment`).
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError
from crestgauge.inference.maps import COARSE_LONG_SIDE, CROP_SIZE, RowFrame
from crestgauge.inference.networks import coarse_view, warp_crop
from crestgauge.inference.nominal import nominal_centres_px
from crestgauge.inference.photo import read_photo
from crestgauge.model.labels import LOBE_SIGMA, N_TEETH, Material, ToothState
from crestgauge.training.batch import IGNORE, Draw, Drawn, Labelled

Labels = NDArray[np.uint8]
Floats = NDArray[np.float64]
Role = Literal["fine", "coarse"]
PHOTO_TYPES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
_STATES = {"erupted": ToothState.ERUPTED, "erupting": ToothState.ERUPTING, "broken": ToothState.BROKEN}


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelledPhoto:
    """Paths of one photo: picture, two label maps, truth or None."""

    photo: Path
    material: Path
    tooth: Path
    truth: Path | None


@dataclass(slots=True, kw_only=True, eq=False)
class View:
    """One photo as a network sees it; the fields are those of `Labelled`, as arrays of one picture."""

    image: NDArray[np.uint8]
    material: Labels
    tooth: Labels
    lingual: Labels
    lobe: NDArray[np.float32]
    state: Labels
    view: tuple[float, float]
    blur: float


class FileDraw:
    """
    A drawing function that takes pictures from a folder, and from another drawing function in between.

    Parameters
    ----------
    folder : Path
    role : "fine" or "coarse"
    share : float
        Share of the batches that come from the folder.
    other : Draw or None
        Where the rest comes from; needed unless ``share`` is 1.

    Raises
    ------
    InputError
        If the folder has no labelled photo, or nothing is there for the rest.
    """

    def __init__(self, folder: Path, role: Role, share: float = 1.0, other: Draw | None = None) -> None:
        if not 0 <= share <= 1 or (share < 1 and other is None):
            raise InputError(
                f"{folder}: share {share} of photos; needs 0..1, and another source unless it is 1"
            )
        self.photos, self.role, self.share, self.other = list_photos(folder), role, share, other

    def __call__(self, seed: int, count: int, device: torch.device) -> Drawn:
        """``count`` pictures; the same seed gives the same ones."""
        rng = np.random.default_rng(seed)
        if self.other is not None and rng.uniform() >= self.share:
            return self.other(seed, count, device)
        chosen = rng.integers(len(self.photos), size=count)
        views = []
        for index in chosen:
            found = read_view(self.photos[index], self.role)
            views.append(vary(found, int(rng.integers(2**31 - 1))))
        return as_batch(views, device)


def list_photos(folder: Path) -> list[LabelledPhoto]:
    """
    Labelled photos of a folder, by name.

    Raises
    ------
    InputError
        If there is none, or a photo or the second label map of one is missing.
    """
    found = []
    for material in sorted((folder / "labels").glob("*.material.png")):
        name = material.name.removesuffix(".material.png")
        tooth = material.with_name(f"{name}.tooth.png")
        photo = next((p for e in PHOTO_TYPES if (p := folder / "photos" / (name + e)).is_file()), None)
        if photo is None or not tooth.is_file():
            missing = f"photos/{name}.jpg" if photo is None else f"labels/{tooth.name}"
            raise InputError(f"{material}: {missing} is missing. Add it, or remove the label map.")
        truth = folder / "truth" / f"{name}.json"
        found.append(
            LabelledPhoto(
                photo=photo, material=material, tooth=tooth, truth=truth if truth.is_file() else None
            )
        )
    if not found:
        raise InputError(
            f"{folder}: no labels/*.material.png; needs labelled photos. "
            'Write some with "crestgauge synth --labels".'
        )
    return found


def read_view(paths: LabelledPhoto, role: Role) -> View:
    """
    One labelled photo as the network of ``role`` sees it.

    Raises
    ------
    InputError
        If label maps and photo differ in size, or a label is no class number.
    """
    photo = read_photo(paths.photo)
    material, tooth = read_labels(paths, (photo.height, photo.width))
    truth = json.loads(paths.truth.read_text(encoding="utf-8")) if paths.truth is not None else {}
    frame = (known_frame(truth) or level_frame(tooth)) if role == "fine" else None
    seen = coarse_view(photo.pixels)
    if role == "fine" and frame is not None:
        # What lies outside the photo has the colour that a reading gives it.
        size, image = CROP_SIZE, warp_crop(photo.pixels, frame, seen.edge_colour)
    else:
        size, frame = (COARSE_LONG_SIDE, COARSE_LONG_SIDE), seen.frame
        below, right = size[1] - seen.pixels.shape[0], size[0] - seen.pixels.shape[1]
        image = np.asarray(
            cv2.copyMakeBorder(seen.pixels, 0, below, 0, right, cv2.BORDER_CONSTANT, value=seen.edge_colour),
            dtype=np.uint8,
        )
        if role == "fine":  # no two teeth to level by: a picture without a row, at the crop's size
            scale = min(CROP_SIZE[0] / photo.width, CROP_SIZE[1] / photo.height)
            size, frame = CROP_SIZE, RowFrame(matrix=np.array([[scale, 0, 0], [0, scale, 0]]))
            image = warp_crop(photo.pixels, frame, seen.edge_colour)
    in_view = {
        name: np.asarray(
            cv2.warpAffine(labels, frame.matrix, size, flags=cv2.INTER_NEAREST, borderValue=outside),
            dtype=np.uint8,
        )
        for name, labels, outside in (("material", material, IGNORE), ("tooth", tooth, 0))
    }
    teeth = truth.get("teeth", [])
    lobes = lobe_points(teeth, frame)
    return View(
        image=image,
        material=in_view["material"],
        tooth=in_view["tooth"],
        lingual=lingual_map(in_view["tooth"], lobes, truth.get("side"), frame),
        lobe=unknown_lobes(heat_map(lobes, size, known=bool(teeth)), in_view["tooth"], teeth),
        state=state_map(in_view["tooth"], teeth),
        view=_turned(truth.get("view"), frame),
        blur=_blur(truth.get("blur_px"), frame),
    )


def known_frame(truth: dict[str, Any]) -> RowFrame | None:
    """Photo to level crop as a truth file gives it (``frame``), where too few crowns are labelled to tell."""
    given = truth.get("frame")
    return None if given is None else RowFrame(matrix=np.array(given, dtype=np.float64).reshape(2, 3))


def read_labels(paths: LabelledPhoto, shape: tuple[int, int] | None = None) -> tuple[Labels, Labels]:
    """
    Material and tooth of one photo, each (H, W).

    Parameters
    ----------
    paths : LabelledPhoto
    shape : tuple of int, optional
        (H, W) of the upright photo; without it, both maps must be of one size.

    Raises
    ------
    InputError
        If label maps and photo differ in size, or a label is no class number.
    """
    material = _read_labels(paths.material, shape, len(Material))
    return material, _read_labels(paths.tooth, shape or material.shape, N_TEETH + 1)


def level_frame(tooth: Labels) -> RowFrame | None:
    """
    Similarity, without a mirror, that lays the middles of the labelled crowns on those of a nominal row.

    Parameters
    ----------
    tooth : ndarray of uint8, shape (H, W)

    Returns
    -------
    RowFrame or None
        None where fewer than two teeth are labelled.
    """
    photo, crop = [], []
    for position, x in enumerate(nominal_centres_px(), 1):
        rows, columns = np.nonzero(tooth == position)
        if len(rows):
            photo.append(complex(columns.mean(), rows.mean()))
            crop.append(complex(x, (CROP_SIZE[1] - 1) / 2))
    if len(photo) < 2:
        return None
    source, target = np.array(photo), np.array(crop)
    # Least squares of target = a * source + b over complex a (scale and turn) and b (shift).
    centred = source - source.mean()
    a = np.vdot(centred, target - target.mean()) / np.vdot(centred, centred)
    b = target.mean() - a * source.mean()
    return RowFrame(matrix=np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag]]))


def lobe_points(teeth: Sequence[dict[str, Any]], frame: RowFrame) -> Floats:
    """Lobe centres of a truth file in the view, front first, shape (N, 2)."""
    points = np.array([p for t in teeth for p in (t.get("lobe_centres") or [])], dtype=np.float64).reshape(
        -1, 2
    )
    return points @ frame.matrix[:, :2].T + frame.matrix[:, 2]


def heat_map(lobes: Floats, size: tuple[int, int], *, known: bool) -> NDArray[np.float32]:
    """
    Heat 1 at each lobe's centre, Gaussian of `LOBE_SIGMA` times the mean distance of neighbours; NaN if not
    known.
    """
    width, height = size
    if not known:
        return np.full((height, width), np.nan, dtype=np.float32)
    heat = np.zeros((height, width), dtype=np.float32)
    if len(lobes) < 2:
        return heat
    sigma = LOBE_SIGMA * float(np.median(np.hypot(*np.diff(lobes, axis=0).T)))
    y, x = np.arange(height)[:, None], np.arange(width)[None, :]
    for cx, cy in lobes:
        across, along = np.exp(-0.5 * ((x - cx) / sigma) ** 2), np.exp(-0.5 * ((y - cy) / sigma) ** 2)
        np.maximum(heat, (along * across).astype(np.float32), out=heat)
    return heat


def unknown_lobes(
    heat: NDArray[np.float32], tooth: Labels, teeth: Sequence[dict[str, Any]]
) -> NDArray[np.float32]:
    """``heat`` with NaN on teeth that are labelled but whose lobe centres nobody gave, in place."""
    given = [t["position"] for t in teeth if t.get("lobe_centres")]
    heat[(tooth > 0) & ~np.isin(tooth, given)] = np.nan
    return heat


def lingual_map(
    tooth: Labels, lobes: Floats, side: str | None, frame: RowFrame, *, unsaid: float = 0.06
) -> Labels:
    """
    1 on the tongue side of the line through the lobe centres, 0 on the cheek side, on crowns; `IGNORE`
    elsewhere.

    With the camera above and tooth 1 at the left of the levelled crop, the tongue side of a left jaw is up.
    Nothing is said closer to the line than ``unsaid`` lobe lengths, where a person's dots and the true middle
    differ, nor without side and at least three lobes.
    """
    out = np.full(tooth.shape, IGNORE, dtype=np.uint8)
    if side not in ("left", "right") or len(lobes) < 3:
        return out
    direction = lobes[-1] - lobes[0]
    length = float(np.hypot(*direction))
    along = direction / length
    up = np.array(
        [along[1], -along[0]]
    )  # a quarter turn against the clock on the screen: up when the row points right
    rows, columns = np.nonzero((tooth > 0) & (tooth != IGNORE))
    points = np.stack([columns, rows], axis=1) - lobes[0]
    place, height = points @ along, points @ up
    line = np.interp(place, (lobes - lobes[0]) @ along, (lobes - lobes[0]) @ up)
    above = height - line
    near = np.abs(above) < unsaid * length / (len(lobes) - 1)
    tongue = above > 0 if side == "left" else above < 0
    out[rows, columns] = np.where(near, IGNORE, tongue)
    return out


def state_map(tooth: Labels, teeth: Sequence[dict[str, Any]]) -> Labels:
    """State of the tooth that each crown pixel belongs to; `IGNORE` where unknown."""
    table = np.full(256, IGNORE, dtype=np.uint8)
    for each in teeth:
        if each.get("state") in _STATES:
            table[each["position"]] = int(_STATES[each["state"]])
    return np.asarray(table[tooth])


def vary(view: View, seed: int) -> View:
    """A view with distortions that only the file's own pixels allow; the same seed gives the same ones."""
    pipeline = _pipeline()
    pipeline.set_random_seed(seed)
    masks = [view.material, view.tooth, view.lingual, view.state, view.lobe]
    done = pipeline(image=np.ascontiguousarray(view.image), masks=masks)
    material, tooth, lingual, state, lobe = done["masks"]
    return View(
        image=done["image"],
        material=material,
        tooth=tooth,
        lingual=lingual,
        lobe=lobe,
        state=state,
        view=view.view,
        blur=view.blur,
    )


def as_batch(views: Sequence[View], device: torch.device) -> Labelled:
    """Views of one size as a batch, as a drawing function gives it."""

    def stack(name: str) -> torch.Tensor:
        return torch.from_numpy(np.stack([getattr(view, name) for view in views])).to(device)

    material = stack("material")
    height, width = material.shape[1:]
    sight = torch.tensor([view.view for view in views], dtype=torch.float32, device=device)
    return Labelled(
        image=stack("image").permute(0, 3, 1, 2).float() / 255,
        material=material,
        tooth=stack("tooth"),
        lingual=stack("lingual"),
        lobe=stack("lobe").float(),
        state=stack("state"),
        tilt=sight[:, :, None, None].expand(-1, -1, height, width).clone(),
        blur=torch.tensor([view.blur for view in views], dtype=torch.float32, device=device),
        void=material == IGNORE,
    )


_OF_THREAD = threading.local()


def _pipeline() -> Any:
    """The distortions; one for each thread, since its seed is a state that it has."""
    if not hasattr(_OF_THREAD, "pipeline"):
        _OF_THREAD.pipeline = _new_pipeline()
    return _OF_THREAD.pipeline


def _new_pipeline() -> Any:
    os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")  # no question to a server about newer versions
    import albumentations as A

    reflect = cv2.BORDER_REFLECT_101
    return A.Compose(
        [
            A.Perspective(scale=(0.0, 0.03), keep_size=True, fit_output=False, border_mode=reflect, p=0.3),
            A.GridDistortion(num_steps=5, distort_limit=(-0.06, 0.06), border_mode=reflect, p=0.3),
            A.CLAHE(clip_limit=(1.0, 3.0), p=0.15),
            A.RandomShadow(p=0.2),
            A.PlanckianJitter(p=0.3),
            A.ISONoise(p=0.2),
            A.ImageCompression(quality_range=(40, 95), p=0.4),
        ]
    )


def _read_labels(path: Path, shape: tuple[int, ...] | None, classes: int) -> Labels:
    labels = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if shape is None and labels is not None:
        shape = labels.shape[:2]
    if labels is None or labels.dtype != np.uint8 or labels.shape != shape:
        found = "no picture" if labels is None else f"{labels.dtype} of shape {labels.shape}"
        raise InputError(
            f"{path}: {found}; needs an 8-bit grey PNG of shape {shape}, as the upright photo. "
            "Write it again."
        )
    wrong = labels[(labels >= classes) & (labels != IGNORE)]
    if wrong.size:
        raise InputError(
            f"{path}: value {int(wrong.flat[0])}; needs 0..{classes - 1} or {IGNORE}. Write it again."
        )
    return np.asarray(labels, dtype=np.uint8)


def _turned(view: Sequence[float] | None, frame: RowFrame) -> tuple[float, float]:
    """The view direction in the axes of the view; NaN where unknown."""
    if view is None or any(v is None for v in view):
        return (np.nan, np.nan)
    x, y = frame.matrix[:, :2] @ np.asarray(view, dtype=np.float64) / frame.scale
    return (float(x), float(y))


def _blur(blur_px: float | None, frame: RowFrame) -> float:
    """log2 of the blur in pixels of the view, at least a quarter; NaN where unknown."""
    return float("nan") if blur_px is None else float(np.log2(max(blur_px * frame.scale, 0.25)))
