"""Bringing repair runs into a path, and making the path shorter while it still finishes every node.

Legend: see `relief.kernels.finish` (ground, trace) and `relief.kernels.cover` (aim, node). A path is kept
as vertices with, for each, the number of the one that follows; a piece is the straight move that leaves a
vertex.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import NONE, ONE, inlined, inner, kernel
from relief.kernels.cover import finished_nodes
from relief.kernels.finish import chord_cuts, link, near_tip, put, untouched
from relief.kernels.sweep import profile_at

Doubles = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]
Places = npt.NDArray[np.int32]

AROUND = 4  # vertices that a long piece gets on either side of a detour
MOST = 40  # vertices that one replacement may skip
BESIDE = 0.005  # mm: how far beside the new path a vertex that is left out may lie
LONGEST = 10.0  # mm: longest straight piece that leaving out vertices makes
TRIES = 2  # replacements along the exact tip that are tried from one vertex


@inner
def apart(a: Doubles, b: Doubles) -> float:
    """Return the distance of two vertices."""
    return math.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)


@inner
def lengthened(values: Counts, needed: int) -> Counts:
    """Return the values with room for at least `needed`, new ones −1."""
    if needed <= values.shape[0]:
        return values
    longer = np.full(max(2 * values.shape[0], needed), -1, dtype=np.int64)
    for k in range(values.shape[0]):
        longer[k] = values[k]
    return longer


@inner
def enter_piece(
    vertices: Doubles, start: int, end: int, frame: Doubles, head: Counts, entries: Counts, count: int
) -> Any:
    """Note a piece in the cells that its middle line passes.

    Parameters
    ----------
    frame : [left, near, cell's side, cells across, cells along]
    head : (cells,) first entry of each; entries : pairs of (vertex, next entry); count : entries so far
    """
    left, near, cell = frame[0], frame[1], frame[2]
    wide, tall = int(frame[3]), int(frame[4])
    dx, dy = vertices[end, 0] - vertices[start, 0], vertices[end, 1] - vertices[start, 1]
    if not math.isfinite(dx + dy):
        return entries, count  # between two cuts
    steps = max(math.ceil(2.0 * math.sqrt(dx * dx + dy * dy) / cell), 1)
    last = -1
    for k in range(steps + 1):
        i = int((vertices[start, 0] + dx * k / steps - left) / cell)
        j = int((vertices[start, 1] + dy * k / steps - near) / cell)
        place = min(max(j, 0), tall - 1) * wide + min(max(i, 0), wide - 1)
        if place == last:
            continue
        last = place
        entries = lengthened(entries, 2 * count + 2)
        entries[2 * count], entries[2 * count + 1] = start, head[place]
        head[place] = count
        count += 1
    return entries, count


@inlined
def cheapest(
    vertices: Doubles, following: Counts, run: Doubles, frame: Doubles, head: Counts, entries: Counts
) -> Any:
    """Return the piece, and the part of it from 0 to 1, from which going to a run and back is shortest."""
    left, near, cell = frame[0], frame[1], frame[2]
    wide, tall = int(frame[3]), int(frame[4])
    a, b = run[0], run[-1]
    span = apart(a, b)
    best, piece, at = math.inf, 0, 0.0
    ci, cj = int((a[0] - left) / cell), int((a[1] - near) / cell)
    point = np.empty(3)
    for ring in range(wide + tall):
        if 2.0 * (ring - 1) * cell - span >= best:
            break
        for j in range(max(cj - ring, 0), min(cj + ring, tall - 1) + 1):
            whole = j == cj - ring or j == cj + ring
            for i in range(max(ci - ring, 0), min(ci + ring, wide - 1) + 1):
                if not whole and i != ci - ring and i != ci + ring:
                    continue
                entry = head[j * wide + i]
                while entry >= 0:
                    k = entries[2 * entry]
                    entry = entries[2 * entry + 1]
                    n = following[k]
                    if n < 0:
                        continue
                    for goal in range(2):
                        part = nearest_part(vertices[k], vertices[n], a if goal == 0 else b)
                        for axis in range(3):
                            point[axis] = vertices[k, axis] + part * (vertices[n, axis] - vertices[k, axis])
                        cost = apart(point, a) + apart(point, b)
                        if cost < best - 1e-9:
                            best, piece, at = cost, k, part
    return piece, at


@inner
def nearest_part(start: Doubles, end: Doubles, point: Doubles) -> float:
    """Return where on a piece, 0 to 1, it is nearest to a point."""
    dx, dy, dz = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    squared = dx * dx + dy * dy + dz * dz
    if squared == 0.0:
        return 0.0
    dot = (point[0] - start[0]) * dx + (point[1] - start[1]) * dy + (point[2] - start[2]) * dz
    return min(max(dot / squared, 0.0), 1.0)


@inner
def leaving_point(
    ground: Any, start: Doubles, end: Doubles, part: float, step: float, depth: float, point: Doubles
) -> int:
    """Write the vertex where the path leaves a piece; return 0 at its start, 1 at its end, 2 between.

    Between only if both halves of the piece still clear the target; rounded down if that lets them.
    """
    wide = math.hypot(end[0] - start[0], end[1] - start[1])
    if part * wide > 2.0 * step and (1.0 - part) * wide > 2.0 * step:
        point[0] = math.floor((start[0] + part * (end[0] - start[0])) / step + 0.5) * step
        point[1] = math.floor((start[1] + part * (end[1] - start[1])) / step + 0.5) * step
        z = (start[2] + part * (end[2] - start[2])) / step
        for down in (math.floor(z + 1e-6), math.ceil(z - 1e-6)):
            point[2] = down * step
            if not chord_cuts(ground, start, point, depth) and not chord_cuts(ground, point, end, depth):
                return 2
    side = 1 if part > 0.5 else 0
    for axis in range(3):
        point[axis] = end[axis] if side == 1 else start[axis]
    return side


@inlined
def insert(
    part: Doubles,
    first: int,
    k: int,
    vertices: Doubles,
    following: Counts,
    count: int,
    frame: Doubles,
    head: Counts,
    entries: Counts,
    noted: int,
) -> Any:
    """Put the vertices of a part, from `first` on, after vertex k of the path; return the last one first."""
    goal = following[k]
    for m in range(first, part.shape[0]):
        vertices = put(vertices, count, part[m, 0], part[m, 1], part[m, 2])
        following = lengthened(following, vertices.shape[0])
        following[k] = count
        entries, noted = enter_piece(vertices, k, count, frame, head, entries, noted)
        k = count
        count += 1
    following[k] = goal
    if goal >= 0:
        entries, noted = enter_piece(vertices, k, goal, frame, head, entries, noted)
    return k, vertices, following, count, entries, noted


@kernel
def bring_in(
    ground: Any, path: Doubles, runs: Doubles, ends: Counts, frame: Doubles, how: Doubles, tube: Doubles
) -> Any:
    """Return the path with every run inserted where leaving for it costs least, and the vertices touched.

    Parameters
    ----------
    path : (n, 3) mm, n ≥ 2, one cut from end to end
    runs : (m, 3) mm, vertices of all runs; ends : (runs,) where each ends
    frame : [left, near, cell's side, cells across, cells along] of the cells that pieces are looked up by
    how, tube : as for the traces

    Notes
    -----
    The path leaves a piece at the point nearest to the run's start or to its end and comes back there; the
    cost is the way there and back, 3-D and straight. Links follow the exact tip. Later runs may leave from
    earlier ones.
    """
    n = path.shape[0]
    vertices = np.empty((2 * (n + runs.shape[0]) + 64, 3))
    following = np.full(vertices.shape[0], -1, dtype=np.int64)
    head = np.full(int(frame[3] * frame[4]), -1, dtype=np.int64)
    entries = np.full(1024, -1, dtype=np.int64)
    noted = NONE
    for k in range(n):
        put(vertices, k, path[k, 0], path[k, 1], path[k, 2])
    for k in range(n - 1):
        following[k] = k + 1
        entries, noted = enter_piece(vertices, k, k + 1, frame, head, entries, noted)
    count, first = n, 0
    seen = untouched()
    leave = np.empty((1, 3))
    left = np.zeros(n, dtype=np.bool_)
    for r in range(ends.shape[0]):
        run = runs[first : ends[r]]
        first = ends[r]
        k, part = cheapest(vertices, following, run, frame, head, entries)
        side = leaving_point(ground, vertices[k], vertices[following[k]], part, how[0], tube[2], leave[0])
        out = link(ground, leave[0], run[0], how, tube, seen)
        home = link(ground, run[-1], leave[0], how, tube, seen)
        if side == 1:
            k = following[k]
        if k < n:
            left[k] = True
        for number in range(4):
            loop = leave if number == 0 else out if number == 1 else run if number == 2 else home
            if number > 0 or side == 2:
                k, vertices, following, count, entries, noted = insert(
                    loop, min(number, 1), k, vertices, following, count, frame, head, entries, noted
                )
    found, marked = np.empty((count, 3)), np.empty(count, dtype=np.bool_)
    k, m = NONE, NONE
    while k >= 0:
        put(found, m, vertices[k, 0], vertices[k, 1], vertices[k, 2])
        marked[m] = k >= n or left[k]
        m += 1
        k = following[k]
    return found[:m], marked[:m]


@inner
def in_order(vertices: Doubles, following: Counts) -> Doubles:
    """Return the vertices from vertex 0 on in the order of the path."""
    found = np.empty((vertices.shape[0], 3))
    k, m = NONE, NONE
    while k >= 0:
        put(found, m, vertices[k, 0], vertices[k, 1], vertices[k, 2])
        m += 1
        k = following[k]
    return found[:m]


@kernel
def split(
    ground: Any, path: Doubles, marked: npt.NDArray[np.bool_], apart_by: float, how: Doubles, depth: float
) -> Doubles:
    """Return the path with more vertices in the pieces that end at a marked one, for `shorten` to use.

    They lie once to AROUND times `apart_by` mm from the marked end, where both halves still clear the target.
    """
    found = np.empty((2 * path.shape[0], 3))
    found = put(found, NONE, path[0, 0], path[0, 1], path[0, 2])
    count = ONE
    point = np.empty(3)
    for k in range(path.shape[0] - 1):
        length = apart(path[k], path[k + 1])
        at = 0.0
        for m in range(2 * AROUND):
            after = m < AROUND
            if not marked[k if after else k + 1]:
                continue
            goal = (m + 1) * apart_by if after else length - (2 * AROUND - m) * apart_by
            if goal < at + 0.5 * apart_by or goal > length - 0.5 * apart_by:
                continue
            part = (goal - at) / (length - at)
            if leaving_point(ground, found[count - 1], path[k + 1], part, how[0], depth, point) == 2:
                found = put(found, count, point[0], point[1], point[2])
                count += 1
                at = goal
        found = put(found, count, path[k + 1, 0], path[k + 1, 1], path[k + 1, 2])
        count += 1
    return found[:count]


@kernel
def cover(aim: Any, path: Doubles, counts: npt.NDArray[np.uint16]) -> Any:
    """Count for each node the pieces of a path that finish it.

    Returns
    -------
    nodes : places of the nodes that each piece finishes, piece after piece
    spans : (n, 2) first and end of each piece's own in `nodes`; empty for the last vertex
    """
    n = path.shape[0]
    nodes = np.empty(1 << 16, dtype=np.int32)
    spans = np.zeros((n, 2), dtype=np.int64)
    count = NONE
    for k in range(n - 1):
        spans[k, 0] = count
        nodes, count = finished_nodes(aim, path[k], path[k + 1], nodes, count)
        spans[k, 1] = count
        for m in range(spans[k, 0], count):
            counts[nodes[m]] += 1
    return nodes[:count], spans


@inlined
def hopeless(
    ground: Any,
    aim: Any,
    source: Places,
    node: int,
    start: Doubles,
    end: Doubles,
    close: float,
    hardest: Doubles,
) -> bool:
    """Return whether the exact tip straight from start to end will hardly finish a node.

    Judged at the point of the way that is nearest, as seen from above, to the tip position that leaves the
    node at its best. `hardest`: largest such distance so far; nodes that are easier are not looked at.
    """
    columns = aim[0].shape[1]
    best = source[node]
    x, y = aim[3] + best % columns * aim[2], aim[4] + best // columns * aim[2]
    dx, dy = end[0] - start[0], end[1] - start[1]
    squared = dx * dx + dy * dy
    part = 0.0
    if squared > 0.0:
        part = min(max(((x - start[0]) * dx + (y - start[1]) * dy) / squared, 0.0), 1.0)
    px, py = start[0] + part * dx, start[1] + part * dy
    off = math.hypot(x - px, y - py)
    if off <= hardest[0]:
        return False
    hardest[0] = off
    if off > close:
        return True
    r = math.hypot(aim[3] + node % columns * aim[2] - px, aim[4] + node // columns * aim[2] - py)
    return near_tip(ground, px, py) + profile_at(r, aim[5]) > aim[0][node // columns, node % columns]


@inner
def recount(
    nodes: Places,
    owned: Counts,
    following: Counts,
    k: int,
    goal: int,
    counts: npt.NDArray[np.uint16],
    by: int,
) -> None:
    """Add to the counts of the nodes that the pieces from vertex k to vertex `goal` finish."""
    while k != goal:
        for m in range(owned[k, 0], owned[k, 1]):
            counts[nodes[m]] += by
        k = following[k]


@inlined
def promising(
    ground: Any,
    aim: Any,
    source: Places,
    nodes: Places,
    owned: Counts,
    following: Counts,
    counts: npt.NDArray[np.uint16],
    vertices: Doubles,
    k: int,
    goal: int,
    close: float,
) -> bool:
    """Return whether the way straight from vertex k to vertex `goal` may finish what nothing else does."""
    start, end = vertices[k], vertices[goal]
    hardest = np.zeros(1)
    while k != goal:
        for m in range(owned[k, 0], owned[k, 1]):
            node = nodes[m]
            if counts[node] == 0 and hopeless(ground, aim, source, node, start, end, close, hardest):
                return False
        k = following[k]
    return True


@inlined
def swap_in(
    aim: Any,
    part: Doubles,
    k: int,
    goal: int,
    vertices: Doubles,
    following: Counts,
    owned: Counts,
    count: int,
    nodes: Places,
    total: int,
    counts: npt.NDArray[np.uint16],
) -> Any:
    """Put a trace in place of the pieces from vertex k to `goal`, whose nodes are no longer counted.

    Returns
    -------
    nodes, total : what all pieces finish
    count : vertices so far
    taken : False where it would leave a node unfinished; then nothing is changed
    """
    first = total
    marks = np.empty(part.shape[0], dtype=np.int64)
    for m in range(part.shape[0] - 1):
        marks[m] = total
        nodes, total = finished_nodes(aim, part[m], part[m + 1], nodes, total)
    marks[part.shape[0] - 1] = total
    for m in range(first, total):
        counts[nodes[m]] += 1
    whole = count + part.shape[0] <= vertices.shape[0]
    at = k
    while at != goal and whole:
        for m in range(owned[at, 0], owned[at, 1]):
            if counts[nodes[m]] == 0:
                whole = False
                break
        at = following[at]
    if not whole:
        for m in range(first, total):
            counts[nodes[m]] -= 1
        return nodes, first, count, False
    at = k
    for m in range(part.shape[0] - 1):
        owned[at, 0], owned[at, 1] = marks[m], marks[m + 1]
        following[at] = count
        if m == part.shape[0] - 2:
            following[at] = goal
        else:
            put(vertices, count, part[m + 1, 0], part[m + 1, 1], part[m + 1, 2])
            at = count
            count += 1
    return nodes, total, count, True


@inlined
def detours(
    vertices: Doubles,
    following: Counts,
    k: int,
    window: float,
    gain: float,
    goals: Counts,
    arcs: Doubles,
    savings: Doubles,
) -> int:
    """Write the vertices after k to which the way straight is shorter, seen from above; return how many."""
    found, at = 0, k
    arc, flat = 0.0, 0.0
    for m in range(goals.shape[0]):
        n = following[at]
        if n < 0:
            break
        arc += apart(vertices[at], vertices[n])
        if arc > window:
            break
        flat += math.hypot(vertices[at, 0] - vertices[n, 0], vertices[at, 1] - vertices[n, 1])
        saved = flat - math.hypot(vertices[k, 0] - vertices[n, 0], vertices[k, 1] - vertices[n, 1])
        at = n
        if m > 0 and saved > gain:
            goals[found], savings[found], arcs[found] = n, saved, arc
            found += 1
    return found


@inlined
def needless(a: Doubles, v: Doubles, b: Doubles, tube: Doubles) -> bool:
    """Return whether vertex v lies so near the way straight from a to b that it may be left out."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    wide = math.hypot(dx, dy)
    if wide == 0.0 or wide > LONGEST:
        return False
    along = ((v[0] - a[0]) * dx + (v[1] - a[1]) * dy) / wide
    beside = ((v[1] - a[1]) * dx - (v[0] - a[0]) * dy) / wide
    if along <= 0.0 or along >= wide or abs(beside) > BESIDE:
        return False
    above = a[2] + (b[2] - a[2]) * along / wide - v[2]
    return -2.0 * tube[2] <= above <= tube[1]


@kernel
def shorten(
    ground: Any,
    aim: Any,
    source: Places,
    path: Doubles,
    nodes: Places,
    spans: Counts,
    counts: npt.NDArray[np.uint16],
    limits: Doubles,
    how: Doubles,
    tube: Doubles,
) -> Doubles:
    """Return the path with detours cut short, and vertices left out, wherever every node stays finished.

    Parameters
    ----------
    source : (rows × columns) place of the tip that leaves each node at its best
    path, nodes, spans, counts : a path and what its pieces finish, as `cover` tells
    limits : [window, gain, close], mm
        Longest part of the path that is replaced at once; least length to be saved by that; how far from
        the way the best tip position of a node may lie that the way must finish.

    Notes
    -----
    From each vertex the way straight to one of those that follow is tried along the exact tip, the largest
    saving first; it is taken when every node that the part left out finishes is still finished by some piece.
    Where none is, the next vertex is left out if it can be.
    """
    n = path.shape[0]
    vertices = np.empty((2 * n + 1024, 3))
    for k in range(n):
        put(vertices, k, path[k, 0], path[k, 1], path[k, 2])
    following = np.full(vertices.shape[0], -1, dtype=np.int64)
    owned = np.zeros((vertices.shape[0], 2), dtype=np.int64)
    for k in range(n - 1):
        following[k] = k + 1
        owned[k, 0], owned[k, 1] = spans[k, 0], spans[k, 1]
    total, count = nodes.shape[0], n
    goals = np.empty(MOST, dtype=np.int64)
    arcs, savings = np.empty(MOST), np.empty(MOST)
    seen = untouched()
    chord = np.empty((2, 3))
    k = NONE
    while k >= 0:
        tries, taken = 0, False
        candidates = detours(vertices, following, k, limits[0], limits[1], goals, arcs, savings)
        for _ in range(candidates):
            best = 0
            for m in range(1, candidates):
                if savings[m] > savings[best]:
                    best = m
            goal, arc = goals[best], arcs[best]
            savings[best] = -1.0
            recount(nodes, owned, following, k, goal, counts, -ONE)
            if promising(ground, aim, source, nodes, owned, following, counts, vertices, k, goal, limits[2]):
                tries += 1
                part = link(ground, vertices[k], vertices[goal], how, tube, seen)
                if path_length(part) < arc - limits[1]:
                    nodes, total, count, taken = swap_in(
                        aim, part, k, goal, vertices, following, owned, count, nodes, total, counts
                    )
            if taken:
                break
            recount(nodes, owned, following, k, goal, counts, ONE)
            if tries == TRIES:
                break
        if taken:
            continue
        v = following[k]
        if v >= 0 and following[v] >= 0 and needless(vertices[k], vertices[v], vertices[following[v]], tube):
            goal = following[v]
            put(chord, NONE, vertices[k, 0], vertices[k, 1], vertices[k, 2])
            put(chord, ONE, vertices[goal, 0], vertices[goal, 1], vertices[goal, 2])
            if not chord_cuts(ground, chord[0], chord[1], tube[2]):
                recount(nodes, owned, following, k, goal, counts, -ONE)
                nodes, total, count, taken = swap_in(
                    aim, chord, k, goal, vertices, following, owned, count, nodes, total, counts
                )
                if taken:
                    continue
                recount(nodes, owned, following, k, goal, counts, ONE)
        k = following[k]
    return in_order(vertices, following)


@inner
def path_length(path: Doubles) -> float:
    """Return the 3-D length of a path."""
    length = 0.0
    for m in range(path.shape[0] - 1):
        length += apart(path[m], path[m + 1])
    return length
