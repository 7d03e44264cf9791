"""Which nodes a path finishes, where it falls short, and the shortest ways to go there.

Legend: an `aim` is what counts as finished, as `Aim` tells it; a `ground` as for `relief.kernels.finish`.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import NONE, ONE, inlined, inner, kernel
from relief.kernels.finish import (
    BLOCK,
    ball_stays_over,
    bowed,
    footprint,
    lattice_tip,
    link,
    lowest_at,
    put,
    untouched,
)
from relief.kernels.sweep import RIM, ascending, swept_height

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Places = npt.NDArray[np.int32]


class Aim(NamedTuple):
    """What counts as finished: a node that a straight move leaves no higher than its limit.

    Parameters
    ----------
    limit : how high the carved surface may be left at each node, mm; −∞ where a node does not count
    most : the highest limit of each block
    pitch, x, y : distance of the nodes and place of node (0, 0), mm
    shape : the cutter, [flat radius, corner radius, cone slope, radius]
    """

    limit: Floats
    most: Floats
    pitch: float
    x: float
    y: float
    shape: Doubles


@inner
def more_places(nodes: Places) -> Places:
    """Return a list of places with room for twice as many, and a block more."""
    longer = np.empty(2 * nodes.shape[0] + BLOCK * BLOCK, dtype=np.int32)
    for k in range(nodes.shape[0]):
        longer[k] = nodes[k]
    return longer


@kernel
def finished_nodes(aim: Any, start: Doubles, end: Doubles, nodes: Places, count: int) -> Any:
    """Add to `nodes` the flat places of the nodes that a straight move finishes.

    Returns
    -------
    nodes, count : the list, longer where it was full, and how many it holds now
    """
    limit, most, pitch, x0, y0, shape4 = aim
    move = np.empty(7)
    if not ascending(start, end, move):
        return nodes, count
    xs, ys, t0, ex, ey, length, g = move[0], move[1], move[2], move[3], move[4], move[5], move[6]
    radius = shape4[3] + RIM
    left, right, near, far = footprint(limit.shape, pitch, x0, y0, start, end, radius)
    x_low, x_high = min(start[0], end[0]) - x0, max(start[0], end[0]) - x0
    y_low, y_high = min(start[1], end[1]) - y0, max(start[1], end[1]) - y0
    bow, ball = bowed(shape4), shape4[3]
    for bj in range(near // BLOCK, far // BLOCK + 1):
        j0, j1 = max(bj * BLOCK, near), min(bj * BLOCK + BLOCK - 1, far)
        dv = max(j0 * pitch - y_high, y_low - j1 * pitch, 0.0)
        for bi in range(left // BLOCK, right // BLOCK + 1):
            if most[bj, bi] < t0:
                continue
            i0, i1 = max(bi * BLOCK, left), min(bi * BLOCK + BLOCK - 1, right)
            du = max(i0 * pitch - x_high, x_low - i1 * pitch, 0.0)
            squared = du * du + dv * dv
            if squared > radius * radius or most[bj, bi] < t0 + bow * squared:
                continue
            wide, tall = 0.5 * (i1 - i0) * pitch, 0.5 * (j1 - j0) * pitch
            dx, dy = 0.5 * (i0 + i1) * pitch + x0 - xs, 0.5 * (j0 + j1) * pitch + y0 - ys
            a, d = lowest_at(dx * ex + dy * ey, dy * ex - dx * ey, ex, ey, wide, tall)
            if bow > 0.0:
                if ball_stays_over(a, d, t0, length, g, ball, np.float64(most[bj, bi])):
                    continue
            elif most[bj, bi] < swept_height(a, d, length, t0, g, shape4):
                continue
            if count + BLOCK * BLOCK > nodes.shape[0]:
                nodes = more_places(nodes)
            for j in range(j0, j1 + 1):
                dy = j * pitch + y0 - ys
                for i in range(i0, i1 + 1):
                    if limit[j, i] >= t0:
                        dx = i * pitch + x0 - xs
                        a, d = dx * ex + dy * ey, dy * ex - dx * ey
                        if bow > 0.0:
                            if ball_stays_over(a, d, t0, length, g, ball, np.float64(limit[j, i])):
                                continue
                        elif swept_height(a, d, length, t0, g, shape4) > limit[j, i]:
                            continue
                        nodes[count] = j * limit.shape[1] + i
                        count += 1
    return nodes, count


@inlined
def finish_piece(
    aim: Any, start: Doubles, end: Doubles, done: npt.NDArray[np.uint8], nodes: Places
) -> Places:
    """Mark (rows × columns) the nodes that a straight move finishes; return the room for their list."""
    nodes, count = finished_nodes(aim, start, end, nodes, NONE)
    for n in range(count):
        done[nodes[n]] = 1
    return nodes


@kernel
def grow_runs(
    ground: Any,
    aim: Any,
    tip: Floats,
    source: Places,
    order: Places,
    leftover: Floats,
    done: npt.NDArray[np.uint8],
    head: Places,
    following: Places,
    reach: float,
    how: Doubles,
    tube: Doubles,
) -> Any:
    """Return runs that finish every node in `order`, each grown from the worst node that is still left.

    Parameters
    ----------
    tip : (rows, columns) mm, exact tip heights at the nodes of the aim
    source : (rows × columns) place of the tip that leaves each node at its best
    order : places of the nodes that fall short, the worst first
    leftover : (rows × columns) how far they fall short
    done : (rows × columns) in/out, 1 where a node is finished or does not count
    head, following : (rows × columns) in/out, for each place of a tip the first node that it leaves at its
        best, for each node the next one; −1 where there is none
    reach : mm, how far the next vertex of a run may lie from its end
    how, tube : as for the traces

    Returns
    -------
    vertices : (n, 3) mm, of all runs
    ends : (runs,) where each run ends in `vertices`

    Notes
    -----
    A run starts at the tip position that leaves the worst node at its best. From either end it goes on to the
    position within reach whose node falls short the most, along the exact tip, finishing what lies between.
    """
    for k in range(order.shape[0] - 1, -1, -1):
        node = order[k]
        following[node] = head[source[node]]
        head[source[node]] = node
    vertices = np.empty((1024, 3))
    ends = np.empty(order.shape[0], dtype=np.int64)
    count, runs = NONE, 0
    seen = untouched()
    back, goal = np.empty((64, 3)), np.empty(3)
    nodes = np.empty(4096, dtype=np.int32)
    for k in range(order.shape[0]):
        if done[order[k]]:
            continue
        place_vertex(ground, aim, np.int64(source[order[k]]), tip.shape[1], how[0], goal, seen)
        nodes = finish_piece(aim, goal, goal, done, nodes)
        done[order[k]] = 1  # the lattice may leave it a hair above its limit
        back = put(back, NONE, goal[0], goal[1], goal[2])
        back, grown = extend(
            ground, aim, tip, head, following, leftover, done, reach, how, tube, back, ONE, nodes, seen
        )
        for n in range(grown - 1, -1, -1):
            vertices = put(vertices, count, back[n, 0], back[n, 1], back[n, 2])
            count += 1
        vertices, count = extend(
            ground, aim, tip, head, following, leftover, done, reach, how, tube, vertices, count, nodes, seen
        )
        ends[runs] = count
        runs += 1
    return vertices[:count], ends[:runs]


@inner
def extend(
    ground: Any,
    aim: Any,
    tip: Floats,
    head: Places,
    following: Places,
    leftover: Floats,
    done: npt.NDArray[np.uint8],
    reach: float,
    how: Doubles,
    tube: Doubles,
    run: Doubles,
    count: int,
    nodes: Places,
    seen: npt.NDArray[np.int64],
) -> Any:
    """Let a run of `count` vertices grow from its last one as far as it goes; return it and its new count."""
    goal = np.empty(3)
    while True:
        place = worst_near(aim, head, following, leftover, done, run[count - 1], reach)
        if place < 0:
            return run, count
        done[head[place]] = 1
        place_vertex(ground, aim, np.int64(place), tip.shape[1], how[0], goal, seen)
        part = link(ground, run[count - 1], goal, how, tube, seen)
        for n in range(part.shape[0] - 1):
            nodes = finish_piece(aim, part[n], part[n + 1], done, nodes)
            run = put(run, count, part[n + 1, 0], part[n + 1, 1], part[n + 1, 2])
            count += 1


@inner
def place_vertex(
    ground: Any, aim: Any, place: Any, columns: int, step: float, vertex: Doubles,
    seen: npt.NDArray[np.int64],
) -> None:  # fmt: skip
    """Write the tip position over a node; where the lattice misses the node, a hair beside it."""
    j, i = place // columns, place % columns
    vertex[0] = math.floor((aim[3] + i * aim[2]) / step + 0.5) * step
    vertex[1] = math.floor((aim[4] + j * aim[2]) / step + 0.5) * step
    vertex[2] = lattice_tip(ground, vertex[0], vertex[1], step, seen)


@inner
def worst_near(
    aim: Any, head: Places, following: Places, leftover: Floats, done: Any, vertex: Doubles, reach: float
) -> int:
    """Return the place of the tip within reach whose node falls short the most, or −1.

    Nodes that are finished by now are dropped from the lists of their tips' places.
    """
    rows, columns = aim[0].shape
    u, v, span = (vertex[0] - aim[3]) / aim[2], (vertex[1] - aim[4]) / aim[2], reach / aim[2]
    best, found = 0.0, -1
    for j in range(max(math.ceil(v - span), 0), min(math.floor(v + span), rows - 1) + 1):
        for i in range(max(math.ceil(u - span), 0), min(math.floor(u + span), columns - 1) + 1):
            place = j * columns + i
            node = head[place]
            while node >= 0 and done[node]:
                node = following[node]
            head[place] = node
            if node >= 0 and (i - u) ** 2 + (j - v) ** 2 <= span * span:
                dist = math.sqrt((i - u) ** 2 + (j - v) ** 2) / span
                score = leftover[node] / (0.3 + dist)
                if score > best:
                    best, found = score, place
    return found
