"""
One animal: which teeth it has, where each lobe stands, how its ridges run, and how far wear has gone.

Sizes: m1 13.5 x 9.8 mm (published mean for Odocoileus virginianus, Paleobiology Database); the other teeth
are a working set from memory whose shares along the row agree with a scanned mandible to 3 % of the row. Wear
by age is ours, chosen so that the classes of the key (see inference/criteria/default.toml) come out at their
usual ages.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from crestgauge.inference.evidence import State
from crestgauge.model.labels import LOBES, MILK_LOBES
from crestgauge.synthetic_data.aside import aside
from crestgauge.synthetic_data.chips import Chip, sample_chips
from crestgauge.synthetic_data.eruption import just_standing, milk_wear_depth, sample_stage, wear_depth
from crestgauge.synthetic_data.flare import Flare, leaning, sample_flares
from crestgauge.synthetic_data.islands import Island, sample_islands
from crestgauge.synthetic_data.pulp import Horn, sample_horns
from crestgauge.synthetic_data.slopes import sloped
from crestgauge.synthetic_data.unsettled import unsettled

Array = NDArray[np.float64]

RIDGE_POINTS = 13
LATER = 1
"""Topic of what came later in `sample_jaw`, see `aside`."""

ADULT_SIZE_MM = {
    1: (9.5, 5.5),
    2: (11.0, 7.0),
    3: (12.3, 8.0),
    4: (13.5, 9.8),
    5: (15.2, 10.5),
    6: (20.8, 10.3),
}
MILK_SIZE_MM = {1: (8.0, 4.5), 2: (10.5, 6.0), 3: (16.5, 8.0)}
LOBE_SPLIT = {(1,): (1.0,), (2,): (0.54, 0.46)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lobe:
    """
    One lobe: centre and size [mm], ridges (R, K, 3) [mm], slopes on either side of each ridge (R, 2) [mm/mm].
    """

    tooth: int
    index: int
    milk: bool
    x: float
    y: float
    length: float
    width: float
    yaw: float
    ridges: Array
    slopes: Array
    tip_z: float
    floor_z: float
    floor_rise: float
    lingual_v: Array  # y of the lingual ridge over u = -1..1, in mm from the lobe's centre line
    buccal_v: Array
    crest_drop: tuple[float, float]
    has_fossa: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tooth:
    """
    One position: state, place, wear and its lobes; how far it is turned [rad] and set out of line towards the
    cheek [mm]; ``relief`` is the share of its crests' own relief that the worn face keeps.
    """

    position: int
    state: State
    milk: bool
    x0: float
    length: float
    width: float
    y: float
    wear_mm: float
    wear_slope: tuple[float, float]
    dish_mm: float
    enamel_mm: tuple[float, float]
    lobes: tuple[Lobe, ...] = ()
    fracture: tuple[float, float, float, float] | None = None  # z = a + b (x - xc) + c (y - yc), roughness d
    turn: float = 0.0
    out_mm: float = 0.0
    relief: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Jaw:
    """
    One half mandible. ``bow``: y of the row's middle line is bow_mm * (2 x / L - 1)^2, so that the row
    curves.
    """

    side: str
    age_years: float
    shape: str
    row_mm: float
    bow_mm: float
    gum_z: float
    teeth: tuple[Tooth, ...]
    pits: Array = field(default_factory=lambda: np.zeros((0, 4)))
    chips: tuple[Chip, ...] = ()
    horns: tuple[Horn, ...] = ()
    flares: tuple[Flare, ...] = ()
    islands: tuple[Island, ...] = ()
    unsettled: bool = False

    @property
    def lobes(self) -> tuple[Lobe, ...]:
        return tuple(lobe for tooth in self.teeth for lobe in tooth.lobes)


def _wiggle(rng: Generator, u: Array, amplitude: float) -> Array:
    phase = rng.uniform(0, 2 * np.pi, 3)
    size = rng.normal(0, amplitude, 3) / np.array([1.0, 1.6, 2.4])
    waves = [
        s * np.sin(np.pi * (k + 1) * u / 1.3 + p) for k, (s, p) in enumerate(zip(size, phase, strict=True))
    ]
    return np.asarray(sum(waves), dtype=np.float64)


def _premolar_ridges(
    rng: Generator,
    u: Array,
    *,
    half: float,
    width: float,
    tip_z: float,
    joined: tuple[bool, bool],
    roughness: float,
) -> tuple[Array, Array, Array, Array]:
    """
    A premolar is one long sharp ridge with ribs that slant backwards to the tongue side.

    Returns the tongue-side rib (K, 3), y and z of the main ridge (K,), the cross ridge between (K, 3).
    """
    wiggle = 0.12 * roughness
    fall = [float(rng.uniform(0.1, 0.6) if j else rng.uniform(0.9, 2.8)) for j in joined]
    main_y = width * (rng.uniform(0.04, 0.16) - rng.uniform(0.05, 0.2) * u**2) + _wiggle(rng, u, wiggle)
    main_z = tip_z - np.where(u < 0, fall[0], fall[1]) * np.abs(u) ** rng.uniform(1.2, 2.0)
    main_z = main_z + _wiggle(rng, u, wiggle)
    place, long, slant = rng.uniform(-0.15, 0.4), rng.uniform(0.3, 0.62), rng.uniform(-0.02, 0.16)
    rib_y = width * (-rng.uniform(0.17, 0.27) - slant * u) + _wiggle(rng, u, wiggle)
    rib_z = tip_z - rng.uniform(0.3, 1.9) - 0.9 * u**2 - 0.4 * (u + 1)
    rib = np.column_stack([half * (place + long * u), rib_y, rib_z])
    start = np.array([half * (place - rng.uniform(0.0, 0.5)), 0.08 * width, tip_z - 0.3])
    end = np.array([half * (place - 0.3 * long), -0.20 * width, tip_z - rng.uniform(0.5, 1.8)])
    cross = start + 0.5 * (u[:, None] + 1) * (end - start)
    return rib, main_y, main_z, cross


def _lobe(
    rng: Generator,
    *,
    kind: str,
    tooth: int,
    index: int,
    milk: bool,
    x: float,
    y: float,
    length: float,
    width: float,
    yaw: float,
    tip_z: float,
    style: dict[str, float],
    roughness: float,
    joined: tuple[bool, bool] = (False, False),
) -> Lobe:
    """
    Ridges of one lobe: a tongue-side blade, a cheek-side crescent and a pillar or cross ridge.

    ``joined``: a premolar's main ridge runs on into the lobe before it, after it.
    """
    u = np.linspace(-1.0, 1.0, RIDGE_POINTS)

    def j(s: float) -> float:
        """A factor near 1."""
        return float(rng.normal(1.0, s))

    reach = 0.97
    blade_y = width * (-0.285 * j(0.06) + style["blade_bow"] * u**2) + _wiggle(rng, u, roughness * 0.22)
    blade_drop = style["blade_drop"] * j(0.15)
    blade_power = float(np.clip(style["blade_power"] * j(0.1), 1.4, 3.2))
    blade_z = tip_z - blade_drop * np.abs(u) ** blade_power + _wiggle(rng, u, roughness * 0.12)
    depth, rise = style["fossa_mm"] * j(0.05), float(rng.uniform(0.25, 0.55))
    out_l, in_l = style["lingual_out"] * j(0.15), style["lingual_in"] * j(0.08)
    out_b, in_b = style["buccal_out"] * j(0.15), style["buccal_in"] * j(0.08)
    cusp = tip_z - style["buccal_lower"] * j(0.15)
    horn = style["horn"] * j(0.08)
    crescent_y = width * (0.27 * j(0.06) - horn * np.abs(u) ** style["crescent_power"]) + _wiggle(
        rng, u, roughness * 0.25
    )
    crescent_z = (
        cusp - style["crescent_drop"] * j(0.15) * np.abs(u) ** 1.7 + _wiggle(rng, u, roughness * 0.12)
    )
    pillar = np.full((RIDGE_POINTS, 3), (0.0, 0.0, -60.0))
    fossa = True
    half = 0.5 * length * reach
    if kind == "molar":
        if style["pillar"] > rng.uniform() and index == 1:
            px, py = 0.5 * length, width * 0.35
            pillar = np.column_stack(
                [px + 0.25 * u, py + 0.1 * u, np.full_like(u, tip_z - rng.uniform(2.5, 6.0))]
            )
    elif kind == "heel":
        blade_y, crescent_y = 0.75 * blade_y, 0.8 * crescent_y
        depth *= 0.75
    else:
        blade, crescent_y, crescent_z, pillar = _premolar_ridges(
            rng, u, half=half, width=width, tip_z=tip_z, joined=joined, roughness=roughness
        )
        blade_y = blade[:, 1]
        out_l, out_b = float(rng.uniform(2.5, 8.0)), float(rng.uniform(3.0, 8.0))
        depth *= rng.uniform(0.5, 0.75)
        fossa = length > 5.0
    if kind != "premolar":
        blade = np.column_stack([half * u, blade_y, blade_z])
    crescent = np.column_stack([half * u, crescent_y, crescent_z])
    local = np.stack([blade, crescent, pillar])
    c, s = np.cos(yaw), np.sin(yaw)
    ridges = local.copy()
    ridges[..., 0] = x + c * local[..., 0] - s * local[..., 1]
    ridges[..., 1] = y + s * local[..., 0] + c * local[..., 1]
    # Slopes: [side with negative cross product, side with positive]; both ridges run front to back.
    slopes = np.array([[out_l, in_l], [in_b, out_b], [2.6, 2.6]])
    return Lobe(
        tooth=tooth,
        index=index,
        milk=milk,
        x=x,
        y=y,
        length=length,
        width=width,
        yaw=yaw,
        ridges=ridges,
        slopes=slopes,
        tip_z=tip_z,
        floor_z=cusp - depth,
        floor_rise=rise,
        lingual_v=blade_y,
        buccal_v=crescent_y,
        crest_drop=(blade_drop, blade_power),
        has_fossa=fossa,
    )


def _style(rng: Generator, shape: str) -> dict[str, float]:
    """Proportions that all molars of one animal share."""
    wide = {"typical": 1.0, "broad": 1.12, "narrow": 0.88, "irregular": 1.0}[shape]
    return {
        "width": wide * rng.normal(1.0, 0.04),
        "blade_bow": rng.uniform(-0.01, 0.17),
        "blade_drop": rng.uniform(0.5, 2.3),
        "blade_power": rng.uniform(1.5, 2.8),
        "fossa_mm": rng.uniform(4.2, 5.8),
        "lingual_out": rng.uniform(4.5, 16.0),
        "lingual_in": rng.uniform(1.4, 2.6),
        "buccal_out": rng.uniform(3.0, 8.5),
        "buccal_in": rng.uniform(1.4, 2.6),
        "buccal_lower": rng.uniform(0.2, 1.9),
        "horn": rng.uniform(0.25, 0.42),
        "crescent_power": rng.uniform(1.15, 3.0),
        "crescent_drop": rng.uniform(0.9, 2.4),
        "pillar": rng.uniform(0.0, 1.0),
    }


def _lobe_lengths(rng: Generator, position: int, milk: bool, length: float) -> list[tuple[float, float, str]]:
    """(length, width share, kind) of the lobes of one tooth, front first."""
    split = rng.normal(0, 0.02)
    if milk and position == 3:
        front, swell = 1.5 * split + rng.normal(0, 0.012), rng.normal(0, 0.04, 2)
        shares = [
            (0.29 + front, 0.74 + swell[0], "molar"),
            (0.33, 0.88 + swell[1], "molar"),
            (0.38 - front, 1.0, "molar"),
        ]
    elif position == 6:
        heel = rng.uniform(0.19, 0.26)
        shares = [
            ((1 - heel) * (0.50 + split), 1.0, "molar"),
            ((1 - heel) * (0.50 - split), 0.95, "molar"),
            (heel, 0.58, "heel"),
        ]
    elif position in (4, 5):
        shares = [(0.5 + split, 1.0, "molar"), (0.5 - split, 0.97, "molar")]
    elif position == 3:
        shares = [
            (0.62 + split, 1.0, "molar" if rng.uniform() < 0.5 else "premolar"),
            (0.38 - split, 0.86, "heel"),
        ]
    elif position == 2:
        shares = [(0.56 + split, 0.95, "premolar"), (0.44 - split, 1.0, "premolar")]
    else:
        shares = [(1.0, 1.0, "premolar")]
    expected = (MILK_LOBES if milk else LOBES)[position]
    assert len(shares) == expected
    return [(share * length, w, kind) for share, w, kind in shares]


def sample_jaw(rng: Generator, *, age_years: float, shape: str, side: str, abnormal: bool = True) -> Jaw:
    """
    Draw one animal.

    Parameters
    ----------
    rng : numpy Generator
    age_years : float
        0.3 .. 13; wear, eruption and replacement follow from it with the animal's own spread.
    shape : str
        One of `crestgauge.synthetic_data.options.SHAPES`.
    side : "left" or "right"
    abnormal : bool
        Allow missing, broken, chipped, misaligned and pitted teeth (4.1 % of 778 Georgia jaws were abnormal,
        Powers & Mead 2019; drawn more often here so that the network meets enough of them), and teeth that
        stand unworn later, or earlier, than those of animals do.
    """
    when, where, within, order, face, wall, bottom, lean = aside(rng, LATER).spawn(8)
    style = leaning(lean, _style(rng, shape))
    rough = {"typical": 0.5, "broad": 0.5, "narrow": 0.5, "irregular": 1.2}[shape] * rng.uniform(0.5, 1.4)
    stage, fresh = sample_stage(rng, age_years), dict[int, float]()
    if abnormal:
        stage, fresh = just_standing(when, stage, age_years)
    states, low = stage.states, stage.low
    size = rng.normal(1.0, 0.06) * (0.93 if age_years < 1.0 else 1.0)
    own_rate = rng.normal(1.0, 0.10)
    enamel = float(np.clip(rng.normal(0.63, 0.11), 0.40, 1.0))
    # Teeth go on rising as they wear, so some crown always stands clear of the gum until the last years.
    gum_z = -max(
        float(rng.uniform(5.2, 8.5)), wear_depth(4, age_years * own_rate) + float(rng.uniform(0.8, 3.0))
    )
    milk_wear = min(milk_wear_depth(rng, age_years), -gum_z - 0.6)
    milk_enamel = float(rng.uniform(0.6, 0.95))
    loose = age_years > 1.25 and rng.uniform() < 0.35  # milk teeth about to be shed
    lingual_lean = rng.uniform(0.02, 0.34)
    teeth: list[Tooth] = []
    x = 0.0
    last = max(p for p in range(1, 7) if states[p] != "absent")
    for position in range(1, 7):
        is_milk = position in stage.milk
        length, width = (MILK_SIZE_MM if is_milk else ADULT_SIZE_MM)[position]
        length *= size * rng.normal(1.0, 0.045)
        width *= size * style["width"] * rng.normal(1.0, 0.045)
        if position > last:
            teeth.append(
                Tooth(
                    position=position,
                    state="absent",
                    milk=False,
                    x0=x,
                    length=0.0,
                    width=0.0,
                    y=0.0,
                    wear_mm=0.0,
                    wear_slope=(0.0, 0.0),
                    dish_mm=0.0,
                    enamel_mm=(enamel, enamel),
                )
            )
            continue
        state = states[position]
        wear = wear_depth(position, age_years * own_rate) + rng.normal(0, 0.22)
        if is_milk:
            wear = max(milk_wear * {1: 0.6, 2: 0.75, 3: 1.0}[position] + rng.normal(0, 0.3), -0.2)
        if position <= 3 and not is_milk and age_years < 1.9:
            wear = rng.uniform(-0.4, 0.25)
        wear = fresh.get(position, wear)
        if state == "erupting":
            wear = min(wear, -0.2)
        drop = low.get(position, 0.0)
        tip = -drop + (-1.1 if position <= 2 else -0.5 if position == 3 else 0.0) + rng.normal(0, 0.25)
        gap = max(0.0, rng.normal(0.05, 0.12))
        abrupt = rng.uniform()
        yaw, y = rng.normal(0, 0.05), rng.normal(0, 0.25)
        if abnormal and abrupt < 0.03:
            yaw, y = rng.normal(0, 0.22), rng.normal(0, 1.3)
        if is_milk and loose and rng.uniform() < 0.5:
            tip, yaw, y = tip + rng.uniform(0.0, 1.6), rng.normal(0, 0.12), rng.normal(0, 0.7)
        lobes: list[Lobe] = []
        at = x + gap
        pitch = 0.0
        if state == "erupting":
            pitch = rng.uniform(0.05, 0.34) if position == 6 else rng.uniform(-0.05, 0.22)
        parts = _lobe_lengths(rng, position, is_milk, length)
        for k, (ll, w, kind) in enumerate(parts):
            xc = at + 0.5 * ll
            along = xc - (x + gap + 0.5 * length)
            lobes.append(
                _lobe(
                    rng,
                    kind=kind,
                    tooth=position,
                    index=k + 1,
                    milk=is_milk,
                    x=xc - along * (1 - np.cos(yaw)),
                    y=y + np.sin(yaw) * along,
                    length=ll,
                    width=width * w,
                    yaw=yaw,
                    tip_z=tip - pitch * (at - x),
                    style=style,
                    roughness=rough,
                    joined=(k > 0, k + 1 < len(parts)),
                )
            )
            at += ll
        e = enamel * (milk_enamel if is_milk else 0.85 if position <= 3 else 1.0) * rng.normal(1.0, 0.05)
        fracture = None
        if abnormal and state == "erupted" and rng.uniform() < 0.012:
            state = "broken"
            fracture = (
                -wear - rng.uniform(1.0, 3.5),
                rng.normal(0, 0.35),
                rng.normal(0, 0.5),
                rng.uniform(0.1, 0.6),
            )
        if abnormal and state == "erupted" and 1 < position and rng.uniform() < 0.008:
            state, lobes = "missing", []
        teeth.append(
            Tooth(
                position=position,
                state=state,
                milk=is_milk,
                x0=x + gap,
                length=length,
                width=width,
                y=y,
                wear_mm=float(wear),
                wear_slope=(rng.normal(0, 0.07 if is_milk else 0.03), -lingual_lean * rng.normal(1, 0.15)),
                dish_mm=float(max(0.0, wear - 2.5) * rng.uniform(0.02, 0.16)),
                enamel_mm=(e, e * rng.uniform(0.65, 1.08)),
                lobes=tuple(lobes),
                fracture=fracture,
            )
        )
        x += length + gap
    pits = np.zeros((0, 4))
    if (
        abnormal and rng.uniform() < 0.15
    ):  # enamel pits sit mostly on the cheek side of m1 (Davis & Mead 2013)
        m1 = teeth[3]
        n = int(rng.integers(2, 12))
        pits = np.column_stack(
            [
                m1.x0 + rng.uniform(0, m1.length, n),
                m1.y + rng.uniform(0.1, 0.5, n) * m1.width,
                rng.uniform(0.15, 0.5, n),
                rng.uniform(0.3, 1.2, n),
            ]
        )
    teeth = sloped(face, teeth, style["lean"])
    shift = np.zeros((6, 2))
    if abnormal:
        teeth, shift = unsettled(order, teeth)
        pits[:, :2] += shift[3]
    return Jaw(
        side=side,
        age_years=age_years,
        shape=shape,
        row_mm=x + float(shift[last - 1, 0]),
        bow_mm=rng.normal(1.2, 1.0),
        gum_z=gum_z,
        teeth=tuple(teeth),
        pits=pits,
        chips=sample_chips(where, teeth) if abnormal else (),
        horns=sample_horns(within, teeth),
        flares=sample_flares(wall, teeth),
        islands=sample_islands(bottom, teeth),
        unsettled=any(t.turn or t.out_mm for t in teeth) or bool(shift.any()),
    )


def bowed(jaw: Jaw) -> Jaw:
    """
    The same jaw with its row bent: every lobe shifted by the bow (angles of the bend are below 5 degrees and
    left out).
    """

    def shift(x: float) -> float:
        return jaw.bow_mm * (2.0 * x / jaw.row_mm - 1.0) ** 2 - 0.5 * jaw.bow_mm

    teeth = []
    for tooth in jaw.teeth:
        lobes = []
        for lobe in tooth.lobes:
            ridges = lobe.ridges.copy()
            ridges[..., 1] += shift(lobe.x)
            lobes.append(replace(lobe, y=lobe.y + shift(lobe.x), ridges=ridges))
        teeth.append(replace(tooth, y=tooth.y + shift(tooth.x0 + 0.5 * tooth.length), lobes=tuple(lobes)))
    islands = tuple(replace(one, y=one.y + shift(one.x)) for one in jaw.islands)
    return replace(jaw, teeth=tuple(teeth), islands=islands)
