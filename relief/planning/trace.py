"""The trace: a walk round all that will be cut, above the stock, with the spindle off."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import cast

import numpy as np
import shapely

from relief.planning.outline import Floats, grown
from relief.toolpath import RAPID, Toolpath

# So many corners are few enough to stop at each; fewer, as long as the walk strays no more than this, mm.
MOST_CORNERS = 12
STRAY = 2.0


@dataclass(frozen=True, eq=False)
class TracePlan:
    """A trace as planned.

    Parameters
    ----------
    toolpath : every move a rapid, at one height, back to where it began
    corners : rows of `toolpath` at which to stop and look
    stray : mm, how far outside the outline the walk goes at most
    """

    toolpath: Toolpath
    corners: tuple[int, ...]
    stray: float


def swept_outline(ways: Iterable[tuple[Floats, float]]) -> shapely.Polygon:
    """Return the convex outline of all that round cutters sweep.

    Parameters
    ----------
    ways : (n, 2) positions of an axis, mm, and the radius there
    """
    swept = [grown(shapely.MultiPoint(places).convex_hull, radius) for places, radius in ways]
    return cast(shapely.Polygon, shapely.union_all(swept).convex_hull)


def plan_trace(outline: shapely.Polygon, clearance: float) -> TracePlan:
    """Plan a walk round a convex outline, never inside it and never outside its box.

    Parameters
    ----------
    outline : convex, mm
    clearance : mm above the stock top
    """
    corners = fenced(outline)
    first = int(np.argmin(corners.sum(axis=1)))
    corners = np.roll(corners, -first, axis=0)
    walk = np.vstack([corners, corners[:1]])
    points = np.column_stack([walk, np.full(len(walk), clearance)])
    stray = float(shapely.distance(shapely.points(corners), outline).max())
    kinds = np.full(len(walk), RAPID, dtype=np.uint8)
    return TracePlan(Toolpath(points, kinds), tuple(range(len(corners))), stray)


def fenced(outline: shapely.Polygon) -> Floats:
    """Return the few corners, counter-clockwise, of a convex fence round a convex outline.

    Notes
    -----
    The fence begins as the outline's own sides and those of its box. Sides are left out, the one whose
    neighbours meet nearest to the outline first, while that is near or sides are many. The box's stay.
    """
    normals, offsets, fixed = _sides(outline)
    kept = list(range(len(normals)))
    cost = [_cost(outline, normals, offsets, fixed, kept, k) for k in range(len(kept))]
    while True:
        least = int(np.argmin(cost))
        if math.isinf(cost[least]) or (cost[least] > STRAY and len(kept) <= MOST_CORNERS):
            break
        del kept[least], cost[least]
        for k in (least - 1, least % len(kept)):
            cost[k] = _cost(outline, normals, offsets, fixed, kept, k)
    corners = np.array([_meet(normals, offsets, k, m) for k, m in zip(kept[-1:] + kept, kept, strict=False)])
    apart = np.hypot(*(corners - np.roll(corners, 1, axis=0)).T) > 1e-6
    return np.asarray(corners[apart], dtype=np.float64)


def _sides(outline: shapely.Polygon) -> tuple[Floats, Floats, list[bool]]:
    """Return outward normals and offsets of all sides, by bearing, and which of them are its box's."""
    ring = shapely.get_coordinates(shapely.normalize(outline).exterior)[::-1]
    step = np.diff(ring, axis=0)
    own = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(*step.T)[:, None]
    left, near, right, far = outline.bounds
    box = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)])
    off_axis = (np.abs(own) > 1e-9).all(axis=1)  # the box has the others
    normals = np.vstack([box, own[off_axis]])
    offsets = np.concatenate([[right, far, -left, -near], (own * ring[:-1]).sum(axis=1)[off_axis]])
    order = np.argsort(np.arctan2(normals[:, 1], normals[:, 0]), kind="stable")
    return normals[order], offsets[order], [bool(k < 4) for k in order]


def _meet(normals: Floats, offsets: Floats, k: int, m: int) -> Floats:
    """Return where two sides meet."""
    return np.asarray(np.linalg.solve(normals[[k, m]], offsets[[k, m]]), dtype=np.float64)


def _cost(
    outline: shapely.Polygon, normals: Floats, offsets: Floats, fixed: list[bool], kept: list[int], k: int
) -> float:
    """Return how far outside the outline the corner lies that appears when a side is left out."""
    before, after = kept[k - 1], kept[(k + 1) % len(kept)]
    if fixed[kept[k]]:
        return math.inf
    return float(outline.distance(shapely.Point(_meet(normals, offsets, before, after))))
