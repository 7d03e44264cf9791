"""What straight moves of a cutter leave of a surface: exact swept envelopes, never samples.

Legend: a node lies at a along a move and d beside it; the move is L long seen from above, starts with its
tip at t0 and rises by g per mm; w = a − (where the tip is). The tip at w leaves the node no higher than

    f(w) = t0 + g (a − w) + s(√(d² + w²)),   w from a − L to a,   √(d² + w²) ≤ R

with s the cutter's profile: a flat core of radius F, a corner arc of radius c, a tangent cone of slope m.
s is convex, so f is, and the swept envelope is f at the free minimiser clamped to the interval.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relief.kernels.bands import in_bands
from relief.kernels.compiled import inner, kernel

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

RIM = 1e-9  # mm: a node this far outside the cutter counts as touched, so that rounding hides no cut
SHORT = 1e-7  # mm: a move shorter than this, seen from above, is a plunge
LEVEL = 1e-12  # a slope too small to tell from none
SLACK = 1e-6  # mm: bounds are loosened by this, so that rounding cannot pass over a cut
TILE = 16  # nodes along a side of a tile, and of a cell
BALL, FLAT, CONE, OTHER = 0, 1, 2, 3  # which closed form a profile takes


@kernel
def profile_at(r: float, shape4: Doubles) -> float:
    """Return s(r), mm; infinite beyond the radius. A circle and its tangent. Cost: 2 square roots."""
    flat, corner, slope, radius = shape4[0], shape4[1], shape4[2], shape4[3]
    if r > radius + RIM:
        return math.inf
    u = min(r, radius) - flat
    if u <= 0.0:
        return 0.0
    if slope == math.inf:
        return float(corner - math.sqrt(max(corner * corner - u * u, 0.0)))
    sine = 1.0 / math.sqrt(1.0 + slope * slope)
    join = corner * slope * sine
    if u <= join:
        return float(corner - math.sqrt(max(corner * corner - u * u, 0.0)))
    return float(corner * (1.0 - sine) + (u - join) * slope)


@inner
def corner_offset(d: float, g: float, flat: float, corner: float) -> float:
    """Return the free minimiser w > 0 on the corner arc of a bull nose (flat > 0, corner > 0, g > 0, d < R).

    The arc is a ball of radius c carried round the core's rim. With the ball at the rim's angle φ from the
    move (σ = sin φ) and the contact at χ from the ball's middle, f' = 0 reads tan χ = κ tan φ with
    κ = g/√(1 + g²):

        F σ + c κ σ / √(1 − j σ²) = d,   j = 1 − κ²,   w = √(1 − σ²) (F + κ c / √(1 − j σ²))

    The left side is convex and rises with σ: Newton inside a bracket. f is flat at its minimum, so an error
    of 1e-5 in w is 1e-10 in f. Cost: about 5 square roots.
    """
    kappa2 = g * g / (1.0 + g * g)
    kappa = math.sqrt(kappa2)
    j = 1.0 / (1.0 + g * g)  # 1 − j σ² = 1 − σ² + κ² σ², which does not cancel
    low = max((d - corner) / flat, 0.0)
    high = min(d / (flat + corner * kappa), 1.0)
    sigma = high
    if d > flat:
        left = 1.0 - corner * corner * kappa2 / ((d - flat) * (d - flat))
        if left > 0.0:  # a lower bound: the equation with σ = 1 outside the root
            low = max(low, min(math.sqrt(left / j), high))
            sigma = low
    for _ in range(60):
        root = math.sqrt((1.0 - sigma) * (1.0 + sigma) + kappa2 * sigma * sigma)
        miss = flat * sigma + corner * kappa * sigma / root - d
        if miss > 0.0:
            high = sigma
        else:
            low = sigma
        step = miss / (flat + corner * kappa / (root * root * root))
        following = sigma - step
        if not low <= following <= high:
            following = 0.5 * (low + high)
        done = abs(following - sigma) <= 1e-6 * (1.0 - following) + 1e-15
        sigma = following
        if done:
            break
    root = math.sqrt((1.0 - sigma) * (1.0 + sigma) + kappa2 * sigma * sigma)
    return math.sqrt((1.0 - sigma) * (1.0 + sigma)) * (flat + kappa * corner / root)


@inner
def free_offset(d: float, g: float, shape4: Doubles) -> float:
    """Return the w ≥ 0 that minimises s(√(d² + w²)) − g w over the cutter, for a slope g ≥ 0 and d ≤ R.

    ball: w = g √((c² − d²) / (1 + g²));  cone: w = d g / √(m² − g²);  flat: w = √(R² − d²).
    Found by setting f' = s'(r) w/r − g = 0 on each piece; f is convex, so the first piece that holds its own
    root has it. Cost: about 4 square roots; a bull nose adds `corner_offset`.
    """
    flat, corner, slope, radius = shape4[0], shape4[1], shape4[2], shape4[3]
    if g < LEVEL or d >= radius:
        return 0.0
    rim = math.sqrt(radius * radius - d * d)
    w = math.sqrt(flat * flat - d * d) if d < flat else 0.0
    join = flat + corner
    if slope < math.inf:
        join = flat + corner * slope / math.sqrt(1.0 + slope * slope)
    if corner > 0.0 and d < join:
        to_join = math.sqrt(join * join - d * d)
        if slope == math.inf or slope * to_join >= g * join:
            if flat > 0.0:
                return min(corner_offset(d, g, flat, corner), rim)
            return min(g * math.sqrt((corner * corner - d * d) / (1.0 + g * g)), rim)
        w = to_join
    if slope < math.inf:
        w = max(w, d * g / math.sqrt(slope * slope - g * g)) if g < slope else rim
    return min(w, rim)


@kernel
def swept_height(a: float, d: float, length: float, t0: float, g: float, shape4: Doubles) -> float:
    """Return the height, mm, that a move leaves at a node; infinite where it does not reach.

    Parameters
    ----------
    a, d : mm, of the node along and beside the move
    length, t0, g : L mm, tip height at the start mm, rise per mm; for a plunge L = g = 0, t0 its lower end
    shape4 : [flat radius, corner radius, cone slope, radius]
    """
    w = math.copysign(free_offset(abs(d), abs(g), shape4), g)
    w = min(max(w, a - length), a)
    return t0 + g * (a - w) + profile_at(math.sqrt(d * d + w * w), shape4)


@kernel
def reach_below(slack: float, shape4: Doubles) -> float:
    """Return the largest r, mm, with s(r) < slack: how far from its axis a tip can cut so much above itself.

    The inverse of `profile_at`; negative where slack ≤ 0 (nothing), R where all of the cutter lies lower.
    Cost: 2 square roots.
    """
    flat, corner, slope, radius = shape4[0], shape4[1], shape4[2], shape4[3]
    if slack <= 0.0:
        return -1.0
    if slope == math.inf:
        if slack >= corner:
            return float(radius)
        return float(flat + math.sqrt(slack * (2.0 * corner - slack)))
    sine = 1.0 / math.sqrt(1.0 + slope * slope)
    if slack <= corner * (1.0 - sine):
        return float(min(flat + math.sqrt(slack * (2.0 * corner - slack)), radius))
    return float(min(flat + corner * slope * sine + (slack - corner * (1.0 - sine)) / slope, radius))


@inner
def stamp_ball(
    tile: Doubles, j0: int, j1: int, i: int, j: int, pitch: float, m: Doubles, s4: Doubles
) -> None:
    """Lower rows j0..j1 of the tile at node (j, i) to a ball's move. Cost: 1 square root a node.

    w = g √(q / (1 + g²)) with q = R² − d²: there f = t0 + g a + R − √((1 + g²) q); clamped to w = a or a − L
    it is the ball at that end, R − √(q − w²).
    """
    x0, y0, t0, ex, ey, length, g = m[0], m[1], m[2], m[3], m[4], m[5], m[6]
    radius = s4[3]
    far = t0 + g * length
    steep = 1.0 + g * g
    k2 = g * g / steep
    tolerance = -2.0 * radius * RIM
    for jj in range(j0, j1 + 1):
        y = (j + jj) * pitch - y0
        for ii in range(TILE):
            x = (i + ii) * pitch - x0
            a = x * ex + y * ey
            d = y * ex - x * ey
            b = a - length
            q = radius * radius - d * d
            free = k2 * max(q, 0.0)
            low = (a < 0.0) | (free > a * a)
            high = (b > 0.0) & (free < b * b)
            inside = q - a * a if low else (q - b * b if high else q)
            base = t0 if low else (far if high else t0 + g * a)
            scale = 1.0 if low | high else steep
            h = base + radius - math.sqrt(max(inside, 0.0) * scale)
            h = h if inside >= tolerance else math.inf
            tile[jj, ii] = h if h < tile[jj, ii] else tile[jj, ii]


@inner
def stamp_flat(
    tile: Doubles, j0: int, j1: int, i: int, j: int, pitch: float, m: Doubles, s4: Doubles
) -> None:
    """Lower rows j0..j1 of the tile at node (j, i) to a flat end mill's move. Cost: 1 square root a node.

    On a rising move the lowest part that covers a node is the rim behind: w = √(R² − d²).
    """
    x0, y0, t0, ex, ey, length, g = m[0], m[1], m[2], m[3], m[4], m[5], m[6]
    radius = s4[3]
    rises = 1.0 if g > 0.0 else 0.0
    tolerance = -2.0 * radius * RIM
    for jj in range(j0, j1 + 1):
        y = (j + jj) * pitch - y0
        for ii in range(TILE):
            x = (i + ii) * pitch - x0
            a = x * ex + y * ey
            d = y * ex - x * ey
            q = radius * radius - d * d
            w = min(max(math.sqrt(max(q, 0.0)) * rises, a - length), a)
            h = t0 + g * (a - w) if q - w * w >= tolerance else math.inf
            tile[jj, ii] = h if h < tile[jj, ii] else tile[jj, ii]


@inner
def stamp_cone(
    tile: Doubles, j0: int, j1: int, i: int, j: int, pitch: float, m: Doubles, s4: Doubles
) -> None:
    """Lower rows j0..j1 of the tile at node (j, i) to a vee's or taper's move. Cost: 3 square roots a node.

    The free minimiser is the ball's if it lies on the ball, else the cone's, d g / √(m² − g²), or the rim
    where the move is steeper than the cone.
    """
    x0, y0, t0, ex, ey, length, g = m[0], m[1], m[2], m[3], m[4], m[5], m[6]
    corner, slope, radius = s4[1], s4[2], s4[3]
    sine = 1.0 / math.sqrt(1.0 + slope * slope)
    join = corner * slope * sine
    offset = corner * (1.0 - sine) - join * slope
    on_ball = g / math.sqrt(1.0 + g * g)
    on_cone = g / math.sqrt(slope * slope - g * g) if g < slope else 0.0
    rises = g >= slope
    tolerance = -2.0 * radius * RIM
    for jj in range(j0, j1 + 1):
        y = (j + jj) * pitch - y0
        for ii in range(TILE):
            x = (i + ii) * pitch - x0
            a = x * ex + y * ey
            d = y * ex - x * ey
            d2 = d * d
            rim = math.sqrt(max(radius * radius - d2, 0.0))
            wb = on_ball * math.sqrt(max(corner * corner - d2, 0.0))
            wc = rim if rises else abs(d) * on_cone
            w = min(wb if d2 + wb * wb < join * join else wc, rim)
            w = min(max(w, a - length), a)
            r2 = d2 + w * w
            ball = r2 <= join * join
            root = math.sqrt(corner * corner - r2 if ball else min(r2, radius * radius))
            h = t0 + g * (a - w) + (corner - root if ball else offset + slope * root)
            h = h if radius * radius - r2 >= tolerance else math.inf
            tile[jj, ii] = h if h < tile[jj, ii] else tile[jj, ii]


@inner
def rise_at(w: float, d2: float, shape4: Doubles) -> float:
    """Return ds/dw at r = √(d² + w²), w > 0; infinite at the radius and beyond.

    s' = tan of the arc's angle, u / √(c² − u²), but no more than the cone's slope. Cost: 2 square roots.
    """
    r = math.sqrt(d2 + w * w)
    u = r - shape4[0]
    if u <= 0.0:
        return 0.0
    if r >= shape4[3]:
        return math.inf
    spare = shape4[1] * shape4[1] - u * u
    rise = min(u / math.sqrt(spare), shape4[2]) if spare > 0.0 else shape4[2]
    return float(rise * w / r)


@inner
def stamp_any(tile: Doubles, j0: int, j1: int, i: int, j: int, pitch: float, m: Doubles, s4: Doubles) -> None:
    """Lower rows j0..j1 of the tile at node (j, i) to a move of any profile, a bull nose above all.

    f ≥ t0 + s(least distance), found for a whole row at once, leaves few nodes to look at. Where f falls
    over all of the interval, or rises, one end is the answer; only nodes between need the free minimiser.
    """
    x0, y0, t0, ex, ey, length, g = m[0], m[1], m[2], m[3], m[4], m[5], m[6]
    flat, corner, slope, radius = s4[0], s4[1], s4[2], s4[3]
    tolerance = (radius + RIM) * (radius + RIM)
    sine = 1.0 / math.sqrt(1.0 + slope * slope)
    join = corner * slope * sine if slope < math.inf else corner
    steep = slope if slope < math.inf else 0.0
    bend, narrow = 0.5 / corner if corner > 0.0 else 0.0, 1.0 / (radius + RIM + flat)
    least = np.empty(TILE)
    for jj in range(j0, j1 + 1):
        y = (j + jj) * pitch - y0
        hopeful = 0
        for ii in range(TILE):
            x = (i + ii) * pitch - x0
            a = x * ex + y * ey
            d = y * ex - x * ey
            w = min(max(0.0, a - length), a)
            r2 = d * d + w * w
            # no more than r − flat = (r² − flat²) / (r + flat), and than the arc's c − √(c² − u²)
            u = max(r2 - flat * flat, 0.0) * narrow
            arc = u * u * bend
            cone = corner * (1.0 - sine) + (u - join) * steep
            s = cone if u > join else arc
            least[ii] = t0 + s if r2 <= tolerance else math.inf
            hopeful += 1 if least[ii] - SLACK < tile[jj, ii] else 0
        if hopeful == 0:
            continue
        for ii in range(TILE):
            if least[ii] - SLACK >= tile[jj, ii]:
                continue
            x = (i + ii) * pitch - x0
            a = x * ex + y * ey
            d = y * ex - x * ey
            d2 = d * d
            w = min(max(0.0, a - length), a)
            if g > 0.0 and a > 0.0:
                if rise_at(a, d2, s4) <= g:
                    w = a
                elif w == 0.0 or rise_at(w, d2, s4) < g:
                    w = min(max(free_offset(abs(d), g, s4), w), a)
            h = t0 + g * (a - w) + profile_at(math.sqrt(d2 + w * w), s4)
            if h < tile[jj, ii]:
                tile[jj, ii] = h


@inner
def ascending(start: Doubles, end: Doubles, move: Doubles) -> bool:
    """Write a move from its lower end as [x0, y0, t0, ex, ey, L, g]; False where it is not finite."""
    if end[2] < start[2]:
        start, end = end, start
    dx, dy, dz = end[0] - start[0], end[1] - start[1], end[2] - start[2]
    move[0], move[1], move[2] = start[0], start[1], start[2]
    length = math.sqrt(dx * dx + dy * dy)
    if length < SHORT:
        move[3], move[4], move[5], move[6] = 1.0, 0.0, 0.0, 0.0
    else:
        move[3], move[4], move[5], move[6] = dx / length, dy / length, length, dz / length
    return math.isfinite(length + dz + start[0] + start[1] + start[2])


@inner
def clip(move: Doubles, left: float, near: float, right: float, far: float, span: Doubles) -> bool:
    """Write the part [u0, u1] of a move inside a box; False where there is none (Liang and Barsky)."""
    span[0], span[1] = 0.0, move[5]
    for axis in range(2):
        low = (left if axis == 0 else near) - move[axis]
        high = (right if axis == 0 else far) - move[axis]
        e = move[3 + axis]
        if abs(e) * move[5] < SHORT:
            if low > max(e * move[5], 0.0) or high < min(e * move[5], 0.0):
                return False
        else:
            u, v = low / e, high / e
            span[0] = max(span[0], min(u, v))
            span[1] = min(span[1], max(u, v))
    return bool(span[0] <= span[1])


@kernel
def bin_moves(
    rows: int,
    columns: int,
    pitch: float,
    radius: float,
    starts: Doubles,
    ends: Doubles,
    pad: int,
    first: Counts,
    fill: bool,
    pieces: Doubles,
) -> None:
    """Cut moves into pieces of at most a tile's width, count them by cell or put them in the cells' order.

    Parameters
    ----------
    starts, ends : (n, 3) mm
    first : (cells + 1,) int64
        Without `fill`: out, pieces of cell k in first[k + 1]. With `fill`: each cell's next place.
    pieces : (count, 7) out, [x0, y0, t0, ex, ey, L, g] of each piece from its lower end
    """
    wide = (columns + TILE - 1) // TILE + 2 * pad
    high = (rows + TILE - 1) // TILE + 2 * pad
    size = TILE * pitch
    margin = radius + RIM
    move, span = np.empty(7), np.empty(2)
    right, far = (columns - 1) * pitch + margin, (rows - 1) * pitch + margin
    for k in range(starts.shape[0]):
        if not ascending(starts[k], ends[k], move) or not clip(move, -margin, -margin, right, far, span):
            continue
        count = max(math.ceil((span[1] - span[0]) / size), 1)
        part = (span[1] - span[0]) / count
        for n in range(count):
            u = span[0] + n * part
            x, y = move[0] + u * move[3], move[1] + u * move[4]
            middle = 0.5 * part
            i = int((x + middle * move[3]) / size + pad)
            j = int((y + middle * move[4]) / size + pad)
            cell = min(max(j, 0), high - 1) * wide + min(max(i, 0), wide - 1)
            if fill:
                place = first[cell]
                pieces[place, 0], pieces[place, 1], pieces[place, 2] = x, y, move[2] + u * move[6]
                pieces[place, 3], pieces[place, 4] = move[3], move[4]
                pieces[place, 5], pieces[place, 6] = part, move[6]
                first[cell] = place + 1
            else:
                first[cell + 1] += 1


@kernel
def bound_cells(
    first: Counts, pieces: Doubles, columns: int, pad: int, bounds: Doubles, touched: Flags
) -> None:
    """Find the box and the lowest tip of each cell's pieces, and the tiles that a cell can reach.

    Parameters
    ----------
    first : (cells + 1,) int64, place of each cell's first piece
    columns : of tiles; cells lie `pad` further out on every side
    bounds : (cells, 5) out, [left, near, right, far, lowest tip]; left alone for empty cells
    touched : (rows, columns) out, True for tiles within `pad` cells of a piece
    """
    wide = columns + 2 * pad
    for cell in range(len(first) - 1):
        if first[cell] == first[cell + 1]:
            continue
        left, near, right, far, lowest = math.inf, math.inf, -math.inf, -math.inf, math.inf
        for k in range(first[cell], first[cell + 1]):
            x0, y0 = pieces[k, 0], pieces[k, 1]
            x1, y1 = x0 + pieces[k, 5] * pieces[k, 3], y0 + pieces[k, 5] * pieces[k, 4]
            left, right = min(left, x0, x1), max(right, x0, x1)
            near, far = min(near, y0, y1), max(far, y0, y1)
            lowest = min(lowest, pieces[k, 2])
        bounds[cell, 0], bounds[cell, 1], bounds[cell, 2] = left, near, right
        bounds[cell, 3], bounds[cell, 4] = far, lowest
        j, i = cell // wide - pad, cell % wide - pad
        for tj in range(max(j - pad, 0), min(j + pad + 1, touched.shape[0])):
            for ti in range(max(i - pad, 0), min(i + pad + 1, touched.shape[1])):
                touched[tj, ti] = True


@inner
def gap(low: float, high: float, left: float, right: float) -> float:
    """Return the distance between two intervals; 0 where they meet."""
    return max(left - high, low - right, 0.0)


@kernel
def highest(tile: Doubles, rim: Doubles) -> float:
    """Return the largest value of a tile; row by row into `rim`, which compilers do at full width."""
    for ii in range(TILE):
        rim[ii] = tile[0, ii]
    for jj in range(1, TILE):
        for ii in range(TILE):
            rim[ii] = tile[jj, ii] if tile[jj, ii] > rim[ii] else rim[ii]
    top = rim[0]
    for ii in range(1, TILE):
        top = max(top, rim[ii])
    return float(top)


@inner
def sweep_tile(
    tile: Doubles,
    i: int,
    j: int,
    pitch: float,
    shape4: Doubles,
    kind: int,
    around: Counts,
    home: int,
    first: Counts,
    bounds: Doubles,
    pieces: Doubles,
    rim: Doubles,
) -> None:
    """Lower the tile whose first node is (j, i) to the pieces of the cells around its own, `home`.

    A cell or piece is passed over where its lowest tip plus s(least distance) is no lower than the tile's
    highest node; the same bound trims a piece to the tile's rows it can lower.
    """
    left, near = i * pitch, j * pitch
    right, far = left + (TILE - 1) * pitch, near + (TILE - 1) * pitch
    top = highest(tile, rim)
    for step in range(len(around)):
        cell = home + around[step]
        if first[cell] == first[cell + 1]:
            continue
        reach = reach_below(top - bounds[cell, 4] + SLACK, shape4) + SLACK
        dx = gap(bounds[cell, 0], bounds[cell, 2], left, right)
        dy = gap(bounds[cell, 1], bounds[cell, 3], near, far)
        if reach < 0.0 or dx * dx + dy * dy > reach * reach:
            continue
        lowered = False
        for k in range(first[cell], first[cell + 1]):
            if pieces[k, 2] >= top:
                continue
            reach = reach_below(top - pieces[k, 2] + SLACK, shape4) + SLACK
            x0, y0 = pieces[k, 0], pieces[k, 1]
            x1, y1 = x0 + pieces[k, 5] * pieces[k, 3], y0 + pieces[k, 5] * pieces[k, 4]
            dx = gap(min(x0, x1), max(x0, x1), left, right)
            dy = gap(min(y0, y1), max(y0, y1), near, far)
            spare = reach * reach - dx * dx
            if spare < dy * dy:
                continue
            spare = math.sqrt(spare)
            j0 = max(math.ceil((min(y0, y1) - spare - near) / pitch), 0)
            j1 = min(math.floor((max(y0, y1) + spare - near) / pitch), TILE - 1)
            if kind == BALL:
                stamp_ball(tile, j0, j1, i, j, pitch, pieces[k], shape4)
            elif kind == FLAT:
                stamp_flat(tile, j0, j1, i, j, pitch, pieces[k], shape4)
            elif kind == CONE:
                stamp_cone(tile, j0, j1, i, j, pitch, pieces[k], shape4)
            else:
                stamp_any(tile, j0, j1, i, j, pitch, pieces[k], shape4)
            lowered = True
        if lowered:
            top = highest(tile, rim)


@kernel
def sweep_tiles(
    c: Floats,
    pitch: float,
    shape4: Doubles,
    kind: int,
    around: Counts,
    pad: int,
    first: Counts,
    bounds: Doubles,
    pieces: Doubles,
    touched: Flags,
    row: int,
    last: int,
) -> None:
    """Lower the rows of tiles row ≤ j < last of `c`, each tile in double precision, stored once."""
    rows, columns = c.shape
    wide = touched.shape[1] + 2 * pad
    tile, rim = np.empty((TILE, TILE)), np.empty(TILE)
    for tj in range(row, last):
        for ti in range(touched.shape[1]):
            if not touched[tj, ti]:
                continue
            j, i = tj * TILE, ti * TILE
            tall, broad = min(rows - j, TILE), min(columns - i, TILE)
            for jj in range(TILE):
                for ii in range(TILE):
                    tile[jj, ii] = c[j + jj, i + ii] if jj < tall and ii < broad else -math.inf
            home = (tj + pad) * wide + ti + pad
            sweep_tile(tile, i, j, pitch, shape4, kind, around, home, first, bounds, pieces, rim)
            for jj in range(tall):
                for ii in range(broad):
                    c[j + jj, i + ii] = np.float32(tile[jj, ii])


@kernel
def cut_depths(
    c: Floats,
    pitch: float,
    shape4: Doubles,
    starts: Doubles,
    ends: Doubles,
    carve: bool,
    depths: Doubles,
    row: int,
    last: int,
) -> None:
    """Find how deep each of the moves row ≤ k < last cuts below `c`; with `carve`, `c` follows move by move.

    Parameters
    ----------
    depths : (n,) out, mm, largest c − h over the nodes of a move; 0 where it removes nothing

    Notes
    -----
    Without `carve` all moves meet the same `c`. Cost: one comparison for each node within R of a move, one
    `swept_height` where the node stands above the move's lowest tip.
    """
    rows, columns = c.shape
    radius = shape4[3] + RIM
    move = np.empty(7)
    for k in range(row, last):
        depths[k] = 0.0
        if not ascending(starts[k], ends[k], move):
            continue
        x0, y0, t0, ex, ey, length, g = move[0], move[1], move[2], move[3], move[4], move[5], move[6]
        x1, y1 = x0 + length * ex, y0 + length * ey
        j0 = math.ceil(max((min(y0, y1) - radius) / pitch, 0.0))
        j1 = math.floor(min((max(y0, y1) + radius) / pitch, rows - 1.0))
        deepest = 0.0
        for j in range(j0, j1 + 1):
            y = j * pitch - y0
            left, right = min(x0, x1) - radius, max(x0, x1) + radius
            if abs(ey) > 1e-9:  # the move's band, seen along this row
                middle, half = x0 + y * ex / ey, radius / abs(ey)
                left, right = max(left, middle - half), min(right, middle + half)
            i0 = math.ceil(max(left / pitch - 1e-6, 0.0))
            i1 = math.floor(min(right / pitch + 1e-6, columns - 1.0))
            for i in range(i0, i1 + 1):
                if c[j, i] <= t0 + (0.0 if carve else deepest):
                    continue
                x = i * pitch - x0
                h = swept_height(x * ex + y * ey, y * ex - x * ey, length, t0, g, shape4)
                deepest = max(deepest, c[j, i] - h)
                if carve and h < c[j, i]:
                    c[j, i] = np.float32(h)
        depths[k] = deepest


def padding(radius: float, pitch: float) -> int:
    """Return how many cells away from a tile a piece that reaches it may be kept (by its middle)."""
    return math.ceil((radius + RIM) / (TILE * pitch) + 0.5)


def kind_of(shape4: Doubles) -> int:
    """Return which closed form a profile takes."""
    flat, corner, slope, _ = shape4
    if flat == 0.0:
        return BALL if slope == math.inf else CONE
    return FLAT if corner == 0.0 and slope == math.inf else OTHER


def sweep(c: Floats, pitch: float, shape4: Doubles, starts: Doubles, ends: Doubles) -> None:
    """Lower `c` to what straight moves of a cutter leave: c = min(c, swept envelope).

    Parameters
    ----------
    c : (rows, columns) float32, mm, C-contiguous, changed in place
    pitch : mm between nodes
    shape4 : [flat radius, corner radius, cone slope, radius] of the cutter, mm
    starts, ends : (n, 3) float64, mm, tip positions measured from node (0, 0)
        A move with an end that is not finite removes nothing.

    Notes
    -----
    Gathered by tiles of 16 × 16 nodes from pieces of moves kept by cells of the same size. Neither the order
    of the moves nor their direction, nor how they are shared out over calls, changes a bit of the result.
    Tiles out of reach of the moves are not looked at.
    """
    rows, columns = c.shape
    radius = float(shape4[3])
    shape4, starts, ends = _doubles(shape4, starts, ends)
    pad = padding(radius, pitch)
    tall, broad = -(-rows // TILE), -(-columns // TILE)
    cells = (tall + 2 * pad) * (broad + 2 * pad)
    first = np.zeros(cells + 1, dtype=np.int64)
    nothing = np.empty((0, 7))
    bin_moves(rows, columns, pitch, radius, starts, ends, pad, first, False, nothing)
    np.cumsum(first, out=first)
    pieces = np.empty((int(first[-1]), 7))
    if not len(pieces):
        return
    bin_moves(rows, columns, pitch, radius, starts, ends, pad, first[:-1].copy(), True, pieces)
    bounds = np.empty((cells, 5))
    touched = np.zeros((tall, broad), dtype=np.bool_)
    bound_cells(first, pieces, broad, pad, bounds, touched)
    around = cells_around(pad, broad + 2 * pad)
    kind = kind_of(shape4)
    busy = np.flatnonzero(touched.any(axis=1))
    row0 = int(busy[0])

    def band(row: int, last: int) -> None:
        sweep_tiles(
            c, pitch, shape4, kind, around, pad, first, bounds, pieces, touched, row0 + row, row0 + last
        )

    in_bands(band, int(busy[-1]) + 1 - row0, height=4)


def cells_around(pad: int, wide: int) -> Counts:
    """Return the offsets of the cells within `pad` of one, nearest first, in a grid `wide` cells wide."""
    steps = np.arange(-pad, pad + 1)
    j, i = (axis.ravel() for axis in np.meshgrid(steps, steps, indexing="ij"))
    order = np.argsort(i * i + j * j, kind="stable")
    return (j * wide + i)[order].astype(np.int64)


def depths_in_turn(c: Floats, pitch: float, shape4: Doubles, starts: Doubles, ends: Doubles) -> Doubles:
    """Return how deep each move cuts, mm, and lower `c` to what they leave, one after the other.

    For short runs: `sweep` is many times faster where only what all moves leave is asked for.
    """
    depths = np.empty(len(starts))
    shape4, starts, ends = _doubles(shape4, starts, ends)
    cut_depths(c, pitch, shape4, starts, ends, True, depths, 0, len(starts))
    return depths


def depths_below(c: Floats, pitch: float, shape4: Doubles, starts: Doubles, ends: Doubles) -> Doubles:
    """Return how deep each move would cut into `c`, mm, each by itself; `c` stays as it is."""
    depths = np.empty(len(starts))
    shape4, starts, ends = _doubles(shape4, starts, ends)

    def band(row: int, last: int) -> None:
        cut_depths(c, pitch, shape4, starts, ends, False, depths, row, last)

    in_bands(band, len(starts), height=16)
    return depths


def _doubles(*arrays: Doubles) -> tuple[Doubles, ...]:
    """Return arrays that no kernel is compiled anew for: double precision, contiguous, writeable."""
    return tuple(np.require(each, np.float64, ["C", "W"]) for each in arrays)
