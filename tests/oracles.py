"""Slow plain twins of the kernels, in numpy and scipy alone: what they say is what must hold."""

from __future__ import annotations

import itertools
from decimal import Decimal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from relief.cutters import Profile, profile_height

# Carving: what straight moves leave


def least_over_move(
    shape: Profile, start: ArrayLike, end: ArrayLike, x: ArrayLike, y: ArrayLike, rounds: int = 60
) -> np.ndarray:
    """Return the height that a straight move leaves at points (x, y); infinite where it does not reach.

    The tip position is sought by golden sections (Kiefer 1953) over the part of the move within the
    cutter's radius of each point: the height it leaves is a convex function of where the tip is.
    """
    (x0, y0, z0), (x1, y1, z1) = (np.asarray(p, dtype=float) for p in (start, end))
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    length = np.hypot(x1 - x0, y1 - y0)
    if length == 0.0:
        return min(z0, z1) + profile_height(shape, np.hypot(x - x0, y - y0))
    along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length
    beside = ((y - y0) * (x1 - x0) - (x - x0) * (y1 - y0)) / length
    half = np.sqrt(np.maximum(shape.radius**2 - beside**2, 0.0))
    low, high = np.maximum(along - half, 0.0), np.minimum(along + half, length)
    reached = (np.abs(beside) <= shape.radius) & (low <= high)

    def left_at(v: np.ndarray) -> np.ndarray:
        r = np.minimum(np.hypot(beside, along - v), shape.radius)
        return z0 + (z1 - z0) * v / length + profile_height(shape, r)

    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    best = np.minimum(left_at(low), left_at(high))
    for _ in range(rounds):
        inner, outer = high - ratio * (high - low), low + ratio * (high - low)
        at_inner, at_outer = left_at(inner), left_at(outer)
        best = np.minimum(best, np.minimum(at_inner, at_outer))
        falls = at_inner > at_outer
        low, high = np.where(falls, inner, low), np.where(falls, high, outer)
    return np.where(reached, best, np.inf)


def swept_by_search(
    c: np.ndarray, pitch: float, shape: Profile, starts: ArrayLike, ends: ArrayLike
) -> np.ndarray:
    """Return min(c, what each move leaves), float64; the plain twin of `relief.kernels.sweep.sweep`."""
    left = np.asarray(c, dtype=float).copy()
    x, y = np.arange(left.shape[1]) * pitch, np.arange(left.shape[0])[:, None] * pitch
    for start, end in zip(np.asarray(starts), np.asarray(ends), strict=True):
        if not np.isfinite([start, end]).all():
            continue
        low, high = (
            np.minimum(start, end) - shape.radius - pitch,
            np.maximum(start, end) + shape.radius + pitch,
        )
        near = (y[:, 0] >= low[1]) & (y[:, 0] <= high[1]), (x >= low[0]) & (x <= high[0])
        box = np.ix_(*near)
        left[box] = np.minimum(left[box], least_over_move(shape, start, end, x[near[1]], y[near[0]]))
    return left


def swept_by_samples(
    c: np.ndarray, pitch: float, shape: Profile, starts: ArrayLike, ends: ArrayLike, samples: int
) -> np.ndarray:
    """Return what the cutter leaves where it stands at `samples` places along each move: an upper bound."""
    left = np.asarray(c, dtype=float).copy()
    x, y = np.arange(left.shape[1]) * pitch, np.arange(left.shape[0])[:, None] * pitch
    for start, end in zip(np.asarray(starts), np.asarray(ends), strict=True):
        for px, py, pz in np.linspace(start, end, samples):
            left = np.minimum(left, pz + profile_height(shape, np.hypot(x - px, y - py)))
    return left


def under_capsule(radius: float, start: ArrayLike, end: ArrayLike, x: ArrayLike, y: ArrayLike) -> np.ndarray:
    """Return the lowest z of a capsule, the solid swept by a ball, over points (x, y); infinite beside it.

    `start` and `end` are the ball's centres. A vertical line meets a cylinder where
    |(p − a) − ((p − a)·n) n|² = R², and a sphere where |p − a|² = R²: quadratics in z (solid geometry, from
    memory). The capsule is the cylinder between its ends and the two spheres.
    """
    a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    lowest = np.full(x.shape, np.inf)
    for centre in (a, b):
        spare = radius**2 - (x - centre[0]) ** 2 - (y - centre[1]) ** 2
        on_sphere = centre[2] - np.sqrt(np.maximum(spare, 0.0))
        lowest = np.where(spare >= 0, np.minimum(lowest, on_sphere), lowest)
    size = np.linalg.norm(b - a)
    if size == 0.0 or np.hypot(*(b - a)[:2]) == 0.0:
        return lowest
    n = (b - a) / size
    q = np.stack([x - a[0], y - a[1], np.zeros_like(x)])  # p − a = q + (z − a_z) k; solve for t = z − a_z
    q_n = np.tensordot(n, q, axes=1)
    square, linear = 1 - n[2] ** 2, -2 * q_n * n[2]
    constant = (q**2).sum(axis=0) - q_n**2 - radius**2
    spare = linear**2 - 4 * square * constant
    t = (-linear - np.sqrt(np.maximum(spare, 0.0))) / (2 * square)
    place = q_n + t * n[2]
    return np.where((spare >= 0) & (place >= 0) & (place <= size), np.minimum(lowest, a[2] + t), lowest)


def carved_in_turn(
    c: np.ndarray, pitch: float, shape: Profile, points: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return what is left and how deep each move cut below the stock as it stood at its moment."""
    left, depths = np.asarray(c, dtype=float).copy(), np.zeros(len(points) - 1)
    for k in range(len(points) - 1):
        after = swept_by_search(left, pitch, shape, points[k : k + 1], points[k + 1 : k + 2])
        depths[k] = (left - after).max()
        left = after
    return left, depths


def mesh_height(vertices: np.ndarray, triangles: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the height of the highest triangle above each point of the grid x × y; NaN where there is none.

    Plane geometry alone: barycentric coordinates of the points in a triangle's box, one triangle at a time.
    """
    height = np.full((len(y), len(x)), np.nan)
    for a, b, c in vertices[triangles]:
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if abs(area) < 1e-12:  # a wall, seen from above
            continue
        low, high = np.min([a, b, c], axis=0) - 1e-9, np.max([a, b, c], axis=0) + 1e-9
        rows = slice(*np.searchsorted(y, (low[1], high[1])))
        columns = slice(*np.searchsorted(x, (low[0], high[0])))
        dx, dy = x[None, columns] - a[0], y[rows, None] - a[1]
        u = (dx * (c[1] - a[1]) - dy * (c[0] - a[0])) / area
        v = ((b[0] - a[0]) * dy - (b[1] - a[1]) * dx) / area
        inside = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9)
        here = a[2] + u * (b[2] - a[2]) + v * (c[2] - a[2])
        box = height[rows, columns]
        height[rows, columns] = np.where(inside, np.fmax(box, here), box)
    return height


# Tip and reachable surfaces


def tip_by_offsets(z: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Return max of z(p + d) − s(d), trying every offset; the plain twin of `relief.kernels.tip.tip_grid`."""
    (rows, columns), k = z.shape, table.shape[0] // 2
    padded = np.pad(z, k, constant_values=-np.inf)
    tip = np.full(z.shape, -np.inf, dtype=z.dtype)
    for j, i in np.argwhere(np.isfinite(table)):
        tip = np.maximum(tip, padded[j : j + rows, i : i + columns] - table[j, i])
    return tip


def reach_by_offsets(t: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Return min of t(p − d) + s(d), trying every offset; the plain twin of `reach_grid`."""
    (rows, columns), k = t.shape, table.shape[0] // 2
    padded = np.pad(t, k, constant_values=np.inf)
    reach = np.full(t.shape, np.inf, dtype=t.dtype)
    for j, i in np.argwhere(np.isfinite(table)):
        shifted = padded[2 * k - j : 2 * k - j + rows, 2 * k - i : 2 * k - i + columns]
        reach = np.minimum(reach, shifted + table[j, i])
    return reach


def tip_at_by_nodes(z: np.ndarray, pitch: float, shape: Profile, x: ArrayLike, y: ArrayLike) -> np.ndarray:
    """Return the tip height at points, trying every node of the grid; the plain twin of `tip_at`."""
    node_x, node_y = np.arange(z.shape[1]) * pitch, np.arange(z.shape[0])[:, None] * pitch
    tips = []
    for px, py in zip(np.asarray(x), np.asarray(y), strict=True):
        r = np.hypot(node_x - px, node_y - py)
        near = r <= shape.radius * (1 + 1e-12) + 1e-12
        height = profile_height(shape, np.minimum(r, shape.radius))
        tips.append(np.max(z - height, initial=-np.inf, where=near))
    return np.array(tips)


# Program text: moves to text and back, one block at a time


def moves_as_text(
    points: np.ndarray, rapid: np.ndarray, feed: np.ndarray, decimals: int, feed_decimals: int, z: int
) -> str:
    """Return the blocks of moves in lattice steps, after a G0 to height z; twin of `put_moves`."""

    def number(steps: int, decimals: int, least: int) -> str:
        whole, _, part = f"{Decimal(int(steps)).scaleb(-decimals):f}".partition(".")
        part = part[:least] + part[least:].rstrip("0")
        return f"{whole}.{part}" if part else whole

    held, mode, speed, lines = [None, None, z], 0, None, []
    for point, fast, f in zip(points.tolist(), rapid.tolist(), feed.tolist(), strict=True):
        if point == held:
            continue
        words = []
        if mode != (0 if fast else 1):
            mode = 0 if fast else 1
            words.append(f"G{mode}")
        words += [
            f"{letter}{number(new, decimals, 1)}"
            for letter, new, old in zip("XYZ", point, held, strict=True)
            if new != old
        ]
        if not fast and f != speed:
            speed = f
            words.append(f"F{number(f, feed_decimals, 0)}")
        held = point
        lines.append(" ".join(words) + "\n")
    return "".join(lines)


def text_as_moves(
    text: str, start: tuple[float, float, float] = (np.nan, np.nan, np.nan)
) -> list[tuple[float, float, float, bool, float, int]]:
    """Return (x, y, z, rapid, feed, line) of each move of plain lines; twin of `read_plain`.

    It knows G0, G1, G20, G21, G90, G91, X, Y, Z, F and N, and trusts the text.
    """
    here, rapid, feed, scale, absolute, found = [*start], True, 0.0, 1.0, True, []
    for line, content in enumerate(text.upper().split("\n"), start=1):
        code = "".join(content.split())
        words, at = [], 0
        while at < len(code):
            stop = at + 1
            while stop < len(code) and not code[stop].isalpha():
                stop += 1
            words.append((code[at], float(code[at + 1 : stop])))
            at = stop
        for letter, value in words:
            if letter == "G" and value in (0, 1):
                rapid = value == 0
            elif letter == "G" and value in (20, 21):
                scale = 25.4 if value == 20 else 1.0
            elif letter == "G":
                absolute = value == 90
            elif letter == "F":
                feed = value * scale
        for letter, value in words:
            if letter in "XYZ":
                axis = "XYZ".index(letter)
                here[axis] = value * scale + (0.0 if absolute else here[axis])
        if any(letter in "XYZ" for letter, _ in words):
            found.append((*here, rapid, 0.0 if rapid else feed, line))
    return found


def surface_from_above(triangles: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Return the highest point of any triangle over each node, −inf where there is none; plain twin.

    Each triangle's plane is found by solving for its corners; a node is inside when its shares are ≥ 0.
    """
    top = np.full((rows, columns), -np.inf)
    for corners in triangles:
        plan = np.vstack([corners[:, :2].T, np.ones(3)])
        if abs(np.linalg.det(plan)) < 1e-12:
            continue
        for j in range(rows):
            for i in range(columns):
                shares = np.linalg.solve(plan, [i, j, 1.0])
                if shares.min() >= -1e-9:
                    top[j, i] = max(top[j, i], float(shares @ corners[:, 2]))
    return top


def bends_and_height(way: np.ndarray, low: np.ndarray, lift: float) -> float:
    """Return half the sum of squared second differences, and lift times the sum of the height over `low`."""
    return float((np.diff(way, 2) ** 2).sum() / 2 + lift * (way - low).sum())


def least_bent(low: np.ndarray, high: np.ndarray, lift: float) -> np.ndarray:
    """Return the way between two bounds for which that is least, by scipy's bounded search."""
    if len(low) < 4:
        return low
    bend = np.diff(np.eye(len(low)), 2, axis=0)
    found = optimize.minimize(
        lambda way: bends_and_height(way, low, lift),
        (low + np.minimum(high, low + 1)) / 2,
        jac=lambda way: bend.T @ (bend @ way) + lift,
        bounds=optimize.Bounds(low, high),
        method="L-BFGS-B",
        options={"maxiter": 20000, "maxfun": 40000, "ftol": 1e-13, "gtol": 1e-9},
    )
    return np.asarray(found.x)


def loads_by_steps(
    stock: np.ndarray, pitch: float, shape: Profile, points: np.ndarray, sliver: float
) -> tuple[np.ndarray, np.ndarray]:
    """Carve moves in steps of 0.01 mm, and return what each takes: volume, least distance beside its line."""
    j, i = np.indices(stock.shape) * pitch
    volumes, nearest = [], []
    for start, end in itertools.pairwise(points):
        low = stock.astype(np.float64)
        for share in np.linspace(0, 1, 2 + int(np.linalg.norm(end - start) / 0.01)):
            x, y, z = start + share * (end - start)
            low = np.minimum(low, z + profile_height(shape, np.hypot(i - x, j - y)))
        taken = stock - low
        way = (end - start)[:2] / max(float(np.hypot(*(end - start)[:2])), 1e-12)
        beside = np.abs((j - start[1]) * way[0] - (i - start[0]) * way[1])
        volumes.append(taken.sum() * pitch**2)
        nearest.append(beside[taken > sliver].min(initial=np.inf))
        stock[:] = low
    return np.array(volumes), np.array(nearest)
