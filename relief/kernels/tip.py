"""Where the tip of a cutter may go, and what it can leave there.

The tip surface is a grey dilation of the target by the inverted cutter, t(p) = max over d of z(p + d) − s(d), and
the reachable surface is a grey erosion of it. Both come from one search that never tries most offsets d: the
highest z in a window of nodes, less the least s there, bounds what a whole block of offsets can give.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from relief.kernels.bands import in_bands

Grid = npt.NDArray[np.float32]
Sources = npt.NDArray[np.int32]
Points = npt.NDArray[np.float64]

BLOCK = 8  # offsets are tried by blocks of 8 × 8 …
GROUP = 24  # … and passed over by groups of 3 × 3 blocks
TILE = 4  # rows of a tile: nodes settled together, so that one row of z serves four
WIDE = 64  # columns of a tile
BAND = 64  # rows of a band


def tip_grid(z: Grid, table: Grid) -> Grid:
    """Return the lowest tip height at each node that keeps the cutter out of the target.

    Parameters
    ----------
    z : (rows, columns) float32, mm
        The target; finite. Outside it nothing is in the way.
    table : (2k + 1, 2k + 1) float32, mm
        Height of the cutter's underside above its tip at each node offset, +∞ beyond the cutter.

    Returns
    -------
    (rows, columns) float32, mm
        t[j, i] = max of z[j + dj, i + di] − table[k + dj, k + di]: to the last bit what trying every offset gives.

    Notes
    -----
    Branch and bound: rounding of z − s is monotone, so z ≤ M and s ≥ m give fl(z − s) ≤ fl(M − m), and a block of
    offsets whose bound is not above what is already found holds nothing higher. It costs some ten tests and a
    tenth of the offsets per node, and one and a half grids of memory beside z and the result.
    """
    tip = np.empty(z.shape, dtype=np.float32)
    _search(z, table, tip, np.empty((0, 0), dtype=np.int32))
    return tip


def reach_grid(t: Grid, table: Grid) -> Grid:
    """Return the lowest surface that a cutter leaves whose tip goes to every node of t.

    Parameters
    ----------
    t : (rows, columns) float32, mm
        Tip heights; +∞ where the tip does not go. Outside the grid there is no tip position.
    table : (2k + 1, 2k + 1) float32, mm, as for `tip_grid`

    Returns
    -------
    (rows, columns) float32, mm
        r[j, i] = min of t[j − dj, i − di] + table[k + dj, k + di].
    """
    reach = tip_grid(np.negative(t), table[::-1, ::-1])
    return np.negative(reach, out=reach)


def reach_grid_source(t: Grid, table: Grid) -> tuple[Grid, Sources]:
    """Return the reachable surface and the tip position that leaves each of its nodes.

    Parameters
    ----------
    t, table : as for `reach_grid`

    Returns
    -------
    reach : (rows, columns) float32, mm, as of `reach_grid`
    source : (rows, columns) int32
        Flat index into t of a tip position whose cutter leaves the node at that height. Where there are several
        it is the node itself if it is one of them; otherwise any, but the same for the same input.
    """
    reach = np.empty(t.shape, dtype=np.float32)
    source = np.empty(t.shape, dtype=np.int32)
    _search(np.negative(t), table[::-1, ::-1], reach, source)
    return np.negative(reach, out=reach), source


def tip_at(z: Grid, pitch: float, shape4: Points, x: Points, y: Points) -> Points:
    """Return the lowest tip height at any points (x, y), mm from node (0, 0); −∞ where no node is near."""
    tip = np.full(len(x), -np.inf)
    in_bands(lambda first, last: _tip_at(z, pitch, shape4, x, y, first, last, tip), len(x), 4096)
    return tip


class _Offsets(NamedTuple):
    """The offsets of a cutter, cut into blocks and groups of blocks, as a tile sees them.

    table : float32, s of the offsets, padded with +∞ to whole groups and by TILE − 1 rows before the first
    origin : row and column of offset (0, 0), counted from the first group's corner
    corners : (blocks, 2) int64, row and column of a block's corner, counted likewise
    least : (blocks, TILE) float32, least s in the block as each row of the tile sees it
    even : (blocks,) bool, all s in the block are the same, for each row of the tile
    groups : (groups, 4) int64, row and column of a group's corner, its first block, the end of its blocks
    group_least : (groups, TILE) float32, as `least`
    """

    table: Grid
    origin: tuple[int, int]
    corners: npt.NDArray[np.int64]
    least: Grid
    even: npt.NDArray[np.bool_]
    groups: npt.NDArray[np.int64]
    group_least: Grid


def _search(z: Grid, table: Grid, tip: Grid, source: Sources) -> None:
    """Fill tip with the highest z − s, and source, unless it is empty, with the node where it was found."""
    rows, columns = z.shape
    offsets = _offsets(_cropped(table, rows, columns))
    down, right = offsets.origin
    height = -(-rows // TILE) * TILE + offsets.table.shape[0] - (TILE - 1)
    width = -(-columns // WIDE) * WIDE + offsets.table.shape[1]
    padded = np.full((height, width), -np.inf, dtype=np.float32)
    padded[down : down + rows, right : right + columns] = z
    near = np.empty(((height - BLOCK) // TILE + 1, width - BLOCK + 1), dtype=np.float32)
    far = np.empty(((height - GROUP) // TILE + 1, width - GROUP + 1), dtype=np.float32)
    in_bands(lambda first, last: _window(padded, first, last, near), near.shape[0])
    in_bands(lambda first, last: _window_of_windows(near, first, last, far), far.shape[0])

    def settle(first: int, last: int) -> None:
        _tiles(padded, near, far, *offsets, first, last, tip, source)

    in_bands(settle, rows, BAND)


def _cropped(table: Grid, rows: int, columns: int) -> Grid:
    """Return the part of a cutter that can matter on a grid: no offset is longer than the grid."""
    k = table.shape[0] // 2
    tall, wide = min(k, rows - 1), min(k, columns - 1)
    return table[k - tall : k + tall + 1, k - wide : k + wide + 1]


def _offsets(table: Grid) -> _Offsets:
    """Cut a table of s into blocks and groups, nearest to the tip first.

    Row 0 of a tile sees offset rows −k to k, row j the same less j, so blocks reach TILE − 1 rows further.
    """
    tall, wide = table.shape[0] // 2, table.shape[1] // 2
    before_rows, before_columns = (GROUP // 2 + GROUP * _groups(k - GROUP // 2) for k in (tall, wide))
    rows = before_rows + GROUP // 2 + GROUP * _groups(tall + TILE - GROUP // 2)
    columns = before_columns + GROUP // 2 + GROUP * _groups(wide + 1 - GROUP // 2)
    padded = np.full((TILE - 1 + rows, columns), np.inf, dtype=np.float32)
    padded[
        TILE - 1 + before_rows - tall : TILE + before_rows + tall, before_columns - wide : before_columns + wide + 1
    ] = table
    views = np.stack([padded[TILE - 1 - j : TILE - 1 - j + rows] for j in range(TILE)])
    by_block = views.reshape(TILE, rows // BLOCK, BLOCK, columns // BLOCK, BLOCK)
    least, most = by_block.min(axis=(2, 4)), by_block.max(axis=(2, 4))
    by_group = least.reshape(TILE, rows // GROUP, GROUP // BLOCK, columns // GROUP, GROUP // BLOCK)
    corners, counts = [], []
    group_corners = _by_nearness(by_group.min(axis=(2, 4)))
    for down, right in group_corners:
        inside = least[:, down * 3 : down * 3 + 3, right * 3 : right * 3 + 3]
        found = _by_nearness(inside) + (down * 3, right * 3)
        corners.append(found)
        counts.append(len(found))
    places = np.concatenate(corners)
    ends = np.cumsum(counts)
    even = (least == least[:1]).all(axis=0) & (least == most).all(axis=0)
    return _Offsets(
        table=padded,
        origin=(before_rows, before_columns),
        corners=places * BLOCK,
        least=np.ascontiguousarray(least[:, places[:, 0], places[:, 1]].T),
        even=even[places[:, 0], places[:, 1]],
        groups=np.column_stack([group_corners * GROUP, ends - counts, ends]),
        group_least=np.ascontiguousarray(
            by_group.min(axis=(2, 4))[:, group_corners[:, 0], group_corners[:, 1]].T
        ),
    )


def _groups(offsets: int) -> int:
    """Return how many groups hold that many offsets."""
    return max(-(-offsets // GROUP), 0)


def _by_nearness(least: Grid) -> npt.NDArray[np.int64]:
    """Return row and column of the blocks that hold some of the cutter, those of least s first."""
    lowest = least.min(axis=0)
    order = np.argsort(lowest, axis=None, kind="stable")
    places = np.column_stack(np.unravel_index(order, lowest.shape))
    return places[np.isfinite(lowest.ravel()[order])]


@njit(cache=True, nogil=True)
def _window(z: Any, first: int, last: int, out: Any) -> None:
    """Fill rows of out with the highest z of the BLOCK × BLOCK nodes from row TILE · q and column i on."""
    n = z.shape[1]
    high = np.empty(n, dtype=np.float32)
    for q in range(first, last):
        high[:] = z[TILE * q]
        for u in range(1, BLOCK):
            row = z[TILE * q + u]
            for i in range(n):
                high[i] = row[i] if row[i] > high[i] else high[i]
        _sweep(high, 1, out[q])


@njit(cache=True, nogil=True)
def _sweep(high: Any, step: int, out: Any) -> None:
    n = out.shape[0]
    a, b, c, d = high[:n], high[1 : n + 1], high[2 : n + 2], high[3 : n + 3]
    e, f, g, h = high[4 : n + 4], high[5 : n + 5], high[6 : n + 6], high[7 : n + 7]
    for i in range(n):
        p = a[i] if a[i] > b[i] else b[i]
        q = c[i] if c[i] > d[i] else d[i]
        r = e[i] if e[i] > f[i] else f[i]
        s = g[i] if g[i] > h[i] else h[i]
        p = p if p > q else q
        r = r if r > s else s
        out[i] = p if p > r else r


@njit(cache=True, nogil=True)
def _window_of_windows(near: Any, first: int, last: int, far: Any) -> None:
    """Fill rows of far with the highest z of GROUP × GROUP nodes, from windows of BLOCK × BLOCK."""
    n = far.shape[1]
    high = np.empty(near.shape[1], dtype=np.float32)
    for q in range(first, last):
        a, b, c = near[q], near[q + BLOCK // TILE], near[q + 2 * BLOCK // TILE]
        for i in range(near.shape[1]):
            p = a[i] if a[i] > b[i] else b[i]
            high[i] = p if p > c[i] else c[i]
        d, e, f, out = high[:n], high[BLOCK : n + BLOCK], high[2 * BLOCK : n + 2 * BLOCK], far[q]
        for i in range(n):
            p = d[i] if d[i] > e[i] else e[i]
            out[i] = p if p > f[i] else f[i]


@njit(cache=True, nogil=True)
def _tiles(
    z: Any, near: Any, far: Any, table: Any, origin: Any, corners: Any, least: Any, even: Any, groups: Any,
    group_least: Any, first: int, last: int, tip: Any, source: Any,
) -> None:
    """Settle the tiles of rows first to last, column of tiles by column of tiles, each downward."""
    found = np.empty((TILE, WIDE), dtype=np.float32)
    places = np.empty((TILE, WIDE), dtype=np.int32)
    seen = np.zeros(corners.shape[0], dtype=np.int64)
    lately = np.empty(corners.shape[0], dtype=np.int64)
    now = np.empty(corners.shape[0], dtype=np.int64)
    columns = tip.shape[1]
    serial = 0
    sourced = source.size > 0
    for x in range(0, columns, WIDE):
        count = 0
        for y in range(first, last, TILE):
            serial += 1
            for j in range(TILE):
                row = z[y + origin[0] + j, x + origin[1] : x + origin[1] + WIDE]
                s = table[origin[0] + TILE - 1, origin[1]]
                for i in range(WIDE):
                    found[j, i] = row[i] - s
                    places[j, i] = -1
            better = 0
            for k in range(count):
                b = lately[count - 1 - k]
                seen[b] = serial
                if _try(z, near, table, corners, least, even, b, y, x, found, places, sourced):
                    now[better] = b
                    better += 1
            for g in range(groups.shape[0]):
                if _hopeful(far[(y + groups[g, 0]) // TILE, x + groups[g, 1] :], group_least[g], found):
                    for b in range(groups[g, 2], groups[g, 3]):
                        if seen[b] != serial:
                            if _try(z, near, table, corners, least, even, b, y, x, found, places, sourced):
                                now[better] = b
                                better += 1
            lately, now, count = now, lately, better
            _store(found, places, y, x, last, origin, corners, tip, source, sourced)


@njit(cache=True, nogil=True)
def _store(found: Any, places: Any, y: int, x: int, last: int, origin: Any, corners: Any, tip: Any, source: Any, sourced: bool) -> None:
    columns = tip.shape[1]
    for j in range(min(TILE, last - y)):
        for i in range(min(WIDE, columns - x)):
            tip[y + j, x + i] = found[j, i]
            if sourced:
                place = places[j, i]
                if place < 0:
                    source[y + j, x + i] = (y + j) * columns + x + i
                else:
                    b = place // (BLOCK * BLOCK)
                    u, v = place // BLOCK % BLOCK, place % BLOCK
                    n = y + corners[b, 0] + u - origin[0]
                    m = x + i + corners[b, 1] + v - origin[1]
                    source[y + j, x + i] = n * columns + m


@njit(cache=True, nogil=True)
def _try(z: Any, near: Any, table: Any, corners: Any, least: Any, even: Any, b: int, y: int, x: int, found: Any, places: Any, sourced: bool) -> bool:
    top, left = corners[b, 0], corners[b, 1]
    if not _hopeful(near[(y + top) // TILE, x + left :], least[b], found):
        return False
    if sourced:
        _evaluate_source(z, y + top, x + left, table, top + TILE - 1, left, found, places, b * BLOCK * BLOCK)
    elif even[b]:
        high = near[(y + top) // TILE, x + left :]
        for j in range(TILE):
            for i in range(WIDE):
                h = high[i] - least[b, 0]
                found[j, i] = h if h > found[j, i] else found[j, i]
    else:
        _evaluate(z, y + top, x + left, table, top + TILE - 1, left, found)
    return True


@njit(cache=True, nogil=True)
def _hopeful(high: Any, least: Any, found: Any) -> bool:
    """Tell whether the bound exceeds what is found at any node of the tile."""
    hit = False
    for j in range(TILE):
        row, s = found[j], least[j]
        for i in range(WIDE):
            hit |= high[i] - s > row[i]
        if hit:
            return True
    return False


@njit(cache=True, nogil=True)
def _evaluate(z: Any, y: int, x: int, table: Any, top: int, left: int, found: Any) -> None:
    """Raise what is found by the BLOCK × BLOCK offsets of a block."""
    for j in range(TILE):
        row = found[j]
        for u in range(BLOCK):
            w = z[y + u, x : x + WIDE + BLOCK]
            s = table[top + u - j, left : left + BLOCK]
            s0, s1, s2, s3, s4, s5, s6, s7 = s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7]
            for i in range(WIDE):
                m = row[i]
                h = w[i] - s0
                m = h if h > m else m
                h = w[i + 1] - s1
                m = h if h > m else m
                h = w[i + 2] - s2
                m = h if h > m else m
                h = w[i + 3] - s3
                m = h if h > m else m
                h = w[i + 4] - s4
                m = h if h > m else m
                h = w[i + 5] - s5
                m = h if h > m else m
                h = w[i + 6] - s6
                m = h if h > m else m
                h = w[i + 7] - s7
                m = h if h > m else m
                row[i] = m


@njit(cache=True, nogil=True)
def _evaluate_source(z: Any, y: int, x: int, table: Any, top: int, left: int, found: Any, places: Any, code: int) -> None:
    """Do the same and note at which offset."""
    for j in range(TILE):
        row, place = found[j], places[j]
        for u in range(BLOCK):
            for v in range(BLOCK):
                w = z[y + u, x + v : x + v + WIDE]
                s = table[top + u - j, left + v]
                c = np.int32(code + u * BLOCK + v)
                for i in range(WIDE):
                    h = w[i] - s
                    up = h > row[i]
                    row[i] = h if up else row[i]
                    place[i] = c if up else place[i]


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
