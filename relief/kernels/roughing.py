"""The stock under a flat cutter that steps from node to node: what it meets and leaves, how it gets down.

A pass runs along a row of the grid, its vertices are nodes. The stock kept here is only ever stamped at the
nodes, never between them, so at these it stands above or at what the true sweep leaves. What may stand
between them is looked at from `planning.between`.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import NONE, inner, kernel
from relief.kernels.sweep import ascending

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

EVEN = 5e-3  # mm: heights this close count as the same when a descent is planned
RUN_UP = 8  # nodes: going back and forth takes at least so many, if the pass has them
FURTHER = 1.6  # how much further each round of `ease_over` goes than it would: fewer do
NEAR = 0.05  # mm: stock that close below the tip counts as met, for slivers between the nodes


@kernel
def capsule_highest(
    stock: Floats, pitch: float, x0: float, y0: float, x1: float, y1: float, radius: float
) -> float:
    """Return the highest stock within `radius` of a straight line seen from above.

    Parameters
    ----------
    stock : (rows, columns) float32, mm
    pitch : mm
    x0, y0, x1, y1 : mm from node (0, 0), the line's ends
    radius : mm

    Returns
    -------
    float, mm; −∞ where the line is nowhere near the grid

    Notes
    -----
    Distance of a point from a segment; each row is searched only between the columns that the capsule can
    reach. Cost: one distance for each node of that band.
    """
    rows, columns = stock.shape
    highest = -np.inf
    dx, dy = x1 - x0, y1 - y0
    squared = dx * dx + dy * dy
    reach = radius + 1e-9
    first = max(math.ceil((min(y0, y1) - reach) / pitch), 0)
    last = min(math.floor((max(y0, y1) + reach) / pitch), rows - 1)
    for j in range(first, last + 1):
        y = j * pitch
        # The part of the line whose y is within reach of this row bounds the columns.
        low, high = 0.0, 1.0
        if dy != 0.0:
            a, b = (y - reach - y0) / dy, (y + reach - y0) / dy
            low, high = max(low, min(a, b)), min(high, max(a, b))
        left = min(x0 + low * dx, x0 + high * dx) - reach
        right = max(x0 + low * dx, x0 + high * dx) + reach
        for i in range(max(math.ceil(left / pitch), 0), min(math.floor(right / pitch), columns - 1) + 1):
            if stock[j, i] > highest:
                x = i * pitch
                along = 0.0
                if squared > 0.0:
                    along = min(max(((x - x0) * dx + (y - y0) * dy) / squared, 0.0), 1.0)
                ex, ey = x - x0 - along * dx, y - y0 - along * dy
                if ex * ex + ey * ey <= reach * reach:
                    highest = stock[j, i]
    return highest


@inner
def _window_highest(values: Doubles, half: int, out: Doubles, ahead: Doubles) -> None:
    """Fill out[m] with the highest of values[m] to values[m + 2 half]: two running maxima a block (van Herk).

    `out` is 2 half shorter than `values`; `ahead` is room as long as `values`. Cost: 3 comparisons a value.
    """
    width = 2 * half + 1
    n = values.shape[0]
    for m in range(n):
        fresh = m % width == 0
        ahead[m] = values[m] if fresh or values[m] > ahead[m - 1] else ahead[m - 1]
    behind = -np.inf
    for m in range(n - 1, -1, -1):
        if (m + 1) % width == 0 or values[m] > behind:
            behind = values[m]
        if m < n - 2 * half:
            last = ahead[m + 2 * half]
            out[m] = behind if behind > last else last


@kernel
def met_along_row(stock: Floats, half: Counts, row: int, first: int, last: int, met: Doubles) -> None:
    """Fill met with the highest stock under a flat cutter at each node of a row.

    Parameters
    ----------
    stock : (rows, columns) float32, mm
    half : (2k + 1,) int64, half width, at most k, of the cutter's disc of nodes in each of its rows
    row, first, last : the nodes: columns first ≤ i < last of that row
    met : (last − first,) float64 out, mm

    Notes
    -----
    met = max over the disc's rows of a sliding maximum along the row. Cost: 4 comparisons for each row of the
    disc and node.
    """
    rows, columns = stock.shape
    k = half.shape[0] // 2
    n = last - first
    values = np.empty(n + 2 * k, dtype=np.float64)
    ahead = np.empty(n + 2 * k, dtype=np.float64)
    out = np.empty(n, dtype=np.float64)
    met[:] = -np.inf
    for j in range(max(row - k, 0), min(row + k, rows - 1) + 1):
        h = half[j - row + k]
        for m in range(n + 2 * h):
            i = first - h + m
            values[m] = stock[j, i] if 0 <= i < columns else -np.inf
        _window_highest(values[: n + 2 * h], h, out, ahead)
        for m in range(n):
            if out[m] > met[m]:
                met[m] = out[m]


@kernel
def carve_along_row(stock: Floats, half: Counts, row: int, first: int, heights: Doubles) -> None:
    """Lower the stock to what a flat cutter leaves whose tip goes along a row at `heights`.

    Parameters
    ----------
    stock : (rows, columns) float32, mm, changed in place
    half : (2k + 1,) int64, half width, at most k, of the cutter's disc of nodes in each of its rows
    row, first : the first node
    heights : (n,) float64, mm, of the tip at each node

    Notes
    -----
    c = min(c, min of the heights within the disc's half width), a sliding minimum for each row of the disc.
    """
    rows, columns = stock.shape
    k = half.shape[0] // 2
    n = heights.shape[0]
    values = np.empty(n + 4 * k, dtype=np.float64)
    ahead = np.empty(n + 4 * k, dtype=np.float64)
    out = np.empty(n + 2 * k, dtype=np.float64)
    for j in range(max(row - k, 0), min(row + k, rows - 1) + 1):
        h = half[j - row + k]
        whole = values[: n + 4 * h]
        whole[:] = -np.inf
        for m in range(n):
            whole[2 * h + m] = -heights[m]
        _window_highest(whole, h, out, ahead)
        for m in range(n + 2 * h):
            i = first - h + m
            if 0 <= i < columns and -out[m] < stock[j, i]:
                stock[j, i] = -out[m]


@kernel
def carve_capsule(
    stock: Floats, pitch: float, x0: float, y0: float, x1: float, y1: float, radius: float, z: float
) -> None:
    """Lower the stock to z where a flat cutter passes straight at that height (see `capsule_highest`)."""
    rows, columns = stock.shape
    dx, dy = x1 - x0, y1 - y0
    squared = dx * dx + dy * dy
    for j in range(
        max(math.ceil((min(y0, y1) - radius) / pitch), 0),
        min(math.floor((max(y0, y1) + radius) / pitch), rows - 1) + 1,
    ):
        for i in range(
            max(math.ceil((min(x0, x1) - radius) / pitch), 0),
            min(math.floor((max(x0, x1) + radius) / pitch), columns - 1) + 1,
        ):
            if stock[j, i] > z:
                x, y = i * pitch, j * pitch
                along = 0.0
                if squared > 0.0:
                    along = min(max(((x - x0) * dx + (y - y0) * dy) / squared, 0.0), 1.0)
                ex, ey = x - x0 - along * dx, y - y0 - along * dy
                if ex * ex + ey * ey <= radius * radius:
                    stock[j, i] = z


@kernel
def highest_left(
    places: Doubles, before: Doubles, starts: Doubles, ends: Doubles, radius: float, limit: float
) -> float:
    """Return the highest stock that moves of a flat cutter leave at some places, or the first over a limit.

    Parameters
    ----------
    places : (n, 2) mm
    before : (n,) mm, the stock there before the moves
    starts, ends : (m, 3) mm, finite
    radius, limit : mm

    Returns
    -------
    float, mm

    Notes
    -----
    Closed form of a flat cutter (see `kernels.sweep`): on a rising move the rim behind is what leaves a place
    lowest. The last moves come first: they are the lowest mostly. Cost: one distance for each place and move,
    at most.
    """
    moves = np.empty((starts.shape[0], 7))
    for k in range(starts.shape[0]):
        ascending(starts[k], ends[k], moves[k])
    highest = -np.inf
    for n in range(places.shape[0]):
        height = before[n]
        k = starts.shape[0] - 1
        while k >= 0 and height > highest:
            x, y = places[n, 0] - moves[k, 0], places[n, 1] - moves[k, 1]
            along, beside = x * moves[k, 3] + y * moves[k, 4], y * moves[k, 3] - x * moves[k, 4]
            half = radius * radius - beside * beside
            if half >= 0.0 and moves[k, 2] < height:
                half = math.sqrt(half)
                nearest = max(along - half, 0.0)
                if nearest <= min(along + half, moves[k, 5]):
                    height = min(height, moves[k, 2] + moves[k, 6] * nearest)
            k -= 1
        highest = max(highest, height)
        if highest > limit:
            break
    return highest


@kernel
def descend(
    floor: Doubles,
    axis: Doubles,
    met: Doubles,
    drop: float,
    bite: float,
    leave: float,
    least: int,
    begin: int,
    nodes: Counts,
    heights: Doubles,
    cuts: Flags,
) -> int:
    """Walk a pass from its first node to its last, down to its floor, never diving into solid stock.

    Where the stock under the cutter's axis stands more than `bite` above the floor, the tip sinks by at most
    `drop` from node to node. The wedge that this leaves is taken by going back and forth over it before the
    pass goes on; a wedge at the end of the pass may end it at either of its ends. A walk may begin further in
    and sink on its way back to the first node: that saves a way to and fro.

    Parameters
    ----------
    floor : (n,) mm, height of the tip that the pass is to reach at each node
    axis : (n,) mm, stock under the axis; changed
    met : (n,) mm, highest stock under the cutter; changed
    drop : mm, steepest descent into stock from one node to the next
    bite : mm
    leave, least : mm and nodes, a wedge that stands higher than this above the floor over fewer nodes is left
    begin : number of the node that the walk begins at
    nodes, heights, cuts : out, (m,) number of the node, height of the tip, whether stock may be met there

    Returns
    -------
    int, how many positions were written; the walk stops when there is no room for more
    """
    n = floor.shape[0]
    solid = np.empty(n, dtype=np.bool_)
    for m in range(n):
        solid[m] = axis[m] > floor[m] + bite
    height = max(floor[begin], axis[begin]) if solid[begin] else floor[begin]
    count = _stand(begin, height, axis, met, nodes, heights, cuts, NONE)
    if begin > 0:
        count = _go(begin, NONE, floor, axis, met, solid, drop, bite, nodes, heights, cuts, count)
    at, front, wedge = NONE, NONE, -1
    while count < nodes.shape[0]:
        goal = front + 1
        if at < front:
            if front == n - 1 and not _left(floor, axis, at, front, leave, least):
                break
            goal = front
        else:
            above = heights[count - 1] > floor[at] + EVEN
            if above and wedge < 0:
                wedge = at
            if wedge >= 0 and (not above or at == n - 1):
                wedge = min(wedge, max(at - RUN_UP, 0))
                if wedge < at and _left(floor, axis, wedge, at, leave, least):
                    goal = wedge
                else:
                    wedge = -1
        if goal == n:
            break
        count = _go(at, goal, floor, axis, met, solid, drop, bite, nodes, heights, cuts, count)
        at, front = goal, max(front, goal)
    return count


@inner
def _go(
    start: int,
    goal: int,
    floor: Doubles,
    axis: Doubles,
    met: Doubles,
    solid: Flags,
    drop: float,
    bite: float,
    nodes: Counts,
    heights: Doubles,
    cuts: Flags,
    count: int,
) -> int:
    """Step from one node of a pass to another, sinking no faster than the ramp in solid stock."""
    way = 1 if goal > start else -1
    at = start
    while at != goal and count < nodes.shape[0]:
        at += way
        height = floor[at]
        if solid[at] and axis[at] > floor[at] + bite:
            height = max(height, min(heights[count - 1], axis[at]) - drop)
        count = _stand(at, height, axis, met, nodes, heights, cuts, count)
    return count


@inner
def _stand(
    at: int,
    height: float,
    axis: Doubles,
    met: Doubles,
    nodes: Counts,
    heights: Doubles,
    cuts: Flags,
    count: int,
) -> int:
    """Note a position, and whether the cutter takes something there or on the way from the last one."""
    nodes[count], heights[count] = at, height
    cuts[count] = met[at] > height - NEAR or (count > 0 and met[nodes[count - 1]] > height - NEAR)
    met[at], axis[at] = min(met[at], height), min(axis[at], height)
    return count + 1


@inner
def _left(floor: Doubles, axis: Doubles, first: int, last: int, leave: float, least: int) -> bool:
    high = 0
    for m in range(first, last + 1):
        if axis[m] - floor[m] > leave:
            high += 1
    return high >= least


@kernel
def thin(along: Doubles, heights: Doubles, slack: float, fall: float, kept: Counts, raised: Doubles) -> int:
    """Leave out positions of a walk that a straight line passes over by at most `slack`, never under.

    Parameters
    ----------
    along, heights : (n,) mm, the walk; along may turn back
    slack : mm
    fall : drop over run that a line keeps to where it may
    kept, raised : out, (n,) which positions stay, and their new heights (h ≤ raised ≤ h + slack)

    Returns
    -------
    int, how many stay; the first and the last always do

    Notes
    -----
    From each kept position the slopes that clear h and stay under h + slack for every following position are
    an interval; the line goes on until it is empty. Turning points are always kept. Cost: one visit each.
    """
    n = along.shape[0]
    kept[0], raised[0] = 0, heights[0]
    count = 1
    start = 0
    while start < n - 1:
        z = raised[count - 1]
        way = along[start + 1] - along[start]
        low, high = -np.inf, np.inf
        end, slope = start + 1, (heights[start + 1] - z) / abs(way)
        for m in range(start + 1, n):
            if (along[m] - along[m - 1]) * way <= 0.0:
                break
            run = abs(along[m] - along[start])
            new_low, new_high = max(low, (heights[m] - z) / run), min(high, (heights[m] + slack - z) / run)
            if new_low > new_high:
                break
            low, high, end = new_low, new_high, m
            # Ending as low as allowed keeps the excess from adding up; falling slowly keeps a ramp a ramp.
            slope = low if low >= -fall else min(high, -fall)
        kept[count], raised[count] = end, z + slope * abs(along[end] - along[start])
        count += 1
        start = end
    return count


@kernel
def ease_over(low: Doubles, high: Doubles, lift: float, pull: float, rounds: int, out: Doubles) -> None:
    """Fill out with the way between `low` and `high` that bends least, and lies no higher than that asks for.

    Parameters
    ----------
    low, high : (n,) mm, heights at nodes in a row; low ≤ high
    lift : a way that nothing binds has this fourth difference, mm: less lies higher and bends less
    pull : of the search: ways that swing over 2 π / pull^¼ nodes are found first
    rounds : of the search
    out : (n,) mm

    Notes
    -----
    Σ (second difference)² / 2 + lift Σ height is least. By alternating directions (ADMM: Boyd et al.,
    Foundations and Trends in Machine Learning 3:1, 2011, sections 3.4.3 and 5.2, from memory): the sum, for a
    way tied to one that keeps to the bounds, five diagonals that are factored once; then that one, clipped.
    Cost: about 20 multiplications for each node and round.
    """
    n = low.shape[0]
    for m in range(n):
        out[m] = low[m]
    if n < 4:
        return
    beside, beyond, share = np.empty(n), np.empty(n), np.empty(n)
    _factored(pull, beside, beyond, share)
    ties, way = np.zeros(n), np.empty(n)
    for _ in range(rounds):
        for m in range(n):
            way[m] = pull * (out[m] - ties[m]) - lift
            if m > 0:
                way[m] -= beside[m] * way[m - 1]
            if m > 1:
                way[m] -= beyond[m] * way[m - 2]
        for m in range(n - 1, -1, -1):
            way[m] *= share[m]
            if m < n - 1:
                way[m] -= beside[m + 1] * way[m + 1]
            if m < n - 2:
                way[m] -= beyond[m + 2] * way[m + 2]
        for m in range(n):
            further = FURTHER * way[m] + (1.0 - FURTHER) * out[m] + ties[m]
            out[m] = min(max(further, low[m]), high[m])
            ties[m] = further - out[m]


@inner
def _factored(pull: float, beside: Doubles, beyond: Doubles, share: Doubles) -> None:
    """Factor DᵀD + pull, D the second differences of n ≥ 4 nodes, into L S Lᵀ; share = 1 / S."""
    n = share.shape[0]
    for m in range(n):
        ends = min(m, n - 1 - m)
        value = (1.0 if ends == 0 else 5.0 if ends == 1 else 6.0) + pull
        far = 1.0 if m > 1 else 0.0
        near = 0.0 if m == 0 else -2.0 if m == 1 or m == n - 1 else -4.0
        beyond[m], beside[m] = 0.0, 0.0
        if m > 1:
            beyond[m] = far * share[m - 2]
            near -= far * beside[m - 1]
            value -= far * beyond[m]
        if m > 0:
            beside[m] = near * share[m - 1]
            value -= near * beside[m]
        share[m] = 1.0 / value
