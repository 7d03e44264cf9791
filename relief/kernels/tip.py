"""Where the tip of a cutter may go, and what it can leave there.

The tip surface is a grey dilation of the target by the inverted cutter, t(p) = max over d of z(p + d) − s(d),
and the reachable surface is a grey erosion of it. Both come from one search that never tries most offsets d:
the highest z in a window of nodes, less the least s there, bounds what a whole block of offsets can give.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from relief.kernels.bands import in_bands
from relief.kernels.compiled import inner, kernel
from relief.kernels.lanes import BLOCK, LANES, TILE, first_giving, hopeful, raise_heights, raise_noting

Grid = npt.NDArray[np.float32]
Sources = npt.NDArray[np.int32]
Points = npt.NDArray[np.float64]

GROUP = 24  # offsets are passed over by groups of 3 × 3 blocks
WIDE = 128  # columns of a tile
BAND = 64  # rows of a band
SMALL = 8  # blocks of 8 × 8 nodes …
LARGE = 32  # … and groups of 4 × 4 blocks, for single points


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
        t[j, i] = max of z[j + dj, i + di] − table[k + dj, k + di], to the last bit.

    Notes
    -----
    Branch and bound: rounding of z − s is monotone, so z ≤ M and s ≥ m give fl(z − s) ≤ fl(M − m), and a
    block of offsets whose bound is not above what is already found holds nothing higher. A tile costs some
    hundred tests and about a tenth of the offsets; memory is one and a half grids beside z and the result.
    """
    tip = np.empty(z.shape, dtype=np.float32)
    _search(z, 1.0, table, tip, np.empty((0, 0), dtype=np.int32))
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
    reach = np.empty(t.shape, dtype=np.float32)
    _search(t, -1.0, table[::-1, ::-1], reach, np.empty((0, 0), dtype=np.int32))
    return np.subtract(0, reach, out=reach)


def reach_grid_source(t: Grid, table: Grid) -> tuple[Grid, Sources]:
    """Return the reachable surface and the tip position that leaves each of its nodes.

    Parameters
    ----------
    t, table : as for `reach_grid`

    Returns
    -------
    reach : (rows, columns) float32, mm, as of `reach_grid`
    source : (rows, columns) int32
        Flat index into t of a tip position whose cutter leaves the node at that height. Where there are
        several it is the node itself if it is one of them; otherwise any, but the same for the same input.
    """
    reach = np.empty(t.shape, dtype=np.float32)
    source = np.empty(t.shape, dtype=np.int32)
    _search(t, -1.0, table[::-1, ::-1], reach, source)
    return np.subtract(0, reach, out=reach), source


def tip_at(z: Grid, pitch: float, shape4: Points, x: Points, y: Points) -> Points:
    """Return the lowest tip height at any points.

    Parameters
    ----------
    z : (rows, columns) float32, mm, the target; finite
    pitch : float, mm, between nodes
    shape4 : (4,) float64
        Flat radius, corner radius, slope of the cone (infinite for a straight side) and radius, mm.
        A flat cutter's disc is taken as it is, not rounded outward to nodes as in its table.
    x, y : (points,) float64, mm from node (0, 0); any order, though neighbours in turn are quicker

    Returns
    -------
    (points,) float64, mm
        Max of z − s(r) over the nodes within the radius; −∞ where there is none.

    Notes
    -----
    Branch and bound over blocks of nodes, starting from the block that set the point before. Each step of
    s(r) rounds monotonely, so the result is that of trying every node. Memory: the part of z near the points.
    """
    x, y = np.ascontiguousarray(x, dtype=np.float64), np.ascontiguousarray(y, dtype=np.float64)
    tip = np.full(len(x), -np.inf)
    radius = float(shape4[3])
    left, right = _nodes_near(x, radius, pitch, z.shape[1])
    down, up = _nodes_near(y, radius, pitch, z.shape[0])
    if left >= right or down >= up:
        return tip
    part = _whole_blocks(z[down:up, left:right])
    blocks = _highest_of(part, SMALL)
    groups = _highest_of(blocks, LARGE // SMALL)
    frame, pieces = (pitch, down, left), _underside_pieces(shape4)
    in_bands(
        lambda first, last: _tips(part, blocks, groups, frame, pieces, x, y, first, last, tip), len(x), 4096
    )
    return tip


class _Offsets(NamedTuple):
    """The offsets of a cutter, cut into blocks and groups of blocks, as a tile sees them.

    table : float32, s of the offsets, padded with +∞ to whole groups and by TILE − 1 rows before the first
    origin : row and column of offset (0, 0), counted from the first group's corner
    corners : (blocks, 2) int64, row and column of a block's corner, counted likewise
    least : (blocks, TILE + 1) float32, least s in the block as each row of the tile sees it; the least last
    even : (blocks,) bool, all s in the block are the same, for every row of the tile
    groups : (groups, 4) int64, row and column of a group's corner, its first block, the end of its blocks
    group_least : (groups, TILE + 1) float32, as `least`
    """

    table: Grid
    origin: tuple[int, int]
    corners: npt.NDArray[np.int64]
    least: Grid
    even: npt.NDArray[np.bool_]
    groups: npt.NDArray[np.int64]
    group_least: Grid


def _search(z: Grid, sign: float, table: Grid, tip: Grid, source: Sources) -> None:
    """Fill tip with the highest sign · z − s and, unless it is empty, source with the node where it is."""
    offsets = _offsets(_cropped(table, *z.shape))
    target = _windows(z, sign, offsets)
    # arrays one by one: the compiler's cache on disk does not survive a change to a class among arguments
    in_bands(lambda first, last: _tiles(*target, *offsets, first, last, tip, source), z.shape[0], BAND)


def _cropped(table: Grid, rows: int, columns: int) -> Grid:
    """Return the part of a cutter that can matter on a grid: no offset is longer than the grid."""
    k = table.shape[0] // 2
    tall, wide = min(k, rows - 1), min(k, columns - 1)
    return table[k - tall : k + tall + 1, k - wide : k + wide + 1]


def _windows(z: Grid, sign: float, offsets: _Offsets) -> tuple[Grid, npt.NDArray[np.int64], Grid, Grid]:
    """Return sign · z and what bounds it.

    Returns
    -------
    padded : float32, sign · z amid −∞, so that every offset of every tile lies in it
    live : how many rows of it before each hold more than −∞
    near : float32, [q, i] is the highest z of BLOCK × BLOCK nodes from row TILE · q and column i on
    far : float32, likewise of GROUP × GROUP nodes
    """
    rows, columns = z.shape
    down, right = offsets.origin
    height = -(-rows // TILE) * TILE + offsets.table.shape[0] - (TILE - 1)
    width = -(-columns // WIDE) * WIDE + offsets.table.shape[1]
    padded = np.full((height, width), -np.inf, dtype=np.float32)
    np.multiply(z, np.float32(sign), out=padded[down : down + rows, right : right + columns])
    near = np.empty(((height - BLOCK) // TILE + 1, width - BLOCK + 1), dtype=np.float32)
    far = np.empty(((height - GROUP) // TILE + 1, width - GROUP + 1), dtype=np.float32)
    in_bands(lambda first, last: _highest_near(padded, first, last, near), near.shape[0])
    in_bands(lambda first, last: _highest_far(near, first, last, far), far.shape[0])
    live = np.append(0, np.cumsum(padded.max(axis=1) > -np.inf))
    return padded, live, near, far


def _offsets(table: Grid) -> _Offsets:
    """Cut a table of s into blocks and groups, nearest to the tip first."""
    views, origin = _as_rows_see(table)
    tiles, rows, columns = views.shape
    by_block = views.reshape(tiles, rows // BLOCK, BLOCK, columns // BLOCK, BLOCK)
    least, most = by_block.min(axis=(2, 4)), by_block.max(axis=(2, 4))
    even = (least == least[:1]).all(axis=0) & (least == most).all(axis=0)
    across = GROUP // BLOCK
    by_group = least.reshape(tiles, rows // GROUP, across, columns // GROUP, across).min(axis=(2, 4))
    groups = _by_nearness(by_group)
    blocks = [
        place * across + _by_nearness(least[:, place[0] * across :, place[1] * across :][:, :across, :across])
        for place in groups
    ]
    ends = np.cumsum([len(each) for each in blocks])
    places = np.concatenate(blocks)
    return _Offsets(
        table=np.concatenate([views[:0:-1, 0], views[0]]),
        origin=origin,
        corners=places * BLOCK,
        least=_and_the_least(least[:, places[:, 0], places[:, 1]]),
        even=even[places[:, 0], places[:, 1]],
        groups=np.column_stack([groups * GROUP, np.concatenate([[0], ends[:-1]]), ends]),
        group_least=_and_the_least(by_group[:, groups[:, 0], groups[:, 1]]),
    )


def _as_rows_see(table: Grid) -> tuple[Grid, tuple[int, int]]:
    """Return the offsets as each row of a tile sees them, and where (0, 0) is for the first.

    Offsets are those of nodes from the tile's first row, in whole groups, with (0, 0) in the middle of a
    block. Row j sees the table j rows further on.
    """
    (tall, wide), half = (size // 2 for size in table.shape), GROUP // 2
    down, right = (half + GROUP * -(-max(size - half, 0) // GROUP) for size in (tall, wide))
    rows, columns = (
        before + half + GROUP * -(-max(size - half, 0) // GROUP)
        for before, size in ((down, tall + TILE), (right, wide + 1))
    )
    views = np.full((TILE, rows, columns), np.inf, dtype=np.float32)
    for j in range(TILE):
        views[j, down - tall + j : down + tall + 1 + j, right - wide : right + wide + 1] = table
    return views, (down, right)


def _and_the_least(seen: Grid) -> Grid:
    """Return what each row of a tile sees of each block, block by block, and after that the least of it."""
    return np.ascontiguousarray(np.vstack([seen, seen.min(axis=0)]).T)


def _by_nearness(least: Grid) -> npt.NDArray[np.int64]:
    """Return row and column of the blocks that hold some of the cutter, those of least s first."""
    lowest = least.min(axis=0)
    order = np.argsort(lowest, axis=None, kind="stable")
    places = np.column_stack(np.unravel_index(order, lowest.shape))
    held: npt.NDArray[np.int64] = places[np.isfinite(lowest.ravel()[order])]
    return held


def _nodes_near(places: Points, radius: float, pitch: float, count: int) -> tuple[int, int]:
    """Return the first node within a radius of any place, and the end of such nodes."""
    if len(places) == 0:
        return 0, 0
    low, high = float(places.min()) - radius, float(places.max()) + radius
    return max(math.floor(low / pitch), 0), min(math.ceil(high / pitch) + 1, count)


def _whole_blocks(z: Grid) -> Grid:
    """Return z padded to whole blocks with −∞."""
    rows, columns = (-(-size // SMALL) * SMALL for size in z.shape)
    padded = np.full((rows, columns), -np.inf, dtype=np.float32)
    padded[: z.shape[0], : z.shape[1]] = z
    return padded


def _highest_of(z: Grid, size: int) -> Grid:
    """Return the highest z of each block of size × size nodes, or of what there is of it at the far edges."""
    rows = np.maximum.reduceat(z, np.arange(0, z.shape[0], size), axis=0)
    highest: Grid = np.maximum.reduceat(rows, np.arange(0, z.shape[1], size), axis=1)
    return highest


def _underside_pieces(shape4: Points) -> tuple[float, float, float, float, float, float]:
    """Return s(r) in pieces, so that it needs no division: flat, corner, edge, base, slope and radius.

    With u = r − flat ≥ 0 it is an arc of radius corner while u ≤ edge, then base + u · slope. A line of slope
    cot b touches the circle at u = corner · cos b.
    """
    flat, corner, slope, radius = (float(value) for value in shape4)
    if math.isinf(slope):
        return flat, corner, math.inf, 0.0, 0.0, radius
    length = math.hypot(1.0, slope)
    edge = corner * slope / length
    return flat, corner, edge, corner * (1 - 1 / length) - edge * slope, slope, radius


@kernel
def _highest_near(z: Any, first: int, last: int, near: Any) -> None:
    """Fill rows of near with the highest z of BLOCK × BLOCK nodes."""
    n = near.shape[1]
    high = np.empty(z.shape[1], dtype=np.float32)
    a, b, c, d = high[:n], high[1 : n + 1], high[2 : n + 2], high[3 : n + 3]
    e, f, g, h = high[4 : n + 4], high[5 : n + 5], high[6 : n + 6], high[7 : n + 7]
    for q in range(first, last):
        for i in range(high.shape[0]):
            high[i] = z[TILE * q, i]
        for u in range(1, BLOCK):
            row = z[TILE * q + u]
            for i in range(row.shape[0]):
                high[i] = row[i] if row[i] > high[i] else high[i]
        out = near[q]
        for i in range(n):
            ab, cd = a[i] if a[i] > b[i] else b[i], c[i] if c[i] > d[i] else d[i]
            ef, gh = e[i] if e[i] > f[i] else f[i], g[i] if g[i] > h[i] else h[i]
            ad, eh = ab if ab > cd else cd, ef if ef > gh else gh
            out[i] = ad if ad > eh else eh


@kernel
def _highest_far(near: Any, first: int, last: int, far: Any) -> None:
    """Fill rows of far with the highest z of GROUP × GROUP nodes: of three by three windows of near."""
    n = far.shape[1]
    high = np.empty(near.shape[1], dtype=np.float32)
    d, e, f = high[:n], high[BLOCK : n + BLOCK], high[2 * BLOCK : n + 2 * BLOCK]
    for q in range(first, last):
        a, b, c, out = near[q], near[q + BLOCK // TILE], near[q + 2 * BLOCK // TILE], far[q]
        for i in range(high.shape[0]):
            ab = a[i] if a[i] > b[i] else b[i]
            high[i] = ab if ab > c[i] else c[i]
        for i in range(n):
            de = d[i] if d[i] > e[i] else e[i]
            out[i] = de if de > f[i] else f[i]


@kernel
def _tiles(
    z: Any,
    live: Any,
    near: Any,
    far: Any,
    table: Any,
    origin: Any,
    corners: Any,
    least: Any,
    even: Any,
    groups: Any,
    group_least: Any,
    first: int,
    last: int,
    tip: Any,
    source: Any,
) -> None:
    """Settle the tiles of rows first to last.

    Tiles are taken column by column, each along its column, so that the blocks that served most of the tile
    before, tried first, set the bar high for the rest.
    """
    height = np.empty((TILE + 1, WIDE), dtype=np.float32)
    place = np.empty((TILE, WIDE), dtype=np.int32)
    noting = source.size > 0
    tried = np.full(len(corners), -1, dtype=np.int64)
    served, serving, many = np.zeros_like(tried), np.zeros_like(tried), np.zeros_like(tried)
    for x in range(0, tip.shape[1], WIDE):
        count = 0
        for y in range(first, last, TILE):
            _begin(z[y + origin[0] :], x + origin[1], table[origin[0] + TILE - 1, origin[1]], height, place)
            number = y * tip.shape[1] + x
            now = 0
            for k in range(count):
                b = served[k]
                tried[b] = number
                lanes = _try(z, live, near, table, corners, least, even, b, y, x, height, place, noting)
                now = _rank(b, lanes, serving, many, now)
            for g in range(len(groups)):
                if _group_hopeful(far, (y + groups[g, 0]) // TILE, x + groups[g, 1], group_least, g, height):
                    for b in range(groups[g, 2], groups[g, 3]):
                        if tried[b] != number:
                            lanes = _try(
                                z, live, near, table, corners, least, even, b, y, x, height, place, noting
                            )
                            now = _rank(b, lanes, serving, many, now)
            served, serving, count = serving, served, now
            for j in range(min(TILE, last - y)):
                for i in range(min(WIDE, tip.shape[1] - x)):
                    tip[y + j, x + i] = height[j, i]
            if noting:
                _note(z, table, origin, corners, y, x, last, height, place, source)


@inner
def _rank(b: int, lanes: int, serving: Any, many: Any, now: int) -> int:
    """Put a block that served among the others, those first that served most; return how many there are."""
    if lanes == 0:
        return now
    k = now
    while k > 0 and many[k - 1] <= lanes:
        serving[k], many[k] = serving[k - 1], many[k - 1]
        k -= 1
    serving[k], many[k] = b, lanes
    return now + 1


@inner
def _begin(z: Any, x: int, s: float, height: Any, place: Any) -> None:
    """Start from offset (0, 0)."""
    for j in range(TILE):
        for i in range(WIDE):
            height[j, i] = z[j, x + i] - s
            place[j, i] = -1
    for i in range(WIDE):
        height[TILE, i] = min(min(height[0, i], height[1, i]), min(height[2, i], height[3, i]))


@inner
def _try(
    z: Any,
    live: Any,
    near: Any,
    table: Any,
    corners: Any,
    least: Any,
    even: Any,
    b: int,
    y: int,
    x: int,
    height: Any,
    place: Any,
    noting: bool,
) -> int:
    """Try a block of offsets on the lanes of a tile that it may serve; return of how many LANES."""
    top, left, q = y + corners[b, 0], corners[b, 1], (y + corners[b, 0]) // TILE
    row, code = corners[b, 0] + TILE - 1, b * BLOCK
    served = 0
    for c in range(0, WIDE, LANES):
        if hopeful(near, q, x + left + c, least, b, height, c):
            served += 1
            if even[b] and not noting:
                _raise_evenly(near, q, x + left, least[b, 0], height, c)
                continue
            for u in range(BLOCK):
                if live[top + u + 1] == live[top + u]:
                    continue
                if noting:
                    raise_noting(z, top + u, x + left + c, table, row + u, left, height, place, c, code + u)
                else:
                    raise_heights(z, top + u, x + left + c, table, row + u, left, height, place, c, code + u)
    return served


@inner
def _group_hopeful(far: Any, q: int, i: int, least: Any, g: int, height: Any) -> bool:
    """Tell whether any block of a group may serve any node of the tile."""
    for c in range(0, WIDE, LANES):  # noqa: SIM110, the compiler knows no generators
        if hopeful(far, q, i + c, least, g, height, c):
            return True
    return False


@inner
def _raise_evenly(near: Any, q: int, i: int, s: float, height: Any, c: int) -> None:
    """Raise the heights by a block where s is everywhere the same: its bound is what it gives."""
    for j in range(TILE + 1):
        for lane in range(c, c + LANES):
            h = near[q, i + lane] - s
            height[j, lane] = h if h > height[j, lane] else height[j, lane]


@inner
def _note(
    z: Any,
    table: Any,
    origin: Any,
    corners: Any,
    y: int,
    x: int,
    last: int,
    height: Any,
    place: Any,
    source: Any,
) -> None:
    """Write to source the nodes where a tile's heights were found."""
    columns = source.shape[1]
    for j in range(min(TILE, last - y)):
        for i in range(min(WIDE, columns - x)):
            node = (y + j) * columns + x + i
            if place[j, i] >= 0:
                b, u = place[j, i] // BLOCK, place[j, i] % BLOCK
                top, left = corners[b, 0], corners[b, 1]
                n, m, r = y + top + u, x + i + left, top + u + TILE - 1 - j
                v = first_giving(z, n, m, table, r, left, height[j, i])
                node = (n - origin[0]) * columns + m + v - origin[1]
            source[y + j, x + i] = node


@kernel
def _tips(
    z: Any, blocks: Any, groups: Any, frame: Any, pieces: Any, x: Any, y: Any, first: int, last: int, tip: Any
) -> None:
    """Find the tip heights of points first to last."""
    pitch, top, left = frame
    k = pieces[5] / pitch + 1.0
    before: Any = np.int64(0)
    high = np.empty(SMALL)
    for p in range(first, last):
        column, row = x[p] / pitch - left, y[p] / pitch - top
        i0, i1 = max(math.ceil(column - k), 0), min(math.floor(column + k), z.shape[1] - 1)
        j0, j1 = max(math.ceil(row - k), 0), min(math.floor(row + k), z.shape[0] - 1)
        if i0 <= i1 and j0 <= j1:
            tip[p], before = _tip(
                z, blocks, groups, frame, pieces, x[p], y[p], (j0, j1, i0, i1), before, high
            )


@inner
def _tip(
    z: Any,
    blocks: Any,
    groups: Any,
    frame: Any,
    pieces: Any,
    x: float,
    y: float,
    box: Any,
    before: int,
    high: Any,
) -> Any:
    """Return the tip height at a point and the block that sets it, given that of the point before."""
    j0, j1, i0, i1 = box
    across = blocks.shape[1]
    middle = (j0 + j1) // (2 * SMALL) * across + (i0 + i1) // (2 * SMALL)
    best, block = -np.inf, before
    for b in (before, middle):
        height = _block_tip(z, frame, pieces, b // across * SMALL, b % across * SMALL, x, y, high)
        if height > best:
            best, block = height, b
    for gj in range(j0 // LARGE, j1 // LARGE + 1):
        for gi in range(i0 // LARGE, i1 // LARGE + 1):
            if _most(frame, pieces, groups[gj, gi], gj * LARGE, gi * LARGE, LARGE, x, y) > best:
                ends = (
                    max(gj * LARGE, j0) // SMALL, min(gj * LARGE + LARGE - 1, j1) // SMALL,
                    max(gi * LARGE, i0) // SMALL, min(gi * LARGE + LARGE - 1, i1) // SMALL,
                )  # fmt: skip
                best, block = _group_tip(z, blocks, frame, pieces, x, y, ends, best, block, high)
    return best, block


@inner
def _group_tip(
    z: Any,
    blocks: Any,
    frame: Any,
    pieces: Any,
    x: float,
    y: float,
    ends: Any,
    best: float,
    block: int,
    high: Any,
) -> Any:
    """Return the higher of best and what the blocks of a group ask for, and which block that is."""
    for bj in range(ends[0], ends[1] + 1):
        for bi in range(ends[2], ends[3] + 1):
            if _most(frame, pieces, blocks[bj, bi], bj * SMALL, bi * SMALL, SMALL, x, y) > best:
                height = _block_tip(z, frame, pieces, bj * SMALL, bi * SMALL, x, y, high)
                if height > best:
                    best, block = height, bj * blocks.shape[1] + bi
    return best, block


@inner
def _most(
    frame: Any, pieces: Any, height: float, row: int, column: int, size: int, x: float, y: float
) -> float:
    """Return a bound of the tip height that size × size nodes can ask for; −∞ if they are out of reach."""
    pitch, top, left = frame
    dx = _gap((left + column) * pitch, (left + column + size - 1) * pitch, x)
    dy = _gap((top + row) * pitch, (top + row + size - 1) * pitch, y)
    r = math.sqrt(dx * dx + dy * dy)
    flat, corner, edge, base, slope, radius = pieces
    return (
        np.float64(height) - _underside(flat, corner, edge, base, slope, r)
        if r <= _reach(radius)
        else -np.inf
    )


@inner
def _gap(low: float, high: float, x: float) -> float:
    """Return the distance of x from the stretch low to high."""
    if x < low:
        return low - x
    return x - high if x > high else 0.0


@inner
def _reach(radius: float) -> float:
    """Return the radius with room for rounding, as in the cutter's table: nodes on the rim count."""
    return radius * (1 + 1e-12) + 1e-12


@inner
def _underside(flat: float, corner: float, edge: float, base: float, slope: float, r: float) -> float:
    """Return s(r). No branch, so that it becomes vector instructions."""
    u = r - flat if r > flat else 0.0
    rest = corner * corner - u * u
    arc = corner - math.sqrt(rest if rest > 0.0 else 0.0)
    return arc if u <= edge else base + u * slope


@inner
def _block_tip(
    z: Any, frame: Any, pieces: Any, row: int, column: int, x: float, y: float, high: Any
) -> float:
    """Return the tip height that the nodes of a block ask for."""
    pitch, top, left = frame
    flat, corner, edge, base, slope, radius = pieces
    reach = _reach(radius)
    # a maximum for each column, because one alone would not become vector instructions
    for v in range(SMALL):
        high[v] = -np.inf
    for u in range(SMALL):
        dy = (top + row + u) * pitch - y
        w = z[row + u, column : column + SMALL]
        for v in range(SMALL):
            dx = (left + column + v) * pitch - x
            r = math.sqrt(dx * dx + dy * dy)
            h: Any = np.float64(w[v]) - _underside(flat, corner, edge, base, slope, r)
            h = h if r <= reach else -np.inf
            high[v] = h if h > high[v] else high[v]
    best = -np.inf
    for v in range(SMALL):
        best = max(best, high[v])
    return best
