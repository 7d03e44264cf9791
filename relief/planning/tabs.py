"""Where the tabs stand that hold a part in its board."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from relief.planning.outline import Floats, Gap, Ring, gap_at, grown, pieces, shrunk

# Places are tried this far apart, mm, and there are at least so many of them.
SPACING = 0.5
LEAST_TRIED = 240
# Tabs take up no more of the way than this leaves.
CROWDED = 1.2
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


class Room(NamedTuple):
    """What a tab takes up beside the part.

    Parameters
    ----------
    width : mm, of the tab
    gap : mm, how far the ends of the gap over it are apart
    radius : mm, of the cutter
    bank : mm, from the cutter's axis to the stock that it leads to
    """

    width: float
    gap: float
    radius: float
    bank: float


def tab_places(
    ring: Ring, count: int, room: Room, shape: BaseGeometry, frame: BaseGeometry | None
) -> list[float]:
    """Choose where tabs stand: evenly spread, off corners and thin limbs, and joined to something.

    Parameters
    ----------
    ring : the way of the axis along the wall, with the part on its right
    count : tabs wanted
    room : what each takes up
    shape : the part
    frame : what may hold a tab; None: stock on all sides

    Returns
    -------
    places on the ring, rising; fewer than `count` where the ring is short or nothing could hold a tab
    """
    taken = room.gap + 2 * room.radius  # half a cutter on either side to come down in
    count = min(count, int(ring.length / (CROWDED * taken)))
    if count < 1:
        return []
    tried = max(LEAST_TRIED, math.ceil(ring.length / SPACING))
    places: Floats = np.arange(tried, dtype=np.float64) * (ring.length / tried)
    cost = _costs(ring, places, room, shape, frame)
    window = int(tried * min(1 / (4 * count), max(1 / count - taken / ring.length, 0.0) / 2))
    near, shift = _best_within(cost, window)
    starts = np.arange(math.ceil(tried / count))
    wanted = (starts[:, None] + np.rint(np.arange(count) * tried / count).astype(int)) % tried
    worth = near[wanted].max(axis=1) + 0.1 * near[wanted].mean(axis=1)
    best = wanted[int(np.argmin(worth))]
    found = (best + shift[best]) % tried
    held = sorted(float(places[k]) for k in found if cost[k] < UNHELD)
    chosen = _apart(ring, held, room)
    parts = pieces(shape)
    if len(parts) > 1:
        order = [float(places[k]) for k in np.argsort(cost, kind="stable") if cost[k] < UNHELD]
        chosen = _one_for_each(ring, chosen, order, parts, room)
    return chosen


def _one_for_each(
    ring: Ring, chosen: list[float], order: list[float], parts: list[shapely.Polygon], room: Room
) -> list[float]:
    """Add tabs to parts that have none, where one ring runs round several that stand close together.

    Parameters
    ----------
    chosen : places of tabs, rising
    order : places that could hold one, best first
    """
    tree = shapely.STRtree(parts)
    nearest = np.atleast_1d(tree.nearest(shapely.points(ring.at(order)))) if order else ()
    owners = dict(zip(order, nearest, strict=True))
    for part in range(len(parts)):
        mine = [place for place in order if owners[place] == part]
        if any(tree.nearest(shapely.Point(ring.at(place))) == part for place in chosen):
            continue
        for place in mine:
            more = sorted([*chosen, place])
            if len(_apart(ring, more, room)) == len(more):
                chosen = more
                break
    return chosen


def _apart(ring: Ring, places: list[float], room: Room) -> list[float]:
    """Return the places whose gaps leave at least a cutter's diameter of the ring between them."""
    least = 2 * room.radius
    kept: list[Gap] = []
    chosen = []
    for place in places:
        span = gap_at(ring, place, room.gap)
        first, last = (kept or [span])[0], (kept or [Gap(-math.inf, -math.inf)])[-1]
        if span.start >= last.end + least and first.start + ring.length >= span.end + least:
            kept.append(span)
            chosen.append(place)
    return chosen


def _best_within(cost: Floats, window: int) -> tuple[Floats, npt.NDArray[np.int64]]:
    """Return, for each place, the least cost nearby (a shift costs a little too) and the shift to it."""
    shifts = np.arange(-window, window + 1)
    moved = np.stack([np.roll(cost, -s) for s in shifts])
    moved += UNEVEN * (shifts[:, None] / max(window, 1)) ** 2
    best = np.argmin(moved, axis=0)
    return moved[best, np.arange(len(cost))], shifts[best]


def _costs(ring: Ring, places: Floats, room: Room, shape: BaseGeometry, frame: BaseGeometry | None) -> Floats:
    """Return what speaks against a tab at each place."""
    width, half = room.width, (room.gap + room.radius) / 2
    cost = _bend(ring, places, half) + FAR_BEND * _bend(ring, places, min(3 * half, ring.length / 6))
    axis, travel, left = _beside(ring, places)
    thick = grown(shrunk(shape, width / 2), width / 2)
    if not thick.is_empty:
        walls = shapely.points(axis - room.radius * left)
        cost += THIN * (shapely.distance(thick, walls) > 0.05 * width)
    if frame is not None:
        shapely.prepare(frame)
        for along in (-width / 2, 0.0, width / 2):
            beyond = axis + room.bank * left + along * travel
            cost += UNHELD * ~shapely.contains_xy(frame, beyond[:, 0], beyond[:, 1])
    return np.asarray(cost, dtype=np.float64)


def _beside(ring: Ring, places: Floats) -> tuple[Floats, Floats, Floats]:
    """Return positions, directions of travel, and directions to the left of it: (n, 2) each."""
    travel = ring.heading(places)
    return ring.at(places), travel, np.column_stack([-travel[:, 1], travel[:, 0]])


def banks(ring: Ring, places: Sequence[float], room: Room) -> BaseGeometry:
    """Return where tabs reach the stock that holds them, as points."""
    if not places:
        return shapely.MultiPoint()
    axis, _, left = _beside(ring, np.asarray(places))
    return shapely.MultiPoint(axis + room.bank * left)


def _bend(ring: Ring, places: Floats, half: float) -> Floats:
    """Return by what share of its length the way around each place falls short of a straight one."""
    ahead = ring.at(places + half) - ring.at(places - half)
    return np.asarray(1 - np.hypot(ahead[:, 0], ahead[:, 1]) / (2 * half))
