"""
Where the camera stood, from points of a plane of known geometry. Pure: arrays in and out.

A pinhole with square pixels and its axis through the middle of the picture (phones correct their lenses; a
cropped photo breaks the second assumption, and the residual then says so). The focal length is one of the
unknowns, held by a prior: without tilt a plane says nothing about it, with tilt it does, and tilt and focal
length trade off, so fitting both together is what gives the tilt an honest uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from crestgauge.inference.errors import InputError

Array = NDArray[np.float64]

DIAGONAL_35MM = float(np.hypot(36.0, 24.0))
"""Diagonal of the 35-mm frame that EXIF 2.32 FocalLengthIn35mmFilm refers to. [mm]"""
PHONE_FOCAL_SHARE = 0.62
PHONE_FOCAL_LOG_SIGMA = 0.25
"""Prior where EXIF says nothing: focal length over picture diagonal of a main phone camera (24 to 28 mm in
35-mm terms, 0.55 to 0.65), with a sigma wide enough for a 2x lens. Common practice, no published survey."""
EXIF_FOCAL_LOG_SIGMA = 0.04
"""EXIF gives whole millimetres (2 % at 26 mm), and phones crop a little for stabilisation."""


@dataclass(frozen=True, slots=True, eq=False)
class PlaneCamera:
    """
    A camera that sees a plane.

    Parameters
    ----------
    rotation : ndarray, shape (3, 3)
        Plane to camera.
    position : ndarray, shape (3,)
        Camera centre in the plane's frame (x, y in the plane, z = away from the camera). [mm]
    focal_px : float
    focal_u_px : float
        Standard uncertainty of the focal length after the fit. [px]
    tilt_u_deg : float
        Standard uncertainty of the tilt at the middle of the points. [deg]
    residual_px : float
        Root mean square distance between seen and predicted points. [px]
    """

    rotation: Array
    position: Array
    focal_px: float
    focal_u_px: float
    tilt_u_deg: float
    residual_px: float

    def view(self, point_mm: Array) -> Array:
        """
        Unit vector from a point (x, y) of the plane towards the camera; its third component is negative,
        since the plane's z axis points away from the camera. Shape (3,).
        """
        ray = self.position - np.array([point_mm[0], point_mm[1], 0.0])
        return np.asarray(ray / np.linalg.norm(ray))

    def tilt_deg(self, point_mm: Array) -> float:
        """Angle between the line of sight to a point (x, y) of the plane and the plane's normal. [deg]"""
        return float(np.degrees(np.arccos(np.clip(-self.view(point_mm)[2], -1.0, 1.0))))

    def height_mm(self) -> float:
        """Distance of the camera from the plane. [mm]"""
        return float(-self.position[2])


def fit_plane_camera(
    plane_mm: Array,
    seen_px: Array,
    size: tuple[int, int],
    *,
    focal_35mm: float | None = None,
    edge_sigma_px: float = 0.3,
) -> PlaneCamera:
    """
    Fit pose and focal length to points of a plane.

    Parameters
    ----------
    plane_mm, seen_px : ndarray, shape (N, 2), N >= 4
        The same points in the plane and in the picture, (x, y).
    size : (int, int)
        Width and height of the whole picture. [px]
    focal_35mm : float or None
        Focal length in 35-mm terms. [mm] None: `PHONE_FOCAL_SHARE`.
    edge_sigma_px : float
        1-sigma error of one coordinate; the residual replaces it where that is larger. [px]

    Raises
    ------
    InputError
        If there are fewer than four points or they fix no plane.
    """
    if len(plane_mm) < 4 or plane_mm.shape != seen_px.shape:
        raise InputError(
            f"{len(plane_mm)} plane points against {len(seen_px)} seen ones; needs at least 4 of both."
        )
    diagonal = float(np.hypot(*size))
    known = focal_35mm is not None and focal_35mm > 0
    prior = np.log(diagonal * (focal_35mm / DIAGONAL_35MM if known and focal_35mm else PHONE_FOCAL_SHARE))
    prior_sigma = EXIF_FOCAL_LOG_SIGMA if known else PHONE_FOCAL_LOG_SIGMA
    centre = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    middle = plane_mm.mean(axis=0)
    solid = np.column_stack([plane_mm - middle, np.zeros(len(plane_mm))])
    state = np.concatenate([*_first_pose(solid[:, :2], seen_px - centre, float(np.exp(prior))), [prior]])
    state, jacobian, error = _descend(state, solid, seen_px, centre, prior, prior_sigma, edge_sigma_px)
    residual = float(np.sqrt(np.mean(np.sum(error**2, axis=1))))
    scale = max(1.0, residual / (np.sqrt(2) * edge_sigma_px))
    weights = np.vstack([jacobian / (edge_sigma_px * scale), [[0, 0, 0, 0, 0, 0, 1 / prior_sigma]]])
    covariance = np.linalg.inv(weights.T @ weights)
    rotation, _ = cv2.Rodrigues(state[:3])
    position = -rotation.T @ state[3:6] + np.array([*middle, 0.0])
    # The tilt itself has no gradient straight above the plane; the view direction, its sine, has one
    # everywhere.
    gradient = _view_gradient(state)
    sine_u = float(np.sqrt(np.linalg.eigvalsh(gradient @ covariance @ gradient.T)[-1]))
    cosine = abs(float((rotation[:, 2] @ state[3:6]) / np.linalg.norm(state[3:6])))
    focal = float(np.exp(state[6]))
    return PlaneCamera(
        rotation=np.asarray(rotation),
        position=position,
        focal_px=focal,
        focal_u_px=focal * float(np.sqrt(covariance[6, 6])),
        tilt_u_deg=float(np.degrees(sine_u / max(cosine, 0.1))),
        residual_px=residual,
    )


def _first_pose(plane: Array, seen: Array, focal_px: float) -> tuple[Array, Array]:
    """
    Rotation vector and shift from the homography (Zhang 2000, IEEE PAMI 22:1330, section 3.1). OpenCV's own
    planar solver returns NaN for a view exactly from above, which scans and drawn pictures are.
    """
    matrix, _ = cv2.findHomography(plane, seen, 0)
    if matrix is None:
        raise InputError("the points fix no plane: they lie on one line.")
    columns = np.diag([1 / focal_px, 1 / focal_px, 1.0]) @ matrix
    columns = (
        columns
        / np.sqrt(np.linalg.norm(columns[:, 0]) * np.linalg.norm(columns[:, 1]))
        * np.sign(columns[2, 2])
    )
    turn = np.column_stack([columns[:, 0], columns[:, 1], np.cross(columns[:, 0], columns[:, 1])])
    u, _, vt = np.linalg.svd(turn)
    vector, _ = cv2.Rodrigues(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt)
    return np.asarray(vector, dtype=np.float64).ravel(), np.asarray(columns[:, 2], dtype=np.float64)


def _descend(
    state: Array, solid: Array, seen: Array, centre: Array, prior: float, prior_sigma: float, sigma: float
) -> tuple[Array, Array, Array]:
    """
    Levenberg-Marquardt on rotation vector, shift and log focal length: state, Jacobian (2N, 7), error (N, 2).
    """
    damping, cost = 1e-3, np.inf
    jacobian, error = _project(state, solid, seen, centre)
    cost = float(np.sum(error**2)) / sigma**2 + ((state[6] - prior) / prior_sigma) ** 2
    for _ in range(60):
        rows = np.vstack([jacobian / sigma, [[0, 0, 0, 0, 0, 0, 1 / prior_sigma]]])
        off = np.concatenate([error.ravel() / sigma, [(prior - state[6]) / prior_sigma]])
        normal = rows.T @ rows
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), rows.T @ off)
        trial = state + step
        trial_jacobian, trial_error = _project(trial, solid, seen, centre)
        trial_cost = float(np.sum(trial_error**2)) / sigma**2 + ((trial[6] - prior) / prior_sigma) ** 2
        if trial_cost < cost:
            done = cost - trial_cost < 1e-9 * cost
            state, jacobian, error, cost, damping = (
                trial,
                trial_jacobian,
                trial_error,
                trial_cost,
                damping / 4,
            )
            if done:
                break
        elif damping > 1e9:
            break
        else:
            damping *= 6
    return state, jacobian, error


def _project(state: Array, solid: Array, seen: Array, centre: Array) -> tuple[Array, Array]:
    """Jacobian (2N, 7) of the predicted points and what is missing to the seen ones (N, 2)."""
    focal = float(np.exp(np.clip(state[6], 0.0, 20.0)))
    lens = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    points, full = cv2.projectPoints(solid, state[:3], state[3:6], lens, None)
    log_focal = full[:, 6:7] * focal + full[:, 7:8] * focal
    return np.hstack([full[:, :6], log_focal]), seen - points.reshape(-1, 2)


def _view_gradient(state: Array) -> Array:
    """
    Numerical gradient of the view direction (vx, vy) at the points' middle, shape (2, 7). [1 per unit of
    state]
    """

    def view(values: Array) -> Array:
        rotation, _ = cv2.Rodrigues(values[:3])
        return np.asarray(-np.asarray(rotation).T @ values[3:6] / np.linalg.norm(values[3:6]))[:2]

    gradient = np.zeros((2, 7))
    for k in range(6):
        step = np.zeros(7)
        step[k] = 1e-5 * max(1.0, abs(state[k]))
        gradient[:, k] = (view(state + step) - view(state - step)) / (2 * step[k])
    return gradient
