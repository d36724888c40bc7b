"""The path-traced scene: camera, lights, meshes; the only module that talks to Mitsuba."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.surfaces import Mesh

VARIANT = "llvm_ad_rgb"
Window = tuple[int, int, int, int]
Rendered = NDArray[np.float32]
THREADS = 1
"""One core per process, so that several processes can share a machine."""


def mitsuba() -> Any:
    """The renderer with its variant set; imported late, since it is an optional extra."""
    import mitsuba as mi

    if mi.variant() != VARIANT:
        mi.set_variant(VARIANT)
        import drjit

        drjit.set_thread_count(THREADS)
    return mi


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """
    A pinhole looking at a point of the jaw.

    Parameters
    ----------
    position, target, up : ndarray, shape (3,)
        World coordinates. [mm] ``up`` is the upper side of the picture.
    width, height : int
        Picture size. [px]
    focal_px : float
        Focal length in pixels.
    """

    position: Array
    target: Array
    up: Array
    width: int
    height: int
    focal_px: float

    def axes(self) -> tuple[Array, Array, Array]:
        """Unit vectors right, down, forward of the picture in the world."""
        forward = self.target - self.position
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, self.up)
        right = right / np.linalg.norm(right)
        return right, np.cross(forward, right), forward

    def project(self, points: Array) -> Array:
        """World points, shape (..., 3), to pixels (x, y), where pixel i covers i - 0.5 .. i + 0.5."""
        right, down, forward = self.axes()
        away = points - self.position
        depth = away @ forward
        return np.stack(
            [
                self.width / 2.0 - 0.5 + self.focal_px * (away @ right) / depth,
                self.height / 2.0 - 0.5 + self.focal_px * (away @ down) / depth,
            ],
            axis=-1,
        )


def sensor(camera: Camera, window: Window, *, labels: bool = False) -> dict[str, Any]:
    """
    Mitsuba description of the camera, looking through a window of its picture only.

    Parameters
    ----------
    window : tuple of 4 ints
        (x0, y0, x1, y1) in pixels of the camera's picture; may reach beyond it.
    labels : bool
        One sample a pixel with a box filter, else a Gaussian one.
    """
    mi = mitsuba()
    x0, y0, x1, y1 = window
    # The window is a film of its own whose principal point lies off its middle, not a crop of a larger film:
    # films of few sizes let the renderer reuse the code that it compiles.
    off_x = ((x0 + x1) / 2.0 - camera.width / 2.0) / (x1 - x0)
    off_y = ((y0 + y1) / 2.0 - camera.height / 2.0) / (y1 - y0)
    return {
        "type": "perspective",
        "fov": float(np.degrees(2.0 * np.arctan(0.5 * (x1 - x0) / camera.focal_px))),
        "fov_axis": "x",
        "principal_point_offset_x": float(off_x),
        "principal_point_offset_y": float(off_y),
        "near_clip": 10.0,
        "far_clip": 5000.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=camera.position.tolist(), target=camera.target.tolist(), up=camera.up.tolist()
        ),
        "film": {
            "type": "hdrfilm",
            "width": x1 - x0,
            "height": y1 - y0,
            "rfilter": {"type": "box"} if labels else {"type": "gaussian", "stddev": 0.45},
            "pixel_format": "rgb",
            "component_format": "float32",
        },
        "sampler": {"type": "independent" if labels else "multijitter", "sample_count": 4},
    }


def texture(picture: Array, *, clamp: bool = True) -> dict[str, Any]:
    """A bitmap texture from linear values, shape (H, W, 3) or (H, W)."""
    mi = mitsuba()
    data = np.ascontiguousarray(picture if picture.ndim == 3 else picture[..., None], dtype=np.float32)
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(data),
        "raw": True,
        "wrap_mode": "clamp" if clamp else "mirror",
    }


def shape(name: str, mesh: Mesh, bsdf: dict[str, Any], *, coloured: bool, smooth: bool = True) -> Any:
    """Mitsuba mesh object from our triangles."""
    mi = mitsuba()
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict({"type": "twosided", "inner": bsdf})
    out = mi.Mesh(name, len(mesh.vertices), len(mesh.faces), properties, smooth, True)
    values = mi.traverse(out)
    values["vertex_positions"] = mesh.vertices.astype(np.float32).ravel()
    values["faces"] = mesh.faces.astype(np.uint32).ravel()
    values["vertex_texcoords"] = mesh.uv.astype(np.float32).ravel()
    if smooth:
        values["vertex_normals"] = vertex_normals(mesh).astype(np.float32).ravel()
    if coloured:
        out.add_attribute("vertex_colour", 3, mesh.colour.astype(np.float32).ravel())
    values.update()
    return out


def vertex_normals(mesh: Mesh) -> Array:
    """Area-weighted vertex normals, shape (V, 3)."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    normals = np.zeros_like(mesh.vertices)
    for axis in range(3):
        for k in range(3):
            normals[:, axis] += np.bincount(mesh.faces[:, k], face[:, axis], len(normals))
    length = np.maximum(np.linalg.norm(normals, axis=1), 1e-12)
    return np.asarray(normals / length[:, None], dtype=np.float64)


class Stage:
    """A loaded scene that can be looked at through several cameras."""

    def __init__(self, scene: dict[str, Any]) -> None:
        self._mi = mitsuba()
        self._scene = self._mi.load_dict({"type": "scene", **scene})

    def _look(self, integrator: dict[str, Any], camera: dict[str, Any], samples: int, seed: int) -> Rendered:
        """Picture of shape (H, W, channels)."""
        mi = self._mi
        eye, view = mi.load_dict(integrator), mi.load_dict(camera)
        return np.array(mi.render(self._scene, sensor=view, integrator=eye, spp=samples, seed=seed))

    def light(self, camera: dict[str, Any], samples: int, depth: int, seed: int) -> Rendered:
        """Linear RGB picture, shape (H, W, 3)."""
        path = {"type": "path", "max_depth": depth, "hide_emitters": True}
        return self._look(path, camera, samples, seed)[..., :3].astype(np.float32)

    def own_colour(self, camera: dict[str, Any], samples: int, seed: int) -> Rendered:
        """The surfaces' own colour without light, shape (H, W, 3)."""
        return self._look({"type": "aov", "aovs": "own:albedo"}, camera, samples, seed)[..., -3:].astype(
            np.float32
        )

    def labels(self, camera: dict[str, Any], seed: int) -> tuple[Array, NDArray[np.int64]]:
        """
        First surface under each pixel, one ray each.

        Returns
        -------
        position : ndarray, shape (H, W, 3)
            World coordinates. [mm]
        index : ndarray, shape (H, W)
            Number of the shape in scene order from 1; 0 where nothing is hit.
        """
        aov = {"type": "aov", "aovs": "at:position,who:shape_index"}
        values = self._look(aov, camera, 1, seed)[..., -4:]
        return values[..., :3].astype(np.float64), np.round(values[..., 3]).astype(np.int64)
