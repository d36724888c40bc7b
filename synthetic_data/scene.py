"""
One scene: a jaw (or none), what lies under it and over it, seen by one camera; light and label maps together.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field, replace

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from crestgauge.model.labels import LOBE_SIGMA, Material, ToothState
from crestgauge.synthetic_data.anatomy import Jaw, bowed, sample_jaw
from crestgauge.synthetic_data.beside import Around, Before, Shown, depths, lay_second, view_vectors
from crestgauge.synthetic_data.camera import Camera, Hits, look_at, march, sample
from crestgauge.synthetic_data.clutter import cover_up, ground_colour, lay_over
from crestgauge.synthetic_data.ground import Ground, sample_ground
from crestgauge.synthetic_data.head import soft_parts
from crestgauge.synthetic_data.jaw import JawFields, jaw_fields
from crestgauge.synthetic_data.litter import (
    COVERING_SHARE,
    LITTER_SHARE,
    InSight,
    air,
    cover_with_leaves,
    lay_litter,
)
from crestgauge.synthetic_data.options import DrawOptions
from crestgauge.synthetic_data.overlays import Canvas
from crestgauge.synthetic_data.phone import blur
from crestgauge.synthetic_data.rims import sample_rims
from crestgauge.synthetic_data.second import Second, middle_plane, row_middle, sample_second, settled
from crestgauge.synthetic_data.shading import Surface, lit, sample_lights, surface
from crestgauge.synthetic_data.things import things
from crestgauge.synthetic_data.wear import FAR_BELOW, CrownFields, crown_fields

GRID_PX_PER_MM = 14.0
EMPTY_GROUND_Z = -40.0
SECOND_SHARE = 0.13
"""Share of pictures with another row, or the soft parts of a head, beside the one that is meant."""
HEAD_SHARE, OTHER_HALF_SHARE = 0.5, 0.4
"""How many fleshy ones of those are still in the head, and how many of these show the other half, too."""
STATE_INDEX = {"erupted": ToothState.ERUPTED, "erupting": ToothState.ERUPTING, "broken": ToothState.BROKEN}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Specimen:
    """A drawn animal with its fields, kept so that several pictures can be taken of it."""

    jaw: Jaw
    crowns: CrownFields
    bone: JawFields
    fleshy: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Named conditions of a picture, as in `crestgauge.synthetic_data.options`."""

    light: str
    background: str
    stain: str
    shape: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """
    Linear light (3, H, W) and label maps (H, W) of one picture, before lens and sensor.

    material, tooth : uint8, see `crestgauge.model.labels`
    lingual, state : uint8, 255 off the crowns; lingual is 1 on the tongue side of the lobe's middle line
    lobe : float32, heat 0..1
    tilt : float32 (2, H, W), view vector (vx, vy) of every pixel
    specimen, camera : what was drawn (without crowns where ``with_row`` is False)
    beside : second bodies that the picture shows
    """

    light: Tensor
    material: Tensor
    tooth: Tensor
    lingual: Tensor
    lobe: Tensor
    state: Tensor
    tilt: Tensor
    camera: Camera
    specimen: Specimen
    conditions: Conditions
    with_row: bool
    beside: tuple[Shown, ...] = ()
    notes: dict[str, float] = field(default_factory=dict)


def sample_age(rng: Generator) -> float:
    """Age in years, every class of the key about equally often, wear continuous in between."""
    if rng.uniform() < 0.34:
        stages = [rng.uniform(0.26, 1.0), rng.uniform(1.0, 1.5), rng.uniform(1.4, 1.95)]
        return float(rng.choice(stages, p=[0.4, 0.35, 0.25]))
    return float(rng.uniform(1.9, 10.5))


def sample_conditions(rng: Generator, options: DrawOptions) -> Conditions:
    """One condition of each family out of those that ``options`` allow, all equally often."""

    def pick(family: str) -> str:
        return str(rng.choice(options.allowed(family)))

    return Conditions(
        light=pick("light"), background=pick("background"), stain=pick("stain"), shape=pick("shape")
    )


def sample_specimen(
    rng: Generator,
    conditions: Conditions,
    device: torch.device,
    *,
    age_years: float | None = None,
    abnormal: bool = True,
) -> Specimen:
    """Draw an animal and work out its worn crowns and bone."""
    age = sample_age(rng) if age_years is None else age_years
    side = str(rng.choice(["left", "right"]))
    jaw = bowed(sample_jaw(rng, age_years=age, shape=conditions.shape, side=side, abnormal=abnormal))
    crowns = crown_fields(jaw, px_per_mm=GRID_PX_PER_MM, seed=int(rng.integers(2**31)), device=device)
    fleshy = bool(rng.uniform() < 0.4)
    return Specimen(
        jaw=jaw, crowns=crowns, bone=jaw_fields(jaw, crowns, rng, device, fleshy=fleshy), fleshy=fleshy
    )


def without_teeth(specimen: Specimen) -> Specimen:
    """The same bone with no crown in it."""
    crowns = specimen.crowns
    empty = torch.full_like(crowns.surface, FAR_BELOW)
    bare = CrownFields(
        grid=crowns.grid,
        surface=empty,
        outer=empty,
        inner=empty,
        fossa=torch.full_like(empty, -1.0),
        lingual=crowns.lingual,
        outer_edge=empty,
        inner_edge=empty,
        tooth=torch.zeros_like(crowns.tooth),
        lobe=torch.zeros_like(crowns.lobe),
    )
    return Specimen(jaw=specimen.jaw, crowns=bare, bone=specimen.bone, fleshy=specimen.fleshy)


def without_jaw(specimen: Specimen, rng: Generator, device: torch.device) -> Specimen:
    """Something else in the place of the jaw: nothing of it is jaw or tooth."""
    return replace(without_teeth(specimen), bone=things(rng, device), fleshy=False)


def row_target(jaw: Jaw) -> np.ndarray:
    """Middle of the row at the height of the chewing surfaces. [mm]"""
    return row_middle(jaw)


def draw_scene(
    rng: Generator,
    specimen: Specimen,
    camera: Camera,
    conditions: Conditions,
    device: torch.device,
    *,
    with_row: bool,
    clutter: bool = True,
    cover: tuple[float, float] | None = None,
    in_sight: Callable[[Specimen], np.ndarray] | None = None,
    beside: tuple[Second, ...] = (),
    all_rows: bool = False,
) -> Scene:
    """
    Light and labels of one picture.

    Parameters
    ----------
    with_row : bool
        False where ``specimen`` carries no teeth: nothing in the picture may be called a tooth.
    clutter : bool
        Hands, hairs and bits over the jaw.
    cover : (float, float) or None
        Stretch of the row (shares of its length) that something hides altogether.
    in_sight : callable or None
        Says which places (N, 3) [mm] of the specimen no leaf, second jaw and the like may hide; asked where
        one lies.
    beside : tuple of Second
        Other rows, or soft parts of a head, that lie with it.
    all_rows : bool
        Label the teeth of a second row as teeth; without it they are jaw like its bone, since only one row
        is asked for.
    """
    more = rng.spawn(1)[0]  # draws of its own, so that what is new leaves the rest of a picture as it was
    gap = float(rng.choice([0.0, rng.uniform(0, 6), rng.uniform(5, 80)]))
    ground = _ground(more, specimen, camera, gap)
    bodies = []
    for one in beside:
        body, ground = settled(one, ground, rests=gap == 0.0)
        bodies.append(body)
    hits = march(camera, specimen.crowns, specimen.bone, ground=ground, device=device)
    lights, sky, strength = sample_lights(rng, conditions.light, camera, ground)
    pixel_mm = float(np.linalg.norm(camera.position - row_target(specimen.jaw))) / camera.focal_px
    rims = sample_rims(rng)
    colours = deepcopy((rng, more))
    what: Surface = surface(
        hits,
        specimen.crowns,
        specimen.bone,
        ground_colour(ground.place(hits.point), rng, conditions.background),
        rng,
        more,
        ground=ground,
        rims=rims,
        stain=conditions.stain,
        fleshy=specimen.fleshy,
        pixel_mm=pixel_mm,
        gum_z=specimen.jaw.gum_z,
    )
    size = (camera.height, camera.width)
    shading = deepcopy(rng)
    light = lit(
        hits, what, specimen.crowns, specimen.bone, lights, sky, strength, rng, up=ground.normal
    ).T.reshape(3, *size)
    on_jaw = hits.on_jaw.view(size)
    if rims.bleed:  # light that wanders under the surface of teeth softens edges in the jaw, not in the lens
        share = rims.bleed * (what.tooth > 0).view(size).float()
        light = light + share * (blur(light, min(rims.bleed_reach / pixel_mm, 12.0)) - light)
    around_it = Around(
        ground=ground,
        lights=lights,
        sky=sky,
        strength=strength,
        rims=rims,
        stain=conditions.stain,
        pixel_mm=pixel_mm,
        colours=colours,
        shading=shading,
    )
    light, shown = _with_bodies(light, hits, what, camera, bodies, around_it, specimen, in_sight)
    for body_shown in shown:
        on_jaw = on_jaw | body_shown.over
    if rng.uniform() < 0.5:  # ground out of focus
        soft = float(np.exp(rng.uniform(np.log(1.0), np.log(0.012 * camera.width + 2))))
        mask = on_jaw.float()[None]
        away = blur(torch.cat((light * (1 - mask), 1 - mask)), soft)
        light = light * mask + (1 - mask) * away[:3] / away[3:].clamp_min(1e-3)
    yy, xx = torch.meshgrid(
        torch.arange(size[0], device=device, dtype=torch.float32),
        torch.arange(size[1], device=device, dtype=torch.float32),
        indexing="ij",
    )
    canvas = Canvas(light=light, hidden=torch.zeros(size, dtype=torch.bool, device=device), yy=yy, xx=xx)
    level = float(sum(max(lamp.colour) for lamp in lights) * 0.6 + strength)
    bits = more.spawn(1)[0]
    littered, leafy = bits.uniform() < LITTER_SHARE and clutter, bits.uniform() < COVERING_SHARE
    high = np.array([0.0, 0.0, row_target(specimen.jaw)[2]])
    along = np.array([specimen.jaw.row_mm, 0.0, 0.0])
    if littered or (cover is not None and leafy):
        around = air(canvas.light, what, lights, strength, camera, bits)
    if littered:  # under the hands, which hold the jaw now
        keep = None
        if in_sight is not None:
            keep = InSight(camera.project(in_sight(specimen)), what.tooth.view(size).to(torch.uint8))
        lay_litter(canvas, camera, np.stack((high, high + along)), around, bits, keep=keep)
    if clutter:
        lay_over(canvas, camera, specimen.jaw, rng, level, with_row=with_row)
    if cover is not None and leafy:
        cover_with_leaves(canvas, camera, high + along * np.array(cover)[:, None], around, bits)
    elif cover is not None:
        cover_up(canvas, camera, specimen.jaw, cover, rng, level, pixel_mm)
    scene = _labelled(canvas, hits, what, specimen, camera, conditions, with_row=with_row)
    for one_shown in shown:
        scene = _with_labels(scene, one_shown, canvas.hidden, teeth=all_rows)
    return scene


def _with_bodies(
    light: Tensor,
    hits: Hits,
    what: Surface,
    camera: Camera,
    bodies: list[Second],
    around: Around,
    specimen: Specimen,
    in_sight: Callable[[Specimen], np.ndarray] | None,
) -> tuple[Tensor, list[Shown]]:
    """Light (3, H, W) with second bodies, and what is seen of them; those that hide too much stay away."""
    size = (camera.height, camera.width)
    before = Before(light, depths(hits, camera).view(size), hits.on_jaw.view(size))
    shown: list[Shown] = []
    for body in bodies:
        laid = lay_second(before, hits, what, camera, body, around)
        if laid is None:
            continue
        if in_sight is not None and _hides(laid[1], camera.project(in_sight(specimen))):
            continue
        before = before.then(*laid)
        shown.append(laid[1])
    return before.light, shown


def _hides(shown: Shown, places: np.ndarray) -> bool:
    """Whether a second body lies over any of some places (N, 2) as (x, y). [px]"""
    height, width = shown.over.shape
    x, y = np.round(places).astype(int).T
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    at = torch.as_tensor(np.stack((y[inside], x[inside])), device=shown.over.device)
    return bool(shown.over[at[0], at[1]].any())


def _with_labels(scene: Scene, shown: Shown, hidden: Tensor, *, teeth: bool) -> Scene:
    """
    Label maps with a second body in them: its teeth as teeth, or as jaw where only the first row is meant.
    """
    over, second = shown.over, shown.second
    none = torch.full_like(scene.tooth, 255)
    material = shown.material
    tooth, lingual, state = torch.zeros_like(scene.tooth), none, none
    lobe, tilt = scene.lobe, scene.tilt
    if teeth:
        tooth = shown.tooth
        crown = tooth > 0
        lingual = torch.where(crown, shown.lingual, none)
        state = torch.where(crown, _states(second.jaw, scene.tooth.device)[tooth.long()], none)
        row = Specimen(jaw=second.jaw, crowns=second.crowns, bone=second.bone, fleshy=second.fleshy)
        if bool(crown.any()):
            heat = _lobe_heat(row, shown.camera, scene.tooth.device)
            # Its lobes that something nearer hides are left out with all of their heat off the body.
            lobe = torch.maximum(lobe, torch.where(over, heat, torch.zeros_like(heat)))
        tilt = torch.where(over, shown.tilt, tilt)
    else:
        material = torch.where(material > Material.JAW, torch.full_like(material, Material.JAW), material)
    material = torch.where(hidden, torch.zeros_like(material), material)
    tooth = torch.where(hidden, torch.zeros_like(tooth), tooth)
    lingual, state = torch.where(hidden, none, lingual), torch.where(hidden, none, state)
    return replace(
        scene,
        material=torch.where(over, material, scene.material),
        tooth=torch.where(over, tooth, scene.tooth),
        lingual=torch.where(over, lingual, scene.lingual),
        state=torch.where(over, state, scene.state),
        lobe=lobe,
        tilt=tilt,
        beside=(*scene.beside, shown),
    )


def _states(jaw: Jaw, device: torch.device) -> Tensor:
    """State of each position (7,), 255 where there is no tooth."""
    table = torch.full((7,), 255, dtype=torch.uint8, device=device)
    for t in jaw.teeth:
        table[t.position] = int(STATE_INDEX.get(t.state, ToothState.ERUPTED))
    return table


def sample_beside(
    rng: Generator, specimen: Specimen, camera: Camera, *, near: bool, share: float | None = None
) -> tuple[Second, ...]:
    """
    What lies beside the row that is photographed, in `SECOND_SHARE` of pictures (or in ``share`` of them).

    ``near`` says that the view is as narrow as the levelled crop's: what lies far off is not in it.
    """
    if rng.uniform() >= (SECOND_SHARE if share is None else share):
        return ()
    sight = camera.position - row_target(specimen.jaw)
    plane = middle_plane(specimen.bone, rng)
    in_head = specimen.fleshy and rng.uniform() < HEAD_SHARE  # a clean bone is in no head
    bodies = []
    if in_head:
        bodies.append(soft_parts(rng, specimen.jaw, plane, specimen.bone.surface.device))
    if not in_head or rng.uniform() < OTHER_HALF_SHARE:
        second = sample_second(
            rng,
            specimen.jaw,
            specimen.bone,
            fleshy=specimen.fleshy,
            age_years=sample_age(rng),
            sight=sight / np.linalg.norm(sight),
            near=near,
            plane=plane,
            kind="joined" if in_head else None,
        )
        bodies.append(second)
    return tuple(bodies)


def _ground(rng: Generator, specimen: Specimen, camera: Camera, gap_mm: float) -> Ground:
    """The plane under the specimen, touched by its lowest point or ``gap_mm`` below it."""
    bone = specimen.bone
    sight = camera.position - row_target(specimen.jaw)
    x, y = bone.grid.nodes(bone.surface.device)
    thin = (slice(None, None, 4), slice(None, None, 4))
    z = bone.surface[thin]
    there = z > -59
    if not there.any():
        return sample_ground(
            rng, sight / np.linalg.norm(sight), z.new_tensor([[0.0, 0.0, EMPTY_GROUND_Z]]), gap_mm
        )
    low = torch.full_like(z, float(z[there].min()))
    points = torch.stack((x[thin], y[thin], low), -1)[there]
    return sample_ground(rng, sight / np.linalg.norm(sight), points, gap_mm)


def _labelled(
    canvas: Canvas,
    hits: Hits,
    what: Surface,
    specimen: Specimen,
    camera: Camera,
    conditions: Conditions,
    *,
    with_row: bool,
) -> Scene:
    size, device = (camera.height, camera.width), hits.point.device

    def shape(values: Tensor) -> Tensor:
        return values.view(size)

    hidden = canvas.hidden
    material = torch.where(hidden, torch.zeros_like(shape(what.material)), shape(what.material)).to(
        torch.uint8
    )
    tooth = torch.where(hidden, torch.zeros_like(shape(what.tooth)), shape(what.tooth)).to(torch.uint8)
    crown = tooth > 0
    state = torch.where(crown, _states(specimen.jaw, device)[tooth.long()], torch.full_like(tooth, 255))
    lingual = torch.where(crown, shape(what.lingual).to(torch.uint8), torch.full_like(tooth, 255))
    vx, vy = view_vectors(camera, hits.direction)
    return Scene(
        light=canvas.light,
        material=material,
        tooth=tooth,
        lingual=lingual,
        lobe=_lobe_heat(specimen, camera, device) if with_row else torch.zeros(size, device=device),
        state=state,
        tilt=torch.stack((shape(vx), shape(vy))),
        camera=camera,
        specimen=specimen,
        conditions=conditions,
        with_row=with_row,
    )


def lobe_points(specimen: Specimen) -> tuple[list[tuple[int, int]], np.ndarray]:
    """
    (tooth, lobe) and centre (x, y, z) on the worn surface of every lobe that stands clear of gum and bone.
    [mm]
    """
    jaw, crowns, bone = specimen.jaw, specimen.crowns, specimen.bone
    if not jaw.lobes:
        return [], np.zeros((0, 3))
    device = crowns.surface.device

    def f32(values: object) -> Tensor:
        return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device)

    # A fossa may reach below the gum line, so a lobe is judged by its two main ridges.
    ridges = f32(np.stack([lobe.ridges[:2].reshape(-1, 3) for lobe in jaw.lobes]))
    over = sample(crowns.grid, crowns.surface, ridges[..., 0], ridges[..., 1]) > sample(
        bone.grid, bone.surface, ridges[..., 0], ridges[..., 1]
    )
    clear = (over.float().mean(1) > 0.4).tolist()
    x, y = f32([lobe.x for lobe in jaw.lobes]), f32([lobe.y for lobe in jaw.lobes])
    z = torch.maximum(sample(crowns.grid, crowns.surface, x, y), sample(bone.grid, bone.surface, x, y))
    points = torch.stack((x, y, z), 1).double().cpu().numpy()
    keep = [k for k, ok in enumerate(clear) if ok]
    return [(jaw.lobes[k].tooth, jaw.lobes[k].index) for k in keep], points[keep]


def _lobe_heat(specimen: Specimen, camera: Camera, device: torch.device) -> Tensor:
    names, points = lobe_points(specimen)
    heat = torch.zeros((camera.height, camera.width), device=device)
    if not names:
        return heat
    pixels = torch.as_tensor(camera.project(points), dtype=torch.float32, device=device)
    mean_mm = float(np.mean([lobe.length for lobe in specimen.jaw.lobes]))
    depth = float(np.linalg.norm(camera.position - row_target(specimen.jaw)))
    sigma = LOBE_SIGMA * mean_mm * camera.focal_px / depth
    jj = torch.arange(camera.width, device=device, dtype=torch.float32)
    ii = torch.arange(camera.height, device=device, dtype=torch.float32)
    gx = torch.exp(-0.5 * ((jj[None] - pixels[:, :1]) / sigma) ** 2)
    gy = torch.exp(-0.5 * ((ii[None] - pixels[:, 1:]) / sigma) ** 2)
    return (gy[:, :, None] * gx[:, None, :]).amax(0)


def levelled_camera(
    rng: Generator,
    specimen: Specimen,
    *,
    width: int,
    height: int,
    px_per_mm: float,
    tilt_deg: float,
    roll_deg: float,
    offset_px: tuple[float, float],
) -> Camera:
    """
    Camera over the row with the given tilt towards a random side; the row's middle lands ``offset_px`` off
    the picture's centre.
    """
    return look_at(
        target=row_target(specimen.jaw),
        tilt_deg=tilt_deg,
        azimuth_deg=float(rng.uniform(0, 360)),
        distance_mm=float(rng.uniform(170, 600)),
        roll_deg=roll_deg,
        px_per_mm=px_per_mm,
        size=(width, height),
        centre=((width - 1) / 2 + offset_px[0], (height - 1) / 2 + offset_px[1]),
        mirror=specimen.jaw.side == "right",
    )
