"""As few triangles as a tolerance needs: greedy insertion of the worst node into a Delaunay triangulation.

Inside a tile a node is one number, row × 65536 + column. Triangle t has the corners corner[3 t + k],
counter-clockwise for rows that grow upward; other[3 t + k] is the half-edge on the other side of the edge
that leaves corner k (−1: none). A triangle that a new node was put into has it as its last corner.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.kernels.bands import in_bands
from relief.kernels.compiled import ONE, inner, kernel

Corners = npt.NDArray[np.int32]

# Side of a tile in cells, about: small enough that its working arrays stay in a core's cache.
TILE = 128
# Errors below this, in mm, are those of the arithmetic.
_DUST = 1e-9
# A number that is not typed as the constant it begins with: every kernel is compiled once only.
_WHOLE: Any = np.int64


def tile_lines(size: int) -> npt.NDArray[np.int64]:
    """Return the rows (or columns) of nodes on which tiles meet, the first and the last among them."""
    count = max(1, round((size - 1) / TILE))
    return np.round(np.linspace(0, size - 1, count + 1)).astype(np.int64)


def few_triangles(z: npt.NDArray[np.float32], tolerance: float) -> Corners:
    """Return the triangles of a mesh that strays from no node by more than the tolerance.

    Parameters
    ----------
    z : (rows, columns) float32, mm, at least 2 × 2
    tolerance : float, mm

    Returns
    -------
    (n, 3) int32: flat node numbers of the corners, counter-clockwise for rows that grow upward

    Notes
    -----
    Greedy insertion of M. Garland & P. Heckbert, "Fast Polygonal Approximation of Terrains and Height
    Fields", CMU-CS-95-181, 1995 (from memory): each triangle knows the node under it from which it strays
    most; that node becomes a corner; edges are flipped until the triangles are Delaunay again (C. Lawson,
    1977). The worst come first, by levels that fall to 0.6 each. The grid is cut into tiles that share the
    nodes of their borders, chosen before, along each border line alone (D. Douglas & T. Peucker,
    Cartographica 10:112–122, 1973): tiles meet without cracks, and several cores can work at them.
    Cost: about log(tile) looks per node.
    """
    z = np.ascontiguousarray(z, dtype=np.float32)
    across, along = tile_lines(z.shape[0]), tile_lines(z.shape[1])
    kept = np.zeros(z.shape, dtype=np.uint8)
    _keep_borders(z, kept, across, along, tolerance)
    boxes = [(j0, j1 + 1, i0, i1 + 1) for j0, j1 in pairwise(across) for i0, i1 in pairwise(along)]
    found = [np.empty((0, 3), dtype=np.int32)] * len(boxes)

    def work(first: int, last: int) -> None:
        for n in range(first, last):
            found[n] = _tile_triangles(z, kept, boxes[n], tolerance)

    in_bands(work, len(boxes), 1)
    return np.concatenate(found)


def _tile_triangles(z: Any, kept: Any, box: tuple[int, int, int, int], tolerance: float) -> Corners:
    """Return the flat node numbers of the triangles of one tile."""
    j0, j1, i0, i1 = box
    heights, marks = np.ascontiguousarray(z[j0:j1, i0:i1]), np.ascontiguousarray(kept[j0:j1, i0:i1])
    corner = np.empty(6 * (j1 - j0 - 1) * (i1 - i0 - 1), dtype=np.int64)
    count = _triangulate(heights, marks, max(tolerance, 2 * _DUST), corner)
    corner = corner[: 3 * count]
    return np.reshape(((corner >> 16) + j0) * z.shape[1] + (corner & 65535) + i0, (count, 3)).astype(np.int32)


@kernel
def _keep_borders(z: Any, kept: Any, across: Any, along: Any, tolerance: float) -> None:
    """Mark the nodes kept on the lines where tiles meet."""
    columns = z.shape[1]
    flat, marks = z.reshape(-1), kept.reshape(-1)
    stack = np.empty(2 * max(z.shape) + 2, dtype=np.int64)
    for turn in range(2):
        lines, cuts = (across, along) if turn == 0 else (along, across)
        line_stride, stride = (columns, 1) if turn == 0 else (1, columns)
        for line in lines:
            start = line * line_stride
            for n in range(len(cuts) - 1):
                marks[start + cuts[n] * stride] = marks[start + cuts[n + 1] * stride] = 1
                stack[0], stack[1] = start + cuts[n] * stride, start + cuts[n + 1] * stride
                _keep_line(flat, marks, stride, tolerance, stack)


@inner
def _keep_line(flat: Any, marks: Any, stride: int, tolerance: float, stack: Any) -> None:
    """Mark the nodes kept between two on one line: halve it where it strays most, and so on."""
    height = 2
    while height > 0:
        height -= 2
        a, b = stack[height], stack[height + 1]
        rise = (np.float64(flat[b]) - np.float64(flat[a])) / (b - a)
        worst, at = tolerance, a
        for n in range(a + stride, b, stride):
            off = abs(np.float64(flat[a]) + rise * (n - a) - flat[n])
            if off > worst:
                worst, at = off, n
        if at > a:
            marks[at] = 1
            stack[height + 1], stack[height + 2], stack[height + 3] = at, at, b
            height += 4


@kernel
def _triangulate(z: Any, kept: Any, tolerance: float, corner: Any) -> int:
    """Write the corners of a tile's triangles; return how many triangles there are.

    Parameters
    ----------
    z, kept : (rows, columns) of the tile; `kept` marks the nodes that its borders must have, no others
    corner : (3 × 2 × cells) int64, written
    """
    other = np.full(len(corner), -1, dtype=np.int64)
    worst = np.zeros(len(corner) // 3)
    at = np.zeros(len(corner) // 3, dtype=np.int64)
    touched = np.empty(len(corner), dtype=np.int64)
    stack = np.empty(len(corner), dtype=np.int64)
    far, right = (z.shape[0] - 1) << 16, z.shape[1] - 1
    _set(corner, _WHOLE(0), _WHOLE(0), right, far + right)
    _set(corner, _WHOLE(1), _WHOLE(0), far + right, far)
    _link(other, _WHOLE(2), _WHOLE(3))
    count, t, level, missed = _WHOLE(2), _WHOLE(0), np.inf, True
    border = _border_nodes(kept)
    for n in range(1 << 62):
        if n < len(border):
            t, p = _border_triangle(corner, other, count, border[n]), border[n]
        else:
            if n == len(border):
                for u in range(count):
                    _search(z, corner, u, worst, at)
            # the next triangle that strays too far for this level; when there is none, the next level
            while t < count and worst[t] <= level:
                t += 1
            if t == count:
                if not missed and level == tolerance:
                    break
                level = level if missed else max(0.6 * min(level, worst[:count].max()), tolerance)
                t, missed = _WHOLE(0), False
                continue
            p, missed = at[t], True
        count, many = _insert(corner, other, count, t, p, touched, stack)
        if n >= len(border):
            for u in range(many):
                _search(z, corner, touched[u], worst, at)
    return int(count)


@inner
def _border_nodes(kept: Any) -> Any:
    """Return the marked nodes of a tile's border, its four corners left out."""
    far, right = kept.shape[0] - 1, kept.shape[1] - 1
    found = np.empty(2 * (far + right), dtype=np.int64)
    count = 0
    for j in range(far + 1):
        for i in range(0, right + 1, 1 if j == 0 or j == far else right):
            if kept[j, i] > 0 and not ((j == 0 or j == far) and (i == 0 or i == right)):
                found[count] = (j << 16) + i
                count += 1
    return found[:count]


@kernel
def _search(z: Any, corner: Any, t: int, worst: Any, at: Any) -> None:
    """Find the node under triangle t, borders of the tile left out, from which it strays most."""
    a, b, c = corner[3 * t], corner[3 * t + 1], corner[3 * t + 2]
    aj, ai = a >> 16, a & 65535
    za = np.float64(z[aj, ai])
    bj, bi, dzb = (b >> 16) - aj, (b & 65535) - ai, np.float64(z[b >> 16, b & 65535]) - za
    cj, ci, dzc = (c >> 16) - aj, (c & 65535) - ai, np.float64(z[c >> 16, c & 65535]) - za
    area = float(bi * cj - bj * ci)
    by_i, by_j = (dzb * cj - dzc * bj) / area, (dzc * bi - dzb * ci) / area
    worst[t] = _DUST
    for dj in range(max(min(0, bj, cj), 1 - aj), min(max(0, bj, cj), z.shape[0] - 2 - aj) + 1):
        left, right = max(min(0, bi, ci), 1 - ai), min(max(0, bi, ci), z.shape[1] - 2 - ai)
        for pj, pi, qj, qi in ((0, 0, bj, bi), (bj, bi, cj, ci), (cj, ci, 0, 0)):
            rise, cross = qj - pj, (qi - pi) * (dj - pj)
            # inside lies left of each edge
            if rise > 0:
                right = min(right, pi + cross // rise)
            elif rise < 0:
                left = max(left, pi - cross // -rise)
            elif cross < 0:
                right = left - 1
        for di in range(left, right + 1):
            off = abs(za + dj * by_j + di * by_i - z[aj + dj, ai + di])
            if off > worst[t]:
                worst[t], at[t] = off, ((aj + dj) << 16) + ai + di


@inner
def _border_triangle(corner: Any, other: Any, count: int, p: int) -> int:
    """Return the triangle whose outer edge holds a node of the tile's border."""
    for e in range(3 * count):
        a, b = corner[e], corner[_next(e)]
        # between two nodes of one row or one column: their numbers grow alike
        if other[e] < 0 and _turn(a, b, p) == 0 and min(a, b) < p < max(a, b):
            return e // 3
    return 0


@inner
def _insert(corner: Any, other: Any, count: int, t: int, p: int, touched: Any, stack: Any) -> Any:
    """Insert a node inside triangle t or on its edges; return the count and how many were touched."""
    edge = -ONE
    for e in range(3 * t, 3 * t + 3):
        if _turn(corner[e], corner[_next(e)], p) == 0:
            edge = e
    if edge < 0:
        many = _split_triangle(corner, other, count, t, p, touched)
    else:
        many = _split_edge(corner, other, count, edge, p, touched)
    # one more triangle on each side of an edge that was split, two more inside
    return count + (many + 1) // 2, _legalise(corner, other, touched, many, stack)


@inner
def _split_triangle(corner: Any, other: Any, count: int, t: int, p: int, touched: Any) -> int:
    """Put a node into triangle abc; return how many triangles were touched."""
    a, b, c = corner[3 * t], corner[3 * t + 1], corner[3 * t + 2]
    over_b, over_c = other[3 * t + 1], other[3 * t + 2]
    u, v = count, count + 1
    _set(corner, t, a, b, p)
    _set(corner, u, b, c, p)
    _set(corner, v, c, a, p)
    _link(other, 3 * u, over_b)
    _link(other, 3 * v, over_c)
    _link(other, 3 * t + 1, 3 * u + 2)
    _link(other, 3 * u + 1, 3 * v + 2)
    _link(other, 3 * v + 1, 3 * t + 2)
    touched[0], touched[1], touched[2] = t, u, v
    return 3


@inner
def _split_edge(corner: Any, other: Any, count: int, e: int, p: int, touched: Any) -> int:
    """Put a node on the edge ab of abc and, beyond it, bad; return how many triangles were touched."""
    f, g, t, u = _next(e), _next(_next(e)), e // 3, count
    a, b, c = corner[e], corner[f], corner[g]
    over_b, over_c, beyond = other[f], other[g], other[e]
    _set(corner, t, b, c, p)
    _set(corner, u, c, a, p)
    _link(other, 3 * t, over_b)
    _link(other, 3 * u, over_c)
    _link(other, 3 * t + 1, 3 * u + 2)
    other[3 * t + 2] = other[3 * u + 1] = -1
    touched[0], touched[1] = t, u
    if beyond < 0:
        return 2
    f, g, v, w = _next(beyond), _next(_next(beyond)), beyond // 3, count + 1
    d, over_a, over_d = corner[g], other[f], other[g]
    _set(corner, v, a, d, p)
    _set(corner, w, d, b, p)
    _link(other, 3 * v, over_a)
    _link(other, 3 * w, over_d)
    _link(other, 3 * v + 1, 3 * w + 2)
    _link(other, 3 * u + 1, 3 * v + 2)
    _link(other, 3 * w + 1, 3 * t + 2)
    touched[2], touched[3] = v, w
    return 4


@inner
def _legalise(corner: Any, other: Any, touched: Any, many: int, stack: Any) -> int:
    """Flip edges until the triangles round a new node are Delaunay; return how many were touched in all."""
    for n in range(many):
        stack[n] = 3 * touched[n]
    height = many
    while height > 0:
        height -= 1
        e = stack[height]
        f = other[e]
        if f < 0:
            continue
        g, h, t, u = _next(f), _next(_next(f)), e // 3, f // 3
        a, b, d, p = corner[e], corner[e + 1], corner[h], corner[e + 2]
        if not _in_circle(a, b, p, d):
            continue
        # abp and bad beyond it become adp and dbp
        over_a, over_d, over_b = other[g], other[h], other[e + 1]
        _set(corner, t, a, d, p)
        _set(corner, u, d, b, p)
        _link(other, 3 * t, over_a)
        _link(other, 3 * u, over_d)
        _link(other, 3 * u + 1, over_b)
        _link(other, 3 * t + 1, 3 * u + 2)
        touched[many] = u
        many += 1
        stack[height], stack[height + 1] = 3 * u, 3 * t
        height += 2
    return many


@inner
def _next(e: int) -> int:
    return e - 2 if e % 3 == 2 else e + 1


@inner
def _set(corner: Any, t: int, a: int, b: int, c: int) -> None:
    corner[3 * t], corner[3 * t + 1], corner[3 * t + 2] = a, b, c


@inner
def _link(other: Any, e: int, f: int) -> None:
    other[e] = f
    if f >= 0:
        other[f] = e


@inner
def _turn(a: int, b: int, p: int) -> int:
    """Return twice the area of abp: positive if p lies left of the way from a to b, 0 if it lies on it."""
    aj, ai = a >> 16, a & 65535
    return ((b & 65535) - ai) * ((p >> 16) - aj) - ((b >> 16) - aj) * ((p & 65535) - ai)


@inner
def _in_circle(a: int, b: int, c: int, d: int) -> bool:
    """Return whether d lies in the circle round the triangle abc, in whole numbers: exact."""
    dj, di = d >> 16, d & 65535
    ay, ax = (a >> 16) - dj, (a & 65535) - di
    by, bx = (b >> 16) - dj, (b & 65535) - di
    cy, cx = (c >> 16) - dj, (c & 65535) - di
    aa, bb, cc = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    return ax * (by * cc - bb * cy) - ay * (bx * cc - bb * cx) + aa * (bx * cy - by * cx) > 0
