"""What lies under and beside the jaw: pictures for the ground plane, and loose objects. Linear RGB."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter, zoom
from scipy.spatial import cKDTree

from crestgauge.synthetic_data.traced.blades import Array
from crestgauge.synthetic_data.traced.skins import cloud

GROUNDS = (
    "wood",
    "towel",
    "truck_bed",
    "gravel",
    "grass",
    "print",
    "table",
    "cutting_board",
    "cardboard",
    "glove",
)
SIZE_MM = 330.0
PIXELS = 1500


def wood(rng: np.random.Generator) -> Array:
    """A planed board: fibres, broad rings, a few knots and joints."""
    n = PIXELS
    y, x = np.mgrid[0:n, 0:n] / n
    bend = zoom(rng.normal(size=(6, 6)), n / 6, order=3)[:n, :n]
    rings = np.sin((y * rng.uniform(18, 40) + 0.35 * bend + 0.05 * np.sin(5 * x + 2)) * 2 * np.pi)
    fibre = gaussian_filter(rng.normal(size=(n, n)), (0.7, 28))
    fibre /= fibre.std()
    light = np.array(
        [[0.46, 0.29, 0.14], [0.30, 0.17, 0.08], [0.55, 0.42, 0.27], [0.24, 0.21, 0.18]][rng.integers(4)]
    )
    tone = 1.0 + 0.16 * rings + 0.10 * fibre + 0.08 * bend
    colour = light * tone[..., None]
    for joint in rng.uniform(0.1, 0.9, rng.integers(0, 3)):
        colour[np.abs(y - joint) < 0.003] *= 0.25
    return np.asarray(colour, dtype=np.float64)


def towel(rng: np.random.Generator) -> Array:
    """Terry or paper cloth: a weave with soft loops."""
    n = PIXELS
    y, x = np.mgrid[0:n, 0:n]
    pitch = rng.uniform(5.0, 9.0)
    weave = 0.5 * np.sin(2 * np.pi * x / pitch) * np.sin(2 * np.pi * y / pitch) + 0.5 * cloud(
        rng, (n, n), 1.6
    )
    base = np.array(
        [[0.70, 0.70, 0.68], [0.10, 0.16, 0.35], [0.45, 0.08, 0.07], [0.18, 0.25, 0.14], [0.5, 0.42, 0.3]][
            rng.integers(5)
        ]
    )
    colour = base * (1.0 + 0.22 * weave + 0.05 * cloud(rng, (n, n), 60))[..., None]
    if rng.random() < 0.4:
        stripe = (np.abs(((y / n * rng.uniform(2, 5)) % 1.0) - 0.5) < 0.08)[..., None]
        colour = np.where(stripe, colour * np.array([0.5, 0.6, 0.9]), colour)
    return np.asarray(colour, dtype=np.float64)


def truck_bed(rng: np.random.Generator) -> Array:
    """Painted or liner metal with pressed ribs or tread marks, scratches and mud."""
    n = PIXELS
    y, x = np.mgrid[0:n, 0:n]
    base = np.array(
        [[0.05, 0.05, 0.055], [0.35, 0.36, 0.37], [0.12, 0.13, 0.14], [0.25, 0.05, 0.04]][rng.integers(4)]
    )
    if rng.random() < 0.5:
        marks = np.sin(2 * np.pi * y / 130.0)
        tone = 1.0 + 0.5 * np.clip(marks * 3, -1, 1) * 0.5
    else:
        u, v = (x + y) / 60.0, (x - y) / 60.0
        odd = (np.floor(u) + np.floor(v)) % 2
        bar = np.where(odd > 0, np.abs(u % 1 - 0.5) < 0.12, np.abs(v % 1 - 0.5) < 0.12)
        tone = 1.0 + 0.7 * gaussian_filter(bar.astype(float), 1.5)
    scratch = gaussian_filter((rng.random((n, n)) > 0.9993).astype(float), (0.6, 20)) * 40
    mud = np.clip(cloud(rng, (n, n), 40) + 0.4 * cloud(rng, (n, n), 6) - 0.6, 0, 1)[..., None]
    colour = base * tone[..., None] + scratch[..., None] * 0.3
    colour = colour * (1 - 0.8 * mud) + np.array([0.20, 0.14, 0.08]) * 0.8 * mud
    return np.asarray(colour, dtype=np.float64)


def gravel(rng: np.random.Generator) -> Array:
    """Stones of many sizes, drawn as cells round random points, dark between."""
    n = PIXELS
    count = int(rng.uniform(2500, 14000))
    seeds = rng.uniform(0, n, (count, 2))
    size = n / np.sqrt(count)
    y, x = np.mgrid[0:n, 0:n].astype(float)
    bent = np.dstack(
        [y + 0.16 * size * cloud(rng, (n, n), 0.35 * size), x + 0.16 * size * cloud(rng, (n, n), 0.35 * size)]
    )
    reach, near = cKDTree(seeds).query(bent, k=2)
    who = near[..., 0]
    dome = np.clip((reach[..., 1] - reach[..., 0]) / (0.55 * size), 0.0, 1.0)
    base = np.array([[0.30, 0.27, 0.23], [0.22, 0.21, 0.20], [0.36, 0.29, 0.20]][rng.integers(3)])
    tint = base * rng.lognormal(-0.1, 0.35, (count, 1)) * (1.0 + 0.04 * rng.normal(size=(count, 3)))
    lean = (y - seeds[who, 0]) * 0.4 + (x - seeds[who, 1]) * 0.3
    tone = (
        0.12
        + 0.95 * np.sqrt(dome)
        - 0.2 * lean / size
        + 0.10 * cloud(rng, (n, n), 1.2)
        + 0.08 * cloud(rng, (n, n), 5.0)
    )
    return np.asarray(tint[who] * tone[..., None], dtype=np.float64)


def grass(rng: np.random.Generator) -> Array:
    """Blades drawn from dark and low to light and high, some dry, over soil."""
    n = PIXELS
    image = np.ones((n, n, 3)) * np.array([0.05, 0.04, 0.02])
    fresh = np.array([0.10, 0.20, 0.03])
    dry = np.array([0.36, 0.28, 0.12])
    mix = rng.uniform(0.0, 1.0)
    for k in range(9000):
        start = rng.uniform(0, n, 2)
        angle = rng.normal(0.6, 1.2)
        length = rng.uniform(60, 260)
        bend = rng.normal(0, 0.5)
        t = np.linspace(0, 1, 7)[:, None]
        path = start + length * t * np.column_stack(
            [np.cos(angle + bend * t[:, 0]), np.sin(angle + bend * t[:, 0])]
        )
        colour = (dry if rng.random() < mix else fresh) * rng.uniform(0.4, 1.2) * (0.35 + 0.8 * k / 9000)
        cv2.polylines(
            image,
            [np.round(path * 8).astype(np.int32)],
            False,
            tuple(map(float, colour)),
            int(rng.integers(1, 6)),
            cv2.LINE_AA,
            3,
        )
    return np.asarray(image, dtype=np.float64)


def printed(rng: np.random.Generator) -> Array:
    """A sheet with columns of marks like print, no letters, and a grey picture."""
    n = PIXELS
    paper = np.array([0.62, 0.60, 0.55]) if rng.random() < 0.7 else np.array([0.8, 0.8, 0.79])
    ink = np.zeros((n, n))
    pitch, column = int(rng.integers(9, 15)), int(rng.integers(200, 320))
    for row in range(20, n - 20, pitch):
        for col in range(15, n - 60, column):
            at = col
            while at < min(col + column - 20, n - 10):
                word = int(rng.integers(8, 40))
                marks = rng.random((max(pitch - 5, 3), word)) < 0.45
                ink[row : row + marks.shape[0], at : at + word] = marks[:, : max(0, min(word, n - at))]
                at += word + int(rng.integers(4, 8))
    for _ in range(rng.integers(0, 3)):
        r, c = rng.integers(0, n - 320, 2)
        ink[r : r + 220, c : c + 300] = 0.4 + 0.25 * cloud(rng, (220, 300), 20)
    ink = gaussian_filter(ink, 0.8)
    shown = 1.0 - 0.85 * np.clip(ink, 0, 1)
    return np.asarray(
        paper * shown[..., None] * (1 + 0.03 * cloud(rng, (n, n), 80))[..., None], dtype=np.float64
    )


def plain(rng: np.random.Generator) -> Array:
    """A table top or board in one colour with faint cloudiness and scratches."""
    n = PIXELS
    base = np.array(
        [[0.75, 0.74, 0.71], [0.55, 0.50, 0.42], [0.08, 0.08, 0.08], [0.25, 0.33, 0.42], [0.36, 0.12, 0.05]][
            rng.integers(5)
        ]
    )
    scratch = gaussian_filter((rng.random((n, n)) > 0.9995).astype(float), (14, 0.7)) * 25
    tone = 1 + 0.04 * cloud(rng, (n, n), 50) + 0.02 * cloud(rng, (n, n), 3) - 0.25 * scratch
    return np.asarray(base * tone[..., None], dtype=np.float64)


def cardboard(rng: np.random.Generator) -> Array:
    """Brown board with faint flutes and flecks."""
    n = PIXELS
    y = np.mgrid[0:n, 0:n][0]
    flutes = 0.03 * np.sin(2 * np.pi * y / 17.0)
    tone = 1 + flutes + 0.05 * cloud(rng, (n, n), 2) + 0.05 * cloud(rng, (n, n), 60)
    return np.asarray(np.array([0.36, 0.24, 0.13]) * tone[..., None], dtype=np.float64)


def ground_picture(rng: np.random.Generator, name: str) -> Array:
    """Picture of ground ``name``, `PIXELS` square for `SIZE_MM`, shape (n, n, 3)."""
    maker = {
        "wood": wood,
        "towel": towel,
        "truck_bed": truck_bed,
        "gravel": gravel,
        "grass": grass,
        "print": printed,
        "table": plain,
        "cutting_board": plain,
        "cardboard": cardboard,
        "glove": plain,
    }[name]
    return np.asarray(np.clip(maker(rng), 0.003, 0.95), dtype=np.float64)
