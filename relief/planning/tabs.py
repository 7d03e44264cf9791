"""Where the tabs stand that hold a part in its board."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from relief.planning.outline import Floats, Ring, grown, shrunk

# Places are tried this far apart, mm, and there are at least so many of them.
SPACING = 0.5
LEAST_TRIED = 240
# What makes a place worse: shares of 1 are the bend of the way (a right angle is 0.1 to 0.3), then these.
THIN = 0.5
UNHELD = 5.0
UNEVEN = 0.02
# Of two straight places the one farther from a corner is the better.
FAR_BEND = 0.1


@dataclass(frozen=True)
class Tab:
    """A tab as planned.

    Parameters
    ----------
    x, y : mm, its middle, on the way of the cutter's axis along the wall
    width : mm, of its narrowest place
    height : mm, above the bottom of the stock
    """

    x: float
    y: float
    width: float
    height: float


def tab_places(
    ring: Ring, count: int, width: float, radius: float, shape: BaseGeometry, frame: BaseGeometry | None
) -> list[float]:
    """Choose where tabs stand: evenly spread, off corners and thin limbs, and joined to something.

    Parameters
    ----------
    ring : the way of the axis along the wall, with the part on its right
    count : tabs wanted
    width : mm, of a tab
    radius : mm, of the cutter
    shape : the part
    frame : what may hold a tab; None: stock on all sides

    Returns
    -------
    places on the ring, rising; fewer than `count` where the ring is short or nothing could hold a tab
    """
    room = width + 3 * radius  # the gap, and half a cutter on either side to come down in
    count = min(count, int(ring.length / (1.5 * room)))
    if count < 1:
        return []
    tried = max(LEAST_TRIED, math.ceil(ring.length / SPACING))
    places: Floats = np.arange(tried, dtype=np.float64) * (ring.length / tried)
    cost = _costs(ring, places, width, radius, shape, frame)
    window = int(tried * min(1 / (4 * count), max(1 / count - room / ring.length, 0.0) / 2))
    near, shift = _best_within(cost, window)
    starts = np.arange(math.ceil(tried / count))
    wanted = (starts[:, None] + np.rint(np.arange(count) * tried / count).astype(int)) % tried
    worth = near[wanted].max(axis=1) + 0.1 * near[wanted].mean(axis=1)
    chosen = wanted[int(np.argmin(worth))]
    found = (chosen + shift[chosen]) % tried
    return sorted(float(places[k]) for k in found if cost[k] < UNHELD)


def _best_within(cost: Floats, window: int) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Return, for each place, the least cost nearby (a shift costs a little too) and the shift to it."""
    shifts = np.arange(-window, window + 1)
    moved = np.stack([np.roll(cost, -s) for s in shifts])
    moved += UNEVEN * (shifts[:, None] / max(window, 1)) ** 2
    best = np.argmin(moved, axis=0)
    return moved[best, np.arange(len(cost))], shifts[best]


def _costs(
    ring: Ring,
    places: Floats,
    width: float,
    radius: float,
    shape: BaseGeometry,
    frame: BaseGeometry | None,
) -> Floats:
    """Return what speaks against a tab at each place."""
    half = width / 2 + 1.5 * radius
    cost = _bend(ring, places, half) + FAR_BEND * _bend(ring, places, min(3 * half, ring.length / 6))
    travel = ring.heading(places)
    left = np.column_stack([-travel[:, 1], travel[:, 0]])
    axis = ring.at(places)
    thick = grown(shrunk(shape, width / 2), width / 2)
    if not thick.is_empty:
        walls = shapely.points(axis - radius * left)
        cost += THIN * (shapely.distance(thick, walls) > 0.05 * width)
    if frame is not None:
        shapely.prepare(frame)
        for along in (-width / 2, 0.0, width / 2):
            beyond = axis + 1.5 * radius * left + along * travel
            cost += UNHELD * ~shapely.contains_xy(frame, beyond[:, 0], beyond[:, 1])
    return np.asarray(cost, dtype=np.float64)


def _bend(ring: Ring, places: Floats, half: float) -> Floats:
    """Return by what share of its length the way around each place falls short of a straight one."""
    ahead = ring.at(places + half) - ring.at(places - half)
    return np.asarray(1 - np.hypot(ahead[:, 0], ahead[:, 1]) / (2 * half))
