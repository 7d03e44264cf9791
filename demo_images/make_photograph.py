"""Make the demo photograph: the harvest on a bench, in colour, as a camera would have seen it.

Run `python demo_images/make_photograph.py` to write `harvest.jpg` beside this script again. It is no
photograph but drawn by formula: rays are followed from the eye to distance fields and on to the light. Grain,
darker corners, 8 bits a channel and the losses of JPEG are put on as a small camera puts them on, since they
are what makes photographs hard to carve. Nothing is random: the grain comes from each pixel's own number.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from PIL import Image

Floats = npt.NDArray[np.float64]

COLUMNS, ROWS = 960, 720
EYE, AIM, ZOOM = np.array((0.15, 1.75, 4.6)), np.array((0.16, 0.50, 0.0)), 3.5
WALL = -1.9  # how far back it stands
LIGHT = np.array((-0.62, 0.68, 0.39))  # to the window on the left
STEPS, FAR = 90, 9.0


class Thing(NamedTuple):
    """A thing on the bench.

    Parameters
    ----------
    distance : points (n, 3) to how far each lies from its surface, or a little less
    colour : points (n, 3) to their red, green and blue, 0 to 1 in linear light
    shine : how much of the window it mirrors
    """

    distance: Callable[[Floats], Floats]
    colour: Callable[[Floats], Floats]
    shine: float


def main(folder: Path) -> None:
    """Write the picture into `folder`."""
    Image.fromarray(harvest()).save(folder / "harvest.jpg", quality=86, subsampling=0)
    print(folder / "harvest.jpg")


def harvest(rows: npt.NDArray[np.int64] | None = None) -> npt.NDArray[np.uint8]:
    """Return the picture, or some of its rows, as (rows, columns, 3) of 8 bits."""
    rows = np.arange(ROWS) if rows is None else rows
    j, i = (grid.ravel() for grid in np.meshgrid(rows, np.arange(COLUMNS), indexing="ij"))
    light = seen(rays(i, j))
    x, y = (i / (COLUMNS - 1) - 0.5) * 4 / 3, j / (ROWS - 1) - 0.5
    light *= (1 - 0.42 * (x * x + y * y))[:, None]  # a lens lets less through to its corners
    coded = np.where(light < 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055)
    number = j * COLUMNS + i
    grain = np.stack([bell(number + channel * COLUMNS * ROWS) for channel in range(4)])
    noisy = 255 * coded + (3.2 * grain[3] + 2.0 * grain[:3]).T
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8).reshape(len(rows), COLUMNS, 3)


def bell(number: npt.NDArray[np.int64]) -> Floats:
    """Return a value for each number, irregular, spread like grain: mean 0, standard deviation 1."""
    total = np.zeros(number.shape)
    for turn in range(4):
        bits = (number * 4 + turn).astype(np.uint32)
        for shift, factor in ((16, 0x7FEB352D), (15, 0x846CA68B)):  # mixes every bit into every other
            bits = (bits ^ (bits >> np.uint32(shift))) * np.uint32(factor)
        total += (bits ^ (bits >> np.uint32(16))) / 2.0**32
    return (total - 2) * np.sqrt(3)


# ---- from the eye to the bench and on to the light ---------------------------------------------------------


def rays(i: npt.NDArray[np.int64], j: npt.NDArray[np.int64]) -> Floats:
    """Return the direction from the eye through each pixel, (n, 3) of length 1."""
    ahead = unit((AIM - EYE)[None])[0]
    right = unit(np.cross(ahead, (0.0, 1.0, 0.0))[None])[0]
    up = np.cross(right, ahead)
    u, v = (i - (COLUMNS - 1) / 2) / (ROWS / 2), ((ROWS - 1) / 2 - j) / (ROWS / 2)
    return unit(ZOOM * ahead + u[:, None] * right + v[:, None] * up)


def unit(vectors: Floats) -> Floats:
    """Return vectors of length 1."""
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1)[:, None])


def seen(directions: Floats) -> Floats:
    """Return the light that comes to the eye from each direction."""
    travelled, hit = marched(np.broadcast_to(EYE, directions.shape), directions, FAR)
    behind = (WALL - EYE[2]) / directions[:, 2]  # every ray ends at the wall
    hit &= travelled < behind
    points = EYE + np.where(hit, travelled, behind)[:, None] * directions
    x, y = points[:, 0:1], points[:, 1:2]
    patch = np.exp(-(((x + 1.3 + 0.35 * y) / 0.9) ** 2)) * np.clip(1.2 - 0.3 * y, 0, 1)
    light = np.array((0.05, 0.062, 0.05)) * np.clip(0.6 + y / 4, 0, 1) + patch * np.array((0.15, 0.17, 0.13))
    light[hit] = lit(points[hit], directions[hit])
    return light


def marched(start: Floats, directions: Floats, far: float) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return how far each ray goes before it meets a thing, and whether it does."""
    travelled = np.full(len(directions), 0.02)
    going = np.arange(len(directions))
    hit = np.zeros(len(directions), dtype=bool)
    for _ in range(STEPS):
        gap = nearest(start[going] + travelled[going, None] * directions[going])[0]
        travelled[going] += gap
        hit[going[gap < 0.0015]] = True
        going = going[(gap >= 0.0015) & (travelled[going] < far)]
        if not going.size:
            break
    return travelled, hit


def nearest(points: Floats) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Return the distance of points to the nearest thing, and its number."""
    distances = np.stack([thing.distance(points) for thing in THINGS])
    return distances.min(axis=0), distances.argmin(axis=0)


def lit(points: Floats, directions: Floats) -> Floats:
    """Return the light that comes from points on things: of the window, of the room, and mirrored."""
    away, which = outward(points), nearest(points)[1]
    shadow = in_the_sun(points + 0.012 * away)
    window = np.clip(away @ LIGHT, 0, 1) * shadow
    room = (0.5 + 0.5 * away[:, 1]) * openness(points, away)
    half = unit(LIGHT - directions)
    gleam = np.clip(np.einsum("ij,ij->i", away, half), 0, 1) ** 40 * shadow
    light = np.zeros_like(points)
    for number, thing in enumerate(THINGS):
        mine = which == number
        own = thing.colour(points[mine])
        light[mine] = own * (1.05 * window + 0.20 * room)[mine, None] + thing.shine * gleam[mine, None]
    return light


def outward(points: Floats) -> Floats:
    """Return the direction away from the surface at points, from distances on either side."""
    around = []
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = 0.002
        around.append(nearest(points + step)[0] - nearest(points - step)[0])
    return unit(np.stack(around, axis=1) + 1e-12)


def in_the_sun(points: Floats) -> Floats:
    """Return how much of the window each point sees: rays that pass close by something are dimmed."""
    seen_share, travelled = np.ones(len(points)), np.full(len(points), 0.03)
    for _ in range(26):
        gap = nearest(points + travelled[:, None] * LIGHT)[0]
        np.minimum(seen_share, np.clip(9 * gap / travelled, 0, 1), out=seen_share)
        travelled += np.clip(gap, 0.02, 0.25)
    return seen_share


def openness(points: Floats, away: Floats) -> Floats:
    """Return how little stands around each point, from distances a little way off."""
    closed = np.zeros(len(points))
    for step, weight in ((0.04, 2.2), (0.12, 1.1), (0.28, 0.5)):
        closed += weight * (step - nearest(points + step * away)[0])
    return np.clip(1 - 2.2 * closed, 0.15, 1)


# ---- the things --------------------------------------------------------------------------------------------


def polar(points: Floats, middle: tuple[float, float, float]) -> tuple[Floats, Floats, Floats]:
    """Return the distance from an upright axis, the height above its middle, and the turn about it."""
    x, y, z = (points - np.array(middle)).T
    return np.hypot(x, z), y, np.arctan2(z, x)


def pumpkin(middle: tuple[float, float, float], size: float) -> tuple[Thing, Thing]:
    """Return a ribbed pumpkin and its stalk."""

    def distance(points: Floats) -> Floats:
        r, y, turn = polar(points, middle)
        ribs = 0.055 * np.abs(np.sin(5.5 * turn)) ** 0.8 - 0.05
        dent = 0.30 * np.exp(-((r / (0.38 * size)) ** 2))
        return 0.72 * (np.hypot(r, (y + dent * np.sign(y) * size) * 1.32) - size * (1 + ribs))

    def colour(points: Floats) -> Floats:
        _, y, turn = polar(points, middle)
        streak = 0.5 + 0.5 * np.sin(11 * turn + 3 * np.sin(7 * y))
        return np.stack([0.80 - 0.08 * streak, 0.27 + 0.05 * streak, 0.035 + 0.02 * streak], axis=1)

    def stalk(points: Floats) -> Floats:
        x, y, z = (points - np.array(middle)).T
        up = np.clip(y - 0.42 * size, 0, 0.55 * size)
        bent = np.hypot(x - 0.55 * up * up, z + 0.2 * up)
        knobs = 0.012 * np.cos(5 * np.arctan2(z, x))
        return 0.7 * (np.hypot(bent, y - 0.42 * size - up) - (0.085 - 0.05 * up) - knobs)

    return Thing(distance, colour, 0.10), Thing(stalk, plain(0.20, 0.23, 0.09), 0.02)


def apple(
    middle: tuple[float, float, float], size: float, cheek: tuple[float, float, float]
) -> tuple[Thing, Thing]:
    """Return an apple with a coloured cheek to the window, and its stalk."""

    def distance(points: Floats) -> Floats:
        r, y, turn = polar(points, middle)
        hollow = 0.34 * np.exp(-((r / (0.33 * size)) ** 2)) * (y > 0)
        taper = 1 - 0.10 * y / size
        return 0.75 * (np.hypot(r / taper, y + hollow * size) - size * (1 + 0.02 * np.cos(5 * turn)))

    def colour(points: Floats) -> Floats:
        _, y, turn = polar(points, middle)
        sunny = np.clip(0.5 - 0.7 * np.cos(turn + 0.5) + 0.25 * np.sin(23 * turn) * (0.5 + y), 0, 1)[:, None]
        return np.asarray(sunny * np.array(cheek) + (1 - sunny) * np.array((0.42, 0.50, 0.10)))

    def stalk(points: Floats) -> Floats:
        x, y, z = (points - np.array(middle)).T
        up = np.clip(y - 0.55 * size, 0, 0.75 * size)
        return 0.8 * (np.sqrt((x - 0.3 * up) ** 2 + (y - 0.55 * size - up) ** 2 + z * z) - 0.018)

    return Thing(distance, colour, 0.32), Thing(stalk, plain(0.10, 0.06, 0.03), 0.0)


def onion(middle: tuple[float, float, float], size: float) -> Thing:
    """Return an onion in its skin, drawn out to a tip."""

    def distance(points: Floats) -> Floats:
        r, y, _ = polar(points, middle)
        tip = 0.30 * np.exp(-((r / (0.20 * size)) ** 2)) * size
        return 0.62 * (np.hypot(r, np.maximum(np.abs(y) - tip * (y > 0), 0) * 1.12) - size)

    def colour(points: Floats) -> Floats:
        _, y, turn = polar(points, middle)
        vein = 0.5 + 0.5 * np.cos(31 * turn + 2 * np.sin(5 * y))
        shade = 0.75 + 0.25 * vein
        return np.stack([0.58 * shade, 0.26 * shade, 0.075 * shade], axis=1)

    return Thing(distance, colour, 0.22)


def bench() -> Thing:
    """Return the boards of the bench, their joints running away from the eye."""

    def distance(points: Floats) -> Floats:
        joint = np.abs((points[:, 0] + 0.21) % 0.62 - 0.31)
        return 0.9 * (points[:, 1] + 0.03 * np.exp(-(((0.31 - joint) / 0.012) ** 2)))

    def colour(points: Floats) -> Floats:
        x, _, z = points.T
        board = np.floor((x + 0.21) / 0.62)
        ring = np.sin(46 * x + 5 * np.sin(1.3 * z + 2.1 * board) + 9 * board)
        fibre = np.sin(160 * x + 3 * np.sin(9 * z))
        shade = 0.82 + 0.12 * ring + 0.05 * fibre + 0.08 * np.sin(4.1 * board)
        return np.asarray(shade[:, None] * np.array((0.30, 0.185, 0.095)))

    return Thing(distance, colour, 0.04)


def plain(red: float, green: float, blue: float) -> Callable[[Floats], Floats]:
    """Return one colour for every point."""
    return lambda points: np.broadcast_to((red, green, blue), points.shape)


THINGS: tuple[Thing, ...] = (
    bench(),
    *pumpkin((-0.28, 0.56, -0.35), 0.80),
    *apple((0.82, 0.34, 0.42), 0.34, (0.62, 0.045, 0.03)),
    *apple((0.22, 0.30, 1.02), 0.30, (0.55, 0.10, 0.03)),
    onion((-0.86, 0.27, 0.78), 0.29),
    onion((1.32, 0.24, -0.20), 0.27),
)

if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
