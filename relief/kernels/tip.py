"""Where the tip of a cutter may go and what it can leave there."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from relief.kernels.bands import in_bands

Grid = npt.NDArray[np.float32]
Points = npt.NDArray[np.float64]


def tip_grid(z: Grid, table: Grid) -> Grid:
    """Return the lowest tip height at each node that keeps the cutter out of the target."""
    z = np.ascontiguousarray(z, dtype=np.float32)
    table = np.ascontiguousarray(table, dtype=np.float32)
    tip = np.full(z.shape, -np.inf, dtype=np.float32)
    source = np.empty((0, 0), dtype=np.int32)
    in_bands(lambda first, last: _dilate(z, table, first, last, tip, source), z.shape[0])
    return tip


def reach_grid(t: Grid, table: Grid) -> Grid:
    """Return the lowest surface that a cutter leaves whose tip goes to every node of t."""
    return -tip_grid(-t, table[::-1, ::-1])


def reach_grid_source(t: Grid, table: Grid) -> tuple[Grid, npt.NDArray[np.int32]]:
    """Return the reachable surface and, for each node, the tip position (flat index into t) that leaves it."""
    z = np.ascontiguousarray(-t, dtype=np.float32)
    table = np.ascontiguousarray(table[::-1, ::-1], dtype=np.float32)
    reach = np.full(z.shape, -np.inf, dtype=np.float32)
    source = np.full(z.shape, -1, dtype=np.int32)
    in_bands(lambda first, last: _dilate(z, table, first, last, reach, source), z.shape[0])
    return -reach, source


def tip_at(z: Grid, pitch: float, shape4: Points, x: Points, y: Points) -> Points:
    """Return the lowest tip height at any points (x, y), mm from node (0, 0); −∞ where no node is near."""
    tip = np.full(len(x), -np.inf)
    in_bands(lambda first, last: _tip_at(z, pitch, shape4, x, y, first, last, tip), len(x), 4096)
    return tip


@njit(cache=True, nogil=True)
def _dilate(z: Any, table: Any, first: int, last: int, tip: Any, source: Any) -> None:
    rows, columns = z.shape
    k = table.shape[0] // 2
    for j in range(first, last):
        for n in range(max(j - k, 0), min(j + k + 1, rows)):
            for d in range(max(-k, 1 - columns), min(k, columns - 1) + 1):
                s = table[n - j + k, d + k]
                if s < np.inf:
                    for i in range(max(0, -d), min(columns, columns - d)):
                        height = z[n, i + d] - s
                        if height > tip[j, i]:
                            tip[j, i] = height
                            if source.size > 0:
                                source[j, i] = n * columns + i + d


@njit(cache=True, nogil=True)
def _underside(flat: float, corner: float, slope: float, r: float) -> float:
    u = r - flat
    if u <= 0.0:
        return 0.0
    if np.isinf(slope):
        return corner - math.sqrt(max(corner * corner - u * u, 0.0))
    long = math.sqrt(1.0 + slope * slope)
    if u * long <= corner * slope:
        return corner - math.sqrt(max(corner * corner - u * u, 0.0))
    return corner * (1.0 - 1.0 / long) + (u - corner * slope / long) * slope


@njit(cache=True, nogil=True)
def _tip_at(z: Any, pitch: float, shape4: Any, x: Any, y: Any, first: int, last: int, tip: Any) -> None:
    rows, columns = z.shape
    flat, corner, slope, radius = shape4[0], shape4[1], shape4[2], shape4[3]
    reach = radius * (1 + 1e-12) + 1e-12
    for p in range(first, last):
        best = -np.inf
        for n in range(max(math.ceil((y[p] - reach) / pitch), 0), min(math.floor((y[p] + reach) / pitch) + 1, rows)):
            for m in range(max(math.ceil((x[p] - reach) / pitch), 0), min(math.floor((x[p] + reach) / pitch) + 1, columns)):
                r = math.sqrt((m * pitch - x[p]) ** 2 + (n * pitch - y[p]) ** 2)
                if r <= reach:
                    height = z[n, m] - _underside(flat, corner, slope, min(r, radius))
                    if height > best:
                        best = height
        tip[p] = best
