"""
Finding the printed card in a photo: scale, tilt, plane, white and specimen id.

Everything holds in the card's plane. Teeth that stand higher than the card look larger; `CardView.px_per_mm`
takes their height, and the card's instructions ask for it to lie level with the chewing surface.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.card.camera import Array, PlaneCamera, fit_plane_camera
from crestgauge.inference.card.layout import (
    PATCHES,
    QR_BOX_MM,
    QR_PREFIX,
    SPACE_MM,
    TAG_DICTIONARY,
    TAG_MM,
    TAGS,
    tag_corners,
)
from crestgauge.inference.errors import InputError
from crestgauge.inference.homography import inverse, mapped

Pixels = NDArray[np.uint8]

SEARCH_LONG_SIDE: Final = 2048
"""Tags are looked for in a picture this small and their corners sharpened in the full one. [px]"""
MIN_TAGS: Final = 3
MIN_SPAN_MM: Final = 60.0
"""Fewer tags, or tags nearer together, fix a scale but no trustworthy plane."""
MAX_RESIDUAL_MM: Final = 0.5
MAX_RESIDUAL_PX: Final = 2.5
"""
A misfit larger than both means a bent card, a cropped photo, or two cards mixed up. Ours: 0.5 mm over 100 mm
is 0.5 %, half of the 1 % that the scale may be off. Blur pulls the corners of each tag inwards by pixels,
which the fit over all tags averages out, so a coarse blurred photo is judged in pixels.
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardView:
    """
    The card as one photo shows it.

    Parameters
    ----------
    to_photo : ndarray, shape (3, 3)
        Homography from card mm to pixels of the upright photo.
    camera : PlaneCamera
        The card's plane as z = 0, card coordinates in mm.
    tags : tuple of int
        Tags seen.
    residual_mm : float
        Root mean square misfit of the tag corners in the card's plane. [mm]
    specimen_id : str or None
        Read from the QR code.
    white_gains : (float, float, float) or None
        Factors on linear red, green, blue that turn the card's white grey, the largest channel kept (all <= 1
        is
        avoided: the smallest factor is 1). None if no white patch is seen unclipped.
    clipped_white : bool
        The white patches are burnt out, so the picture cannot be balanced by them.
    printed_scale : float
        Printed size over true size that the view was made with.
    """

    to_photo: Array
    camera: PlaneCamera
    tags: tuple[int, ...]
    residual_mm: float
    specimen_id: str | None = None
    white_gains: tuple[float, float, float] | None = None
    clipped_white: bool = False
    printed_scale: float = 1.0
    _inverse: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_inverse", inverse(self.to_photo))

    def to_mm(self, points_px: Array) -> Array:
        """Photo points (x, y), shape (N, 2), on the card's plane. [mm]"""
        return mapped(self._inverse, points_px)

    def to_px(self, points_mm: Array) -> Array:
        """Points (x, y) of the card's plane, shape (N, 2), in the photo. [px]"""
        return mapped(self.to_photo, points_mm)

    def tilt_deg(self, point_px: Array | None = None) -> float:
        """
        Angle of the line of sight against the plane's normal at a photo point, or at the space's middle.
        [deg]
        """
        return self.camera.tilt_deg(self._point_mm(point_px))

    def view(self, point_px: Array | None = None) -> tuple[float, float]:
        """
        (vx, vy) of `crestgauge.model.labels` TILT at a photo point: the unit vector towards the camera in the
        frame of the plane whose x and y run along those of the picture.
        """
        point = self._point_mm(point_px)
        vx, vy, _ = self.camera.view(point)
        # Turn the card's axes into the picture's: the similarity part of the local map, polar decomposition.
        u, _, vt = np.linalg.svd(_jacobian(self.to_photo, point))
        turned = (u @ vt) @ np.array([vx, vy])
        return float(turned[0]), float(turned[1])

    def px_per_mm(self, point_px: Array | None = None, *, height_mm: float = 0.0) -> float:
        """
        Scale at a photo point, or at the middle of the space: square root of the local area ratio.

        Parameters
        ----------
        point_px : ndarray, shape (2,), or None
        height_mm : float
            How far what is measured stands above the card (towards the camera). [mm] Its scale is that of the
            card times Z / (Z - height), with the camera Z above the card.

        Raises
        ------
        InputError
            If the height reaches half of the camera's distance.
        """
        distance = self.camera.height_mm()
        if height_mm >= distance / 2:
            raise InputError(
                f"height {height_mm:g} mm over the card; needs less than half of the camera's {distance:.0f}."
            )
        area = abs(np.linalg.det(_jacobian(self.to_photo, self._point_mm(point_px))))
        return float(np.sqrt(area) * distance / (distance - height_mm))

    def balance(self, pixels: Pixels) -> Pixels:
        """
        The photo with the card's white made neutral (von Kries on linear sRGB); unchanged without
        `white_gains`.
        """
        if self.white_gains is None:
            return pixels
        steps = np.arange(256) / 255.0
        tables = [
            np.round(255 * _encode(np.clip(_decode(steps) * g, 0, 1))).astype(np.uint8)
            for g in self.white_gains
        ]
        return np.stack([tables[c][pixels[..., c]] for c in range(3)], axis=-1)

    def rectified(
        self, pixels: Pixels, px_per_mm: float, *, box_mm: tuple[float, float, float, float] = SPACE_MM
    ) -> Pixels:
        """The box x0, y0, x1, y1 of the card's plane seen straight from above. Shape (H, W, 3)."""
        x0, y0, x1, y1 = box_mm
        size = (round((x1 - x0) * px_per_mm), round((y1 - y0) * px_per_mm))
        corner = np.array(
            [[1 / px_per_mm, 0, x0 + 0.5 / px_per_mm], [0, 1 / px_per_mm, y0 + 0.5 / px_per_mm], [0, 0, 1]]
        )
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(
            cv2.warpPerspective(pixels, self.to_photo @ corner, size, flags=flags), dtype=np.uint8
        )

    def _point_mm(self, point_px: Array | None) -> Array:
        if point_px is None:
            x0, y0, x1, y1 = SPACE_MM
            return np.array([(x0 + x1) / 2, (y0 + y1) / 2]) * self.printed_scale
        return np.asarray(self.to_mm(np.asarray(point_px, dtype=np.float64)[None])[0])


def find_card(
    pixels: Pixels, *, focal_35mm: float | None = None, printed_scale: float = 1.0
) -> CardView | None:
    """
    Look for the printed card.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (H, W, 3)
        Upright RGB photo.
    focal_35mm : float or None
        EXIF focal length in 35-mm terms. [mm]
    printed_scale : float
        Printed size over true size (`crestgauge.inference.card.pdf.check_print`).

    Returns
    -------
    CardView or None
        None if fewer than `MIN_TAGS` tags are seen, they stand too close together, or they fit no flat card.

    Raises
    ------
    InputError
        If ``pixels`` is no RGB picture.
    """
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype != np.uint8:
        raise InputError(f"photo of shape {pixels.shape}, {pixels.dtype}; needs (H, W, 3) uint8.")
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    tags = _find_tags(grey)
    if len(tags) < MIN_TAGS:
        return None
    plane = np.concatenate([tag_corners(tag) for tag in tags])
    seen = np.concatenate(list(tags.values()))
    if float(np.max(np.ptp(plane, axis=0))) < MIN_SPAN_MM:
        return None
    # Corners of one tag that sit on something else (a reflection, a second card) are outvoted.
    matrix, inliers = cv2.findHomography(plane, seen, cv2.RANSAC, 0.02 * _mean_side(tags) + 1.5)
    if matrix is None or int(inliers.sum()) < 4 * MIN_TAGS:
        return None
    good = inliers.ravel().astype(bool)
    matrix, _ = cv2.findHomography(plane[good], seen[good], 0)
    residual = float(
        np.sqrt(np.mean(np.sum((mapped(np.linalg.inv(matrix), seen[good]) - plane[good]) ** 2, axis=1)))
    )
    if residual > max(MAX_RESIDUAL_MM, MAX_RESIDUAL_PX * TAG_MM / _mean_side(tags)):
        return None
    to_photo = matrix @ np.diag([1 / printed_scale, 1 / printed_scale, 1.0])
    try:
        camera = fit_plane_camera(
            plane[good] * printed_scale, seen[good], (pixels.shape[1], pixels.shape[0]), focal_35mm=focal_35mm
        )
    except InputError:
        return None
    gains, clipped = _white(pixels, matrix)
    return CardView(
        to_photo=to_photo,
        camera=camera,
        tags=tuple(sorted(tags)),
        residual_mm=residual * printed_scale,
        specimen_id=_read_id(pixels, matrix),
        white_gains=gains,
        clipped_white=clipped,
        printed_scale=printed_scale,
    )


def _find_tags(grey: Pixels) -> dict[int, Array]:
    """Corners (4, 2) of every tag of ours that is seen exactly once, in pixels of the full picture."""
    shrink = max(1.0, max(grey.shape) / SEARCH_LONG_SIDE)
    small = grey
    if shrink > 1:
        size = (round(grey.shape[1] / shrink), round(grey.shape[0] / shrink))
        small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(TAG_DICTIONARY)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(small)
    if ids is None:
        return {}
    names = [int(i) for i in np.asarray(ids).ravel()]
    found: dict[int, Array] = {}
    ratio = np.array([grey.shape[1] / small.shape[1], grey.shape[0] / small.shape[0]])
    for name, corner in zip(names, corners, strict=True):
        if name not in TAGS or names.count(name) > 1:
            continue
        points = (np.asarray(corner, dtype=np.float64).reshape(4, 2) + 0.5) * ratio - 0.5
        found[name] = _sharpened(grey, points, shrink)
    return found


def _sharpened(grey: Pixels, points: Array, shrink: float) -> Array:
    """Corners refined in the full picture, in a window well inside the tag's outer cells."""
    side = float(np.mean(np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1)))
    window = int(np.clip(round(0.35 * side / 8), 2, max(3, round(4 * shrink))))
    start = points.astype(np.float32).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 0.005)
    refined = np.asarray(
        cv2.cornerSubPix(grey, start, (window, window), (-1, -1), criteria), dtype=np.float64
    )
    moved = np.linalg.norm(refined.reshape(4, 2) - points, axis=1)
    return np.where((moved > window)[:, None], points, refined.reshape(4, 2))


def _mean_side(tags: dict[int, Array]) -> float:
    return float(np.mean([np.linalg.norm(c - np.roll(c, 1, axis=0), axis=1).mean() for c in tags.values()]))


def _white(pixels: Pixels, matrix: Array) -> tuple[tuple[float, float, float] | None, bool]:
    """Balance from the white patches that lie in the picture; True if one of them is burnt out."""
    colours, clipped = [], False
    for patch in PATCHES:
        if patch.grey != 255:
            continue
        x, y = np.meshgrid(
            np.linspace(patch.x + 0.25 * patch.width, patch.x + 0.75 * patch.width, 9),
            np.linspace(patch.y + 0.25 * patch.height, patch.y + 0.75 * patch.height, 9),
        )
        spots = np.round(mapped(matrix, np.column_stack([x.ravel(), y.ravel()]))).astype(int)
        inside = (spots >= 0).all(axis=1) & (spots[:, 0] < pixels.shape[1]) & (spots[:, 1] < pixels.shape[0])
        if not inside.all():
            continue
        values = pixels[spots[:, 1], spots[:, 0]].astype(np.float64)
        if np.mean(values.max(axis=1) >= 253) > 0.2:
            clipped = True
        elif np.median(values) > 60 and float(np.median(values.std(axis=0))) < 25:
            colours.append(_decode(np.median(values, axis=0) / 255))
    if not colours:
        return None, clipped
    white = np.mean(colours, axis=0)
    red, green, blue = (float(g) for g in white.max() / white)
    return (red, green, blue), clipped


def _read_id(pixels: Pixels, matrix: Array) -> str | None:
    """The specimen id, from the QR code's place seen straight from above."""
    x, y, side = QR_BOX_MM
    for px_per_mm in (12.0, 20.0, 8.0):
        step = 1 / px_per_mm
        corner = np.array([[step, 0, x - 1], [0, step, y - 1], [0, 0, 1]])
        size = round((side + 2) * px_per_mm)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        code = cv2.warpPerspective(pixels, matrix @ corner, (size, size), flags=flags)
        text, points, _ = cv2.QRCodeDetector().detectAndDecode(code)
        if points is not None and text.startswith(QR_PREFIX):
            return str(text[len(QR_PREFIX) :])
    return None


def _jacobian(matrix: Array, point: Array) -> Array:
    """Derivative of the projective map at one point, shape (2, 2)."""
    u, v, w = matrix @ np.array([point[0], point[1], 1.0])
    return np.asarray((matrix[:2, :2] - np.outer([u / w, v / w], matrix[2, :2])) / w)


def _decode(values: Array) -> Array:
    """sRGB to linear (IEC 61966-2-1)."""
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def _encode(values: Array) -> Array:
    """Linear to sRGB (IEC 61966-2-1)."""
    return np.where(values <= 0.0031308, values * 12.92, 1.055 * np.maximum(values, 0) ** (1 / 2.4) - 0.055)
