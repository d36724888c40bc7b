"""One photograph: the scene for the path tracer, its light and camera, and the traced linear picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from crestgauge.synthetic_data.carved.grounds import SIDE_MM, make_ground
from crestgauge.synthetic_data.carved.looks import Shot, Skin
from crestgauge.synthetic_data.carved.noise import cloud, mix
from crestgauge.synthetic_data.carved.outlines import Array
from crestgauge.synthetic_data.carved.relief import Relief, gum_level, make_relief
from crestgauge.synthetic_data.carved.rows import Row

Rng = np.random.Generator
GROUND_Z = -33.0
PASSES, PER_PASS, BOUNCES = 2, 3, 3
"""Samples a pixel, in passes so that memory stays small; path length. Noise that is left is the phone's."""
VARIANT = "llvm_ad_rgb"


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """
    A pinhole.

    Parameters
    ----------
    position : ndarray, shape (3,)
        In the world: jaw frame, mirrored for right jaws. [mm]
    right, down, ahead : ndarray, shape (3,)
        Picture axes and line of sight.
    focal_px : float
    size : tuple of 2 ints
        (width, height). [px]
    """

    position: Array
    right: Array
    down: Array
    ahead: Array
    focal_px: float
    size: tuple[int, int]

    def project(self, points: Array) -> Array:
        """Pixels (x, y) of world points of shape (..., 3); pixel i covers i - 0.5 .. i + 0.5."""
        from_here = points - self.position
        depth = from_here @ self.ahead
        x = from_here @ self.right / depth * self.focal_px + self.size[0] / 2.0 - 0.5
        y = from_here @ self.down / depth * self.focal_px + self.size[1] / 2.0 - 0.5
        return np.stack([x, y], axis=-1)


def row_middle(row_mm: float) -> Array:
    """The place whose scale and tilt the truth tells. [mm]"""
    return np.array([row_mm / 2.0, 0.0, 0.0])


def to_world(side: str, points: Array) -> Array:
    """Jaw frame to world: right jaws are left ones mirrored."""
    return np.asarray(points * np.array([1.0, 1.0 if side == "left" else -1.0, 1.0]), dtype=np.float64)


def place_camera(shot: Shot, row_mm: float, side: str) -> Camera:
    """The camera that looks at the row's middle, plus a shift."""
    tilt, toward = np.radians(shot.tilt_deg), np.radians(shot.tilt_to_deg)
    sight = np.array([np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), np.cos(tilt)])
    sight = to_world(side, sight)
    middle = to_world(side, row_middle(row_mm))
    ahead = -sight
    x_axis = np.array([1.0, 0.0, 0.0])
    along = x_axis - (x_axis @ ahead) * ahead
    if np.linalg.norm(along) < 0.2:
        along = np.array([0.0, 1.0, 0.0]) - ahead[1] * ahead
    along /= np.linalg.norm(along)
    across = np.cross(ahead, along)
    roll = np.radians(shot.roll_deg)
    right = np.cos(roll) * along + np.sin(roll) * across
    down = np.cross(ahead, right)
    focal = shot.px_per_mm * shot.distance
    position = middle + shot.distance * sight + shot.shift[0] * right + shot.shift[1] * down
    return Camera(position, right, down, ahead, focal, shot.size)


def grid_mesh(mi: Any, name: str, points: Array, bsdf: Any, uv: Array | None = None) -> Any:
    """A grid of points (R, C, 3) as a mesh; texture places run 0..1 over it unless given."""
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns, dtype=np.uint32).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    if uv is None:
        v, u = np.mgrid[0:rows, 0:columns]
        uv = np.stack([(u + 0.5) / columns, (v + 0.5) / rows], axis=-1)
    props = mi.Properties()
    props["bsdf"] = bsdf
    mesh = mi.Mesh(
        name, rows * columns, len(faces), has_vertex_normals=True, has_vertex_texcoords=True, props=props
    )
    values = mi.traverse(mesh)
    values["vertex_positions"] = points.astype(np.float32).ravel()
    along, over = np.gradient(points, axis=1), np.gradient(points, axis=0)
    normal = np.cross(along, over)
    normal /= np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12)
    values["vertex_normals"] = normal.astype(np.float32).ravel()
    values["vertex_texcoords"] = uv.astype(np.float32).ravel()
    values["faces"] = faces.ravel()
    values.update()
    return mesh


def coat(mi: Any, colour: Array, rough: Array | float, specular: float = 0.5) -> Any:
    """A principled material; ``colour`` (3,) or (R, C, 3), linear."""

    def texture(values: Array) -> dict[str, Any]:
        data = values.astype(np.float32)
        data = data[..., None] if data.ndim == 2 else data
        return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(data)), "raw": True}

    many = np.ndim(colour) == 3
    found: dict[str, Any] = {"type": "principled", "specular": specular}
    found["base_color"] = (
        texture(np.clip(colour, 0.005, 0.95)) if many else {"type": "rgb", "value": list(map(float, colour))}
    )
    found["roughness"] = texture(np.asarray(rough)) if np.ndim(rough) == 2 else float(np.asarray(rough))
    return mi.load_dict({"type": "twosided", "inner": found})


def bone_body(rng: Rng, row: Row, lying: bool) -> Array:
    """The jaw bone under the row, its front part without teeth and the branch rising behind, as a bent tube:
    points (R, C, 3) of the jaw frame."""
    s = np.linspace(-70.0, row.length + 60.0, 260)
    bow = np.interp(s, [t.place[0] for t in row.teeth], [t.place[1] for t in row.teeth])
    behind = np.clip(s - row.length - 3.0, 0.0, None)
    before = np.clip(-4.0 - s, 0.0, None)
    top = (
        gum_level(row, s)
        - 1.2
        + np.minimum(0.006 * behind**2 + 0.1 * behind, 30.0)
        - np.minimum(0.25 * before, 7.0)
    )
    deep = 21.0 + 0.07 * np.clip(s, 0.0, None) - np.minimum(0.4 * before, 13.0)
    half = 6.4 - 0.03 * np.minimum(behind, 60.0) - np.minimum(0.12 * before, 2.6)
    low = np.maximum(top - deep, GROUND_Z + 0.5) if lying else top - deep
    turn = np.linspace(0.0, 2.0 * np.pi, 140)
    c, z = np.cos(turn), np.sin(turn)
    wide = np.sign(c) * np.abs(c) ** 0.7 * half[:, None]
    tall = (top + low)[:, None] / 2.0 + np.sign(z) * np.abs(z) ** 0.75 * (top - low)[:, None] / 2.0
    bump = cloud(rng, tall.shape, 30) * 0.25
    bump[:, -1] = bump[:, 0]
    y = bow[:, None] - 0.7 - 0.05 * np.clip(s - 60, 0, 40)[:, None] + wide + bump * c
    return np.stack([np.broadcast_to(s[:, None], tall.shape), y, tall + bump * z], axis=-1)


def finger(rng: Rng, start: Array, end: Array, radius: float) -> Array:
    """A bent rounded tube from start to end, as grid points (R, C, 3)."""
    t = np.linspace(0.0, 1.0, 60)
    way = end - start
    length = float(np.linalg.norm(way))
    way = way / length
    side = np.cross(way, np.array([0.0, 0.0, 1.0]))
    side /= np.linalg.norm(side)
    up = np.cross(side, way)
    line = start + t[:, None] * (end - start) + (np.sin(np.pi * t) * 3.0)[:, None] * up
    tip = np.clip((1.0 - t) * length / radius, 0.0, 1.0)
    wide = radius * np.sqrt(np.clip(1.0 - (1.0 - tip) ** 2, 0.0, 1.0)) * (1.0 + 0.07 * np.sin(t * 9.0))
    turn = np.linspace(0.0, 2.0 * np.pi, 50)
    bump = cloud(rng, (60, 50), 9) * 0.12
    bump[:, -1] = bump[:, 0]
    ring = np.cos(turn)[None, :, None] * side + np.sin(turn)[None, :, None] * up * 0.9
    return np.asarray(line[:, None] + (wide[:, None] + bump * (wide[:, None] > 0.5))[..., None] * ring)


def hand_parts(rng: Rng, shot: Shot, row: Row) -> list[Array]:
    """Fingers that hold the front end or the back end of the bone, from below; or that cover the molars."""
    parts = []
    if shot.fault == "covered":
        for k in range(4):
            x = row.length * (0.48 + 0.145 * k)
            parts.append(finger(rng, np.array([x + 12, -55.0, -12.0]), np.array([x, 15.0, 9.0]), 8.2))
        return parts
    front = rng.random() < 0.5
    x = -26.0 if front else row.length + 24.0
    parts.append(
        finger(rng, np.array([x - 12, -60.0, -22.0]), np.array([x, -1.0, -1.0 if front else 12.0]), 9.5)
    )
    for k in range(2):
        at = x + (13.0 * k + 3.0) * (-1.0 if front else 1.0)
        parts.append(finger(rng, np.array([at, 60.0, -27.0]), np.array([at, 6.0, -14.0]), 8.5))
    return parts


def lights(mi: Any, rng: Rng, shot: Shot, camera: Camera) -> dict[str, Any]:
    """Light sources by kind."""
    t = mi.ScalarTransform4f

    def panel(
        at: Array, toward: Array, half: tuple[float, float], radiance: float, tint: Array
    ) -> dict[str, Any]:
        look = t().look_at(origin=list(map(float, at)), target=list(map(float, toward)), up=[0.1, 0.2, 0.97])
        return {
            "type": "rectangle",
            "to_world": look @ t().scale([half[0], half[1], 1.0]),
            "emitter": {
                "type": "area",
                "radiance": {"type": "rgb", "value": list(map(float, radiance * tint))},
            },
        }

    def round_(at: Array, radius: float, radiance: float, tint: Array) -> dict[str, Any]:
        return {
            "type": "sphere",
            "center": list(map(float, at)),
            "radius": radius,
            "emitter": {
                "type": "area",
                "radiance": {"type": "rgb", "value": list(map(float, radiance * tint))},
            },
        }

    middle = camera.position + camera.ahead * shot.distance
    turn = float(rng.uniform(0.0, 2.0 * np.pi))
    around = np.array([np.cos(turn), np.sin(turn), 0.0])
    white = np.array([1.0, 1.0, 1.0])
    warm, cold = np.array([1.0, 0.80, 0.58]), np.array([0.78, 0.90, 1.12])
    found: dict[str, Any] = {}

    def dome(level: float, tint: Array, lean: float) -> dict[str, Any]:
        v = np.linspace(1.0, -1.0, 32)[:, None]
        u = np.linspace(0.0, 2.0 * np.pi, 64)[None, :]
        sky = (
            level
            * np.clip(0.75 + 0.25 * v + lean * np.cos(u - turn) * (1 - np.abs(v)), 0.05, None)
            * (v > -0.1)
        )
        sky = sky + 0.12 * level
        data = (sky[..., None] * tint).astype(np.float32)
        upright = t().rotate([1, 0, 0], 90)  # the renderer's own sky has y up
        return {"type": "envmap", "bitmap": mi.Bitmap(data), "to_world": upright}

    if shot.light == "overcast":
        found["sky"] = dome(1.0, cold, float(rng.uniform(0.2, 0.6)))
    elif shot.light == "low_sun":
        found["sky"] = dome(0.30, np.array([0.6, 0.8, 1.25]), 0.3)
        rise = float(rng.uniform(0.5, 1.2))
        found["sun"] = round_(
            middle + 2500.0 * (around + np.array([0.0, 0.0, rise])), 45.0, 2200.0, warm * 1.05
        )
    elif shot.light == "window":
        found["sky"] = dome(0.10, warm, 0.0)
        at = middle + 700.0 * around + np.array([0.0, 0.0, 520.0])
        found["window"] = panel(at, middle, (330.0, 420.0), 5.0, cold)
    elif shot.light == "ring":
        found["sky"] = dome(0.12, white, 0.1)
        for k in range(8):
            angle = 2.0 * np.pi * k / 8
            at = camera.position + 48.0 * (np.cos(angle) * camera.right + np.sin(angle) * camera.down)
            found[f"ring{k}"] = round_(
                at - 8.0 * camera.ahead, 8.0, 60.0 * (shot.distance / 300.0) ** 2, cold
            )
    elif shot.light == "headlamp":
        found["sky"] = dome(0.035, white, 0.0)
        away = float(rng.uniform(90.0, 190.0))
        at = (
            camera.position
            - 60.0 * camera.ahead
            + away * (np.cos(turn) * camera.right + np.sin(turn) * camera.down)
        )
        found["lamp"] = round_(at, 16.0, 135.0 * (shot.distance / 300.0) ** 2, cold)
    else:
        found["sky"] = dome(0.08, white, 0.0)
        for k, sign in enumerate((-1.0, 1.0)):
            at = middle + sign * 380.0 * around + np.array([0.0, 0.0, 620.0])
            found[f"strip{k}"] = panel(
                at, middle, (28.0, 330.0), 16.0 * float(rng.uniform(0.6, 1.2)), warm * 1.1
            )
    return found


def things(mi: Any, rng: Rng, row_mm: float) -> dict[str, Any]:
    """A few objects on the ground beside the jaw."""
    t = mi.ScalarTransform4f
    found: dict[str, Any] = {}
    for k in range(int(rng.integers(0, 4))):
        away = float(rng.choice([-1.0, 1.0])) * float(rng.uniform(26.0, 48.0))
        at = [float(rng.uniform(-20.0, row_mm + 20.0)), away, GROUND_Z]
        degrees = float(rng.uniform(-40, 40))
        turn = t().translate(at) @ t().rotate([0, 0, 1], degrees)
        way = np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), 0.0])
        place = np.array(at) + np.array([0.0, 0.0, 3.6])
        tint = mix(np.full(3, rng.uniform(0.05, 0.6)), rng.uniform(0.03, 0.6, 3), rng.uniform(0.1, 0.8))
        kind = int(rng.integers(3))
        if kind == 0:  # a pencil or a stick
            found[f"thing{k}"] = {
                "type": "cylinder",
                "p0": list(map(float, place + 60.0 * way)),
                "p1": list(map(float, place - 60.0 * way)),
                "radius": 3.5,
                "bsdf": coat(mi, tint, 0.35),
            }
        elif kind == 1:  # a coin or a lid
            found[f"thing{k}"] = {
                "type": "disk",
                "to_world": turn @ t().translate([0, 0, 1.6]) @ t().scale(float(rng.uniform(9, 16))),
                "bsdf": coat(mi, np.array([0.5, 0.42, 0.3]) * float(rng.uniform(0.5, 1.2)), 0.3, 0.9),
            }
        else:  # a tag, a box
            found[f"thing{k}"] = {
                "type": "cube",
                "to_world": turn
                @ t().translate([0, 0, 2.0])
                @ t().scale([float(rng.uniform(12, 30)), float(rng.uniform(6, 14)), 2.0]),
                "bsdf": coat(mi, tint, 0.5),
            }
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """A traced picture: linear (H, W, 3), its camera, and the row's grid (None where there is no jaw)."""

    linear: Array
    camera: Camera
    relief: Relief | None


def renderer() -> Any:
    """The path tracer's module, set to the processor.

    Raises
    ------
    ImportError
        If it is not installed.
    """
    import mitsuba as mi

    if mi.variant() != VARIANT:
        mi.set_variant(VARIANT)
        import drjit

        drjit.set_thread_count(1)
    return mi


def trace(seed: int, row: Row | None, skin: Skin, shot: Shot, *, passes: int = PASSES) -> Taken:
    """Trace one picture; the same arguments give the same picture on the same machine."""
    mi = renderer()
    rng = np.random.default_rng([seed, 3])
    side, row_mm = ("left", 80.0) if row is None else (row.side, row.length)
    camera = place_camera(shot, row_mm, side)
    scene: dict[str, Any] = {"type": "scene", **lights(mi, rng, shot, camera), **things(mi, rng, row_mm)}
    relief = None
    if row is not None:
        relief = make_relief(np.random.default_rng([seed, 4]), row, skin)
        points = to_world(side, np.concatenate([relief.plan, relief.height[..., None]], axis=-1))
        scene["row"] = grid_mesh(mi, "row", points, coat(mi, relief.colour, relief.rough, 0.55))
        body = bone_body(rng, row, shot.holder == "lying")
        pattern = cloud(rng, body.shape[:2], 25) * 0.10 + cloud(rng, body.shape[:2], 4) * 0.06
        tint = skin.flesh * (1.0 + pattern)[..., None]
        rough = 0.7 if skin.kind == "bone" else 0.55 - 0.3 * skin.wet
        scene["body"] = grid_mesh(mi, "body", to_world(side, body), coat(mi, tint, rough))
        if shot.holder != "lying" or shot.fault == "covered":
            glove = np.array(
                [[0.03, 0.06, 0.30], [0.02, 0.02, 0.02], [0.75, 0.75, 0.72], [0.30, 0.20, 0.10]]
            )[rng.integers(4)]
            flesh = np.array([0.55, 0.33, 0.24]) * float(rng.uniform(0.4, 1.15))
            paint = glove if shot.holder != "bare" else flesh
            for k, part in enumerate(hand_parts(rng, shot, row)):
                scene[f"finger{k}"] = grid_mesh(mi, f"finger{k}", to_world(side, part), coat(mi, paint, 0.5))
    else:
        for k in range(7):  # stones and sticks where a jaw might lie
            at = np.array([row_mm * k / 6.0, float(rng.normal(0.0, 9.0)), GROUND_Z + 4.0])
            stone = finger(
                rng, at, at + np.append(rng.normal(0.0, 14.0, 2), 2.0), float(rng.uniform(4.0, 10.0))
            )
            grey = np.array([0.34, 0.31, 0.27]) * float(rng.uniform(0.4, 1.5))
            scene[f"stone{k}"] = grid_mesh(mi, f"stone{k}", stone, coat(mi, grey, 0.8))
    colour, rough = make_ground(rng, shot.ground)
    far = SIDE_MM / 2.0
    corner = np.array([[[-far, -far, 0.0], [far, -far, 0.0]], [[-far, far, 0.0], [far, far, 0.0]]])
    turn = float(rng.uniform(0.0, 6.28))
    spin = np.array([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]])
    low = GROUND_Z if shot.holder == "lying" or row is None else GROUND_Z - float(rng.uniform(20.0, 90.0))
    corner = corner @ spin.T * (1.0 if low == GROUND_Z else 2.5) + np.array([row_mm / 2.0, 0.0, low])
    uv = np.array([[[0.0, 0.0], [1.0, 0.0]], [[0.0, 1.0], [1.0, 1.0]]])
    scene["ground"] = grid_mesh(mi, "ground", corner, coat(mi, colour, rough, 0.4), uv)
    width, height = shot.size
    fov = 2.0 * np.degrees(np.arctan(width / 2.0 / camera.focal_px))
    scene["sensor"] = {
        "type": "perspective",
        "fov": float(fov),
        "fov_axis": "x",
        "near_clip": 5.0,
        "far_clip": 6000.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=list(map(float, camera.position)),
            target=list(map(float, camera.position + camera.ahead)),
            up=list(map(float, -camera.down)),
        ),
        "film": {
            "type": "hdrfilm",
            "width": width,
            "height": height,
            "rfilter": {"type": "gaussian", "stddev": 0.45},
        },
    }
    built = mi.load_dict(scene)
    tracer = mi.load_dict({"type": "path", "max_depth": BOUNCES, "hide_emitters": True})
    total = np.zeros((height, width, 3))
    for k in range(passes):
        found = np.array(mi.render(built, integrator=tracer, spp=PER_PASS, seed=seed % 100_000 + 7919 * k))
        total += np.minimum(found[..., :3], 30.0)
    return Taken(total / passes, camera, relief)
