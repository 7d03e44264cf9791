"""Which vertices of a path to keep, in one pass."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Doubles = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

STEEPEST = 6.0  # a tolerance normal to the path counts at most this many times straight up
LONGEST = 400  # vertices passed over at once


@njit(cache=True, nogil=True, error_model="numpy")
def steepness(points: Doubles, k: int) -> float:
    """Return √(1 + slope²) of the path at vertex k, at most STEEPEST: the flatter of its two sides."""
    flattest = math.inf
    for n in (k - 1, k):
        if 0 <= n < points.shape[0] - 1:
            dx, dy = points[n + 1, 0] - points[n, 0], points[n + 1, 1] - points[n, 1]
            dz = points[n + 1, 2] - points[n, 2]
            wide = dx * dx + dy * dy
            if wide > 0.0:
                flattest = min(flattest, 1.0 + dz * dz / wide)
    return min(math.sqrt(flattest), STEEPEST) if flattest < math.inf else 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def raised(points: Doubles, k: int, lift: float) -> float:
    """Return the height of vertex k if it is kept; the two ends are not raised."""
    if k == 0 or k == points.shape[0] - 1:
        return points[k, 2]
    return points[k, 2] + lift * steepness(points, k)


@njit(cache=True, nogil=True, error_model="numpy")
def keep_vertices(
    points: Doubles, below: float, above: float, across: float, lift: float, keep: Flags
) -> None:
    """Mark the vertices to keep, as `planning.simplify` tells. Cost: some ten operations a vertex."""
    n = points.shape[0]
    keep[0], keep[n - 1] = True, True
    start = 0
    while start < n - 1:
        end = cone_end(points, start, below, above, across, lift)
        keep[end] = True
        start = end


@njit(cache=True, nogil=True, error_model="numpy")
def cone_end(points: Doubles, start: int, below: float, above: float, across: float, lift: float) -> int:
    """Return the last vertex after `start` to which one straight move stays inside the tube."""
    n = points.shape[0]
    x0, y0 = points[start, 0], points[start, 1]
    z0 = raised(points, start, lift)
    low, high = -math.inf, math.inf
    left, right = -math.inf, math.inf
    ux, uy, last = 0.0, 0.0, 0.0
    best = start + 1
    for k in range(start + 1, min(start + 1 + LONGEST, n)):
        dx, dy = points[k, 0] - x0, points[k, 1] - y0
        far = math.sqrt(dx * dx + dy * dy)
        if far <= last:
            break
        if k == start + 1:
            ux, uy = dx / far, dy / far
        along, beside = dx * ux + dy * uy, dy * ux - dx * uy
        if along <= 0.0:
            break
        last = far
        scale = steepness(points, k)
        slope = (raised(points, k, lift) - z0) / far
        bearing = beside / along
        if low <= slope <= high and left <= bearing <= right:
            best = k
        low = max(low, (points[k, 2] - below - z0) / far)
        high = min(high, (points[k, 2] + above * scale - z0) / far)
        left, right = max(left, bearing - across / along), min(right, bearing + across / along)
        if low > high or left > right:
            break
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def settle(points: Doubles, kept: Any, z: Doubles, below: float) -> None:
    """Lower the kept vertices, one after the other, as far as their neighbours allow.

    Parameters
    ----------
    points : (n, 3) mm, the whole path
    kept : (m,) places of the kept vertices
    z : (m,) in/out, mm, their heights, at first raised; never below those of `points`
    below : mm, how far the new path may lie below an old vertex
    """
    for m in range(1, kept.shape[0] - 1):
        k = kept[m]
        least = points[k, 2]
        for side in (m - 1, m + 1):
            n = kept[side]
            wide = math.hypot(points[k, 0] - points[n, 0], points[k, 1] - points[n, 1])
            if wide == 0.0:
                continue
            for i in range(min(k, n) + 1, max(k, n)):
                part = math.hypot(points[i, 0] - points[n, 0], points[i, 1] - points[n, 1]) / wide
                least = max(least, (points[i, 2] - below - z[side] * (1.0 - part)) / part)
        z[m] = min(z[m], least)
