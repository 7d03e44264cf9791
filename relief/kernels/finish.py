"""Exact tip heights along any line, and which nodes a line finishes.

Legend: a `ground` is the target as `Ground` tells it. A trace is a row of vertices (x, y, z) on the lattice
of the program text, z rounded up, none of its chords more than a set depth below the exact tip surface.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from relief.kernels.bands import in_bands
from relief.kernels.compiled import NONE, ONE, inner, kernel
from relief.kernels.simplify import fewest_moves
from relief.kernels.sweep import RIM, ascending, profile_at, swept_height

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

BLOCK = 4  # nodes along a side of the blocks that bound a search
SLACK = 1e-6  # mm²: so that rounding passes over nothing
STEEPEST = 6.0  # a tolerance normal to the path counts at most this many times straight up
WINDOW = 300  # samples whose vertices are chosen at once
EVEN = 1e-9  # mm: what rounding may take
DIP = 0.0004  # mm: a vertex may lie so much below the exact tip; less than a controller resolves


class Ground(NamedTuple):
    """The target that paths are traced over.

    Its type is kept with what is compiled for it, so it has to live beside the kernels (see `cache`).

    Parameters
    ----------
    z : heights, mm
    high : the highest of each block of BLOCK × BLOCK nodes
    touch : for each node the place of the one that a tip over it touches
    room : for each node how far, mm, a path may run above the exact tip
    pitch, x, y : distance of the nodes and place of node (0, 0), mm
    shape : the cutter, [flat radius, corner radius, cone slope, radius]
    """

    z: Floats
    high: Floats
    touch: npt.NDArray[np.int32]
    room: Floats
    pitch: float
    x: float
    y: float
    shape: Doubles


def blocks(z: Floats) -> Floats:
    """Return the highest value in each block of BLOCK × BLOCK nodes."""
    rows, columns = z.shape
    tall, wide = -(-rows // BLOCK), -(-columns // BLOCK)
    padded = np.full((tall * BLOCK, wide * BLOCK), -np.inf, dtype=np.float32)
    padded[:rows, :columns] = z
    return np.ascontiguousarray(padded.reshape(tall, BLOCK, wide, BLOCK).max(axis=(1, 3)))


@inner
def bowed(shape4: Doubles) -> float:
    """Return c, 1/mm, with s(r) ≥ c r² for every r: 1/(2R) for a ball, 0 for what has a flat or a cone."""
    return 0.5 / shape4[3] if shape4[0] == 0.0 and shape4[2] == math.inf else 0.0


@kernel
def exact_tip(ground: Any, x: float, y: float, seen: npt.NDArray[np.int64]) -> float:
    """Return the lowest tip height at (x, y), mm: max of z − s over nodes within the radius, or −∞.

    `seen` is the node (row, column) that was touched last, or (−1, 0): a bound to start from, changed in
    place. Blocks of nodes whose highest z less their least s is not above what is found are passed over.
    Cost: about one test a block in the cutter's square and two blocks of nodes.
    """
    z, high, _, _, pitch, x0, y0, shape4 = ground
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


@kernel
def near_tip(ground: Any, x: float, y: float) -> float:
    """Return a height, mm, hardly below the exact tip: over the nodes that the tips round about touch.

    It misses what only a position between nodes can touch. Where none of those is in reach it is over the
    node below. Cost: five tests.
    """
    z, _, touch, _, pitch, x0, y0, shape4 = ground
    u, v = (x - x0) / pitch, (y - y0) / pitch
    i0, j0 = min(max(math.floor(u), 0), z.shape[1] - 2), min(max(math.floor(v), 0), z.shape[0] - 2)
    best, last = -math.inf, -1
    below = (j0 + min(round(v - j0), 1)) * z.shape[1] + i0 + min(round(u - i0), 1)
    for k in range(5):
        place = touch[j0 + k // 2, i0 + k % 2] if k < 4 else below
        if place != last:
            last = place
            j, i = place // z.shape[1], place % z.shape[1]
            r = pitch * math.sqrt((i - u) ** 2 + (j - v) ** 2)
            best = max(best, z[j, i] - profile_at(r, shape4))
    return best


@kernel
def untouched() -> npt.NDArray[np.int64]:
    """Return the `seen` of a search that has touched no node yet."""
    seen = np.empty(2, dtype=np.int64)
    seen[0], seen[1] = -1, 0
    return seen


@inner
def lattice_tip(ground: Any, x: float, y: float, step: float, seen: npt.NDArray[np.int64]) -> float:
    """Return the exact tip height on the lattice: rounded up, but not for less than DIP."""
    return math.ceil((exact_tip(ground, x, y, seen) - DIP) / step) * step


@inner
def roomier(path: Doubles) -> Doubles:
    """Return a path with room for twice as many vertices."""
    longer = np.empty((2 * path.shape[0], 3))
    for k in range(path.shape[0]):
        for axis in range(3):
            longer[k, axis] = path[k, axis]
    return longer


@inner
def put(trace: Doubles, count: int, x: float, y: float, z: float) -> Doubles:
    """Write vertex `count` of a trace and return the trace, doubled where it was full."""
    if count == trace.shape[0]:
        trace = roomier(trace)
    trace[count, 0], trace[count, 1], trace[count, 2] = x, y, z
    return trace


@kernel
def chord_cuts(ground: Any, start: Doubles, end: Doubles, depth: float) -> bool:
    """Return whether a straight move cuts any node of the target deeper than `depth`, mm: exact, no sampling.

    The swept envelope of the move is compared with z at every node that a bound by blocks leaves.
    """
    z, high, _, _, pitch, x0, y0, shape4 = ground
    move = np.empty(7)
    if not ascending(start, end, move):
        return True
    xs, ys, t0, ex, ey, length, g = move[0], move[1], move[2], move[3], move[4], move[5], move[6]
    radius = shape4[3] + RIM
    left, right, near, far = footprint(z.shape, pitch, x0, y0, start, end, radius)
    x_low, x_high = min(start[0], end[0]) - x0, max(start[0], end[0]) - x0
    y_low, y_high = min(start[1], end[1]) - y0, max(start[1], end[1]) - y0
    floor, bow, ball = t0 + depth, bowed(shape4), shape4[3]
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
            wide, tall = 0.5 * (i1 - i0) * pitch, 0.5 * (j1 - j0) * pitch
            dx, dy = 0.5 * (i0 + i1) * pitch + x0 - xs, 0.5 * (j0 + j1) * pitch + y0 - ys
            a, d = lowest_at(dx * ex + dy * ey, dy * ex - dx * ey, ex, ey, wide, tall)
            if bow > 0.0:
                if ball_stays_over(a, d, t0, length, g, ball, np.float64(high[bj, bi]) - depth):
                    continue
            elif high[bj, bi] - depth <= swept_height(a, d, length, t0, g, shape4):
                continue
            for j in range(j0, j1 + 1):
                dy = j * pitch + y0 - ys
                for i in range(i0, i1 + 1):
                    if z[j, i] > floor:
                        dx = i * pitch + x0 - xs
                        a, d = dx * ex + dy * ey, dy * ex - dx * ey
                        if bow > 0.0:
                            if not ball_stays_over(a, d, t0, length, g, ball, np.float64(z[j, i]) - depth):
                                return True
                        elif z[j, i] - swept_height(a, d, length, t0, g, shape4) > depth:
                            return True
    return False


@inner
def ball_stays_over(
    a: float, d: float, t0: float, length: float, g: float, radius: float, height: float
) -> bool:
    """Return whether a ball's move leaves a node, a along and d beside it, at or above a height: no root.

    As `swept_height`, with q = R² − d²: the tip is at w = g √(q / (1 + g²)) before the node, or at an end of
    the move. Carried on for ever the move would leave t0 + g a + R − √((1 + g²) q), and nothing higher.
    """
    q, steep = radius * radius - d * d, 1.0 + g * g
    over = t0 + radius - height
    rise = over + g * a
    if rise >= 0.0 and rise * rise > steep * q + SLACK:
        return True
    free = g * g / steep * max(q, 0.0)
    beyond = a - length
    if a < 0.0 or free > a * a:
        rise, q = over, q - a * a
    elif beyond > 0.0 and free < beyond * beyond:
        rise, q = over + g * length, q - beyond * beyond
    else:
        q *= steep
    return q < -2.0 * radius * RIM or (rise >= 0.0 and rise * rise >= q)


@inner
def lowest_at(a: float, d: float, ex: float, ey: float, wide: float, tall: float) -> Any:
    """Return (along, beside) of where a move leaves the least in a box: half its sides, its middle at (a, d).

    The swept envelope is convex in (a, d) and least at a = 0, d = 0 (the lower end), so in a box of a and |d|
    it is least where these come nearest to that.
    """
    ex, ey = abs(ex), abs(ey)
    half = ex * wide + ey * tall
    return min(max(0.0, a - half), a + half), max(abs(d) - (ey * wide + ex * tall), 0.0)


@inner
def footprint(
    shape: tuple[int, int], pitch: float, x0: float, y0: float, start: Doubles, end: Doubles, radius: float
) -> Any:
    """Return the first and last column and the first and last row of the nodes near a move."""
    left = max(math.ceil((min(start[0], end[0]) - radius - x0) / pitch), 0)
    right = min(math.floor((max(start[0], end[0]) + radius - x0) / pitch), shape[1] - 1)
    near = max(math.ceil((min(start[1], end[1]) - radius - y0) / pitch), 0)
    far = min(math.floor((max(start[1], end[1]) + radius - y0) / pitch), shape[0] - 1)
    return left, right, near, far


@inner
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


@inner
def sample_way(ground: Any, start: Doubles, end: Doubles, how: Doubles, way: Doubles) -> Any:
    """Return samples (x, y, near tip) on the way straight from one vertex to another, and how many.

    They are no further apart than half of `how[1]` seen from above, and on slopes so near that a cap of the
    cutter's radius rises no more above a chord than `how[4]` tells, but for rises steeper than that within
    `how[3]`. The first and the last are the vertices themselves.
    """
    step, spacing, ledge, bulge = how[0], how[1], how[3], how[4]
    length = math.sqrt((end[0] - start[0]) ** 2 + (end[1] - start[1]) ** 2)
    samples = max(math.ceil(2.0 * length / spacing), 1)
    waiting = np.empty((64, 3))
    way = put(way, NONE, start[0], start[1], start[2])
    count = ONE
    for k in range(1, samples + 1):
        waiting[0, 0], waiting[0, 1], waiting[0, 2] = end[0], end[1], end[2]
        if k < samples:
            waiting[0, 0] = math.floor((start[0] + (end[0] - start[0]) * k / samples) / step + 0.5) * step
            waiting[0, 1] = math.floor((start[1] + (end[1] - start[1]) * k / samples) / step + 0.5) * step
            waiting[0, 2] = near_tip(ground, waiting[0, 0], waiting[0, 1])
        top = 1
        while top > 0:
            xa, ya, za = way[count - 1, 0], way[count - 1, 1], way[count - 1, 2]
            xb, yb, zb = waiting[top - 1, 0], waiting[top - 1, 1], waiting[top - 1, 2]
            wide = math.sqrt((xb - xa) ** 2 + (yb - ya) ** 2)
            if wide > ledge and (wide * wide + (zb - za) ** 2) ** 1.5 > bulge * wide and top < 64:
                waiting[top, 0] = math.floor(0.5 * (xa + xb) / step + 0.5) * step
                waiting[top, 1] = math.floor(0.5 * (ya + yb) / step + 0.5) * step
                waiting[top, 2] = near_tip(ground, waiting[top, 0], waiting[top, 1])
                top += 1
                continue
            way = put(way, count, xb, yb, zb)
            count += 1
            top -= 1
    return way, count


@inner
def set_gates(ground: Any, way: Doubles, n: int, tube: Doubles, gates: Doubles) -> None:
    """Write the gates that samples set: from `tube[0]` below them to the room above, normal to the path."""
    _, _, _, room, pitch, x0, y0, _ = ground
    steep = 1.0
    for k in range(n):
        gates[k, 0] = math.sqrt((way[k, 0] - way[0, 0]) ** 2 + (way[k, 1] - way[0, 1]) ** 2)
        ahead = steep
        if k < n - 1:
            wide = (way[k + 1, 0] - way[k, 0]) ** 2 + (way[k + 1, 1] - way[k, 1]) ** 2
            ahead = math.sqrt(1.0 + (way[k + 1, 2] - way[k, 2]) ** 2 / wide) if wide > 0.0 else STEEPEST
        gates[k, 1] = way[k, 2] - tube[0]
        i = min(max(math.floor((way[k, 0] - x0) / pitch + 0.5), 0), room.shape[1] - 1)
        j = min(max(math.floor((way[k, 1] - y0) / pitch + 0.5), 0), room.shape[0] - 1)
        gates[k, 2] = way[k, 2] + room[j, i] * min(steep if k > 0 else ahead, ahead, STEEPEST)
        steep = ahead


@inner
def raise_gates(
    ground: Any, way: Doubles, gates: Doubles, known: Any, first: int, last: int, tube: Doubles,
    seen: npt.NDArray[np.int64],
) -> bool:  # fmt: skip
    """Raise the gates after `first` and up to `last`: to the exact tip, or else to less below it.

    `known` tells which of the two was done before. Return whether any was raised.
    """
    changed = False
    for k in range(first + 1, last + 1):
        if known[k] == 0:
            known[k] = 1
            rise = exact_tip(ground, way[k, 0], way[k, 1], seen) - way[k, 2]
            if rise > EVEN:
                changed = True
                way[k, 2] += rise
                gates[k, 1] += rise
                gates[k, 2] += rise
    if not changed:
        for k in range(first + 1, last + 1):
            if known[k] == 1:
                known[k] = 2
                changed = True
                gates[k, 1] += tube[0] - tube[3]
    return changed


@inner
def link(
    ground: Any, start: Doubles, end: Doubles, how: Doubles, tube: Doubles, seen: npt.NDArray[np.int64]
) -> Doubles:
    """Return the trace straight from one vertex to another, both included, with few vertices.

    Parameters
    ----------
    how : [step, spacing, sag, ledge, bulge], as for `trace_straight` and `sample_way`
    tube : [below, above, depth, closer] mm
        How far a chord may lie below the samples and, normal to the path, above them. One that cuts the
        target deeper than `depth` all the same is planned anew from exact tips, then no more than `closer`
        below them, and traced closely in the end.
    """
    way, n = sample_way(ground, start, end, how, np.empty((64, 3)))
    gates, stops, heights = np.empty((n, 3)), np.empty(WINDOW, dtype=np.int64), np.empty(WINDOW)
    set_gates(ground, way, n, tube, gates)
    known = np.zeros(n, dtype=np.uint8)
    trace = np.empty((64, 3))
    trace = put(trace, NONE, start[0], start[1], start[2])
    length, first = ONE, NONE
    goal = np.empty(3)
    while first < n - 1:
        ahead = min(n - first, WINDOW)
        final = first + ahead == n
        z = end[2] if final else math.ceil((way[first + ahead - 1, 2] - DIP) / how[0]) * how[0]
        count = fewest_moves(gates[first:], ahead, trace[length - 1, 2], z, how[0], stops, heights)
        here = first
        for c in range(1, count if final else max(count - 2, 2)):
            k = here + stops[c]
            goal[0], goal[1], goal[2] = way[k, 0], way[k, 1], heights[c]
            if chord_cuts(ground, trace[length - 1], goal, tube[2]):
                if raise_gates(ground, way, gates, known, first, min(k, n - 2), tube, seen):
                    break
                trace, length = trace_straight(ground, goal[0], goal[1], goal[2], how, trace, length, seen)
            else:
                trace = put(trace, length, goal[0], goal[1], goal[2])
                length += 1
            first = k
    return trace[:length]


@kernel
def trace_corners(ground: Any, corners: Doubles, how: Doubles, tube: Doubles) -> Doubles:
    """Return the slim trace through corners (n, 2), mm, on the lattice."""
    seen = untouched()
    path = np.empty((256, 3))
    start, end = np.empty(3), np.empty(3)
    count = NONE
    for k in range(corners.shape[0]):
        end[0], end[1] = corners[k, 0], corners[k, 1]
        end[2] = lattice_tip(ground, end[0], end[1], how[0], seen)
        if k == 0:
            path = put(path, NONE, end[0], end[1], end[2])
            count = ONE
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
