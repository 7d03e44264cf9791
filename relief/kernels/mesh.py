"""Which nodes a mesh of right triangles must keep to stay within a tolerance of all others."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from relief.kernels.bands import in_bands

Kept = npt.NDArray[np.uint8]


def lattice(rows: int, columns: int) -> tuple[int, int, int]:
    """Return the (rows, columns) of the lattice of whole squares that covers a grid, and a square's side.

    Parameters
    ----------
    rows, columns : int, nodes of the grid, at least 2 each

    Returns
    -------
    rows, columns : multiples of `side`, plus one
    side : the largest power of two up to the grid's larger size and up to four times its smaller one
    """
    side = 1
    while 2 * side <= min(max(rows, columns) - 1, 4 * (min(rows, columns) - 1)):
        side *= 2
    return -(-(rows - 1) // side) * side + 1, -(-(columns - 1) // side) * side + 1, side


def kept_nodes(z: npt.NDArray[np.float32], tolerance: float) -> Kept:
    """Return which nodes of the covering lattice are the middle of a halved triangle.

    Parameters
    ----------
    z : (rows, columns) float32, mm
    tolerance : float, mm

    Returns
    -------
    (lattice rows, lattice columns) uint8, 1 where the node is kept; corners of the whole squares always are

    Notes
    -----
    From the finest triangles to the coarsest, a node is kept when it holds up a finer one, or when one of the
    two triangles that have it in the middle of their long side misses a node below it by more than the
    tolerance (or straddles the border of the grid). Cost per node: at most one look for each of the
    2 log2(side) sizes of triangle.
    """
    z = np.ascontiguousarray(z, dtype=np.float32)
    rows, columns, side = lattice(*z.shape)
    kept = np.zeros((rows, columns), dtype=np.uint8)
    kept[::side, ::side] = 1
    step = 1
    while step < side:
        _level(z, kept, step, False, tolerance)
        _level(z, kept, step, True, tolerance)
        step *= 2
    return kept


def _level(z: Any, kept: Kept, step: int, centre: bool, tolerance: float) -> None:
    lines = (kept.shape[0] - 1) // step + 1
    in_bands(lambda first, last: _keep(z, kept, step, centre, tolerance, first, last), lines, 16)


@njit(cache=True, nogil=True)
def _keep(z: Any, kept: Any, step: int, centre: bool, tolerance: float, first: int, last: int) -> None:
    """Decide for the nodes of one size of triangle; lattice lines first ≤ line < last."""
    columns = kept.shape[1]
    for line in range(first, last):
        j = line * step
        if centre:
            # middle of a diagonal: odd multiples of the step in both directions
            if line % 2 == 0:
                continue
            start = step
        else:
            # middle of a side: one odd, one even
            start = step if line % 2 == 0 else 0
        for i in range(start, columns, 2 * step):
            if _holds_finer(kept, j, i, step, centre) or _misses(z, kept, j, i, step, centre, tolerance):
                kept[j, i] = 1


@njit(cache=True, nogil=True)
def _holds_finer(kept: Any, j: int, i: int, step: int, centre: bool) -> bool:
    """Return whether a finer kept node needs this one: the nodes that halve the triangles made here."""
    rows, columns = kept.shape
    if centre:
        beside = kept[j, i - step] + kept[j, i + step] + kept[j - step, i] + kept[j + step, i]
        return bool(beside > 0)
    half = step // 2
    if half == 0:
        return False
    for dj in (-half, half):
        for di in (-half, half):
            if 0 <= j + dj < rows and 0 <= i + di < columns and kept[j + dj, i + di] > 0:
                return True
    return False


@njit(cache=True, nogil=True)
def _misses(z: Any, kept: Any, j: int, i: int, step: int, centre: bool, tolerance: float) -> bool:
    """Return whether one of the two triangles with (j, i) in the middle of their long side must be halved."""
    if centre:
        # the diagonal runs from the corner with two odd multiples of 2 step to the one with two even
        sign = 1 if ((j // step) // 2 + (i // step) // 2) % 2 == 0 else -1
        a = (j - step, i - sign * step)
        b = (j + step, i + sign * step)
        c = (j - step, i + sign * step)
        d = (j + step, i - sign * step)
    elif (i // step) % 2 == 1:
        a, b = (j, i - step), (j, i + step)
        c, d = (j - step, i), (j + step, i)
    else:
        a, b = (j - step, i), (j + step, i)
        c, d = (j, i - step), (j, i + step)
    return bool(_strays(z, kept, a, b, c, tolerance) or _strays(z, kept, b, a, d, tolerance))


@njit(cache=True, nogil=True)
def _strays(z: Any, kept: Any, a: Any, b: Any, c: Any, tolerance: float) -> bool:
    """Return whether triangle a, b, c (right angle at c) strays from a node under it, or over the border."""
    rows, columns = z.shape
    low_j, high_j = min(a[0], b[0], c[0]), max(a[0], b[0], c[0])
    low_i, high_i = min(a[1], b[1], c[1]), max(a[1], b[1], c[1])
    if low_j < 0 or low_i < 0 or high_j >= kept.shape[0] or high_i >= kept.shape[1]:
        return False  # no such triangle
    if low_j >= rows - 1 or low_i >= columns - 1:
        return False  # wholly beyond the grid: never drawn
    if high_j > rows - 1 or high_i > columns - 1:
        return True
    za, zb, zc = float(z[a[0], a[1]]), float(z[b[0], b[1]]), float(z[c[0], c[1]])
    area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
    by_j = ((zb - za) * (c[1] - a[1]) - (b[1] - a[1]) * (zc - za)) / area
    by_i = ((b[0] - a[0]) * (zc - za) - (zb - za) * (c[0] - a[0])) / area
    for j in range(low_j, high_j + 1):
        left, right = _row_span(a, b, c, j)
        start = za + (j - a[0]) * by_j
        for i in range(left, right + 1):
            if abs(start + (i - a[1]) * by_i - z[j, i]) > tolerance:
                return True
    return False


@njit(cache=True, nogil=True)
def _row_span(a: Any, b: Any, c: Any, j: int) -> Any:
    """Return the first and last column of row j inside a right triangle whose sides lie on lattice lines."""
    left, right = 1 << 40, -1
    for p, q in ((a, b), (b, c), (c, a)):
        if p[0] == q[0]:
            if p[0] == j:
                left, right = min(left, p[1], q[1]), max(right, p[1], q[1])
        elif min(p[0], q[0]) <= j <= max(p[0], q[0]):
            # every side is horizontal, vertical or diagonal at 45°, so it crosses each row at a node
            crossing = p[1] + (q[1] - p[1]) * (j - p[0]) // (q[0] - p[0])
            left, right = min(left, crossing), max(right, crossing)
    return left, right
