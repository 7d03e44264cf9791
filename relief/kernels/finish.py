"""Exact tip heights along any line, and which nodes a line finishes.

Legend: a `ground` is (z, high, pitch, x0, y0, shape4): the target's heights, the highest of each block of
BLOCK × BLOCK nodes, the distance of nodes and the place of node (0, 0) in mm, and the cutter
[flat radius, corner radius, cone slope, radius]. A trace is a row of vertices (x, y, z) on the lattice of the
program text, z rounded up, none of its chords more than a set depth below the exact tip surface.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from relief.kernels.bands import in_bands
from relief.kernels.simplify import keep_vertices, raised, settle
from relief.kernels.sweep import RIM, ascending, profile_at, swept_height

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

# Counts handed to kernels: a bare 0 or 1 would be a type of its own, and compiled apart.
NONE: Any = np.int64(0)
ONE: Any = np.int64(1)
BLOCK = 4  # nodes along a side of the blocks that bound a search
SLACK = 1e-6  # mm²: so that rounding passes over nothing
DIP = 0.0004  # mm: a vertex may lie so much below the exact tip; less than a controller resolves


def blocks(z: Floats) -> Floats:
    """Return the highest value in each block of BLOCK × BLOCK nodes."""
    rows, columns = z.shape
    tall, wide = -(-rows // BLOCK), -(-columns // BLOCK)
    padded = np.full((tall * BLOCK, wide * BLOCK), -np.inf, dtype=np.float32)
    padded[:rows, :columns] = z
    return np.ascontiguousarray(padded.reshape(tall, BLOCK, wide, BLOCK).max(axis=(1, 3)))


@njit(cache=True, nogil=True, error_model="numpy")
def bowed(shape4: Doubles) -> float:
    """Return c, 1/mm, with s(r) ≥ c r² for every r: 1/(2R) for a ball, 0 for what has a flat or a cone."""
    return 0.5 / shape4[3] if shape4[0] == 0.0 and shape4[2] == math.inf else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def exact_tip(ground: Any, x: float, y: float, seen: npt.NDArray[np.int64]) -> float:
    """Return the lowest tip height at (x, y), mm: max of z − s over nodes within the radius, or −∞.

    `seen` is the node (row, column) that was touched last, or (−1, 0): a bound to start from, changed in
    place. Blocks of nodes whose highest z less their least s is not above what is found are passed over.
    Cost: about one test a block in the cutter's square and two blocks of nodes.
    """
    z, high, pitch, x0, y0, shape4 = ground
    u, v = (x - x0) / pitch, (y - y0) / pitch
    radius = shape4[3] + RIM
    reach = radius / pitch
    left, right = max(math.ceil(u - reach), 0), min(math.floor(u + reach), z.shape[1] - 1)
    near, far = max(math.ceil(v - reach), 0), min(math.floor(v + reach), z.shape[0] - 1)
    best, bow = -math.inf, bowed(shape4)
    if seen[0] >= 0:
        r = pitch * math.sqrt((seen[1] - u) ** 2 + (seen[0] - v) ** 2)
        best = z[seen[0], seen[1]] - profile_at(r, shape4)
    if left > right or near > far:
        return best
    for bj in range(near // BLOCK, far // BLOCK + 1):
        j0, j1 = max(bj * BLOCK, near), min(bj * BLOCK + BLOCK - 1, far)
        dv = max(j0 - v, v - j1, 0.0)
        for bi in range(left // BLOCK, right // BLOCK + 1):
            i0, i1 = max(bi * BLOCK, left), min(bi * BLOCK + BLOCK - 1, right)
            if high[bj, bi] <= best:
                continue
            du = max(i0 - u, u - i1, 0.0)
            squared = pitch * pitch * (du * du + dv * dv)
            if squared > radius * radius or high[bj, bi] - bow * squared <= best:
                continue
            if high[bj, bi] - profile_at(math.sqrt(squared), shape4) <= best:
                continue
            for j in range(j0, j1 + 1):
                for i in range(i0, i1 + 1):
                    if z[j, i] <= best:
                        continue
                    r = pitch * math.sqrt((i - u) ** 2 + (j - v) ** 2)
                    if r <= radius:
                        tip = z[j, i] - profile_at(r, shape4)
                        if tip > best:
                            best = tip
                            seen[0], seen[1] = j, i
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def untouched() -> npt.NDArray[np.int64]:
    """Return the `seen` of a search that has touched no node yet."""
    seen = np.empty(2, dtype=np.int64)
    seen[0], seen[1] = -1, 0
    return seen


@njit(cache=True, nogil=True, error_model="numpy")
def lattice_tip(ground: Any, x: float, y: float, step: float, seen: npt.NDArray[np.int64]) -> float:
    """Return the exact tip height on the lattice: rounded up, but not for less than DIP."""
    return math.ceil((exact_tip(ground, x, y, seen) - DIP) / step) * step


@njit(cache=True, nogil=True, error_model="numpy")
def roomier(path: Doubles) -> Doubles:
    """Return a path with room for twice as many vertices."""
    longer = np.empty((2 * path.shape[0], 3))
    for k in range(path.shape[0]):
        for axis in range(3):
            longer[k, axis] = path[k, axis]
    return longer


@njit(cache=True, nogil=True, error_model="numpy")
def put(trace: Doubles, count: int, x: float, y: float, z: float) -> Doubles:
    """Write vertex `count` of a trace and return the trace, doubled where it was full."""
    if count == trace.shape[0]:
        trace = roomier(trace)
    trace[count, 0], trace[count, 1], trace[count, 2] = x, y, z
    return trace


@njit(cache=True, nogil=True, error_model="numpy")
def chord_cuts(ground: Any, start: Doubles, end: Doubles, depth: float) -> bool:
    """Return whether a straight move cuts any node of the target deeper than `depth`, mm: exact, no sampling.

    The swept envelope of the move is compared with z at every node that a bound by blocks leaves.
    """
    z, high, pitch, x0, y0, shape4 = ground
    move = np.empty(7)
    if not ascending(start, end, move):
        return True
    radius = shape4[3] + RIM
    left, right, near, far = footprint(z, pitch, x0, y0, start, end, radius)
    x_low, x_high = min(start[0], end[0]) - x0, max(start[0], end[0]) - x0
    y_low, y_high = min(start[1], end[1]) - y0, max(start[1], end[1]) - y0
    floor, bow = move[2] + depth, bowed(shape4)
    for bj in range(near // BLOCK, far // BLOCK + 1):
        j0, j1 = max(bj * BLOCK, near), min(bj * BLOCK + BLOCK - 1, far)
        dv = max(j0 * pitch - y_high, y_low - j1 * pitch, 0.0)
        for bi in range(left // BLOCK, right // BLOCK + 1):
            if high[bj, bi] <= floor:
                continue
            i0, i1 = max(bi * BLOCK, left), min(bi * BLOCK + BLOCK - 1, right)
            du = max(i0 * pitch - x_high, x_low - i1 * pitch, 0.0)
            squared = du * du + dv * dv
            if squared > radius * radius or high[bj, bi] - bow * squared <= floor:
                continue
            if high[bj, bi] - depth <= least_swept(move, i0, i1, j0, j1, pitch, x0, y0, shape4):
                continue
            for j in range(j0, j1 + 1):
                dy = j * pitch + y0 - move[1]
                for i in range(i0, i1 + 1):
                    if z[j, i] > floor:
                        dx = i * pitch + x0 - move[0]
                        a, d = dx * move[3] + dy * move[4], dy * move[3] - dx * move[4]
                        if bow > 0.0 and beyond(a, d, move, shape4[3], z[j, i] - depth):
                            continue
                        if z[j, i] - swept(a, d, move, shape4) > depth:
                            return True
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def swept(a: float, d: float, move: Doubles, shape4: Doubles) -> float:
    """Return the height that a move leaves at a node a along and d beside it: as `swept_height`.

    For a ball in one square root: the tip is at w = g √(q / (1 + g²)) before the node, q = R² − d², or at an
    end of the move.
    """
    if shape4[0] > 0.0 or shape4[2] < math.inf:
        return swept_height(a, d, move[5], move[2], move[6], shape4)
    length, g, radius = move[5], move[6], shape4[3]
    q = radius * radius - d * d
    if q < -2.0 * radius * RIM:
        return math.inf
    steep = 1.0 + g * g
    free = g * g / steep * max(q, 0.0)
    if a < 0.0 or free > a * a:
        inside, base = q - a * a, move[2]
    elif a > length and free < (a - length) * (a - length):
        inside, base = q - (a - length) * (a - length), move[2] + g * length
    else:
        return move[2] + g * a + radius - math.sqrt(max(q, 0.0) * steep)
    if inside < -2.0 * radius * RIM:
        return math.inf
    return base + radius - math.sqrt(max(inside, 0.0))


@njit(cache=True, nogil=True, error_model="numpy")
def beyond(a: float, d: float, move: Doubles, radius: float, height: float) -> bool:
    """Return whether a ball's move, carried on for ever, stays above `height` at a node.

    t0 + g a + R − √((1 + g²) (R² − d²)) > height, without the root: most nodes need no more than this.
    """
    above = move[2] + move[6] * a + radius - height
    return above > 0.0 and above * above > (1.0 + move[6] * move[6]) * (radius * radius - d * d) + SLACK


@njit(cache=True, nogil=True, error_model="numpy")
def least_swept(
    move: Doubles, i0: int, i1: int, j0: int, j1: int, pitch: float, x0: float, y0: float, shape4: Doubles
) -> float:
    """Return a bound below all heights that a move leaves in a block of nodes.

    The swept envelope is convex in (a, d) and least at a = 0, d = 0 (the lower end), so in a box of a and |d|
    it is least where these come nearest to that.
    """
    wide, tall = 0.5 * (i1 - i0) * pitch, 0.5 * (j1 - j0) * pitch
    dx, dy = 0.5 * (i0 + i1) * pitch + x0 - move[0], 0.5 * (j0 + j1) * pitch + y0 - move[1]
    ex, ey = abs(move[3]), abs(move[4])
    a, d = dx * move[3] + dy * move[4], abs(dy * move[3] - dx * move[4])
    half = ex * wide + ey * tall
    a = min(max(0.0, a - half), a + half)
    return swept(a, max(d - (ey * wide + ex * tall), 0.0), move, shape4)


@njit(cache=True, nogil=True, error_model="numpy")
def footprint(
    z: Floats, pitch: float, x0: float, y0: float, start: Doubles, end: Doubles, radius: float
) -> Any:
    """Return the first and last column and the first and last row of the nodes near a move."""
    left = max(math.ceil((min(start[0], end[0]) - radius - x0) / pitch), 0)
    right = min(math.floor((max(start[0], end[0]) + radius - x0) / pitch), z.shape[1] - 1)
    near = max(math.ceil((min(start[1], end[1]) - radius - y0) / pitch), 0)
    far = min(math.floor((max(start[1], end[1]) + radius - y0) / pitch), z.shape[0] - 1)
    return left, right, near, far


@njit(cache=True, nogil=True, error_model="numpy")
def trace_straight(
    ground: Any,
    x1: float,
    y1: float,
    z1: float,
    how: Doubles,
    trace: Doubles,
    count: int,
    seen: npt.NDArray[np.int64],
) -> Any:
    """Add to a trace, which holds its start as vertex count − 1, the way straight to (x1, y1, z1).

    Parameters
    ----------
    how : [step, spacing, sag, ledge], mm
        Lattice; distance of samples; how deep a chord may cut; a rise that cannot be followed within this
        distance is climbed straight up at its lower end.
    trace, count : vertices so far

    Returns
    -------
    trace, count : with the new vertices

    Notes
    -----
    Each interval between samples is halved until its chord cuts no node of the target deeper than `sag`.
    """
    step, spacing, sag, ledge = how[0], how[1], how[2], how[3]
    xs, ys = trace[count - 1, 0], trace[count - 1, 1]
    length = math.sqrt((x1 - xs) ** 2 + (y1 - ys) ** 2)
    samples = max(math.ceil(length / spacing), 1)
    waiting = np.empty((64, 3))
    for k in range(1, samples + 1):
        waiting[0, 0], waiting[0, 1], waiting[0, 2] = x1, y1, z1
        if k < samples:
            x = math.floor((xs + (x1 - xs) * k / samples) / step + 0.5) * step
            y = math.floor((ys + (y1 - ys) * k / samples) / step + 0.5) * step
            waiting[0, 0], waiting[0, 1], waiting[0, 2] = x, y, lattice_tip(ground, x, y, step, seen)
        top = 1
        while top > 0:
            xa, ya, za = trace[count - 1, 0], trace[count - 1, 1], trace[count - 1, 2]
            xb, yb, zb = waiting[top - 1, 0], waiting[top - 1, 1], waiting[top - 1, 2]
            if chord_cuts(ground, trace[count - 1], waiting[top - 1], sag):
                x = math.floor(0.5 * (xa + xb) / step + 0.5) * step
                y = math.floor(0.5 * (ya + yb) / step + 0.5) * step
                wide = math.sqrt((xb - xa) ** 2 + (yb - ya) ** 2)
                if wide > ledge and top < 64:
                    waiting[top, 0], waiting[top, 1] = x, y
                    waiting[top, 2] = lattice_tip(ground, x, y, step, seen)
                    top += 1
                    continue
                z = max(za, zb, lattice_tip(ground, x, y, step, seen))
                if za < z:
                    trace = put(trace, count, xa, ya, z)
                    count += 1
                if zb < z:
                    trace = put(trace, count, xb, yb, z)
                    count += 1
            trace = put(trace, count, xb, yb, zb)
            count += 1
            top -= 1
    return trace, count


@njit(cache=True, nogil=True, error_model="numpy")
def slim(ground: Any, trace: Doubles, count: int, step: float, tube: Doubles) -> Doubles:
    """Return a trace with fewer vertices: its ends unchanged, others raised where a chord needs it.

    Parameters
    ----------
    trace : (≥ count, 3) mm, straight as seen from above
    tube : [below, above, across, lift, depth] mm
        As for `relief.planning.simplify.simplify`. Where a new chord cuts the target deeper than `depth` (the
        lattice shifts oblique traces sideways), the old vertices stay.
    """
    n = count
    found = np.empty((n, 3))
    keep = np.zeros(n, dtype=np.bool_)
    path = trace[:n]
    keep_vertices(path, tube[0], tube[1], tube[2], tube[3], keep)
    kept = np.empty(n, dtype=np.int64)
    z = np.empty(n)
    m = 0
    for k in range(n):
        if keep[k]:
            kept[m], z[m] = k, raised(path, k, tube[3])
            m += 1
    settle(path, kept[:m], z, tube[0])
    put(found, NONE, trace[0, 0], trace[0, 1], trace[0, 2])
    count = 1
    end = np.empty(3)
    for i in range(1, m):
        k = kept[i]
        end[0], end[1] = trace[k, 0], trace[k, 1]
        end[2] = trace[k, 2] if k == n - 1 else math.ceil(z[i] / step - 1e-6) * step
        if k > kept[i - 1] + 1 and chord_cuts(ground, found[count - 1], end, tube[4]):
            for old in range(kept[i - 1] + 1, k):
                put(found, count, trace[old, 0], trace[old, 1], trace[old, 2])
                count += 1
        put(found, count, end[0], end[1], end[2])
        count += 1
    return found[:count]


@njit(cache=True, nogil=True, error_model="numpy")
def link(
    ground: Any, start: Doubles, end: Doubles, how: Doubles, tube: Doubles, seen: npt.NDArray[np.int64]
) -> Doubles:
    """Return the slim trace straight from one vertex to another, both included."""
    trace = np.empty((64, 3))
    put(trace, NONE, start[0], start[1], start[2])
    trace, count = trace_straight(ground, end[0], end[1], end[2], how, trace, 1, seen)
    return slim(ground, trace, count, how[0], tube)


@njit(cache=True, nogil=True, error_model="numpy")
def trace_corners(ground: Any, corners: Doubles, how: Doubles, tube: Doubles) -> Doubles:
    """Return the slim trace through corners (n, 2), mm, on the lattice."""
    seen = untouched()
    path = np.empty((256, 3))
    start, end = np.empty(3), np.empty(3)
    count = 0
    for k in range(corners.shape[0]):
        end[0], end[1] = corners[k, 0], corners[k, 1]
        end[2] = lattice_tip(ground, end[0], end[1], how[0], seen)
        if k == 0:
            path = put(path, NONE, end[0], end[1], end[2])
            count = 1
        else:
            part = link(ground, start, end, how, tube, seen)
            for i in range(1, part.shape[0]):
                path = put(path, count, part[i, 0], part[i, 1], part[i, 2])
                count += 1
        start[0], start[1], start[2] = end[0], end[1], end[2]
    return path[:count]


def traces(ground: Any, lines: list[Doubles], how: Doubles, tube: Doubles) -> list[Doubles]:
    """Return the slim trace of each line of corners (n, 2), mm."""
    found: list[Doubles] = [np.empty((0, 3))] * len(lines)

    def trace(first: int, last: int) -> None:
        for k in range(first, last):
            found[k] = trace_corners(ground, lines[k], how, tube)

    in_bands(trace, len(lines), 4)
    return found
