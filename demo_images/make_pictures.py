"""Make the demo pictures: gate signs of an allotment society, drawn by formula.

Run `python demo_images/make_pictures.py` to write the 16-bit greyscale PNG files beside this script again.
White is high, black is deep. Nothing is random: the same formulas give the same pictures.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image

Floats = npt.NDArray[np.float64]

GOLDEN_ANGLE = np.pi * (
    3 - np.sqrt(5)
)  # 137.5°, between one seed and the next (Vogel, Math. Biosci. 44, 1979)


def main(folder: Path) -> None:
    """Write every picture into `folder`."""
    for name, make in PICTURES.items():
        Image.fromarray(make()).save(folder / name, optimize=True)
        print(folder / name)


def canvas(columns: int, rows: int) -> tuple[Floats, Floats]:
    """Return x and y of every pixel, top row first: the shorter side runs from -1 to 1, y grows upward."""
    scale = 2 / (min(columns, rows) - 1)
    x = (np.arange(columns) - (columns - 1) / 2) * scale
    y = ((rows - 1) / 2 - np.arange(rows)) * scale
    across, up = np.meshgrid(x, y)
    return across, up


def finished(height: Floats) -> npt.NDArray[np.uint16]:
    """Soften the stairs of single pixels along outlines and spread the heights from 0 to 65535.

    Every fifteenth code is used: 4370 levels are far finer than any router, and the file stays small.
    """
    for _ in range(3):  # binomial weights, about a pixel and a quarter wide
        padded = np.pad(height, 1, mode="edge")
        tall = (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4
        height = (tall[:, :-2] + 2 * tall[:, 1:-1] + tall[:, 2:]) / 4
    height = (height - height.min()) / (height.max() - height.min())
    codes: npt.NDArray[np.uint16] = (np.round(height * 4369) * 15).astype(np.uint16)
    return codes


def step(value: Floats, low: float, high: float) -> Floats:
    """Rise smoothly from 0 at `low` to 1 at `high`."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def jitter(number: int, spread: float) -> float:
    """Return a fixed value in ±spread that looks irregular from one number to the next."""
    return spread * (2 * ((number * 0.7548776662) % 1) - 1)


def dome(distance: Floats, radius: float | Floats) -> Floats:
    """Return half an ellipsoid: 1 in the middle, 0 at `radius` and beyond."""
    return np.sqrt(np.clip(1 - (distance / radius) ** 2, 0, None))


def rim(x: Floats, y: Floats, half: tuple[float, float], width: float, corner: float) -> Floats:
    """Return a rim along the edge of a box: 1 at the edge, falling to 0 inside, round in the corners."""
    over_x, over_y = np.abs(x) - (half[0] - corner), np.abs(y) - (half[1] - corner)
    round_a_corner = np.hypot(np.clip(over_x, 0, None), np.clip(over_y, 0, None))
    from_edge = corner - np.where(round_a_corner > 0, round_a_corner, np.maximum(over_x, over_y))
    return 1 - step(from_edge, 0.4 * width, width)


# ---- sunflower ---------------------------------------------------------------------------------------------


def sunflower() -> npt.NDArray[np.uint16]:
    """Return a sunflower head: seeds by phyllotaxis, three rings of petals, a rim around."""
    x, y = canvas(1201, 1201)
    height = 0.10 * (1 - step(np.hypot(x, y), 0.5, 1.05))  # the ground swells a little behind the flower
    for k in range(21):
        lay_petal(height, x, y, petal_at(k, 21, 0.5, length=0.825, width=0.085, top=0.28, floor=0.04))
    for k in range(21):
        lay_petal(height, x, y, petal_at(k + 31, 21, 0.0, length=0.83, width=0.105, top=0.44, floor=0.10))
    for k in range(21):
        lay_petal(height, x, y, petal_at(k + 77, 21, 0.5, length=0.735, width=0.098, top=0.58, floor=0.18))
    np.maximum(height, seed_head(x, y, radius=0.43), out=height)
    np.maximum(height, 0.42 * rim(x, y, (1.0, 1.0), width=0.10, corner=0.22), out=height)
    return finished(height)


def petal_at(
    number: int, count: int, turn: float, *, length: float, width: float, top: float, floor: float
) -> dict[str, float]:
    """Return one petal of a ring, each a little different from its neighbours."""
    return {
        "angle": 2 * np.pi * (number + turn) / count + jitter(number, 0.035),
        "length": length + jitter(number + 5, 0.035),
        "width": width * (1 + jitter(number + 11, 0.10)),
        "top": top + jitter(number + 3, 0.02),
        "floor": floor,
        "twist": jitter(number + 7, 0.09),
        "bend": jitter(number + 2, 0.05),
    }


def lay_petal(height: Floats, x: Floats, y: Floats, petal: dict[str, float]) -> None:
    """Raise `height` to a petal: pointed, arched along its length, folded in the middle, a bit twisted."""
    start, reach = 0.30, petal["length"] - 0.30
    along = x * np.cos(petal["angle"]) + y * np.sin(petal["angle"])
    across = y * np.cos(petal["angle"]) - x * np.sin(petal["angle"])
    near = (along > start) & (along < petal["length"]) & (np.abs(across) < 0.2)
    u = (along[near] - start) / reach
    half = petal["width"] * 2.1 * u**0.55 * (1 - u) ** 0.62  # widest a little before the middle
    v = (across[near] - petal["bend"] * u * u) / half
    arch = petal["top"] * (0.72 + 0.75 * u - 1.08 * u * u)  # rises from the seeds, bows to its tip
    fold = 0.055 * np.exp(-((v / 0.26) ** 2)) + 0.018 * np.cos(v * 3 * np.pi) * (1 - u)
    side = np.clip(1 - v**4, 0, None) ** 0.8
    body = arch * (1 + petal["twist"] * v * 2) - fold * side * step(u, 0.02, 0.2) * (1 - step(u, 0.75, 1.0))
    raised = np.where(np.abs(v) < 1, petal["floor"] + (body - petal["floor"]) * side, 0)
    height[near] = np.maximum(height[near], raised)


def seed_head(x: Floats, y: Floats, radius: float) -> Floats:
    """Return the round head of seeds: r = c √n at the golden angle, each seed a small dome."""
    count = 150
    spacing = radius / np.sqrt(count)
    r = np.hypot(x, y)
    bowl = 0.70 + 0.24 * dome(r - 0.66 * radius, 0.75 * radius) - 0.16 * np.exp(-((r / (0.30 * radius)) ** 2))
    bed = (bowl - 0.12) * dome(r, radius * 1.03) ** 0.5
    head = bed.copy()
    number = np.arange(count)
    places = spacing * np.sqrt(number + 0.5), number * GOLDEN_ANGLE
    for distance, angle in zip(*places, strict=True):
        seed_x, seed_y = distance * np.cos(angle), distance * np.sin(angle)
        size = spacing * (0.86 + 0.16 * distance / radius)
        columns, rows = window(x, y, seed_x, seed_y, size * 1.3)
        seed = 0.12 * seed_dome(x[rows, columns], y[rows, columns], (seed_x, seed_y), size)
        lifted = np.where(seed > 0, bed[rows, columns] + seed, 0)
        np.maximum(head[rows, columns], lifted, out=head[rows, columns])
    return head


def window(x: Floats, y: Floats, centre_x: float, centre_y: float, reach: float) -> tuple[slice, slice]:
    """Return the (columns, rows) slices that hold every pixel within `reach` of a point."""
    columns = np.flatnonzero(np.abs(x[0] - centre_x) <= reach)
    rows = np.flatnonzero(np.abs(y[:, 0] - centre_y) <= reach)
    return slice(columns[0], columns[-1] + 1), slice(rows[0], rows[-1] + 1)


def seed_dome(x: Floats, y: Floats, centre: tuple[float, float], size: float) -> Floats:
    """Return one seed, 1 at its top: a drop that points outward from the middle of the head."""
    distance = np.hypot(*centre)
    out_x, out_y = centre[0] / distance, centre[1] / distance
    along = (x - centre[0]) * out_x + (y - centre[1]) * out_y
    across = (y - centre[1]) * out_x - (x - centre[0]) * out_y
    return dome(np.hypot(along * 0.84, across * (1 + 0.35 * along / size)), size) ** 1.3


# ---- scallop shell -----------------------------------------------------------------------------------------


def scallop_shell() -> npt.NDArray[np.uint16]:
    """Return a scallop shell: a fan of ribs from the hinge, growth lines across, two ears."""
    x, y = canvas(1201, 1091)
    hinge_y = -0.72
    r, angle = np.hypot(x, y - hinge_y), np.arctan2(x, y - hinge_y)
    height = 0.14 * (1 - step(np.hypot(x, y - 0.1), 0.5, 1.0))
    np.maximum(height, shell_ears(x, y - hinge_y), out=height)
    np.maximum(height, shell_fan(r, angle, ribs=13, spread=np.radians(52)), out=height)
    np.maximum(height, 0.42 * rim(x, y, (1.1, 1.0), width=0.10, corner=0.22), out=height)
    return finished(height)


def shell_fan(r: Floats, angle: Floats, ribs: int, spread: float) -> Floats:
    """Return the fan: high where it bulges, ribbed from the hinge outward, stepped where it grew."""
    rib = np.abs(np.cos(angle / spread * ribs * np.pi / 2)) ** 1.3  # 1 on a rib, 0 in the groove beside it
    rim = 1.56 * np.cos(np.clip(angle, -1.3, 1.3)) ** 0.8 * (0.955 + 0.045 * rib)
    u = np.clip(r / rim, 0, 1)
    bulge = np.sin(np.pi * u**0.8 * 0.92) ** 0.7 * np.cos(np.clip(angle, -1.5, 1.5)) ** 0.8
    growth = sum(step(u, at, at + 0.02) - step(u, at, at + 0.12) for at in (0.34, 0.53, 0.69, 0.82))
    body = 0.33 + 0.56 * bulge + (0.04 + 0.10 * u) * (rib - 0.6) * step(u, 0.04, 0.35) + 0.028 * growth
    from_edge = np.minimum((1 - u) * rim, (spread - np.abs(angle)) * r)
    return body * step(from_edge, 0.0, 0.09)


def shell_ears(x: Floats, above_hinge: Floats) -> Floats:
    """Return the two ears beside the hinge: flat wings, lower outward, fluted along the shell's flank."""
    flank = np.abs(x) - 0.55 * above_hinge  # grows from the shell's side outward
    flutes = 0.028 * np.cos(flank * 2 * np.pi / 0.13) * step(np.abs(x), 0.04, 0.14)
    ear = 0.42 - 0.28 * np.abs(x) * step(np.abs(x), 0.0, 0.2) + flutes
    outer = 0.41 - np.abs(x) - 0.35 * (above_hinge - 0.12) ** 2
    from_edge = np.minimum(np.minimum(outer, above_hinge + 0.09), 0.36 - above_hinge)
    return ear * step(from_edge, 0.0, 0.07)


# ---- landscape ---------------------------------------------------------------------------------------------


def garden_rows() -> npt.NDArray[np.uint16]:
    """Return a shallow landscape: sun, hills, a shed and a tree, and beds that run to the horizon."""
    x, y = canvas(1201, 801)
    horizon = 0.12
    height = sky(x, y)
    np.maximum(height, hills(x, y, horizon), out=height)
    np.maximum(height, beds(x, y, horizon), out=height)
    np.maximum(height, tree(x, y, (-0.98, 0.34)), out=height)
    np.maximum(height, shed(x, y, (0.88, 0.22)), out=height)
    return finished(height)


def sky(x: Floats, y: Floats) -> Floats:
    """Return the sky, deepest at the top corners, with a low sun and its rays."""
    sun_x, sun_y = 0.18, 0.56
    r, angle = np.hypot(x - sun_x, y - sun_y), np.arctan2(y - sun_y, x - sun_x)
    ray = np.cos(9 * angle) * step(r, 0.17, 0.42) * (1 - step(r, 0.42, 1.0))
    height: Floats = 0.10 - 0.06 * step(r, 0.4, 1.6) + 0.045 * ray + 0.26 * dome(r, 0.17) ** 0.8
    return height


def hills(x: Floats, y: Floats, horizon: float) -> Floats:
    """Return three ridges, each nearer one lower on the picture and higher in the wood."""
    height = np.zeros_like(x)
    ridges = (
        (0.27, 0.10, 2.1, 0.4, 0.17),
        (0.19, 0.07, 3.3, 2.2, 0.25),
        (0.10, 0.05, 2.6, 4.4, 0.33),
    )
    for lift, swell, turns, phase, level in ridges:
        crest = horizon + lift + swell * np.sin(turns * x + phase)
        rounded = dome(np.clip(0.10 - (crest - y), 0, None), 0.10)
        np.maximum(height, np.where(y < crest, (level - 0.05 * (crest - y)) * rounded, 0), out=height)
    return height


def beds(x: Floats, y: Floats, horizon: float) -> Floats:
    """Return the field: beds that run to a point on the horizon, planted with cabbages every other one."""
    below = np.clip(horizon - y, 1e-6, None)
    lane = (x - 0.12) / (below + 0.10) * 3.0  # straight lines through one point above the horizon
    furrow = np.abs(np.sin(lane * np.pi / 2)) ** 0.7
    near = step(below, 0.0, 0.9)
    ground = 0.37 + 0.22 * below**0.8
    height = np.where(y < horizon, ground + (0.03 + 0.15 * near) * furrow * step(below, 0.0, 0.25), 0)
    for number in range(-13, 14, 2):
        for distance in 0.20 * 1.235 ** np.arange(9):
            centre = (0.12 + number * (distance + 0.10) / 3.0, horizon - distance)
            lay_cabbage(height, x, y, centre, size=0.27 * (distance + 0.10))
    return height


def lay_cabbage(height: Floats, x: Floats, y: Floats, centre: tuple[float, float], size: float) -> None:
    """Raise `height` to one cabbage: a ball with a few folded leaves."""
    if abs(centre[0]) > 1.5 + size or centre[1] < -1 - size:
        return
    columns, rows = window(x, y, *centre, size)
    across, up = x[rows, columns] - centre[0], (y[rows, columns] - centre[1]) * 1.25
    r, angle = np.hypot(across, up), np.arctan2(up, across)
    leaf = 1 + 0.035 * np.cos(5 * angle)
    fold = 1 + 0.10 * np.cos(5 * angle + 5 * r / size) * step(r / size, 0.1, 0.6)
    ball = 0.40 + 0.22 * (0.12 - centre[1]) ** 0.8 + 0.95 * size * fold * dome(r * leaf, size * 0.9) ** 0.8
    part = height[rows, columns]
    np.maximum(part, np.where(r * leaf < size * 0.9, ball, 0), out=part)


def tree(x: Floats, y: Floats, centre: tuple[float, float]) -> Floats:
    """Return an apple tree: a trunk under a crown of overlapping balls of leaves."""
    across, up = x - centre[0], y - centre[1]
    trunk = 0.50 * dome(across, 0.055 + 0.05 * step(-up, 0.15, 0.34)) * (up < -0.1) * (up > -0.36)
    for k in range(17):
        distance, angle = 0.072 * np.sqrt(k), k * GOLDEN_ANGLE
        r = np.hypot(across - distance * np.cos(angle) * 1.1, up - 0.12 - distance * np.sin(angle) * 0.9)
        ball = (0.58 - 0.55 * distance) * dome(r, 0.125 - 0.06 * distance) ** 0.5
        np.maximum(trunk, ball, out=trunk)
    return trunk


def shed(x: Floats, y: Floats, corner: tuple[float, float]) -> Floats:
    """Return a boarded shed with a door and a pitched roof, seen a little from the side."""
    across, up = x - corner[0], y - corner[1]
    boards = 0.50 + 0.02 * np.abs(np.sin(across * np.pi / 0.075)) ** 0.5
    door = 0.035 * (np.abs(across + 0.04) < 0.075) * (up < 0.10)
    wall = (boards + door) * (np.abs(across) < 0.26) * (up > -0.20) * (up < 0.22)
    slope = 0.44 - 0.75 * np.abs(across)
    roof = (0.60 - 0.25 * np.abs(across)) * (up < slope) * (up > slope - 0.10) * (np.abs(across) < 0.33)
    gable = boards * (up >= 0.2) * (up < slope) * (np.abs(across) < 0.26)
    height: Floats = np.maximum(np.maximum(wall, gable), roof)
    return height


# ---- gate sign ---------------------------------------------------------------------------------------------


def gate_sign() -> npt.NDArray[np.uint16]:
    """Return a board for lettering: a rim, a bean plant climbing up either end, the middle left free."""
    x, y = canvas(1401, 701)
    height = 0.30 + 0.04 * (1 - step(np.hypot(x / 2, y), 0.3, 1.0))
    for side in (-1.0, 1.0):
        lay_bean_plant(height, side * x, y)
    np.maximum(height, 0.72 * rim(x, y, (2.0, 1.0), width=0.13, corner=0.30), out=height)
    return finished(height)


def lay_bean_plant(height: Floats, x: Floats, y: Floats) -> None:
    """Raise `height` to a bean plant at the right end: a pole, a vine round it, leaves and pods."""
    pole = 1.58
    along = (y + 0.8) / 1.6
    inside = (y > -0.84) & (y < 0.82)
    on_pole = inside & (np.abs(x - pole) < 0.045)
    np.maximum(height, np.where(on_pole, 0.34 + 0.16 * dome(x - pole, 0.045), 0), out=height)
    wind = pole + 0.085 * np.sin(9.5 * along + 0.4)
    in_front = 0.5 + 0.5 * np.cos(9.5 * along + 0.4)
    on_vine = inside & (np.abs(x - wind) < 0.028)
    vine = np.where(on_vine, 0.32 + (0.10 + 0.14 * in_front) * dome(x - wind, 0.028), 0)
    np.maximum(height, vine, out=height)
    for number, (at, turn) in enumerate(((-0.62, 1), (-0.30, -1), (0.02, 1), (0.30, -1), (0.55, 1))):
        root = (pole + 0.085 * np.sin(9.5 * (at + 0.8) / 1.6 + 0.4), at)
        lean = np.radians(38 + 9 * jitter(number, 1.0))
        for leaf in (-1, 0, 1):  # three to a stalk, as beans have them
            angle = (np.pi / 2 - turn * (np.pi / 2 - lean)) + 0.85 * leaf
            size = (0.30 if leaf == 0 else 0.23) * (1 + jitter(number + 3, 0.06))
            lay_leaf(height, x, y, root, angle, size, top=0.62 - 0.05 * abs(leaf))
    for number, (at, turn) in enumerate(((-0.47, -1), (-0.12, 1), (0.16, -1))):
        root = (pole + 0.05 * turn, at)
        lay_pod(height, x, y, root, -np.pi / 2 + 0.35 * turn, length=0.42 + jitter(number, 0.03))


def lay_leaf(
    height: Floats, x: Floats, y: Floats, root: tuple[float, float], angle: float, size: float, top: float
) -> None:
    """Raise `height` to a leaf: pointed, swelling between its veins, bent down at the tip."""
    across_x, across_y = x - root[0], y - root[1]
    u = (across_x * np.cos(angle) + across_y * np.sin(angle)) / size
    v = (across_y * np.cos(angle) - across_x * np.sin(angle)) / size
    near = (u > 0) & (u < 1)
    t = u[near]
    half = 0.95 * t**0.75 * (1 - t) ** 0.8
    w = v[near] / half
    veins = np.abs(np.sin(np.pi * (5 * t - 1.6 * np.abs(v[near]) / 0.3)))
    body = top * (0.86 + 0.34 * t - 0.42 * t * t) + 0.035 * veins**0.6 - 0.05 * np.exp(-((w / 0.10) ** 2))
    side = np.clip(1 - w**4, 0, None) ** 0.7
    height[near] = np.maximum(height[near], np.where(np.abs(w) < 1, 0.34 + (body - 0.34) * side, 0))


def lay_pod(
    height: Floats, x: Floats, y: Floats, root: tuple[float, float], angle: float, length: float
) -> None:
    """Raise `height` to a bean pod: long, with the beans showing through."""
    across_x, across_y = x - root[0], y - root[1]
    u = (across_x * np.cos(angle) + across_y * np.sin(angle)) / length
    v = across_y * np.cos(angle) - across_x * np.sin(angle) - 0.06 * np.sin(np.pi * u)
    near = (u > 0) & (u < 1)
    t = u[near]
    half = 0.048 * np.clip(np.sin(np.pi * t), 0, None) ** 0.35
    beans = 0.05 * np.cos(2 * np.pi * (6 * t - 0.5)) * step(t, 0.08, 0.2) * (1 - step(t, 0.8, 0.95))
    body = 0.40 + (0.30 + beans) * dome(v[near], half)
    height[near] = np.maximum(height[near], np.where(np.abs(v[near]) < half, body, 0))


PICTURES: dict[str, Callable[[], npt.NDArray[np.uint16]]] = {
    "sunflower.png": sunflower,
    "scallop_shell.png": scallop_shell,
    "garden_rows.png": garden_rows,
    "gate_sign.png": gate_sign,
}

if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
